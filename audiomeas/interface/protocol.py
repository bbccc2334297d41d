"""The seam between audiomeas and whatever moves samples."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import RequestError

SampleFormat = Literal["int16", "int24", "float32"]
#: What each format is carried in. 24-bit samples come left-justified in 32 bits (the low 8 bits are zero).
CARRIER_DTYPE: dict[str, Any] = {"int16": np.int16, "int24": np.int32, "float32": np.float32}
SAMPLE_FORMATS: tuple[SampleFormat, ...] = ("int16", "int24", "float32")


@dataclass(frozen=True, kw_only=True)
class StreamFormat:
    """How a duplex stream runs.

    block_frames : frames moved at a time; small enough that a block and a fade last at most 50 ms together.
    latency_s : asked of the driver; None leaves it to the driver.
    in_real_time : a person listens, so a simulated card takes as long as a true one (which always does).
    """

    sample_rate_hz: float
    sample_format: SampleFormat = "int24"
    block_frames: int = 512
    output_channels: int = 2
    input_channels: int = 2
    latency_s: float | None = None
    in_real_time: bool = False

    def __post_init__(self) -> None:
        if self.sample_format not in CARRIER_DTYPE:
            raise RequestError(f"unknown sample format {self.sample_format!r}: use {', '.join(CARRIER_DTYPE)}")
        if not 1 <= self.output_channels <= 64 or not 1 <= self.input_channels <= 64:
            raise RequestError("an interface needs 1 to 64 channels each way")


@dataclass(frozen=True, kw_only=True)
class InterfaceIdentity:
    """What results and calibrations name an interface by: name and host API, never an index."""

    name: str
    host_api: str
    simulated: bool
    max_output_channels: int
    max_input_channels: int


class BlockMover(Protocol):
    """What an interface calls for each block (the `Transport` is one)."""

    def exchange(self, captured: NDArray[Any], to_play: NDArray[Any], flags: tuple[str, ...]) -> bool:
        """Take one captured block, fill one block to play, both (frames, channels) in the carrier dtype.

        flags : what the driver said of this block ('input overflow', 'output underflow', …).
        Returns False when nothing more is wanted: the block filled last is silent and the stream may stop.
        Never raises: it is called from an audio thread.
        """
        ...


class Interface(Protocol):
    """A sound card or something that behaves like one. Making the object opens nothing."""

    @property
    def identity(self) -> InterfaceIdentity:
        """Name, host API, channels. Raises DeviceError when the device is absent."""
        ...

    def stream(self, form: StreamFormat, mover: BlockMover) -> AbstractContextManager[None]:
        """Open a duplex stream that calls `mover.exchange` from a thread of its own while the context lasts.

        Entering starts it; leaving stops and closes it, always. Raises DeviceError (absent, busy, rate refused).
        """
        ...
