"""What ends a bring-up, and what only warns: stop limits and trends of what was typed. Pure.

A stop limit counts on what the meter shows, whatever its accuracy: it is there to switch off, not to judge. Ratios from
which a trend is told are this bench's own choice where no source is named.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from audiomeas.measurement.quantity import shown_quantity
from audiomeas.plan.steps import NO
from audiomeas.powerup.asked import FULL_PERCENT, Moment, offset_key, own_keys, step_voltage_v
from audiomeas.powerup.keys import CURRENT, GLOW, MAINS
from audiomeas.powerup.sheet import GLOWS, SOLID_STATE, Sheet

#: A current has risen when it is 5 % up, and by more than a hundredth of what the bulb lets through (meters' digits).
_RISEN, _LEAST_OF_BULB = 1.05, 0.01
#: It grows faster than the voltage when its ratio is more than a tenth above the voltage's.
_FASTER = 1.1
#: A mains voltage is not the step's when it lies further from it than this part of the nominal one.
_OFF_STEP = 0.05
#: A filament with half of its current carries about a quarter of its voltage, and glows (I ~ U^0.55, from memory).
_GLOWS_FROM = 0.5
#: More than this times W/V can't pass a bulb that is in circuit: 10 % more mains gives less.
_BEYOND_BULB = 1.1
#: Bands of d.c. offset, V, below the stop limit (DC-coupled solid-state outputs, common practice).
_CHECK_AGAIN_V, _ADJUST_V = 0.02, 0.05
#: Idling, a unit takes at most so many times its plate's idle figure, and this part of its largest (class AB), common
#: practice.
_MOST_OF_IDLE, _MOST_OF_MAXIMUM = 1.5, 0.3


def stop_reason(sheet: Sheet, moment: Moment) -> str:
    """Return why the mains must go off now, by what was typed at this moment so far; '' when nothing says so."""
    return next(_stops(sheet, moment), "")


def _stops(sheet: Sheet, moment: Moment) -> Iterator[str]:
    glow = moment.value(GLOW)
    if glow is not None and glow >= GLOWS.index(sheet.stops.glow):
        yield f"the bulb stays {moment.text(GLOW)}: the unit draws what a short circuit does"
    mains_v, most_v = moment.value(MAINS), sheet.bulb().mains_v * sheet.stops.mains_percent / 100.0
    if mains_v is not None and mains_v > most_v:
        yield f"mains of {moment.text(MAINS)} is more than {most_v:.4g} V, {sheet.stops.mains_percent:g} % of nominal"
    yield from _current_stops(sheet, moment)
    for channel in sheet.channels:
        if _offset_beyond(sheet, moment, channel) and moment.step.mains_percent >= sheet.stops.dc_offset_from_percent:
            yield (
                f"DC offset of channel {channel}, {moment.text(offset_key(channel))}, is beyond "
                f"±{shown_quantity(1e3 * sheet.stops.dc_offset_v, 'mV')}"
            )
    yield from _own_stops(sheet, moment)
    if moment.signs and moment.signs.lower() != NO:
        yield f"the unit shows: {moment.signs}"


def _current_stops(sheet: Sheet, moment: Moment) -> Iterator[str]:
    current_a, bulb = moment.value(CURRENT), sheet.bulb()
    if current_a is None:
        return
    applied_v = moment.value(MAINS)
    applied_v = step_voltage_v(sheet, moment.step) if applied_v is None else applied_v
    if moment.step.bulb_in:
        if current_a > _BEYOND_BULB * bulb.current_a:
            yield (
                f"{moment.text(CURRENT)} can't pass this bulb, which lets at most {bulb.current_a:.2f} A through: it "
                "is not in circuit"
            )
        short_a = bulb.least_short_a(applied_v)
        part, most = current_a / short_a if short_a else 0.0, sheet.stops.current_of_short_percent / 100.0
        if part >= most:
            yield (
                f"{moment.text(CURRENT)} is {100.0 * part:.0f} % of what a short circuit behind the bulb draws at "
                f"{applied_v:.4g} V (at least {short_a:.2f} A); {100.0 * most:g} % is the limit"
            )
    elif sheet.maximum_va is not None and applied_v * current_a > sheet.maximum_va:
        yield f"{applied_v * current_a:.0f} VA idling is more than the plate's largest, {sheet.maximum_va:g} VA"


def _offset_beyond(sheet: Sheet, moment: Moment, channel: int) -> bool:
    offset_v = moment.value(offset_key(channel))
    return offset_v is not None and abs(offset_v) > sheet.stops.dc_offset_v


def _own_stops(sheet: Sheet, moment: Moment) -> Iterator[str]:
    for own in sheet.readings:
        for key in own_keys(own):
            value, unit = moment.value(key), own.reading.unit
            if value is None:
                continue
            if own.stop_above is not None and value > own.stop_above:
                yield f"{key}, {moment.text(key)}, is above {shown_quantity(own.stop_above, unit)}"
            if own.stop_below is not None and value < own.stop_below:
                yield f"{key}, {moment.text(key)}, is below {shown_quantity(own.stop_below, unit)}"


def warnings_at(sheet: Sheet, moments: Sequence[Moment]) -> tuple[str, ...]:
    """Return what the last of these moments gives to think about. moments : all until then, in order."""
    moment = moments[-1]
    before = [each for each in moments[:-1] if each.step == moment.step]
    return (
        *_level_warnings(sheet, moment),
        *_rest_warnings(sheet, before, moment),
        *(_step_warnings(sheet, moments) if moment.last else ()),
        *(_end_warnings(sheet, moment) if moment.last else ()),
    )


def _level_warnings(sheet: Sheet, moment: Moment) -> Iterator[str]:
    """Yield what one moment alone tells."""
    mains_v, current_a, glow = (moment.value(key) for key in (MAINS, CURRENT, GLOW))
    wanted_v, bulb = step_voltage_v(sheet, moment.step), sheet.bulb()
    if mains_v is not None and abs(mains_v - wanted_v) > _OFF_STEP * bulb.mains_v:
        yield f"mains is {moment.text(MAINS)}, and this step asks for {wanted_v:.4g} V"
    if glow == 0.0 and current_a is not None and current_a > _GLOWS_FROM * bulb.current_a:
        yield (
            f"a bulb with {moment.text(CURRENT)}, more than half of its {bulb.current_a:.2f} A, glows: is it the one "
            "in circuit?"
        )
    for channel in sheet.channels:
        if _offset_beyond(sheet, moment, channel):  # at and above the percent that stops, it has stopped
            yield (
                f"DC offset of channel {channel} is {moment.text(offset_key(channel))}: circuits may not work yet at "
                f"this voltage; from {sheet.stops.dc_offset_from_percent:g} % of mains on it stops"
            )


def _rest_warnings(sheet: Sheet, before: Sequence[Moment], moment: Moment) -> Iterator[str]:
    """Yield what has moved while the voltage rested."""
    if not before:
        return
    former = before[-1]
    current_a, former_a = moment.value(CURRENT), former.value(CURRENT)
    if current_a is not None and former_a is not None:
        carried_a = former_a * max(_voltage_ratio(former, moment), 1.0)
        if current_a > _RISEN * carried_a and current_a - carried_a > _LEAST_OF_BULB * sheet.bulb().current_a:
            yield (
                f"current rises while the voltage rests, {former.text(CURRENT)} to {moment.text(CURRENT)}: go no "
                "higher until it falls or rests (a tube's rectifier warming up does this once)"
            )
    glow, former_glow, first = moment.value(GLOW), former.value(GLOW), before[0].value(GLOW)
    if glow is not None and former_glow is not None and glow > former_glow:
        yield f"the bulb grows brighter while the voltage rests, {former.text(GLOW)} to {moment.text(GLOW)}"
    elif moment.last and glow is not None and first is not None and glow >= max(first, _steady(sheet) + 1.0):
        yield f"the bulb does not get darker: {moment.text(GLOW)} after {moment.after_s / 60.0:.3g} min; go no higher"


def _steady(sheet: Sheet) -> float:
    return float(GLOWS.index(sheet.steady_glow))


def _voltage_ratio(former: Moment, moment: Moment) -> float:
    """Return by how much the mains itself went up; 1 where it is not known."""
    mains_v, former_v = moment.value(MAINS), former.value(MAINS)
    return 1.0 if not mains_v or not former_v else mains_v / former_v


def _step_warnings(sheet: Sheet, moments: Sequence[Moment]) -> Iterator[str]:
    """Yield whether the current has grown faster than the voltage since the step before, the bulb as it was."""
    moment = moments[-1]
    ends = [each for each in moments[:-1] if each.step != moment.step and each.last]
    if not ends or ends[-1].step.bulb != moment.step.bulb:
        return
    former = ends[-1]
    current_a, former_a = moment.value(CURRENT), former.value(CURRENT)
    mains_v, former_v = moment.value(MAINS), former.value(MAINS)
    if not (current_a and former_a and mains_v and former_v) or mains_v <= former_v:
        return
    in_step_a = former_a * mains_v / former_v
    if current_a > _FASTER * in_step_a and current_a - in_step_a > _LEAST_OF_BULB * sheet.bulb().current_a:
        yield (
            f"current grows faster than the voltage, × {current_a / former_a:.2g} for × {mains_v / former_v:.2g}, from "
            f"{former.step.name} to {moment.step.name} (a transformer near its full voltage does so a little)"
        )


def _end_warnings(sheet: Sheet, moment: Moment) -> Iterator[str]:
    """Yield what the end of a step at full mains tells."""
    if moment.step.mains_percent < FULL_PERCENT:
        return
    for channel in sheet.channels:
        offset_v = moment.value(offset_key(channel))
        if offset_v is not None and _CHECK_AGAIN_V < abs(offset_v) <= sheet.stops.dc_offset_v:
            todo = "adjust it" if abs(offset_v) > _ADJUST_V else "read it again when the unit is warm"
            yield f"DC offset of channel {channel} is {moment.text(offset_key(channel))}: {todo}"
    mains_v, current_a = moment.value(MAINS), moment.value(CURRENT)
    if mains_v is None or current_a is None or moment.step.bulb_in:
        return
    idle_va = mains_v * current_a
    if sheet.idle_va is not None and idle_va > _MOST_OF_IDLE * sheet.idle_va:
        yield f"{idle_va:.0f} VA idling is more than {_MOST_OF_IDLE:g} times the plate's idle {sheet.idle_va:g} VA"
    if sheet.circuit == SOLID_STATE and sheet.maximum_va is not None and idle_va > _MOST_OF_MAXIMUM * sheet.maximum_va:
        yield (
            f"{idle_va:.0f} VA idling is more than {100 * _MOST_OF_MAXIMUM:.0f} % of the plate's largest, "
            f"{sheet.maximum_va:g} VA: much for class AB (class A takes it)"
        )


def bulb_warnings(sheet: Sheet) -> tuple[str, ...]:
    """Return what the choice of the bulb means for this unit, by what its plate says."""
    bulb, found = sheet.bulb(), []
    if sheet.maximum_va is not None and bulb.rated_w > sheet.maximum_va:
        found.append(
            f"a bulb of {bulb.rated_w:g} W lets more through than the unit ever takes ({sheet.maximum_va:g} VA): it "
            "protects little; use a smaller one"
        )
    if sheet.idle_va is not None and sheet.idle_va > 0.5 * bulb.rated_w:
        found.append(
            f"idling, the unit takes {sheet.idle_va:g} VA, more than half of what a bulb of {bulb.rated_w:g} W lets "
            "through: it will not reach its working voltage; use a larger one"
        )
    return tuple(found)
