"""The one place that touches the audio library: loads it late, mutes its noise, puts its errors in our words.

PortAudio (through sounddevice) starts itself when it is imported and then talks to every sound server it knows, so
nothing here is imported before a sound card is really asked for.
"""

from __future__ import annotations

import atexit
import ctypes
import functools
import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from audiomeas.errors import DeviceError

INSTALL_HINT = (
    "install it with `apt-get install libportaudio2` on Debian and its kin; elsewhere "
    "`pip install --force-reinstall sounddevice` brings it along"
)

#: Guards file descriptor 2 and starting and ending the library, which are one for the whole process.
_LIBRARY_LOCK = threading.RLock()
_open_streams = 0
_muted_streams = 0
_left_alone = ""
_loud_file: int | None = None

#: PortAudio's error codes (portaudio.h, enum PaErrorCode) that have words of their own here.
_WORDS_OF_CODE = {
    -9998: "does not have that many channels: ask for fewer",
    -9997: "refuses {rate_hz:g} Hz: choose a rate that it has (`audiomeas devices` shows its default)",
    -9996: "is not there any more: plug it in again",
    -9994: "refuses the sample format {sample_format}: try another (int16, int24, float32)",
    -9993: "can't play and capture together this way: use one duplex device",
    -9985: "is busy or was unplugged: end the other program that holds it, or plug it in again",
}


@dataclass(frozen=True, kw_only=True)
class DeviceFacts:
    """What the library says of one device. index : good only until the library starts anew; never stored or shown."""

    index: int
    name: str
    host_api: str
    max_input_channels: int
    max_output_channels: int
    default_rate_hz: float


@contextmanager
def quiet_stderr() -> Iterator[None]:
    """Send what C code writes to file descriptor 2 to nowhere while the context lasts; always put back."""
    with _LIBRARY_LOCK:
        try:
            kept = os.dup(2)
        except OSError:  # a service without a stderr has nothing to protect
            yield
            return
        try:
            with suppress(OSError, ValueError, AttributeError):
                sys.stderr.flush()
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 2)
            os.close(nowhere)
            yield
        finally:
            os.dup2(kept, 2)
            os.close(kept)


@contextmanager
def muted_c_code() -> Iterator[None]:
    """Send what C code prints through its own `stderr` to nowhere; Python's stderr (progress, warnings) still arrives.

    For as long as a stream runs: the driver's threads complain there at any time. Where the C library does not have
    that variable (not Linux), nothing happens; the drivers that talk are Linux's.
    """
    global _muted_streams, _loud_file
    stderr = _c_stderr()
    if stderr is None:
        yield
        return
    with _LIBRARY_LOCK:
        if _muted_streams == 0:
            _loud_file, stderr.value = stderr.value, _null_file()
        _muted_streams += 1
    try:
        yield
    finally:
        with _LIBRARY_LOCK:
            _muted_streams -= 1
            if _muted_streams == 0:
                stderr.value = _loud_file


def _c_stderr() -> ctypes.c_void_p | None:
    """Return the C library's variable `stderr`, which every C library of this process prints through."""
    try:
        return ctypes.c_void_p.in_dll(ctypes.CDLL(None), "stderr")
    except (OSError, TypeError, ValueError):
        return None


@functools.cache
def _null_file() -> int | None:
    fopen = ctypes.CDLL(None).fopen
    fopen.restype, fopen.argtypes = ctypes.c_void_p, (ctypes.c_char_p, ctypes.c_char_p)
    file: int | None = fopen(os.devnull.encode(), b"w")
    # Without a file to print to (no descriptor left) the noise stays: C code must never print to a null pointer.
    return file or _c_stderr_value()


def _c_stderr_value() -> int | None:
    stderr = _c_stderr()
    return None if stderr is None else stderr.value


def _mute_for_good() -> None:
    """At exit the library ends itself; what it says then concerns nobody."""
    stderr = _c_stderr()
    if stderr is not None:
        stderr.value = _null_file()


def leave_alone(why: str) -> None:
    """Never call the library again in this process: a thread of ours hangs inside it, and the next would too.

    That includes its own exit handler, with which the program would never end.
    """
    global _left_alone
    _left_alone = why
    atexit.unregister(sys.modules["sounddevice"]._exit_handler)


def library() -> Any:
    """Return the module sounddevice, started.

    Raises DeviceError that says what to do: it is not installed, does not start, or was left alone.
    """
    if _left_alone:
        raise DeviceError(f"{_left_alone}: plug it in again or restart the sound server, then start this program again")
    with quiet_stderr():
        try:
            import sounddevice
        except ImportError:
            raise DeviceError(
                "sound cards need the Python package sounddevice: `pip install sounddevice`, then try again"
            ) from None
        except OSError as error:
            raise DeviceError(f"sound cards need the library PortAudio ({error}): {INSTALL_HINT}") from None
        except Exception as error:
            raise DeviceError(
                f"the audio library PortAudio does not start ({_one_line(error)}): check the sound server"
            ) from None
    atexit.unregister(_mute_for_good)
    atexit.register(_mute_for_good)  # registered last, it runs before the library's own
    return sounddevice


def devices(*, fresh: bool = False) -> tuple[DeviceFacts, ...]:
    """Return all devices that the library knows, in its order.

    fresh : look again for devices plugged in since the library started (left out while a stream is open).
    Raises DeviceError when the library is missing or fails.
    """
    started_already = "sounddevice" in sys.modules
    sounddevice = library()
    with quiet_stderr(), translated("the list of devices"):
        if fresh and started_already and _open_streams == 0:
            # The library has no other way to notice a card that was plugged in later.
            sounddevice._terminate()
            sounddevice._initialize()
        apis = sounddevice.query_hostapis()
        return tuple(_facts(index, row, apis) for index, row in enumerate(sounddevice.query_devices()))


def _facts(index: int, row: dict[str, Any], apis: Any) -> DeviceFacts:
    return DeviceFacts(
        index=index,
        name=str(row["name"]),
        host_api=str(apis[row["hostapi"]]["name"]),
        max_input_channels=int(row["max_input_channels"]),
        max_output_channels=int(row["max_output_channels"]),
        default_rate_hz=float(row["default_samplerate"]),
    )


@contextmanager
def translated(what: str, *, rate_hz: float = 0.0, sample_format: str = "") -> Iterator[None]:
    """Turn the library's errors inside the context into one DeviceError about `what`; the only place that does."""
    try:
        yield
    except DeviceError:
        raise
    except Exception as error:
        if type(error).__name__ != "PortAudioError":
            raise
        code = error.args[1] if len(error.args) > 1 else None
        words = _WORDS_OF_CODE.get(code) if isinstance(code, int) else None
        if words is None:
            words = f"failed: {_one_line(error)}; end other programs that may hold it, then try again"
        raise DeviceError(f"{what} {words.format(rate_hz=rate_hz, sample_format=sample_format)}") from None


def _one_line(error: Exception) -> str:
    # The host's own text comes as a third argument: (API index, number, text).
    text = str(error.args[0]) if error.args else type(error).__name__
    if len(error.args) > 2 and isinstance(error.args[2], tuple):
        text = f"{text}: {error.args[2][-1]}"
    return " ".join(text.split()).replace("{", "(").replace("}", ")")


@contextmanager
def counted_stream() -> Iterator[None]:
    """Mark a stream as open, so that the library is not started anew below it."""
    global _open_streams
    with _LIBRARY_LOCK:
        _open_streams += 1
    try:
        yield
    finally:
        with _LIBRARY_LOCK:
            _open_streams -= 1
