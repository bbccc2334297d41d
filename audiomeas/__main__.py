"""`python -m audiomeas`."""

from audiomeas.cli import main

main()
