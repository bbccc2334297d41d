"""Tracking against closed forms: a tone whose level falls straight in dB, and a second one that differs by a known law.

Truth here is how the captures are made: levels in dB as functions of time, white noise of a known level, breaks at
known frames.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from audiomeas.analysis.tracking import Tracking, analyze_tracking, difference_at, largest_difference
from audiomeas.errors import SignalError

RATE_HZ = 48_000.0
Array = NDArray[np.float64]


def _course(*points: tuple[float, float], duration_s: float = 10.0) -> Array:
    """Return a level in dB over time, straight between (seconds, dB)."""
    time_s = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    return np.interp(time_s, [at_s for at_s, _ in points], [level_db for _, level_db in points])


def _capture(
    first_db: Array, second_db: Array, *, tone_hz: float = 1000.0, noise_rms: float = 0.0, seed: int = 1
) -> Array:
    """Return two tones of 0.5 and 0.4 r.m.s. at 0 dB with white noise, (frames, 2)."""
    turns = np.remainder(np.arange(len(first_db)) * (tone_hz / RATE_HZ), 1.0)
    tone = np.sqrt(2.0) * np.sin(2.0 * np.pi * turns)
    both = np.stack([0.5 * tone * 10.0 ** (first_db / 20.0), 0.4 * tone * 10.0 ** (second_db / 20.0)], axis=1)
    return np.asarray(both + noise_rms * np.random.default_rng(seed).standard_normal(both.shape), dtype=np.float64)


def _law(level_db: Array) -> Array:
    """Difference of the second channel: 0.3 dB at −20 dB, 1.2 dB at −40 dB, 2.7 dB at −60 dB."""
    return -1.2 * (level_db / 40.0) ** 2


DOWN = _course((1.0, 0.0), (9.0, -64.0))


def _turned(noise_rms: float = 0.0, seed: int = 1, **how: float) -> Tracking:
    return analyze_tracking(
        _capture(DOWN, DOWN + _law(DOWN), noise_rms=noise_rms, seed=seed), RATE_HZ, near_hz=1000.0, exact=True, **how
    )


def test_a_known_law_comes_back() -> None:
    found = _turned()
    # A block sees 8 dB/s for 40 ms under a Hann window (7 ms r.m.s. wide): its mean lies (8 dB/s · 7 ms)²/17 = 0.2 mdB
    # off, alike in both channels. The law is bent: over a step of 1 dB its mean differs by 1.2/40²/12 = 0.06 mdB.
    assert found.difference_db == pytest.approx(_law(found.level_db), abs=0.0005)
    assert found.level_db[0] == pytest.approx(0.0, abs=0.05)
    assert np.all(np.diff(found.level_db) < 0.0)
    assert found.loudest_rms == pytest.approx((0.5, 0.4), rel=1e-4)  # the loudest 0.02 dB are one position
    assert found.lowest_db == pytest.approx((-64.0, -64.0 + _law(np.array(-64.0))), abs=0.02)
    assert found.went_silent == (False, False)
    assert (found.crackles_s, found.jumps_s) == (((), ()), ((), ()))


def test_the_largest_difference_over_a_range() -> None:
    found = _turned()
    for down_to_db in (-40.0, -60.0):
        largest = largest_difference(found, down_to_db)
        assert largest is not None
        # The last point of a range is the mean of 1 dB around its end.
        assert largest.at_db == pytest.approx(down_to_db, abs=0.1)
        assert largest.difference_db == pytest.approx(float(_law(np.array(largest.at_db))), abs=0.0005)
        assert largest.whole
    assert largest_difference(found, -80.0) is None
    told = difference_at(found, -30.0)
    assert told is not None
    assert told[0] == pytest.approx(-1.2 * 0.75**2, abs=0.0005)
    assert difference_at(found, -70.0) is None


def test_the_direction_of_the_turn_and_swapped_channels_change_only_the_sign() -> None:
    capture = _capture(DOWN, DOWN + _law(DOWN))
    upward = analyze_tracking(capture[::-1].copy(), RATE_HZ, near_hz=1000.0, exact=True)
    assert upward.difference_db == pytest.approx(_law(upward.level_db), abs=0.0005)
    swapped = analyze_tracking(capture[:, ::-1].copy(), RATE_HZ, near_hz=1000.0, exact=True)
    # Against the second channel's level x the law is −f(y) with y + f(y) = x: solved here by bisection.
    low, high = swapped.level_db.copy(), np.zeros_like(swapped.level_db)
    low -= 5.0
    for _ in range(60):
        middle = (low + high) / 2.0
        above = middle + _law(middle) > swapped.level_db
        high, low = np.where(above, middle, high), np.where(above, low, middle)
    assert swapped.difference_db == pytest.approx(-_law(middle), abs=0.001)


@pytest.mark.parametrize("seed", range(4))
def test_noise_is_inside_the_stated_uncertainty(seed: int) -> None:
    # 1e-5 r.m.s. in 24 kHz: in a block of 40 ms (37.5 Hz) 4e-7, at −60 dB 0.1 % of the tone.
    found = _turned(1e-5, seed=seed)
    error = np.abs(found.difference_db - _law(found.level_db))
    inside = error < found.uncertainty_db + 0.0005
    assert np.count_nonzero(inside) >= 0.88 * len(error)  # 95 % of 65 points: fewer than 57 of them 1 time in 200
    at_60 = int(np.argmin(np.abs(found.level_db + 60.0)))
    assert 0.002 < found.uncertainty_db[at_60] < 0.02  # 8.7·1.96·√2·8e-4/√(2·3) ≈ 0.006 dB by the formula


def test_below_the_noise_there_are_bounds() -> None:
    # Noise of 1e-3 in 24 kHz is 4e-5 in a block: the second channel's 0.4 is lost near 3·4e-5, at −70 dB; it is made to
    # fall 15 dB faster from −40 dB on.
    second = np.where(DOWN < -40.0, DOWN - 15.0, DOWN)
    found = analyze_tracking(_capture(DOWN, second, noise_rms=1e-3), RATE_HZ, near_hz=1000.0, exact=True)
    lost = np.isfinite(found.bound_db)
    assert np.all(np.isnan(found.difference_db[lost]))
    assert np.any(lost)
    assert np.all(found.level_db[lost] < -50.0)
    assert np.all(found.bound_db[lost] > -15.0)  # the true difference lies below the bound
    assert found.went_silent[1]
    largest = largest_difference(found, -60.0)
    assert largest is not None
    assert not largest.whole


def test_crackle_and_jumps_are_counted_in_their_channel() -> None:
    capture = _capture(DOWN, DOWN, noise_rms=1e-6)
    crackles_s = [2.5, 4.0, 6.5]
    for at_s in crackles_s:
        start = round(at_s * RATE_HZ)
        capture[start : start + round(0.008 * RATE_HZ), 0] *= 0.1  # the wiper loses contact for 8 ms
    capture[round(5.0 * RATE_HZ) :, 1] *= 10.0 ** (-4.0 / 20.0)  # a worn spot: 4 dB at once
    found = analyze_tracking(capture, RATE_HZ, near_hz=1000.0, exact=True)
    assert found.crackles_s[0] == pytest.approx([at_s + 0.004 for at_s in crackles_s], abs=0.01)
    assert found.crackles_s[1] == ()
    assert found.jumps_s[1] == pytest.approx([5.0], abs=0.01)
    assert found.jumps_s[0] == ()
    # What crackles does not pose as a difference: 0 dB before the jump, −4 dB behind it.
    before = found.level_db > -31.0
    assert found.difference_db[before] == pytest.approx(0.0, abs=0.001)
    assert found.difference_db[found.level_db < -33.0] == pytest.approx(-4.0, abs=0.02)


def test_a_stepped_control_and_a_quick_hand_do_not_crackle() -> None:
    stepped = np.floor(DOWN / 2.0) * 2.0  # steps of 2 dB
    found = analyze_tracking(_capture(stepped, stepped - 0.5 * (stepped < -20.0)), RATE_HZ, near_hz=1000.0, exact=True)
    assert found.crackles_s == ((), ())
    assert found.jumps_s == ((), ())  # by less than 3 dB
    told = difference_at(found, -30.0)
    assert told is not None
    assert told[0] == pytest.approx(-0.5, abs=0.01)
    quick = _course((1.0, 0.0), (2.0, -60.0), duration_s=4.0)
    found = analyze_tracking(_capture(quick, quick + _law(quick)), RATE_HZ, near_hz=1000.0, exact=True)
    assert (found.crackles_s, found.jumps_s) == (((), ()), ((), ()))
    told = difference_at(found, -40.0)
    assert told is not None
    assert told[0] == pytest.approx(-1.2, abs=0.01)  # 60 dB/s: two blocks in each dB
    big = np.floor(DOWN / 5.0) * 5.0
    found = analyze_tracking(_capture(big, big), RATE_HZ, near_hz=1000.0, exact=True)
    assert len(found.jumps_s[0]) == 13  # each of its steps: from 0 to −65 dB


def test_another_clock_changes_nothing_but_the_frequency() -> None:
    capture = _capture(DOWN, DOWN + _law(DOWN), tone_hz=1000.0 * (1.0 + 500e-6), noise_rms=1e-6)
    found = analyze_tracking(capture, RATE_HZ, near_hz=1000.0)
    assert found.frequency_hz == pytest.approx(1000.5, abs=0.001)
    assert found.difference_db[:40] == pytest.approx(_law(found.level_db[:40]), abs=0.001)


def test_hum_and_harmonics_and_dc_are_not_heard() -> None:
    capture = _capture(DOWN, DOWN + _law(DOWN))
    time_s = np.arange(len(capture)) / RATE_HZ
    capture += (0.02 * np.sin(2 * np.pi * 50.0 * time_s) + 0.01 * np.sin(2 * np.pi * 150.0 * time_s))[:, None] + 0.01
    capture[:, 0] += 0.05 * capture[:, 0] ** 2
    found = analyze_tracking(capture, RATE_HZ, near_hz=1000.0, exact=True)
    # Hum of 0.02 at 50 Hz lies 38 bins beside: the Hann window has fallen by some 115 dB there.
    assert found.difference_db[:41] == pytest.approx(_law(found.level_db[:41]), abs=0.001)


def _refused(capture: Array, near_hz: float = 1000.0) -> str:
    with pytest.raises(SignalError) as caught:
        analyze_tracking(capture, RATE_HZ, near_hz=near_hz)
    return str(caught.value)


def test_what_can_not_be_told_is_refused() -> None:
    flat = np.zeros(round(10.0 * RATE_HZ))
    noise = 0.1 * np.random.default_rng(2).standard_normal((len(flat), 2))
    capture = _capture(DOWN, DOWN, noise_rms=1e-6)
    assert "was the control turned?" in _refused(_capture(flat, flat, noise_rms=1e-6))
    assert "no tone of" in _refused(noise)
    assert "no tone of" in _refused(np.zeros((len(flat), 2)))
    assert "no tone of" in _refused(capture, near_hz=3000.0)
    assert "the second channel is silent" in _refused(capture * [1.0, 0.0] + 1e-6 * noise)
    assert "the first channel is silent" in _refused(capture * [0.0, 1.0] + 1e-6 * noise)
    assert "turning a control takes longer" in _refused(capture[:48_000])
    lost = np.delete(capture, slice(100_000, 100_000 + 20), axis=0)  # 150 degrees of 1 kHz
    assert "samples were lost or repeated" in _refused(lost)
