"""What the bench adds to a dynamic range: the card's stated noise, a baseline, and the step of the capture's format."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.measurement.steady import of_channel

if TYPE_CHECKING:
    from audiomeas.analysis.tone import PowerGain
    from audiomeas.recording import Recording

#: The band in which a calibration states a card's noise.
_STATED_BAND_HZ = (20.0, 20_000.0)
#: Steps of the sum over frequency: weightings are smooth.
_POINTS = 20_001
STEP = "the step of the samples"
_OWN_STEP = ", or use reference 'capture' where the samples are the unit's own"


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What limits a channel, by its name: mean-square values under each weighting, relative to a full-scale sine.

    largest_share : of the power read; more of it makes a bound (a tenth: 10 dB).   range_words : which way out.
    """

    parts: Mapping[str, Mapping[str, float]]
    range_words: str
    largest_share: float = 0.1

    def share(self, weighting: str, power: float) -> tuple[float | None, str]:
        """Return the largest share that one of the limits has of a power, 0 … 1, and which; None: nothing is known."""
        if not self.parts:
            return None, ""
        by = max(self.parts, key=lambda name: self.parts[name][weighting])
        return min(self.parts[by][weighting] / power, 1.0), by

    def words(self, what: str, share: float | None, by: str) -> str:
        """Return what is said of a bound. what : 'residual' or 'idle'.   share : None: less than rounding gives."""
        where = "the noise beside the tone" if what == "residual" else "the idle noise"
        if share is None:
            return f"{where} is less than the step of the samples shows: a bound; capture with more bits{_OWN_STEP}"
        way_out = f"capture with more bits{_OWN_STEP}" if by == STEP else self.range_words
        return f"{by} makes {100.0 * share:.0f} % of {where}: a bound; {way_out}"


def limits_of(
    recording: Recording,
    column: int,
    options: Mapping[str, Any],
    gains: Mapping[str, PowerGain],
    baseline: Mapping[str, float] | None,
) -> Limits:
    """Return what limits a channel. baseline : its mean-square values, where one was captured.

    When full scale of the capture is the reference, the capture's step is the unit's own and limits nothing.
    """
    channel, full_scale = recording.channels[column], recording.reference(column)
    band_hz = (options["low_hz"], min(options["high_hz"], recording.sample_rate_hz / 2.0))
    widths_hz = _noise_bandwidths_hz(band_hz, gains)
    parts: dict[str, Mapping[str, float]] = {}
    card_v_rms = of_channel(recording.conditions.get("card_noise_v_rms"), channel)
    if baseline is not None:
        parts["the bench by its baseline"] = baseline
    elif card_v_rms is not None and recording.scale_v(column) is not None:
        density = (card_v_rms / full_scale) ** 2 / (_STATED_BAND_HZ[1] - _STATED_BAND_HZ[0])
        parts["the card by its stated noise"] = {name: density * hz for name, hz in widths_hz.items()}
    resolution = recording.resolution(column)
    if resolution is not None and options["reference"] != "capture":
        density = (resolution / full_scale) ** 2 / 12.0 / (recording.sample_rate_hz / 2.0)
        parts[STEP] = {name: density * hz for name, hz in widths_hz.items()}
    return Limits(parts=parts, range_words=_range_words(recording, channel))


def _noise_bandwidths_hz(band_hz: tuple[float, float], gains: Mapping[str, PowerGain]) -> dict[str, float]:
    """Return how wide a band of unweighted white noise of the same power is: weighting → Hz."""
    import numpy as np

    frequency_hz = np.linspace(*band_hz, _POINTS)
    step_hz = (band_hz[1] - band_hz[0]) / (_POINTS - 1)
    gained = {name: float(np.sum(gain(frequency_hz))) * step_hz for name, gain in gains.items()}
    return {"unweighted": band_hz[1] - band_hz[0], **gained}


def _range_words(recording: Recording, channel: int) -> str:
    quietest = (recording.conditions.get("quietest_range") or {}).get(str(channel))
    if quietest is not None:
        return (
            f"set the attenuator to a lower range, as far down as {quietest!r}, and give the level as an input level, "
            "so that nothing louder than the tone plays"
        )
    return "use a quieter card"
