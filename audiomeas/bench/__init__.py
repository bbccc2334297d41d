"""The bench: file, calibrations, ranges, loads, interlock. Volts to counts and back; it never sees a harmonic."""
