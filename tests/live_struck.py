"""`audiomeas` whose reading of the last moment is struck down once a file appears: what kills the analysis thread.

Run as `python live_struck.py FILE live …`.
"""

from __future__ import annotations

import sys
from pathlib import Path

from audiomeas.cli.main import main
from audiomeas.measurement import live_reader

STRIKE = Path(sys.argv.pop(1))
_read = live_reader.read_live


def _struck(*arguments, **rest):
    if STRIKE.exists():
        raise SystemExit  # ends the thread without a word
    return _read(*arguments, **rest)


live_reader.read_live = _struck
main(sys.argv[1:])
