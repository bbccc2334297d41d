"""Sound before a medium's first tone, as it is said."""

from __future__ import annotations


def leader_words(loud_s: float, begin_s: float) -> list[str]:
    """Return what is to be said of it. loud_s : by `analysis.leader`.   begin_s : where the first tone begins."""
    if not loud_s > 0.0:
        return []
    return [
        f"something else sounds for {loud_s:.0f} s before the first tone (at {begin_s:.1f} s): speech over the leader, "
        "music, or another take? It counts in no figure"
    ]
