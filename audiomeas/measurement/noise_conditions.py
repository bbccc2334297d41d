"""The conditions that make noise figures comparable: band, weightings, detectors, averages, where the time went."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.bench_own import own_words
from audiomeas.measurement.noise_bands import parse_bands
from audiomeas.measurement.noise_bench import MARGIN_DB
from audiomeas.measurement.noise_options import FILTERS
from audiomeas.measurement.noise_references import parse_references

if TYPE_CHECKING:
    from audiomeas.measurement.noise_scan import Scan

#: How each level is made; printed with the result.
DEFINITIONS = {
    "unweighted": "r.m.s. in the band",
    "a_weighted": "A (IEC 61672-1), r.m.s. in the band",
    "c_weighted": "C (IEC 61672-1), r.m.s. in the band",
    "itu_r_468": "ITU-R BS.468-4 weighting (0 dB at 1 kHz), r.m.s. in the band",
    "aes17": "AES17: ITU-R BS.468 weighting with 0 dB at 2 kHz, r.m.s. in the band",
    "itu_r_468_quasi_peak": "ITU-R BS.468-4 weighting (0 dB at 1 kHz) and quasi-peak detector, mean reading",
    "itu_r_arm": "ITU-R BS.468 weighting with 0 dB at 2 kHz, average-responding detector calibrated in sine r.m.s.",
}


def conditions_of(found: Scan, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the conditions of a scan."""
    recording, span, density = found.recording, found.span, found.channels[0].density
    rate_hz = recording.sample_rate_hz
    definitions = dict(DEFINITIONS)
    if options["filter"] is not None:
        definitions["filtered"] = f"{options['filter']} ({filter_source(options['filter'])}), r.m.s. in the band"
    bands = parse_bands(options, rate_hz)
    definitions.update({one.name: f"r.m.s., {one.words}" for one in bands})
    bench = options["bench_noise"]
    return {
        "stimulus": "none: the output was silent" if recording.stimulus is not None else "not known",
        "duration_s": (span.stop - span.start) / rate_hz,
        "span_s": [span.start / rate_hz, span.stop / rate_hz],
        "band_hz": [options["low_hz"], min(options["high_hz"], rate_hz / 2.0)],
        "band_edges": "brick wall",
        "bands": {one.name: one.words for one in bands},
        "levels": definitions,
        "density": f"Welch: Hann window of {density.segment_frames} frames, overlap one half, "
        f"{density.segments} averages; DC left out",
        "density_at": options["density_at"],
        "density_bin_hz": density.bin_hz,
        "filter": options["filter"],
        "snr_references": {one.words: one.end for one in parse_references(options)},
        "source_resistance_ohm": options["source_resistance_ohm"],
        "temperature_k": options["temperature_k"],
        "bench_noise": None if bench is None else {"file": bench.name, "sha256": bench.sha256},
        "bench_margin_db": MARGIN_DB,
        "uncertainty_covers": "scatter of noise over the time listened, scale, gain and load; the bench's own "
        f"noise, which is taken off the levels where it is known; {own_words(recording, response=False)}",
    }


def filter_notes(options: Mapping[str, Any]) -> list[str]:
    """Return what has to be said with the level under the filter that was asked for."""
    from audiomeas.analysis.weighting import weighting

    chosen = options["filter"]
    note = "" if chosen is None else weighting(FILTERS[chosen]).note
    return [f"{chosen}: {note}"] if note else []


def filter_source(words: str) -> str:
    """Return where a filter's curve comes from."""
    from audiomeas.analysis.weighting import weighting

    return weighting(FILTERS[words]).source
