"""What a person can set of a noise measurement, and what can be refused before any sound."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from audiomeas.measurement.base import LISTEN_ONLY, Figure, Option, PlayContext
from audiomeas.measurement.checks import refuse_empty_band
from audiomeas.measurement.listened import length_option
from audiomeas.measurement.noise_bands import EDGES, parse_bands
from audiomeas.measurement.offers import band_options, mains_option

#: Filters that a figure of its own can be told under, as printed → name in `analysis.weighting`.
FILTERS = {
    "19 kHz low-pass": "lowpass_19k",
    "15 kHz low-pass": "lowpass_15k",
    "rumble weighted": "rumble_weighted",
    "rumble unweighted": "rumble_unweighted",
}

#: Ends of the unit that a density may be drawn at.
OUTPUT, INPUT = "output", "input"

OPTIONS = (
    length_option("longer tells levels and hum closer", default_s=10.0, at_least_s=1.0, at_most_s=600.0),
    Option(
        name=LISTEN_ONLY,
        kind="truth",
        help="Send nothing, not even markers: inputs closed by plugs, or a unit without an input (player, tuner). Hear "
        "the unit first: a cable that is out is silent, too.",
        default=False,
    ),
    *band_options(
        low_help="Low edge of the band (brick wall) of all r.m.s. levels.",
        high_help="High edge of the band (brick wall) of all r.m.s. levels.",
    ),
    Option(
        name="bands",
        kind="text",
        help="More bandwidths that unweighted noise is told in, such as '20-20k; 22.4-22.4k; 400-30k' (Hz).",
        stage="analyse",
    ),
    Option(
        name="band_edges",
        kind="choice",
        help="How those end: vertical, or with third-order Butterworth slopes, 3 dB down at the edges.",
        default="brick wall",
        choices=tuple(EDGES),
        stage="analyse",
    ),
    Option(
        name="reference",
        kind="text",
        help="What signal-to-noise ratios refer to: '1 W', '2 V out', '0 dBFS', '5 mV in', '0.5 V in / 1 W out', "
        "'rated power', '0 VU', 'phono' (2.5, 5 and 10 mV in), 'CEA-490-A'; several with ';' between.",
        stage="analyse",
    ),
    Option(name="rated_power", kind="level", help="What 'rated power' is, such as '60 W'.", stage="analyse"),
    Option(name="vu_level", kind="level", help="What '0 VU' is at the output, such as '4 dBu'.", stage="analyse"),
    Option(
        name="load_ohm",
        kind="number",
        help="Load that watts refer to, where the capture does not say.",
        stage="analyse",
        above=0.0,
    ),
    Option(
        name="gain_db",
        kind="number",
        help="Gain of the unit at 1 kHz: refers noise to the input. On a bench without it that of the first look.",
        stage="analyse",
        at_least=-60.0,
        at_most=120.0,
    ),
    Option(
        name="gain_from",
        kind="result",
        help="The same from an earlier result: the file with the JSON of a response, or of a tone near 1 kHz.",
        stage="analyse",
    ),
    Option(
        name="filter",
        kind="choice",
        help="One more level under a filter: low-pass for tuners, or rumble weighting (low confidence).",
        choices=tuple(FILTERS),
        stage="analyse",
    ),
    mains_option(),
    Option(
        name="bench_noise",
        kind="recording",
        help="Capture of the bench's own noise: same range and rate, the cable to the unit's output shorted.",
        stage="analyse",
    ),
    Option(
        name="source_resistance_ohm",
        kind="number",
        help="Resistance that closes the input: its own noise is drawn and told beside (needs the gain).",
        stage="analyse",
        above=0.0,
        at_most=1e8,
    ),
    Option(
        name="density_at",
        kind="choice",
        help="Where the chart of the density stands: at the unit's output, or referred to its input by the gain.",
        default=OUTPUT,
        choices=(OUTPUT, INPUT),
        stage="analyse",
    ),
    Option(
        name="temperature_k",
        kind="number",
        help="Temperature of that resistance.",
        default=300.0,
        stage="analyse",
        above=0.0,
        at_most=1000.0,
    ),
)

FIGURES = (
    Figure(key="unweighted_v_rms", unit="V", words="noise and hum, unweighted"),
    Figure(key="unweighted_dbfs", unit="dBFS", words="noise and hum, unweighted"),
    Figure(key="a_weighted_v_rms", unit="V", words="noise as the ear hears it (A-weighted)"),
    Figure(key="a_weighted_dbfs", unit="dBFS", words="noise as the ear hears it (A-weighted)"),
    Figure(key="c_weighted_v_rms", unit="V", words="noise, C-weighted"),
    Figure(key="itu_r_468_quasi_peak_v", unit="V", words="noise, ITU-R 468 quasi-peak"),
    Figure(key="itu_r_468_quasi_peak_dbfs", unit="dBFS", words="noise, ITU-R 468 quasi-peak"),
    Figure(key="itu_r_arm_v", unit="V", words="noise, ITU-R ARM"),
    Figure(key="itu_r_arm_dbfs", unit="dBFS", words="noise, ITU-R ARM"),
    Figure(key="aes17_dbfs", unit="dBFS", words="idle noise by AES17"),
    Figure(key="filtered_v_rms", unit="V", words="noise under a filter"),
    Figure(key="filtered_dbfs", unit="dBFS", words="noise under a filter"),
    Figure(key="snr_db", unit="dB", words="signal-to-noise ratio, unweighted"),
    Figure(key="snr_a_db", unit="dB", words="signal-to-noise ratio, A-weighted"),
    Figure(key="a_weighted_input_v_rms", unit="V", words="A-weighted noise, referred to the input"),
    Figure(key="unweighted_input_v_rms", unit="V", words="noise, referred to the input"),
    Figure(key="hum_v_rms", unit="V", words="mains hum, all lines"),
    Figure(key="hum_dbfs", unit="dBFS", words="mains hum, all lines"),
    Figure(key="clicks_per_minute", unit="1/min", words="clicks and pops in a minute"),
    Figure(key="clicks", unit="", words="clicks and pops counted"),
    Figure(key="flicker_corner_hz", unit="Hz", words="frequency below which noise rises"),
)


def check(context: PlayContext, options: Mapping[str, Any]) -> None:
    """Raise RequestError for bands that are none, and references that can't be read."""
    from audiomeas.measurement.noise_references import parse_references

    refuse_empty_band(context, options)
    parse_bands(options, context.sample_rate_hz)
    parse_references(options)
