"""The simulated bench: a card and a unit of `audiomeas.simulation` behind the same seam as a sound card.

Counts are known at this boundary only; inside there are volts. It runs as fast as the processor allows,
unless the form asks for real time.
"""

from __future__ import annotations

import itertools
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import DeviceError, RequestError
from audiomeas.interface.protocol import CARRIER_DTYPE, BlockMover, InterfaceIdentity, StreamFormat
from audiomeas.interface.transport import FULL_SCALE_CODE, from_fractions, to_fractions
from audiomeas.simulation.card import LEAST_LATENCY_FRAMES, CardModel, read_card
from audiomeas.simulation.engine import SignalPath
from audiomeas.simulation.filters import FIR_DELAY_FRAMES
from audiomeas.simulation.unit import UnitModel, find_card, find_unit, read_unit
from audiomeas.units import SQRT2

FloatArray = NDArray[np.float64]

#: Names a cable from each output straight to the input instead of a unit.
LOOP = "loop"


class SimulatedInterface:
    """A simulated card wired to a simulated unit (None: a loop cable).

    range_by_channel : what stands before each input: the name of one of the card's ranges, or a ratio; None: nothing.
    load_ohm : on each output of the unit; None: open.  load_inductance_h : in series with each.
    seed : the same seed gives the same noise, stream by stream.
    Raises RequestError: unknown range, impossible ratio or load.
    """

    def __init__(
        self,
        unit: UnitModel | None,
        card: CardModel,
        *,
        range_by_channel: Sequence[str | float] | None = None,
        load_ohm: Sequence[float | None] | None = None,
        load_inductance_h: Sequence[float] = (0.0, 0.0),
        seed: int = 0,
    ) -> None:
        self._unit = unit
        self._card = card
        self._ratios = _two("range", [_ratio(card, entry) for entry in range_by_channel or (1.0, 1.0)])
        self._load_ohm = _two("load", [_load(value) for value in load_ohm or (None, None)])
        self._inductance_h = _two("load inductance", [_inductance(value) for value in load_inductance_h])
        self._seed = seed
        self._streams = itertools.count()

    @property
    def identity(self) -> InterfaceIdentity:
        """Name, host API, channels."""
        return InterfaceIdentity(
            name=self._card.name,
            host_api=self._card.host_api,
            simulated=True,
            max_output_channels=self._card.channels,
            max_input_channels=self._card.channels,
        )

    def latency_frames(self, block_frames: int) -> int:
        """Return the frames from playing to capturing: the card's, or what a longer block leaves possible.

        A block is played after the block that was captured meanwhile, so no card is faster than one block.
        """
        in_loads = FIR_DELAY_FRAMES if any(self._inductance_h) else 0
        return max(self._card.latency_frames, block_frames + LEAST_LATENCY_FRAMES + in_loads)

    @contextmanager
    def stream(self, form: StreamFormat, mover: BlockMover) -> Iterator[None]:
        """Run a duplex stream while the context lasts. See `Interface.stream`. Raises DeviceError."""
        self._refuse_what_the_card_lacks(form)
        path = SignalPath(
            self._unit,
            self._card,
            sample_rate_hz=form.sample_rate_hz,
            delay_frames=self.latency_frames(form.block_frames) - form.block_frames,
            ratios=self._ratios,
            load_ohm=self._load_ohm,
            load_inductance_h=self._inductance_h,
            seed=np.random.SeedSequence([self._seed, next(self._streams)]),
        )
        worker = _Worker(path, self._card, form, mover, np.random.SeedSequence([self._seed, 1, 1]))
        worker.start()
        try:
            yield
        finally:
            worker.stop()
        if worker.failure is not None:
            raise worker.failure

    def _refuse_what_the_card_lacks(self, form: StreamFormat) -> None:
        card = self._card
        if form.sample_rate_hz not in card.sample_rates_hz:
            valid = ", ".join(f"{rate_hz:g}" for rate_hz in card.sample_rates_hz)
            raise DeviceError(f"{card.name} does not run at {form.sample_rate_hz:g} Hz: use {valid}")
        for way, channels in (("output", form.output_channels), ("input", form.input_channels)):
            if channels > card.channels:
                raise DeviceError(f"{card.name} has {card.channels} {way} channels, not {channels}")


class _Worker:
    """The audio thread: captured block in, block to play out, until the mover has enough or the context ends."""

    def __init__(
        self,
        path: SignalPath,
        card: CardModel,
        form: StreamFormat,
        mover: BlockMover,
        seed: np.random.SeedSequence,
    ) -> None:
        self._path, self._form, self._mover = path, form, mover
        self._output_scale_v = card.v_rms_at_full_scale_out * SQRT2
        self._input_scale_v = card.v_rms_at_full_scale_in * SQRT2
        self._dither = [np.random.default_rng(s) for s in seed.spawn(card.channels)] if card.adc_dither else []
        self._channels = card.channels
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="simulated card", daemon=True)
        self.failure: Exception | None = None

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._ended.set()
        self._thread.join()

    def _run(self) -> None:
        try:
            self._move_blocks()
        except Exception as error:  # leaves the thread with the context, where someone can hear it
            self.failure = error

    def _move_blocks(self) -> None:
        form = self._form
        played_v = np.zeros((form.block_frames, self._channels))
        block_s = form.block_frames / form.sample_rate_hz if form.in_real_time else 0.0
        due_s = time.monotonic()
        while not self._ended.is_set():
            captured = self._codes(self._path.process(played_v)[:, : form.input_channels])
            to_play = np.zeros((form.block_frames, form.output_channels), CARRIER_DTYPE[form.sample_format])
            if not self._mover.exchange(captured, to_play, ()):
                return
            played_v = self._volts(to_play)
            # A late block is made up for, as by a card that has a buffer. Faster than time, this thread would hardly
            # let the one that answers signals have its turn.
            due_s += block_s
            time.sleep(max(0.0, due_s - time.monotonic()) if form.in_real_time else 0.0)

    def _volts(self, codes: NDArray[Any]) -> FloatArray:
        """Return what the card puts out, (frames, card channels). Raises DeviceError for values that are no numbers."""
        fractions = to_fractions(codes, self._form.sample_format)
        if not np.all(np.isfinite(fractions)):
            raise DeviceError("the simulated card was given values that are no numbers: the stimulus is damaged")
        volts = np.zeros((len(codes), self._channels))
        volts[:, : codes.shape[1]] = self._output_scale_v * np.clip(fractions, -1.0, 1.0)
        return volts

    def _codes(self, volts: FloatArray) -> NDArray[Any]:
        """Return what the converter makes of the volts, in the carrier dtype: rounded, stopped at the end codes."""
        fractions = volts / self._input_scale_v
        if self._dither and self._form.sample_format != "float32":
            step = 1.0 / FULL_SCALE_CODE[self._form.sample_format]
            for channel in range(fractions.shape[1]):
                pairs = self._dither[channel].random((len(fractions), 2))
                fractions[:, channel] += step * (pairs[:, 0] - pairs[:, 1])
        return from_fractions(np.clip(fractions, -1.0, 1.0), self._form.sample_format)


def _two(what: str, values: list[Any]) -> tuple[Any, Any]:
    if len(values) != 2:
        raise RequestError(f"the simulated card has two channels: give a {what} for each, not {len(values)}")
    return values[0], values[1]


def _ratio(card: CardModel, entry: str | float) -> float:
    ratio = card.ratio(entry) if isinstance(entry, str) else float(entry)
    if not (np.isfinite(ratio) and ratio > 0.0):
        raise RequestError(f"an attenuator ratio must be finite and above 0, not {ratio:g}")
    return ratio


def _load(value: float | None) -> float | None:
    if value is not None and not (np.isfinite(value) and value > 0.0):
        raise RequestError(f"a load must be finite and above 0 Ω, not {value:g}; leave it out for an open output")
    return value


def _inductance(value: float) -> float:
    if not (np.isfinite(value) and value >= 0.0):
        raise RequestError(f"a load's inductance must be finite and 0 H or more, not {value:g}")
    return value


def simulated_interface(
    *,
    unit: str,
    card: str = "card",
    ranges: Sequence[tuple[int, str]] = (),
    loads: Mapping[int, float] | None = None,
    inductances: Mapping[int, float] | None = None,
    seed: int = 0,
    folder: Path | None = None,
) -> SimulatedInterface:
    """Make the interface that a bench file describes; opens nothing.

    unit : a shipped unit's name, a TOML file, or 'loop' for a cable.  card : a shipped card's name or a TOML file.
    ranges : (1-based channel, name of the range).  loads, inductances : 1-based channel → Ω, H in series.
    folder : where relative paths start.
    Raises RequestError, FileProblem, TomlProblem.
    """
    model = None if unit == LOOP else read_unit(find_unit(unit, folder=folder))
    card_model = read_card(find_card(card, folder=folder))
    by_channel: list[str | float] = [1.0] * card_model.channels
    for channel, name in ranges:
        by_channel[_column(channel, card_model)] = name
    load_ohm: list[float | None] = [None] * card_model.channels
    for channel, ohm in (loads or {}).items():
        load_ohm[_column(channel, card_model)] = ohm
    inductance_h = [0.0] * card_model.channels
    for channel, henries in (inductances or {}).items():
        inductance_h[_column(channel, card_model)] = henries
    return SimulatedInterface(
        model,
        card_model,
        range_by_channel=by_channel,
        load_ohm=load_ohm,
        load_inductance_h=inductance_h,
        seed=seed,
    )


def _column(channel: int, card: CardModel) -> int:
    if not 1 <= channel <= card.channels:
        raise RequestError(f"{card.name} has channels 1 to {card.channels}: there is no channel {channel}")
    return channel - 1
