"""Pictures of stages that amplify: where they clip, what they distort at which level, and what their supply does.

The numbers are first proposals of common practice, to be tuned; what is computed says of what.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterator

from audiomeas.diagnosis.evidence import Evidence, Measured, Tone, apart_db, hum_lines
from audiomeas.diagnosis.facts import Fact, above, below, either
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.measurement.result import ChannelResult
from audiomeas.shown_digits import AT_MOST
from audiomeas.units import parse_level, power_ratio_to_db

AMPLIFIERS = ("amplifier", "receiver")
STAGES = (*AMPLIFIERS, "phono", "converter")
#: Harmonics that a clipping search tells have no half-width: at 1 % they stand 40 dB and more over a burst's noise, and
#: a decibel is the careful side. The same for lines that are read off a spectrum.
READ_OFF_DB = 1.0
#: One half cut alone leaves second and third harmonic alike (Fourier series). At 1 % of distortion that half is cut by
#: 0.35 dB, and more a search to 1 % can't show: the limit lies below, and the harmonics must say the same.
_ASYMMETRY_DB, _EVEN_OVER_ODD_DB, _AT_PERCENT = 0.3, -6.0, 1.0
_SAG_DB, _DEEP_SAG_DB, _HALF_POWER = -1.0, -2.0, 0.5
#: Crossover: powers that are compared, as octaves around 0.1 W and 3 W go.
_LOW_W, _MIDDLE_W, _APART_DB = (0.02, 0.25), (1.0, 12.0), 8.0
_CROSSOVER_RATIO, _SLOW_SERIES_DB = 2.0, -12.0
_EVEN_RISE_DB, _POWER_LOSS_DB, _HUM_RISE_DB = 10.0, -1.0, 6.0
_GAIN_LOSS_DB, _EMISSION_EVEN_DB = -1.0, 6.0
_CLEANED_RATIO, _LOUDER_DB = 2.0, 10.0
_RANGE_RATIO, _NEARER_DB = 1.5, 3.0
_RIPPLE_DBC = -60.0
_TWICE_MAINS_HZ = (100.0, 120.0)
_LINE_WITHIN_HZ = 3.0
_OSCILLATION_DB, _ABOVE_HZ, _GROWS_DB = -60.0, 20_500.0, 10.0
#: A spectrum is kept at the highest bin of each cell of 0.75 %: so near to any place at least one of them stands.
_SAME_PLACE = 0.008
#: So many bins of a tone's window beside a harmonic still belong to it: the window's lobe and what a bin rounds.
_HARMONICS_BINS = 4.0


def _asymmetric_clipping(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("clipping"):
        apart = one.fact(channel, "asymmetry_db", "one half clips before the other by", "dB")
        even = _even_over_odd(one, channel)
        if apart is not None and even is not None:
            yield Case((above(apart, _ASYMMETRY_DB), above(even, _EVEN_OVER_ODD_DB)))


def _even_over_odd(one: Measured, channel: ChannelResult) -> Fact | None:
    """Return the second harmonic over the third at 1 % of distortion."""
    for row in channel.values.get("levels") or ():
        second, third = number(row.get("h2_db")), number(row.get("h3_db"))
        if row["percent"] == _AT_PERCENT and second is not None and third is not None and not row.get("bound"):
            return one.told(
                channel.channel,
                "second harmonic over the third where distortion is 1 %",
                second - third,
                "dB",
                READ_OFF_DB,
            )
    return None


def _sags(one: Measured) -> list[Fact]:
    facts = [
        one.fact(channel, "sag_db", "level at 1 % with all channels driven, against this one alone", "dB")
        for channel in one.channels()
    ]
    return [fact for fact in facts if fact is not None]


def _supply_sag(found: Evidence) -> Iterator[Case]:
    for one in found.of("clipping"):
        sags = _sags(one)
        if len(sags) > 1:
            yield Case(tuple(below(sag, _SAG_DB) for sag in sags))


def _limiter_left_in(found: Evidence) -> Iterator[Case]:
    for one in found.of("clipping"):
        rated = one.result.conditions.get("rated_level")
        level = None if not rated else parse_level(str(rated))
        if level is None or level.unit != "W":
            continue
        parts = [
            fact.over(_exact(level.value, "W"), "power at 1 % of distortion over the rated one")
            for channel in one.channels()
            if (fact := one.fact(channel, "at_1_percent_w", "power at 1 %", "W")) is not None
        ]
        sags = _sags(one)
        signs = [below(part, _HALF_POWER) for part in parts if part is not None]
        if len(signs) > 1 and sags:
            yield Case((*signs, *(below(sag, _DEEP_SAG_DB) for sag in sags)))


def _exact(value: float, unit: str) -> Fact:
    return Fact(words="", value=value, unit=unit, half_width=0.0, step="")


def _crossover(found: Evidence) -> Iterator[Case]:
    for low, middle in _pairs(found):
        if not (_within(low, _LOW_W) and _within(middle, _MIDDLE_W) and middle.over_db(low) >= _APART_DB):
            continue
        ratio = low.thd.over(middle.thd, f"{low.thd.words}, times that at {middle.at}")
        seventh, third = low.harmonics.get(7), low.harmonics.get(3)
        if ratio is not None and seventh is not None and third is not None:
            slow = seventh.less(third, f"harmonic 7 over harmonic 3 at {low.at}")
            yield Case((above(ratio, _CROSSOVER_RATIO), above(slow, _SLOW_SERIES_DB)))


def _within(tone: Tone, span_w: tuple[float, float]) -> bool:
    return tone.power_w is not None and span_w[0] <= tone.power_w <= span_w[1]


def _pairs(found: Evidence) -> Iterator[tuple[Tone, Tone]]:
    """Yield each two tones of one channel and frequency, both ways round."""
    for one, other in itertools.permutations(found.tones(), 2):
        if one.channel == other.channel and one.same_frequency(other):
            yield one, other


def _weak_output_tube(found: Evidence) -> Iterator[Case]:
    hum = dict(_rises(found, "noise", _twice_mains))
    power = dict(_rises(found, "clipping", _one_percent))
    for tone in found.tones():
        for whose, other in found.like_tones(tone):
            even = _harmonic_rise(tone, other, whose)
            key = (tone.channel, whose)
            if even is None or key not in hum:
                continue
            signs = [above(even, _EVEN_RISE_DB)] + ([below(power[key], _POWER_LOSS_DB)] if key in power else [])
            yield Case((either(*signs), above(hum[key], _HUM_RISE_DB)))


FactOf = Callable[[Measured, ChannelResult], Fact | None]


def _rises(found: Evidence, word: str, fact_of: FactOf) -> Iterator[tuple[tuple[int, str], Fact]]:
    """Yield (channel, reference) and by how much a level lies over that of the reference, in dB."""
    for one, channel in found.each(word):
        for whose, there, other in found.others(one, channel):
            own, others = fact_of(one, channel), fact_of(there, other)
            if own is not None:
                rise = apart_db(own, others, f"{own.words} over that of {whose}")
                if rise is not None:
                    yield (channel.channel, whose), rise


def _twice_mains(one: Measured, channel: ChannelResult) -> Fact | None:
    return hum_lines(one, channel).get(2)


def _one_percent(one: Measured, channel: ChannelResult) -> Fact | None:
    return one.fact(channel, "at_1_percent_v_rms", "level at 1 % of distortion", "V")


def _harmonic_rise(tone: Tone, other: Tone, whose: str) -> Fact | None:
    own, others = tone.harmonics.get(2), other.harmonics.get(2)
    return None if own is None or others is None else own.less(others, f"{own.words} over that of {whose}")


def _low_emission(found: Evidence) -> Iterator[Case]:
    for tone in found.tones():
        for whose, other in found.like_tones(tone):
            even = _harmonic_rise(tone, other, whose)
            if even is None or tone.gain is None or other.gain is None:
                continue
            gain = tone.gain.less(other.gain, f"{tone.gain.words} over that of {whose}")
            yield Case((below(gain, _GAIN_LOSS_DB), above(even, _EMISSION_EVEN_DB)))


def _dirty_contact(found: Evidence) -> Iterator[Case]:
    for before, after in _pairs(found):
        if before.order >= after.order or not before.like(after):
            continue
        between = [
            tone
            for tone in found.tones(before.channel)
            if before.order < tone.order < after.order and tone.over_db(before) >= _LOUDER_DB
        ]
        ratio = before.thd.over(after.thd, f"{before.thd.words} before a loud tone, times that after it")
        if not between or ratio is None:
            continue
        loudest = max(between, key=lambda tone: tone.over_db(before))
        louder = apart_db(loudest.level, before.level, "the loud tone between, over these")
        if louder is not None:
            yield Case((above(ratio, _CLEANED_RATIO), above(louder, _LOUDER_DB)))


def _card_overload(found: Evidence) -> Iterator[Case]:
    for more, less in _pairs(found):
        if not more.like(less) or None in (more.range_name, less.range_name) or more.range_name == less.range_name:
            continue
        if more.level_dbfs is None or less.level_dbfs is None or more.level_dbfs.value <= less.level_dbfs.value:
            continue
        words = f"{more.thd.words} on range {more.range_name!r}, times that on range {less.range_name!r}"
        ratio = more.thd.over(less.thd, words)
        nearer = more.level_dbfs.less(less.level_dbfs, "level at the card on the first range over that on the second")
        if ratio is not None:
            yield Case((above(ratio, _RANGE_RATIO), above(nearer, _NEARER_DB)))


def _ripple_under_load(found: Evidence) -> Iterator[Case]:
    for tone in found.tones():
        for beside_hz in _mains_of(tone):
            if tone.frequency_hz < 3.0 * beside_hz:
                continue  # beside a lower tone stand hum itself and the tone's own harmonics
            sides = [_line(tone, tone.frequency_hz + sign * beside_hz) for sign in (-1.0, 1.0)]
            lines = [side for side in sides if side is not None]
            if len(lines) > 1:
                yield Case(tuple(above(line, _RIPPLE_DBC) for line in lines))


def _mains_of(tone: Tone) -> tuple[float, ...]:
    """Return twice the mains as the capture tells it; else both that there are."""
    rows = tone.values.get("mains") or ()
    first = next((row for row in rows if number(row.get("frequency_hz"))), None)
    if first is None:
        return _TWICE_MAINS_HZ
    nominal = min((50.0, 60.0), key=lambda hz: abs(first["frequency_hz"] / hz - round(first["frequency_hz"] / hz)))
    return (2.0 * nominal,)


def _spectrum(tone: Tone) -> list[tuple[float, float]]:
    spectrum = tone.values.get("spectrum") or {}
    return list(zip(spectrum.get("frequency_hz") or (), spectrum.get("level_db") or (), strict=False))


def _line(tone: Tone, frequency_hz: float) -> Fact | None:
    """Return the line at a frequency of a tone's spectrum, in dB below the tone; what stands there, if none does."""
    points = _spectrum(tone)
    if not points:
        return None
    near = [level_db for hz, level_db in points if abs(hz - frequency_hz) <= _LINE_WITHIN_HZ]
    nearest = min(points, key=lambda point: abs(math.log(point[0] / frequency_hz)))
    words = f"line at {frequency_hz:.0f} Hz beside the tone of {tone.frequency_hz:.0f} Hz at {tone.at}"
    return _read_off(tone, words, max(near) if near else nearest[1], "" if near else AT_MOST)


def _oscillation(found: Evidence) -> Iterator[Case]:
    for loud, quiet in _pairs(found):
        if loud.power_w is None or not loud.over_db(quiet) >= 1.0:
            continue
        line = _strongest_above(loud)
        if line is None:
            continue
        hz, level_db = line
        there = [level for at_hz, level in _spectrum(quiet) if abs(at_hz / hz - 1.0) <= _SAME_PLACE]
        over_1_w_db, before_db = _over_1_w_db(level_db, loud), _over_1_w_db(max(there, default=math.nan), quiet)
        if over_1_w_db is None or before_db is None:
            continue
        at = f"line at {hz / 1000.0:.1f} kHz, which is no harmonic, at {loud.at}"
        heard = _read_off(loud, f"{at}, against 1 W", over_1_w_db)
        grows = _read_off(loud, f"{at}, over what stands there at {quiet.at}", over_1_w_db - before_db)
        yield Case((above(heard, _OSCILLATION_DB), above(grows, _GROWS_DB)))


def _over_1_w_db(below_tone_db: float, tone: Tone) -> float | None:
    """Return a line's level against 1 W; None where the power or the line is not known."""
    if not tone.power_w or not math.isfinite(below_tone_db):
        return None
    return below_tone_db + float(power_ratio_to_db(tone.power_w))


def _read_off(tone: Tone, words: str, value_db: float, bound: str = "") -> Fact:
    return Fact(
        words=words,
        value=value_db,
        unit="dB",
        half_width=READ_OFF_DB,
        step=tone.step,
        channel=tone.channel,
        bound=bound,
    )


def _strongest_above(tone: Tone) -> tuple[float, float] | None:
    """Return the strongest place above the audio band that is no harmonic, nor a line beside one, which ripple makes.

    Such lines are weaker than their harmonic; an oscillation stands above the harmonics around it. One that is a
    harmonic to within a few bins can't be told: of a window of half a second at 1 kHz one in sixty.
    """
    analysed_s = number(tone.conditions.get("analysed_s"))
    if not analysed_s:
        return None
    apart_hz = _HARMONICS_BINS * int(tone.conditions.get("averages") or 1) / analysed_s
    places = [(hz, level_db, _from_harmonic_hz(hz, tone)) for hz, level_db in _spectrum(tone) if hz > _ABOVE_HZ]
    others = [(hz, level_db) for hz, level_db, off_hz in places if off_hz > apart_hz]
    strongest = max(others, key=lambda place: place[1], default=None)
    if strongest is None:
        return None
    around = [
        level_db
        for hz, level_db, off_hz in places
        if off_hz <= apart_hz and abs(hz - strongest[0]) <= tone.frequency_hz
    ]
    return strongest if strongest[1] > max(around, default=-math.inf) else None


def _from_harmonic_hz(hz: float, tone: Tone) -> float:
    """Return how far a frequency lies from the nearest multiple of a tone's."""
    return abs(hz - tone.frequency_hz * round(hz / tone.frequency_hz))


PICTURES = (
    Picture(
        name="asymmetric-clipping",
        signature="one half of the wave is flat first; the second harmonic jumps where it clips",
        consistent_with="asymmetric clipping",
        check="bias and offset of the output stage, both rails under load, the weaker half's devices",
        bench="a load or attenuator that conducts one way more than the other: swap the channels' loads",
        needs="clipping",
        look=_asymmetric_clipping,
        kinds=STAGES,
        not_kinds=("tube",),
        source="Fourier series of a cut sine; limits: common practice",
    ),
    Picture(
        name="supply-sag",
        signature="all channels driven give much less than each alone",
        consistent_with="a supply that sags: weak transformer, tired filter capacitors",
        check="the rails under load with one and with both driven, ripple on them, the mains voltage itself",
        bench="the mains sags too, or a limiter or variable transformer is in it: read the mains under load",
        needs="clipping with driving = 'alone', which plays each channel alone too",
        look=_supply_sag,
        kinds=AMPLIFIERS,
    ),
    Picture(
        name="limiter-left-in",
        signature="both channels give less than half of the rated power, and sag deeply together",
        consistent_with="a limiter bulb (or another resistance) in the mains lead",
        check="that the limiter is out of the mains, then the mains under load, then the supply",
        bench="the limiter belongs to the bench: this is its doing, not the unit's",
        needs="clipping with rated_level, and driving = 'alone'",
        look=_limiter_left_in,
        kinds=AMPLIFIERS,
    ),
    Picture(
        name="crossover",
        signature="distortion rises as the level falls, with a slow series of odd harmonics",
        consistent_with="crossover distortion: too little idle current",
        check="idle current when warm, its trimmer and the thermal coupling of its sensor",
        bench="a card behind a high attenuation distorts and hums at low levels: repeat on the lowest range",
        needs="distortion at 0.1 W and at 3 W, 1 kHz, on dummy loads",
        look=_crossover,
        kinds=AMPLIFIERS,
        source="Fourier series of a dead zone; limits: common practice",
    ),
    Picture(
        name="weak-output-tube",
        signature="more second harmonic or less power than the reference, and more hum of twice the mains",
        consistent_with="a weak or mismatched output tube: the pair no longer cancels",
        check="cathode currents of the pair, bias, the tubes swapped within the pair",
        bench="hum of the bench on one input alone: swap the inputs",
        needs="distortion near rated power and noise, of both channels or with --against an earlier visit",
        look=_weak_output_tube,
        kinds=("tube",),
    ),
    Picture(
        name="low-emission",
        signature="less gain and more second harmonic than the reference",
        consistent_with="a small tube (or transistor) at the end of its life, or its operating point moved",
        check="the tube in the other channel's place, anode and cathode voltages, the stage's resistors",
        bench="a level that is wrong on one input: swap the inputs",
        needs="distortion at one level, of both channels or with --against an earlier visit",
        look=_low_emission,
        kinds=("tube", "preamplifier", "phono"),
    ),
    Picture(
        name="dirty-contact",
        signature="distortion at a low level becomes less after a loud tone",
        consistent_with="an oxidised contact: relay, switch, selector or plug",
        check="the loudspeaker relay, the selector and its plugs; measure again after a day of rest",
        bench="plugs and relays of the bench do the same: repeat with other leads",
        needs="distortion at a low level before and after a tone at least 10 dB louder, in this order",
        look=_dirty_contact,
    ),
    Picture(
        name="card-overload",
        signature="one level, two ranges: more distortion on the range that drives the card harder",
        consistent_with="distortion of the card's input, not of the unit",
        check="the higher range of the attenuator for this level, and the headroom that is left",
        bench="this is the bench's own doing",
        needs="distortion of one level on two ranges of the attenuator",
        look=_card_overload,
    ),
    Picture(
        name="ripple-under-load",
        signature="lines beside a loud tone at twice the mains' frequency",
        consistent_with="ripple of the supply that gets into the signal under load",
        check="ripple on the rails at this power, filter capacitors, rectifier, the load on the supply",
        bench="a limiter bulb or a weak mains makes it worse: measure without it",
        needs="distortion near the rated power",
        look=_ripple_under_load,
        kinds=AMPLIFIERS,
    ),
    Picture(
        name="oscillation",
        signature="a line above the audio band that is no harmonic, from a level on",
        consistent_with="parasitic oscillation; a card sees little of it",
        check="the output with an oscilloscope of 20 MHz and more, output network, decoupling, leads of the load",
        bench="switching supplies and screens near the card: look with the unit off, and with other leads",
        needs="distortion at two levels at a sample rate of 96 kHz and more, on dummy loads",
        look=_oscillation,
        kinds=AMPLIFIERS,
    ),
)
