"""The truth of a recording as a small JSON document: summaries, no pulse lists."""

from __future__ import annotations

import dataclasses
import json
import os
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from pwmscope.model.recording import PS_PER_S, PS_PER_US
from pwmscope.output import replace_file
from pwmscope.synth.recording import Recording
from pwmscope.synth.truth import ChannelLoss, ChannelTruth, FrameTruth, Level, Truth

SCHEMA: Final = 1


def write_truth(recording: Recording, path: str | os.PathLike[str]) -> None:
    """Write the truth of a recording as JSON.

    Parameters
    ----------
    recording : Recording
        As `build` returns it.
    path : str or path-like
        The file.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left half-written.
    """
    text = json.dumps(summarise_truth(recording), indent=2, ensure_ascii=False) + "\n"

    def fill(out: BinaryIO) -> None:
        out.write(text.encode())

    replace_file(Path(path), fill)


def summarise_truth(recording: Recording) -> dict[str, Any]:
    """Summarise the truth of a recording.

    Parameters
    ----------
    recording : Recording
        As `build` returns it.

    Returns
    -------
    dict
        Plain values ready for JSON. Widths and jitter are in microseconds
        (rounded to the picosecond), times in seconds. ``asked`` values are the
        script's; ``drawn`` values are statistics of what was drawn, exact before
        sampling, and a standard deviation about a known mean divides by n.
    """
    script, truth = recording.script, recording.truth
    return {
        "schema": SCHEMA,
        "title": script.title,
        "synthetic": True,
        "seed": script.seed,
        "duration_s": script.duration_s,
        "sample_rate_hz": script.sample_rate_hz,
        "shape": script.shape,
        "lines": list(script.line_names),
        "marker": script.marker,
        "frames": _frames(truth.frames),
        "width": {
            "asked_jitter_us": truth.width_jitter_us,
            "resolution_us": truth.width_resolution_us,
            "tick_us": truth.width_tick_us,
        },
        "losses": [{"off_s": x.off_s, "on_s": x.on_s, "follows_s": _finite(x.follows_s)}
                   for x in script.losses],
        "channels": {name: _channel(channel, truth) for name, channel in truth.channels.items()},
    }  # fmt: skip


def _plain(part: Level | ChannelLoss) -> dict[str, Any]:
    """Fields of a record, free of the last digits that sums of decimals leave."""
    fields = dataclasses.asdict(part)
    return {k: round(v, 12) if isinstance(v, float) else v for k, v in fields.items()}


def _finite(time_s: float) -> float | None:
    return None if time_s == float("inf") else round(time_s, 12)


def _frames(frames: FrameTruth) -> dict[str, Any]:
    at = np.flatnonzero(frames.missing)
    whole = ~frames.missing
    kept_ps = np.diff(frames.start_ps)[whole[1:] & whole[:-1]]
    return {
        "count": int(frames.nominal_ps.size),
        "first_start_us": _us(frames.nominal_ps[0]),
        "period_us": frames.period_us,
        "asked_start_jitter_us": frames.jitter_us,
        "drawn_start_jitter_us": _rms_us(frames.start_ps - frames.nominal_ps),
        "drawn_mean_period_us": _us(kept_ps.mean()) if kept_ps.size else None,
        "drawn_period_jitter_us": _us(kept_ps.std()) if kept_ps.size else None,
        "missing": [{"frame": int(i), "at_s": round(float(frames.start_ps[i]) / PS_PER_S, 9)}
                    for i in at],
    }  # fmt: skip


def _channel(channel: ChannelTruth, truth: Truth) -> dict[str, Any]:
    is_whole = (channel.rise_ps > 0) & (channel.rise_ps + channel.width_ps <= truth.duration_ps)
    whole_ps = channel.width_ps[is_whole]
    return {
        "inverted": channel.inverted,
        "neutral_us": channel.neutral_us,
        "low_us": channel.low_us,
        "high_us": channel.high_us,
        "pulses": int(channel.rise_ps.size),
        "whole_pulses": int(whole_ps.size),
        "drawn_least_width_us": _us(whole_ps.min()) if whole_ps.size else None,
        "drawn_greatest_width_us": _us(whole_ps.max()) if whole_ps.size else None,
        "drawn_width_jitter_us": _rms_us(channel.width_ps - channel.command_ps),
        "levels": [_plain(level) for level in channel.levels],
        "losses": [_plain(loss) for loss in channel.losses],
        "rests_high": [
            {"from_s": round(rise / PS_PER_S, 12), "to_s": round((rise + width) / PS_PER_S, 12)}
            for rise, width in zip(
                channel.rest_rise_ps.tolist(), channel.rest_width_ps.tolist(), strict=True
            )
        ],
        "glitches": [
            {"at_s": round(rise / PS_PER_S, 12), "width_us": _us(width)}
            for rise, width in zip(
                channel.glitch_rise_ps.tolist(), channel.glitch_width_ps.tolist(), strict=True
            )
        ],
    }


def _us(value_ps: float | np.int64) -> float:
    return round(float(value_ps) / PS_PER_US, 6)


def _rms_us(values_ps: npt.NDArray[np.int64]) -> float:
    if not values_ps.size:
        return 0.0
    return _us(float(np.sqrt(np.mean(np.square(values_ps.astype(np.float64))))))
