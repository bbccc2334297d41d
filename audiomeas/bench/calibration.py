"""Calibration files: what one full scale of the converters is in volts, with uncertainty, date, method and validity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

from audiomeas.bench.loopback import Loopback, read_loopbacks, residual_rows
from audiomeas.bench.origin import ScaleOrigin, origin_mismatches, origin_of, validity
from audiomeas.bench.parts import SHAPES, Part, combined
from audiomeas.bench.response_limit import read_response_limit, response_limit_conditions
from audiomeas.files import sha256_of
from audiomeas.tomlfile import Table, read_toml
from audiomeas.units import db_to_amplitude_ratio

#: Parts of an uncertainty must together give the half-width that stands beside them, within this part of it.
_PARTS_WITHIN = 0.01


@dataclass(frozen=True, kw_only=True)
class Scale:
    """One converter channel. v_rms_at_full_scale : voltage (r.m.s.) of a sine that just reaches full scale (AES17).

    For an input this is the voltage at the unit's terminals, attenuator included. uncertainty : relative, 95 %
    half-width.  noise_v_rms : what the card adds by itself on this range, at the same place, 20 Hz to 20 kHz
    unweighted, its input closed by a short; None: not stated.  origin : None where the file speaks for all its scales.
    parts : what the uncertainty is made of (relative), where the file says it.
    """

    channel: int
    range_name: str
    v_rms_at_full_scale: float
    uncertainty: float
    noise_v_rms: float | None = None
    origin: ScaleOrigin | None = None
    parts: tuple[Part, ...] = ()

    def known_parts(self) -> tuple[Part, ...]:
        """Return what the uncertainty is made of.

        A half-width that stands alone has no known shape: it is taken as rectangular, which of all shapes with one
        hump leaves the widest sum beside other parts (the careful side). What names no source is this scale's own
        error, wherever the scale counts.
        """
        way = f"input {self.channel} on {self.range_name}" if self.range_name else f"output {self.channel}"
        source = f"{way}, {self.v_rms_at_full_scale:.10g} V"
        if not self.parts:
            return (Part("", self.uncertainty, "rectangular", source),)
        return tuple(
            part if part.source else replace(part, source=f"{source}: {part.component}") for part in self.parts
        )


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """One calibration file: the set-up it holds for, its evidence, and the scales.

    response_limit : rows of Hz and dB; so far at most output and input together are off from the frequency of
    calibration. Empty: not stated.
    """

    file: Path
    sha256: str
    interface: str
    host_api: str
    gain_setting: str
    sample_rates_hz: tuple[float, ...]
    made: date
    valid_until: date
    method: str
    instrument: str
    outputs: tuple[Scale, ...]
    inputs: tuple[Scale, ...]
    loopbacks: tuple[Loopback, ...] = ()
    response_limit: tuple[tuple[float, float], ...] = ()

    def output(self, channel: int) -> Scale | None:
        """Return the scale of an output channel; None when the file has none."""
        return next((scale for scale in self.outputs if scale.channel == channel), None)

    def input(self, channel: int, range_name: str) -> Scale | None:
        """Return the scale of an input channel on a range; None when the file has none."""
        wanted = (channel, range_name)
        return next((scale for scale in self.inputs if (scale.channel, scale.range_name) == wanted), None)

    def loopback(self, channel: int, range_name: str) -> Loopback | None:
        """Return what a loop has shown of a channel on a range; None when the file has none."""
        wanted = (channel, range_name)
        return next((one for one in self.loopbacks if (one.channel, one.range_name) == wanted), None)

    def ranges(self) -> tuple[str, ...]:
        """Return the names of the ranges, in the file's order."""
        return tuple(dict.fromkeys(scale.range_name for scale in self.inputs))

    def mismatches(
        self, *, interface: str, host_api: str, gain_setting: str, sample_rate_hz: float, today: date
    ) -> tuple[str, ...]:
        """Say in what the present set-up differs from the one that this calibration holds for (one line each)."""
        name = self.file.name
        found = []
        if (interface, host_api) != (self.interface, self.host_api):
            found.append(
                f"calibration {name} was made for {self.interface!r} ({self.host_api}), not for {interface!r} "
                f"({host_api}): its volts can't be relied on; calibrate this interface"
            )
        if gain_setting != self.gain_setting:
            found.append(
                f"calibration {name} holds for gain setting {self.gain_setting!r}, the bench says {gain_setting!r}"
            )
        if sample_rate_hz not in self.sample_rates_hz:
            rates = ", ".join(f"{rate:g}" for rate in self.sample_rates_hz)
            found.append(f"calibration {name} holds for {rates} Hz, not for {sample_rate_hz:g} Hz")
        if today > self.valid_until:
            found.append(f"calibration {name} expired on {self.valid_until.isoformat()}: calibrate again")
        if today < self.made:
            found.append(f"calibration {name} is dated {self.made.isoformat()}, in the future: check the clock")
        return tuple(found)

    def scale_mismatches(
        self, ranges: Mapping[int, str], *, sample_rate_hz: float, today: date, outputs: bool = True
    ) -> tuple[str, ...]:
        """Say which scales in use (channel → range) have expired or were made at other rates (one line each).

        outputs : the outputs of these channels are in use too; not so for a capture made elsewhere.
        """
        found: list[str] = []
        for channel, range_name in ranges.items():
            used = [(f"input {channel} on range {range_name!r}", self.input(channel, range_name))]
            if outputs:
                used.insert(0, (f"output {channel}", self.output(channel)))
            for what, scale in used:
                if scale is not None and scale.origin is not None:
                    name = f"calibration {self.file.name}: {what}"
                    found += origin_mismatches(name, scale.origin, sample_rate_hz, today)
        return tuple(found)

    def loopbacks_holding(self, sample_rate_hz: float, today: date) -> Calibration:
        """Return the calibration with those loopbacks alone that hold on a day, at a rate."""
        holding = (one for one in self.loopbacks if not origin_mismatches("", one.origin, sample_rate_hz, today))
        return replace(self, loopbacks=tuple(holding))

    def loopback_mismatches(self, ranges: Mapping[int, str], *, sample_rate_hz: float, today: date) -> tuple[str, ...]:
        """Say which loopbacks of ranges in use (channel → range) don't hold, and what follows (one line each)."""
        found: list[str] = []
        for channel, range_name in ranges.items():
            one = self.loopback(channel, range_name)
            if one is not None:
                what = f"calibration {self.file.name}: loopback {channel} on range {range_name!r}"
                lines = origin_mismatches(what, one.origin, sample_rate_hz, today)
                found += [f"{line}; what the bench adds is taken as not known" for line in lines]
        return tuple(found)

    def facts(self) -> dict[str, Any]:
        """Return what records and results keep of it."""
        return {
            "file": self.file.name,
            "sha256": self.sha256,
            "interface": self.interface,
            "made": self.made.isoformat(),
            "valid_until": self.valid_until.isoformat(),
            "method": self.method,
            "instrument": self.instrument,
        }


def read_calibration(file: Path) -> Calibration:
    """Read a calibration file. Raises FileProblem or TomlProblem (file, line, key)."""
    table = read_toml(file)
    made, valid_until = validity(table)
    calibration = Calibration(
        file=file,
        sha256=sha256_of(file),
        interface=table.text("interface"),
        host_api=table.text("host_api"),
        gain_setting=table.text("gain_setting"),
        sample_rates_hz=table.numbers("sample_rates_hz", above=0.0),
        made=made,
        valid_until=valid_until,
        method=table.text("method"),
        instrument=table.text("instrument"),
        outputs=_scales(table, "output"),
        inputs=_scales(table, "input"),
        loopbacks=read_loopbacks(table),
        response_limit=read_response_limit(table),
    )
    table.finish()
    return calibration


def _scales(table: Table, key: str) -> tuple[Scale, ...]:
    found: list[Scale] = []
    for entry in table.tables(key, optional=True):
        channel = entry.integer("channel", at_least=1, at_most=64)
        scale = Scale(
            channel=channel,
            range_name=entry.text("range") if key == "input" else "",
            v_rms_at_full_scale=entry.number("v_rms_at_full_scale", at_least=1e-4, at_most=10_000.0),
            uncertainty=entry.number("uncertainty_percent", at_least=0.0, at_most=100.0) / 100.0,
            noise_v_rms=entry.number("noise_v_rms", None, above=0.0, at_most=10.0) if key == "input" else None,
            origin=origin_of(entry),
            parts=_parts(entry),
        )
        _refuse_other_sum(entry, scale)
        entry.finish()
        if any((old.channel, old.range_name) == (channel, scale.range_name) for old in found):
            where = f" on range {scale.range_name!r}" if scale.range_name else ""
            raise entry.problem("channel", f"channel {channel}{where} is there twice")
        found.append(scale)
    return tuple(found)


def _parts(entry: Table) -> tuple[Part, ...]:
    found = []
    for row in entry.tables("part", optional=True):
        half_percent = row.number("half_width_percent", at_least=0.0, at_most=100.0)
        shape = row.choice("shape", list(SHAPES))
        found.append(Part(row.text("component"), half_percent / 100.0, shape, row.text("source", "")))
        row.finish()
    return tuple(found)


def _refuse_other_sum(entry: Table, scale: Scale) -> None:
    """Raise TomlProblem where the parts of an uncertainty are not those of the one that is stated."""
    if not scale.parts:
        return
    whole = combined(scale.parts)
    if abs(whole - scale.uncertainty) > _PARTS_WITHIN * scale.uncertainty:
        raise entry.problem(
            "uncertainty_percent",
            f"is {100.0 * scale.uncertainty:.3g}, and its parts give {100.0 * whole:.3g}: one of them was edited; "
            "calibrate again, or take the parts out (it is then taken for rectangular)",
        )


def not_claimed(calibration: Calibration) -> str:
    """Return what follows, in one line, where a calibration is used outside of what it holds for."""
    return (
        f"calibration {calibration.file.name} does not hold here: volts, watts and gains are told by it all the same, "
        "without an uncertainty, and limits on them stay undecided"
    )


def bench_noise_conditions(calibration: Calibration, ranges: Mapping[int, str]) -> dict[str, Any]:
    """Return, as conditions, the noise that a calibration states for ranges in use, and the range that is quietest.

    ranges : channel → range.   Empty where the calibration states nothing. 'quietest_range' lacks a channel that is
    on its quietest range already.
    """
    stated, quietest = {}, {}
    for channel, name in ranges.items():
        scale = calibration.input(channel, name)
        if scale is None:
            continue
        noise_v_rms = _noise_v_rms(scale, calibration.loopback(channel, name))
        if noise_v_rms is not None:
            stated[str(channel)] = noise_v_rms
        least = min(_of_channel(calibration, channel), key=lambda one: one.v_rms_at_full_scale)
        if least.v_rms_at_full_scale < scale.v_rms_at_full_scale:
            quietest[str(channel)] = least.range_name
    return {"card_noise_v_rms": stated, "quietest_range": quietest} if stated or quietest else {}


def _noise_v_rms(scale: Scale, loopback: Loopback | None) -> float | None:
    """Return the bench's noise on a range: what a loop has shown goes before what was stated by hand."""
    if loopback is None:
        return scale.noise_v_rms
    return scale.v_rms_at_full_scale * db_to_amplitude_ratio(loopback.noise_dbfs + loopback.noise_uncertainty_db)


def bench_own_conditions(calibration: Calibration, ranges: Mapping[int, str]) -> dict[str, Any]:
    """Return, as conditions, the response and the distortion of the bench itself on ranges in use, where known.

    With them what full scale is at the output of the same number: how loud it plays counts for what it adds.

    ranges : channel → range.  Where no loop has shown the response, its limits stand for it (`response_limit`).
    """
    found: dict[str, dict[str, Any]] = {"bench_residual_db": {}, "bench_response_db": {}, "bench_output_v_rms": {}}
    for channel, name in ranges.items():
        one = calibration.loopback(channel, name)
        if one is None:
            continue
        rows = residual_rows(calibration.loopbacks, channel, name)
        found["bench_residual_db"][str(channel)] = [list(row.values()) for row in rows]
        found["bench_response_db"][str(channel)] = [list(point.values()) for point in one.response]
        if (output := calibration.output(channel)) is not None:
            found["bench_output_v_rms"][str(channel)] = output.v_rms_at_full_scale
    known = {key: by_channel for key, by_channel in found.items() if by_channel}
    return {**known, **response_limit_conditions(calibration, ranges)}


def _of_channel(calibration: Calibration, channel: int) -> list[Scale]:
    return [scale for scale in calibration.inputs if scale.channel == channel]
