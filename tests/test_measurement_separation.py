"""Separation of units that play by themselves. Truth: the gains that the closed form of the bands was made with."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from captures_in_volts import in_volts
from click.testing import CliRunner
from numpy.typing import NDArray
from played_tones import PlayedTone, one_side_after_the_other, played

from audiomeas.cli.main import audiomeas as command
from audiomeas.errors import SignalError
from audiomeas.measurement import registry
from audiomeas.measurement.options import complete
from audiomeas.measurement.result import Result
from audiomeas.present.tables import render_table

SEPARATION = registry.find("separation")
RATE_HZ = 44_100
TONES_HZ = (100.0, 1000.0, 10_000.0)
#: Left into right, right into left; the right channel is louder by this.
LEAKS, RIGHT = (0.05, -0.02), 1.1
NOISE_V_RMS, HUM_V = 3e-4, 1e-3


def analysed(volts: NDArray[np.float64], **options: object) -> Result:
    recording = in_volts(volts, RATE_HZ, scale_uncertainty=(0.0,) * volts.shape[1])
    return SEPARATION.analyse(recording, complete(SEPARATION, options))


@pytest.fixture(scope="module")
def record() -> NDArray[np.float64]:
    """Bands with wow of 0.2 % and hum that stands above what leaks."""
    tones, seconds = one_side_after_the_other(TONES_HZ, LEAKS, right_gain=RIGHT, length_s=1.6, pause_s=0.4)
    volts = played(tones, RATE_HZ, seconds, noise_v_rms=NOISE_V_RMS)
    hum = HUM_V * np.sin(2.0 * np.pi * 50.0 * np.arange(len(volts)) / RATE_HZ)
    return np.asarray(volts + hum[:, None])


@pytest.fixture(scope="module")
def result(record: NDArray[np.float64]) -> Result:
    return analysed(record)


def test_separation_both_ways_balance_and_level_are_told_at_each_frequency(result: Result) -> None:
    for channel, leak, level in zip(result.channels, LEAKS, (0.1, 0.11), strict=True):
        rows = channel.values["bands"]
        # Wow moves the mean frequency of so short a band by up to its own peak.
        assert [row["frequency_hz"] for row in rows] == pytest.approx(TONES_HZ, rel=2e-3)
        for row in rows:
            # Twice the stated half-width: of six values one may well lie beyond one of 95 %.
            true_db = -20.0 * np.log10(abs(leak))
            assert row["separation_db"] == pytest.approx(true_db, abs=2.0 * row["uncertainty"]["separation_db"])
            assert row["uncertainty"]["separation_db"] < 0.1
            assert row["level_v_rms"] == pytest.approx(level, rel=1e-3)
    for row in result.channel(2).values["bands"]:
        assert row["balance_db"] == pytest.approx(20.0 * np.log10(RIGHT), abs=0.005)


def test_single_figures_stand_at_the_reference_and_at_the_worst_place(
    record: NDArray[np.float64], result: Result
) -> None:
    assert result.channel(1).values["frequency_hz"] == pytest.approx(1000.0, rel=2e-3)
    assert result.channel(1).values["lowest_separation_db"] == min(
        row["separation_db"] for row in result.channel(1).values["bands"] if row["frequency_hz"] > 250.0
    )
    other = analysed(record, reference_hz=10_000.0)
    assert other.channel(2).values["separation_db"] == result.channel(2).values["bands"][2]["separation_db"]


def test_the_two_ways_that_differ_are_said_and_nothing_else(result: Result) -> None:
    (said,) = result.warnings
    assert "the two ways differ at 100" in said and "8.0 dB" in said


def test_swapped_channels_are_found_by_what_plays_first(record: NDArray[np.float64]) -> None:
    turned = analysed(record[:, ::-1])
    assert turned.warnings[0].startswith("the channels are swapped: channel 2 plays first")
    assert not any("swapped" in line for line in analysed(record[:, ::-1], first="right").warnings)


def test_mono_tells_a_balance_and_no_separation(record: NDArray[np.float64]) -> None:
    mono = analysed(record[:, [0, 0]])
    assert "no band plays in one channel alone" in mono.warnings[0]
    assert [channel.values["separation_db"] for channel in mono.channels] == [None, None]
    assert mono.channel(2).values["balance_db"] == pytest.approx(0.0, abs=1e-9)


def test_a_late_start_leaves_one_way_untold_and_says_so(record: NDArray[np.float64]) -> None:
    """Cut into the band of the right channel at 100 Hz: that of the left one is gone."""
    late = analysed(record[round(3.2 * RATE_HZ) :], bands_hz=(100.0, 1000.0, 6300.0, 10_000.0))
    words = " / ".join(late.warnings)
    assert "no band of channel 1 alone at 100" in words and "started late" in words
    assert "bands are missing: 6300 Hz" in words
    assert late.channel(1).values["bands"][0]["separation_db"] is None


def test_a_capture_of_two_takes_is_said(record: NDArray[np.float64], result: Result) -> None:
    twice = analysed(np.vstack([record, record]))
    assert any(line.startswith("several takes of one band") for line in twice.warnings)
    assert twice.channel(1).values["separation_db"] == pytest.approx(result.channel(1).values["separation_db"])


def test_a_voice_before_the_bands_and_a_wrong_rate_are_said(record: NDArray[np.float64], result: Result) -> None:
    voice = 0.03 * np.random.default_rng(3).standard_normal((2 * RATE_HZ, 2))
    spoken = in_volts(np.vstack([voice, record]), RATE_HZ, scale_uncertainty=(0.0, 0.0))
    told = SEPARATION.analyse(spoken, complete(SEPARATION, {}))
    assert any("something else sounds for 2 s before the first tone" in line for line in told.warnings)
    called = in_volts(record, RATE_HZ * 48.0 / 44.1, scale_uncertainty=(0.0, 0.0))
    (line,) = [line for line in SEPARATION.analyse(called, complete(SEPARATION, {})).warnings if "reference_hz" in line]
    assert "consistent with a file of 44.1 kHz that is called 48 kHz" in line


def test_no_leak_over_the_noise_is_a_bound() -> None:
    tones, seconds = one_side_after_the_other([1000.0], (0.0, 0.0), length_s=1.6)
    found = analysed(played(tones, RATE_HZ, seconds, noise_v_rms=1e-3))
    for channel in found.channels:
        assert channel.bound["separation_db"] == "at least"
        # White noise n on N frames of a tone of peak A leaves a component of n/A·√(2/N), 1.4 times that with a Hann
        # window: 6e-5 here. Its 95 % half-width is −78.5 dB, and a bound lies between one and three of them.
        assert 69.0 <= channel.values["separation_db"] <= 78.6


def test_opposite_polarity_is_found_where_both_play() -> None:
    tones, seconds = one_side_after_the_other([1000.0], (0.01, 0.01), length_s=1.6)
    both = PlayedTone(frequency_hz=400.0, begin_s=seconds, length_s=1.6, gains=(1.0, -1.0))
    found = analysed(played([*tones, both], RATE_HZ, seconds + 2.5, noise_v_rms=NOISE_V_RMS))
    assert any("they have opposite polarity" in line for line in found.warnings)
    assert found.channel(2).values["bands"][0]["polarity"] == "opposite"


def test_what_holds_no_tone_or_one_channel_is_refused(record: NDArray[np.float64]) -> None:
    with pytest.raises(SignalError, match="no steady tone"):
        analysed(1e-3 * np.random.default_rng(1).standard_normal((4 * RATE_HZ, 2)))
    with pytest.raises(SignalError, match="capture both in one file"):
        analysed(record[:, :1])


def test_a_slow_sweep_is_no_band() -> None:
    """100 Hz to 1 kHz in 24 s: 1.9 % from one look to the next, which a tone may stray."""
    time_s = np.arange(24 * RATE_HZ) / RATE_HZ
    octaves = np.log(10.0)
    swept = 0.1 * np.sin(2.0 * np.pi * 100.0 * 24.0 / octaves * np.expm1(octaves * time_s / 24.0))
    with pytest.raises(SignalError, match="no steady tone"):
        analysed(np.stack([swept, 0.01 * swept], axis=1))


def test_a_clipped_channel_tells_nothing(record: NDArray[np.float64], tmp_path: Path) -> None:
    """Read from a file, block by block, as a person does."""
    path = tmp_path / "record.wav"
    soundfile.write(path, np.clip(record * 12.0, -1.0, 1.0), RATE_HZ, subtype="PCM_24")
    done = CliRunner().invoke(command, ["analyze", "separation", str(path), "--json"])
    assert done.exit_code == 0, done.output
    facts = json.loads(done.stdout)
    assert all(channel["separation_db"] is None for channel in facts["channels"])
    assert any("over-range" in line for line in facts["warnings"])


def test_tables_and_charts_tell_bounds_and_frequencies(result: Result) -> None:
    text = "\n".join(render_table(table) for table in SEPARATION.tables(result))
    assert "Separation of each channel, played alone" in text and "By frequency, channel 2" in text
    assert [chart.name for chart in SEPARATION.charts(result)] == ["separation", "balance"]


@pytest.mark.wide
def test_half_widths_hold_95_percent_of_400_captures() -> None:
    """Noise 20 dB above what leaks in the whole band. 400 trials: 95 % ± 2.9 % holds 99 % of counts."""
    tones, seconds = one_side_after_the_other([1000.0], (0.001, 0.001), length_s=1.4)
    clean, held = played(tones, RATE_HZ, seconds, wow=0.0), 0
    generator = np.random.default_rng(7)
    for _ in range(200):
        found = analysed(clean + 1e-3 * generator.standard_normal(clean.shape))
        held += sum(
            abs(channel.values["separation_db"] - 60.0) <= channel.uncertainty["separation_db"]
            for channel in found.channels
        )
    assert 0.92 * 400 < held < 0.98 * 400
