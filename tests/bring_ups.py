"""A short bring-up sheet and the readings of an invented healthy unit, that several tests share."""

from __future__ import annotations

SHORT = """\
title = "Short bring-up"
kind = "power amplifier"
circuit = "solid-state"
mains_v = 120
bulb_w = 100
mains_meter = "1 % + 3 digits"
meter = "0.5 % + 3 digits"
checklist = ["The fuse is right"]

[[step]]
name = "half"
mains_percent = 50
bulb = "in"
dwell_min = 10
readings = 2

[[step]]
name = "full"
mains_percent = 100
bulb = "out"

[[reading]]
name = "Rail"
reading = "positive rail"
unit = "V"
lowest = "0 V"
highest = "100 V"
from_percent = 100
stop_above = "50 V"
target = "40 V"
tolerance = "4 V"
source = "maker"
"""
#: In the order of asking: confirmations; two looks at half mains; the bulb taken out; one look at full mains.
LINES = """\
yes  # bulb, isolation, trip
yes  # nothing connected
The fuse is right = yes
bulb = dim
mains = 60.0 V
current = 80 mA
dc_offset_1 = 12.1 mV
dc_offset_2 = -3.0 mV
signs = no
dark
60.0 V
70 mA
11.0 mV
-3.1 mV
no
yes  # bulb out
mains = 120.0 V
current = 150 mA
8.2 mV
-2.9 mV
Rail = 39.8 V
no
"""
