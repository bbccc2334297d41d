"""What a tone in the hand and a soak share of a stream: a part of it as a capture, its tone, and what ended it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from audiomeas.errors import AudiomeasError, DeviceError
from audiomeas.interface.protocol import InterfaceIdentity, StreamFormat
from audiomeas.interface.streaming import Heard
from audiomeas.interface.transport import STOPPED_BY_INPUT, Capture, beyond_ceiling, interrupted
from audiomeas.stimulus import Sine


def captured(heard: Heard, form: StreamFormat, identity: InterfaceIdentity) -> Capture:
    """Return a part of a stream that has just come, as a capture."""
    frames = len(heard.samples)
    return Capture(
        samples=heard.samples,
        form=form,
        identity=identity,
        started_at=datetime.now(UTC) - timedelta(seconds=frames / form.sample_rate_hz),
        flags=heard.flags,
        played_frames=frames,
    )


def tone_through(
    heard: Heard, sample_rate_hz: float, *, frequency_hz: float, level_v_rms: float, channels: tuple[int, ...]
) -> Sine:
    """Return the tone that filled a part of a stream, without beginning or end. channels : that were driven."""
    return Sine(
        frequency_hz=frequency_hz,
        level_v_rms=level_v_rms,
        sample_rate_hz=sample_rate_hz,
        window_s=len(heard.samples) / sample_rate_hz,
        settle_s=0.0,
        ramp_s=0.0,
        driven_channels=channels,
    )


def why_it_ended(reason: str, *, by_signal: bool, then: str) -> AudiomeasError:
    """Return what ended a stream as an error: Interrupted, CaptureError (a ceiling), DeviceError (it was lost).

    reason : as its transport says it.   then : what a person does when it was lost.
    """
    if by_signal:
        return interrupted(reason)
    if reason.startswith(STOPPED_BY_INPUT):
        return beyond_ceiling(reason)
    return DeviceError(f"{reason or 'the stream ended'}: the output was faded to silence; look why, and {then}")
