"""Choosing a sound card, and what is said when it can't be had, with a stand-in for the audio library.

The stand-in has the names and calls of sounddevice that the code uses; error codes come from the library's own header.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from audiomeas.errors import DeviceError, RequestError
from audiomeas.interface import listing, portaudio, soundcard
from audiomeas.interface.protocol import StreamFormat
from audiomeas.interface.soundcard import SoundCard

FORM = StreamFormat(sample_rate_hz=48_000)

#: (name, host API, channels in, channels out)
BENCH_PC = (
    ("Card A: USB Audio (hw:1,0)", "ALSA", 2, 2),
    ("Card B: USB Audio (hw:2,0)", "ALSA", 4, 4),
    ("HDMI 0", "ALSA", 0, 8),
    ("pulse", "ALSA", 32, 32),
    ("pulse rewired", "ALSA", 32, 32),
    ("unit", "JACK Audio Connection Kit", 2, 2),
    ("Codec", "Core Audio", 2, 0),
    ("Codec", "Core Audio", 0, 2),
    ("Line in (Card C)", "Windows WASAPI", 2, 0),
    ("Line out (Card C)", "Windows WASAPI", 0, 2),
    ("Card D", "MME", 2, 2),
)


class PortAudioError(Exception):
    """The library's error: message, code, (host API, number, text)."""


class CallbackStop(Exception):
    """What a callback raises to end the stream."""


class FakeStream:
    """A stream that opens; `fake` says how it fails."""

    def __init__(self, fake: FakeLibrary, **options: Any) -> None:
        self.options = options
        self.samplerate = fake.real_rate_hz or options["samplerate"]
        self.fake = fake
        self.calls: list[str] = []
        self.aborted = threading.Event()
        fake.streams.append(self)

    def start(self) -> None:
        self.calls.append("start")
        if self.fake.start_error is not None:
            raise self.fake.start_error

    def stop(self) -> None:
        self.calls.append("stop")
        if self.fake.stop_hangs:
            self.aborted.wait(10)

    def abort(self) -> None:
        self.calls.append("abort")
        self.aborted.set()

    def close(self) -> None:
        self.calls.append("close")


class FakeLibrary(types.ModuleType):
    """Stands for the module sounddevice."""

    PortAudioError = PortAudioError
    CallbackStop = CallbackStop

    def __init__(self, devices: tuple[tuple[str, str, int, int], ...] = BENCH_PC) -> None:
        super().__init__("sounddevice")
        self.devices = list(devices)
        self.plugged_in_later: list[tuple[str, str, int, int]] = []
        self.streams: list[FakeStream] = []
        self.real_rate_hz: float | None = None
        self.open_error: Exception | None = None
        self.start_error: Exception | None = None
        self.refuses_exclusive = False
        self.stop_hangs = False
        self.noise = b""

    def _apis(self) -> list[str]:
        return sorted({api for _, api, _, _ in self.devices})

    def query_hostapis(self) -> tuple[dict[str, Any], ...]:
        return tuple({"name": api} for api in self._apis())

    def query_devices(self) -> list[dict[str, Any]]:
        os.write(2, self.noise)
        return [
            {
                "name": name,
                "hostapi": self._apis().index(api),
                "max_input_channels": inputs,
                "max_output_channels": outputs,
                "default_samplerate": 48_000.0,
            }
            for name, api, inputs, outputs in self.devices
        ]

    def _terminate(self) -> None:
        pass

    def _exit_handler(self) -> None:
        pass

    def _initialize(self) -> None:
        self.devices += self.plugged_in_later
        self.plugged_in_later = []

    def check_output_settings(self, **options: Any) -> None:
        os.write(2, self.noise)
        if self.refuses_exclusive and getattr(options["extra_settings"], "exclusive", False):
            raise PortAudioError("Invalid sample rate", -9997)
        if self.open_error is not None:
            raise self.open_error

    check_input_settings = check_output_settings

    def Stream(self, **options: Any) -> FakeStream:  # noqa: N802
        return FakeStream(self, **options)

    def WasapiSettings(self, exclusive: bool = False, auto_convert: bool = False) -> Any:  # noqa: N802
        return types.SimpleNamespace(exclusive=exclusive, auto_convert=auto_convert)


class Silence:
    """A mover that plays nothing and keeps what it was given."""

    def __init__(self, fill: int = 0) -> None:
        self.given: list[tuple[NDArray[Any], tuple[str, ...]]] = []
        self.fill = fill
        self.more = True

    def exchange(self, captured: NDArray[Any], to_play: NDArray[Any], flags: tuple[str, ...]) -> bool:
        self.given.append((captured.copy(), flags))
        to_play[:] = self.fill
        return self.more


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeLibrary]:
    library = FakeLibrary()
    monkeypatch.setitem(sys.modules, "sounddevice", library)
    yield library


def open_and_close(card: SoundCard, form: StreamFormat = FORM) -> None:
    with card.stream(form, Silence()):
        pass


# --- choosing by name ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "host_api", "chosen"),
    [
        ("pulse", None, ("pulse", "ALSA")),  # the whole name wins over 'pulse rewired'
        ("PULSE", "alsa", ("pulse", "ALSA")),
        ("card a", None, ("Card A: USB Audio (hw:1,0)", "ALSA")),
        ("unit", "JACK", ("unit", "JACK Audio Connection Kit")),
        ("Codec", None, ("Codec", "Core Audio")),  # one name, two halves: one card
        ("Card D", "MME", ("Card D", "MME")),  # named, so it is meant
    ],
)
def test_a_name_or_a_part_of_it_chooses(fake: FakeLibrary, name: str, host_api: str | None, chosen: Any) -> None:
    identity = SoundCard(name, host_api).identity
    assert (identity.name, identity.host_api) == chosen
    assert not identity.simulated


def test_two_halves_of_a_card_are_opened_together(fake: FakeLibrary) -> None:
    open_and_close(SoundCard("Codec"))
    assert fake.streams[0].options["device"] == (6, 7)  # (capturing, playing), as the library wants them


def test_halves_with_two_names_need_both(fake: FakeLibrary) -> None:
    with pytest.raises(DeviceError, match=r"only plays.*input_name"):
        _ = SoundCard("Line out").identity
    open_and_close(SoundCard("Line out", input_name="Line in"))
    assert fake.streams[0].options["device"] == (8, 9)
    with pytest.raises(DeviceError, match=r"no device 'Mic' captures.*'Line in"):
        _ = SoundCard("Line out", input_name="Mic").identity


def test_an_ambiguous_name_lists_the_candidates(fake: FakeLibrary) -> None:
    with pytest.raises(DeviceError) as caught:
        _ = SoundCard("usb").identity
    text = str(caught.value)
    assert "Card A" in text and "Card B" in text and "HDMI" not in text and "\n" not in text


def test_an_absent_card_lists_what_is_there(fake: FakeLibrary) -> None:
    with pytest.raises(DeviceError, match=r"'Card Z' is not there: there are 'Card A.*'unit' \(JACK") as caught:
        _ = SoundCard("Card Z").identity
    assert "plug it in" in str(caught.value)


def test_without_any_card_it_says_so(fake: FakeLibrary) -> None:
    fake.devices = [("HDMI 0", "ALSA", 0, 8)]
    with pytest.raises(DeviceError, match="no card here that plays and captures"):
        _ = SoundCard("Card A").identity


def test_a_card_plugged_in_later_is_found(fake: FakeLibrary) -> None:
    fake.plugged_in_later = [("Late", "ALSA", 2, 2)]
    assert SoundCard("late").identity.name == "Late"


def test_no_list_is_made_anew_below_a_running_stream(fake: FakeLibrary) -> None:
    fake.plugged_in_later = [("Late", "ALSA", 2, 2)]
    with SoundCard("unit").stream(FORM, Silence()), pytest.raises(DeviceError, match="'late' is not there"):
        _ = SoundCard("late").identity


def test_apis_that_convert_rates_are_used_only_when_named(fake: FakeLibrary) -> None:
    with pytest.raises(DeviceError, match="is not there"):
        _ = SoundCard("Card D").identity


def test_an_empty_name_is_refused() -> None:
    with pytest.raises(RequestError, match="needs a name"):
        SoundCard("  ")


# --- what the library says, in our words --------------------------------------------------------------------------


def code_of(name: str) -> int:
    """Return a code from the header that the library's own binding was made of."""
    ffi = pytest.importorskip("_sounddevice").ffi
    return int(getattr(ffi.dlopen(None), name))


@pytest.mark.parametrize(
    ("code_name", "words"),
    [
        ("paInvalidSampleRate", "refuses 48000 Hz"),
        ("paInvalidChannelCount", "channels"),
        ("paInvalidDevice", "not there any more"),
        ("paSampleFormatNotSupported", "refuses the sample format int24"),
        ("paBadIODeviceCombination", "one duplex device"),
        ("paDeviceUnavailable", "busy"),
        ("paInternalError", "failed: some text"),
    ],
)
@pytest.mark.parametrize("moment", ["open_error", "start_error"])
def test_errors_are_one_line_about_the_card(fake: FakeLibrary, code_name: str, words: str, moment: str) -> None:
    setattr(fake, moment, PortAudioError("some text", code_of(code_name)))
    with pytest.raises(DeviceError, match=words) as caught:
        open_and_close(SoundCard("unit"))
    assert str(caught.value).startswith("sound card 'unit' (JACK")
    assert "\n" not in str(caught.value) and caught.value.__cause__ is None
    for stream in fake.streams:  # one that opened and did not start is closed
        assert stream.calls[-1] == "close"


def test_every_code_of_the_library_becomes_a_device_error(fake: FakeLibrary) -> None:
    ffi = pytest.importorskip("_sounddevice").ffi
    names = [name for name in ffi.typeof("PaErrorCode").relements if name != "paNoError"]
    assert len(names) > 20
    for name in names:
        fake.open_error = PortAudioError("text", code_of(name))
        with pytest.raises(DeviceError, match="sound card 'unit'"):
            open_and_close(SoundCard("unit"))


def test_the_hosts_own_words_are_kept(fake: FakeLibrary) -> None:
    code = code_of("paUnanticipatedHostError")
    fake.open_error = PortAudioError("Unanticipated {host} error", code, (0, -19, "No such\ndevice"))
    with pytest.raises(DeviceError, match=r"Unanticipated \(host\) error: No such device; end other"):
        open_and_close(SoundCard("unit"))


def test_other_errors_are_not_dressed_up(fake: FakeLibrary) -> None:
    fake.open_error = ValueError("a mistake of ours")
    with pytest.raises(ValueError, match="a mistake of ours"):
        open_and_close(SoundCard("unit"))


def test_a_rate_that_differs_from_the_asked_one_is_refused(fake: FakeLibrary) -> None:
    fake.real_rate_hz = 44_100.0
    with pytest.raises(DeviceError, match="runs at 44100 Hz, not at the 48000 Hz"):
        open_and_close(SoundCard("unit"))
    assert fake.streams[0].calls == ["stop", "close"]  # never started


@pytest.mark.parametrize("missing", ["ImportError", "OSError", "RuntimeError"])
def test_without_the_library_it_says_what_to_install(tmp_path: Path, missing: str) -> None:
    # A process of its own, whose sounddevice fails on import as it does without its parts.
    text = {"ImportError": "No module", "OSError": "PortAudio library not found", "RuntimeError": "did not start"}
    (tmp_path / "sounddevice.py").write_text(f"raise {missing}({text[missing]!r})\n")
    code = (
        "from audiomeas.interface.listing import devices; from audiomeas.interface.soundcard import SoundCard\n"
        "found = devices(); print([row.name for row in found.rows]); print(found.note)\n"
        "try: SoundCard('x').identity\n"
        "except Exception as error: print(type(error).__name__, error)\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(tmp_path)}
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    rows, note, error = run.stdout.splitlines()
    assert rows == "['Simulated card']"
    words = {"ImportError": "pip install sounddevice", "OSError": "libportaudio2", "RuntimeError": "sound server"}
    assert words[missing] in note
    assert error == f"DeviceError {note}"
    assert run.stderr == ""


# --- running and ending -------------------------------------------------------------------------------------------


def test_the_stream_is_opened_as_asked(fake: FakeLibrary) -> None:
    form = StreamFormat(sample_rate_hz=96_000, latency_s=0.05, output_channels=1, sample_format="float32")
    open_and_close(SoundCard("Card A"), form)
    options = fake.streams[0].options
    assert options["samplerate"] == 96_000 and options["latency"] == 0.05
    assert options["channels"] == (2, 1) and options["dtype"] == "float32" and options["device"] == (0, 0)
    assert options["dither_off"] is True
    assert fake.streams[0].calls == ["start", "stop", "close"]


def test_a_stop_that_hangs_is_aborted_and_closed(fake: FakeLibrary, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(soundcard, "STOP_HANGS_S", 0.2)
    fake.stop_hangs = True
    open_and_close(SoundCard("unit"))
    assert fake.streams[0].calls == ["start", "stop", "abort", "close"]


def test_a_driver_that_never_lets_go_loses_no_capture_and_is_not_used_again(
    fake: FakeLibrary, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(soundcard, "STOP_HANGS_S", 0.05)
    monkeypatch.setattr(portaudio, "_left_alone", "")  # put back after the test
    monkeypatch.setattr(FakeStream, "abort", lambda self: self.aborted.wait(0.5))
    fake.stop_hangs = True
    open_and_close(SoundCard("unit"))  # no error here would let a capture through
    with pytest.raises(DeviceError, match=r"'unit' .* did not let go: .* start this program again"):
        open_and_close(SoundCard("unit"))
    assert "did not let go" in listing.devices().note
    fake.streams[0].aborted.set()


def test_an_exception_inside_is_the_one_told(fake: FakeLibrary) -> None:
    with pytest.raises(ZeroDivisionError), SoundCard("unit").stream(FORM, Silence()):
        raise ZeroDivisionError
    assert fake.streams[0].calls == ["start", "stop", "close"]


def test_exclusive_use_comes_first_and_shared_without_conversion_next(fake: FakeLibrary) -> None:
    card = SoundCard("Line out", "WASAPI", input_name="Line in")
    open_and_close(card)
    fake.refuses_exclusive = True
    open_and_close(card)
    settings = [stream.options["extra_settings"][0] for stream in fake.streams]
    assert [(s.exclusive, s.auto_convert) for s in settings] == [(True, False), (False, False)]


def flags(**set_flags: bool) -> Any:
    class Flags:
        def __bool__(self) -> bool:
            return any(set_flags.values())

        def __getattr__(self, name: str) -> bool:
            return set_flags.get(name, False)

    return Flags()


def run_callback(
    fake: FakeLibrary, mover: Silence, form: StreamFormat, indata: NDArray[Any], status: Any = None
) -> NDArray[Any]:
    with SoundCard("unit").stream(form, mover):
        callback: Callable[..., None] = fake.streams[-1].options["callback"]
        out = np.full((len(indata), form.output_channels), 7, indata.dtype)
        callback(indata, out, len(indata), None, status)
    return out


def test_flags_become_words_on_every_part_of_their_block(fake: FakeLibrary) -> None:
    mover = Silence()
    status = flags(input_underflow=True, priming_output=True)
    run_callback(fake, mover, FORM, np.zeros((1_300, 2), np.int32), status)
    assert [len(block) for block, _ in mover.given] == [512, 512, 276]
    assert {words for _, words in mover.given} == {("input underflow", "priming output")}
    every = flags(**{word.replace(" ", "_"): True for word in soundcard.FLAG_WORDS})
    assert soundcard.flag_words(every) == soundcard.FLAG_WORDS
    assert soundcard.flag_words(None) == ()


def test_every_flag_of_the_library_has_a_word() -> None:
    ffi = pytest.importorskip("_sounddevice").ffi
    for words in soundcard.FLAG_WORDS:
        assert code_of("pa" + words.title().replace(" ", "")) > 0
    assert ffi is not None


def test_no_more_ends_the_stream(fake: FakeLibrary) -> None:
    mover = Silence()
    mover.more = False
    with pytest.raises(CallbackStop):
        run_callback(fake, mover, FORM, np.zeros((512, 2), np.int32))


def test_24_bits_are_rounded_to_nearest_and_never_wrap(fake: FakeLibrary) -> None:
    codes = np.array([0, 127, 128, -128, -129, 0x7FFFFFFF, -0x80000000, 0x12345600], np.int32)
    mover = Silence()
    run_callback(fake, mover, FORM, np.stack([codes, codes], axis=1))
    # Nearest multiple of 256, halves up; the ends stay at the end codes (2**23 - 1 and -2**23, left-justified).
    assert mover.given[0][0][:, 0].tolist() == [0, 0, 256, 0, -256, 0x7FFFFF00, -0x80000000, 0x12345600]


def test_16_bits_ride_in_32_exactly(fake: FakeLibrary) -> None:
    form = StreamFormat(sample_rate_hz=48_000, sample_format="int16")
    every_code = np.arange(-32_768, 32_768, dtype=np.int64)
    for off_by in (0, 32_767, -32_768):  # what a host that works in float may add: less than half a step
        carried = np.clip(every_code * 65_536 + off_by, -(2**31), 2**31 - 1).astype(np.int32)
        mover = Silence(fill=-12_345)
        out = run_callback(fake, mover, form, np.stack([carried, carried], axis=1))
        captured = np.concatenate([block for block, _ in mover.given])
        assert captured.dtype == np.int16
        assert np.array_equal(captured[:, 0], every_code)
        assert np.all(out == -12_345 * 65_536)


# --- noise --------------------------------------------------------------------------------------------------------


def test_noise_of_c_code_does_not_reach_the_person(fake: FakeLibrary, capfd: pytest.CaptureFixture[str]) -> None:
    fake.noise = b"ALSA lib something.c:1 dreadful\n"
    open_and_close(SoundCard("unit"))
    listing.devices()
    assert capfd.readouterr().err == ""
    os.write(2, b"loud again")
    assert capfd.readouterr().err == "loud again"


def test_stderr_is_put_back_after_an_error(capfd: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(ZeroDivisionError), portaudio.quiet_stderr():
        raise ZeroDivisionError
    os.write(2, b"loud")
    assert capfd.readouterr().err == "loud"


def test_stderr_is_put_back_when_threads_overlap(capfd: pytest.CaptureFixture[str]) -> None:
    def be_quiet_often() -> None:
        for _ in range(200):
            with portaudio.quiet_stderr():
                os.write(2, b"noise")

    threads = [threading.Thread(target=be_quiet_often) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    os.write(2, b"loud")
    assert capfd.readouterr().err == "loud"


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the drivers that talk are Linux's")
def test_while_a_stream_runs_python_is_heard_and_c_code_is_not() -> None:
    code = (
        "import ctypes, sys\n"
        "from audiomeas.interface.portaudio import muted_c_code\n"
        "c = ctypes.CDLL(None); perror = c.perror\n"
        "with muted_c_code():\n"
        "    with muted_c_code(): perror(b'inner noise')\n"
        "    perror(b'noise'); print('progress', file=sys.stderr, flush=True)\n"
        "perror(b'loud again')\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    lines = run.stderr.splitlines()
    assert lines[0] == "progress" and lines[1].startswith("loud again") and len(lines) == 2


# --- the list -----------------------------------------------------------------------------------------------------


def test_the_list_has_every_device_and_the_simulated_card_first(fake: FakeLibrary) -> None:
    found = listing.devices()
    assert found.note == ""
    assert found.rows[0].simulated and found.rows[0].duplex
    assert [
        (row.name, row.host_api, row.max_input_channels, row.max_output_channels) for row in found.rows[1:]
    ] == list(BENCH_PC)
    assert not found.rows[3].duplex  # HDMI plays only


def test_an_empty_list_says_what_to_do(fake: FakeLibrary) -> None:
    fake.devices = []
    found = listing.devices()
    assert [row.name for row in found.rows] == ["Simulated card"] and "plug one in" in found.note
