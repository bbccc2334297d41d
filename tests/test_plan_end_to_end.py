"""The shipped plan on the simulated bench: plan, sound, capture, result, verdict, record, with nothing replaced."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from benches import bench_file
from plan_fakes import checked_by_sha256sum

import audiomeas
from audiomeas.files import shipped
from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import clean
from audiomeas.plan.run import RunOutcome
from audiomeas.present.outcome import visit_text
from audiomeas.record.store import find_visits
from audiomeas.recording import read_recording


def _first_step_of_the_shipped_plan(folder: Path) -> Path:
    """One step is enough to go the whole road; all five take half a minute."""
    head, first, *_ = shipped("examples", "plans", "power-amplifier.toml").read_text(encoding="utf-8").split("[[step]]")
    path = folder / "short.toml"
    path.write_text(f"{head}[[step]]{first}", encoding="utf-8")
    return path


def _run(folder: Path, unit: str, serial: str, rate_hz: int = 48_000) -> RunOutcome:
    return audiomeas.run(
        _first_step_of_the_shipped_plan(folder),
        unit=f"Demo amplifier A, serial {serial}",
        bench=bench_file(folder, unit=unit, rate_hz=rate_hz),
        records=folder / "records",
    )


def _match(outcome: RunOutcome) -> float:
    (row,) = [row for row in outcome.verdicts if row.difference_at_most == 0.5]
    assert row.value is not None
    return row.value


def _through(output_impedance_ohm: float) -> float:
    """Gain of an output impedance into 8 Ω, in dB (a voltage divider)."""
    return 20.0 * math.log10(8.0 / (8.0 + output_impedance_ohm))


def test_a_healthy_amplifier_passes_and_its_result_comes_again_from_its_capture(tmp_path: Path) -> None:
    outcome = _run(tmp_path, "amplifier-healthy", "D-0001", rate_hz=96_000)  # as it is shipped
    assert (outcome.verdict, outcome.exit_status, outcome.failures) == ("pass", 0, ())
    assert (outcome.visit.simulated, outcome.visit.finished) == (True, True)
    assert visit_text(outcome.visit).startswith("SIMULATED")
    # The unit's file: 27.00 dB and 0.16 Ω, 26.95 dB and 0.17 Ω. Leakage of -62 dB from the other channel comes nearly
    # at right angles to the tone: it may add a few thousandths of a dB.
    assert _match(outcome) == pytest.approx(27.0 + _through(0.16) - 26.95 - _through(0.17), abs=0.005)
    # The bench is checked before the step, no louder than the first look: 40 dB below every ceiling.
    assert {line["state"] for line in outcome.visit.bench_check} == {"note", "as it should be", "not checked"}
    (checked,) = outcome.visit.path.glob("00-bench-check/*.flac")
    assert outcome.visit.first_look is not None
    quiet_v_rms = read_recording(checked).stimulus.level_v_rms
    assert quiet_v_rms == pytest.approx(outcome.visit.first_look["level_v_rms"])
    (step,) = outcome.visit.steps
    assert step.result is not None
    # y = x + a x² with 4.0e-5 per volt: a·A/2, A = 4 V peak into 8 Ω, 4.08 V before the output impedance. The card's
    # own noise and the third harmonic (2e-6) stay below 2 % of it.
    assert step.result.channel(1).values["thd_percent"] == pytest.approx(100 * 4.0e-5 * 4.08 / 2, rel=0.02)
    assert step.result.channel(1).values["level_w"] == pytest.approx(1.0, rel=0.005)  # set to within 0.02 dB = 0.46 %
    measurement = registry.find(step.measurement)
    options = {key: value for key, value in step.conditions.items() if key == "frequency_hz"}
    again = measurement.analyse(read_recording(step.captures[-1]), complete(measurement, options))
    # Same version, same capture: to the last bit, after the way through JSON that both have gone.
    assert [clean(dict(channel.values)) for channel in again.channels] == [
        clean(dict(channel.values)) for channel in step.result.channels
    ]
    assert checked_by_sha256sum(outcome.visit.path)
    assert [visit.unit.serial for visit in find_visits(tmp_path / "records", "D-0001")] == ["D-0001"]


def test_a_weak_channel_fails_on_its_match_and_nothing_else(tmp_path: Path) -> None:
    outcome = _run(tmp_path, "amplifier-weak-channel", "D-0003")
    assert (outcome.verdict, outcome.exit_status) == ("fail", 1)
    assert [(row.quantity, row.source) for row in outcome.verdicts if row.verdict != "pass"] == [("gain_db", "house")]
    # The unit's file: 27.0 dB and 0.16 Ω, 25.4 dB and 0.17 Ω; tolerance as above.
    assert _match(outcome) == pytest.approx(27.0 + _through(0.16) - 25.4 - _through(0.17), abs=0.005)


def test_too_little_idle_current_fails_on_distortion_in_both_channels(tmp_path: Path) -> None:
    outcome = _run(tmp_path, "amplifier-under-biased", "D-0002")
    assert (outcome.verdict, outcome.exit_status) == ("fail", 1)
    failed = {(row.quantity, row.channel, row.source) for row in outcome.verdicts if row.verdict != "pass"}
    assert failed == {(key, channel, "house") for key in ("thd_percent", "thd_n_percent") for channel in (1, 2)}
