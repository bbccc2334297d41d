"""Units with known faults, described in TOML, and the card they are wired to: real physics whose truth is known."""
