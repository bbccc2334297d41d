"""Pictures of hum, noise and wrong connections: what is heard with nothing played, and what comes out where."""

from __future__ import annotations

from collections.abc import Iterator

from audiomeas.diagnosis.amplifying import READ_OFF_DB, STAGES
from audiomeas.diagnosis.evidence import ATTRIBUTABLE, Evidence, Measured, apart_db, hum_lines, in_db, reference_v_rms
from audiomeas.diagnosis.facts import Fact, above, below
from audiomeas.diagnosis.picture import Case, Picture
from audiomeas.diagnosis.received import separations
from audiomeas.measurement.curves import number
from audiomeas.measurement.result import ChannelResult
from audiomeas.measurement.trade_limits import MONO_DB, SWAPPED_DB

#: Units whose sound comes off a clock of their own.
OWN_CLOCK = ("deck", "turntable", "tuner", "player")
_DOMINANT_DB, _HEARD_DB = 6.0, -70.0
_TIMES = {1: "the mains", 2: "twice the mains"}
_SNR_DB, _FOREST_LINES = 40.0, 5.0
_FIRST_MULTIPLES = (1, 2, 3, 4)
_CLOCK_PPM = 1.0
#: So many crackles, and so far down: else it was not turned.
_CRACKLES, _TURNED_DB = 2.5, -20.0


def _dominant(found: Evidence, strong: int, weak: int) -> Iterator[Case]:
    for one, channel in found.each("noise"):
        lines, reference = hum_lines(one, channel), reference_v_rms(channel)
        over = apart_db(lines.get(strong), lines.get(weak), f"hum at {_TIMES[strong]} over that at {_TIMES[weak]}")
        if reference is None:
            continue
        if over is None:
            yield from _no_hum(one, channel, reference)
            continue
        heard = in_db(lines[strong], reference, f"{lines[strong].words} against {channel.values['snr_reference']}")
        if heard is not None:
            yield Case((above(over, _DOMINANT_DB), above(heard, _HEARD_DB)))


def _no_hum(one: Measured, channel: ChannelResult, reference: float) -> Iterator[Case]:
    """Yield the case of a capture in which no hum stands out: what all of it is at most. None where nothing tells."""
    most = one.fact(channel, "hum_v_rms", "hum", "V")
    heard = None if most is None or not most.bound else in_db(most, reference, "hum against the reference")
    if heard is not None:
        count = one.told(channel.channel, "lines of hum that stand out", 0.0)
        yield Case((above(count, 0.5), above(heard, _HEARD_DB)))


def _hum_at_mains(found: Evidence) -> Iterator[Case]:
    return _dominant(found, 1, 2)


def _hum_at_twice(found: Evidence) -> Iterator[Case]:
    return _dominant(found, 2, 1)


def _hum_of_bench(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("noise"):
        rows = [
            row
            for row in channel.values.get("hum") or ()
            if ATTRIBUTABLE in row and row["multiple"] in _FIRST_MULTIPLES
        ]
        if not rows:
            continue
        strongest = max(rows, key=lambda row: number(row["level_v_rms"]) or 0.0)
        own = one.told(
            channel.channel,
            f"part of the strongest line ({strongest['frequency_hz']:.0f} Hz) that can be told to be the unit's",
            1.0 if strongest[ATTRIBUTABLE] else 0.0,
        )
        count = one.told(
            channel.channel,
            "first lines of hum that lie within 3 dB of the bench's own",
            float(sum(not row[ATTRIBUTABLE] for row in rows)),
        )
        yield Case((below(own, 0.5), above(count, 0.5)))


def _open_input(found: Evidence) -> Iterator[Case]:
    for one, channel in found.each("noise"):
        ratio = one.fact(channel, "snr_db", f"noise below {channel.values.get('snr_reference')}", "dB")
        if ratio is None:
            continue
        present = [row for row in channel.values.get("hum") or () if not row.get("bound")]
        count = one.told(channel.channel, "lines of hum that stand out", float(len(present)))
        yield Case((below(ratio, _SNR_DB), above(count, _FOREST_LINES)))


def _swapped(found: Evidence) -> Iterator[Case]:
    ways = (found.first_look or {}).get("largest_gain_by_driven_channel_db") or {}
    if len(ways) < 2:
        return
    signs = []
    for output, driven in ways.items():
        own, others = number(driven.get(output)), [number(gain) for key, gain in driven.items() if key != output]
        known = [gain for gain in others if gain is not None]
        if own is None or not known:
            return
        fact = Fact(
            words="gain from the other channel's input over that from its own",
            value=max(known) - own,
            unit="dB",
            # Both are what the gains are at most; what dominates by 20 dB stands far over the noise, and a decibel is
            # the careful side.
            half_width=READ_OFF_DB,
            step="first look",
            channel=int(output),
        )
        signs.append(above(fact, SWAPPED_DB))
    yield Case(tuple(signs))


def _inverted(found: Evidence) -> Iterator[Case]:
    for one in found.of("response", "crosstalk"):
        facts = [
            one.told(channel.channel, "polarity", float(sign), "", 0.5)
            for channel in one.channels()
            if (sign := channel.values.get("polarity"))
        ]
        if len(facts) == 2:
            plus, minus = sorted(facts, key=lambda fact: -fact.value)
            yield Case((above(plus, 0.0), below(minus, 0.0)))


def _mono(found: Evidence) -> Iterator[Case]:
    for pair in separations(found):
        yield Case(tuple(below(fact, MONO_DB) for fact in pair))


def _two_clocks(found: Evidence) -> Iterator[Case]:
    for one in found.of("distortion"):
        played_hz = number(one.result.conditions.get("frequency_played_hz"))
        facts = [
            offset.without_sign()
            for channel in one.channels()
            if played_hz
            and (fact := one.fact(channel, "frequency_hz", "frequency captured", "Hz")) is not None
            and (offset := _ppm(fact, played_hz)) is not None
        ]
        if len(facts) > 1:
            yield Case(tuple(above(fact, _CLOCK_PPM) for fact in facts))


def _ppm(fact: Fact, played_hz: float) -> Fact | None:
    half = None if fact.half_width is None else 1e6 * fact.half_width / played_hz
    return Fact(
        words="frequency captured against that played",
        value=1e6 * (fact.value / played_hz - 1.0),
        unit="ppm",
        half_width=half,
        step=fact.step,
        channel=fact.channel,
    )


def _control_noise(found: Evidence) -> Iterator[Case]:
    for one in found.of("tracking"):
        for channel in one.channels():
            crackles = one.fact(channel, "crackles", "crackles while the control was turned", "")
            lowest_db = number(channel.values.get("lowest_db"))
            if crackles is not None and lowest_db is not None:
                turned = one.told(channel.channel, "control turned down to", lowest_db, "dB", READ_OFF_DB)
                yield Case((above(crackles, _CRACKLES), below(turned, _TURNED_DB)))


PICTURES = (
    Picture(
        name="hum-at-mains",
        signature="hum of the mains itself, far over that of twice the mains",
        consistent_with="a ground loop, lead dress, a heater or an unscreened part",
        check="cables moved and unplugged one at a time, the screen and ground of the input, heater leads",
        bench="a loop through the bench's own grounds: measure with the inputs closed by plugs and another ground",
        needs="noise with a reference (1 W), better with the bench's own as bench_noise",
        look=_hum_at_mains,
    ),
    Picture(
        name="hum-at-twice",
        signature="hum of twice the mains, far over that of the mains itself",
        consistent_with="ripple of the rectifier: dried filter capacitors",
        check="ripple on the rails, the filter capacitors and their joints, the current drawn from them",
        bench="a limiter bulb left in, or lamps on dimmers nearby: measure without them",
        needs="noise with a reference (1 W), better with the bench's own as bench_noise",
        look=_hum_at_twice,
    ),
    Picture(
        name="hum-of-bench",
        signature="hum no stronger than the bench's own",
        consistent_with="hum of the bench: nothing of it can be told to be the unit's",
        check="grounds and leads of the bench, then measure again",
        bench="this is the bench's own doing",
        needs="noise with bench_noise, a capture of the bench alone",
        look=_hum_of_bench,
    ),
    Picture(
        name="open-input",
        signature="noise far too loud, with many lines of hum",
        consistent_with="an open input, or a ground that is missing",
        check="the input with a shorting plug, its ground and screen, the selector",
        bench="a lead that is not plugged in, or whose screen is broken",
        needs="noise with a reference (1 W)",
        look=_open_input,
        kinds=STAGES,
    ),
    Picture(
        name="swapped-channels",
        signature="what is played on one channel comes out of the other, both ways",
        consistent_with="swapped channels",
        check="the leads at inputs and outputs, then wiring inside the unit",
        bench="leads of the bench, one pair crossed: cross them at one end only",
        needs="a first look with both channels connected",
        look=_swapped,
    ),
    Picture(
        name="inverted-channel",
        signature="one channel is inverted, the other is not",
        consistent_with="inverted polarity of one channel",
        check="the wiring of outputs and cartridge, a balanced plug, a replaced board",
        bench="a lead or attenuator of the bench with its poles swapped: swap the channels",
        needs="response or crosstalk of both channels",
        look=_inverted,
    ),
    Picture(
        name="mono",
        signature="both channels carry the same, both ways",
        consistent_with="a mono switch, muting or blend that is on",
        check="mono, muting and blend switches, and leads that join both channels",
        bench="an adapter or lead of the bench that joins both channels",
        needs="crosstalk (of what plays by itself: separation, tuner)",
        look=_mono,
    ),
    Picture(
        name="two-clocks",
        signature="the tone comes back at another frequency than it was played",
        consistent_with="playing and capturing on two clocks",
        check="that one interface plays and captures, or that both are locked to one clock",
        bench="this is the bench's own doing",
        needs="distortion",
        look=_two_clocks,
        not_kinds=OWN_CLOCK,
    ),
    Picture(
        name="noisy-control",
        signature="crackles while the volume control is turned",
        consistent_with="a worn or dirty control, or d.c. on it from a leaky coupling capacitor",
        check="d.c. across the control with a meter first, then clean it and turn it again",
        bench="a plug that moves with the hand: hold the leads still",
        needs="tracking",
        look=_control_noise,
    ),
)
