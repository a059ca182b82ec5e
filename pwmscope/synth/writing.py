"""A recording as a CSV file, and its truth as JSON beside it."""

from __future__ import annotations

import csv
import dataclasses
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO, Final

import numpy as np
import numpy.typing as npt

from pwmscope.model import PS_PER_S, PS_PER_US
from pwmscope.output import replace_file
from pwmscope.synth.recording import (
    ChannelLoss,
    ChannelTruth,
    FrameTruth,
    Level,
    Recording,
    RotorTruth,
    SampledLine,
    SupplyTruth,
    Truth,
    sample_instants_ps,
    stream,
)
from pwmscope.synth.script import SHAPES, Loss, ScriptError, Shape

TIME_COLUMN: Final = "time_s"
_BATCH_ROWS: Final = 1 << 18
_ZERO, _COMMA, _NEWLINE, _POINT = b"0,\n."


def write(recording: Recording, path: str | os.PathLike[str], shape: Shape | None = None) -> None:
    """Write a recording as CSV.

    Times are those of the samples, in seconds. Changes carry 12 decimals, each
    instant rounded to the picosecond. Samples carry the fewest decimals, at
    most 12, that give every sample instant of the rate exactly; where none do,
    12, rounded to the picosecond.

    Parameters
    ----------
    recording : Recording
        As `build` returns it.
    path : str or path-like
        The file. A name that ends in ``.gz`` gives a gzip file without a time
        stamp, so that the same recording gives the same text inside.
    shape : {"samples", "changes", "levels"}, optional
        One row per sample with its time; one row per change with its time, a
        first row at 0 and a last row at the recording's end; or one row per
        sample without time. The script's shape by default.

    Raises
    ------
    OutputError
        If the file cannot be written; nothing is left half-written.
    ScriptError
        If the shape is not one of the three.
    """
    shape = recording.script.shape if shape is None else shape
    if shape not in SHAPES:
        raise ScriptError("shape", shape, f"one of {', '.join(SHAPES)}")
    file = Path(path)

    def fill(out: BinaryIO) -> None:
        for chunk in csv_chunks(recording, shape):
            out.write(chunk)

    replace_file(file, fill, gzipped=file.suffix == ".gz")


def csv_chunks(recording: Recording, shape: Shape) -> Iterator[bytes]:
    """Text of a recording's CSV file, piece by piece.

    >>> from pwmscope.synth import Channel, Dwell, Frame, Script, build
    >>> rx1 = Channel("RX1", (Dwell(1500, 1),), skew_us=3.2)
    >>> recording = build(Script(0.005, 24_000_000, 7, Frame(20_000), (rx1,)))
    >>> print(b"".join(csv_chunks(recording, "changes")).decode(), end="")
    time_s,RX1
    0.000000000000,0
    0.000003208333,1
    0.001503208333,0
    0.005000000000,0
    """
    names = [line.name for line in recording.lines]
    names += [truth.supply.name for truth in recording.truth.supplies]
    yield _header(names if shape == "levels" else [TIME_COLUMN, *names])
    if shape == "changes":
        ends = np.array([0, recording.sample_count - 1], np.int64)
        changes = np.concatenate([ends, *(line.changes for line in recording.lines)])
        yield from _rows(recording, np.unique(changes), 12)
        return
    decimals = None if shape == "levels" else _sample_decimals(recording.script.sample_rate_hz)
    for begin in range(0, recording.sample_count, _BATCH_ROWS):
        end = min(begin + _BATCH_ROWS, recording.sample_count)
        yield from _rows(recording, np.arange(begin, end, dtype=np.int64), decimals)


def _sample_decimals(rate_hz: int) -> int:
    """Count the fewest decimals of a second that give every sample instant exactly, at most 12.

    >>> _sample_decimals(1_000_000), _sample_decimals(500_000), _sample_decimals(24_000_000)
    (6, 6, 12)
    """
    return next((d for d in range(1, 12) if 10**d % rate_hz == 0), 12)


def _header(names: list[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(names)
    return text.getvalue().encode()


def _rows(
    recording: Recording, samples: npt.NDArray[np.int64], decimals: int | None
) -> Iterator[bytes]:
    """Lines of text for the given samples, built as a table of bytes."""
    times_ps = sample_instants_ps(samples, recording.script.sample_rate_hz)
    seconds = times_ps // PS_PER_S
    digits = 0 if decimals is None else len(str(int(seconds[-1])))
    for places in range(min(digits, 1), digits + 1):
        # Rows whose whole seconds have equally many digits are equally long.
        low, high = (0 if places <= 1 else 10 ** (places - 1)), 10**places
        kept = slice(None) if decimals is None else slice(*np.searchsorted(seconds, [low, high]))
        table = _levels(recording.lines, samples[kept])
        if recording.truth.supplies:
            table[:, -1] = _COMMA
            table = np.concatenate([table, _volts(recording, samples[kept])], axis=1)
        if decimals is not None:
            fraction = times_ps[kept] % PS_PER_S // 10 ** (12 - decimals)
            parts = [
                _digits(seconds[kept], places),
                np.full((table.shape[0], 1), _POINT, np.uint8),
                _digits(fraction, decimals),
                np.full((table.shape[0], 1), _COMMA, np.uint8),
                table,
            ]
            table = np.concatenate(parts, axis=1)
        yield table.tobytes()


def _volts(recording: Recording, samples: npt.NDArray[np.int64]) -> npt.NDArray[np.uint8]:
    """Write the readings of the supplies, in volts with three decimals, to the end of each row."""
    script = recording.script
    parts: list[npt.NDArray[np.uint8]] = []
    for truth in recording.truth.supplies:
        # Each batch of rows has a stream of its own, so that any of them can be made alone.
        number = int(samples[0]) if samples.size else 0
        drawn = stream(script.seed, "supply", truth.supply.name, number)
        noise = drawn.standard_normal(samples.size)
        read_mv = truth.millivolts(samples, script.sample_rate_hz, noise)
        point, comma = (np.full((samples.size, 1), mark, np.uint8) for mark in (_POINT, _COMMA))
        parts += [_digits(read_mv // 1000, 1), point, _digits(read_mv % 1000, 3), comma]
    parts[-1] = np.full((samples.size, 1), _NEWLINE, np.uint8)
    return np.concatenate(parts, axis=1)


def _levels(
    lines: tuple[SampledLine, ...], samples: npt.NDArray[np.int64]
) -> npt.NDArray[np.uint8]:
    table = np.full((samples.size, 2 * len(lines)), _COMMA, np.uint8)
    table[:, -1] = _NEWLINE
    for i, line in enumerate(lines):
        passed = np.searchsorted(line.changes, samples, side="right")
        table[:, 2 * i] = _ZERO + ((passed & 1) ^ line.initial_level)
    return table


def _digits(numbers: npt.NDArray[np.int64], places: int) -> npt.NDArray[np.uint8]:
    table = np.empty((numbers.size, places), np.uint8)
    left = numbers
    for column in range(places - 1, -1, -1):
        left, digit = np.divmod(left, 10)
        table[:, column] = _ZERO + digit
    return table


SCHEMA: Final = 1


def write_truth(recording: Recording, path: str | os.PathLike[str]) -> None:
    """Write the truth of a recording as JSON."""
    text = json.dumps(summarise_truth(recording), indent=2, ensure_ascii=False) + "\n"

    def fill(out: BinaryIO) -> None:
        out.write(text.encode())

    replace_file(Path(path), fill)


def summarise_truth(recording: Recording) -> dict[str, Any]:
    """Summarise the truth of a recording.

    Widths and jitter are in microseconds (rounded to the picosecond), times in seconds. ``asked``
    values are the script's; ``drawn`` values are statistics of what was drawn, exact before
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
        "losses": [_loss(loss) for loss in script.losses],
        "channels": {name: _channel(channel, truth) for name, channel in truth.channels.items()},
        **({"supplies": [_supply(s) for s in truth.supplies]} if truth.supplies else {}),
        **({"rotors": [_rotor(rotor) for rotor in truth.rotors]} if truth.rotors else {}),
    }  # fmt: skip


def _loss(loss: Loss) -> dict[str, Any]:
    told = {"off_s": loss.off_s, "on_s": loss.on_s, "follows_s": _finite(loss.follows_s)}
    return told | ({"marked_late_s": loss.marked_late_s} if loss.marked_late_s else {})


def _supply(truth: SupplyTruth) -> dict[str, Any]:
    return {
        "line": truth.supply.name,
        "open_v": truth.supply.open_v,
        "source_ohm": truth.supply.source_ohm,
        "noise_v": truth.supply.noise_v,
        "sags": [dataclasses.asdict(sag) for sag in truth.sags],
    }


def _rotor(rotor: RotorTruth) -> dict[str, Any]:
    return {
        "line": rotor.name,
        "of": rotor.of,
        "marks": int(rotor.edges_ps.size // 2),
        "top_per_minute": round(rotor.top_per_minute, 3),
        "slow_s": list(rotor.slow_s),
    }


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
        **_stale(frames),
    }  # fmt: skip


def _stale(frames: FrameTruth) -> dict[str, Any]:
    """List each run of frames that repeat the width before; nothing where there is none."""
    edge = np.flatnonzero(np.diff(frames.stale.astype(np.int8), prepend=0, append=0))
    runs = edge.reshape(-1, 2)
    if not runs.size:
        return {}
    return {
        "stale": [
            {"frame": first, "frames": end - first,
             "at_s": round(float(frames.start_ps[first]) / PS_PER_S, 9)}
            for first, end in runs.tolist()
        ]
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
