"""`tape` on a side that a simulated deck recorded itself: bias and noise reduction. Truth: the deck's physical parts.

What the parts do is worked out here once more from the closed forms that `simulation.deck` and `simulation.compander`
state; the rules are common practice (trade notes 2.8, and 4, row 27).
"""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import tape_captures
from scipy.io import wavfile

from audiomeas.errors import RequestError
from audiomeas.measurement.attached import AttachedResult
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result, result_from_json
from audiomeas.measurement.tape import MEASUREMENT
from audiomeas.measurement.tape_channel import TapeChannel
from audiomeas.measurement.tape_media import TapePart, TapeSide
from audiomeas.measurement.tape_reduction import tell_noise_reduction
from audiomeas.measurement.tape_words import words_of
from audiomeas.recording import Recording
from audiomeas.simulation.deck import DeckModel
from audiomeas.simulation.deck_path import Deck

RATE_HZ = 22_050
CARD_V_PEAK = 2.0


def side_of(*rows: tuple[str, float, float | None, float]) -> TapeSide:
    """Return a side between two marks. rows : name, tone in Hz, level in dB, length in s."""
    at_s, parts = 0.0, []
    for name, hz, level_db, length_s in rows:
        ends = {"from_s": at_s + 0.06, "to_s": at_s + length_s - 0.01}
        parts.append(TapePart(name=name, frequency_hz=hz, level_db=level_db, **ends))
        at_s += length_s
    return TapeSide(name="few.wav", parts=tuple(parts), marks_s=(-0.16, at_s + 0.1))


def recorded_by(model: DeckModel, side: TapeSide, folder: Path) -> Recording:
    """Return what a deck plays of a side that it was sent before."""
    sent = tape_captures.played(side, tape_captures.Deck(noise=0.0, starts_s=0.3), RATE_HZ).counts_fs
    wavfile.write(folder / side.name, RATE_HZ, sent.astype(np.float32))
    one = dataclasses.replace(model, tape=folder / side.name, tape_reference_fs=tape_captures.REFERENCE_PEAK)
    nothing = np.zeros(len(sent) + RATE_HZ)
    volts = np.stack(Deck(one, RATE_HZ, np.random.SeedSequence(1)).volts([nothing, nothing]), axis=1)
    return Recording(
        counts_fs=volts / CARD_V_PEAK,
        sample_rate_hz=float(RATE_HZ),
        channels=(1, 2),
        v_rms_at_full_scale=(None, None),
        over_range=(0, 0),
    )


def analysed(recording: Recording, side: TapeSide, without: Result | None = None) -> Result:
    attached = None
    if without is not None:
        attached = AttachedResult(name="off.json", sha256="", result=result_from_json(without.as_json()))
    return MEASUREMENT.analyse(recording, complete(MEASUREMENT, {}) | {"side": side, "without_nr": attached})


@pytest.mark.parametrize(("bias_db", "words"), [(-2.0, "too little bias"), (1.5, "too much bias")])
def test_bias_is_told_by_what_it_does_to_treble_and_third_harmonic(tmp_path: Path, bias_db: float, words: str) -> None:
    side = side_of(("level", 315.0, 0.0, 2.0), *(("response", hz, -20.0, 1.0) for hz in (315.0, 1000.0, 10_000.0)))
    model = DeckModel(third_harmonic_percent=0.8, hiss_db=-56.0, bias_error_db=bias_db)
    told = analysed(recorded_by(model, side, tmp_path), side)
    # 2 dB at 10 kHz for each dB of bias, straight over frequency; a third harmonic of 1.5 times less.
    lost_db_per_hz = 2.0 * bias_db / 10_000.0
    for channel in told.channels:
        # The tape's hiss moves a second of a tone 36 dB above it by hundredths of a dB.
        assert channel.values["treble_db"] == pytest.approx(-lost_db_per_hz * 9000.0, abs=0.1)
        third_percent = 0.8 * 1.5**-bias_db * 10 ** (-lost_db_per_hz * 630.0 / 20.0)
        assert channel.values["h3_percent"] == pytest.approx(third_percent, rel=0.02)
        assert any(f"channel {channel.channel}: " in line and words in line for line in told.warnings)
    assert "too much bias, count as distance" in told.conditions["losses"]


REDUCED = side_of(
    ("level", 315.0, 0.0, 2.0), ("tracking", 1000.0, -30.0, 2.0), ("tracking", 6300.0, -30.0, 1.0),
    ("response", 6300.0, -20.0, 1.0), ("silence", 315.0, None, 3.0),
)  # fmt: skip


MOST_DB, LESS_DB = 30.0, -2.5
Both = tuple[Recording, Recording, Result, Result]


@pytest.fixture(scope="module")
def with_and_without(tmp_path_factory: pytest.TempPathFactory) -> Both:
    """Return captures with noise reduction and without, and their results; the tape of the first gives less than the
    deck is set for.
    """
    folder, without = tmp_path_factory.mktemp("reduced"), DeckModel(hiss_db=-56.0)
    reduced = dataclasses.replace(without, noise_reduction_db=MOST_DB, sensitivity_error_db=LESS_DB)
    on, off = recorded_by(reduced, REDUCED, folder), recorded_by(without, REDUCED, folder)
    alone = analysed(off, REDUCED)
    return on, off, analysed(on, REDUCED, alone), alone


def calibrated(recording: Recording, full_scale_v_rms: float) -> Recording:
    return dataclasses.replace(recording, v_rms_at_full_scale=(full_scale_v_rms,) * 2)


def test_noise_reduction_doubles_what_the_tape_loses(with_and_without: Both) -> None:
    told = with_and_without[2]
    assert told.conditions["without_nr"] == "off.json"
    for channel in told.channels:
        assert [row["recorded_db"] for row in channel.values["noise_reduction"]] == [-30.0, -30.0, -20.0]
        for row in channel.values["noise_reduction"]:
            # Halved in dB, less by what the tape loses, doubled: all above the threshold, which lies at half of MOST_DB
            # here. Hiss 40 dB below a second of a tone moves it by hundredths of a dB.
            played_db = 2.0 * (row["recorded_db"] / 2.0 + LESS_DB)
            assert row["change_db"] == pytest.approx(played_db - row["recorded_db"], abs=0.1)
        # In silence the same hiss is below the threshold.
        assert channel.values["nr_gain_db"] == pytest.approx(MOST_DB, abs=0.05)
        assert channel.uncertainty["nr_gain_db"] > 0.0
        (line,) = [line for line in told.warnings if line.startswith(f"channel {channel.channel}: noise reduction")]
        assert "moves a level by -5." in line


def test_captures_with_and_without_are_held_against_each_other_in_volts(with_and_without: Both) -> None:
    on, off, plain, alone = with_and_without
    # The same samples, called twice the volts: everything 6.02 dB higher, noise too.
    other = analysed(calibrated(on, 2.0), REDUCED, analysed(calibrated(off, 1.0), REDUCED)).channel(1).values
    more_db, values = 20.0 * math.log10(2.0), plain.channel(1).values
    for row, old in zip(other["noise_reduction"], values["noise_reduction"], strict=True):
        assert row["change_db"] == pytest.approx(old["change_db"] + more_db, abs=1e-6)
    assert other["nr_gain_db"] == pytest.approx(values["nr_gain_db"] - more_db, abs=1e-6)
    mixed = analysed(calibrated(on, 2.0), REDUCED, alone)
    assert mixed.channel(1).values["nr_gain_db"] is None and mixed.channel(1).values["noise_reduction"] == []
    assert any("only one of the two captures tells volts" in line for line in mixed.warnings)


@pytest.mark.parametrize(("here", "there", "named"), [(0, 1, "this capture"), (1, 0, "the capture without it")])
def test_a_capture_without_a_tone_says_so_and_nothing_of_volts(here: int, there: int, named: str) -> None:
    spot = {"frequency_hz": 1000.0, "recorded_db": 0.0, "level_dbfs": -10.0, "level_v_rms": 0.3}
    before = SimpleNamespace(channel=1, values={"spots": [spot] * there, "noise_a_dbfs": -60.0})
    about = SimpleNamespace(read=None, without_nr=SimpleNamespace(channels=(before,)))
    one = TapeChannel(about, column=0, channel=1)  # type: ignore[arg-type]
    one.told.values["spots"] = [spot] * here
    tell_noise_reduction(one)
    (words,) = one.words
    assert f"no tone at a known level is heard in {named}: " in words
    assert "nr_gain_db" not in one.told.values


def test_noise_that_stays_and_levels_that_move_are_said() -> None:
    quiet = {
        "azimuth_wander_deg": None, "h2_percent": None, "treble_unsteady_db": None, "side_drift_percent": None,
        "treble_db": 9.0, "h3_percent": 9.0, "nr_tracking_db": 1.9, "nr_gain_db": 8.0,
    }  # fmt: skip
    # Through a noise reduction treble tells no bias: it is multiplied.
    assert words_of(quiet, {}, recorded="here", with_nr=True) == []
    assert len(words_of(quiet, {}, recorded="here")) == 1
    # ±2 dB (trade notes 2.8); the weakest noise reduction lowers noise by 8 to 10 dB.
    for key, value, words in (("nr_tracking_db", -2.1, "moves a level"), ("nr_gain_db", 0.5, "was it on in recording")):
        (line,) = words_of({**quiet, key: value}, {}, recorded="here", with_nr=True)
        assert words in line


def test_what_comes_through_of_the_other_side_is_told_beside_what_the_eraser_leaves(tmp_path: Path) -> None:
    side = side_of(("level", 315.0, 0.0, 2.0), ("response", 1000.0, -20.0, 1.0), ("silence", 315.0, None, 6.0))
    model = DeckModel(hiss_db=-60.0, erased_db=66.0, other_side_db=-57.0)
    take = recorded_by(dataclasses.replace(model, other_side_hz=1250.0), side, tmp_path)
    given = {"side": side, "without_nr": None}
    told = MEASUREMENT.analyse(take, complete(MEASUREMENT, {"former_hz": 1000.0, "other_side_hz": 1250.0}) | given)
    for channel in told.channels:
        # Hiss in the band of the tone lies about as high as it over these 6 s: 0.2 dB (erased: 9 dB lower, 0.6 dB).
        assert channel.values["side_crosstalk_db"] == pytest.approx(-57.0, abs=0.3)
        assert channel.values["erasure_db"] == pytest.approx(66.0, abs=1.0)
    nothing = MEASUREMENT.analyse(take, complete(MEASUREMENT, {"other_side_hz": 2000.0}) | given).channel(1)
    assert nothing.bound["side_crosstalk_db"] == "at most" and nothing.values["side_crosstalk_db"] < -65.0
    with pytest.raises(RequestError, match="are one tone in the silence"):
        MEASUREMENT.analyse(take, complete(MEASUREMENT, {"former_hz": 1000.0, "other_side_hz": 1040.0}) | given)


def test_a_voice_over_the_leader_is_said(tmp_path: Path) -> None:
    side = side_of(("level", 315.0, 0.0, 2.0), *(("response", hz, -20.0, 1.0) for hz in (315.0, 1000.0, 6300.0)))
    take = tape_captures.played(side, tape_captures.Deck(starts_s=4.0, late_s=2e-6), RATE_HZ)
    assert analysed(take, side).warnings == ()
    spoken = take.counts_fs.copy()
    spoken[RATE_HZ : 3 * RATE_HZ] += 0.03 * np.random.default_rng(7).standard_normal((2 * RATE_HZ, 2))
    told = analysed(dataclasses.replace(take, counts_fs=spoken), side)
    assert any("something else sounds for 2 s before the first tone" in line for line in told.warnings)
    assert told.conditions["found_by"] == "marks"
