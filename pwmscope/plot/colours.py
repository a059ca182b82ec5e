"""The colours of all pictures: ink on white; no meaning is carried by a colour alone."""

from __future__ import annotations

from typing import Final

INK: Final = "#14213d"
GREY: Final = "#5c6370"
BAND: Final = "#e8ebf0"
DWELL: Final = "#98a4ba"
ALARM: Final = "#9c2f00"
LOSS: Final = "#f7efe0"
