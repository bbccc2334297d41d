"""Captures of a tape's side in closed form: what a deck with known faults would play. Nothing here is of the analysis.

With θ the place on the tape in seconds of its own time, at the capture's time t, for a speed error e, a drift d and
wow of the rates r and peaks p:   θ(t) = (1 + e)·(u + d·u²/2 + Σ p·(1 − cos 2πru)/(2πr)),  u = t − t₀.
The second track is read later by τ(t) = τ₀ + τ_w·sin(2πr_w·t). A tone of the peak A is A·G(f)·sin(2πfθ), and in steps
of level x − a·x³ (a cubic: third harmonic a·A²/4/(1 − 3a·A²/4) of the fundamental).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from audiomeas.measurement.tape_media import TapePart, TapeSide
from audiomeas.recording import Recording

#: The marker's law, once more (`stimulus.marker` has it): from, to, how long, and its ends.
CHIRP_HZ, CHIRP_S, CHIRP_RAMP_S = (300.0, 6000.0), 0.06, 0.005
#: Peak of a tone at the tape's reference level in the capture.
REFERENCE_PEAK = 0.2


@dataclass(frozen=True, kw_only=True)
class Deck:
    """What is known of the deck. gain : frequency in Hz → factor, of both tracks; None: 1.   leak : of each track into
    the other.

    late_s, wander_s, wander_hz : τ₀, τ_w, r_w.   cubic : a, in units of the reference's peak.   erased : factor, None:
    not erased.   noise : r.m.s. re a full-scale sine.   swapped, mono : of the cables.
    """

    speed: float = 0.0
    drift_per_s: float = 0.0
    wow: tuple[tuple[float, float], ...] = ()
    late_s: float = 0.0
    wander_s: float = 0.0
    wander_hz: float = 0.3
    gain: Any = None
    right: float = 1.0
    leak: float = 0.0
    cubic: float = 0.0
    erased: float | None = 1e-4
    noise: float = 1e-5
    swapped: bool = False
    mono: bool = False
    starts_s: float = 2.0


def short_side(speed_hz: float = 3150.0) -> TapeSide:
    """Return a side of a minute: all kinds of parts, each as short as can be read."""
    rows: list[tuple[str, float, float | None, float]] = [
        ("level", 315.0, 0.0, 4.0),
        *(("azimuth", hz, -20.0, 3.0) for hz in (1000.0, 3000.0, 6000.0, 10_000.0)),
        ("speed", speed_hz, 0.0, 8.0),
        *(("response", hz, -20.0, 2.0) for hz in (63.0, 315.0, 1000.0, 2000.0, 4000.0, 6300.0, 8000.0, 10_000.0)),
        *(("steps", 315.0, db, 1.6) for db in (-20.0, -10.0, -5.0, 0.0, 2.0, 4.0, 6.0, 8.0)),
        ("separation", 1000.0, 0.0, 4.0),
        *(("tracking", hz, -30.0, 2.0) for hz in (1000.0, 6300.0)),
        ("silence", 315.0, None, 5.0),
        ("erased", 1000.0, 0.0, 14.0),
    ]
    at_s, parts = 0.0, []
    for name, hz, level_db, length_s in rows:
        other_hz = 1260.0 if name == "separation" else None
        parts.append(
            TapePart(
                name=name, frequency_hz=hz, level_db=level_db, from_s=at_s + 0.06, to_s=at_s + length_s - 0.01,
                other_hz=other_hz,
            )
        )  # fmt: skip
        at_s += length_s
    return TapeSide(name="short.wav", parts=tuple(parts), marks_s=(-0.16, at_s + 0.1))


def without(side: TapeSide, *names: str) -> TapeSide:
    """Return a side that ends before its last parts of these names."""
    parts = tuple(part for part in side.parts if part.name not in names)
    ends_s = parts[-1].to_s + 0.01
    return replace(side, parts=parts, marks_s=None if side.marks_s is None else (side.marks_s[0], ends_s + 0.1))


def played(side: TapeSide, deck: Deck, rate_hz: float, *, seed: int = 1) -> Recording:
    """Return a capture of a side, which begins after `starts_s`."""
    ends_s = side.parts[-1].to_s if side.marks_s is None else side.marks_s[1]
    length_s = (ends_s + 0.5) / (1.0 + deck.speed) + deck.starts_s
    time_s = np.arange(round((length_s + 1.0) * rate_hz)) / rate_hz
    later_s = deck.late_s + deck.wander_s * np.sin(2 * np.pi * deck.wander_hz * time_s)
    places = [_place(time_s - late, deck) for late in (0.0, later_s)]
    tracks = [np.zeros(len(time_s)), np.zeros(len(time_s))]
    for column in range(2):
        theta = places[column]
        for part in side.parts:
            _lay(tracks[column], theta, part, column, deck)
        for mark in side.marks_s or ():
            _chirp(tracks[column], theta, mark)
    tracks[1] *= deck.right
    left, right = tracks[0] + deck.leak * tracks[1], tracks[1] + deck.leak * tracks[0]
    if deck.mono:
        left = right = 0.5 * (left + right)
    samples = np.stack([right, left] if deck.swapped else [left, right], axis=1)
    samples += deck.noise * np.sqrt(0.5) * np.random.default_rng(seed).standard_normal(samples.shape)
    return Recording(
        counts_fs=samples, sample_rate_hz=rate_hz, channels=(1, 2), v_rms_at_full_scale=(None, None), over_range=(0, 0)
    )


def _place(time_s: Any, deck: Deck) -> Any:
    u = time_s - deck.starts_s
    moved = u + 0.5 * deck.drift_per_s * u**2
    for rate, peak in deck.wow:
        moved = moved + peak * (1 - np.cos(2 * np.pi * rate * u)) / (2 * np.pi * rate)
    return (1.0 + deck.speed) * moved


def _lay(track: Any, theta: Any, part: TapePart, column: int, deck: Deck) -> None:
    """Add a part to a track, between its ends."""
    if part.level_db is None:
        return
    low, high = np.searchsorted(theta, [part.from_s - 0.06, part.to_s + 0.01])
    here = theta[low:high]
    hz = part.other_hz if column == 1 and part.other_hz is not None else part.frequency_hz
    x = 10 ** (part.level_db / 20) * np.sin(2 * np.pi * hz * here)
    if part.name in ("steps", "level"):
        x = x - deck.cubic * x**3
    if part.name == "erased" and deck.erased is not None:
        middle, length = 0.5 * (part.from_s + part.to_s), part.to_s - part.from_s
        x = np.where(np.abs(here - middle) < 0.25 * length, deck.erased * x, x)
    track[low:high] += REFERENCE_PEAK * (1.0 if deck.gain is None else float(deck.gain(hz))) * x


def _chirp(track: Any, theta: Any, mark_s: float) -> None:
    low, high = np.searchsorted(theta, [mark_s, mark_s + CHIRP_S])
    since = theta[low:high] - mark_s
    growth = CHIRP_S / np.log(CHIRP_HZ[1] / CHIRP_HZ[0])
    edge = np.minimum(since, CHIRP_S - since)
    ramp = np.where(edge < CHIRP_RAMP_S, 0.5 - 0.5 * np.cos(np.pi * edge / CHIRP_RAMP_S), 1.0)
    track[low:high] += 0.1 * REFERENCE_PEAK * ramp * np.sin(2 * np.pi * CHIRP_HZ[0] * growth * np.expm1(since / growth))


def mono(recording: Recording) -> Recording:
    """Return the first channel alone."""
    return replace(
        recording,
        counts_fs=recording.counts_fs[:, :1].copy(),
        channels=(1,),
        v_rms_at_full_scale=(None,),
        over_range=(0,),
    )
