"""What an analogue line's high state was like: its level, its lowest, its rise, its sag."""

from pwmscope.findings.levels.levels import DEFINITIONS, HighState, examine_levels

__all__ = ["DEFINITIONS", "HighState", "examine_levels"]
