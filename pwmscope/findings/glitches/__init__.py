"""Kinds and patterns of glitches, and which lines they strike together."""
