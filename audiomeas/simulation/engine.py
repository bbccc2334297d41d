"""The physics, block by block: volts at the card's output in, volts at its converter out.

Everything carries its state, and every source of noise has a generator of its own, so that the size of the blocks
changes nothing. Time is true time: the card's crystal may run fast or slow, the unit's corners and hum do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache, partial

import numpy as np
from numpy.typing import NDArray

from audiomeas.simulation.card import CardModel, ConverterCurve
from audiomeas.simulation.deck_path import Deck
from audiomeas.simulation.filters import (
    FIR_DELAY_FRAMES,
    AnalogNetwork,
    ComplexArray,
    Delay,
    Fir,
    Recursive,
    completing_fir,
    low_cut,
    recursive_sections,
)
from audiomeas.simulation.medium import Medium
from audiomeas.simulation.noise import WhiteNoise
from audiomeas.simulation.output_stage import OutputStage
from audiomeas.simulation.player import Player, read_disc_audio
from audiomeas.simulation.resampling import INTERNAL_RATE_HZ, Oversampler, oversampling_factor
from audiomeas.simulation.supply import PowerSwitch, ProtectionRelay, SaggingSupply
from audiomeas.simulation.tuner import Tuner
from audiomeas.simulation.turntable import Turntable
from audiomeas.simulation.unit import ChannelModel, HumLine, UnitModel
from audiomeas.units import SQRT2

FloatArray = NDArray[np.float64]


class Hum:
    """Lines at multiples of the mains frequency, at phases drawn once for each stream."""

    def __init__(self, lines: Sequence[HumLine], mains_hz: float, rate_hz: float, seed: np.random.SeedSequence) -> None:
        self._cycles_per_frame = np.array([line.multiple for line in lines]) * mains_hz / rate_hz
        self._peaks_v = np.array([line.level_v_rms for line in lines]) * np.sqrt(2.0)
        self._phases = np.random.default_rng(seed).random(len(lines))
        self._position = 0
        self._turns: ComplexArray = np.zeros((len(lines), 0), dtype=np.complex128)

    def added_to(self, volts: FloatArray) -> FloatArray:
        """Return the volts, (frames,), with hum."""
        frames = len(volts)
        if len(self._peaks_v) == 0 or frames == 0:
            return volts
        if self._turns.shape[1] < frames:  # how each line turns within a block: the same for every block
            self._turns = np.exp(2j * np.pi * np.outer(self._cycles_per_frame, np.arange(frames)))
        cycles = np.remainder(self._cycles_per_frame * self._position + self._phases, 1.0)
        self._position += frames
        hum_v = (self._peaks_v * np.exp(2j * np.pi * cycles)) @ self._turns[:, :frames]
        return np.asarray(volts + hum_v.real, dtype=np.float64)


class Volume:
    """A volume control that a hand turns: straight in dB over time between the points of `ChannelModel.volume_turn`."""

    def __init__(self, turn: Sequence[tuple[float, float]], rate_hz: float) -> None:
        self._time_s = np.array([time_s for time_s, _ in turn])
        self._volume_db = np.array([volume_db for _, volume_db in turn])
        self._rate_hz = rate_hz
        self._position = 0

    def turned(self, volts: FloatArray) -> FloatArray:
        """Return the volts, (frames,), behind the control."""
        if len(self._time_s) == 0:
            return volts
        time_s = (self._position + np.arange(len(volts))) / self._rate_hz
        self._position += len(volts)
        return np.asarray(volts * 10.0 ** (np.interp(time_s, self._time_s, self._volume_db) / 20.0), dtype=np.float64)


class LoadHand:
    """What is left of the open output at the load that a hand has put on by then (`ChannelModel.load_change`).

    inductance_h : of the first load; it needs a filter, and so time.
    """

    def __init__(self, model: ChannelModel, load_ohm: float | None, rate_hz: float, inductance_h: float = 0.0) -> None:
        self._from_frame = np.array([0, *(round(time_s * rate_hz) for time_s, _ in model.load_change)])
        loads_ohm = [load_ohm, *(changed_ohm for _, changed_ohm in model.load_change)]
        self._left = np.array([model.divider(one_ohm) for one_ohm in loads_ohm])
        self._position = 0
        self._inductive: _InductiveLoad | None = None
        if load_ohm is not None and inductance_h > 0.0:
            self._inductive = _InductiveLoad(replace(model.load_network(load_ohm, inductance_h), gain=1.0), rate_hz)

    @property
    def delay_frames(self) -> int:
        """Frames from the open output to the loaded one."""
        return 0 if self._inductive is None else FIR_DELAY_FRAMES

    def loaded(self, volts: FloatArray) -> FloatArray:
        """Return the output at its load, (frames,). volts : of the open output."""
        raised_v, plain_v = (volts, volts) if self._inductive is None else self._inductive.process(volts)
        if len(self._left) == 1:
            return np.asarray(self._left[0] * raised_v, dtype=np.float64)
        frames = self._position + np.arange(len(volts))
        self._position += len(volts)
        place = np.searchsorted(self._from_frame, frames, side="right") - 1
        return np.asarray(self._left[place] * np.where(place == 0, raised_v, plain_v), dtype=np.float64)


class _InductiveLoad:
    """What an inductance raises the voltage across its load by, and the same voltage without that, equally late."""

    def __init__(self, shape: AnalogNetwork, rate_hz: float) -> None:
        self._recursive = Recursive(recursive_sections(shape, rate_hz))
        self._fir = Fir(_through_taps(shape, rate_hz))
        self._plain = Delay(FIR_DELAY_FRAMES)

    def process(self, volts: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self._fir.process(self._recursive.process(volts)), self._plain.process(volts)


def bent(asked_v: FloatArray, channel: ChannelModel, drive_limits_v: tuple[float, float]) -> FloatArray:
    """Return what the memoryless stages make of a voltage, before rails that are round or fall. asked_v : (frames,).

    See `simulation.unit`.   drive_limits_v : of the channel; handed in because finding them takes longer than a block.
    """
    output_v = asked_v
    if channel.dead_band_v > 0.0:
        # What the dead band swallows is the voltage limited to its width.
        output_v = output_v - np.clip(output_v, -channel.dead_band_v, channel.dead_band_v)
    if channel.clips:
        # Limiting before the polynomial, where it reaches the rails, is the same as limiting after it – and keeps a
        # polynomial that turns back far beyond the rails from folding a hard overdrive.
        output_v = np.clip(output_v, *drive_limits_v)
    if channel.bends:
        slope = channel.third_order_per_v2 * output_v
        slope += channel.second_order_per_v
        slope *= output_v
        slope += 1.0
        output_v = slope * output_v
    return output_v


def railed(bent_v: FloatArray, channel: ChannelModel, fall_v: FloatArray | None = None) -> FloatArray:
    """Return the open output between its rails, (frames,); the same array where nothing comes near them.

    bent_v : of `bent`.   fall_v : by how much the rails are lower, (frames,); None: they don't sag.
    """
    if channel.knee_v == 0.0 and fall_v is None:
        return bent_v
    output_v = bent_v
    lowest_v = 0.0 if fall_v is None else float(np.max(fall_v, initial=0.0))
    # Most samples lie below the knees, where nothing changes. Both halves are limited as upper ones.
    for sign, rail_v in ((1.0, channel.positive_clip_v), (-1.0, -channel.negative_clip_v)):
        from_v = max(rail_v - lowest_v, channel.knee_v) - channel.knee_v
        near = np.flatnonzero(bent_v > from_v) if sign > 0.0 else np.flatnonzero(bent_v < -from_v)
        if len(near) == 0:
            continue
        if output_v is bent_v:
            output_v = bent_v.copy()
        # Rails that fell altogether leave nothing.
        fallen_v = np.maximum(rail_v - (0.0 if fall_v is None else fall_v[near]), channel.knee_v)
        output_v[near] = sign * _below(sign * bent_v[near], fallen_v, channel.knee_v)
    return output_v


def _below(volts: FloatArray, rail_v: FloatArray, knee_v: float) -> FloatArray:
    """Return volts below a rail, which the last and the first `knee_v` around it reach by a parabola."""
    if knee_v == 0.0:
        return np.minimum(volts, rail_v)
    over_v = np.clip(volts - (rail_v - knee_v), 0.0, 2.0 * knee_v)
    return np.minimum(volts, rail_v - knee_v) + over_v - over_v * over_v / (4.0 * knee_v)


# A search plays many short streams on one unit, and its channels often differ in gain only: the taps of a shape are
# worked out once.
@lru_cache(maxsize=64)
def _through_taps(shape: AnalogNetwork, rate_hz: float) -> FloatArray:
    return completing_fir(shape.at, recursive_sections(shape, rate_hz), rate_hz)


@lru_cache(maxsize=64)
def _across_taps(shape: AnalogNetwork, leakage_shape: AnalogNetwork, rate_hz: float) -> FloatArray:
    return completing_fir(
        lambda hz: shape.at(hz) * leakage_shape.at(hz), recursive_sections(shape, rate_hz), rate_hz, zero_at_dc=True
    )


class ChannelEngine:
    """One channel of a unit, from both inputs to its loaded output."""

    def __init__(
        self,
        unit: UnitModel,
        channel: int,
        *,
        true_rate_hz: float,
        load_ohm: float | None,
        seed: np.random.SeedSequence,
        load_inductance_h: float = 0.0,
    ) -> None:
        self._model = unit.channels[channel - 1]
        self._load_ohm = load_ohm
        self._divider = self._model.divider(load_ohm)
        self._drive_limits_v = self._model.drive_limits_v()
        input_seed, hum_seed, output_seed = seed.spawn(3)
        self._input_noise = WhiteNoise(self._model.input_noise_v_rms, true_rate_hz, input_seed)
        self._output_noise = WhiteNoise(self._model.output_noise_v_rms, true_rate_hz, output_seed)
        self._hum = Hum(self._model.hum, unit.mains_hz, true_rate_hz, hum_seed)
        self._make_linear(unit, channel, true_rate_hz)
        self._medium = Medium(unit.medium, true_rate_hz)
        self._volume = Volume(self._model.volume_turn, true_rate_hz)
        self._hand = LoadHand(self._model, load_ohm, true_rate_hz, load_inductance_h)
        self._oversampler = self._make_oversampler(true_rate_hz)

    def _make_linear(self, unit: UnitModel, channel: int, true_rate_hz: float) -> None:
        network = unit.network(channel)
        shape = replace(network, gain=1.0)
        self._recursive = Recursive(recursive_sections(shape, true_rate_hz))
        self._through = Fir(network.gain * _through_taps(shape, true_rate_hz))
        self._across: Fir | None = None
        leakage = self._model.leakage_network()
        if leakage is not None:
            taps = _across_taps(shape, replace(leakage, gain=1.0), true_rate_hz)
            self._across = Fir(network.gain * leakage.gain * taps)

    def _make_oversampler(self, true_rate_hz: float) -> Oversampler | None:
        if self._model.clips or self._model.dead_band_v > 0.0:
            return Oversampler(oversampling_factor(true_rate_hz, INTERNAL_RATE_HZ))
        # A third-order polynomial alone makes nothing beyond three times the band: four times the rate holds it all.
        return Oversampler(4) if self._model.bends else None

    @property
    def delay_frames(self) -> int:
        """Frames from input to output."""
        bending = self._oversampler.delay_frames if self._oversampler is not None else 0
        return FIR_DELAY_FRAMES + bending + self._hand.delay_frames

    @property
    def bending_factor(self) -> int:
        """How many times the frames the stages that bend run at; 1 when nothing bends."""
        return 1 if self._oversampler is None else self._oversampler.factor

    @property
    def a_per_v(self) -> float:
        """Current in the load for a volt of the open output; 0 without a load."""
        return 0.0 if self._load_ohm is None else self._divider / self._load_ohm

    def asked(self, own_v: FloatArray, other_v: FloatArray) -> FloatArray:
        """Return what the linear part asks for, at the rate of the stages that bend.

        own_v, other_v : (frames,), this channel's input and the other's. Returns (frames · bending_factor,).
        """
        asked_v = self._through.process(self._input_noise.added_to(own_v))
        if self._across is not None:
            asked_v = asked_v + self._across.process(other_v)
        asked_v = self._volume.turned(self._recursive.process(asked_v))
        return asked_v if self._oversampler is None else self._oversampler.up(asked_v)

    def bent(self, asked_v: FloatArray) -> FloatArray:
        """Return what the stages make of what was asked, before the rails."""
        return asked_v if self._oversampler is None else bent(asked_v, self._model, self._drive_limits_v)

    def railed(self, bent_v: FloatArray, fall_v: FloatArray | None = None) -> FloatArray:
        """Return the open output without hum and noise of what `bent` gave. fall_v : of the rails; None: none."""
        return bent_v if self._oversampler is None else railed(bent_v, self._model, fall_v)

    def delivered(self, open_v: FloatArray) -> FloatArray:
        """Return the loaded output, (frames,), of what `railed` gave."""
        output_v = open_v if self._oversampler is None else self._oversampler.down(open_v)
        return self._hand.loaded(self._output_noise.added_to(self._hum.added_to(self._medium.added_to(output_v))))


def curved(volts: FloatArray, curve: ConverterCurve, v_rms_at_full_scale: float) -> FloatArray:
    """Return what a converter's curve makes of volts, (frames,); sample by sample (see `simulation.card`)."""
    if curve.straight:
        return volts
    parts = volts / (v_rms_at_full_scale * SQRT2)
    return np.asarray(volts * (1.0 + parts * (curve.second_order + parts * curve.third_order)), dtype=np.float64)


class _Coupling:
    """A coupling capacitor of the card; nothing when its corner is 0."""

    def __init__(self, corner_hz: float, true_rate_hz: float) -> None:
        rows = [low_cut(corner_hz, true_rate_hz)] if corner_hz > 0.0 else []
        self._recursive = Recursive(np.array(rows).reshape(-1, 6))

    def process(self, volts: FloatArray) -> FloatArray:
        return self._recursive.process(volts)


class SignalPath:
    """Card output → unit (or a loop cable) → attenuator → card input, two channels, fresh state.

    ratios : of the attenuator before each input.  load_ohm : on each output of the unit; None: open.
    load_inductance_h : in series with each.
    delay_frames : of the whole path, whatever is in it. Raises ValueError when the unit's filters take longer.
    """

    def __init__(
        self,
        unit: UnitModel | None,
        card: CardModel,
        *,
        sample_rate_hz: float,
        delay_frames: int,
        ratios: Sequence[float] = (1.0, 1.0),
        load_ohm: Sequence[float | None] = (None, None),
        load_inductance_h: Sequence[float] = (0.0, 0.0),
        seed: np.random.SeedSequence | int = 0,
    ) -> None:
        sequence = seed if isinstance(seed, np.random.SeedSequence) else np.random.SeedSequence(seed)
        rate_hz = card.true_rate_hz(sample_rate_hz)
        seeds = sequence.spawn(3 * card.channels)
        self._card, self._ratios = card, tuple(ratios)
        self._engines = [
            ChannelEngine(
                unit,
                channel,
                true_rate_hz=rate_hz,
                load_ohm=load_ohm[channel - 1],
                load_inductance_h=load_inductance_h[channel - 1],
                seed=seeds[channel - 1],
            )
            for channel in (1, 2)
            if unit is not None
        ]
        self._output_noise = [WhiteNoise(card.output_noise_v_rms, rate_hz, s) for s in seeds[2:4]]
        self._input_noise = [WhiteNoise(card.input_noise_v_rms, rate_hz, s) for s in seeds[4:6]]
        self._output_coupling = [_Coupling(card.output_low_cut_hz, rate_hz) for _ in range(2)]
        self._input_coupling = [_Coupling(card.input_low_cut_hz, rate_hz) for _ in range(2)]
        own = [engine.delay_frames for engine in self._engines] or [0, 0]
        if delay_frames < max(own):
            raise ValueError(f"the path takes at least {max(own)} frames, not {delay_frames}")
        # The card is late before anything makes noise or hum: so these do not move when the latency does. A channel
        # with fewer filters than the other waits for it.
        self._latency = [Delay(delay_frames - max(own)) for _ in own]
        self._waits = [Delay(max(own) - frames) for frames in own]
        self._make_common(unit, rate_hz)
        # A unit that plays by itself puts its own sound where the card's would come in.
        self._player = None
        if unit is not None and unit.player is not None:
            self._player = Player(unit.player, read_disc_audio(unit.player.disc), rate_hz)
        self._deck = None
        if unit is not None and unit.deck is not None:
            self._deck = Deck(unit.deck, rate_hz, sequence.spawn(1)[0])
        self._tuner = None
        if unit is not None and unit.tuner is not None:
            self._tuner = Tuner(unit.tuner, rate_hz, sequence.spawn(1)[0])
        self._turntable = None
        if unit is not None and unit.turntable is not None:
            self._turntable = Turntable(unit.turntable, unit.mains_hz, rate_hz, sequence.spawn(1)[0])

    def _make_common(self, unit: UnitModel | None, rate_hz: float) -> None:
        """Make what both channels of the unit share."""
        self._supply: SaggingSupply | None = None
        self._relay: ProtectionRelay | None = None
        if unit is not None and unit.supply is not None:
            self._supply = SaggingSupply(
                unit.supply,
                rate_hz=self._engines[0].bending_factor * rate_hz,
                a_per_v=[engine.a_per_v for engine in self._engines],
            )
        if unit is not None and unit.protection is not None:
            self._relay = ProtectionRelay(unit.protection, rate_hz)
        self._switch = None if unit is None or unit.switch is None else PowerSwitch(unit.switch, rate_hz)
        self._stage: OutputStage | None = None
        if unit is not None and unit.output_stage is not None:
            self._stage = OutputStage(unit.output_stage, unit.mains_hz, rate_hz)

    def process(self, played_v: FloatArray) -> FloatArray:
        """Return volts at the card's converter of volts at its outputs, both (frames, 2). Any number of frames."""
        outputs = [self._output(channel, played_v[:, channel]) for channel in (0, 1)]
        captured = np.empty_like(played_v)
        for channel, volts in enumerate(self._unit(outputs)):
            coupled_v = self._input_coupling[channel].process(volts / self._ratios[channel])
            converted_v = self._input_noise[channel].added_to(coupled_v)
            captured[:, channel] = curved(converted_v, self._card.input_curve, self._card.v_rms_at_full_scale_in)
        return captured

    def _output(self, channel: int, played_v: FloatArray) -> FloatArray:
        late_v = self._latency[channel].process(played_v)
        curved_v = curved(late_v, self._card.output_curve, self._card.v_rms_at_full_scale_out)
        return self._output_coupling[channel].process(self._output_noise[channel].added_to(curved_v))

    def _unit(self, outputs: list[FloatArray]) -> list[FloatArray]:
        if not self._engines:
            return outputs
        if self._player is not None:
            outputs = self._player.volts(len(outputs[0]))
        if self._deck is not None:
            outputs = self._deck.volts(outputs)
        if self._tuner is not None:
            outputs = self._tuner.volts(len(outputs[0]))
        if self._turntable is not None:
            outputs = self._turntable.volts(len(outputs[0]))
        asked = [engine.asked(outputs[n], outputs[1 - n]) for n, engine in enumerate(self._engines)]
        delivered = [
            wait.process(engine.delivered(open_v))
            for engine, wait, open_v in zip(self._engines, self._waits, self._open(asked), strict=True)
        ]
        for relay in (self._stage, self._relay, self._switch, self._player):
            delivered = delivered if relay is None else relay.through(delivered)
        return delivered

    def _open(self, asked: list[FloatArray]) -> list[FloatArray]:
        """Return the open outputs; the stages before the rails are reckoned once, however often those are."""
        pairs = [(engine, engine.bent(asked_v)) for engine, asked_v in zip(self._engines, asked, strict=True)]
        if self._supply is None:
            return [engine.railed(bent_v) for engine, bent_v in pairs]
        return self._supply.limited([partial(engine.railed, bent_v) for engine, bent_v in pairs])
