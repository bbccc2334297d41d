"""Pure functions: arrays and numbers in, frozen results out. No file, device, plot, click or clock."""
