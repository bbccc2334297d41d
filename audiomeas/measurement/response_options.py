"""The options of a response, and its figures that a limit can hold."""

from __future__ import annotations

from audiomeas.measurement.base import Figure, Option
from audiomeas.measurement.curves import list_curve

OPTIONS = (
    Option(
        name="duration_s",
        kind="number",
        help="length of the sweep in seconds; not given: 2 s, and longer for a sweep from below 20 Hz",
        at_least=0.5,
        at_most=60.0,
    ),
    Option(
        name="averages",
        kind="integer",
        help="how often the sweep is played: the average of n has 10·lg(n) dB less noise",
        default=1,
        at_least=1,
        at_most=64,
    ),
    Option(name="from_hz", kind="number", help="lowest frequency at full level", default=20.0, at_least=1.0),
    Option(
        name="to_hz",
        kind="number",
        help="highest frequency (at most 0.4536 of the sample rate)",
        default=20_000.0,
        above=0.0,
    ),
    Option(
        name="reference_hz",
        kind="number",
        help="frequency that 0 dB stands for",
        default=1000.0,
        above=0.0,
        stage="analyse",
    ),
    Option(
        name="low_hz",
        kind="number",
        help="lower end of the band of the deviation",
        default=20.0,
        above=0.0,
        stage="analyse",
    ),
    Option(name="high_hz", kind="number", help="upper end of that band", default=20_000.0, above=0.0, stage="analyse"),
    Option(
        name="points_per_octave",
        kind="integer",
        help="points of the curve in each octave",
        default=24,
        at_least=3,
        at_most=96,
        stage="analyse",
    ),
    Option(
        name="same_clock",
        kind="truth",
        help="the file was played and captured by one clock (gives phase)",
        default=False,
        stage="analyse",
    ),
    Option(
        name="loopback",
        kind="recording",
        help="a capture of the same sweep and range without the unit, whose response is divided out",
        stage="analyse",
    ),
)

#: What limit masks can hold. Where 0 dB is only the gain at the reference, no absolute gain is known.
CURVES = (
    list_curve(
        "gain_db",
        unit="dB",
        words="gain",
        uncertainty_key="gain_uncertainty_db",
        shape_uncertainty_key="gain_shape_uncertainty_db",
        absolute=lambda result: result.conditions.get("gain_reference") == "absolute",
    ),
)

FIGURES = (
    Figure(key="gain_at_reference_db", unit="dB", words="gain at the reference frequency"),
    Figure(key="deviation_db", unit="dB", words="largest deviation from a flat response within the band"),
    Figure(key="corner_low_hz", unit="Hz", words="lower frequency at which half the power is left"),
    Figure(key="corner_high_hz", unit="Hz", words="upper frequency at which half the power is left"),
    Figure(key="corner_low_1_db_hz", unit="Hz", words="lower frequency at which the gain has fallen by 1 dB"),
    Figure(key="corner_high_1_db_hz", unit="Hz", words="upper frequency at which the gain has fallen by 1 dB"),
    Figure(key="corner_low_0_5_db_hz", unit="Hz", words="lower frequency at which the gain has fallen by 0.5 dB"),
    Figure(key="corner_high_0_5_db_hz", unit="Hz", words="upper frequency at which the gain has fallen by 0.5 dB"),
    Figure(key="balance_db", unit="dB", words="difference of loudness from the first channel"),
    Figure(key="balance_largest_db", unit="dB", words="largest difference of loudness within the band"),
    Figure(key="time_constant_low_s", unit="s", words="time constant of the filter that ends the low tones"),
    Figure(key="time_constant_high_s", unit="s", words="time constant of the filter that ends the high tones"),
)
