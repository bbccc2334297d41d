"""Pictures of gain against frequency: capacitors, equalization, controls, and what a tape's head leaves."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from audiomeas.diagnosis import taped
from audiomeas.diagnosis.amplifying import STAGES
from audiomeas.diagnosis.evidence import Evidence, Measured, in_db
from audiomeas.diagnosis.facts import Fact, Sign, above, below, either
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.measurement.response_views import hertz
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.trade_limits import AZIMUTH_DEG, BIAS_DB, MAGNETISED_DB

TAPE = ("deck",)
_OFF_THE_ROAD = ("deck", "turntable", "tuner", "player")
#: Kinds whose volume control is in the way: its halves never agree as well as fixed resistors.
_WITH_CONTROL = ("integrated", "receiver", "preamplifier")
_REFERENCE_HZ = 1000.0
_SHAPE_HZ = (100.0, 1000.0, 10_000.0)
_BALANCE_DB, _BALANCE_OF_CONTROLS_DB, _FLAT_DB, _SHAPED_DB, _ONE_END_DB = 0.5, 1.0, 0.2, 0.5, 0.25
#: A corner at 20 Hz: −3.0 dB at 20 Hz, −0.64 dB at 50 Hz, −1.6 dB at 30 Hz (closed form).
_LOW_HZ, _SECOND_LOW_HZ, _LOADED_HZ = 20.0, 50.0, 30.0
_LOW_DB, _SECOND_LOW_DB, _SECOND_LOADED_DB = -1.0, -0.1, -0.3
_CONSTANT_PERCENT, _CURVE_DB = 5.0, 0.15
_CONTROL_DB, _ALIKE_DB = 2.0, 1.0
_CONTROL_HZ = (70.0, 10_000.0)
_EMPHASIS_HZ, _EMPHASIS_DB, _EMPHASIS_BEGINS_DB = (10_000.0, 4_000.0), 2.0, 0.4
#: 120 for 70 µs and the other way: 3.8 dB at 4 kHz, 4.4 dB at 10 kHz, against 315 Hz (closed form).
#: A head that is not yet worn (`_GAP_DB` at 12.5 kHz) may take some of it: a gap's loss grows with the frequency's
#: square, 1.6 dB of the 4.3 dB at 8 kHz, 0.4 dB at 4 kHz. From 4 to 8 kHz a shelf rises by 0.55 dB; what tape that
#: stands off the head loses, 3 dB at 4 kHz, rises by as much again: the limit lies half-way.
_SHELF_REFERENCE_HZ, _SHELF_DB, _SHELF_RISE_DB = 315.0, {4_000.0: 3.0, 8_000.0: 2.7}, 1.8
_GAP_HZ, _GAP_DB, _GAP_LOW_HZ = 12_500.0, -4.0, 315.0
_AZIMUTH_HZ, _AZIMUTH_DB = 10_000.0, -1.0
_BIAS_RATIO = 1.5
_HISS_DB = 2.0
#: A pair of 50 and 15 µs that stays in: −7.6 dB at 10 kHz, −9.5 dB at 20 kHz (closed form).
_STUCK_HZ, _STUCK_DB = (10_000.0, 5_000.0), (-5.0, -2.5)


def _differences(found: Evidence) -> Iterator[tuple[Fact, dict[float, Fact]]]:
    """Yield of each response the balance of its channels, and their difference at each of three frequencies."""
    for one in found.of("response", "crosstalk", "response-steps"):
        if found_pair := _pair(one):
            first, second = found_pair
            balance = one.fact(second, "balance_db", _over(second, first), "dB")
            shape = {}
            for hz in _SHAPE_HZ:
                own, other = one.point(second, hz), one.point(first, hz)
                if own is not None and other is not None:
                    shape[hz] = own.less(other, f"channel {second.channel} over channel {first.channel} at {hertz(hz)}")
            if balance is not None and len(shape) == len(_SHAPE_HZ):
                # The words follow the sign: the louder one is told over the other.
                yield balance if balance.value >= 0.0 else balance.turned().named(_over(first, second)), shape


def _over(louder: ChannelResult, other: ChannelResult) -> str:
    return f"channel {louder.channel} over channel {other.channel} at 1 kHz"


def _pair(one: Measured) -> tuple[ChannelResult, ChannelResult] | None:
    """Return the two channels of a result; None where there are no two with a curve."""
    known = [channel for channel in one.channels() if channel.values.get("frequency_hz")]
    return (known[0], known[1]) if len(known) == 2 else None


def _spread(shape: dict[float, Fact]) -> Fact:
    """Return by how much the difference of the channels differs over frequency."""
    low, high = min(shape.values(), key=lambda fact: fact.value), max(shape.values(), key=lambda fact: fact.value)
    return high.less(low, "spread of the channels' difference over 100 Hz, 1 kHz and 10 kHz")


def _low_flat(found: Evidence) -> Iterator[Case]:
    limit_db = _BALANCE_OF_CONTROLS_DB if any(word in found.kind for word in _WITH_CONTROL) else _BALANCE_DB
    for balance, shape in _differences(found):
        yield Case((above(balance, limit_db), below(_spread(shape), _FLAT_DB)))


def _low_shaped(found: Evidence) -> Iterator[Case]:
    for _, shape in _differences(found):
        ends = [
            shape[hz]
            .less(shape[_REFERENCE_HZ], f"difference of the channels at {hertz(hz)} against 1 kHz")
            .without_sign()
            for hz in _SHAPE_HZ
            if hz != _REFERENCE_HZ
        ]
        yield Case((above(_spread(shape), _SHAPED_DB), either(*(above(end, _ONE_END_DB) for end in ends))))


def _low_end_lost(found: Evidence) -> Iterator[Case]:
    for one, channel in found.responses():
        for whose, there, other in found.others(one, channel):
            falls = [_against(one, channel, there, other, hz, _REFERENCE_HZ, whose) for hz in (_LOW_HZ, _SECOND_LOW_HZ)]
            if falls[0] is not None and falls[1] is not None and _same_load(one, channel, there, other):
                yield Case((below(falls[0], _LOW_DB), below(falls[1], _SECOND_LOW_DB)))


def _against(
    one: Measured,
    channel: ChannelResult,
    there: Measured,
    other: ChannelResult,
    frequency_hz: float,
    reference_hz: float,
    whose: str,
) -> Fact | None:
    """Return a gain against that at a reference, over the same of another curve."""
    own, others = one.relative(channel, frequency_hz, reference_hz), there.relative(other, frequency_hz, reference_hz)
    return None if own is None or others is None else own.less(others, f"{own.words}, over that of {whose}")


def _load_of(one: Measured, channel: ChannelResult) -> float | None:
    loads = one.result.conditions.get("load_ohm") or {}
    return number(loads.get(str(channel.channel)))


def _same_load(one: Measured, channel: ChannelResult, there: Measured, other: ChannelResult) -> bool:
    return (_load_of(one, channel) is None) == (_load_of(there, other) is None)


def _output_capacitor(found: Evidence) -> Iterator[Case]:
    for (one, channel), (there, other) in itertools.permutations(list(found.responses()), 2):
        if channel.channel != other.channel or _load_of(one, channel) is None or _load_of(there, other) is not None:
            continue
        falls = [
            _against(one, channel, there, other, hz, _REFERENCE_HZ, "the same without a load")
            for hz in (_LOADED_HZ, _SECOND_LOW_HZ)
        ]
        if falls[0] is not None and falls[1] is not None:
            yield Case((below(falls[0], _LOW_DB), below(falls[1], _SECOND_LOADED_DB)))


def _equalization(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("response"):
        largest = one.fact(channel, "equalization_largest_db", "largest deviation from the curve", "dB")
        for row in channel.values.get("equalization_time_constants") or ():
            error = number(row.get("error_percent"))
            if error is None or largest is None:
                continue
            fact = one.told(
                channel.channel,
                f"time constant of {row['nominal_us']:g} µs off by",
                error,
                "%",
                number(row.get("uncertainty_percent")),
            )
            yield Case((above(fact.without_sign(), _CONSTANT_PERCENT), above(largest, _CURVE_DB)))


def _both(one: Measured, frequency_hz: float, reference_hz: float) -> tuple[Fact, Fact] | None:
    """Return a gain against that at a reference, of both channels."""
    found_pair = _pair(one)
    if found_pair is None:
        return None
    first, second = (one.relative(channel, frequency_hz, reference_hz) for channel in found_pair)
    return None if first is None or second is None else (first, second)


def _controls(found: Evidence) -> Iterator[Case]:
    for one in found.of("response", "crosstalk", "response-steps"):
        for hz in _CONTROL_HZ:
            both = _both(one, hz, _REFERENCE_HZ)
            if both is not None:
                alike = both[0].less(both[1], f"gain at {hertz(hz)}, channels apart by").without_sign()
                yield Case((*(above(fact.without_sign(), _CONTROL_DB) for fact in both), below(alike, _ALIKE_DB)))


def swept_de_emphasis(found: Evidence) -> Iterator[Case]:
    """Yield what a sweep tells of a de-emphasis: both channels rise or fall together, from low on."""
    for one in found.of("response", "response-steps"):
        high, begins = (_both(one, hz, _REFERENCE_HZ) for hz in _EMPHASIS_HZ)
        if high is not None and begins is not None:
            signs = [above(fact.without_sign(), _EMPHASIS_DB) for fact in high]
            yield Case((*signs, *(above(fact.without_sign(), _EMPHASIS_BEGINS_DB) for fact in begins)))


def _tape_equalization(found: Evidence) -> Iterator[Case]:
    for one in found.of("response", "response-steps", "tape"):
        low, high = (_both(one, hz, _SHELF_REFERENCE_HZ) for hz in _SHELF_DB)
        if low is None or high is None:
            continue
        shelf: list[Sign] = [
            above(fact.without_sign(), limit_db)
            for pair, limit_db in zip((low, high), _SHELF_DB.values(), strict=True)
            for fact in pair
        ]
        rises = [
            below(two.less(one_, "gain at 8 kHz against 4 kHz").without_sign(), _SHELF_RISE_DB)
            for one_, two in zip(low, high, strict=True)
        ]
        yield Case((*shelf, *rises))


def _delay(one: Measured) -> Fact | None:
    """Return the phase between the channels at 10 kHz by their delay, which no turn of 360 degrees can hide."""
    found_pair = _pair(one)
    if found_pair is None or (delay_s := number(found_pair[1].values.get("interchannel_delay_s"))) is None:
        return None
    halves = [_phase_half_deg(channel) for channel in found_pair]
    known = None if halves[0] is None or halves[1] is None else halves[0] + halves[1]
    return one.told(
        found_pair[1].channel,
        "phase between the channels at 10 kHz, by their delay",
        abs(360.0 * _AZIMUTH_HZ * delay_s),
        "°",
        known,
    )


def _phase_half_deg(channel: ChannelResult) -> float | None:
    found = [
        number(half)
        for hz, half in zip(
            channel.values["frequency_hz"], channel.values.get("phase_uncertainty_deg") or (), strict=False
        )
        if abs(hz / _AZIMUTH_HZ - 1.0) < 0.1
    ]
    known = [half for half in found if half is not None]
    return max(known, default=None)


def _azimuth(found: Evidence) -> Iterator[Case]:
    for one in found.of("response"):
        phase, both = _delay(one), _both(one, _AZIMUTH_HZ, _REFERENCE_HZ)
        if phase is not None and both is not None:
            yield Case((above(phase, AZIMUTH_DEG), either(*(below(fact, _AZIMUTH_DB) for fact in both))))


def _skewed(found: Evidence) -> Iterator[Case]:
    yield from _azimuth(found)
    yield from taped.azimuth(found)


def _worn(found: Evidence) -> Iterator[Case]:
    yield from _wide_gap(found)
    yield from taped.wide_gap(found)


def _wide_gap(found: Evidence) -> Iterator[Case]:
    for one in found.of("response"):
        phase, both = _delay(one), _both(one, _GAP_HZ, _REFERENCE_HZ)
        low = _both(one, _GAP_LOW_HZ, _REFERENCE_HZ)
        if both is not None and low is not None and phase is not None:
            signs = [below(fact, _GAP_DB) for fact in both]
            yield Case((*signs, *(above(fact, _LOW_DB) for fact in low), below(phase, AZIMUTH_DEG)))


def _bias(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("response"):
        for whose, there, other in found.others(one, channel):
            treble = _against(one, channel, there, other, _AZIMUTH_HZ, _REFERENCE_HZ, whose)
            ratio = _distortion_ratio(found, channel.channel, whose)
            if treble is not None and ratio is not None:
                up_and_bent = Case((above(treble, BIAS_DB), above(ratio, _BIAS_RATIO)))
                down = Case(
                    (below(treble, -BIAS_DB), either(above(ratio, _BIAS_RATIO), below(ratio, 1.0 / _BIAS_RATIO)))
                )
                yield up_and_bent if treble.value > 0.0 else down


def _distortion_ratio(found: Evidence, channel: int, whose: str) -> Fact | None:
    for tone in found.tones(channel):
        for name, other in found.like_tones(tone):
            if name == whose:
                return tone.thd.over(other.thd, f"{tone.thd.words}, times that of {whose}")
    return None


def _magnetised(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("noise"):
        for whose, there, other in found.others(one, channel):
            own = one.fact(channel, "a_weighted_v_rms", "noise, A-weighted", "V")
            others = there.fact(other, "a_weighted_v_rms", "noise", "V")
            if own is None or others is None:
                continue
            first, second = in_db(own, 1.0, own.words), in_db(others, 1.0, own.words)
            for tone in found.tones(channel.channel):
                even = tone.harmonics.get(2)
                if even is not None and first is not None and second is not None:
                    yield Case(
                        (
                            above(first.less(second, f"{own.words}, over that of {whose}"), _HISS_DB),
                            above(even, MAGNETISED_DB),
                        )
                    )


def _stuck_de_emphasis(found: Evidence) -> Iterator[Case]:
    for one in found.of("response", "response-steps"):
        pairs = [_both(one, hz, _REFERENCE_HZ) for hz in _STUCK_HZ]
        falls = [(fact, limit) for pair, limit in zip(pairs, _STUCK_DB, strict=True) for fact in pair or ()]
        if None not in pairs:
            yield Case(tuple(below(fact, limit_db) for fact, limit_db in falls))


PICTURES = (
    Picture(
        name="channel-low-flat",
        signature="one channel is lower by the same amount at all frequencies",
        consistent_with="a control or switch that is worn, a resistor, or a setting (balance)",
        check="balance control at its centre, the control at other places, resistors of the feedback",
        bench="two inputs of unlike scale: swap the inputs, or calibrate them",
        needs="response or crosstalk of both channels",
        look=_low_flat,
        not_kinds=TAPE,
    ),
    Picture(
        name="channel-low-shaped",
        signature="the difference of the channels is another one at each frequency",
        consistent_with="a capacitor or a part of an equalization that differs between the channels",
        check="coupling and feedback capacitors, tone controls at their centre, equalization parts",
        bench="cables of unlike length at a high source impedance",
        needs="response or crosstalk of both channels",
        look=_low_shaped,
        not_kinds=TAPE,
    ),
    Picture(
        name="low-end-lost",
        signature="the lowest octaves fall earlier than in the reference",
        consistent_with="a coupling or feedback capacitor that has dried out or opened",
        check="coupling capacitors first, then those to ground in the feedback",
        bench="the card's own coupling capacitors: they fall in both channels alike",
        needs="response from 20 Hz of both channels, or with --against an earlier visit",
        look=_low_end_lost,
        kinds=STAGES,
        source="closed form of a first-order corner",
    ),
    Picture(
        name="output-capacitor",
        signature="the lowest octaves fall with a load, and not without",
        consistent_with="a dried output capacitor",
        check="the output capacitor: 1000 µF into 8 Ω is a corner of 20 Hz",
        bench="a load that is no plain resistance at low frequencies",
        needs="response with a load, and once more without it",
        look=_output_capacitor,
        kinds=("amplifier", "receiver"),
        source="closed form of a first-order corner",
    ),
    Picture(
        name="equalization-part",
        signature="one time constant of the curve is off",
        consistent_with="a capacitor or resistor of the equalization that has drifted",
        check="the pair that sets this time constant",
        bench="a source impedance or load that shifts the curve: drive it as the cartridge would",
        needs="response with equalization",
        look=_equalization,
        kinds=STAGES,
        source="fit of the time constants; limit: common practice",
    ),
    Picture(
        name="control-not-flat",
        signature="both channels bend alike at an end of the band",
        consistent_with="loudness, a tone control or a filter that is engaged",
        check="tone controls and loudness out, filters off, then measure again",
        bench="a filter in the bench, or a load at the end of a long cable",
        needs="response of both channels",
        look=_controls,
        not_kinds=(*_OFF_THE_ROAD, "phono"),
    ),
    Picture(
        name="wrong-tape-equalization",
        signature="a shelf of 3 to 5 dB from some 4 kHz on, in both channels",
        consistent_with="the other tape equalization: 70 µs for 120 µs, or the other way",
        check="the tape type switch and the cassette's sensing holes, the test tape's own equalization",
        bench="a test tape of the other equalization",
        needs="tape, or response of a deck with three heads",
        look=_tape_equalization,
        kinds=TAPE,
        source="closed form of both curves",
    ),
    Picture(
        name="azimuth",
        signature="the channels are apart in phase at high frequencies, which are lost too",
        consistent_with="an azimuth that is off",
        check="clean the head, then set azimuth by 1, 3, 6 and 10 kHz in this order",
        bench="two inputs that do not sample at one time: test with one source on both",
        needs="tape, or response of a deck with three heads",
        look=_skewed,
        kinds=TAPE,
    ),
    Picture(
        name="worn-head",
        signature="both channels lose the highest octave alike, their phase agrees, and the bass is whole",
        consistent_with="a worn or dirty head: a gap that has become wide, or tape that stands off",
        check="clean the head and measure again; then the gap under a glass",
        bench="a worn test tape loses the same",
        needs="tape, or response of a deck with three heads",
        look=_worn,
        kinds=TAPE,
        source="gap and spacing loss in closed form",
    ),
    Picture(
        name="record-bias",
        signature="treble and distortion moved together against the reference",
        consistent_with="a record bias that is off: too low lifts treble and distortion, too high dulls",
        check="bias by its trimmer for this tape, after cleaning; then record level",
        bench="another tape than that of the reference",
        needs="response and distortion of a recorded tape, with --against an earlier visit",
        look=_bias,
        kinds=TAPE,
    ),
    Picture(
        name="magnetised-head",
        signature="more hiss than the reference, and a second harmonic that tape has not",
        consistent_with="a magnetised head or guide",
        check="demagnetise, then play a tape that does not matter",
        bench="noise of the bench: measure it alone",
        needs="noise and distortion at 315 Hz of a tape, with --against an earlier visit",
        look=_magnetised,
        kinds=TAPE,
    ),
    Picture(
        name="stuck-de-emphasis",
        signature="both channels fall by some 7.6 dB at 10 kHz",
        consistent_with="a player's de-emphasis that stays in",
        check="a disc without emphasis, the switch or relay of the de-emphasis",
        bench="a test disc that is made with emphasis",
        needs="response of both channels",
        look=_stuck_de_emphasis,
        kinds=("player",),
        source="closed form of 50 and 15 µs",
    ),
)
