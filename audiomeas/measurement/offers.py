"""Options and figures that several measurements offer, so that they look alike everywhere."""

from __future__ import annotations

from audiomeas.measurement.base import Figure, Option


def band_options(*, low_help: str, high_help: str, high_hz: float | None = 20_000.0) -> tuple[Option, Option]:
    """Return the options low_hz and high_hz of a band. high_hz : the default; None: as far as the rate reaches."""
    return (
        Option(name="low_hz", kind="number", help=low_help, default=20.0, stage="analyse", at_least=0.0),
        Option(name="high_hz", kind="number", help=high_help, default=high_hz, stage="analyse", above=0.0),
    )


def ratio_figures(name: str, words: str) -> tuple[Figure, Figure]:
    """Return the figures `name`_percent and `name`_db of a ratio of amplitudes."""
    return (
        Figure(key=f"{name}_percent", unit="%", words=words),
        Figure(key=f"{name}_db", unit="dB", words=words),
    )


def mains_option(
    asked: str = "near which hum is looked for. Without it: near 50 and 60 Hz", *, default_hz: float | None = None
) -> Option:
    """Return the option that says the mains frequency. asked : what it is asked for."""
    return Option(
        name="mains_hz",
        kind="number",
        help=f"Mains frequency {asked}.",
        default=default_hz,
        stage="analyse",
        at_least=45.0,
        at_most=65.0,
    )
