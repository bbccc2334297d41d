"""Response of what plays by itself. Truth: scipy's response of the filter that the tones and sweeps went through."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from captures_in_volts import in_volts
from click.testing import CliRunner
from numpy.typing import NDArray
from played_tones import PlayedTone, played
from reference_tables import rows
from scipy.signal import freqz, iirpeak, lfilter

from audiomeas.cli.main import audiomeas as command
from audiomeas.errors import RequestError, SignalError
from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import ChannelResult, Result
from audiomeas.present.tables import render_table
from audiomeas.recording import Recording

PLAYED = registry.find("played-response")
RATE_HZ = 13_000
TONES_HZ = (63.0, 315.0, 1000.0, 2000.0, 4000.0)
BAND = {"high_hz": 5_000.0}


def needle() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a filter: flat, with a hump of 2.9 dB at 3.5 kHz."""
    numerator, denominator = iirpeak(3_500.0, 2.0, fs=RATE_HZ)
    return np.asarray(np.polyadd(denominator, 0.4 * numerator), dtype=np.float64), denominator


def hump_db(frequency_hz: Any) -> Any:
    """Return its response re 1 kHz."""
    _, gain = freqz(*needle(), worN=np.append(np.atleast_1d(frequency_hz), 1000.0), fs=RATE_HZ)
    return 20.0 * np.log10(np.abs(gain[:-1] / gain[-1]))


def sweep(seconds: float = 12.0, low_hz: float = 40.0, high_hz: float = 5_500.0) -> NDArray[np.float64]:
    """Return (frames, 2) through the filter: silence, a logarithmic sweep, silence; right 6 dB down, with noise."""
    time_s, octaves = np.arange(round(seconds * RATE_HZ)) / RATE_HZ, np.log(high_hz / low_hz)
    wave = 0.1 * np.sin(2.0 * np.pi * low_hz * seconds / octaves * np.expm1(octaves * time_s / seconds))
    swept = lfilter(*needle(), np.concatenate([np.zeros(RATE_HZ), wave, np.zeros(RATE_HZ)]))
    return np.asarray(np.stack([swept, 0.5 * swept], axis=1) + noise(len(swept)))


def noise(frames: int) -> NDArray[np.float64]:
    return np.asarray(1e-4 * np.random.default_rng(1).standard_normal((frames, 2)))


@cache
def spots(tones_hz: tuple[float, ...] = TONES_HZ) -> NDArray[np.float64]:
    tones = [
        PlayedTone(frequency_hz=hz, begin_s=0.3 + 1.7 * n, length_s=1.4, gains=(1.0, 0.5))
        for n, hz in enumerate(tones_hz)
    ]
    volts = played(tones, RATE_HZ, 1.7 * len(tones) + 0.5)
    return np.asarray(lfilter(*needle(), volts, axis=0) + noise(len(volts)))


def recording(volts: NDArray[np.float64], **others: Any) -> Recording:
    return in_volts(volts, RATE_HZ, **others)


def analysed(volts: NDArray[np.float64], **options: Any) -> Result:
    return PLAYED.analyse(recording(volts), complete(PLAYED, {**BAND, **options}))


def curve(result: Result, channel: int = 1) -> dict[float, float]:
    return {row["frequency_hz"]: row["response_db"] for row in result.channel(channel).values["points"]}


@pytest.fixture(scope="module")
def by_spots() -> Result:
    return analysed(spots(), bands_hz=TONES_HZ)


@pytest.fixture(scope="module")
def by_sweep() -> Result:
    return analysed(sweep())


def test_spots_tell_the_response_of_both_channels(by_spots: Result) -> None:
    assert not by_spots.warnings and by_spots.conditions["told_by"] == "bands of tones"
    for channel in by_spots.channels:
        for hz, row in zip(TONES_HZ, channel.values["points"], strict=True):
            # Wow of 0.2 % moves a tone on the flank of the hump by 0.02 dB.
            assert row["response_db"] == pytest.approx(float(hump_db(hz)[0]), abs=0.03)
        assert channel.values["deviation_low_db"] == pytest.approx(min(hump_db(TONES_HZ)), abs=0.03)
    assert by_spots.channel(2).values["level_v_rms"] == pytest.approx(0.05 * 1.0, rel=0.05)


def test_a_sweep_of_no_known_law_tells_it_too(by_sweep: Result) -> None:
    assert not by_sweep.warnings and by_sweep.conditions["told_by"] == "a sweep"
    for channel in (1, 2):
        found = curve(by_sweep, channel)
        assert min(found) < 60.0 and max(found) > 4_500.0 and len(found) > 60
        hz = np.array(list(found))
        # A twelfth of an octave is averaged, on a hump whose slope is 5 dB an octave at most: 0.1 dB over its width.
        assert np.array(list(found.values())) == pytest.approx(hump_db(hz), abs=0.15)
    values = by_sweep.channel(1).values
    assert values["deviation_high_db"] == pytest.approx(float(hump_db(3500.0)[0]), abs=0.15)
    assert values["deviation_high_at_hz"] == pytest.approx(3500.0, rel=0.06)


def test_the_way_of_the_sweep_and_a_late_start_change_nothing(by_sweep: Result) -> None:
    volts = sweep()
    down = analysed(sweep(low_hz=5_500.0, high_hz=40.0))
    late = analysed(volts[4 * RATE_HZ :])
    for other in (down, late):
        found = curve(other)
        hz = np.array(list(found))
        assert np.array(list(found.values())) == pytest.approx(hump_db(hz), abs=0.15)
    assert min(curve(late)) > 150.0


def test_the_stage_and_the_cut_are_divided_out(by_spots: Result) -> None:
    """tests/reference/eq_riaa.csv is what a band of constant velocity has behind an ideal stage; a stage that is 1 dB
    low at 4 kHz makes the cartridge 1 dB higher there."""
    riaa = {float(row["frequency_hz"]): float(row["riaa_db"]) for row in rows("eq_riaa.csv")}
    plain = curve(by_spots)
    constant = analysed(spots(), recorded="constant")
    for (hz, value), own in zip(plain.items(), curve(constant).values(), strict=True):
        nominal = min(riaa, key=lambda one: abs(one - hz))
        assert own == pytest.approx(value - riaa[nominal], abs=0.03)
    stage = _stage((20.0, 20_000.0), -1.0)
    found = PLAYED.analyse(recording(spots()), {**complete(PLAYED, BAND), "stage_from": stage})
    error_db = dict(zip(plain, (row["response_db"] for row in found.channel(1).values["points"]), strict=True))
    last = max(plain)
    assert error_db[last] == pytest.approx(plain[last] + 1.0, abs=0.03)


def _stage(ends_hz: tuple[float, float], at_4_khz_db: float) -> Any:
    """Return an attached response: RIAA's table between the ends, and an error from 3 kHz on."""
    table = [(float(row["frequency_hz"]), float(row["riaa_db"])) for row in rows("eq_riaa.csv")]
    inside = [(hz, db + (at_4_khz_db if hz > 3_000.0 else 0.0)) for hz, db in table if ends_hz[0] <= hz <= ends_hz[-1]]
    channels = tuple(
        ChannelResult(
            channel=number,
            values={
                "frequency_hz": [hz for hz, _ in inside],
                "gain_db": [40.0 + db for _, db in inside],
                "gain_shape_uncertainty_db": [0.05] * len(inside),
            },
        )
        for number in (1, 2)
    )
    result = Result(measurement="response", sample_rate_hz=96_000.0, conditions={}, channels=channels)
    return SimpleNamespace(name="stage.json", sha256="", result=result)


def test_levels_that_the_record_states_are_taken_off(by_spots: Result) -> None:
    plain = curve(by_spots)
    lowered = curve(analysed(spots(), bands_hz=TONES_HZ, levels_db=(0.0, 0.0, -10.0, -20.0, -20.0)))
    for (hz, value), own in zip(plain.items(), lowered.values(), strict=True):
        expected = {True: -10.0, False: 10.0}[hz < 900.0] if not 900.0 < hz < 1100.0 else 0.0
        assert own - value == pytest.approx(expected, abs=1e-9)
    with pytest.raises(RequestError, match="levels_db needs bands_hz"):
        analysed(spots(), levels_db=(0.0,))


def test_bands_of_two_kinds_are_not_mixed() -> None:
    """1 and 4 kHz in each channel alone, 315 Hz in both, twice as loud and with what leaks: that one is left out."""
    sides = (
        (1000.0, (1.0, 0.1)),
        (1000.0, (0.1, 1.0)),
        (4000.0, (1.0, 0.1)),
        (4000.0, (0.1, 1.0)),
        (315.0, (2.2, 2.2)),
    )
    tones = [
        PlayedTone(frequency_hz=hz, begin_s=0.3 + 1.7 * n, length_s=1.4, gains=gains)
        for n, (hz, gains) in enumerate(sides)
    ]
    found = analysed(np.asarray(played(tones, RATE_HZ, 9.0) + noise(9 * RATE_HZ)))
    for channel in found.channels:
        assert [row["response_db"] for row in channel.values["points"]] == pytest.approx([0.0, 0.0], abs=0.01)
    assert sum("left out (315 Hz)" in line for line in found.warnings) == 2


def test_what_is_wrong_is_said() -> None:
    some = analysed(spots((315.0, 4000.0)), bands_hz=(315.0, 1000.0, 4000.0))
    assert "nothing was played near 1000 Hz" in some.warnings[0] and "bands are missing: 1000 Hz" in some.warnings[1]
    assert some.channel(1).values["points"][0]["response_db"] is None
    with pytest.raises(SignalError, match="neither a sweep nor steady tones"):
        analysed(noise(6 * RATE_HZ))
    one_sided = analysed(spots() * [1.0, 0.0])
    assert "channel 2 plays in no band" in one_sided.warnings[0]
    over = PLAYED.analyse(recording(spots(), over_range=(2, 0)), complete(PLAYED, BAND))
    assert over.channel(1).values["points"] == [] and "over-range" in over.warnings[0]
    short = _stage((200.0, 3_000.0), 0.0)
    found = PLAYED.analyse(recording(spots()), {**complete(PLAYED, BAND), "stage_from": short})
    first, *_, last = found.channel(1).values["points"]
    assert first["response_db"] is None and "stage_from" in last["note"]
    no_response = SimpleNamespace(
        name="tone.json",
        result=Result(
            measurement="distortion", sample_rate_hz=1.0, conditions={}, channels=(ChannelResult(channel=1, values={}),)
        ),
    )
    with pytest.raises(RequestError, match="holds no response"):
        PLAYED.analyse(recording(spots()), {**complete(PLAYED, BAND), "stage_from": no_response})


def test_a_file_its_tables_and_its_chart(by_sweep: Result, tmp_path: Path) -> None:
    path = tmp_path / "spots.wav"
    soundfile.write(path, spots(), RATE_HZ, subtype="PCM_24")
    done = CliRunner().invoke(command, ["analyze", "played-response", str(path), "--json", "--high-hz", "5000"])
    assert done.exit_code == 0, done.output
    assert len(json.loads(done.stdout)["channels"][1]["points"]) == len(TONES_HZ)
    text = "\n".join(render_table(table) for table in PLAYED.tables(by_sweep))
    assert "By frequency, channel 2" in text and "an ideal stage (riaa) divided out" in text.replace("\n", " ")
    (chart,) = PLAYED.charts(by_sweep)
    assert chart.curve_key == "response_db" and len(chart.series) == 2
