"""A simulated unit: what it is, what is wrong with it, and its design truth in closed form.

The order of the stages of a channel is fixed:

    input + noise + leakage from the other channel's input
      → low cuts, equalization, high cuts, gain           linear, before everything that bends
      → volume control                                    what a hand does to it, over the time of a stream
      → crossover dead band → polynomial → rails          memoryless, in volts at the open output
      → + what a tape or record plays, hum, noise         in volts at the open output
      → output impedance against the load                 divides all of the above; R and L in series, where it has one
      → ripple and oscillation                            both channels (see `simulation.output_stage`)
      → protection relay                                  both channels; opens for good
      → relay of the power switch                         both channels; opens and closes over the time of a stream

The rails may fall with the current that both channels deliver (see `simulation.supply`).

So with u the voltage that the linear part asks for, the open output is

    v = sign(u) · max(|u| − d, 0)       dead band of half-width d, continuous ('sub' in the field's tables)
    y = v + a₂·v² + a₃·v³               for v = A·cos ωt: fundamental A + ¾·a₃·A³, second harmonic ½·a₂·A², third
                                        ¼·a₃·A³, DC ½·a₂·A²
    y limited to negative_clip_v … positive_clip_v

With a knee of half-width k the rail R is reached by a parabola, for R − k ≤ y ≤ R + k (and alike below):

    R − (R + k − y)² / 4k       slope 1 where it begins, 0 where it ends
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from audiomeas.errors import RequestError
from audiomeas.simulation.deck import DeckModel, read_deck
from audiomeas.simulation.filters import AnalogNetwork
from audiomeas.simulation.medium import MediumModel
from audiomeas.simulation.motion import read_motion
from audiomeas.simulation.output_stage import OutputStageModel, read_output_stage
from audiomeas.simulation.pairs import pairs, pairs_above_0
from audiomeas.simulation.player import PlayerModel, read_player
from audiomeas.simulation.tuner import TunerModel, read_tuner
from audiomeas.simulation.turntable import TurntableModel, read_turntable
from audiomeas.tomlfile import Table, nearest, read_toml

EQUALIZATIONS = ("flat", "riaa")
#: RIAA playback (IEC 60098): 3180 µs and 75 µs fall, 318 µs rises.
RIAA_FALL_S, RIAA_RISE_S = (3180e-6, 75e-6), (318e-6,)


@dataclass(frozen=True, kw_only=True)
class HumLine:
    """A line at a multiple of the mains frequency, in V r.m.s. at the open output."""

    multiple: float
    level_v_rms: float


@dataclass(frozen=True, kw_only=True)
class ChannelModel:
    """One channel of a unit; volts at the open output unless the name says otherwise.

    gain_db : at middle frequencies (with equalization: at 1 kHz).  inverted : polarity.
    low_cuts_hz, high_cuts_hz : first-order corners.  fall_us, rise_us : time constants from which the gain falls and
    rises by 6 dB an octave, beside the equalization; they leave it as it is at 1 kHz.  dead_band_v : half-width.
    second_order_per_v, third_order_per_v2 : a₂ and a₃ (see the module).
    positive_clip_v, negative_clip_v : rails, of the open output; infinite when there are none.
    knee_v : half-width of the knee at both rails (see the module); 0: hard.
    leakage_db : ratio of what arrives from the other channel's input at 1 kHz; None: nothing. It rises by 6 dB an
    octave up to leakage_corner_hz.
    input_noise_v_rms, output_noise_v_rms : white, in 20 kHz, at the input and at the open output.
    volume_turn : what a hand does to the control: ((seconds, dB), …), straight in dB over time between these points and
    constant outside; the seconds count from the beginning of each stream (so each begins with a control as the first
    point says). Empty: the control stands at 0 dB.
    load_change : what a hand does to the load, ((seconds, Ω), …), infinite for none: from that second of each stream on
    it is this one, without inductance. Rails that sag don't see it, nor an inductance of the load.
    """

    gain_db: float = 0.0
    inverted: bool = False
    low_cuts_hz: tuple[float, ...] = ()
    high_cuts_hz: tuple[float, ...] = ()
    fall_us: tuple[float, ...] = ()
    rise_us: tuple[float, ...] = ()
    dead_band_v: float = 0.0
    second_order_per_v: float = 0.0
    third_order_per_v2: float = 0.0
    positive_clip_v: float = math.inf
    negative_clip_v: float = -math.inf
    knee_v: float = 0.0
    output_impedance_ohm: float = 0.0
    leakage_db: float | None = None
    leakage_corner_hz: float = 200_000.0
    hum: tuple[HumLine, ...] = ()
    input_noise_v_rms: float = 0.0
    output_noise_v_rms: float = 0.0
    volume_turn: tuple[tuple[float, float], ...] = ()
    load_change: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        if not self.negative_clip_v < 0.0 < self.positive_clip_v:
            raise ValueError("rails need a negative and a positive voltage")
        if not 0.0 <= self.knee_v < min(self.positive_clip_v, -self.negative_clip_v):
            raise ValueError("a knee must be narrower than the rails are high")
        self.drive_limits_v()

    @property
    def clips(self) -> bool:
        """There is a rail."""
        return math.isfinite(self.positive_clip_v) or math.isfinite(self.negative_clip_v)

    @property
    def bends(self) -> bool:
        """The polynomial is there."""
        return self.second_order_per_v != 0.0 or self.third_order_per_v2 != 0.0

    def drive_limits_v(self) -> tuple[float, float]:
        """Return where the polynomial reaches rails and knee (negative, positive); infinite without that rail.

        Raises ValueError when it turns back before: such a stage has no sense beyond the turn.
        """
        return (
            -_reaches(self.knee_v - self.negative_clip_v, -self.second_order_per_v, self.third_order_per_v2),
            _reaches(self.positive_clip_v + self.knee_v, self.second_order_per_v, self.third_order_per_v2),
        )

    def divider(self, load_ohm: float | None) -> float:
        """Return what is left of the open output's voltage at a load (None: open)."""
        return 1.0 if load_ohm is None or math.isinf(load_ohm) else load_ohm / (load_ohm + self.output_impedance_ohm)

    def load_network(self, load_ohm: float | None, inductance_h: float = 0.0) -> AnalogNetwork:
        """Return what a load of resistance and inductance in series leaves of the open output (load_ohm None: open).

        (R + sL)/(R + Ro + sL) = R/(R + Ro) · (1 + sL/R)/(1 + sL/(R + Ro)), a voltage divider with output resistance Ro.
        """
        divider = self.divider(load_ohm)
        if load_ohm is None or inductance_h == 0.0:
            return AnalogNetwork(divider)
        angular_h = 2.0 * math.pi * inductance_h
        poles_hz = ((load_ohm + self.output_impedance_ohm) / angular_h,)
        return AnalogNetwork(divider, high_cuts_hz=poles_hz, zeros_hz=(load_ohm / angular_h,))

    def leakage_network(self) -> AnalogNetwork | None:
        """Return the way from the other channel's input to this one's; None without leakage."""
        if self.leakage_db is None:
            return None
        ratio = 1_000.0 / self.leakage_corner_hz
        at_1_khz = ratio / math.hypot(1.0, ratio)
        return AnalogNetwork(gain=10.0 ** (self.leakage_db / 20.0) / at_1_khz, low_cuts_hz=(self.leakage_corner_hz,))


def _reaches(rail_v: float, second: float, third: float) -> float:
    """Return the smallest v > 0 with v + second·v² + third·v³ = rail_v. Raises ValueError when it turns back before."""
    if not math.isfinite(rail_v):
        return math.inf
    if second == 0.0 and third == 0.0:
        return rail_v
    roots = np.roots([third, second, 1.0, -rail_v])
    crossings = [float(root.real) for root in roots if abs(root.imag) < 1e-9 * rail_v and root.real > 0.0]
    turns = [float(root.real) for root in np.roots([3.0 * third, 2.0 * second, 1.0]) if abs(root.imag) < 1e-12]
    if not crossings or any(0.0 < turn < min(crossings) for turn in turns):
        raise ValueError("the polynomial turns back before it reaches the rail: make its coefficients smaller")
    return min(crossings)


@dataclass(frozen=True, kw_only=True)
class SupplyModel:
    """The supply of both channels: each rail is lower by `resistance_ohm` times the current that both deliver.

    The current is |output| / load, both channels together, through one time constant: that of the store behind it.
    """

    resistance_ohm: float
    time_constant_s: float


@dataclass(frozen=True, kw_only=True)
class ProtectionModel:
    """A relay that opens for the rest of a stream once a loaded output was above a voltage for `after_s` in all."""

    above_v_peak: float
    after_s: float


@dataclass(frozen=True, kw_only=True)
class SwitchModel:
    """What a hand does to the power switch over the time of a stream, and what the unit sends out then.

    off_s, on_s : when it is switched off and on again, in seconds from the beginning of each stream.   relay_delay_s :
    from switching on to the relay, which lets nothing through from `off_s` until then.
    off_thump_v, click_v, on_thump_v : at the loaded outputs when it is switched off, when it is switched on (past the
    open relay), and when the relay closes: each begins at its voltage and decays with thump_decay_s.
    """

    off_s: float
    on_s: float
    relay_delay_s: float
    off_thump_v: float = 0.0
    click_v: float = 0.0
    on_thump_v: float = 0.0
    thump_decay_s: float = 0.01

    @property
    def thumps(self) -> tuple[tuple[float, float], ...]:
        """Return (seconds, volts) of each."""
        relay_s = self.on_s + self.relay_delay_s
        return ((self.off_s, self.off_thump_v), (self.on_s, self.click_v), (relay_s, self.on_thump_v))


@dataclass(frozen=True, kw_only=True)
class UnitModel:
    """A stereo unit with known properties. channels : left, right. Raises ValueError: a supply without rails."""

    kind: str
    maker: str
    model: str
    serial: str
    channels: tuple[ChannelModel, ChannelModel]
    equalization: str = "flat"
    mains_hz: float = 50.0
    supply: SupplyModel | None = None
    protection: ProtectionModel | None = None
    switch: SwitchModel | None = None
    medium: MediumModel | None = None
    player: PlayerModel | None = None
    output_stage: OutputStageModel | None = None
    deck: DeckModel | None = None
    tuner: TunerModel | None = None
    turntable: TurntableModel | None = None

    def __post_init__(self) -> None:
        rails = [rail for one in self.channels for rail in (one.positive_clip_v, -one.negative_clip_v)]
        if self.supply is not None and not all(math.isfinite(rail) for rail in rails):
            raise ValueError("a supply that sags needs both rails on both channels")

    def network(self, channel: int) -> AnalogNetwork:
        """Return the linear part of a channel (1 or 2), from its input to its open output."""
        model = self.channels[channel - 1]
        gain = 10.0 ** (model.gain_db / 20.0) * (-1.0 if model.inverted else 1.0)
        fall_s, rise_s = (tuple(1e-6 * tau_us for tau_us in taus) for taus in (model.fall_us, model.rise_us))
        if self.equalization == "riaa":
            fall_s, rise_s = (*RIAA_FALL_S, *fall_s), (*RIAA_RISE_S, *rise_s)
        falls, rises = (tuple(1.0 / (2.0 * math.pi * tau_s) for tau_s in taus) for taus in (fall_s, rise_s))
        if falls or rises:
            shape = AnalogNetwork(high_cuts_hz=falls, zeros_hz=rises)
            gain /= float(np.abs(shape.at(np.array([1_000.0]))[0]))
        return AnalogNetwork(gain, model.low_cuts_hz, falls + model.high_cuts_hz, rises)

    def gain_at_hz(
        self,
        channel: int,
        frequency_hz: NDArray[np.float64],
        *,
        load_ohm: float | None = None,
        load_inductance_h: float = 0.0,
    ) -> NDArray[np.complex128]:
        """Return the complex small-signal gain of a channel (1 or 2) by design, dead band and polynomial left out."""
        loaded = self.channels[channel - 1].load_network(load_ohm, load_inductance_h)
        places_hz = np.asarray(frequency_hz, dtype=np.float64)
        return self.network(channel).at(places_hz) * loaded.at(places_hz)


def read_unit(path: Path) -> UnitModel:
    """Read a unit's TOML file. Raises FileProblem or TomlProblem (file, line, key)."""
    table = read_toml(path)
    channels = table.tables("channel")
    if len(channels) != 2:
        raise table.problem("channel", f"a stereo unit has two [[channel]] tables, not {len(channels)}")
    values: dict[str, Any] = {
        "kind": table.text("kind"),
        "maker": table.text("maker"),
        "model": table.text("model"),
        "serial": table.text("serial"),
        "equalization": table.choice("equalization", list(EQUALIZATIONS), "flat"),
        "mains_hz": table.number("mains_hz", 50.0, at_least=40.0, at_most=70.0),
        "channels": (_channel(channels[0]), _channel(channels[1])),
        "supply": _supply(table.table("supply", optional=True)),
        "protection": _protection(table.table("protection", optional=True)),
        "switch": _switch(table.table("switch", optional=True)),
        "medium": _medium(table.table("medium", optional=True)),
        "player": read_player(table.table("player", optional=True)),
        "output_stage": read_output_stage(table.table("output_stage", optional=True)),
        "deck": read_deck(table.table("deck", optional=True)),
        "tuner": read_tuner(table.table("tuner", optional=True)),
        "turntable": read_turntable(table.table("turntable", optional=True)),
    }
    table.finish()
    try:
        return UnitModel(**values)
    except ValueError as error:
        raise table.problem("supply", str(error)) from None


def _supply(table: Table | None) -> SupplyModel | None:
    if table is None:
        return None
    model = SupplyModel(
        resistance_ohm=table.number("resistance_ohm", at_least=0.0, at_most=1_000.0),
        time_constant_s=table.number("time_constant_s", at_least=1e-3, at_most=100.0),
    )
    table.finish()
    return model


def _protection(table: Table | None) -> ProtectionModel | None:
    if table is None:
        return None
    model = ProtectionModel(
        above_v_peak=table.number("above_v_peak", above=0.0, at_most=1_000.0),
        after_s=table.number("after_s", at_least=0.0, at_most=100.0),
    )
    table.finish()
    return model


def _switch(table: Table | None) -> SwitchModel | None:
    if table is None:
        return None
    off_s = table.number("off_s", at_least=0.0, at_most=3600.0)
    model = SwitchModel(
        off_s=off_s,
        on_s=table.number("on_s", above=off_s, at_most=3600.0),
        relay_delay_s=table.number("relay_delay_s", 0.0, at_least=0.0, at_most=100.0),
        off_thump_v=table.number("off_thump_v", 0.0, at_least=-1_000.0, at_most=1_000.0),
        click_v=table.number("click_v", 0.0, at_least=-1_000.0, at_most=1_000.0),
        on_thump_v=table.number("on_thump_v", 0.0, at_least=-1_000.0, at_most=1_000.0),
        thump_decay_s=table.number("thump_decay_s", 0.01, at_least=1e-4, at_most=10.0),
    )
    table.finish()
    return model


def _medium(table: Table | None) -> MediumModel | None:
    if table is None:
        return None
    model = MediumModel(
        tone_hz=table.number("tone_hz", at_least=100.0, at_most=20_000.0),
        level_v_rms=table.number("level_v_rms", above=0.0, at_most=100.0),
        leader_s=table.number("leader_s", 0.0, at_least=0.0, at_most=3600.0),
        motion=read_motion(table),
        drop_outs=pairs_above_0(table, "drop_outs_s", "[seconds, length in seconds]", 1e5, 10.0),
        splices=pairs_above_0(table, "splices", "[seconds, turn in radians]", 1e5, 4.0),
    )
    table.finish()
    return model


def _channel(table: Table) -> ChannelModel:
    values: dict[str, Any] = {
        "gain_db": table.number("gain_db", at_least=-60.0, at_most=100.0),
        "inverted": table.truth("inverted", False),
        "low_cuts_hz": _corners(table, "low_cuts_hz", 0.01, 20_000.0),
        "high_cuts_hz": _corners(table, "high_cuts_hz", 10.0, 1e8),
        "fall_us": table.numbers("fall_us", (), above=0.0),
        "rise_us": table.numbers("rise_us", (), above=0.0),
        "dead_band_v": table.number("dead_band_v", 0.0, at_least=0.0, at_most=1_000.0),
        "second_order_per_v": table.number("second_order_per_v", 0.0),
        "third_order_per_v2": table.number("third_order_per_v2", 0.0),
        "positive_clip_v": table.number("positive_clip_v", math.inf, above=0.0),
        "negative_clip_v": table.number("negative_clip_v", -math.inf, at_most=-1e-6),
        "knee_v": table.number("knee_v", 0.0, at_least=0.0, at_most=1_000.0),
        "output_impedance_ohm": table.number("output_impedance_ohm", 0.0, at_least=0.0, at_most=1e6),
        "leakage_db": table.number("leakage_db", None, at_least=-200.0, at_most=0.0),
        # The FIR that realises it has died out for any corner in the audio band's upper half and beyond.
        "leakage_corner_hz": table.number("leakage_corner_hz", 200_000.0, at_least=20_000.0, at_most=1e8),
        "hum": _hum(table),
        "input_noise_v_rms": table.number("input_noise_v_rms", 0.0, at_least=0.0, at_most=1.0),
        "output_noise_v_rms": table.number("output_noise_v_rms", 0.0, at_least=0.0, at_most=10.0),
        "volume_turn": _volume_turn(table),
        "load_change": _load_change(table),
    }
    table.finish()
    try:
        return ChannelModel(**values)
    except ValueError as error:
        raise table.problem(None, str(error)) from None


def _corners(table: Table, key: str, lowest_hz: float, highest_hz: float) -> tuple[float, ...]:
    corners: tuple[float, ...] = table.numbers(key, (), above=0.0)
    for corner_hz in corners:
        if not lowest_hz <= corner_hz <= highest_hz:
            raise table.problem(key, f"a corner must lie from {lowest_hz:g} to {highest_hz:g} Hz, not {corner_hz:g}")
    return corners


def _volume_turn(table: Table) -> tuple[tuple[float, float], ...]:
    """Take [[seconds, dB], …]: times rise from 0 on, the control gives from 0 dB down to -120 dB."""
    message = "must be a list of [seconds, dB], the seconds rising, the dB from -120 to 0, such as [[4, 0], [18, -70]]"
    return _over_time(table, "volume_turn", message, lambda volume_db: -120.0 <= volume_db <= 0.0)


def _load_change(table: Table) -> tuple[tuple[float, float], ...]:
    """Take [[seconds, Ω], …]: times rise from 0 on, loads are above 0; inf for none."""
    message = "must be a list of [seconds, ohms], the seconds rising, the ohms above 0 or inf, such as [[20, inf]]"
    return _over_time(table, "load_change", message, lambda load_ohm: load_ohm > 0.0)


def _over_time(table: Table, key: str, message: str, fits: Callable[[float], bool]) -> tuple[tuple[float, float], ...]:
    """Take [[seconds, value], …]: times rise from 0 on, every value fits. message : what it must be."""
    points = pairs(table, key, message)
    after = -math.inf
    for time_s, value in points:
        if not (after < time_s < math.inf and time_s >= 0.0 and fits(value)):
            raise table.problem(key, message)
        after = time_s
    return points


def _hum(table: Table) -> tuple[HumLine, ...]:
    """Take [[multiple, volts], …]. The multiples end at 100, well inside every sample rate's band."""
    message = "must be a list of [multiple of the mains frequency (0 … 100), V r.m.s.], for example [[1, 5e-5]]"
    found: list[HumLine] = []
    for multiple, level_v_rms in pairs(table, "hum", message):
        if not (0.0 < multiple <= 100.0 and math.isfinite(level_v_rms) and level_v_rms >= 0.0):
            raise table.problem("hum", message)
        found.append(HumLine(multiple=multiple, level_v_rms=level_v_rms))
    return tuple(found)


def _shipped(folder: str) -> dict[str, Path]:
    return {path.stem: path for path in sorted((Path(__file__).parent / folder).glob("*.toml"))}


def shipped_units() -> dict[str, Path]:
    """Return the units that come with audiomeas: name → file."""
    return _shipped("units")


def shipped_cards() -> dict[str, Path]:
    """Return the cards that come with audiomeas: name → file."""
    return _shipped("cards")


def find_unit(name_or_path: str | Path, *, folder: Path | None = None) -> Path:
    """Return the file of a shipped unit by its name, or of a TOML file. Raises RequestError naming the shipped ones.

    folder : where a relative path starts (None: the current folder).
    """
    return _find(name_or_path, shipped_units(), "unit", folder)


def find_card(name_or_path: str | Path, *, folder: Path | None = None) -> Path:
    """Return the file of a shipped card by its name, or of a TOML file. Raises RequestError naming the shipped ones."""
    return _find(name_or_path, shipped_cards(), "card", folder)


def _find(name_or_path: str | Path, shipped: dict[str, Path], what: str, folder: Path | None) -> Path:
    name = str(name_or_path)
    if name in shipped:
        return shipped[name]
    path = Path(name) if folder is None else folder / name
    if name.endswith(".toml"):
        return path
    hint = nearest(name, list(shipped))
    raise RequestError(
        f"no simulated {what} {name!r}{hint}; there are {', '.join(shipped)}, or give a TOML file of your own"
    )
