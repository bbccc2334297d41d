"""A visit in lines for the terminal: what is a difference says so, digits follow the uncertainty, 80 columns."""

from __future__ import annotations

import dataclasses
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from plan_fakes import GOOD

from audiomeas.measurement.result import ChannelResult
from audiomeas.present.outcome import visit_text
from audiomeas.present.tables import columns_of
from audiomeas.record.unit import Unit
from audiomeas.record.verdict_row import Verdict
from audiomeas.record.visit import StepRecord, Visit


def row(**changes: Any) -> Verdict:
    facts: dict[str, Any] = {
        "step": "Distortion at 1 W", "quantity": "thd_percent", "unit": "%", "words": "harmonic distortion",
        "channel": 1, "value": 0.51234, "uncertainty": 0.0123, "bound": "", "at_least": None, "at_most": 0.1,
        "difference_at_most": None, "source": "house", "verdict": "fail", "reason": "outside by more than its ±",
    }  # fmt: skip
    return Verdict(**{**facts, **changes})


MATCH = row(
    quantity="gain_db", unit="dB", words="gain", channel=None, value=0.06062, uncertainty=0.087, at_most=None,
    difference_at_most=0.5, verdict="pass", reason="",
)  # fmt: skip


def step(name: str, *rows: Verdict, **changes: Any) -> StepRecord:
    facts: dict[str, Any] = {
        "number": 1, "name": name, "measurement": "distortion", "conditions": {}, "folder": Path("x"),
        "status": "finished", "reason": "", "captures": (), "result": GOOD["distortion"], "verdicts": rows,
    }  # fmt: skip
    return StepRecord(**{**facts, **changes})


def visit(*steps: StepRecord, **changes: Any) -> Visit:
    facts: dict[str, Any] = {
        "path": Path("records/unit/visit"), "unit": Unit(model="Demo amplifier A", serial="D-0001"),
        "stage": "as-found", "opened_at": datetime(2024, 5, 1, tzinfo=UTC), "version": "0.1.0", "simulated": True,
        "plan_title": "Power amplifier", "plan_text": "", "planned_steps": tuple(each.name for each in steps),
        "bench": {}, "hashes": {}, "warnings": (), "facts": {}, "journal": (), "finished": True, "first_look": None,
        "steps": steps,
    }  # fmt: skip
    return Visit(**{**facts, **changes})


def test_it_looks_like_this():
    broken = step("Response", row(value=None, verdict="undecided", reason="missing: no sweep"), result=None,
                  status="failed", reason="no sweep")  # fmt: skip
    assert visit_text(visit(step("Distortion at 1 W", row(), MATCH), broken)).splitlines() == [
        "SIMULATED: made on the simulated bench, not on a real unit",
        "Demo amplifier A, serial D-0001, as-found: Power amplifier",
        "",
        "Distortion at 1 W",
        "  fail       channel 1, harmonic distortion: 0.512 ± 0.012 %; at most 0.1 %",
        "             (house); outside by more than its ±",
        # 0.087 has one digit (JCGM 100, 7.2.6, and the Particle Data Group's 355): 0.06 ± 0.09
        "  pass       difference between the channels in gain: 0.06 ± 0.09 dB;",
        "             at most 0.5 dB (house)",  # no line ends between a number and its unit
        "",
        "Response",
        "  failed: no sweep",
        "  undecided  channel 1, harmonic distortion: not known; at most 0.1 % (house);",
        "             missing: no sweep",
        "",
        "verdict: fail",
        "record: records/unit/visit",
    ]


def test_a_step_without_limits_tells_what_was_measured():
    text = " ".join(visit_text(visit(step("Distortion at 1 W"))).split())
    first, second = (channel.values["thd_percent"] for channel in GOOD["distortion"].channels)
    found = re.search(r"no limit harmonic distortion: (\S+) .*?, (\S+) .*? on channel 2", text)
    assert found
    assert [float(one) for one in found.groups()] == pytest.approx([first, second], rel=0.1)
    nothing = dataclasses.replace(GOOD["distortion"], channels=())
    assert "  no limit   no figure of it is known" in visit_text(visit(step("Distortion", result=nothing)))


def test_what_is_missing_is_told_with_the_way_out():
    """What the measurement said of it stands below: the row alone only says that there is no figure."""
    said = "use a bench at 192 kHz"
    noted = step(
        "Power", row(value=None, verdict="undecided"), result=dataclasses.replace(GOOD["distortion"], warnings=(said,))
    )
    assert f"  note       {said}" in visit_text(visit(noted)).splitlines()
    known = dataclasses.replace(noted, verdicts=(row(),))
    assert said not in visit_text(visit(known))


@pytest.mark.parametrize("width", [40, 80])
def test_no_line_is_wider_than_the_terminal_and_nothing_is_lost(width):
    long = "Unbelievably " * 30
    shown = visit(step(long, row(words=long, reason=long)), plan_title=long)
    text = visit_text(shown, width=width)
    assert max(map(columns_of, text.splitlines())) <= width
    assert text.count("Unbelievably") == 4 * 30


def test_a_step_that_was_never_reached_is_said_and_makes_no_pass():
    shown = visit(step("Distortion at 1 W", MATCH), planned_steps=("Distortion at 1 W", "Response"))
    lines = visit_text(shown).splitlines()
    assert lines[lines.index("Response") + 1] == "  not run"
    assert "verdict: undecided (what is missing is never a pass)" in lines


def test_control_characters_never_reach_the_terminal():
    text = visit_text(visit(step("\x1b[31mred", row(words="\x07bell"))))
    assert text.replace("\n", "").isprintable()


def test_a_ratio_says_what_it_refers_to():
    """75 dB re 2.5 mV and 87 dB re 10 mV are one noise: a ratio without its reference says nothing."""
    ratio = row(
        quantity="snr_a_db", unit="dB", words="signal-to-noise ratio, A-weighted", value=78.04, uncertainty=0.06,
        at_most=None, at_least=75.0, verdict="pass", reason="",
    )  # fmt: skip
    told = dataclasses.replace(
        GOOD["distortion"],
        measurement="noise",
        channels=(ChannelResult(channel=1, values={"snr_a_db": 78.04, "snr_reference": "1 W into 8 Ω"}),),
    )
    text = " ".join(visit_text(visit(step("Noise", ratio, measurement="noise", result=told))).split())
    assert "signal-to-noise ratio, A-weighted relative to 1 W into 8 Ω: 78.04 ± 0.06 dB; at least 75 dB" in text


def test_a_claim_says_over_which_band_it_holds():
    claim = row(
        quantity="least_power_w", unit="W", words="power", value=60.02, uncertainty=None, bound="at least",
        at_most=None, at_least=60.0, verdict="pass", reason="", source="maker",
    )  # fmt: skip
    told = dataclasses.replace(GOOD["distortion"], measurement="power", conditions={"power_range_hz": [20.0, 15_000.0]})
    text = " ".join(visit_text(visit(step("60 W", claim, measurement="power", result=told))).split())
    assert "channel 1, power from 20 Hz to 15 kHz: at least 60.02 W; at least 60 W (maker)" in text


def test_small_volts_are_read_with_a_prefix_and_so_is_their_limit():
    noise = row(
        quantity="unweighted_v_rms", unit="V", words="noise", value=0.00013604, uncertainty=0.00000041, at_most=0.0005,
        verdict="pass", reason="",
    )  # fmt: skip
    bounded = row(
        quantity="unweighted_v_rms", unit="V", words="noise", channel=2, value=0.0021, uncertainty=None,
        bound="at most", at_most=0.0005, verdict="undecided", reason="",
    )  # fmt: skip
    text = visit_text(visit(step("Noise", noise, bounded)))
    assert "channel 1, noise: 136.0 ± 0.4 µV; at most 500 µV (house)" in text
    assert "channel 2, noise: at most 2.1 mV; at most 500 µV (house)" in text
    assert "0.000" not in text
