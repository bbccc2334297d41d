"""`python -m audiomeas`."""

from audiomeas.cli.main import main

main()
