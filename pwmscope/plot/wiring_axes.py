"""The drawing of a bench's wiring on axes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, Protocol
from xml.etree import ElementTree

from matplotlib.axes import Axes
from matplotlib.patches import Circle, Polygon, Rectangle

from pwmscope.bench import BenchSheet
from pwmscope.bench.wiring import Wiring, check_wiring
from pwmscope.errors import require_type
from pwmscope.plot.style import new_axes
from pwmscope.plot.wiring_drawing import draw_wiring

_PX_PER_IN: Final = 110.0
_WEIGHTS: Final = {"start": "left", "middle": "center", "end": "right"}


class SheetResult(Protocol):
    """What holds a bench sheet, as `pwmscope.analyse` gives it."""

    @property
    def sheet(self) -> BenchSheet | None:
        """The sheet."""


def wiring(result: Wiring | BenchSheet | SheetResult, *, ax: Axes | None = None) -> Axes:
    """Draw the wiring of a bench as its sheet states it, with what the wiring rules say.

    Parameters
    ----------
    result : Wiring, BenchSheet, or what has a bench sheet as ``sheet``
        Such as what `pwmscope.analyse` gives where it was given a sheet.
    ax : Axes, optional
        Where to draw; by default on a figure of its own.

    Returns
    -------
    Axes
        In the drawing's own units; it has no ticks.

    Raises
    ------
    ArgumentError
        If it is something else, or has no sheet.

    Examples
    --------
    >>> import pwmscope
    >>> axes = wiring(pwmscope.load_sheet("captures/bench.toml"))
    >>> axes.texts[0].get_text()
    'Wiring of Quince, as its bench sheet states it'
    """
    if not isinstance(result, Wiring):
        sheet = result if isinstance(result, BenchSheet) else getattr(result, "sheet", None)
        require_type(
            "result", sheet, BenchSheet, "a bench sheet, its wiring, or an analysis with a sheet"
        )
        assert isinstance(sheet, BenchSheet)  # just seen
        result = check_wiring(sheet)
    root = ElementTree.fromstring(draw_wiring(result))  # our own text, from the line above
    wide, high = float(root.attrib["width"]), float(root.attrib["height"])
    if ax is None:
        size_in = wide / _PX_PER_IN, high / _PX_PER_IN
        ax = new_axes(size_in, (0.0, 0.0, *size_in))
    ax.set_xlim(0.0, wide)
    ax.set_ylim(high, 0.0)
    ax.set_aspect("equal")
    ax.set_axis_off()
    # A px of the drawing in points of the figure, so that letters keep to their boxes.
    scale = ax.get_window_extent().width / ax.figure.dpi * 72.0 / wide
    for order, element in enumerate(root):
        _draw(ax, element.tag.rpartition("}")[2], element, scale, order)
    return ax


def _draw(axes: Axes, kind: str, element: ElementTree.Element, scale: float, order: int) -> None:
    """Draw one of the few elements that the drawing is built of."""
    given = element.attrib
    look: dict[str, Any] = {
        "facecolor": given.get("fill", "none"),
        "edgecolor": given.get("stroke", "none"),
        "linewidth": float(given.get("stroke-width", 0.0)) * scale,
        "linestyle": _dash(given),
        "zorder": 1 + order,
    }
    if kind == "rect":
        corner = float(given.get("x", 0.0)), float(given.get("y", 0.0))
        size = float(given["width"]), float(given["height"])
        axes.add_patch(Rectangle(corner, *size, **look))
    elif kind == "circle":
        axes.add_patch(Circle((float(given["cx"]), float(given["cy"])), float(given["r"]), **look))
    elif kind == "polygon":
        axes.add_patch(Polygon(_points(given), **look))
    elif kind == "polyline":
        x, y = zip(*_points(given), strict=True)
        axes.plot(
            x, y, color=given["stroke"], linewidth=look["linewidth"], linestyle=look["linestyle"],
            zorder=look["zorder"],
        )  # fmt: skip
    elif kind == "text":
        axes.text(
            float(given["x"]), float(given["y"]), element.text or "", color=given["fill"],
            fontsize=float(given["font-size"]) * scale, fontweight=given["font-weight"],
            ha=_WEIGHTS[given["text-anchor"]], va="baseline", zorder=look["zorder"],
            parse_math=False,
        )  # fmt: skip


def _points(given: Mapping[str, str]) -> list[tuple[float, float]]:
    pairs = (pair.split(",") for pair in given["points"].split())
    return [(float(x), float(y)) for x, y in pairs]


def _dash(given: Mapping[str, str]) -> str | tuple[float, tuple[float, ...]]:
    dashes = tuple(float(part) for part in given.get("stroke-dasharray", "").split())
    return (0.0, dashes) if dashes else "-"
