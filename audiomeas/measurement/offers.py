"""Options and figures that several measurements offer, so that they look alike everywhere."""

from __future__ import annotations

from audiomeas.measurement.base import Figure, Option

#: The band that the response of tapes and records is told in: common practice.
PLAYED_LOW_HZ, PLAYED_HIGH_HZ = 40.0, 12_500.0


def band_options(
    *, low_help: str, high_help: str, low_hz: float = 20.0, high_hz: float | None = 20_000.0
) -> tuple[Option, Option]:
    """Return the options low_hz and high_hz of a band; the values are defaults, high_hz None: what the rate holds."""
    return (
        Option(name="low_hz", kind="number", help=low_help, default=low_hz, stage="analyse", at_least=0.0),
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


def played_band_options() -> tuple[Option, Option]:
    """Return these options where a tape or a record gives the points of a response."""
    return band_options(
        low_help="Low edge of the band in which the highest and the lowest response are looked for.",
        high_help="High edge of that band.",
        low_hz=PLAYED_LOW_HZ,
        high_hz=PLAYED_HIGH_HZ,
    )
