"""What a simulated tuner puts out. Truth: the closed forms of the multiplex signal, and `reference/`'s tables."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reference_tables import rows
from scipy.integrate import quad

from audiomeas.errors import TomlProblem
from audiomeas.simulation.tuner import GeneratorState, Tuner, TunerModel
from audiomeas.simulation.unit import read_unit

RATE_HZ = 48_000.0
FULL_V = 0.75


def _state(kind: str, frequency_hz: float = 1000.0, percent: float = 90.0, length_s: float = 9.0) -> GeneratorState:
    return GeneratorState(kind=kind, frequency_hz=frequency_hz, percent=percent, length_s=length_s)


def _model(kind: str, frequency_hz: float = 1000.0, percent: float = 90.0, **others: object) -> TunerModel:
    return TunerModel(**{"programme": (_state(kind, frequency_hz, percent),), "de_emphasis_us": 0.0, **others})


def _played(model: TunerModel, *, rate_hz: float = RATE_HZ, seconds: float = 0.12, skip_s: float = 0.02) -> np.ndarray:
    """Return (2, frames) without the beginning, in which the filters fill."""
    tuner = Tuner(model, rate_hz, np.random.SeedSequence(7))
    return np.array(tuner.volts(round(seconds * rate_hz)))[:, round(skip_s * rate_hz) :]


def _level(samples: np.ndarray, frequency_hz: float, rate_hz: float = RATE_HZ) -> np.ndarray:
    """Return the r.m.s. of a tone in each channel; whole periods of 10 Hz are expected."""
    turns = np.exp(-2j * np.pi * frequency_hz / rate_hz * np.arange(samples.shape[-1]))
    return np.sqrt(2.0) * np.abs(np.mean(samples * turns, axis=-1))


def test_separation_is_that_of_gain_and_phase_of_the_decoder() -> None:
    """Closed form, reference/fm_stereo_separation_model.csv (to 0.001 dB). Its filters are 100 dB down: 0.02 dB at
    40 dB; the table's rows above 60 dB are left to the filters."""
    for row in rows("fm_stereo_separation_model.csv"):
        gain, phase_deg, separation_db = (float(value) for value in row.values())
        if separation_db > 60.0:
            continue
        left, right = _level(_played(_model("left", difference_gain=gain, subcarrier_phase_deg=phase_deg)), 1000.0)
        assert 20.0 * np.log10(left / right) == pytest.approx(separation_db, abs=0.02)
        truth_v = FULL_V * 0.9 * 0.5 * (1.0 + gain * np.cos(np.radians(phase_deg)))
        assert left == pytest.approx(truth_v, rel=1e-4)


def test_detector_bends_as_its_polynomial_does() -> None:
    """cos² and cos³: ½·a₂·A² and ¼·a₃·A³, behind 75 µs; filters ripple by 1e-5."""
    second, third, peak = 0.01, -0.02, 0.9
    found = _played(_model("mono", second_order=second, third_order=third, de_emphasis_us=75.0))[0]
    for order, part in ((1, peak + 0.75 * third * peak**3), (2, 0.5 * second * peak**2), (3, 0.25 * third * peak**3)):
        fall = np.hypot(1.0, 2.0 * np.pi * 1000.0 * order * 75e-6)
        assert _level(found, 1000.0 * order) == pytest.approx(FULL_V * abs(part) / fall, rel=1e-3)


def test_noise_rises_with_frequency_and_stereo_has_more_of_it() -> None:
    """Integral of the density over 15 kHz (scipy). 1.9 s hold 28,000 periods of the band: 0.6 % each, three times that
    allowed; the decoder's slope from 15 to 19 kHz is not in the band."""

    def band_rms(kind: str) -> float:
        samples = _played(_model(kind, noise_db=-70.0, de_emphasis_us=50.0), seconds=1.92)[0]
        spectrum = np.fft.rfft(samples) / len(samples)
        hz = np.fft.rfftfreq(len(samples), 1.0 / RATE_HZ)
        return float(np.sqrt(2.0 * np.sum(np.abs(spectrum[(hz > 0.0) & (hz <= 15_000.0)]) ** 2)))

    def squared(hz: float, stereo: bool) -> float:
        both = (38_000.0 - hz) ** 2 + (38_000.0 + hz) ** 2
        return (hz**2 + (both if stereo else 0.0)) / (1.0 + (2.0 * np.pi * hz * 50e-6) ** 2)

    mono, stereo = (quad(squared, 0.0, 15_000.0, args=(both,))[0] for both in (False, True))
    assert band_rms("carrier") == pytest.approx(FULL_V * 10.0 ** (-70.0 / 20.0), rel=0.02)
    # f inside is sin(πf/f_i)·f_i/π: 1.7 % less at 38 kHz of 384 kHz.
    inside_hz = 384_000.0
    slope = np.sinc(38_000.0 / inside_hz)
    assert band_rms("pilot") / band_rms("carrier") == pytest.approx(slope * np.sqrt(stereo / mono), rel=0.03)


def test_pre_emphasis_and_de_emphasis_cancel_and_differ() -> None:
    """reference/eq_fm_deemphasis.csv (to 0.0001 dB): 50 µs where 75 µs were sent, at 10 kHz re 1 kHz."""
    table = {row["frequency_hz"]: row for row in rows("eq_fm_deemphasis.csv")}
    right, wrong = (
        [
            _level(_played(_model("mono", hz, 20.0, pre_emphasis_us=75.0, de_emphasis_us=tau_us)), hz)[0]
            for hz in (1000.0, 10_000.0)
        ]
        for tau_us in (75.0, 50.0)
    )
    truth_db = float(table["10000"]["de50_re_1khz_db"]) - float(table["10000"]["de75_re_1khz_db"])
    assert right[0] == pytest.approx(FULL_V * 0.2, rel=1e-4)
    assert 20.0 * np.log10(right[1] / right[0]) == pytest.approx(0.0, abs=0.005)
    assert 20.0 * np.log10(wrong[1] / wrong[0]) == pytest.approx(truth_db, abs=0.005)


def test_high_blend_takes_the_difference_from_its_corner_on() -> None:
    """g becomes g/(1 + jf/f_b): (1 + g)/|1 − g| with a complex g."""
    left, right = _level(_played(_model("left", 5000.0, blend_from_hz=10_000.0)), 5000.0)
    gain = 1.0 / (1.0 + 0.5j)
    assert 20.0 * np.log10(left / right) == pytest.approx(20.0 * np.log10(abs(1.0 + gain) / abs(1.0 - gain)), abs=0.01)


@pytest.mark.parametrize("changed", [{"mono_engaged": True}, {"pilot_percent": 2.0}])
def test_without_a_decoder_both_outputs_are_alike(changed: dict[str, object]) -> None:
    left, right = _level(_played(_model("left", **changed)), 1000.0)
    assert left == right == pytest.approx(FULL_V * 0.45, rel=1e-4)


def test_swapped_and_out_of_balance() -> None:
    plain = _played(_model("left", balance_db=-1.0))
    assert np.array_equal(_played(_model("left", balance_db=-1.0, swapped=True)), plain[::-1])
    left, right = _level(_played(_model("mono", balance_db=-1.0)), 1000.0)
    assert 20.0 * np.log10(right / left) == pytest.approx(-1.0, abs=1e-6)


def test_residues_stand_where_they_are_stated() -> None:
    """Of a sine of 100 %; 76 kHz is above what a card at 96 kHz holds."""
    found = _played(_model("pilot", residues_db=(-55.0, -60.0, -40.0)), rate_hz=96_000.0)
    for hz, level_db in ((19_000.0, -55.0), (38_000.0, -60.0), (20_000.0, None)):
        truth_v = 0.0 if level_db is None else FULL_V * 10.0 ** (level_db / 20.0)
        # The decoder's own rest of the pilot is 100 dB down.
        assert _level(found, hz, 96_000.0)[0] == pytest.approx(truth_v, abs=FULL_V * 2e-5)


def test_blocks_change_nothing_and_states_follow_one_another() -> None:
    model = _model("mono", noise_db=-60.0, de_emphasis_us=50.0)
    model = replace(model, programme=(_state("mono", length_s=0.05), _state("right", 3000.0, 80.0)))
    whole = np.array(Tuner(model, RATE_HZ, np.random.SeedSequence(3)).volts(4800))
    tuner = Tuner(model, RATE_HZ, np.random.SeedSequence(3))
    parts = np.concatenate([tuner.volts(frames) for frames in (1, 2399, 700, 1700)], axis=1)
    assert np.max(np.abs(parts - whole)) < 1e-12
    assert _level(whole[:, 3360:], 3000.0)[1] > 100.0 * _level(whole[:, 3360:], 1000.0)[1]


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("programme = []", "must be a list of"),
        ('programme = [["sum", 1000, 100, 5]]', "mono, left, right"),
        ('programme = [["mono", 16000, 100, 5]]', "must be a list of"),
        ('programme = [["mono", 1000, 100, 5]]\nde_emphasis_us = 500', "de_emphasis_us"),
    ],
)
def test_a_wrong_table_is_told_by_its_key(tmp_path: Path, line: str, words: str) -> None:
    head = 'kind = "tuner"\nmaker = "Demo"\nmodel = "Tuner L"\nserial = "D-0014"\n'
    path = tmp_path / "unit.toml"
    path.write_text(
        f"{head}[tuner]\n{line}\n[[channel]]\ngain_db = 0.0\n[[channel]]\ngain_db = 0.0\n", encoding="utf-8"
    )
    with pytest.raises(TomlProblem, match=words):
        read_unit(path)
