"""Where the hands held the sticks, as the recorded stick lines tell it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pwmscope.advice.drive.commands import Throttle
from pwmscope.advice.drive.outputs import Outputs
from pwmscope.bench import Axis
from pwmscope.errors import PwmscopeError
from pwmscope.model import FloatArray
from pwmscope.pulses import PulseTable


@dataclass(frozen=True, slots=True)
class Hands:
    """Stick positions over time."""

    time_s: FloatArray  # shape (n,): In order
    # shape (n,): For each stick axis that was recorded, from -1 to 1; right and forward are
    # positive
    position: Mapping[Axis, FloatArray]

    @classmethod
    def of(
        cls,
        tables: Mapping[Axis, PulseTable],
        end_s: float,
        throttles: Mapping[Axis, Throttle] | None = None,
    ) -> Hands:
        """Read the positions off the widths of recorded stick lines."""
        if not tables:
            raise PwmscopeError(
                "No stick line is named, so what the hands did cannot be drawn; record the "
                "receiver's pins and name them stick-aileron and so on in the bench sheet."
            )
        read = {} if throttles is None else throttles
        outputs = Outputs.of(list(tables.values()), end_s)
        position = {
            axis: read.get(axis, Throttle()).commands(outputs.width_us[:, k])
            for k, axis in enumerate(tables)
        }
        return cls(outputs.time_s[:-1], position)
