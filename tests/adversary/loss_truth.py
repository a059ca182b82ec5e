"""What each device was really commanded to do, from what left the receiver, not from the record.

A device acts on a pulse when the pulse has ended and keeps to it until the next one ends. Where no
pulse comes it runs on for its own time and then stands still, or keeps going, as it is built.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from loss_bench import (
    Floats,
    Kind,
    Output,
    Pulses,
    Recording,
    Response,
    Script,
    Span,
    command_us,
    frames_in_loss,
)


@dataclass(frozen=True)
class LineTruth:
    """The truth of one line over all recordings of one test.

    ``exhibited``: in a loss that the recordings cover the device was commanded to move at or after
    the limit. ``by_nature``: it would have been, had the sticks stayed where they were meant to be
    held and had the link gone as meant. ``moves_until_s``: the latest command to move after a loss.
    """

    exhibited: bool
    by_nature: bool
    moves_until_s: float
    losses: int
    meant: int

    @property
    def unsafe(self) -> bool:
        """Whether `meets` would be false."""
        return self.exhibited or self.by_nature


def moving_spans(output: Output, pulses: Pulses, end_s: float, plugs: list[Span]) -> Floats:
    """Spans in which the device is commanded to move, shape (n, 2), in order of their starts."""
    rise, fall, width = pulses.rise_s, pulses.fall_s, pulses.width_us
    for a, b in plugs:
        keep = (fall <= a) | (rise >= b)
        rise, fall, width = rise[keep], fall[keep], width[keep]
    until = np.append(fall[1:], end_s)
    if output.stops_without_pulses:
        until = np.minimum(until, fall + output.runs_on_s)
    low, high = output.stop_us
    out = (width < low) | (width > high)
    spans = np.stack([fall[out], until[out]], axis=1)
    # A line stuck at its high level or undriven is no command to stand still.
    more = np.array([*pulses.high, *pulses.noise]).reshape(-1, 2)
    spans = np.concatenate([spans, more])
    return spans[np.argsort(spans[:, 0], kind="stable")]


def true_losses(script: Script, receiver: int) -> list[Span]:
    """From the last instant of the carrier to the first at which the receiver takes it again."""
    heard = sorted(script.receivers[receiver].heard)
    if not heard:
        return [(-np.inf, script.duration_s)]
    spans: list[Span] = []
    if heard[0][0] > 0:
        spans.append((-np.inf, heard[0][0]))
    went = {round(p.back_s, 9): p.dies_s for p in script.planned}
    for (_, b), (a, _) in pairwise(heard):
        spans.append((min(b, went.get(round(a, 9), b)), a))
    if heard[-1][1] < script.duration_s:
        spans.append((heard[-1][1], script.duration_s))
    return spans


def _latest_moving(spans: Floats, start: float, end: float) -> float:
    """The last instant in ``[start, end)`` at which the device moves, after ``start``; or 0."""
    here = spans[(spans[:, 0] < end) & (spans[:, 1] > start)]
    return float(np.minimum(here[:, 1], end).max() - start) if here.size else 0.0


def _by_nature(script: Script, output: Output, number: int, response: Response) -> float:
    """How long the device would move in planned loss ``number`` with the sticks held as meant."""
    planned = script.planned[number]
    receiver = script.receivers[output.receiver]
    lasts = planned.back_s - planned.dies_s
    since = np.arange(0.0, max(lasts, 0.05), receiver.loss_frame_s or receiver.frame_s)
    held = output.rest_us + sum(g * planned.held.get(s, 0.0) for s, g in output.mix.items())
    widths = np.full(since.size, held)
    kind, width = frames_in_loss(
        response,
        since,
        since - (planned.on_s - planned.dies_s),
        widths,
        widths,
        np.random.default_rng(1),
    )
    silent = kind == Kind.SILENT
    loud = np.isin(kind, (Kind.HIGH, Kind.NOISE))
    step = receiver.loss_frame_s or receiver.frame_s
    pulses = Pulses(
        since[~silent & ~loud],
        since[~silent & ~loud] + 1e-6 * width[~silent & ~loud],
        width[~silent & ~loud],
        [(float(t), float(t) + step) for t in since[loud]],
        [],
    )
    return _latest_moving(moving_spans(output, pulses, lasts, []), 0.0, lasts)


def truth_of(recordings: list[Recording], limit_s: float) -> dict[str, LineTruth]:
    """The truth of every output over the recordings of one test."""
    result: dict[str, LineTruth] = {}
    names = dict.fromkeys(o.name for r in recordings for o in r.script.outputs)
    for name in names:
        worst, nature, losses, meant = 0.0, 0.0, 0, 0
        for recording in recordings:
            script = recording.script
            output = next((o for o in script.outputs if o.name == name), None)
            if output is None:
                continue
            plugs = [
                (a.start_s, a.end_s)
                for a in script.accidents
                if a.line == name and a.what == "plug"
            ]
            spans = moving_spans(output, recording.pulses[name], script.duration_s, plugs)
            for start, end in true_losses(script, output.receiver):
                begin = max(start, 0.0)
                if end - begin < limit_s and np.isfinite(start):
                    continue
                losses += int(np.isfinite(start))
                worst = max(worst, _latest_moving(spans, begin, end))
            for i in range(len(script.planned)):
                meant += 1
                which = output.chosen[i] if i < len(output.chosen) else 0
                nature = max(nature, _by_nature(script, output, i, output.responses[which]))
        result[name] = LineTruth(worst >= limit_s, nature >= limit_s, worst, losses, meant)
    return result


def still_and_outside(script: Script, pulses: dict[str, Pulses], still_s: float = 0.3) -> bool:
    """Whether every output stood still before each loss, 60 us outside its stop range."""
    for output in script.outputs:
        low, high = output.stop_us
        for p in script.planned:
            at = np.linspace(p.dies_s - still_s, p.dies_s, 7)
            width = command_us(script, output, at)
            if np.ptp(width) > 1e-6 or low - 60 < width[0] < high + 60:
                return False
    return bool(pulses)


def stop_margin_us(script: Script, pulses: dict[str, Pulses], limit_s: float) -> float:
    """The least distance of a pulse in the stop range to the range's end, within the losses."""
    least = np.inf
    for output in script.outputs:
        low, high = output.stop_us
        train = pulses[output.name]
        for p in script.planned:
            here = (train.rise_s > p.dies_s + limit_s) & (train.fall_s < p.back_s)
            width = train.width_us[here]
            width = width[(width >= low) & (width <= high)]
            if width.size:
                least = min(least, float(width.min() - low), float(high - width.max()))
    return least
