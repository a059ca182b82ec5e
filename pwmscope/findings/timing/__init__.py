"""The frame clock: its period, offset, drift, noise and faults."""
