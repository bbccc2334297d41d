"""What a session calls while it plays: who keeps a capture, who hears a sentence, who sees how far it is."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from audiomeas.interface.transport import Capture
from audiomeas.recording import Recording

Keep = Callable[[Capture, Recording], Path | None]
Say = Callable[[str], None]
Progress = Callable[[str, float], None]


def quiet(_: str) -> None:
    """Say nothing."""


def no_progress(_: str, __: float) -> None:
    """Show nothing."""
