"""What there is to play and capture with, for people to read; works without PortAudio too (it says what to install)."""

from __future__ import annotations

from dataclasses import dataclass

from audiomeas.errors import DeviceError
from audiomeas.interface import portaudio


@dataclass(frozen=True, kw_only=True)
class DeviceRow:
    """One device as `devices` shows it. default_rate_hz : None where any rate goes (the simulated card)."""

    name: str
    host_api: str
    max_output_channels: int
    max_input_channels: int
    default_rate_hz: float | None
    simulated: bool = False

    @property
    def duplex(self) -> bool:
        """It plays and captures, so that it can measure with one clock."""
        return self.max_output_channels > 0 and self.max_input_channels > 0


@dataclass(frozen=True)
class DeviceList:
    """All devices, the simulated card first. note : why cards are missing, what to do ('' when all is well)."""

    rows: tuple[DeviceRow, ...]
    note: str = ""


SIMULATED_ROW = DeviceRow(
    name="Simulated card",
    host_api="simulation",
    max_output_channels=2,
    max_input_channels=2,
    default_rate_hz=None,
    simulated=True,
)


def devices() -> DeviceList:
    """Return what is there now, newly plugged devices too. Never raises for a missing library: `note` says it."""
    try:
        found = portaudio.devices(fresh=True)
    except DeviceError as error:
        return DeviceList((SIMULATED_ROW,), note=str(error))
    rows = tuple(
        DeviceRow(
            name=facts.name,
            host_api=facts.host_api,
            max_output_channels=facts.max_output_channels,
            max_input_channels=facts.max_input_channels,
            default_rate_hz=facts.default_rate_hz,
        )
        for facts in found
    )
    note = "" if rows else "the system shows no sound card: plug one in, or start the sound server, then look again"
    return DeviceList((SIMULATED_ROW, *rows), note)
