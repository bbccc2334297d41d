"""Compensation of a response by a loopback: complex division against closed forms, and what is refused."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from sweep_chains import chain, through
from test_measurement_response import AMPLIFIER, played, recording_of

from audiomeas.errors import FileProblem, RequestError, SignalError
from audiomeas.measurement.api import analyze
from audiomeas.measurement.attached import Attached
from audiomeas.measurement.options import complete
from audiomeas.measurement.registry import find
from audiomeas.recording import Provenance, write_capture

STIMULUS = played(channels=(1,))
#: What a sound card adds: −0.6 dB at 20 Hz, −1.3 dB at 20 kHz, 2 % too much gain, half a millisecond.
CARD = chain(8.0, 34_000.0, gain=1.02)
CARD_DELAY_S = 0.000_5


def captured(of_unit):
    """Return the capture of a unit through the card; 1 for the loopback."""
    return through(STIMULUS, lambda hz: CARD(hz) * of_unit(hz), delay_s=CARD_DELAY_S)


def loopback_of(recording):
    return Attached(name="loop.flac", sha256="0" * 64, recording=recording)


def analysed(recording, loopback=None):
    """Analyse as the edge does, where the option's file was read already."""
    response = find("response")
    return response.analyse(recording, {**complete(response, {}), "loopback": loopback})


@pytest.fixture(scope="module")
def unit():
    return recording_of(STIMULUS, captured(AMPLIFIER))


@pytest.fixture(scope="module")
def loop():
    return recording_of(STIMULUS, captured(np.ones_like))


@pytest.fixture(scope="module")
def result(unit, loop):
    return analysed(unit, loopback=loopback_of(loop))


def test_the_card_is_taken_out_of_gain_phase_and_delay(result):
    one = result.channel(1).values
    frequency_hz = np.array(one["frequency_hz"])
    there = frequency_hz >= 20.0
    truth = AMPLIFIER(frequency_hz)
    error_db = np.array(one["gain_db"]) - 20.0 * np.log10(np.abs(truth))
    # Issue 4: 0.003 dB and 0.05 degrees; here the method leaves its 0.001 dB twice.
    assert np.max(np.abs(error_db[there])) < 0.003
    total = np.radians(one["phase_deg"]) - 2.0 * np.pi * frequency_hz * one["delay_s"]
    assert np.max(np.abs(np.degrees(np.angle(np.exp(1j * total) / truth)))[there]) < 0.05
    assert one["corner_low_hz"] == pytest.approx(30.0, rel=0.01)


def test_it_is_said_with_its_size(result):
    said = result.conditions["loopback"]
    # At the low end of the curve: 10·lg(1 + (8/17)²) = 0.87 dB less 0.17 dB of the gain of 1.02; at 20.2 kHz
    # 10·lg(1 + (20.2/34)²) = 1.31 dB less 0.17 dB: that is the larger.
    assert said["largest_correction_db"] == pytest.approx(-1.14, abs=0.02)
    assert said["at_hz"] > 20_000.0
    assert (said["file"], said["sha256"]) == ("loop.flac", "0" * 64)
    assert said["level"] == "taken out as well"
    assert "divided by those of the loopback" in result.conditions["compensation"]


def test_uncertainty_grows_by_that_of_the_loopback(unit, loop):
    rng = np.random.default_rng(3)
    noisy = dataclasses.replace(loop, counts_fs=loop.counts_fs + 1e-6 * rng.standard_normal(loop.counts_fs.shape))
    key = "gain_shape_uncertainty_db"
    own, alone, both = (
        np.array(one.channel(1).values[key])
        for one in (analysed(unit), analysed(noisy), analysed(unit, loopback=loopback_of(noisy)))
    )
    # JCGM 100: independent parts add as squares. The lists are rounded to 1e-6 dB.
    assert both == pytest.approx(np.hypot(own, alone), rel=1e-3, abs=3e-6)
    assert np.all(both >= own - 1e-6) and np.median(both / own) > 1.5


def test_without_volts_the_loopback_counts_as_one_at_the_reference(unit, loop):
    found = analysed(dataclasses.replace(unit, stimulus_in_volts=False), loopback=loopback_of(loop))
    assert found.conditions["loopback"]["level"] == "1 at 1000 Hz"
    one = found.channel(1).values
    truth_db = 20.0 * np.log10(np.abs(AMPLIFIER(np.array(one["frequency_hz"]))))
    relative_db = truth_db - 20.0 * math.log10(abs(AMPLIFIER(np.array([1000.0]))[0]))
    there = np.array(one["frequency_hz"]) >= 20.0
    assert np.max(np.abs(np.array(one["gain_db"]) - relative_db)[there]) < 0.003


@pytest.mark.wide
def test_an_inverted_loopback_turns_the_polarity_back(unit, loop):
    turned = dataclasses.replace(loop, counts_fs=-loop.counts_fs)
    assert analysed(unit, loopback=loopback_of(turned)).channel(1).values["polarity"] == -1
    both = dataclasses.replace(unit, counts_fs=-unit.counts_fs)
    assert analysed(both, loopback=loopback_of(turned)).channel(1).values["polarity"] == 1


def _capture(stimulus, response=CARD, **changes):
    return recording_of(stimulus, through(stimulus, response), **changes)


def _over_three(_):
    return _capture(STIMULUS, chain(25.0, 34_000.0, gain=1.0))


def _another_sweep(_):
    return _capture(played(channels=(1,), duration_s=3.0))


def _another_rate(_):
    return _capture(played(channels=(1,), rate_hz=44_100.0))


def _another_range(loop):
    return dataclasses.replace(loop, conditions={"range": {"1": "20 V"}})


def _another_channel(loop):
    return dataclasses.replace(loop, channels=(2,))


def _simulated(loop):
    return dataclasses.replace(loop, provenance=Provenance(simulated=True))


def _over_range(loop):
    return dataclasses.replace(loop, over_range=(3,))


def _damaged(loop):
    counts_fs = np.delete(loop.counts_fs, slice(60_000, 60_010), axis=0)
    return dataclasses.replace(loop, counts_fs=counts_fs)


def _silent(loop):
    return dataclasses.replace(loop, counts_fs=np.zeros_like(loop.counts_fs))


def _foreign(loop):
    return dataclasses.replace(loop, shared_clock=False, stimulus_start=None)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        # 25 Hz falls 10·lg(1 + (25/17)²) = 5 dB at 17 Hz.
        (_over_three, r"the loopback is off by -[45]\.\d\d dB near 1[78](\.\d+)? Hz, more than 3 dB"),
        (_another_sweep, "loop.flac is of another sweep"),
        (_another_rate, "loop.flac has 44100 Hz sample rate, the capture 48000 Hz"),
        (_another_range, "captured at the range '20 V', the unit at '200 V'"),
        (_another_channel, "holds no channel 1"),
        (_simulated, "not both of a real bench"),
        (_over_range, "over-range in 3 frames"),
        (_damaged, "loop.flac"),
        (_silent, "loop.flac.*silent"),
        (_foreign, "not known to be on one clock"),
    ],
)
def test_a_loopback_that_does_not_fit_is_refused(unit, loop, make, words):
    ranged = dataclasses.replace(unit, conditions={"range": {"1": "200 V"}})
    with pytest.raises(SignalError, match=words):
        analysed(ranged, loopback=loopback_of(make(loop)))


def test_from_files(tmp_path, unit, loop):
    """The same through files, as `analyze --loopback` reads them: 24 bit, so 0.003 dB holds as well."""
    for name, recording in (("unit.wav", unit), ("loop.wav", loop)):
        codes = np.round(recording.counts_fs * (2**23 - 1)).astype(np.int32) * 256
        write_capture(tmp_path / name, codes, "int24", recording)
    found = analyze("response", tmp_path / "unit.wav", loopback=str(tmp_path / "loop.wav"))
    one = found.channel(1).values
    frequency_hz = np.array(one["frequency_hz"])
    error_db = np.array(one["gain_db"]) - 20.0 * np.log10(np.abs(AMPLIFIER(frequency_hz)))
    assert np.max(np.abs(error_db[frequency_hz >= 20.0])) < 0.003
    assert found.conditions["loopback"]["file"] == "loop.wav" and len(found.conditions["loopback"]["sha256"]) == 64
    with pytest.raises(FileProblem, match=r"missing\.wav"):
        analyze("response", tmp_path / "unit.wav", loopback=str(tmp_path / "missing.wav"))
    with pytest.raises(RequestError, match="loopback must be a text"):
        analyze("response", tmp_path / "unit.wav", loopback=3)
