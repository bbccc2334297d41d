"""Measurement word 'tuner'. Truth: closed forms of the multiplex signal, `reference/`'s tables, integrals by scipy.

What is captured comes from `simulation.tuner`, which forms and decodes the multiplex signal for real (its own tests
hold it against the same closed forms), or is cut out of that and put together wrongly.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from reference_tables import rows
from scipy.integrate import quad

from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.tuner_states import CONVENTIONS, Heard, laid_over, parse_states, parts_of, settings
from audiomeas.recording import Recording
from audiomeas.simulation.tuner import GeneratorState, Tuner, TunerModel

RATE_HZ = 48_000
MEASUREMENT = find("tuner")
FULL_V, GAIN, PHASE_DEG, BALANCE_DB, SECOND, NOISE_DB, PILOT_DB = 0.75, 0.98, 3.0, -0.5, 0.02, -62.0, -50.0
TAU_S = 75e-6
RESPONSE_HZ = (1000.0, 100.0, 3150.0, 6300.0, 10_000.0)
#: Kind, hertz, percent of 75 kHz: 91 is what 9 % of pilot leave.
PLAYED = (
    ("mono", 1000.0, 100.0),
    ("carrier", 0.0, 0.0),
    ("left", 1000.0, 91.0),
    ("pilot", 0.0, 0.0),
    ("right", 1000.0, 91.0),
    *(("mono", hz, 30.0) for hz in RESPONSE_HZ),
)
STATES = "mono 1000; carrier; left 1000; pilot; right 1000; mono 1000 100 3150 6300 10000 30%"


def _length_s(kind: str) -> float:
    return 3.0 if kind in ("carrier", "pilot") else 1.5


def _captured(model: TunerModel) -> np.ndarray:
    """Return volts of the whole programme, (frames, 2)."""
    frames = round(sum(state.length_s for state in model.programme) * RATE_HZ)
    return np.array(Tuner(model, float(RATE_HZ), np.random.SeedSequence(5)).volts(frames)).T


def _recording(volts: np.ndarray, full_scale_v_rms: float | None = 2.0) -> Recording:
    scale = 2.0 if full_scale_v_rms is None else full_scale_v_rms
    return Recording(
        counts_fs=volts / (scale * math.sqrt(2.0)),
        sample_rate_hz=float(RATE_HZ),
        channels=(1, 2),
        v_rms_at_full_scale=(full_scale_v_rms,) * 2,
    )


def _analysed(volts: np.ndarray, states: str, **options: Any) -> Result:
    return MEASUREMENT.analyse(_recording(volts), complete(MEASUREMENT, {"states": states, **options}))


@pytest.fixture(scope="module")
def pieces() -> dict[tuple[str, float, float], np.ndarray]:
    """What each state of a tuner with faults of known size puts out, in volts."""
    model = TunerModel(
        programme=tuple(
            GeneratorState(kind=kind, frequency_hz=hz, percent=percent, length_s=_length_s(kind))
            for kind, hz, percent in PLAYED
        ),
        de_emphasis_us=1e6 * TAU_S,
        v_rms_at_100_percent=FULL_V,
        difference_gain=GAIN,
        subcarrier_phase_deg=PHASE_DEG,
        balance_db=BALANCE_DB,
        second_order=SECOND,
        noise_db=NOISE_DB,
        residues_db=(PILOT_DB, None, None),
    )
    ends = np.cumsum([round(state.length_s * RATE_HZ) for state in model.programme])[:-1]
    return dict(zip(PLAYED, np.split(_captured(model), ends), strict=True))


@pytest.fixture(scope="module")
def result(pieces: dict[Any, np.ndarray]) -> Result:
    return _analysed(np.concatenate(list(pieces.values())), STATES, de_emphasis="75")


def _fall(hz: float) -> float:
    """Return what 75 µs leave of a frequency, closed form."""
    return 1.0 / math.hypot(1.0, 2.0 * math.pi * hz * TAU_S)


def _noise_db(*, stereo: bool) -> float:
    """Return noise to 15 kHz re 100 %, by the density f² (and around 38 kHz), behind 75 µs."""

    def squared(hz: float, both: bool) -> float:
        gain = GAIN**2 * ((38_000.0 - hz) ** 2 + (38_000.0 + hz) ** 2) if both else 0.0
        return (hz**2 + gain) * _fall(hz) ** 2

    mono, wanted = (quad(squared, 20.0, 15_000.0, args=(both,))[0] for both in (False, stereo))
    return NOISE_DB + 10.0 * math.log10(wanted / mono)


def test_level_balance_and_distortion(result: Result) -> None:
    """½·a₂·A² behind de-emphasis; 0.02 dB of the decoder's filters, 1 % of noise in the distortion of 0.3 %."""
    left, right = result.channels
    assert left.values["level_v_rms"] == pytest.approx(FULL_V * _fall(1000.0), rel=2e-3)
    assert right.values["balance_db"] == pytest.approx(BALANCE_DB, abs=0.01)
    assert left.values["balance_db"] is None
    for channel in result.channels:
        for key, peak in (("thd_mono_percent", 1.0), ("thd_low_percent", 0.3)):
            truth = 100.0 * 0.5 * SECOND * peak * _fall(2000.0) / _fall(1000.0)
            assert channel.values[key] == pytest.approx(truth, abs=0.02)


def test_separation_is_the_decoders_own(result: Result) -> None:
    """reference/fm_stereo_separation_model.csv (0.98, 3 degrees), each way moved by the balance; to reach: 0.1 dB."""
    (truth_db,) = (
        float(row["separation_db"])
        for row in rows("fm_stereo_separation_model.csv")
        if (row["difference_gain"], row["subcarrier_phase_error_deg"]) == ("0.98", "3")
    )
    for channel, way in zip(result.channels, (-1.0, 1.0), strict=True):
        assert channel.values["separation_db"] == pytest.approx(truth_db + way * BALANCE_DB, abs=0.1)


def test_noise_below_a_tone_of_100_percent(result: Result) -> None:
    """Integral of the density (scipy). Three seconds tell 0.1 dB; 0.2 dB are the decoder's slope inside (its rate)."""
    for channel in result.channels:
        for mode, peak in (("mono", 1.0), ("stereo", 0.91 * 0.5 * (1.0 + GAIN))):
            tone_db = 20.0 * math.log10(peak * _fall(1000.0))
            truth_db = tone_db - _noise_db(stereo=mode == "stereo")
            assert channel.values[f"snr_{mode}_db"] == pytest.approx(truth_db, abs=0.35)
            assert channel.values[f"snr_a_{mode}_db"] is not None


def test_rest_of_the_pilot_stands_re_75_khz(result: Result) -> None:
    """Of the level at 1 kHz, which de-emphasis lowers; what this rate doesn't hold is null and said."""
    for channel in result.channels:
        truth_db = PILOT_DB - 20.0 * math.log10(_fall(1000.0))
        assert channel.values["pilot_residue_db"] == pytest.approx(truth_db, abs=0.1)
        assert channel.values["subcarrier_residue_db"] is None
    assert any("capture at 96 kHz" in note for note in MEASUREMENT.tables(result)[0].notes)


def test_response_and_time_constant(result: Result) -> None:
    """reference/eq_fm_deemphasis.csv; 0.05 dB at -42 dB of noise, 1 % of the time constant by five points."""
    table = {float(row["frequency_hz"]): float(row["de75_re_1khz_db"]) for row in rows("eq_fm_deemphasis.csv")}
    for channel in result.channels:
        found = {round(row["frequency_hz"]): row for row in channel.values["response"]}
        assert set(found) == {round(hz) for hz in RESPONSE_HZ}
        for hz, row in found.items():
            assert row["level_db"] == pytest.approx(table[hz], abs=0.05)
            assert row["deviation_db"] == pytest.approx(row["level_db"] - row["expected_db"])
        assert channel.values["de_emphasis_us"] == pytest.approx(1e6 * TAU_S, rel=0.01)
        assert channel.values["deviation_low_db"] <= 0.0 <= channel.values["deviation_high_db"]


def test_it_says_how_it_was_made_and_is_drawn(result: Result) -> None:
    conditions = result.conditions
    assert conditions["modulation"] == "75 kHz in all, the pilot among them"
    assert "13.7 dB better at 10 kHz" in conditions["separation"]  # trade notes, check value 8
    left = next(row for row in conditions["generator"] if row["state"] == "left 1000 Hz")
    assert (left["audio_khz"], left["pilot_khz"]) == (68.25, 6.75)
    assert all("off the detector's centre" in line for line in result.warnings)  # its one fault that is said
    again = result_from_json(result.as_json())
    assert [table.title for table in MEASUREMENT.tables(again)][:2] == [
        "FM tuner, audio",
        "What the generator must be set to",
    ]
    assert {view.name for view in MEASUREMENT.charts(again)} == {"response", "noise"}
    assert {curve.key for curve in MEASUREMENT.curves} == {"deviation_db", "separation_db"}


# -- wrong input -------------------------------------------------------------------------------------------------

MONO, LOW = ("mono", 1000.0, 100.0), ("mono", 1000.0, 30.0)
LEFT, RIGHT = ("left", 1000.0, 91.0), ("right", 1000.0, 91.0)


def test_swapped_channels_are_said(pieces: dict[Any, np.ndarray]) -> None:
    found = _analysed(np.concatenate([pieces[LEFT], pieces[RIGHT]])[:, ::-1], "left 1000; right 1000")
    assert any("channels are swapped: left plays on channel 2" in line for line in found.warnings)
    assert all(channel.values["separation_db"] > 38.0 for channel in found.channels)


def test_low_and_treble_of_little_modulation_are_heard(pieces: dict[Any, np.ndarray]) -> None:
    """15 kHz at 20 % behind 75 µs: 14 dB and 16.2 dB (reference/eq_fm_deemphasis.csv) below 1 kHz at 100 %."""
    turn = 2.0 * np.pi * 15_000.0 / RATE_HZ * np.arange(round(1.5 * RATE_HZ))
    quiet = np.sqrt(2.0) * FULL_V * 0.2 * _fall(15_000.0) * np.sin(turn)
    found = _analysed(np.concatenate([pieces[MONO], np.stack([quiet, quiet], axis=1)]), "mono 1000; mono 15000 20%")
    assert not any("missing" in line for line in found.warnings)


def test_mono_is_said_and_is_no_separation(pieces: dict[Any, np.ndarray]) -> None:
    both = np.repeat(np.mean(pieces[LEFT], axis=1, keepdims=True), 2, axis=1)
    found = _analysed(np.concatenate([pieces[MONO], both]), "mono 1000; left 1000")
    assert any("mono switch" in line and "does not lock" in line for line in found.warnings)
    assert found.channels[0].values["separation_db"] == pytest.approx(0.0, abs=0.1)
    # What was sent in stereo was heard in mono: no figure of stereo may hold a limit.
    for key in ("thd_stereo_percent", "snr_stereo_db", "pilot_residue_db"):
        assert found.channels[0].values[key] is None


def test_another_order_of_deviation_is_said(pieces: dict[Any, np.ndarray]) -> None:
    found = _analysed(np.concatenate([pieces[LOW], pieces[MONO]]), "mono 1000; mono 1000 30%")
    # Twice 20·lg(1/0.3) = 20.9 dB.
    assert any("+20.9 dB" in line and "in this order" in line for line in found.warnings)


def test_another_tone_and_missing_states_are_said(pieces: dict[Any, np.ndarray]) -> None:
    with pytest.raises(SignalError, match=r"no tone of the states was heard \(1000 Hz on both at 0.2 s\)"):
        _analysed(pieces[MONO], "mono 400")
    called = dataclasses.replace(_recording(pieces[MONO]), sample_rate_hz=RATE_HZ * 48.0 / 44.1)
    with pytest.raises(SignalError, match=r"consistent with a file of 44.1 kHz that is called 48 kHz"):
        MEASUREMENT.analyse(called, complete(MEASUREMENT, {"states": "mono 1000"}))
    found = _analysed(np.concatenate([pieces[MONO], pieces["mono", 3150.0, 30.0]]), "mono 1000; left 1000")
    assert any(line.startswith("states are missing: left 1000 Hz") for line in found.warnings)
    assert any("belong to no state are left out: 3150 Hz on both at 1.8 s" in line for line in found.warnings)
    assert found.channels[0].values["thd_stereo_percent"] is None


def test_a_clipped_capture_gives_no_number(pieces: dict[Any, np.ndarray]) -> None:
    clipped = np.clip(6.0 * pieces[MONO], -2.0 * math.sqrt(2.0), 2.0 * math.sqrt(2.0))
    options = complete(MEASUREMENT, {"states": "mono 1000"})
    recording = _recording(clipped)
    counts = tuple(int(n) for n in np.count_nonzero(np.abs(recording.counts_fs) >= 1.0, axis=0))
    found = MEASUREMENT.analyse(
        Recording(
            counts_fs=recording.counts_fs,
            sample_rate_hz=recording.sample_rate_hz,
            channels=(1, 2),
            v_rms_at_full_scale=(2.0, 2.0),
            over_range=counts,
        ),
        options,
    )
    assert all(channel.values["level_v_rms"] is None for channel in found.channels)
    assert any("over-range" in line for line in found.warnings)
    MEASUREMENT.tables(found)
    MEASUREMENT.charts(found)


def test_a_lead_that_is_out_is_said(pieces: dict[Any, np.ndarray]) -> None:
    found = _analysed(pieces[MONO] * [1.0, 0.0], "mono 1000")
    assert any("mono plays on channel 1 alone" in line for line in found.warnings)
    assert found.channels[1].values["level_v_rms"] is None


def test_distortion_that_rises_with_modulation_is_named(pieces: dict[Any, np.ndarray]) -> None:
    """½·a₂·A: 3.3 times as much at 100 % as at 30 %; 0.02 makes 0.8 % of second harmonic."""
    found = _analysed(np.concatenate([pieces[MONO], pieces[LOW]]), "mono 1000; mono 1000 30%")
    assert any("3.3 times that at 30 %" in line and "off the detector's centre" in line for line in found.warnings)


def test_an_inverted_channel_is_said(pieces: dict[Any, np.ndarray]) -> None:
    found = _analysed(pieces[MONO] * [1.0, -1.0], "mono 1000")
    assert any("opposite polarity" in line for line in found.warnings)


def test_a_pilot_that_came_on_early_is_not_in_the_noise_of_mono(pieces: dict[Any, np.ndarray]) -> None:
    """Half of the silence is stereo, which has 20 dB more noise: a mean of both would be 17 dB off."""
    silence = [pieces["carrier", 0.0, 0.0], pieces["pilot", 0.0, 0.0]]
    found = _analysed(np.concatenate([pieces[MONO], *silence, pieces[LEFT]]), "mono 1000; carrier; left 1000")
    truth_db = 20.0 * math.log10(_fall(1000.0)) - _noise_db(stereo=False)
    assert found.channels[0].values["snr_mono_db"] == pytest.approx(truth_db, abs=0.4)


def test_another_time_constant_is_named(pieces: dict[Any, np.ndarray]) -> None:
    response = np.concatenate([pieces["mono", hz, 30.0] for hz in RESPONSE_HZ])
    found = _analysed(response, "mono 1000 100 3150 6300 10000 30%", de_emphasis="50")
    assert any("75 µs where 50 µs were entered" in line for line in found.warnings)


def test_one_channel_is_refused(pieces: dict[Any, np.ndarray]) -> None:
    one = Recording(
        counts_fs=pieces[MONO][:, :1], sample_rate_hz=float(RATE_HZ), channels=(1,), v_rms_at_full_scale=(None,)
    )
    with pytest.raises(SignalError, match="capture both in one file"):
        MEASUREMENT.analyse(one, complete(MEASUREMENT, {}))


# -- states ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sum 1000", "is none: write one of mono, left, right, carrier, pilot"),
        ("mono", "give the tone's frequencies"),
        ("mono 16000", "20 Hz to 15000 Hz"),
        ("mono 1000 200%", "no more than 150 %"),
        ("mono 1.2.3", "1.2.3 is no number"),
        ("mono 1000; carrier 5", "leave the numbers out"),
        ("mono 1000; carrier; pilot", "put a tone between them"),
        ("carrier", "holds no tone"),
        (" ; ", "holds no tone"),
    ],
)
def test_a_list_that_is_none_is_refused(text: str, words: str) -> None:
    with pytest.raises(RequestError, match=words):
        parse_states(text)


def test_a_list_is_read_as_it_is_written() -> None:
    found = parse_states("Mono 1000 Hz; carrier, left 100 1000 30 %\npilot".replace("\n", ";"))
    assert [one.words for one in found] == ["mono 1000 Hz", "carrier", "left 100 Hz 30 %", "left 1000 Hz 30 %", "pilot"]


def test_conventions_say_what_the_generator_is_set_to() -> None:
    """Deviations by each convention's own words; definitions of the trade: 75 over 67.5 kHz are 0.9151 dB."""
    (state,) = parse_states("left 10000")
    found = {
        name: settings([state], {"convention": name, "pilot_percent": 8.0, "pre_emphasis": "none"})[0]
        for name in CONVENTIONS
    }
    assert {name: row["audio_khz"] for name, row in found.items()} == {
        "total": 69.0, "plus-pilot": 75.0, "67.5": 67.5, "40": 40.0, "22.5": 22.5
    }  # fmt: skip
    assert all(row["pilot_khz"] == pytest.approx(6.0) for row in found.values())
    assert 20.0 * math.log10(75.0 / found["67.5"]["audio_khz"]) == pytest.approx(0.9151, abs=1e-4)
    (lifted,) = settings([state], {"convention": "total", "pilot_percent": 8.0, "pre_emphasis": "75"})
    # reference/eq_fm_deemphasis.csv: 13.6561 dB at 10 kHz.
    assert lifted["all_khz"] == pytest.approx(69.0 * 10.0 ** (13.6561 / 20.0) + 6.0, rel=1e-4)


def _tone(at: int, hz: float, alone: int | None) -> Heard:
    from audiomeas.analysis.tone_bands import Band

    return Heard(start=at, stop=at + 5, band=Band(start=at, stop=at + 5, frequency_hz=hz, alone=alone))


def test_a_list_is_laid_over_what_was_heard() -> None:
    states = parse_states("mono 1000; carrier; left 1000; right 1000; mono 100")
    silence, extra = Heard(start=10, stop=15), _tone(25, 700.0, None)
    parts = [_tone(0, 1000.0, None), silence, _tone(20, 1001.0, 0), extra, _tone(40, 100.0, None)]
    found, unused = laid_over(states, parts)
    assert found == [parts[0], silence, parts[2], None, parts[4]]
    assert unused == [extra]


def test_parts_lie_between_the_tones_and_the_pilot_is_none() -> None:
    from audiomeas.analysis.tone_bands import Band

    bands = [
        Band(start=48_000, stop=96_000, frequency_hz=1000.0, alone=None),
        Band(start=110_000, stop=200_000, frequency_hz=19_000.0, alone=None),
        Band(start=240_000, stop=300_000, frequency_hz=1000.0, alone=0),
    ]
    found = parts_of(bands, 320_000, 48_000.0)
    # Half a second beside each tone is left out; the first and the last second are too short.
    assert [(part.start, part.stop, part.band is None) for part in found] == [
        (48_000, 96_000, False), (120_000, 216_000, True), (240_000, 300_000, False)
    ]  # fmt: skip


@pytest.mark.wide
def test_all_rows_of_the_model_table_both_ways() -> None:
    """To reach: 0.1 dB. The table's largest rows are 82 and 70 dB; the decoder's own filters are 100 dB down."""
    for row in rows("fm_stereo_separation_model.csv"):
        gain, phase_deg, truth_db = (float(value) for value in row.values())
        programme = tuple(
            GeneratorState(kind=kind, frequency_hz=hz, percent=91.0, length_s=1.5)
            for kind in ("left", "right")
            for hz in (1000.0, 6300.0)
        )
        model = TunerModel(programme=programme, difference_gain=gain, subcarrier_phase_deg=phase_deg)
        found = _analysed(_captured(model), "left 1000 6300; right 1000 6300")
        for channel in found.channels:
            told = [one["separation_db"] for one in channel.values["states"] if one["separation_db"] is not None]
            assert len(told) == 2
            assert told == pytest.approx([truth_db] * 2, abs=0.1)
