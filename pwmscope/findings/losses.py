"""When the signal was lost: from a marker line, or inferred from the outputs alone."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from pwmscope.capture import PS_PER_S, Line
from pwmscope.errors import HintError
from pwmscope.findings.dwells import Dwells
from pwmscope.findings.width_noise import RANGE_LIMIT
from pwmscope.pulses import PulseTable, find_frames

QUIET_S: Final = 0.2
"""A line without pulses for longer than this, and for 5 frames, has gone quiet."""
QUIET_FRAMES: Final = 5
BOUNCE_S: Final = 0.05
"""Marker levels shorter than this are contact bounce."""
JUMP: Final = 0.04
"""A change from one frame to the next by more than this part of the convention's span is
a jump; a hand takes several frames for it (common practice, from memory)."""
LEAST_STAND_S: Final = 0.5


@dataclass(frozen=True, slots=True)
class Loss:
    """One loss of the signal.

    Parameters
    ----------
    lost_s : float
        Moment of loss in seconds since the capture's start; where it is inferred,
        the moment of its first visible effect.
    back_s : float
        Moment the transmitter, or the first output, came back; the capture's
        end where it never did.
    came_back : bool
        Whether it came back within the capture.
    is_marked : bool
        Whether a marker line says so; otherwise it is inferred.
    lines : frozenset of str
        The lines it concerns.
    sentence : str
        How it is known.
    """

    lost_s: float
    back_s: float
    came_back: bool
    is_marked: bool
    lines: frozenset[str]
    sentence: str


def quiet_limit_s(usual_us: float) -> float:
    """Longest pause between pulses, in seconds, that is not yet quiet."""
    return max(QUIET_S, QUIET_FRAMES * usual_us / 1e6)


def marked_losses(marker: Line, duration_s: float, lines: frozenset[str]) -> tuple[Loss, ...]:
    """Read the losses off a wire that shows whether the transmitter is on.

    The level at the start of the capture means on; the other level, held for
    longer than contact bounce, means off.

    Parameters
    ----------
    marker : Line
        The wire on the transmitter's switch or on a push-button.
    duration_s : float
        Length of the capture in seconds.
    lines : frozenset of str
        The lines that depend on the transmitter.

    Returns
    -------
    tuple of Loss

    Raises
    ------
    HintError
        If the marker never changes.
    """
    edges_s = marker.edges_ps / PS_PER_S
    if not edges_s.size:
        raise HintError(
            f"The marker line {marker.name} never changes, so it marks no loss; "
            "check its wire, or leave --off-line out."
        )
    off_s = edges_s[0::2]
    on_s = np.concatenate([edges_s[1::2], np.array([duration_s])])[: off_s.size]
    long_on = np.concatenate([[True], off_s[1:] - on_s[:-1] > BOUNCE_S])
    ends = np.concatenate([long_on[1:], [True]])
    off_s, on_s = off_s[long_on], on_s[ends]
    held = on_s - off_s > BOUNCE_S
    return tuple(
        Loss(
            float(off),
            float(on),
            bool(on < duration_s),
            is_marked=True,
            lines=lines,
            sentence=f"Line {marker.name} marks the transmitter off at {off:.3f} s.",
        )
        for off, on in zip(off_s[held], on_s[held], strict=True)
    )


def inferred_losses(
    tables: Mapping[str, PulseTable], dwells: Mapping[str, Dwells], duration_s: float
) -> tuple[Loss, ...]:
    """Infer losses from the outputs alone: quiet lines, or outputs that jump together.

    Parameters
    ----------
    tables : mapping of str to PulseTable
        The servo channels.
    dwells : mapping of str to Dwells
        Their dwells.
    duration_s : float
        Length of the capture in seconds.

    Returns
    -------
    tuple of Loss
        In order of time, not overlapping.
    """
    quiet = _quiet_losses(tables, dwells, duration_s)
    jumps = _jump_losses(tables, dwells)
    apart = [
        j for j in jumps if not any(j.lost_s <= q.back_s and q.lost_s <= j.back_s for q in quiet)
    ]
    return tuple(sorted((*quiet, *apart), key=lambda loss: loss.lost_s))


def _quiet_losses(
    tables: Mapping[str, PulseTable], dwells: Mapping[str, Dwells], duration_s: float
) -> list[Loss]:
    pauses = sorted(
        (pause for name, table in tables.items() for pause in _pauses(name, table, duration_s)),
    )
    losses: list[Loss] = []
    group: list[tuple[float, float, str]] = []
    for pause in [*pauses, (np.inf, np.inf, "")]:
        if group and pause[0] > min(end for _, end, _ in group):
            losses.append(_quiet_loss(group, tables, dwells, duration_s))
            group = []
        group.append(pause)
    return losses


def _pauses(name: str, table: PulseTable, duration_s: float) -> list[tuple[float, float, str]]:
    """List when a line went quiet: from its first missing frame to its next pulse."""
    rise_s = table.rise_s[table.measured]
    usual_us = find_frames(table).usual_us
    if usual_us is None:
        return []
    gap_s = np.diff(rise_s, append=duration_s)
    at = np.flatnonzero(gap_s > quiet_limit_s(usual_us))
    missing_s = rise_s[at] + usual_us / 1e6
    return [
        (float(start), float(end), name)
        for start, end in zip(missing_s, rise_s[at] + gap_s[at], strict=True)
    ]


def _quiet_loss(
    group: list[tuple[float, float, str]],
    tables: Mapping[str, PulseTable],
    dwells: Mapping[str, Dwells],
    duration_s: float,
) -> Loss:
    seen_s = min(start for start, _, _ in group)
    back_s = min(end for _, end, _ in group)
    quiet = {name for _, _, name in group}
    alone = len(quiet) == 1 and len(tables) > 1
    sentence = f"{', '.join(sorted(quiet))} went quiet at {seen_s:.3f} s"
    if alone:
        sentence += " while other lines kept their pulses; a loose wire looks the same"
    else:
        sentence += f"; {_say_last_movement(tables, dwells, seen_s)}"
    return Loss(
        seen_s,
        back_s,
        back_s < duration_s,
        is_marked=False,
        lines=frozenset(quiet if alone else tables),
        sentence=f"Inferred: {sentence}.",
    )


def _say_last_movement(
    tables: Mapping[str, PulseTable], dwells: Mapping[str, Dwells], seen_s: float
) -> str:
    """Say since when all outputs stood still before a loss showed."""
    since_s = 0.0
    for name, stays in dwells.items():
        usual_s = (find_frames(tables[name]).usual_us or 0.0) / 1e6
        at = np.flatnonzero((stays.start_s < seen_s) & (stays.end_s >= seen_s - 3 * usual_s))
        since_s = max(since_s, float(stays.start_s[at[0]]) if at.size else seen_s)
    if since_s >= seen_s:
        return "a stick moved until then"
    return f"no output had moved since {since_s:.3f} s, so the signal went in between"


def _jump_losses(tables: Mapping[str, PulseTable], dwells: Mapping[str, Dwells]) -> list[Loss]:
    """Find stretches in which all outputs stand still between two joint jumps."""
    losses: list[Loss] = []
    arrivals = sorted(
        (float(t), name)
        for name, table in tables.items()
        for t in _jump_times(table, dwells[name], arriving=True)
    )
    busy_until_s = -np.inf
    for (first_s, first), (second_s, second) in itertools.pairwise(arrivals):
        frame_s = (find_frames(tables[first]).usual_us or 0.0) / 1e6
        if first == second or second_s - first_s > frame_s or first_s <= busy_until_s:
            continue
        end_s = _stand_until(dwells, second_s, frame_s)
        if end_s is None or end_s - first_s < LEAST_STAND_S:
            continue
        leaving = [
            name
            for name, table in tables.items()
            if np.any(
                np.abs(_jump_times(table, dwells[name], arriving=False) - end_s) <= 2 * frame_s
            )
        ]
        if not leaving:
            continue
        busy_until_s = end_s + 2 * frame_s
        losses.append(
            Loss(
                first_s,
                end_s,
                came_back=True,
                is_marked=False,
                lines=frozenset(tables),
                sentence=(
                    f"Inferred: outputs jumped together at {first_s:.3f} s, all stood still, and "
                    f"{', '.join(leaving)} jumped again at {end_s:.3f} s; before the first jump "
                    f"{_say_last_movement(tables, dwells, first_s)}."
                ),
            )
        )
    return losses


def _jump_times(table: PulseTable, dwells: Dwells, *, arriving: bool) -> npt.NDArray[np.float64]:
    """Return when a width jumped to a dwell (or away from one) from frame to frame."""
    rows = np.flatnonzero(table.measured)
    width_us = table.width_us[rows]
    place = np.searchsorted(rows, dwells.first if arriving else dwells.last) + int(not arriving)
    place = place[(place > 0) & (place < rows.size)]
    step_us = np.abs(width_us[place] - width_us[place - 1])
    jumps = step_us > max(JUMP * table.convention.span_us, 1.5 * RANGE_LIMIT * dwells.noise_us)
    times_s: npt.NDArray[np.float64] = table.rise_s[rows[place[jumps]]]
    return times_s


def _stand_until(dwells: Mapping[str, Dwells], from_s: float, frame_s: float) -> float | None:
    """Return when the first of all channels leaves the dwell it stands in."""
    ends_s = []
    for stays in dwells.values():
        at = np.flatnonzero((stays.start_s <= from_s + frame_s) & (stays.end_s > from_s))
        if not at.size:
            return None
        ends_s.append(float(stays.end_s[at[0]]) + frame_s)
    return min(ends_s)
