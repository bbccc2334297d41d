"""Pictures of what turns: speed, drag, and parts that show by how often they turn."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from audiomeas.diagnosis import taped
from audiomeas.diagnosis.evidence import Evidence, Measured
from audiomeas.diagnosis.facts import Fact, above, below
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.measurement.curves import number
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.trade_limits import DRAG_PERCENT

_MOVES = ("deck", "turntable")
_TAPE_PERCENT, _DISC_PERCENT = 0.5, 0.3
#: A third of what a drag has done in all, and less by what wow leaves in the middle; a leap near the end has done none.
_BY_MIDDLE_PERCENT = 0.1
_LINE_PERCENT, _WITHIN_PERCENT = 0.03, 5.0
#: What a record off its centre makes turns with the record, and a bearing's does not: their sum changes by so much.
_TURNED_RATIO = 1.3
_DROP_OUTS_PER_MINUTE, _DROP_OUTS = 3.0, 1.5
#: Steady wheels wander by less than this. A line's rate is read in stretches of 40 s, to a tenth of their bins, twice.
_REEL_PERCENT, _RATE_HALF_HZ = 2.0, 0.004


def _wrong_speed(found: Evidence) -> Iterator[Case]:
    limit_percent = _DISC_PERCENT if "turntable" in found.kind else _TAPE_PERCENT
    for one, channel in found.each("flutter"):
        mean = one.fact(channel, "speed_error_percent", "speed, from nominal", "%")
        begin = one.fact(channel, "speed_begin_percent", "speed at the beginning, from nominal", "%")
        if mean is not None and begin is not None:
            yield Case(tuple(above(fact.without_sign(), limit_percent) for fact in (mean, begin)))
    yield from taped.wrong_speed(found)


def _drag(found: Evidence) -> Iterator[Case]:
    """Yield the end against the beginning, and the way there: what drags has gone a part of it by the middle."""
    for one, channel in found.each("flutter"):
        drift = one.fact(channel, "speed_drift_percent", "speed at the end against the beginning", "%")
        begin = one.fact(channel, "speed_begin_percent", "speed at the beginning", "%")
        middle = one.fact(channel, "speed_middle_percent", "speed in the middle", "%")
        if drift is not None and begin is not None and middle is not None:
            by_middle = middle.less(begin, "of this by the middle of the capture")
            if drift.value < 0.0:
                by_middle = by_middle.turned()
            yield Case((above(drift.without_sign(), DRAG_PERCENT), above(by_middle, _BY_MIDDLE_PERCENT)))
    yield from taped.drag(found)


def _of_part(word: str) -> Callable[[Evidence], Iterator[Case]]:
    """Return what looks for a line of flutter at the rate of a part. word : begins the part's words."""

    def look(found: Evidence) -> Iterator[Case]:
        for one, channel in found.each("flutter"):
            for turns_hz in _turns(one, word):
                yield _line_case(one, channel, word, turns_hz)

    return look


def _reel(found: Evidence) -> Iterator[Case]:
    """Yield each line between a full and an empty reel's rates: its size, and how far its rate moves."""
    for one, channel in found.each("flutter"):
        for part in one.result.conditions.get("turning_parts") or ():
            if part.get("to_hz") is not None:
                slow_hz, fast_hz = sorted((float(part["frequency_hz"]), float(part["to_hz"])))
                yield from _reel_cases(one, channel, slow_hz, fast_hz)


def _reel_cases(one: Measured, channel: ChannelResult, slow_hz: float, fast_hz: float) -> Iterator[Case]:
    near = 0.01 * _WITHIN_PERCENT
    for line in channel.values.get("lines") or ():
        begin_hz, end_hz = number(line.get("begin_hz")), number(line.get("end_hz"))
        hz, size, half_width = _read(line)
        if not slow_hz * (1.0 - near) <= hz <= fast_hz * (1.0 + near) or not begin_hz or not end_hz:
            continue
        level = one.told(channel.channel, f"flutter of the line at {hz:.3g} Hz, r.m.s.", size, "%", half_width)
        moved = one.told(
            channel.channel,
            f"change of this line's rate, from {begin_hz:.3g} to {end_hz:.3g} Hz",
            100.0 * abs(end_hz / begin_hz - 1.0),
            "%",
            100.0 * _RATE_HALF_HZ / begin_hz,
        )
        yield Case((above(level, _LINE_PERCENT), above(moved, _REEL_PERCENT)))


def _turns(one: Measured, word: str) -> list[float]:
    """Return how often a part turns in a second, by the sizes that were entered."""
    parts = one.result.conditions.get("turning_parts") or ()
    return [float(part["frequency_hz"]) for part in parts if str(part["part"]).startswith(word)]


def _nearest(channel: ChannelResult, turns_hz: float) -> Mapping[str, Any] | None:
    lines = channel.values.get("lines") or ()
    return min(lines, key=lambda line: abs(line["frequency_hz"] / turns_hz - 1.0), default=None)


def _line_case(one: Measured, channel: ChannelResult, word: str, turns_hz: float) -> Case:
    line = _nearest(channel, turns_hz)
    found_hz, size, half = (0.0, 0.0, 0.0) if line is None else _read(line)
    off = one.told(
        channel.channel,
        f"line at {found_hz:.3g} Hz against the {word}'s {turns_hz:.3g} Hz",
        100.0 * abs(found_hz / turns_hz - 1.0),
        "%",
    )
    level = one.told(channel.channel, f"flutter of this line, r.m.s., at {found_hz:.3g} Hz", size, "%", half)
    return Case((above(level, _LINE_PERCENT), below(off, _WITHIN_PERCENT)))


def _read(line: Mapping[str, Any]) -> tuple[float, float, float | None]:
    return float(line["frequency_hz"]), float(line["rms_percent"]), number(line["uncertainty"].get("rms_percent"))


def _record_off_centre(found: Evidence) -> Iterator[Case]:
    for (one, channel), (there, other) in itertools.permutations(list(found.each("flutter")), 2):
        if one is there or channel.channel != other.channel:
            continue
        for turns_hz in _turns(one, "platter"):
            own, others = _nearest(channel, turns_hz), _nearest(other, turns_hz)
            if own is None or others is None:
                continue
            (own_hz, size, half), (other_hz, less, other_half) = _read(own), _read(others)
            if (
                max(abs(own_hz / turns_hz - 1.0), abs(other_hz / turns_hz - 1.0)) > 0.01 * _WITHIN_PERCENT
                or size < less
            ):
                continue
            level = one.told(channel.channel, f"flutter at {own_hz:.3g} Hz, once a turn, r.m.s.", size, "%", half)
            before = Fact(words="", value=less, unit="%", half_width=other_half, step=there.step)
            ratio = level.over(before, "times that with the record turned")
            if ratio is not None:
                yield Case((above(level, _LINE_PERCENT), above(ratio, _TURNED_RATIO)))


def _drop_outs(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("flutter"):
        rate = number(channel.values.get("drop_outs_per_minute"))
        count = number(channel.values.get("drop_outs"))
        if rate is None or count is None:
            continue
        yield Case(
            (
                above(one.told(channel.channel, "drop-outs in a minute", rate), _DROP_OUTS_PER_MINUTE),
                above(one.told(channel.channel, "drop-outs in the capture", count), _DROP_OUTS),
            )
        )


_SIZES = "flutter with the sizes of the parts that turn"

PICTURES = (
    Picture(
        name="wrong-speed",
        signature="the mean speed is not nominal, from the beginning on",
        consistent_with="a speed that is set wrong, or the drive of another mains frequency",
        check="the speed's trimmer, pulley and belt, the motor's supply; measure once more when warm",
        bench="a test tape or record of another tone: look at nominal_hz",
        needs="flutter, or tape",
        look=_wrong_speed,
        kinds=_MOVES,
    ),
    Picture(
        name="drag",
        signature="the speed is another one at the end than at the beginning, and creeps there",
        consistent_with="drag: brakes, a tight cassette, hold-back torque, or a slipping drive",
        check="torques, the clutch, the belt, another cassette",
        bench="a capture that begins before the speed has settled",
        needs="flutter over the whole side, or tape",
        look=_drag,
        kinds=_MOVES,
    ),
    Picture(
        name="capstan-line",
        signature="a line of flutter at the rate at which the capstan turns",
        consistent_with="a capstan that is bent, dirty or off its centre",
        check="clean the capstan, its bearing and the flywheel's run",
        bench="the test tape's own flutter: play another one",
        needs=f"{_SIZES} (tape_speed_cm_s, capstan_mm)",
        look=_of_part("capstan"),
        kinds=("deck",),
        source="v/(πd)",
    ),
    Picture(
        name="pinch-roller-line",
        signature="a line of flutter at the rate at which the pinch roller turns",
        consistent_with="a pinch roller that is hardened, flat or out of true",
        check="the roller's rubber and bearing, its pressure",
        bench="the test tape's own flutter: play another one",
        needs=f"{_SIZES} (tape_speed_cm_s, pinch_roller_mm)",
        look=_of_part("pinch roller"),
        kinds=("deck",),
        source="v/(πd)",
    ),
    Picture(
        name="reel-line",
        signature="a line of flutter between the rates of a full and an empty reel, which moves as the tape runs",
        consistent_with="a reel that is bent or rubs, or a reel table out of true",
        check="another reel, the height of the tables, brakes and felt; then the other end of the tape",
        bench="the test tape's own reel: wind the tape onto another one",
        needs=f"{_SIZES} (tape_speed_cm_s, reel_full_mm, reel_hub_mm), for three minutes near the tape's beginning",
        look=_reel,
        kinds=("deck",),
        source="v/(πd)",
    ),
    Picture(
        name="idler-line",
        signature="a line of flutter at the rate at which the idler turns",
        consistent_with="an idler with a flat or hardened rim",
        check="the idler's rubber, its bearing, and that it is lifted when the unit is off",
        bench="the test record's or tape's own flutter: play another one",
        needs=f"{_SIZES} (idler_mm)",
        look=_of_part("idler"),
        kinds=_MOVES,
        source="v/(πd)",
    ),
    Picture(
        name="motor-line",
        signature="a line of flutter once a turn of the motor",
        consistent_with="a motor, its pulley or the belt on it",
        check="the pulley's run, the belt, the motor's bearings and suspension",
        bench="hum in the capture makes lines at the mains: read the noise",
        needs=f"{_SIZES} (motor_rpm)",
        look=_of_part("motor"),
        kinds=_MOVES,
    ),
    Picture(
        name="belt-line",
        signature="a line of flutter each time the belt comes round",
        consistent_with="a belt with a kink, a hard place or a bad joint",
        check="the belt along all of its length, the pulley and the rim it runs on; then another belt",
        bench="the test record's or tape's own flutter: play another one",
        needs=f"{_SIZES} (belt_mm, with pulley_mm and motor_rpm or rim_mm and platter_rpm)",
        look=_of_part("belt"),
        kinds=_MOVES,
        source="v/l",
    ),
    Picture(
        name="record-off-centre",
        signature="wow once a turn that changes when the record is turned on the platter",
        consistent_with="a record whose hole is off its centre, not the bearing",
        check="another record, the hole against the groove",
        bench="the test record belongs to the bench",
        needs="flutter twice with platter_rpm, the record turned by 180 degrees between",
        look=_record_off_centre,
        kinds=("turntable",),
    ),
    Picture(
        name="drop-outs",
        signature="the tone drops out again and again",
        consistent_with="a dirty head, or tape that does not lie on it",
        check="clean head, guides and pressure pad; then another tape",
        bench="a worn test tape, or a plug that moves",
        needs="flutter",
        look=_drop_outs,
        kinds=("deck",),
    ),
)
