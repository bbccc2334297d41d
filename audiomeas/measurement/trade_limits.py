"""Figures from which the trade suspects a failure, where the words of a measurement and a failure picture both ask.

Source: common practice, as the trade notes list it; failures by their numbers there.
"""

from __future__ import annotations

#: Both channels play the same (41), and they are swapped (39).
MONO_DB, SWAPPED_DB = 3.0, 20.0
#: Separation that is low, and ways that differ (34).
LOW_SEPARATION_DB, WAYS_DIFFER_DB = 30.0, 6.0
#: Distortion of a tuner that rises so many times with modulation (35), and what each has at 100 % (0.1 to 0.3 %).
DETECTOR_RATIO, DETECTOR_PERCENT = 5.0, 0.3
#: Azimuth (22), and a tape that wanders (23), of a cassette at 10 kHz: two minutes of arc, 40 degrees, are its own.
AZIMUTH_DEG, WANDER_DEG = 45.0, 60.0
#: A head that is magnetised (26), and treble that bias moves, against third harmonic (27).
MAGNETISED_DB, BIAS_DB = -46.0, 2.0
#: Reels that drag (33).
DRAG_PERCENT = 0.5
