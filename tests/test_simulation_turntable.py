"""What a simulated turntable puts out. Truth: closed forms of resonance, motion and noise; RIAA's time constants."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import freqs, welch
from shipped_plan_runs import CASES

from audiomeas.bench.opened import open_bench_file
from audiomeas.errors import TomlProblem
from audiomeas.measurement import registry
from audiomeas.measurement.session import Session
from audiomeas.simulation.motion import Motion
from audiomeas.simulation.turntable import Arm, PlayedBand, Rumble, Turntable, TurntableModel
from audiomeas.simulation.unit import read_unit, shipped_units

RATE_HZ = 48_000.0
VELOCITY_CM_S, V_PER_CM_S = 5.0, 1e-3


def band(kind: str, hz: float = 1000.0, to_hz: float | None = None, length_s: float = 9.0) -> PlayedBand:
    return PlayedBand(
        kind=kind, from_hz=hz, to_hz=hz if to_hz is None else to_hz, velocity_cm_s=VELOCITY_CM_S, length_s=length_s
    )


def played(*bands: PlayedBand, seconds: float = 0.2, rate_hz: float = RATE_HZ, **others: Any) -> NDArray[np.float64]:
    """Return (2, frames) in V."""
    model = TurntableModel(**{"programme": bands, "recorded": "flat", **others})
    return np.array(Turntable(model, 50.0, rate_hz, np.random.SeedSequence(3)).volts(round(seconds * rate_hz)))


def level(samples: NDArray[np.float64], hz: float, rate_hz: float = RATE_HZ) -> NDArray[np.complex128]:
    """Return the complex r.m.s. of a tone over whole periods, per channel."""
    turns = np.exp(-2j * np.pi * hz / rate_hz * np.arange(samples.shape[-1]))
    return np.asarray(np.sqrt(2.0) * np.mean(samples * turns, axis=-1))


def test_each_wall_leaks_and_is_balanced_as_stated() -> None:
    for kind, own, leak in (("left", 0, 0.05), ("right", 1, 0.02)):
        found = level(played(band(kind), leaks=(0.05, 0.02), balance_db=1.0, leak_rises_hz=1000.0), 1000.0)
        gains = V_PER_CM_S * VELOCITY_CM_S * np.array([1.0, 10.0 ** (1.0 / 20.0)])
        # At its corner the leak has risen by √2.
        truth = np.where(np.arange(2) == own, gains, gains * leak * np.sqrt(2.0))
        assert np.abs(found) == pytest.approx(truth, rel=1e-9)


def test_lateral_and_vertical_cuts_are_alike_and_opposite_and_hands_change_them() -> None:
    lateral, vertical = (played(band(kind)) for kind in ("lateral", "vertical"))
    assert np.allclose(lateral[0], lateral[1]) and np.allclose(vertical[0], -vertical[1])
    assert np.allclose(played(band("vertical"), mono=True), 0.0)
    assert np.allclose(played(band("lateral"), right_inverted=True)[1], -lateral[1])
    assert np.allclose(played(band("left"), swapped=True), played(band("left"))[::-1])


def test_a_record_is_cut_by_riaa_and_a_needle_resonates() -> None:
    """IEC 60098: 3180, 318, 75 µs, 0 dB at 1 kHz, by scipy's analog response."""
    t1, t2, t3 = 3180e-6, 318e-6, 75e-6
    _, riaa = freqs([t2, 1.0], np.polymul([t1, 1.0], [t3, 1.0]), 2.0 * np.pi * np.array([1000.0, 10_000.0]))
    found = np.abs(level(played(band("left", 10_000.0), recorded="riaa"), 10_000.0))[0]
    assert found == pytest.approx(V_PER_CM_S * VELOCITY_CM_S * abs(riaa[0] / riaa[1]), rel=1e-6)
    treble = np.abs(level(played(band("left", 15_000.0), treble_hz=15_000.0, treble_quality=1.7), 15_000.0))[0]
    assert treble == pytest.approx(1.7 * V_PER_CM_S * VELOCITY_CM_S, rel=1e-6)


def test_the_arm_is_a_second_order_high_pass_of_each_direction() -> None:
    """Gain by scipy.signal.freqs; steady after 2 s, in which a Q of 3 at 10 Hz has died by e^-20."""
    rate_hz = 8_000.0
    for kind, arm in (
        ("lateral", Arm(frequency_hz=9.0, quality=3.0)),
        ("vertical", Arm(frequency_hz=11.0, quality=2.0)),
    ):
        angle = 2.0 * np.pi * arm.frequency_hz
        arms = (arm, None) if kind == "lateral" else (None, arm)
        for hz in (5.0, arm.frequency_hz, 20.0):
            _, truth = freqs([1.0, 0.0, 0.0], [1.0, angle / arm.quality, angle**2], [2.0 * np.pi * hz])
            whole = played(band(kind, hz), seconds=4.0, rate_hz=rate_hz, arms=arms)[:, 16_000:]
            assert np.abs(level(whole, hz, rate_hz))[0] == pytest.approx(5e-3 * abs(truth[0]), rel=1e-4)


def test_a_sweep_passes_each_frequency_when_its_law_says_so() -> None:
    """Half of a logarithmic sweep from 100 Hz to 10 kHz is over at 1 kHz: zero crossings of 20 ms around it."""
    found = played(band("left", 100.0, 10_000.0, length_s=1.0), seconds=1.0)[0]
    middle = found[round(0.49 * RATE_HZ) : round(0.51 * RATE_HZ)]
    assert np.count_nonzero(np.diff(np.sign(middle))) == pytest.approx(2.0 * 1000.0 * 0.02, abs=1.0)


def test_speed_and_a_record_off_its_centre_move_the_tone() -> None:
    """0.1 mm at 100 mm: ±0.1 % at 33 1/3 in a minute. Mean of a turn: the speed error alone."""
    motion = Motion(error=0.002, modulation=((1.0 / 1.8, 0.001),))
    rate_hz = 8_000.0
    found = played(band("left"), seconds=1.8, rate_hz=rate_hz, motion=motion)[0]
    crossings = np.count_nonzero(np.diff(np.signbit(found)))
    assert crossings / 2.0 / 1.8 == pytest.approx(1002.0, abs=0.6)


def test_rumble_has_its_lines_and_the_density_of_its_noise() -> None:
    """Welch's mean over 200 segments stands within 3·1/√200 = 0.2 of the density in each bin; their mean far closer."""
    rumble = (Rumble(lines=((25.0, 0.02),), noise_cm_s=0.03, corner_hz=40.0), Rumble(lines=((50.0, 0.01),)))
    rate_hz = 2_000.0
    left, right = played(band("silent", 0.0), seconds=200.0, rate_hz=rate_hz, rumble=rumble) / V_PER_CM_S
    hz, density = welch(0.5 * (left + right), rate_hz, nperseg=2_000)
    places = (hz > 60.0) & (hz < 200.0)
    truth = 0.03**2 / (40.0 * np.pi / 4.0) / (1.0 + (hz / 40.0) ** 2) ** 2
    # One-pole sections fall a little less near half of this low rate: 2 % at 200 Hz.
    assert np.mean(density[places] / truth[places]) == pytest.approx(1.0, abs=0.05)
    assert np.abs(level(np.array([left]), 25.0, rate_hz))[0] == pytest.approx(0.02, rel=0.02)
    assert np.abs(level(np.array([0.5 * (left - right)]), 50.0, rate_hz))[0] == pytest.approx(0.01, rel=1e-6)


def test_lifted_stopped_and_ungrounded_are_heard() -> None:
    hums: dict[str, Any] = {
        "motor_hum": ((1.0, 1e-5),),
        "ungrounded_hum": ((1.0, 4e-5),),
        "rumble": (Rumble(lines=((30.0, 1.0),)),) * 2,
    }
    for kind, truth_v in (("lifted", 1e-5), ("stopped", 0.0), ("ungrounded", 5e-5)):
        assert np.sqrt(np.mean(played(band(kind, 0.0), **hums) ** 2)) == pytest.approx(truth_v, abs=1e-12)


def test_the_size_of_blocks_changes_nothing() -> None:
    model = TurntableModel(
        programme=(band("silent", 0.0, length_s=0.05), band("lateral", 5.0, 50.0, length_s=0.1), band("silent", 0.0)),
        arms=(Arm(frequency_hz=10.0, quality=2.0),) * 2,
        rumble=(Rumble(noise_cm_s=0.1), Rumble(lines=((25.0, 0.1),))),
        motor_hum=((1.0, 1e-4),),
    )
    whole, parts = (Turntable(model, 50.0, RATE_HZ, np.random.SeedSequence(3)) for _ in range(2))
    pieces = np.concatenate([np.array(parts.volts(size)) for size in (1, 1000, 3000, 5599)], axis=1)
    assert np.array(whole.volts(9600)) == pytest.approx(pieces, abs=1e-12)


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ('programme = [["silent", 0, 0, 0]]', "programme"),
        ('programme = [["sideways", 1000, 1000, 5, 5]]', "programme"),
        ('programme = [["silent", 1000, 1000, 5, 5]]', "programme"),
        ('programme = [["left", 1000, 1000, 5, 5]]\nseparation_db = [20]', "separation_db"),
    ],
)
def test_a_wrong_table_is_refused_by_its_key(line: str, key: str, tmp_path: Path) -> None:
    path = tmp_path / "unit.toml"
    text = shipped_units()["phono-stage"].read_text(encoding="utf-8")
    path.write_text(f"{text}\n[turntable]\n{line}\n", encoding="utf-8")
    with pytest.raises(TomlProblem, match=key):
        read_unit(path)


#: Each channel alone at 1 and 10 kHz.
PROGRAMME = """[
  ["silent", 0, 0, 0, 0.5],
  ["left", 1000, 1000, 3.5, 1.4], ["right", 1000, 1000, 3.5, 1.4],
  ["left", 10000, 10000, 3.5, 1.4], ["right", 10000, 10000, 3.5, 1.4],
  ["silent", 0, 0, 0, 9],
]"""


def _shorter(folder: Path, **changed: str) -> Path:
    """Write a bench with the shipped turntable, its programme cut short and keys of its table changed."""
    text = shipped_units()["turntable"].read_text(encoding="utf-8")
    text = re.sub(r"programme = \[.*?\n\]", lambda _: f"programme = {PROGRAMME}", text, flags=re.DOTALL)
    for key, value in changed.items():
        text = re.sub(rf"^{key} = .*$", f"{key} = {value}", text, flags=re.MULTILINE)
    bench = CASES["turntable"].bench_file(folder, 44_100)
    (folder / "unit.toml").write_text(text, encoding="utf-8")
    return bench


def test_its_words_tell_on_the_bench_what_its_file_says(tmp_path: Path) -> None:
    """Separation by the file's 26 and 22 dB, balance of 1.5 dB in it; at 10 kHz the leak has risen by √2 (3.01 dB)."""
    changes = {"separation_db": "[26, 22]", "balance_db": "1.5", "leak_rises_hz": "10000"}
    separation = registry.find("separation")
    with Session(open_bench_file(_shorter(tmp_path, **changes))) as session:
        found = session.measure(separation, {"duration_s": 6.5, "bands_hz": (1000.0, 10_000.0)})
    left, right = found.channels
    # The leak's rise at 1 kHz is 0.04 dB, the card's own leak and the speed's error on RIAA some 0.01 dB.
    assert left.values["separation_db"] == pytest.approx(26.0 - 1.5 - 0.04, abs=0.05)
    assert right.values["separation_db"] == pytest.approx(22.0 + 1.5 - 0.04, abs=0.05)
    assert left.values["bands"][-1]["separation_db"] == pytest.approx(26.0 - 1.5 - 3.01, abs=0.05)
    assert right.values["balance_db"] == pytest.approx(1.5, abs=0.05)
    assert found.simulated and not found.warnings[1:]
