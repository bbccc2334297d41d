"""Pictures of tuners and players: what their decoders, detectors and converters leave."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from audiomeas.diagnosis.amplifying import READ_OFF_DB
from audiomeas.diagnosis.evidence import Evidence, reference_v_rms
from audiomeas.diagnosis.facts import above, below, either
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.units import amplitude_ratio_to_db

_TUNERS = ("tuner", "receiver")
#: A gain error of 0.5 dB in the difference leaves 30.8 dB, a phase of 10 degrees 42 dB (closed form).
_SEPARATION_DB, _UNEVEN_DB, _MONO_DB = -30.0, 6.0, -3.0
_DETECTOR_RATIO, _DETECTOR_APART_DB, _HARMONIC_DB = 5.0, (8.0, 13.0), -50.0
_PILOT_HZ, _PILOT_DB, _PILOT_WITHIN_PERCENT = (19_000.0, 38_000.0), -50.0, 0.1
_NOTHING_DB = -200.0
_MUTED_DB = 10.0


def _decoder(found: Evidence) -> Iterator[Case]:
    for one in found.of("crosstalk"):
        facts = [
            fact
            for channel in one.channels()
            if (fact := one.fact(channel, "crosstalk_at_1khz_db", "crosstalk from the other channel at 1 kHz", "dB"))
        ]
        if len(facts) < 2:
            continue
        apart = facts[0].less(facts[1], "crosstalk one way over the other way").without_sign()
        poor = [either(above(facts[0], _SEPARATION_DB), above(facts[1], _SEPARATION_DB))]
        both = either(above(apart, _UNEVEN_DB), *(above(fact, _SEPARATION_DB) for fact in facts[1:]))
        yield Case((*poor, both, *(below(fact, _MONO_DB) for fact in facts)))


def _detector(found: Evidence) -> Iterator[Case]:
    for full, part in itertools.permutations(found.tones(), 2):
        low_db, high_db = _DETECTOR_APART_DB
        if full.channel != part.channel or not full.same_frequency(part) or not low_db <= full.over_db(part) <= high_db:
            continue
        ratio = full.thd.over(part.thd, f"{full.thd.words}, times that at {part.at}")
        harmonics = [full.harmonics[order] for order in (2, 3) if order in full.harmonics]
        if ratio is not None and harmonics:
            yield Case((above(ratio, _DETECTOR_RATIO), either(*(above(one, _HARMONIC_DB) for one in harmonics))))


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
        needs="crosstalk of what a stereo generator sends",
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
        needs="distortion at 100 % and at 30 % of modulation",
        look=_detector,
        kinds=_TUNERS,
    ),
    Picture(
        name="pilot-leak",
        signature="a line at 19 or 38 kHz at the outputs",
        consistent_with="a pilot filter that is missing or out of tune",
        check="the filter behind the decoder, its alignment",
        bench="screens and switching supplies make lines nearby: look with the generator off",
        needs="noise with a reference, the stereo pilot on, at a sample rate of 48 kHz and more",
        look=_pilot,
        kinds=_TUNERS,
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
