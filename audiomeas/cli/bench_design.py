"""`audiomeas bench attenuator` and `bench load`: two resistors before the card, and what a dummy load stands."""

from __future__ import annotations

import math
from typing import Any

import click

from audiomeas.cli.common import Command, json_option, print_json, tell
from audiomeas.shown_digits import with_minus


@click.command(cls=Command)
@click.option("--highest", required=True, metavar="VOLTS", help="Highest voltage (r.m.s.) of the unit, such as '45 V'.")
@click.option(
    "--full-scale", required=True, metavar="VOLTS", help="Sine that just fills the card's input, such as '1.4 V'."
)
@click.option("--input-resistance", required=True, metavar="OHM", help="Of the card's input, such as 10k.")
@click.option("--ratio", type=click.FLOAT, help="Wished ratio, such as 50 for 50:1. [default: from the three above]")
@click.option(
    "--headroom-db", type=click.FLOAT, default=3.0, show_default=True, help="Of the highest voltage below full scale."
)
@click.option("--series", "series_name", type=click.Choice(["E12", "E24", "E48", "E96"]), help="Values. [default: E96]")
@click.option(
    "--series-parts", type=click.INT, default=1, show_default=True, help="Equal resistors that make the series arm."
)
@click.option(
    "--tolerance-percent", type=click.FLOAT, default=1.0, show_default=True, help="Of the resistors, as bought."
)
@click.option("--cable-pf", type=click.FLOAT, default=300.0, show_default=True, help="Capacitance at the card's end.")
@click.option(
    "--card-noise", metavar="VOLTS", help="The card's own noise at its input, 20 Hz to 20 kHz, such as '14 uV'."
)
@click.option("--check", nargs=2, metavar="SERIES SHUNT", help="Judge this pad instead of designing one (ohms).")
@click.option("--bridged", is_flag=True, help="The unit's output is bridged: two pads and a difference.")
@click.option("--minus-to-chassis", metavar="OHM", help="Meter reading, power off, nothing connected: ohms, or 'open'.")
@json_option
def attenuator(
    highest: str,
    full_scale: str,
    input_resistance: str,
    ratio: float | None,
    headroom_db: float,
    series_name: str | None,
    series_parts: int,
    tolerance_percent: float,
    cable_pf: float,
    card_noise: str | None,
    check: tuple[str, str] | None,
    bridged: bool,
    minus_to_chassis: str | None,
    as_json: bool,
) -> int:
    """Choose two resistors between a unit and the card, or judge a given pair.

    Computed: ratio with the card's input as load, error, heat, noise at the unit's terminals, faults, bandwidth.
    It is a start: measure the attenuator end to end with its card, and enter that in the calibration.
    Exit status 1: the pad must not be used so.

    \b
    Example: audiomeas bench attenuator --highest "45 V" --full-scale "1.4 V" --input-resistance 10k
    Example: audiomeas bench attenuator --highest "45 V" --full-scale "1.4 V" --input-resistance 10k --check 10k 205
    """
    from audiomeas.bench.attenuator_design import PadRequest
    from audiomeas.bench.attenuator_facts import Surroundings, pad_facts
    from audiomeas.bench.bridged import check_topology, parse_chassis_reading
    from audiomeas.bench.cautions import ATTENUATOR_CAUTIONS, BRIDGED_CAUTIONS
    from audiomeas.bench.resistors import parse_ohm

    reading_ohm = None if minus_to_chassis is None else parse_chassis_reading(minus_to_chassis)
    check_topology(bridged=bridged, minus_to_chassis_ohm=reading_ohm)
    request = PadRequest(
        highest_v_rms=_volts(highest, "--highest"),
        full_scale_v_rms=_volts(full_scale, "--full-scale"),
        input_ohm=parse_ohm(input_resistance, "an input resistance"),
        headroom_db=headroom_db,
        ratio=ratio,
    )
    around = Surroundings(
        tolerance=tolerance_percent / 100.0,
        cable_f=cable_pf * 1e-12,
        card_noise_v_rms=None if card_noise is None else _volts(card_noise, "--card-noise"),
        bridged=bridged,
    )
    pads = _pads(request, series_name, series_parts, check)
    found = [pad_facts(request, pad, around) for pad in pads]
    cautions = ATTENUATOR_CAUTIONS + (BRIDGED_CAUTIONS if bridged else ())
    if as_json:
        print_json(
            {"cautions": list(cautions), "request": _request_facts(request, reading_ohm, bridged), "pads": found}
        )
    else:
        _print_cautions(cautions)
        _print_pads(found)
        _print_pad(found[0])
    return 1 if found[0]["objections"] else 0


def _pads(request: Any, series_name: str | None, series_parts: int, check: tuple[str, str] | None) -> tuple[Any, ...]:
    from audiomeas.bench.attenuator import Pad
    from audiomeas.bench.attenuator_design import design
    from audiomeas.bench.resistors import parse_ohm
    from audiomeas.errors import RequestError

    if check is None:
        return design(request, series=series_name or "E96", series_parts=series_parts)
    if series_name is not None:
        raise RequestError("--series chooses values for a design: leave it out with --check")
    series_ohm, shunt_ohm = parse_ohm(check[0], "a series resistor"), parse_ohm(check[1], "a shunt resistor")
    return (Pad(series_ohm=series_ohm, shunt_ohm=shunt_ohm, series_parts=series_parts),)


def _volts(text: str, option: str) -> float:
    from audiomeas.errors import RequestError
    from audiomeas.units import parse_level

    level = parse_level(text)
    if level.unit != "V":
        raise RequestError(f"{option} {text!r} is no voltage: give it in V, mV, dBV or dBu")
    return level.value


def _request_facts(request: Any, reading_ohm: float | None, bridged: bool) -> dict[str, Any]:
    from dataclasses import asdict

    open_circuit = reading_ohm is not None and math.isinf(reading_ohm)
    return asdict(request) | {"bridged": bridged, "minus_to_chassis_ohm": "open" if open_circuit else reading_ohm}


def _print_cautions(cautions: tuple[str, ...]) -> None:
    for line in cautions:
        tell("caution", line)


def _print_pads(found: list[dict[str, Any]]) -> None:
    click.echo()
    click.echo(f"{'':12} {'series':>15} {'shunt':>10} {'ratio':>10} {'error':>10} {'highest arrives at':>18}")
    for number, pad in enumerate(found, start=1):
        row = (
            f"{f'pad {number}':12} {_series(pad):>15} {_ohm(pad['shunt_ohm']):>10} {pad['ratio']:>8.4g}:1 "
            f"{_signed(pad['error_db']):>7} dB {pad['highest_at_card_dbfs']:>+13.1f} dBFS"
        )
        click.echo(with_minus(row))
    click.echo()


def _series(pad: dict[str, Any]) -> str:
    parts = pad["series_parts"]
    return _ohm(pad["series_part_ohm"]) if parts == 1 else f"{parts} × {_ohm(pad['series_part_ohm'])}"


def _ohm(value: float) -> str:
    for limit, prefix in ((1e6, "M"), (1e3, "k")):
        if value >= limit:
            return f"{value / limit:.4g} {prefix}Ω"
    return f"{value:.4g} Ω"


def _print_pad(pad: dict[str, Any]) -> None:
    """Print one pad's figures, one line each."""
    low, high = pad["ratio_into_ohm"].values()
    heat, noise = pad["heat"], pad["noise"]
    lines = [
        ("ratio", f"{pad['ratio']:.4g}:1 with the card; {low:.4g}:1 into 10 kΩ, {high:.4g}:1 into 50 kΩ "
         f"({pad['loading_change_db']:.2f} dB), {pad['ratio_unloaded']:.4g}:1 into nothing"),
        ("tolerance", f"{pad['tolerance_least_db']:+.2f} to {pad['tolerance_most_db']:+.2f} dB with resistors of "
         f"± {pad['tolerance_percent']:g} %: calibrating removes it"),
        ("full scale", f"{pad['full_scale_at_unit_v_rms']:.3g} V r.m.s. at the unit; the unit sees "
         f"{_ohm(pad['unit_sees_ohm'])}"),
        ("start", f"v_rms_at_full_scale = {pad['full_scale_at_unit_v_rms']:.4g} in the calibration's [[input]] of this "
         "range, until `audiomeas calibrate all` has measured it end to end"),
        ("heat", f"series {_w(heat['series_part_w'])} in each part: {_rated(heat['series_part_rating_w'])}; "
         f"shunt {_w(heat['shunt_w'])}: {_rated(heat['shunt_rating_w'])}"),
        ("noise", _noise(noise)),
        *[("fault", _fault(fault)) for fault in pad["faults"]],
        ("bandwidth", _bandwidth(pad)),
    ]  # fmt: skip
    if "common_mode_rejection_db" in pad:
        lines.append(("difference", _rejection(pad)))
    lines.extend(("remark", line) for line in pad["remarks"])
    lines.extend(("objection", line) for line in pad["objections"])
    for word, text in lines:
        tell(word, text)


def _w(value: float) -> str:
    return f"{_two_digits(value)} W" if value >= 1.0 else f"{_two_digits(1000 * value)} mW"


def _a(value: float) -> str:
    return f"{value:.3g} A" if value >= 1.0 else f"{1000 * value:.3g} mA"


def _two_digits(value: float) -> str:
    """Return two digits that count, without an exponent."""
    return f"{float(f'{value:.2g}'):g}"


def _signed(decibels: float) -> str:
    return f"{decibels if abs(decibels) >= 0.005 else 0.0:+.2f}"


def _rated(rating_w: float | None) -> str:
    return "no usual rating is enough" if rating_w is None else f"use {rating_w:g} W or more"


def _noise(noise: dict[str, Any]) -> str:
    pad = f"pad {_two_digits(1e6 * noise['pad_v_rms'])} µV"
    if noise["total_v_rms"] is None:
        return f"{pad} at the unit, 20 Hz to 20 kHz; give --card-noise for the card's, which is mostly the greater part"
    card, total = 1e6 * noise["card_v_rms"], 1e6 * noise["total_v_rms"]
    return f"{pad}, card {card:.3g} µV, together {total:.3g} µV at the unit, 20 Hz to 20 kHz"


def _fault(fault: dict[str, Any]) -> str:
    times = _two_digits(fault["card_times_full_scale"])
    card = f"the card gets {fault['card_v_rms']:.3g} V where no clamp holds it ({times} × full scale)"
    if fault["card_v_rms"] == 0.0:
        card = "the card gets nothing"
    return f"{fault['what']}: {card}, {_a(fault['current_a_peak'])} peak, {_w(fault['heat_w'])} in what is left"


def _bandwidth(pad: dict[str, Any]) -> str:
    if pad["bandwidth_hz"] is None:
        return "not limited: no cable capacitance entered"
    return (
        f"{_two_digits(pad['bandwidth_hz'] / 1000)} kHz (−3 dB) with {1e12 * pad['cable_f']:g} pF at the card; "
        f"at 20 kHz {_two_digits(pad['loss_at_20_khz_db'])} dB less"
    )


def _rejection(pad: dict[str, Any]) -> str:
    rejection_db = pad["common_mode_rejection_db"]
    if rejection_db is None:
        return "exact resistors reject all that is common; real ones don't: enter their tolerance"
    return (
        f"two such pads of ± {pad['tolerance_percent']:g} % reject {rejection_db:.0f} dB of what is common, at worst; "
        "matched within 1 % it is 40 dB, within 0.1 % 60 dB"
    )


@click.command(cls=Command)
@click.option("--resistance", required=True, metavar="OHM", help="As measured at its terminals, such as 7.98.")
@click.option("--inductance-uh", type=click.FLOAT, default=0.0, show_default=True, help="In series, in µH.")
@click.option("--rated-w", type=click.FLOAT, required=True, help="Rating as printed, on its heatsink, in W.")
@click.option("--on-heatsink", is_flag=True, help="It is mounted on its heatsink: the whole rating holds.")
@click.option(
    "--level", required=True, metavar="LEVEL", help="Steady sine across it: '20 V' or '50 W' (at low frequency)."
)
@click.option(
    "--frequency-hz", type=click.FLOAT, multiple=True, help="May be repeated. [default: 20, 1000, 10000, 20000]"
)
@json_option
def load(
    resistance: str,
    inductance_uh: float,
    rated_w: float,
    on_heatsink: bool,
    level: str,
    frequency_hz: tuple[float, ...],
    as_json: bool,
) -> int:
    """Say what a dummy load is at a frequency, the watts it really takes, and what it stands without end.

    A wire-wound load is a coil too: U²/R says more watts at 20 kHz than it takes. Exit status 1: too much for it.

    \b
    Example: audiomeas bench load --resistance 8 --inductance-uh 20 --rated-w 200 --on-heatsink --level "60 W"
    """
    from dataclasses import asdict

    from audiomeas.bench.cautions import LOAD_CAUTIONS
    from audiomeas.bench.dummy_load import DummyLoad, load_point, objection
    from audiomeas.bench.resistors import parse_ohm
    from audiomeas.units import parse_level

    kept = DummyLoad(
        resistance_ohm=parse_ohm(resistance, "a load"),
        inductance_h=inductance_uh * 1e-6,
        rated_w=rated_w,
        on_heatsink=on_heatsink,
    )
    level_v_rms = parse_level(level).v_rms(load_ohm=kept.resistance_ohm)
    frequencies_hz = frequency_hz or (20.0, 1_000.0, 10_000.0, 20_000.0)
    points = [asdict(load_point(kept, frequency_hz=each, level_v_rms=level_v_rms)) for each in frequencies_hz]
    against = objection(kept, level_v_rms)
    if as_json:
        usable = {"usable_w": kept.usable_w, "usable_v_rms": kept.usable_v_rms}
        facts = {"load": asdict(kept) | usable, "level_v_rms": level_v_rms, "points": points, "objection": against}
        print_json({"cautions": list(LOAD_CAUTIONS)} | facts)
        return 0 if against is None else 1
    _print_cautions(LOAD_CAUTIONS)
    _print_points(points)
    tell("stands", f"{kept.usable_w:.3g} W without end ({kept.usable_v_rms:.3g} V r.m.s. at low frequency)")
    if against is not None:
        tell("objection", against)
    return 0 if against is None else 1


def _print_points(points: list[dict[str, Any]]) -> None:
    click.echo()
    heads = f"{'frequency':>12} {'impedance':>12} {'phase':>8} {'power':>10} {'U²/R says':>11} {'too much':>12}"
    click.echo(f"{heads} {'current':>14}")
    for point in points:
        click.echo(
            f"{point['frequency_hz']:>9g} Hz {point['impedance_ohm']:>10.4g} Ω {point['phase_deg']:>6.1f} ° "
            f"{point['power_w']:>8.4g} W {point['v_squared_over_r_w']:>9.4g} W {point['overstated_percent']:>10.2f} % "
            f"{point['current_a_peak']:>7.3g} A peak"
        )
    click.echo()
