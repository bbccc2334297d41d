"""Pictures of tuners and players: what their decoders, detectors and converters leave."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from audiomeas.diagnosis.amplifying import READ_OFF_DB
from audiomeas.diagnosis.evidence import Evidence, Measured, reference_v_rms
from audiomeas.diagnosis.facts import Fact, above, below, either
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.diagnosis.shaping import swept_de_emphasis
from audiomeas.measurement.curves import number
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.trade_limits import (
    DETECTOR_PERCENT,
    DETECTOR_RATIO,
    LOW_SEPARATION_DB,
    MONO_DB,
    WAYS_DIFFER_DB,
)
from audiomeas.units import amplitude_ratio_to_db

_TUNERS = ("tuner", "receiver")
#: A gain error of 0.5 dB in the difference leaves 30.8 dB, a phase of 10 degrees 42 dB (closed form).
_USUAL_DB = 40.0
_DETECTOR_APART_DB, _HARMONIC_DB = (8.0, 13.0), -50.0
_PILOT_HZ, _PILOT_DB, _PILOT_WITHIN_PERCENT = (19_000.0, 38_000.0), -50.0, 0.1
_NOTHING_DB = -200.0
_RESIDUES = {"pilot_residue_db": "rest of the pilot", "subcarrier_residue_db": "rest of the subcarrier"}
_DEVIATIONS = {
    "deviation_low_db": "response, lowest against what it ought to be",
    "deviation_high_db": "response, highest against what it ought to be",
}
_OTHER_PERCENT, _DEVIATION_DB = 20.0, 1.5
#: 50 for 75 µs is 2.8 dB at 10 kHz and 1.5 dB at 3 kHz, against 1 kHz (closed form).
_SPOTS, _SPOT_WITHIN = {10_000.0: 2.0, 3_000.0: 0.5}, 0.03
_MUTED_DB = 10.0


def _decoder(found: Evidence) -> Iterator[Case]:
    for first, second in separations(found):
        there = [above(fact, MONO_DB) for fact in (first, second)]
        yield Case((*(below(fact, LOW_SEPARATION_DB) for fact in (first, second)), *there))
        apart = first.less(second, f"{first.words}, one channel's over the other's").without_sign()
        worse = min(first, second, key=lambda fact: fact.value)
        yield Case((above(apart, WAYS_DIFFER_DB), below(worse, _USUAL_DB), *there))


def separations(found: Evidence) -> Iterator[tuple[Fact, Fact]]:
    """Yield the separation at 1 kHz both ways, in dB, of each result that tells it."""
    for one in found.of("tuner", "separation", "crosstalk"):
        facts = [_separation(one, channel) for channel in one.channels()]
        known = [fact for fact in facts if fact is not None]
        if len(known) == 2:
            yield known[0], known[1]


def _separation(one: Measured, channel: ChannelResult) -> Fact | None:
    words = "separation at 1 kHz"
    if one.result.measurement != "crosstalk":
        return one.fact(channel, "separation_db", words, "dB")
    fact = one.fact(channel, "crosstalk_at_1khz_db", words, "dB")
    return None if fact is None else fact.turned()


def _detector(found: Evidence) -> Iterator[Case]:
    for full, part in itertools.permutations(found.tones(), 2):
        low_db, high_db = _DETECTOR_APART_DB
        if full.channel != part.channel or not full.same_frequency(part) or not low_db <= full.over_db(part) <= high_db:
            continue
        ratio = full.thd.over(part.thd, f"{full.thd.words}, times that at {part.at}")
        harmonics = [full.harmonics[order] for order in (2, 3) if order in full.harmonics]
        if ratio is not None and harmonics:
            yield Case((above(ratio, DETECTOR_RATIO), either(*(above(one, _HARMONIC_DB) for one in harmonics))))
    for one, channel in found.each("tuner"):
        whole = one.fact(channel, "thd_mono_percent", "harmonic distortion at 100 %, mono", "%")
        lower = one.fact(channel, "thd_low_percent", "harmonic distortion at less modulation", "%")
        ratio = None if whole is None or lower is None else whole.over(lower, f"{whole.words}, times that at less")
        if ratio is not None and whole is not None:
            yield Case((above(ratio, DETECTOR_RATIO), above(whole, DETECTOR_PERCENT)))


def _pilot(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("noise"):
        reference = reference_v_rms(channel)
        if reference is None or "lines" not in channel.values:
            continue
        for pilot_hz in _PILOT_HZ:
            lines = channel.values["lines"] or ()
            line = min(lines, key=lambda row: abs(row["frequency_hz"] - pilot_hz), default=None)
            level = None if line is None else number(line["level_v_rms"])
            hz = 0.0 if line is None else float(line["frequency_hz"])
            whose = channel.channel
            off_percent = 100.0 * abs(hz / pilot_hz - 1.0)
            off = one.told(whose, f"line at {hz:.0f} Hz, from {pilot_hz:.0f} Hz", off_percent, "%")
            # Without a line its level is that of nothing.
            over_db = _NOTHING_DB if not level else float(amplitude_ratio_to_db(level / reference))
            leak = one.told(whose, f"its level against {channel.values['snr_reference']}", over_db, "dB", READ_OFF_DB)
            yield Case((above(leak, _PILOT_DB), below(off, _PILOT_WITHIN_PERCENT)))


def _residues(found: Evidence) -> Iterator[Case]:
    """Yield what a tuner's own word tells of pilot and subcarrier, on both channels: one filter serves them."""
    for one in found.of("tuner"):
        for key, words in _RESIDUES.items():
            facts = [one.fact(channel, key, words, "dB") for channel in one.channels()]
            known = [fact for fact in facts if fact is not None]
            if len(known) > 1:
                yield Case(tuple(above(fact, _PILOT_DB) for fact in known))


def _leaks(found: Evidence) -> Iterator[Case]:
    yield from _pilot(found)
    yield from _residues(found)


def _time_constant(found: Evidence) -> Iterator[Case]:
    """Yield what a tuner's own word tells of its de-emphasis: the time constant, and what it leaves of the response."""
    for one, channel in found.each("tuner"):
        fitted = one.fact(channel, "de_emphasis_us", "time constant of the de-emphasis", "µs")
        wanted_us = number(one.result.conditions.get("de_emphasis_us"))
        ends = [
            fact.without_sign()
            for key, words in _DEVIATIONS.items()
            if (fact := one.fact(channel, key, words, "dB")) is not None
        ]
        if fitted is None or not wanted_us or len(ends) < len(_DEVIATIONS):
            continue
        half = None if fitted.half_width is None else 100.0 * fitted.half_width / wanted_us
        off = one.told(
            channel.channel,
            f"time constant of {fitted.value:.3g} µs, off {wanted_us:g} µs by",
            100.0 * abs(fitted.value / wanted_us - 1.0),
            "%",
            half,
        )
        yield Case((above(off, _OTHER_PERCENT), either(*(above(end, _DEVIATION_DB) for end in ends))))


def _spots(found: Evidence) -> Iterator[Case]:
    """Yield what a tuner's spot tones tell where no time constant fits: none is there, or another network is."""
    for one, channel in found.each("tuner"):
        rows = [row for row in channel.values.get("response") or () if number(row.get("deviation_db")) is not None]
        offs = []
        for hz, limit_db in _SPOTS.items():
            row = next((row for row in rows if abs(row["frequency_hz"] / hz - 1.0) < _SPOT_WITHIN), None)
            if row is not None:
                half = number(row["uncertainty"].get("deviation_db"))
                words = f"response at {hertz(hz)} against what it ought to be"
                offs.append((one.told(channel.channel, words, abs(row["deviation_db"]), "dB", half), limit_db))
        if len(offs) == len(_SPOTS):
            yield Case(tuple(above(fact, limit_db) for fact, limit_db in offs))


def _de_emphasis(found: Evidence) -> Iterator[Case]:
    yield from swept_de_emphasis(found)
    yield from _time_constant(found)
    yield from _spots(found)


def _mute(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("dynamic-range"):
        pairs = (
            ("idle_a_below_db", "dynamic_range_a_db", "A-weighted"),
            ("idle_ccir_below_db", "dynamic_range_db", "CCIR-RMS"),
        )
        signs = []
        for idle_key, range_key, words in pairs:
            idle = one.fact(channel, idle_key, f"noise of silence below full level, {words}", "dB")
            heard = one.fact(channel, range_key, "dynamic range", "dB")
            if idle is not None and heard is not None:
                signs.append(above(idle.less(heard, f"{idle.words}, beyond the dynamic range"), _MUTED_DB))
        if len(signs) == len(pairs):
            yield Case(tuple(signs))


PICTURES = (
    Picture(
        name="stereo-decoder",
        signature="separation is poor, or unlike both ways, without being gone",
        consistent_with="a stereo decoder that is out of alignment",
        check="pilot lock (19 kHz), the separation trimmer, the subcarrier's phase; the generator's own separation",
        bench="the generator's separation and pre-emphasis, a weak signal with blend",
        needs="tuner, with a stereo generator",
        look=_decoder,
        kinds=_TUNERS,
        source="closed form of a gain error in the difference signal",
    ),
    Picture(
        name="detector",
        signature="distortion at 100 % of modulation is many times that at 30 %",
        consistent_with="an IF or detector out of alignment: off-centre makes the second harmonic, narrow the third",
        check="tuning at the centre, then the detector's alignment, then the IF's; the ceramic filters",
        bench="a generator that distorts at full deviation",
        needs="tuner, mono at 100 % and at 30 % of modulation",
        look=_detector,
        kinds=_TUNERS,
    ),
    Picture(
        name="pilot-leak",
        signature="a line at 19 or 38 kHz at the outputs",
        consistent_with="a pilot filter that is missing or out of tune",
        check="the filter behind the decoder, its alignment",
        bench="screens and switching supplies make lines nearby: look with the generator off",
        needs="tuner with the pilot on (or noise with a reference), at a sample rate of 48 kHz and more",
        look=_leaks,
        kinds=_TUNERS,
    ),
    Picture(
        name="wrong-de-emphasis",
        signature="both channels rise or fall with frequency as a first-order network does",
        consistent_with="a de-emphasis of another region (50 or 75 µs), or none",
        check="the tuner's de-emphasis switch and capacitors, and what the generator pre-emphasises by",
        bench="the generator's own pre-emphasis: set it as the tuner's",
        needs="tuner with spot tones to 10 kHz, or response of what the generator sends",
        look=_de_emphasis,
        kinds=_TUNERS,
        source="closed form of first-order networks",
    ),
    Picture(
        name="mute-hides-noise",
        signature="silence is quieter than the noise beside a quiet tone",
        consistent_with="a mute that opens with the music: silence tells of the mute, not of the converter",
        check="the dynamic range beside a quiet tone instead of the noise of silence",
        bench="a gate in the chain of the bench",
        needs="dynamic-range",
        look=_mute,
        kinds=("player", "converter"),
    ),
)
