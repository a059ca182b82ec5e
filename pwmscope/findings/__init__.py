"""From pulses held against the bench to findings: value, uncertainty, limit, verdict."""
