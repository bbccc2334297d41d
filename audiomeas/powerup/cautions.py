"""What must be known before mains is raised for the first time; shown first, whatever a sheet says (trade practice)."""

from __future__ import annotations

from audiomeas.bench.cautions import NOT_A_SAFETY_DEVICE

CAUTIONS = (
    NOT_A_SAFETY_DEVICE,
    "mains and what is behind it kill: only if qualified, never alone, one hand, by the maker's service manual",
    "an isolating transformer, one unit on it; a variable one alone does not isolate, and limits voltage, not current",
    "a bulb in series limits damage, it does not make touching safe; it gets hot; no power is measured through it",
    "no signal, no loudspeakers; never lift a protective earth; a trip or switch within reach of your other hand",
    "capacitors keep their charge after switch-off: through a resistor, and measured, before anything is touched",
)
TUBE_CAUTIONS = (
    "tubes: 300 to 600 V d.c., also after switch-off; below 30 V on the meter before touching; rings and watches off",
    "a tube amplifier is always loaded: its output transformer can arc without",
)
#: Said where the mains is still on and the program has ended or will not go on.
SWITCH_OFF = "SWITCH OFF NOW at the trip or the plug, hands off the unit"
STILL_ON = "the mains is as you left it, audiomeas can't switch it: turn it down and switch off before you go"
