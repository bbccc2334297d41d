"""The bench file: interface, calibration, attenuator ranges, loads and ceilings, in one TOML file."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from audiomeas.bench.calibration import Calibration, read_calibration
from audiomeas.bench.load_heat import ThermalRating, thermal_rating
from audiomeas.bench.load_power import LARGEST_INDUCTANCE_H, power_resistance_ohm
from audiomeas.bench.loudspeakers import Loudspeakers, read_loudspeakers
from audiomeas.bench.rehearsed import read_faults
from audiomeas.errors import RequestError
from audiomeas.files import is_there, sha256_of
from audiomeas.interface.faulty import Fault
from audiomeas.interface.protocol import SAMPLE_FORMATS, SampleFormat
from audiomeas.tomlfile import Table, read_toml
from audiomeas.units import Level, parse_level

#: A block and a 20 ms fade together must stay below 50 ms: that is how fast the output is silent when it must be.
_LONGEST_BLOCK_S = 0.03
#: Of a block, where a rate allows for it.
_USUAL_BLOCK_FRAMES = 512


@dataclass(frozen=True, kw_only=True)
class InterfaceChoice:
    """Which interface, and how it runs. For a sound card: name and host API; for a simulated one: unit and card."""

    kind: str
    sample_rate_hz: float
    sample_format: SampleFormat
    block_frames: int
    latency_s: float | None
    gain_setting: str
    name: str = ""
    host_api: str | None = None
    unit: str = ""
    card: str = ""
    seed: int = 0


#: Loads for loudspeaker outputs lie within these (common practice); another is asked about, as it may be a slip.
USUAL_LOAD_OHM = (1.0, 20.0)
#: Loads rated for less than this are no power amplifier's.
_OF_POWER_W = 2.0


@dataclass(frozen=True, kw_only=True)
class Load:
    """The dummy load on one channel. uncertainty : relative 95 % half-width of the resistance.

    inductance_h : in series, with its 95 % half-width in henries; None: not measured.

    rated_w : for long, as it is mounted.   short_term_w, short_term_s, cooling_s, ambient_c : see `bench.load_heat`.
    """

    channel: int
    resistance_ohm: float
    rated_w: float
    uncertainty: float
    inductance_h: float | None = None
    inductance_uncertainty_h: float = 0.0
    short_term_w: float | None = None
    short_term_s: float | None = None
    cooling_s: float | None = None
    ambient_c: float | None = None

    def power_ohm(self, frequency_hz: float) -> float:
        """Return the resistance with which U²/R is the power taken at a frequency: more than R on an inductive load."""
        return power_resistance_ohm(self.resistance_ohm, self.inductance_h or 0.0, frequency_hz)

    @property
    def doubt(self) -> str:
        """What is unusual about its resistance, as a slip of the decimal point would make it; '' when nothing is."""
        low_ohm, high_ohm = USUAL_LOAD_OHM
        if self.rated_w < _OF_POWER_W or low_ohm <= self.resistance_ohm <= high_ohm:
            return ""
        return (
            f"the load on channel {self.channel} is entered with {self.resistance_ohm:.3g} Ω, which is no usual load "
            f"({low_ohm:g} to {high_ohm:g} Ω): watts and ceilings are wrong with it, so measure it again"
        )

    @property
    def thermal(self) -> ThermalRating:
        """What it stands for long and for seconds. Raises ValueError for what contradicts itself."""
        return thermal_rating(
            self.rated_w,
            short_term_w=self.short_term_w,
            short_term_s=self.short_term_s,
            cooling_s=self.cooling_s,
            ambient_c=self.ambient_c,
        )


@dataclass(frozen=True, kw_only=True)
class Limits:
    """What may never be exceeded on this bench, whatever a plan asks for.

    input_v_rms : into the unit.  output_v_rms : out of the unit.  highest_gain_db : of any unit connected here; the
    first look starts 40 dB below where this gain would reach a ceiling.
    """

    input_v_rms: float
    output_v_rms: float
    highest_gain_db: float


@dataclass(frozen=True, kw_only=True)
class BenchFile:
    """One bench, as its file states it. loudspeakers_said : it states whether loudspeakers are connected."""

    file: Path
    sha256: str
    name: str
    interface: InterfaceChoice
    calibration: Calibration
    ranges: tuple[tuple[int, str], ...]
    loads: tuple[Load, ...]
    limits: Limits
    usual_input_level: Level | None
    usual_output_level: Level | None
    loudspeakers: Loudspeakers | None = None
    loudspeakers_said: bool = False
    rehearsed: tuple[Fault, ...] = ()

    @property
    def channels(self) -> tuple[int, ...]:
        """1-based channels in use."""
        return tuple(channel for channel, _ in self.ranges)

    def load(self, channel: int) -> Load | None:
        """Return the load of a channel; None when nothing is entered."""
        return next((load for load in self.loads if load.channel == channel), None)


def read_bench(file: Path) -> BenchFile:
    """Read a bench file and its calibration. Raises FileProblem or TomlProblem (file, line, key)."""
    table = read_toml(file)
    calibration_file = file.parent / table.text("calibration")
    if not is_there(calibration_file):
        raise table.problem("calibration", f"{calibration_file} was not found (a path starts at the bench file)")
    calibration = read_calibration(calibration_file)
    usual = table.table("usual", optional=True)
    interface = _interface(_required(table, "interface"))
    bench = BenchFile(
        file=file,
        sha256=sha256_of(file),
        name=table.text("name"),
        calibration=calibration,
        interface=interface,
        ranges=_ranges(table, calibration),
        loads=_loads(table),
        limits=_limits(_required(table, "limits")),
        usual_input_level=_level(usual, "input_level"),
        usual_output_level=_level(usual, "output_level"),
        loudspeakers_said="loudspeakers" in table,
        loudspeakers=read_loudspeakers(table.table("loudspeakers", optional=True)),
        rehearsed=read_faults(table, simulated=interface.kind == "simulated", sample_format=interface.sample_format),
    )
    if usual is not None:
        usual.finish()
    table.finish()
    return bench


def _required(table: Table, key: str) -> Table:
    found = table.table(key)
    assert found is not None
    return found


def _interface(table: Table) -> InterfaceChoice:
    kind = table.choice("kind", ["simulated", "soundcard"])
    simulated = kind == "simulated"
    sample_rate_hz = table.number("sample_rate_hz", 96_000.0, at_least=8_000, at_most=768_000)
    longest = int(_LONGEST_BLOCK_S * sample_rate_hz)
    choice = InterfaceChoice(
        kind=kind,
        sample_rate_hz=sample_rate_hz,
        sample_format=table.choice("sample_format", list(SAMPLE_FORMATS), "int24"),
        block_frames=table.integer("block_frames", min(_USUAL_BLOCK_FRAMES, longest), at_least=16, at_most=16_384),
        # What the driver holds in store can't be faded: a longer latency would break the promise of 50 ms.
        latency_s=table.number("latency_s", None, above=0.0, at_most=_LONGEST_BLOCK_S),
        gain_setting=table.text("gain_setting", "fixed"),
        name="" if simulated else table.text("name"),
        host_api=None if simulated else table.text("host_api", None),
        unit=table.text("unit") if simulated else "",
        card=table.text("card", "card") if simulated else "",
        seed=table.integer("seed", 1, at_least=0) if simulated else 0,
    )
    table.finish()
    if choice.block_frames > longest:
        limit_ms = 1000.0 * _LONGEST_BLOCK_S
        raise table.problem("block_frames", f"must be at most {longest} at {sample_rate_hz:g} Hz ({limit_ms:g} ms)")
    return choice


def _ranges(table: Table, calibration: Calibration) -> tuple[tuple[int, str], ...]:
    found: list[tuple[int, str]] = []
    for entry in table.tables("input"):
        channel = entry.integer("channel", at_least=1, at_most=64)
        name = entry.text("range")
        entry.finish()
        if any(channel == old for old, _ in found):
            raise entry.problem("channel", f"channel {channel} is there twice")
        if calibration.input(channel, name) is None:
            known = ", ".join(calibration.ranges()) or "none"
            raise entry.problem(
                "range", f"{calibration.file.name} has no range {name!r} for channel {channel}; it has: {known}"
            )
        found.append((channel, name))
    if not found:
        raise table.problem("input", "a bench needs at least one [[input]] with channel and range")
    return tuple(found)


def _loads(table: Table) -> tuple[Load, ...]:
    found: list[Load] = []
    for entry in table.tables("load", optional=True):
        load = Load(
            channel=entry.integer("channel", at_least=1, at_most=64),
            resistance_ohm=entry.number("resistance_ohm", above=0.0, at_most=1e6),
            rated_w=entry.number("rated_w", above=0.0, at_most=1e5),
            uncertainty=entry.number("uncertainty_percent", 1.0, at_least=0.0, at_most=50.0) / 100.0,
            inductance_h=entry.number("inductance_h", None, at_least=0.0, at_most=LARGEST_INDUCTANCE_H),
            inductance_uncertainty_h=_inductance_uncertainty_h(entry),
            short_term_w=entry.number("short_term_w", None, above=0.0, at_most=1e6),
            short_term_s=entry.number("short_term_s", None, at_least=0.1, at_most=600.0),
            cooling_s=entry.number("cooling_s", None, at_least=1.0, at_most=36_000.0),
            ambient_c=entry.number("ambient_c", None, at_least=-20.0, at_most=200.0),
        )
        entry.finish()
        try:
            _ = load.thermal
        except ValueError as error:
            raise entry.problem("short_term_w", str(error)) from None
        if any(load.channel == old.channel for old in found):
            raise entry.problem("channel", f"channel {load.channel} is there twice")
        found.append(load)
    return tuple(found)


def _inductance_uncertainty_h(entry: Table) -> float:
    if "inductance_uncertainty_h" in entry and "inductance_h" not in entry:
        raise entry.problem("inductance_uncertainty_h", "belongs to an inductance_h: enter it too, or take this out")
    found: float = entry.number("inductance_uncertainty_h", 0.0, at_least=0.0, at_most=LARGEST_INDUCTANCE_H)
    return found


def _limits(table: Table) -> Limits:
    limits = Limits(
        input_v_rms=table.number("input_v_rms", above=0.0, at_most=100.0),
        output_v_rms=table.number("output_v_rms", above=0.0, at_most=60.0),
        highest_gain_db=table.number("highest_gain_db", at_least=-60.0, at_most=120.0),
    )
    table.finish()
    return limits


def _level(table: Table | None, key: str) -> Level | None:
    text = None if table is None else table.text(key, None)
    if text is None:
        return None
    assert table is not None
    try:
        return parse_level(text)
    except RequestError as error:
        raise table.problem(key, str(error)) from None


def bench_facts(bench: BenchFile) -> dict[str, Any]:
    """Return what records keep of a bench, as JSON."""
    return {
        "name": bench.name,
        "file": bench.file.name,
        "sha256": bench.sha256,
        "interface": {
            "kind": bench.interface.kind,
            "name": bench.interface.name or bench.interface.unit,
            "host_api": bench.interface.host_api,
            "gain_setting": bench.interface.gain_setting,
            "sample_format": bench.interface.sample_format,
        },
        "ranges": {str(channel): name for channel, name in bench.ranges},
        "loads": {
            str(load.channel): {
                "resistance_ohm": load.resistance_ohm,
                "rated_w": load.rated_w,
                "uncertainty_percent": 100.0 * load.uncertainty,
                "inductance_h": load.inductance_h,
                "inductance_uncertainty_h": load.inductance_uncertainty_h,
                "usable_w": load.thermal.usable_w,
                "short_term_w": load.thermal.short_term_w,
            }
            for load in bench.loads
        },
        "limits": {
            "input_v_rms": bench.limits.input_v_rms,
            "output_v_rms": bench.limits.output_v_rms,
            "highest_gain_db": bench.limits.highest_gain_db,
        },
        "loudspeakers": None if bench.loudspeakers is None else bench.loudspeakers.facts(),
        "calibration": bench.calibration.facts(),
    }
