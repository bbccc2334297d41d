"""Long captures of a simulated player that plays a test disc, for the tests of `disc`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from audiomeas.recording import Recording
from audiomeas.simulation.player import DiscAudio, Player, PlayerModel

FloatArray = NDArray[np.float64]
#: A full-scale sine of the player, V, and that of the card.
PLAYER_V, CARD_V = 2.0, 2.5


def captured(
    audio: DiscAudio,
    *,
    rate_hz: float,
    noise_v_rms: float = 0.0,
    leakage: tuple[float, float] = (0.0, 0.0),
    right_gain: float = 1.0,
    in_volts: bool = True,
    seed: int = 7,
    **faults: object,
) -> Recording:
    """Return what a card captures of a player. noise_v_rms : white, in 20 kHz.  leakage : into left and into right.

    faults : of `PlayerModel`. The card rounds to 24 bits.
    """
    model = PlayerModel(disc=Path("unused"), v_rms_at_full_scale=PLAYER_V, **faults)  # type: ignore[arg-type]
    player = Player(model, audio, rate_hz)
    played_s = sum(len(codes) for codes in audio.codes) / 44_100 / (1 + 1e-6 * model.speed_ppm)
    frames = round((model.begins_s + played_s + 1.0) * rate_hz)
    left, right = player.volts(frames)
    generator = np.random.default_rng(seed)
    noise = noise_v_rms * np.sqrt(0.5 * rate_hz / 20_000) * generator.standard_normal((2, frames))
    pair = [left + leakage[0] * right + noise[0], right_gain * (right + leakage[1] * left) + noise[1]]
    counts = np.stack(player.through(pair), axis=1) / (CARD_V * np.sqrt(2.0))
    return Recording(
        counts_fs=np.round(counts * 8_388_607) / 8_388_607,
        sample_rate_hz=rate_hz,
        channels=(1, 2),
        v_rms_at_full_scale=(CARD_V, CARD_V) if in_volts else (None, None),
        scale_uncertainty=(0.005, 0.005) if in_volts else (None, None),
        resolution_fs=1 / 8_388_607,
    )
