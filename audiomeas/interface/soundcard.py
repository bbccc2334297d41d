"""A sound card, named and never numbered: duplex, one clock, the asked rate or none, closed whatever happens."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import DeviceError, RequestError
from audiomeas.interface import portaudio
from audiomeas.interface.portaudio import DeviceFacts
from audiomeas.interface.protocol import BlockMover, InterfaceIdentity, StreamFormat

#: Stopping plays what the driver still holds, well under a second; a driver that takes longer hangs.
STOP_HANGS_S = 2.0
#: Read-back and asked rate may differ by rounding only (the driver's nominal rate, not the crystal's).
RATE_TOLERANCE = 1e-5
#: These convert any rate without a word, so they are used only when they are named.
CONVERTING_HOST_APIS = ("MME", "Windows DirectSound")
#: The driver's flags in the words of the protocol.
FLAG_WORDS = ("input underflow", "input overflow", "output underflow", "output overflow", "priming output")

_Thing = TypeVar("_Thing")


@dataclass(frozen=True)
class _Card:
    """One card: the device that plays and the device that captures (the same one, where the host API allows)."""

    output: DeviceFacts
    input: DeviceFacts

    def __str__(self) -> str:
        return f"'{self.output.name}' ({self.output.host_api})"


class SoundCard:
    """A sound card, satisfying `interface.protocol.Interface`.

    name : the device's name, or a part of it in any case that fits one device only.
    host_api : name of the host API or a part of it ('ALSA', 'JACK', 'WASAPI'); None looks in all of them.
    input_name : name of the device that captures, where one card appears as two devices with different names.
    Making the object opens and imports nothing. Raises RequestError for an empty name.
    """

    def __init__(self, name: str, host_api: str | None = None, *, input_name: str | None = None) -> None:
        if not name.strip():
            raise RequestError("a sound card needs a name: `audiomeas devices` lists them")
        self.name = name
        self.host_api = host_api
        self.input_name = input_name

    def __repr__(self) -> str:
        return f"SoundCard({self.name!r}, {self.host_api!r})"

    @property
    def identity(self) -> InterfaceIdentity:
        """Name, host API and channels. Raises DeviceError when the device is absent or the name fits several."""
        card = self._find()
        return InterfaceIdentity(
            name=card.output.name,
            host_api=card.output.host_api,
            simulated=False,
            max_output_channels=card.output.max_output_channels,
            max_input_channels=card.input.max_input_channels,
        )

    def stream(self, form: StreamFormat, mover: BlockMover) -> AbstractContextManager[None]:
        """Open a duplex stream. See `Interface.stream`.

        Raises DeviceError: absent, busy, rate or format refused, too few channels, another rate than asked.
        """
        return _running(self._find(), form, mover)

    def _find(self) -> _Card:
        """Return the card of this name; looks again for newly plugged ones before it says that there is none."""
        try:
            return self._choose(portaudio.devices())
        except DeviceError:
            return self._choose(portaudio.devices(fresh=True))

    def _choose(self, rows: Sequence[DeviceFacts]) -> _Card:
        rows = [row for row in rows if self._allows(row.host_api)]
        if self.input_name is not None:
            return self._choose_pair(rows, self.input_name)
        cards = _duplex_cards(rows)
        card = _one_named(self.name, cards, lambda card: card.output.name)
        if card is not None:
            return card
        half = _fitting(self.name, rows, lambda row: row.name)
        if half:
            does = "plays" if half[0].max_output_channels else "captures"
            raise DeviceError(
                f"'{half[0].name}' ({half[0].host_api}) only {does}: name the card's other device too (input_name)"
            )
        raise DeviceError(f"sound card {self._wanted()} is not there: {_what_there_is(cards)}")

    def _choose_pair(self, rows: Sequence[DeviceFacts], input_name: str) -> _Card:
        players = [row for row in rows if row.max_output_channels]
        output = _one_named(self.name, players, lambda row: row.name)
        if output is None:
            raise DeviceError(f"sound card {self._wanted()} is not there: {_what_there_is(_duplex_cards(rows))}")
        capturers = [row for row in rows if row.max_input_channels and row.host_api == output.host_api]
        capturer = _one_named(input_name, capturers, lambda row: row.name)
        if capturer is None:
            there = ", ".join(repr(row.name) for row in capturers) or "none"
            raise DeviceError(f"no device {input_name!r} captures under {output.host_api}; there are: {there}")
        return _Card(output, capturer)

    def _allows(self, host_api: str) -> bool:
        if self.host_api is None:
            return host_api not in CONVERTING_HOST_APIS
        return self.host_api.casefold() in host_api.casefold()

    def _wanted(self) -> str:
        return f"'{self.name}'" if self.host_api is None else f"'{self.name}' ({self.host_api})"


def _duplex_cards(rows: Sequence[DeviceFacts]) -> list[_Card]:
    """Return the cards: devices that do both, and pairs of one name under one host API of which each does one."""
    cards = [_Card(row, row) for row in rows if row.max_input_channels and row.max_output_channels]
    for player in (row for row in rows if not row.max_input_channels):
        key = (player.name, player.host_api)
        partners = [row for row in rows if (row.name, row.host_api) == key and not row.max_output_channels]
        if len(partners) == 1:  # several alike can't be told apart
            cards.append(_Card(player, partners[0]))
    return cards


def _fitting(name: str, things: Sequence[_Thing], name_of: Callable[[_Thing], str]) -> list[_Thing]:
    """Return what a name fits: those of exactly that name, else in any case, else those that have it as a part."""
    wanted = name.casefold()
    return (
        [thing for thing in things if name_of(thing) == name]
        or [thing for thing in things if name_of(thing).casefold() == wanted]
        or [thing for thing in things if wanted in name_of(thing).casefold()]
    )


def _one_named(name: str, things: Sequence[_Thing], name_of: Callable[[_Thing], str]) -> _Thing | None:
    found = _fitting(name, things, name_of)
    if len(found) > 1:
        there = ", ".join(map(_shown, found))
        raise DeviceError(f"'{name}' fits {len(found)} devices: {there}; write more of the name, or add the host API")
    return found[0] if found else None


def _shown(thing: object) -> str:
    return f"'{thing.name}' ({thing.host_api})" if isinstance(thing, DeviceFacts) else str(thing)


def _what_there_is(cards: Sequence[_Card]) -> str:
    if not cards:
        return "there is no card here that plays and captures; plug one in, or use the simulated bench"
    return f"there are {', '.join(map(str, cards))}; name one of these, or plug it in and try again"


@contextmanager
def _running(card: _Card, form: StreamFormat, mover: BlockMover) -> Iterator[None]:
    with portaudio.counted_stream(), portaudio.muted_c_code():
        stream = _opened(card, form, mover)
        try:
            with portaudio.quiet_stderr(), _translated(card, form):
                stream.start()
            yield
        finally:
            _end(stream, card)


def _translated(card: _Card, form: StreamFormat) -> AbstractContextManager[None]:
    return portaudio.translated(f"sound card {card}", rate_hz=form.sample_rate_hz, sample_format=form.sample_format)


def _opened(card: _Card, form: StreamFormat, mover: BlockMover) -> Any:
    """Return the opened, not yet started stream at exactly the rate of the form."""
    _check_channels(card, form)
    sounddevice = portaudio.library()
    settings = _extra_settings(sounddevice, card)
    for attempt, extra in enumerate(settings):
        try:
            with portaudio.quiet_stderr(), _translated(card, form):
                _check_form(sounddevice, card, form, extra)
                stream = _new_stream(sounddevice, card, form, mover, extra)
            break
        except DeviceError:
            if attempt == len(settings) - 1:
                raise
    if abs(stream.samplerate / form.sample_rate_hz - 1.0) > RATE_TOLERANCE:
        real_hz = stream.samplerate
        _end(stream, card)
        raise DeviceError(
            f"sound card {card} runs at {real_hz:g} Hz, not at the {form.sample_rate_hz:g} Hz asked for: "
            "set it to that rate in the system's mixer, or ask for its own rate"
        )
    return stream


def _check_channels(card: _Card, form: StreamFormat) -> None:
    for does, wanted, there in (
        ("plays", form.output_channels, card.output.max_output_channels),
        ("captures", form.input_channels, card.input.max_input_channels),
    ):
        if wanted > there:
            raise DeviceError(f"sound card {card} {does} {there} channel(s), not {wanted}: ask for fewer")


def _extra_settings(sounddevice: Any, card: _Card) -> tuple[Any, ...]:
    """Return what to try, in order. WASAPI: exclusive passes the system's mixer by; shared without conversion next."""
    if "WASAPI" in card.output.host_api:
        return sounddevice.WasapiSettings(exclusive=True), sounddevice.WasapiSettings(auto_convert=False)
    return (None,)


def _check_form(sounddevice: Any, card: _Card, form: StreamFormat, extra: Any) -> None:
    common = {"dtype": _dtype(form), "samplerate": form.sample_rate_hz, "extra_settings": extra}
    sounddevice.check_output_settings(device=card.output.index, channels=form.output_channels, **common)
    sounddevice.check_input_settings(device=card.input.index, channels=form.input_channels, **common)


def _new_stream(sounddevice: Any, card: _Card, form: StreamFormat, mover: BlockMover, extra: Any) -> Any:
    return sounddevice.Stream(
        device=(card.input.index, card.output.index),
        channels=(form.input_channels, form.output_channels),
        samplerate=form.sample_rate_hz,
        dtype=_dtype(form),
        # The driver's own blocks, cut here: asked for blocks of a fixed size, the library loses a frame now and then
        # on ALSA devices whose period is no multiple of it, and raises no flag (seen with PulseAudio: 1 in 683).
        blocksize=0,
        latency=form.latency_s,
        extra_settings=None if extra is None else (extra, extra),
        # Dither would add noise of the library's own to what is measured.
        dither_off=True,
        callback=_callback(sounddevice, form, mover),
    )


def _dtype(form: StreamFormat) -> str:
    """Return what the library carries. Both integer formats ride in 32 bits, and the rounding is done here.

    Asked for 16 bits from a host that works in float, the library cuts towards zero instead of rounding: a residual
    5 dB higher and a level 0.001 dB low at -12 dBFS (measured with a unit of known gain in the loop).
    """
    return "float32" if form.sample_format == "float32" else "int32"


def _callback(sounddevice: Any, form: StreamFormat, mover: BlockMover) -> Callable[..., None]:
    def callback(indata: NDArray[Any], outdata: NDArray[Any], frames: int, time: Any, status: Any) -> None:
        flags = flag_words(status)
        more = True
        for start in range(0, frames, form.block_frames):
            part = slice(start, start + form.block_frames)
            more = _exchange(indata[part], outdata[part], flags, form, mover) and more
        if not more:
            raise sounddevice.CallbackStop

    return callback


def _exchange(
    indata: NDArray[Any], outdata: NDArray[Any], flags: tuple[str, ...], form: StreamFormat, mover: BlockMover
) -> bool:
    captured = from_32_bits(indata, form.sample_format)
    if form.sample_format != "int16":
        return mover.exchange(captured, outdata, flags)
    to_play = np.zeros(outdata.shape, np.int16)
    more = mover.exchange(captured, to_play, flags)
    np.left_shift(to_play, 16, out=outdata, dtype=np.int32)
    return more


def from_32_bits(samples: NDArray[Any], sample_format: str) -> NDArray[Any]:
    """Return samples of the library in the carrier of a format, rounded; float32 passes unchanged.

    Hosts that work in float fill all 32 bits; a converter of 16 or 24 bits leaves the low ones zero, and then nothing
    is rounded.
    """
    if sample_format == "float32":
        return samples
    low_bits = 8 if sample_format == "int24" else 16
    half = 1 << (low_bits - 1)
    # The largest values would pass the end of 32 bits by rounding up.
    rounded: NDArray[np.int32] = np.minimum(samples, 0x7FFFFFFF - half) + np.int32(half)
    if sample_format == "int24":
        return rounded & np.int32(-256)
    return (rounded >> 16).astype(np.int16)


def flag_words(status: Any) -> tuple[str, ...]:
    """Return the driver's flags of one block in the words of the protocol; () when it has nothing to say."""
    if not status:
        return ()
    return tuple(words for words in FLAG_WORDS if getattr(status, words.replace(" ", "_")))


def _end(stream: Any, card: _Card) -> None:
    """Stop and close; abort when stopping hangs.

    Never raises, so that what was captured until a driver or a sound server died is kept. A library that hangs even
    then is left alone for the rest of this process.
    """
    with portaudio.quiet_stderr():
        stopped = _finishes(stream.stop) or _finishes(stream.abort)
        if not (stopped and _finishes(stream.close)):
            portaudio.leave_alone(f"sound card {card} did not let go")


def _finishes(step: Callable[[], object]) -> bool:
    """Run a step in a thread of its own, because a call that hangs inside the library can't be interrupted."""
    thread = threading.Thread(target=step, name="audiomeas-stream-end", daemon=True)
    thread.start()
    thread.join(STOP_HANGS_S)
    return not thread.is_alive()
