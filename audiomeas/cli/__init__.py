"""The command line: one module a command group. Parse, one call, print, exit status."""

from __future__ import annotations

import sys


def main() -> None:
    """Start the command line; a Ctrl-C while it still loads ends it in one line too."""
    try:
        from audiomeas.cli.main import main as run
    except KeyboardInterrupt:
        sys.stderr.write("audiomeas: interrupted; nothing was started\n")
        sys.exit(130)
    run()
