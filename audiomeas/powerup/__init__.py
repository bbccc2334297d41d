"""First power-up of a unit, guided: no sound, no bench, no interface; what a person reads and types is all there is."""
