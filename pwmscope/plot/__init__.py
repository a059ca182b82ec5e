"""Pictures of results: each function takes results, draws on Axes and returns them.

`width_over_time` and `histogram` draw one line, `frames` one frame of all lines or the first
frames of one, `losses` a line around a signal loss, `drive_path` where the robot would go,
`wiring` the bench. Each takes an optional ``ax``; without one it makes a figure of its own.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use

if TYPE_CHECKING:
    from pwmscope.plot.frame_timing import draw_frames, frames
    from pwmscope.plot.loss_panels import (
        MAX_LOSSES,
        failsafe_figure,
        losses,
        write_failsafe_picture,
    )
    from pwmscope.plot.paths import (
        bench_pictures,
        draw_channel_map,
        draw_drive_path,
        draw_sticks,
        drive_path,
        mixing_pictures,
    )
    from pwmscope.plot.strips import (
        PAPER,
        SCREEN,
        Ink,
        loss_strip,
        on_paper,
        travel_ruler,
        width_strip,
    )
    from pwmscope.plot.style import Picture, compacted, house_style, picture_form, to_svg
    from pwmscope.plot.widths import (
        draw_channel,
        draw_jitter_spectra,
        format_loss,
        histogram,
        named_levels,
        width_over_time,
    )
    from pwmscope.plot.wiring_drawing import draw_wiring, wiring


__all__ = [
    "MAX_LOSSES", "PAPER", "SCREEN", "Ink", "Picture", "bench_pictures", "compacted",
    "draw_channel", "draw_channel_map", "draw_drive_path", "draw_frames", "draw_jitter_spectra",
    "draw_sticks", "draw_wiring", "drive_path", "failsafe_figure", "format_loss", "frames",
    "histogram", "house_style", "loss_strip", "losses", "mixing_pictures", "named_levels",
    "on_paper", "picture_form", "to_svg", "travel_ruler", "width_over_time", "width_strip",
    "wiring", "write_failsafe_picture",
]  # fmt: skip
_FOR_PEOPLE = ("drive_path", "frames", "histogram", "losses", "width_over_time", "wiring")


__getattr__ = at_first_use(__name__, {
    "frame_timing": "draw_frames frames",
    "loss_panels": "failsafe_figure losses MAX_LOSSES write_failsafe_picture",
    "paths": "bench_pictures draw_channel_map draw_drive_path draw_sticks drive_path "
    "mixing_pictures",
    "strips": "Ink loss_strip on_paper PAPER SCREEN travel_ruler width_strip",
    "style": "compacted house_style Picture picture_form to_svg",
    "widths": "draw_channel draw_jitter_spectra format_loss histogram named_levels "
    "width_over_time",
    "wiring_drawing": "draw_wiring wiring",
})  # fmt: skip
"""Import what draws when it is first used; the library behind it is slow to import."""


def __dir__() -> list[str]:
    """List what a person draws with; the rest is the report's."""
    return list(_FOR_PEOPLE)
