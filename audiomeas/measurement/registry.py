"""The one list of measurements: word → module. Modules load when they are used."""

from __future__ import annotations

from importlib import import_module

from audiomeas.errors import RequestError
from audiomeas.measurement.base import Measurement

#: Word → module and its summary, so that a list of words needs no module (a test holds the two together).
_MODULES = {
    "arm-resonance": (
        "audiomeas.measurement.arm_resonance",
        "Resonance of an arm with its cartridge, lateral and vertical: frequency, height, Q; by slow sweeps",
    ),
    "clipping": (
        "audiomeas.measurement.clipping",
        "Where a unit clips: onset, watts at given distortion, which half first, sag, recovery; by short bursts",
    ),
    "crosstalk": (
        "audiomeas.measurement.crosstalk",
        "Crosstalk both ways and both responses against frequency, from one capture of five seconds",
    ),
    "disc": (
        "audiomeas.measurement.disc",
        "A CD player by one capture of a test disc: level, response, noise, linearity, clock, jitter, mute",
    ),
    "distortion": (
        "audiomeas.measurement.distortion",
        "THD, THD+N, SINAD, harmonics, level and noise of a steady tone",
    ),
    "distortion-steps": (
        "audiomeas.measurement.distortion_steps",
        "Distortion against frequency, and against level or power, by stepped sines",
    ),
    "dynamic-range": (
        "audiomeas.measurement.dynamic_range",
        "Dynamic range by a tone 60 dB below the largest level (AES17), and idle noise",
    ),
    "flutter": (
        "audiomeas.measurement.flutter",
        "Wow, flutter, speed and drift of a tape deck or turntable that plays a tone of 3000 or 3150 Hz",
    ),
    "gain": (
        "audiomeas.measurement.gain",
        "Gain, sensitivity for a rated output, and balance of the channels, from one tone",
    ),
    "headroom": (
        "audiomeas.measurement.headroom",
        "Dynamic headroom: power of 20 ms swells that just clip, over the rated continuous power",
    ),
    "hum-change": (
        "audiomeas.measurement.hum_change",
        "Hum before and after you change one thing half-way (motor, ground of the arm, a lead): change by line",
    ),
    "input-impedance": (
        "audiomeas.measurement.input_impedance",
        "Input impedance against frequency, by a resistor that you put in series with the input in a pause",
    ),
    "intermodulation": (
        "audiomeas.measurement.intermodulation",
        "Intermodulation of two tones: modulation, difference-frequency, transient form, or any pair",
    ),
    "linearity": (
        "audiomeas.measurement.linearity",
        "Linearity of a converter or player: how true a tone's level stays down to 100 dB below the largest",
    ),
    "multitone": (
        "audiomeas.measurement.multitone",
        "Gain, crosstalk both ways, and distortion plus noise between many tones, from one second",
    ),
    "noise": (
        "audiomeas.measurement.noise",
        "Noise with nothing played: weighted levels, S/N with its reference, hum, spectrum, clicks",
    ),
    "output-impedance": (
        "audiomeas.measurement.output_impedance",
        "Output impedance and damping factor against frequency, by two loads that you change in a pause",
    ),
    "played-response": (
        "audiomeas.measurement.played_response",
        "Response of a cartridge, tape head or tuner that plays tones or a sweep; what its stage does divided out",
    ),
    "precondition": (
        "audiomeas.measurement.precondition",
        "Preconditioning before power is measured: an hour at an eighth of the rated power; or why it was waived",
    ),
    "power": (
        "audiomeas.measurement.power",
        "Power at the rated distortion against frequency, from a low level to the rated one, all channels driven",
    ),
    "response": (
        "audiomeas.measurement.response",
        "Gain and phase against frequency from one sweep, with corners, balance, delay and harmonics",
    ),
    "response-steps": (
        "audiomeas.measurement.response_steps",
        "Gain and phase by stepped sines: slow, simple, and the reference for the sweep",
    ),
    "rumble": (
        "audiomeas.measurement.rumble",
        "Rumble of a turntable in a silent groove, weighted and not, below a stated velocity; lines by what turns",
    ),
    "separation": (
        "audiomeas.measurement.separation",
        "Separation both ways and balance of a player, tuner or tape deck that plays tones in one channel each",
    ),
    "soak": (
        "audiomeas.measurement.soak",
        "A tone that stands for minutes, read each second: drift, drop-outs, noise; hours by `audiomeas soak`",
    ),
    "square-wave": (
        "audiomeas.measurement.square_wave",
        "Square wave: rise time within the band, overshoot, ringing, tilt, and slewing by two levels",
    ),
    "switching": (
        "audiomeas.measurement.switching",
        "Thumps when a unit is switched off and on, relay delay, noise on and off, from one capture of silence",
    ),
    "tape": (
        "audiomeas.measurement.tape",
        "A tape deck by one capture of a tape's side: level, speed, flutter, azimuth, response, 3 % point, noise",
    ),
    "tapping": (
        "audiomeas.measurement.tapping",
        "Whether a unit answers taps: steps of a tone's level and bursts beside it, at the taps and elsewhere",
    ),
    "tone-burst": (
        "audiomeas.measurement.tone_burst",
        "Tone burst: whether its level holds, what is left behind it, and what its level alone adds",
    ),
    "tracking": (
        "audiomeas.measurement.tracking",
        "Difference of the two channels over the range of a volume control that is turned in one capture",
    ),
    "tuner": (
        "audiomeas.measurement.tuner",
        "An FM tuner behind a stereo generator: separation, distortion, S/N, rests of the pilot, response, level",
    ),
}

#: Results that no bench gives: word → where its tables are. `words` does not list them.
_ENTERED = {"reading": "READINGS", "instruction": "INSTRUCTIONS"}


def words() -> list[str]:
    """Return all measurement words."""
    return list(_MODULES)


def summaries() -> list[tuple[str, str]]:
    """Return each word with its summary, without loading its module."""
    return [(word, summary) for word, (_, summary) in _MODULES.items()]


def find(word: str) -> Measurement:
    """Return the measurement of a word. Raises RequestError with the nearest valid word."""
    if word in _ENTERED:
        entered: Measurement = getattr(import_module("audiomeas.measurement.entered"), _ENTERED[word])
        return entered
    if word not in _MODULES:
        from audiomeas.tomlfile import nearest

        raise RequestError(f"unknown measurement {word!r}{nearest(word, words())}; known: {', '.join(words())}")
    measurement: Measurement = import_module(_MODULES[word][0]).MEASUREMENT
    return measurement
