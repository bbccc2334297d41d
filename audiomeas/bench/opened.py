"""A bench in use: plays volts, captures counts with their scale, and states its ceilings. No analysis here."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.bench.calibration import Scale, bench_noise_conditions, bench_own_conditions, not_claimed
from audiomeas.bench.file import BenchFile, Load, bench_facts, read_bench
from audiomeas.bench.interlock import AT_INPUT, AT_OUTPUT, DAC_HEADROOM_DB, Ceiling
from audiomeas.bench.loudspeakers import LARGEST_W, refuse_power_search, said_loudspeakers
from audiomeas.bench.rehearsed import rehearsal_words
from audiomeas.errors import CalibrationError, RequestError
from audiomeas.files import read_text, shipped
from audiomeas.interface.listening import listened
from audiomeas.interface.protocol import Interface, StreamFormat
from audiomeas.interface.transport import Also, Capture, Progress, Watch, play
from audiomeas.units import SQRT2, db_to_amplitude_ratio, w_to_v_rms


class Bench:
    """Volts at the unit's terminals on one side, an interface's counts on the other. Making it opens no device."""

    def __init__(self, bench_file: BenchFile, interface: Interface) -> None:
        self.file = bench_file
        self.interface = interface
        self.form = StreamFormat(
            sample_rate_hz=bench_file.interface.sample_rate_hz,
            sample_format=bench_file.interface.sample_format,
            block_frames=bench_file.interface.block_frames,
            latency_s=bench_file.interface.latency_s,
            output_channels=max(bench_file.channels),
            input_channels=max(bench_file.channels),
        )

    @property
    def channels(self) -> tuple[int, ...]:
        """1-based channels in use."""
        return self.file.channels

    @property
    def simulated(self) -> bool:
        """The interface is a simulated one."""
        return self.file.interface.kind == "simulated"

    def warnings(self) -> tuple[str, ...]:
        """Say what of calibration and loads does not fit this set-up, and what follows; carried by every result."""
        found = self._mismatches()
        of_loops = self.file.calibration.loopback_mismatches(
            dict(self.file.ranges), sample_rate_hz=self.form.sample_rate_hz, today=_today()
        )
        doubts = (
            *rehearsal_words(self.file.rehearsed),
            *(load.doubt for load in self.file.loads if load.doubt),
        )
        return (*doubts, *found, not_claimed(self.file.calibration), *of_loops) if found else (*doubts, *of_loops)

    @property
    def calibration_holds(self) -> bool:
        """The calibration holds for this set-up today: the uncertainty that it states may be claimed."""
        return not self._mismatches()

    def _mismatches(self) -> tuple[str, ...]:
        identity = self.interface.identity
        calibration, rate_hz, today = self.file.calibration, self.form.sample_rate_hz, _today()
        whole = calibration.mismatches(
            interface=identity.name,
            host_api=identity.host_api,
            gain_setting=self.file.interface.gain_setting,
            sample_rate_hz=rate_hz,
            today=today,
        )
        each = calibration.scale_mismatches(dict(self.file.ranges), sample_rate_hz=rate_hz, today=today)
        return (*whole, *each)

    def refuse_other_channel(self, channel: int) -> None:
        """Raise RequestError for a channel that the bench has not."""
        if channel not in self.channels:
            raise RequestError(f"this bench has no channel {channel}: it has {', '.join(map(str, self.channels))}")

    def output_scale(self, channel: int) -> Scale:
        """Return an output's scale. Raises CalibrationError when it was never calibrated."""
        scale = self.file.calibration.output(channel)
        if scale is None:
            raise CalibrationError(
                f"{self.file.calibration.file.name} has no [[output]] for channel {channel}: calibrate it first; "
                "without it no voltage can be played"
            )
        return scale

    def input_scale(self, channel: int) -> Scale:
        """Return an input's scale on the range in use."""
        range_name = dict(self.file.ranges)[channel]
        scale = self.file.calibration.input(channel, range_name)
        assert scale is not None  # the bench file was refused otherwise
        return scale

    def input_v_peak(self, channel: int) -> float:
        """Return the volts at the unit's output that are a fraction of 1 at an input, on the range in use."""
        return self.input_scale(channel).v_rms_at_full_scale * SQRT2

    def output_v_peak(self, channel: int) -> float:
        """Return the volts at the unit's input that a fraction of 1 at an output is. Raises CalibrationError."""
        return self.output_scale(channel).v_rms_at_full_scale * SQRT2

    def ceilings(self, channels: tuple[int, ...]) -> tuple[Ceiling, ...]:
        """Return everything that a stimulus on these channels must not exceed: unit input, unit output, load, card."""
        found: list[Ceiling] = []
        for channel in channels:
            found.extend(self._input_ceilings(channel))
        for channel in self.channels:  # every channel's output counts: leakage and mono sum reach it too
            found.extend(self._output_ceilings(channel))
        return tuple(found)

    def _input_ceilings(self, channel: int) -> list[Ceiling]:
        limit_v_rms = self.file.limits.input_v_rms
        converter_v_rms = self.output_scale(channel).v_rms_at_full_scale * db_to_amplitude_ratio(-DAC_HEADROOM_DB)
        return [
            _sine_ceiling(channel, AT_INPUT, "unit's input", limit_v_rms, "lower the level"),
            _sine_ceiling(
                channel,
                AT_INPUT,
                "card's output",
                converter_v_rms,
                "the card can't play that much: lower the level, or use an output with a higher full scale",
            ),
        ]

    def _output_ceilings(self, channel: int) -> list[Ceiling]:
        found = [_sine_ceiling(channel, AT_OUTPUT, "unit's output", self.file.limits.output_v_rms, "lower the level")]
        load = self.file.load(channel)
        if load is not None:
            found.append(_load_ceiling(load, "load", load.thermal.short_term_w))
        speakers = self.file.loudspeakers
        if speakers is not None:
            way_out = f"lower the level: loudspeakers get {LARGEST_W:g} W at most"
            found.append(
                _sine_ceiling(channel, AT_OUTPUT, "loudspeaker", speakers.largest_v_rms, way_out, speakers.lowest_ohm)
            )
        card_v_rms = self.input_scale(channel).v_rms_at_full_scale
        way_out = "lower the level, or set the attenuator to a higher range and enter it in the bench file"
        found.append(_sine_ceiling(channel, AT_OUTPUT, "card's input on this range", card_v_rms, way_out))
        return found

    def lasting_ceilings(self, channels: tuple[int, ...]) -> tuple[Ceiling, ...]:
        """Return what a sound without an end must not exceed: also what each load stands for long."""
        what = "load (as long as it lasts)"
        return (
            *self.ceilings(channels),
            *(_load_ceiling(load, what, load.thermal.usable_w) for load in self.file.loads),
        )

    @property
    def allows_power_search(self) -> bool:
        """The largest power of a unit may be looked for here: no loudspeakers are connected."""
        return self.file.loudspeakers is None

    def refuse_power_search(self) -> None:
        """Raise InterlockRefusal where no power search may run. Whoever starts one asks here, before any sound."""
        refuse_power_search(self.file.loudspeakers)

    def watch(self, also: Also | None = None) -> Watch:
        """Return the ceilings on the captured samples, for the audio thread. also : see `Watch.also`."""
        peak_fs, rms_fs = [], []
        for channel in range(1, self.form.input_channels + 1):
            if channel not in self.channels:
                peak_fs.append(float("inf"))
                rms_fs.append(float("inf"))
                continue
            ceilings = [c for c in self._output_ceilings(channel) if not c.what.startswith("card")]
            scale_v_peak = self.input_v_peak(channel)
            peak_fs.append(min(c.v_peak for c in ceilings) / scale_v_peak)
            rms_fs.append(min(c.v_rms for c in ceilings) / scale_v_peak)
        what = "the ceiling of the unit's output or of what is connected to it"
        return Watch(peak_fs=tuple(peak_fs), rms_fs=tuple(rms_fs), what=what, also=also)

    def play_v(
        self,
        samples_v: NDArray[np.float64],
        channels: tuple[int, ...],
        *,
        tail_s: float,
        form: StreamFormat | None = None,
        progress: Progress | None = None,
        also: Also | None = None,
    ) -> Capture:
        """Play volts at the unit's input on some channels (silence on the others) and return the capture.

        samples_v : (frames,), or (frames, len(channels)) when the channels play different samples.
        also : see `watch`.
        The interlock has been asked before: this only converts. Raises DeviceError.
        """
        form = form or self.form
        output_fs = np.zeros((len(samples_v), form.output_channels))
        for column, channel in enumerate(channels):
            self.refuse_other_channel(channel)
            own_v = samples_v if samples_v.ndim == 1 else samples_v[:, column]
            output_fs[:, channel - 1] = own_v / self.output_v_peak(channel)
        if len(output_fs) and float(np.max(np.abs(output_fs))) > 1.0:
            raise RequestError("internal: a stimulus beyond the converter's full scale came past the interlock")
        tail_frames = round(tail_s * form.sample_rate_hz)
        watch = self.watch(also)
        return play(self.interface, output_fs, form, tail_frames=tail_frames, watch=watch, progress=progress)

    def listen(
        self,
        frames: int,
        *,
        form: StreamFormat | None = None,
        progress: Progress | None = None,
        also: Also | None = None,
    ) -> Capture:
        """Capture with nothing sent, in constant memory. also : see `watch`. Raises DeviceError, FileProblem."""
        form = form or self.form
        return listened(self.interface, form, frames, watch=self.watch(also), progress=progress)

    def facts(self) -> dict[str, Any]:
        """Return what records keep: the bench, hashes, and the texts of bench and calibration."""
        calibration = self.file.calibration
        return {
            "bench": bench_facts(self.file),
            "hashes": self.hashes(),
            "texts": {
                self.file.file.name: read_text(self.file.file),
                self._calibration_name(): read_text(calibration.file),
            },
        }

    def hashes(self) -> dict[str, str]:
        """Return the SHA-256 of the bench file, by its name, and of its calibration, by its path from there.

        Two files of one name in different folders are two entries.
        """
        return {self.file.file.name: self.file.sha256, self._calibration_name(): self.file.calibration.sha256}

    def _calibration_name(self) -> str:
        calibration, folder = self.file.calibration.file, self.file.file.parent
        try:
            return Path(os.path.relpath(calibration, folder)).as_posix()
        except ValueError:  # on another drive no path leads there from the bench file
            return calibration.as_posix()

    def conditions(self) -> dict[str, Any]:
        """Return what of the bench belongs to the conditions of each result."""
        loads = self.file.loads
        return {
            "bench": self.file.name,
            "range": {str(channel): name for channel, name in self.file.ranges},
            "load_ohm": {str(load.channel): load.resistance_ohm for load in loads},
            "load_uncertainty": {str(load.channel): load.uncertainty for load in loads},
            **_inductance_conditions(loads),
            **({} if self.file.loudspeakers is None else {"loudspeakers": self.file.loudspeakers.facts()}),
        }

    def noise_conditions(self) -> dict[str, Any]:
        """Return what is known of the bench's own noise on the ranges in use, and of quieter ranges."""
        holding = self.file.calibration.loopbacks_holding(self.form.sample_rate_hz, _today())
        return bench_noise_conditions(holding, dict(self.file.ranges))

    def own_conditions(self) -> dict[str, Any]:
        """Return what is known today of the bench's own response and distortion on the ranges in use."""
        holding = self.file.calibration.loopbacks_holding(self.form.sample_rate_hz, _today())
        return bench_own_conditions(holding, dict(self.file.ranges))


def _inductance_conditions(loads: Sequence[Load]) -> dict[str, Any]:
    """Return henries by channel, and their half-widths; nothing where none was measured."""
    known = [load for load in loads if load.inductance_h is not None]
    if not known:
        return {}
    return {
        "load_inductance_h": {str(load.channel): load.inductance_h for load in known},
        "load_inductance_uncertainty_h": {str(load.channel): load.inductance_uncertainty_h for load in known},
    }


def _today() -> date:
    return datetime.now(UTC).date()


def _sine_ceiling(
    channel: int, at: str, what: str, v_rms: float, way_out: str, load_ohm: float | None = None
) -> Ceiling:
    return Ceiling(
        channel=channel, at=at, what=what, v_rms=v_rms, v_peak=v_rms * SQRT2, way_out=way_out, load_ohm=load_ohm
    )


def _load_ceiling(load: Load, what: str, power_w: float) -> Ceiling:
    v_rms = w_to_v_rms(power_w, load.resistance_ohm)
    way_out = "lower the level, or use a load that is rated higher"
    return _sine_ceiling(load.channel, AT_OUTPUT, what, v_rms, way_out, load.resistance_ohm)


def make_interface(bench_file: BenchFile) -> Interface:
    """Make the interface that a bench file names; opens no device. Raises FileProblem, RequestError."""
    choice = bench_file.interface
    if choice.kind == "soundcard":
        from audiomeas.interface.soundcard import SoundCard

        return SoundCard(choice.name, choice.host_api)
    from audiomeas.interface.faulty import FaultyInterface
    from audiomeas.interface.simulated import simulated_interface

    simulated = simulated_interface(
        unit=choice.unit,
        card=choice.card,
        ranges=bench_file.ranges,
        loads={load.channel: load.resistance_ohm for load in bench_file.loads},
        inductances={load.channel: load.inductance_h or 0.0 for load in bench_file.loads},
        seed=choice.seed,
        folder=bench_file.file.parent,
    )
    return FaultyInterface(simulated, bench_file.rehearsed) if bench_file.rehearsed else simulated


def default_bench_file() -> Path:
    """Return the bench of a fresh machine: the simulated one."""
    return shipped("examples", "benches", "simulated-bench.toml")


def open_bench_file(file: Path | None, *, loudspeakers: str | None = None) -> Bench:
    """Return the bench of a file (None: the simulated bench). Opens no device.

    loudspeakers : what a person said is connected ('8 ohm', 'none'), in place of what the file says (None).
    """
    bench_file = read_bench(file or default_bench_file())
    connected = said_loudspeakers(loudspeakers, bench_file.loudspeakers)
    bench_file = dataclasses.replace(bench_file, loudspeakers=connected)
    return Bench(bench_file, make_interface(bench_file))
