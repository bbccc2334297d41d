"""What a check of the bench finds, one line each, and what it heard in a sequence of tones."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from audiomeas.analysis.factors import DB_PER_NEPER
from audiomeas.analysis.known_tones import KnownTones, band_rms, fit_known_tones
from audiomeas.errors import CaptureError
from audiomeas.recording import Recording, stimulus_slice
from audiomeas.stimulus.marker import MARKER_FROM_HZ, MARKER_TO_HZ, marker_before
from audiomeas.stimulus.tone_sequence import ToneSequence
from audiomeas.units import SQRT2, amplitude_ratio_to_db

State = Literal["found", "note", "as it should be", "not checked"]
#: Residuals and noise are told within this band.
BAND_HZ = (20.0, 20_000.0)
#: A latency that moves by no more stands still: it is found to a fraction of a frame.
LATENCY_WITHIN_FRAMES = 0.5


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One line. check : what was looked at.  state : 'found' means that results could not be trusted."""

    check: str
    state: State
    text: str

    def as_json(self) -> dict[str, str]:
        """Return it for JSON."""
        return {"check": self.check, "state": self.state, "text": self.text}


@dataclass(frozen=True, kw_only=True)
class CheckReport:
    """All findings, and the figures per 1-based channel: key with its unit → value (what a baseline keeps)."""

    bench: str
    simulated: bool
    connected: str
    set_up: Mapping[str, Any]
    findings: tuple[Finding, ...]
    figures: Mapping[int, Mapping[str, float]]

    @property
    def found(self) -> tuple[Finding, ...]:
        """The findings for which results could not be trusted."""
        return tuple(finding for finding in self.findings if finding.state == "found")

    def as_json(self) -> dict[str, Any]:
        """Return the report as one JSON object."""
        return {
            "check": "bench",
            "bench": self.bench,
            "simulated": self.simulated,
            "connected": self.connected,
            "set_up": dict(self.set_up),
            "trusted": not self.found,
            "findings": [finding.as_json() for finding in self.findings],
            "figures": {str(channel): dict(values) for channel, values in self.figures.items()},
        }


def marker_v_rms(recording: Recording, channel: int) -> float:
    """Return the level of the marker before a stimulus as a channel captured it, within the marker's own band."""
    place = stimulus_slice(recording, *marker_before(recording.sample_rate_hz))
    signal = recording.signal(recording.column(channel))[place]
    return band_rms(signal, recording.sample_rate_hz, low_hz=MARKER_FROM_HZ, high_hz=MARKER_TO_HZ)


def refuse_untrusted(bench: str, findings: Iterable[Finding]) -> None:
    """Raise CaptureError, naming what was found, when results of a bench could not be trusted."""
    found = [finding.check for finding in findings if finding.state == "found"]
    if found:
        raise CaptureError(
            f"{bench}: {len(found)} finding{'s' if len(found) > 1 else ''} ({', '.join(dict.fromkeys(found))}) "
            "for which results could not be trusted: see the lines above"
        )


class Heard:
    """One capture of a sequence of tones: gains and residuals by part and channel."""

    def __init__(self, recording: Recording) -> None:
        assert isinstance(recording.stimulus, ToneSequence)
        self.recording = recording
        self.sequence: ToneSequence = recording.stimulus
        self._tones: dict[tuple[int, int], KnownTones] = {}

    @property
    def rate_hz(self) -> float:
        """Sample rate."""
        return self.recording.sample_rate_hz

    def part(self, part: int, channel: int) -> NDArray[np.float64]:
        """Return what a channel captured in a part's steady middle, volts at the unit's output."""
        place = stimulus_slice(self.recording, *self.sequence.span(part))
        return self.recording.signal(self.recording.column(channel))[place]

    def tones(self, part: int, channel: int) -> KnownTones:
        """Return the part's tones (one, or one per driven channel) as fitted to what a channel captured."""
        if (part, channel) not in self._tones:
            tones_hz = tuple(dict.fromkeys(self.sequence.frequencies_hz[part]))
            self._tones[part, channel] = fit_known_tones(self.part(part, channel), self.rate_hz, tones_hz)
        return self._tones[part, channel]

    def gain(self, part: int, channel: int, *, played_on: int | None = None) -> complex:
        """Return captured over played (complex) of the tone that `played_on` (default: the channel itself) played."""
        source = self.sequence.driven_channels.index(played_on or channel)
        frequency_hz = self.sequence.frequencies_hz[part][source]
        tones_hz = tuple(dict.fromkeys(self.sequence.frequencies_hz[part]))
        captured = self.tones(part, channel).amplitudes[tones_hz.index(frequency_hz)]
        begins, _ = self.sequence.span(0)
        # Each part's tone starts with phase 0 at its own first frame: SETTLE_S (span(0)'s start) before its window.
        turned = 2.0 * np.pi * frequency_hz * begins / self.rate_hz
        played = SQRT2 * self.sequence.levels_v_rms[part] * np.exp(1j * (turned - np.pi / 2.0))
        return complex(captured / played)

    def gain_db(self, part: int, channel: int) -> float:
        """Return the gain of the reference or rate tone, at least −200 dB."""
        return amplitude_ratio_to_db(max(abs(self.gain(part, channel)), 1e-10))

    def gain_noise_db(self, part: int, channel: int) -> float:
        """Return how far noise may move `gain_db`: four standard deviations."""
        tones = self.tones(part, channel)
        amplitude = max(abs(tones.amplitudes[0]), 1e-30)
        return min(20.0, DB_PER_NEPER * 4.0 * tones.standard_uncertainty() / amplitude)

    def residual_v_rms(self, part: int, channel: int) -> float:
        """Return what a channel holds beside the part's tones, 20 Hz to 20 kHz."""
        return band_rms(self.tones(part, channel).residual, self.rate_hz, low_hz=BAND_HZ[0], high_hz=BAND_HZ[1])
