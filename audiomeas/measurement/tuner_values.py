"""One channel's figures of a tuner: copied from the measurements of its states, or made of two of them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from audiomeas.analysis.factors import DB_PER_NEPER, TWO_SIDED_95
from audiomeas.bench.parts import Part, combined, scaled
from audiomeas.measurement.budget import NOISE_AND_FIT, Told, own_parts, parts_of
from audiomeas.measurement.played_bands import nearest
from audiomeas.measurement.scale_parts import between_parts
from audiomeas.measurement.separation import tell_separation
from audiomeas.measurement.tuner_read import AUDIO_HZ
from audiomeas.measurement.tuner_states import CARRIER, CONVENTIONS, FULL_KHZ, LEFT, MONO, PILOT, PRE_EMPHASES, RIGHT
from audiomeas.measurement.tuner_views import QUANTITIES, ROW_KEYS

if TYPE_CHECKING:
    from audiomeas.analysis.density import Density
    from audiomeas.analysis.equalization_curves import Equalization
    from audiomeas.measurement.result import ChannelResult
    from audiomeas.measurement.tuner_read import Read
    from audiomeas.recording import Recording

REFERENCE_HZ = 1000.0
PILOT_HZ = 19_000.0
#: Multiples of the pilot that a tuner may leave → the figure of each; from the third on, all above the multiplex
#: signal's 53 kHz, one.
_RESIDUES = {1: "pilot_residue_db", 2: "subcarrier_residue_db", 3: "high_residue_db", 4: "high_residue_db"}
#: A pilot is 19 kHz within 2 Hz (ITU-R BS.450), and the card's clock within 50 ppm (common practice): no further off.
_PILOT_OFF = 3e-4
#: A line that is not there is at most what a Hann window has of a band of so many bins.
_LOBE_BINS = 3.0
#: Frequencies that a first-order fit needs besides those that it fits (see `analysis.equalization`).
_LEAST_POINTS = 5
#: De-emphasis as options name it: its time constant in µs.
DE_EMPHASES = ("50", "75", "25")
_US = 1e6


@dataclass(frozen=True, kw_only=True)
class States:
    """The states of a capture by what they are for.

    mono, low : 1 kHz at 100 %, and at less.   left, right : 1 kHz at 100 %.   carrier, pilot : silence.
    response : mono tones at one modulation.   All None or empty where they are missing.
    """

    all: tuple[Read, ...]
    mono: Read | None
    low: Read | None
    left: Read | None
    right: Read | None
    carrier: Read | None
    pilot: Read | None
    response: tuple[Read, ...]


def sorted_out(reads: Sequence[Read]) -> States:
    """Return states by what they are for."""
    tones = [one for one in reads if one.state.frequency_hz is not None and one.coupling is not None]
    mono = [one for one in tones if one.state.kind == MONO]
    percents = {one.state.percent for one in mono}
    by_percent = [[one for one in mono if one.state.percent == percent] for percent in sorted(percents)]
    most = max(by_percent, key=lambda group: len({one.state.frequency_hz for one in group}), default=[])
    return States(
        all=tuple(reads),
        mono=_at_reference([one for one in mono if one.state.percent == 100.0]),
        low=_at_reference([one for one in mono if one.state.percent < 100.0]),
        left=_at_reference([one for one in tones if one.state.kind == LEFT and one.state.percent == 100.0]),
        right=_at_reference([one for one in tones if one.state.kind == RIGHT and one.state.percent == 100.0]),
        carrier=next((one for one in reads if one.state.kind == CARRIER), None),
        pilot=next((one for one in reads if one.state.kind == PILOT), None),
        response=tuple(sorted(most, key=_hz)) if len({one.state.frequency_hz for one in most}) > 1 else (),
    )


def _hz(read: Read) -> float:
    assert read.state.frequency_hz is not None
    return read.state.frequency_hz


def _at_reference(reads: Sequence[Read]) -> Read | None:
    """Return the first tone of 1 kHz (of 400 Hz to 1 kHz, where there is none: DIN has 400)."""
    for wanted_hz in (REFERENCE_HZ, 400.0):
        near_hz = nearest([_hz(one) for one in reads], wanted_hz)
        if near_hz is not None:
            return next(one for one in reads if _hz(one) == near_hz)
    return None


class ChannelFigures:
    """Makes one channel's values."""

    def __init__(self, states: States, recording: Recording, column: int, options: Mapping[str, Any]) -> None:
        self._states, self._recording, self._column, self._options = states, recording, column, options
        self._number = recording.channels[column]
        self._told = Told({key: None for key, _, _ in QUANTITIES})

    def result(self) -> ChannelResult:
        """Return the channel's result; what no state tells is null."""
        self._rows = [(read, self._row(read)) for read in self._states.all]
        values = self._told.values
        values["states"] = [_facts(read, row) for read, row in self._rows]
        values["response"], values["noise"] = [], None
        self._tell_tones()
        self._tell_noise()
        self._tell_residues()
        self._tell_response()
        return self._told.result(self._number)

    # -- state by state ------------------------------------------------------------------------------------------

    def _row(self, read: Read) -> ChannelResult:
        """Return what a state tells of this channel."""
        told = Told(dict.fromkeys(ROW_KEYS))
        found = read.channel(self._number)
        if found is not None and read.coupling is None:
            for key, of in (("noise_dbfs", "unweighted_dbfs"), ("noise_a_dbfs", "a_weighted_dbfs")):
                told.copy(key, found, of)
        elif found is not None and read.coupling is not None and self._column in read.plays:
            for key in ("level_dbfs", "level_v_rms", "thd_percent", "thd_n_percent"):
                told.copy(key, found, key)
            if read.state.stereo:
                tell_separation(told, self._recording, self._column, read.coupling)
        return told.result(self._number)

    def _of(self, wanted: Read | None) -> ChannelResult | None:
        return next((row for read, row in self._rows if read is wanted), None)

    def _playing(self) -> Read | None:
        """Return the state in which this channel plays alone, or ought to."""
        sides = [self._states.left, self._states.right]
        return next((one for one in sides if one is not None and self._column in one.plays), None)

    def _stereo(self) -> ChannelResult | None:
        """Return this channel's row of the state in which it plays alone; None where it doesn't: that is mono."""
        playing = self._playing()
        return None if playing is None or playing.alone is None else self._of(playing)

    # -- figures -------------------------------------------------------------------------------------------------

    def _tell_tones(self) -> None:
        mono, low, stereo = self._of(self._states.mono), self._of(self._states.low), self._stereo()
        told = self._told
        for key, row, of in (
            ("level_v_rms", mono, "level_v_rms"),
            ("level_dbfs", mono, "level_dbfs"),
            ("thd_mono_percent", mono, "thd_percent"),
            ("thd_n_mono_percent", mono, "thd_n_percent"),
            ("thd_low_percent", low, "thd_percent"),
            ("separation_db", self._of(self._playing()), "separation_db"),
            ("thd_stereo_percent", stereo, "thd_percent"),
            ("thd_n_stereo_percent", stereo, "thd_n_percent"),
        ):
            told.copy(key, row, of)
        self._tell_thd_ratio(mono, stereo)
        self._tell_balance()

    def _tell_thd_ratio(self, mono: ChannelResult | None, stereo: ChannelResult | None) -> None:
        """Tell by how much stereo distorts more than mono; of two bounds nothing."""
        rows = [row for row in (stereo, mono) if row is not None and row.values["thd_percent"]]
        if len(rows) < 2:
            return
        key, bounded = "thd_stereo_over_mono", ["thd_percent" in row.bound for row in rows]
        if all(bounded):
            return
        upper, lower = (row.values["thd_percent"] for row in rows)
        self._told.values[key] = upper / lower
        if any(bounded):
            self._told.at_most(key, word="at most" if bounded[0] else "at least")
            return
        parts = [scaled(parts_of(row, "thd_percent") or (), 1.0 / row.values["thd_percent"]) for row in rows]
        if all(parts):
            self._told.add(key, (*parts[0], *scaled(parts[1], -1.0)), upper / lower)

    def _tell_balance(self) -> None:
        """Tell by how much channel 2 is louder than channel 1, mono."""
        found = None if self._states.mono is None else self._states.mono.coupling
        if self._column == 0 or found is None or not found.heard or not self._recording.calibrated:
            return
        sign = 1.0 if found.louder == 0 else -1.0
        self._told.values["balance_db"] = sign * 20.0 * math.log10(abs(found.transfer))
        between = between_parts(self._recording, 1, 0)
        if between is not None:
            own = own_parts(found.transfer_uncertainty / abs(found.transfer))
            self._told.add("balance_db", (*between, *own), DB_PER_NEPER)

    def _tell_noise(self) -> None:
        """Tell how far noise lies below a tone of 100 %; both of one channel, so no scale is in it."""
        for mode, tone, silence in (
            ("mono", self._of(self._states.mono), self._states.carrier),
            ("stereo", self._stereo(), self._states.pilot),
        ):
            noise = self._of(silence)
            for key, of in ((f"snr_{mode}_db", "noise_dbfs"), (f"snr_a_{mode}_db", "noise_a_dbfs")):
                self._told.less(key, tone, "level_dbfs", noise, of)
        drawn = {
            read.state.kind: _up_to_audio(found.values["density"])
            for read in (self._states.carrier, self._states.pilot)
            if read is not None and (found := read.channel(self._number)) is not None
        }
        self._told.values["noise"] = drawn or None

    def _tell_residues(self) -> None:
        """Tell what is left of the pilot and its multiples, re 75 kHz of deviation."""
        pilot, mono = self._states.pilot, self._of(self._states.mono)
        if pilot is None or not pilot.densities or mono is None or mono.values["level_dbfs"] is None:
            return
        sides = [one for one in (self._states.left, self._states.right) if one is not None]
        if sides and all(one.alone is None for one in sides):
            return  # nothing is decoded: what is left then says nothing of stereo
        density = pilot.densities[self._column]
        convention = CONVENTIONS[self._options["convention"]]
        full_dbfs = mono.values["level_dbfs"] + 20.0 * math.log10(FULL_KHZ / convention.mono_khz)
        level_parts = parts_of(mono, "level_dbfs") or ()
        for multiple, key in _RESIDUES.items():
            residue = _residue(density, multiple * PILOT_HZ)
            if residue is None:
                continue
            level, half, heard = residue
            value_db = 20.0 * math.log10(level / self._recording.reference(self._column)) - full_dbfs
            so_far = self._told.values[key]
            if so_far is not None and so_far >= value_db:
                continue
            self._told.values[key] = value_db
            if key == "high_residue_db":
                self._told.values["high_residue_hz"] = multiple * PILOT_HZ
            if heard:
                self._told.bound.pop(key, None)
                own = scaled(own_parts(half / level), DB_PER_NEPER)
                self._told.add(key, (*own, *scaled(level_parts, -1.0)))
            else:
                self._told.at_most(key)

    # -- response ------------------------------------------------------------------------------------------------

    def _tell_response(self) -> None:
        """Tell the response against that of pre-emphasis and de-emphasis, and the time constant that it shows."""
        import numpy as np

        reference = _at_reference(self._states.response)
        rows = {_hz(read): (read, self._of(read)) for read in self._states.response}
        known = {hz: (read, row) for hz, (read, row) in rows.items() if row and row.values["level_dbfs"] is not None}
        if reference is None or _hz(reference) not in known:
            return
        at_reference = known[_hz(reference)][1]
        assert at_reference is not None
        places_hz = np.array([read.coupling.frequency_hz for read, _ in known.values() if read.coupling is not None])
        sent_db, expected_db = curves_db(places_hz, places_hz[list(known).index(_hz(reference))], self._options)
        measured_db, half_db = np.zeros(len(known)), np.zeros(len(known))
        for place, (hz, (_, row)) in enumerate(known.items()):
            assert row is not None
            level_db, parts = _level(row)
            reference_db, away = _level(at_reference)
            measured_db[place] = level_db - reference_db
            half_db[place] = 0.0 if hz == _hz(reference) else combined((*parts, *scaled(away, -1.0)))
        deviation_db = measured_db - expected_db
        self._told.values["response"] = [
            {
                "frequency_hz": float(hz),
                "level_db": float(level),
                "expected_db": float(expected),
                "deviation_db": float(off),
                "uncertainty": {"level_db": float(half), "deviation_db": float(half)},
                "bound": {},
                "note": "",
            }
            for hz, level, expected, off, half in zip(
                places_hz, measured_db, expected_db, deviation_db, half_db, strict=True
            )
        ]
        for key, at in (
            ("deviation_low_db", int(np.argmin(deviation_db))),
            ("deviation_high_db", int(np.argmax(deviation_db))),
        ):
            self._told.values[key] = float(deviation_db[at])
            self._told.add(key, [Part(NOISE_AND_FIT, float(half_db[at]))])
        self._tell_time_constant(places_hz, measured_db - sent_db, half_db)

    def _tell_time_constant(self, places_hz: Any, gain_db: Any, half_db: Any) -> None:
        """Tell the time constant that the tuner's response shows. gain_db : without the generator's pre-emphasis."""
        from audiomeas.analysis.equalization import fit_time_constants

        if len(places_hz) < _LEAST_POINTS:
            return
        target = target_of(self._options)
        (found,) = fit_time_constants(
            places_hz, gain_db, half_db, target, band_hz=(float(places_hz[0]), float(places_hz[-1]))
        ).constants
        if found.tau_s is not None:
            self._told.values["de_emphasis_us"] = _US * found.tau_s
            self._told.add("de_emphasis_us", [Part(NOISE_AND_FIT, found.uncertainty)], _US * found.tau_s)


def target_of(options: Mapping[str, Any]) -> Equalization:
    """Return the de-emphasis that the tuner ought to have."""
    from audiomeas.analysis.equalization_curves import equalization

    return equalization(f"fm-{options['de_emphasis']}")


def curves_db(frequency_hz: Any, reference_hz: float, options: Mapping[str, Any]) -> tuple[Any, Any]:
    """Return the generator's pre-emphasis, and with it the tuner's de-emphasis, in dB re a frequency, (points,)."""
    import numpy as np

    from audiomeas.analysis.equalization_curves import equalization

    sent_db = np.zeros(len(frequency_hz))
    if PRE_EMPHASES[options["pre_emphasis"]]:
        sent_db = -equalization(f"fm-{options['pre_emphasis']}").gain_db(frequency_hz, reference_hz=reference_hz)
    return sent_db, sent_db + target_of(options).gain_db(frequency_hz, reference_hz=reference_hz)


def _level(row: ChannelResult) -> tuple[float, Sequence[Part]]:
    """Return a tone's level and the parts of its uncertainty, in dB; in volts, where the bench's response is taken off.

    Both ends of a difference have the scale in common: it cancels, as their parts name it.
    """
    level_v_rms, parts = row.values["level_v_rms"], parts_of(row, "level_v_rms")
    if level_v_rms is None or parts is None:
        return row.values["level_dbfs"], parts_of(row, "level_dbfs") or ()
    return 20.0 * math.log10(level_v_rms), scaled(parts, DB_PER_NEPER / level_v_rms)


def _residue(density: Density, wanted_hz: float) -> tuple[float, float, bool] | None:
    """Return the level of a line, its half-width, and whether it stands out (else the level is a bound).

    None where the sample rate does not hold it.
    """
    from audiomeas.analysis.noise_lines import noise_lines

    reach_hz = _PILOT_OFF * wanted_hz + density.bin_hz
    if wanted_hz + reach_hz + _LOBE_BINS * density.bin_hz >= 0.5 * density.sample_rate_hz:
        return None
    near = [line for line in noise_lines(density) if abs(line.frequency_hz - wanted_hz) <= reach_hz]
    if near:
        line = max(near, key=lambda one: one.level_v_rms)
        return line.level_v_rms, line.uncertainty_v_rms, True
    half_hz = _LOBE_BINS * density.bin_hz
    noise = density.level((wanted_hz - half_hz, wanted_hz + half_hz))
    level = math.sqrt(noise.mean_square + TWO_SIDED_95 * noise.standard_deviation)
    return (level, 0.0, False) if level > 0.0 else None


def _up_to_audio(density: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Return a density for a chart, as far as noise is told."""
    if density is None:
        return None
    count = sum(hz <= AUDIO_HZ[1] for hz in density["frequency_hz"])
    return {key: density[key][:count] for key in ("frequency_hz", "dbfs_per_root_hz")}


def _facts(read: Read, row: ChannelResult) -> dict[str, Any]:
    return {
        "state": read.state.words,
        "frequency_hz": None if read.coupling is None else read.coupling.frequency_hz,
        "begin_s": round(read.begin_s, 2),
        "end_s": round(read.end_s, 2),
        **row.values,
        "uncertainty": dict(row.uncertainty),
        "bound": dict(row.bound),
    }


def unknown(number: int, states: States) -> dict[str, Any]:
    """Return the values of a channel of which nothing can be told."""
    rows = [_facts(read, Told(dict.fromkeys(ROW_KEYS)).result(number)) for read in states.all]
    return {**{key: None for key, _, _ in QUANTITIES}, "states": rows, "response": [], "noise": None}
