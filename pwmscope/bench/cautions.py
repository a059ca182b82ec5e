"""What to do before anything on the bench is powered."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "Remove the weapon, or lock it so that it cannot turn.",
    "Lift the wheels off the ground and restrain the robot.",
    "Wear eye protection; keep hands, hair and bystanders away from everything that can move.",
    "Handle the battery as its maker says: undamaged, watched, fire protection at hand.",
    "Probe the receiver's 5 V servo pins only, never battery or motor wires; ground first.",
    "The event's rulebook and its safety officer decide; these measurements only inform them.",
)
"""The usual cautions, in the order in which they matter (common practice)."""
