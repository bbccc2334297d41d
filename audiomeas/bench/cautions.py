"""What a person must know before they connect an attenuator or a load; shown before any figure (trade practice)."""

from __future__ import annotations

NOT_A_SAFETY_DEVICE = "audiomeas is not a safety device: it computes, it can't switch anything off"

ATTENUATOR_CAUTIONS = (
    NOT_A_SAFETY_DEVICE,
    "nothing above 60 V r.m.s. (85 V peak) goes to the attenuator, and nothing from inside a tube amplifier",
    "never connect it to mains, nor to a set whose chassis may be live (no transformer between mains and chassis)",
    "a tube amplifier is never driven without its load: its output transformer can arc",
    "before connecting: power off, ohms from minus to chassis; from 1 Ω upward treat the output as bridged",
    "switch on the unit first and connect after its click: thumps at switch-on reach the card",
)

BRIDGED_CAUTIONS = (
    "bridged: two pads, one for each terminal; the card's ground goes to the chassis, never to a minus terminal",
    "each pad stands the whole voltage: where one half hangs, one terminal carries it all",
    "subtract two channels of one card (one clock), or use a balanced input; for stereo, one side at a time",
    "null the two pads first: both tips on one terminal, and trim until the difference is least",
    "d.c. common to both terminals heats the pads too and reaches a card that is d.c. coupled: measure it",
)

_HOT_LOAD = "a load at work is hotter than 100 °C: keep 30 cm around it clear, cool it, stay with it"

LOAD_CAUTIONS = (
    NOT_A_SAFETY_DEVICE,
    _HOT_LOAD,
    "without its heatsink a resistor stands 40 % of its rating or less; in a box, or unmoved air, less again",
    "bursts count by watts × time: a short one beyond the rating heats what holds the wire before the case grows warm",
    "enter resistance as measured at the terminals, leads included; measure it again when it is hot",
)

#: Said where power is about to be measured.
POWER_CAUTIONS = (_HOT_LOAD, "no loudspeakers on the unit while its power is measured; a fault puts d.c. on them")
