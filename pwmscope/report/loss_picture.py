"""The picture of a failsafe check: every line's pulse width around its losses."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from pwmscope.findings.failsafe import Failsafe
from pwmscope.plot import Picture, failsafe_figure, format_panel, house_style, to_svg, write_figure
from pwmscope.report.failsafe_text import format_failsafe_line, overall_failsafe_sentence


def draw_failsafe(check: Failsafe) -> Picture | None:
    """Draw the width around each loss, with the limit marked and the stop range shaded."""
    with house_style():
        figure = failsafe_figure(check)
        if figure is None:
            return None
        return Picture("failsafe", to_svg(figure), _CAPTION, _alt(check))


_CAPTION: Final = (
    "Pulse width around each loss, time counted from the moment of loss (full line). Shaded: the "
    "stop range of the device on the line. Dashed: the limit. Dotted: the transmitter, or where it "
    "is not marked the first output, was on again. Hatched at the lower edge: no pulses. Over "
    "each panel: the verdict on this loss."
)
"""How to read the picture."""


def write_failsafe_picture(check: Failsafe, path: Path, *, replace: bool) -> bool:
    """Write the picture to a file; False where no loss was seen, so that there is none."""
    with house_style():
        figure = failsafe_figure(check)
        if figure is not None:
            write_figure(figure, path, replace=replace)
    return figure is not None


def _alt(check: Failsafe) -> str:
    told = [
        f"{format_failsafe_line(line)}: " + "; ".join(format_panel(e) for _, e in line.losses[:3])
        for line in check.lines
        if line.losses
    ]
    return f"{overall_failsafe_sentence(check)} {'. '.join(told)}."
