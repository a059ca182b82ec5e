"""What the stick did: levels, travel, steps, rest and sweeps."""
