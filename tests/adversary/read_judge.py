"""Hold what was told against the truth, and name the outcome."""

from __future__ import annotations

import re
from collections.abc import Sequence

from read_ask import Told
from read_paper import Paper

RIGHT, RIGHTLY = "right unaided", "refused rightly"
THOUGH = "refused though readable"
SILENT, OWNED = "wrong without a word", "wrong, but said"
GUESSED, FAULT, MUTE = (
    "ambiguous guessed",
    "exception or hang",
    "right, but a needed word is missing",
)
OUTCOMES = (RIGHT, RIGHTLY, THOUGH, SILENT, OWNED, GUESSED, FAULT, MUTE)


Lines = dict[str, tuple[int, tuple[int, ...]]]
Pair = tuple[str, tuple[int, tuple[int, ...]], tuple[int, tuple[int, ...]]]


def difference(paper: Paper, lines: Lines) -> str:
    """Return in what the lines differ from the truth, or an empty text."""
    pairs, missing = _by_place(paper, lines) if paper.by_place else _by_name(paper, lines)
    if missing:
        return missing
    shift = _shift([(t[1], w[1]) for _, t, w in pairs])
    return next(filter(None, (_unlike(p, shift, paper.tolerance_ps) for p in pairs)), "")


def _by_place(paper: Paper, lines: Lines) -> tuple[list[Pair], str]:
    """Pair true and told lines by their order."""
    if len(lines) != len(paper.truth):
        return [], f"{len(lines)} lines, truly {len(paper.truth)}: {list(lines)[:6]}"
    both = zip(paper.truth.items(), lines.values(), strict=True)
    return [(name, true, told) for (name, true), told in both], ""


def _by_name(paper: Paper, lines: Lines) -> tuple[list[Pair], str]:
    """Pair true and told lines by their names; a line left over is a difference."""
    pairs, left = [], dict(lines)
    for name, true in paper.truth.items():
        told = next((n for n in (name, *paper.also.get(name, ())) if n in left), None)
        if told is not None:
            pairs.append((name, true, left.pop(told)))
        elif name not in paper.optional:
            return [], f"no line {name!r} among {list(lines)[:6]}"
    return pairs, f"lines that are none: {list(left)[:6]}" if left else ""


def _unlike(pair: Pair, shift: int, tolerance_ps: int) -> str:
    """Return in what one line differs."""
    name, (first, edges), (told_first, told_edges) = pair
    if len(edges) != len(told_edges):
        return f"{name}: {len(told_edges)} edges, truly {len(edges)}"
    if first != told_first:
        return f"{name}: starts at level {told_first}, truly {first}"
    worst = max((abs(b - a - shift) for a, b in zip(edges, told_edges, strict=True)), default=0)
    if worst > tolerance_ps:
        return f"{name}: an edge is off by {worst / 1e6:g} us (scale {_scale(edges, told_edges):g})"
    return ""


def _shift(pairs: Sequence[tuple[tuple[int, ...], tuple[int, ...]]]) -> int:
    """Return the one shift between two origins of time: where time is 0 is a convention."""
    apart = sorted(b[0] - a[0] for a, b in pairs if a and len(a) == len(b))
    return (apart[0] + apart[-1]) // 2 if apart else 0


def _scale(true: tuple[int, ...], told: tuple[int, ...]) -> float:
    """Return how many times too long the told span is."""
    return (told[-1] - told[0]) / max(1, true[-1] - true[0]) if len(true) > 1 else 0.0


def judge(paper: Paper, told: Told) -> tuple[str, bool | None, str]:
    """Return the outcome, whether following the refusals opened it right, and a detail.

    The second is None where no option was given.
    """
    if told.fault:
        return FAULT, None, told.fault
    off = "" if told.lines is None else difference(paper, told.lines)
    if not told.refusals:
        outcome, detail = _opened(paper, told, off)
        return outcome, None, detail
    if off:
        owned = _said(paper.deciding, told)
        return OWNED if owned else SILENT, False, f"with {told.given}: {off}"
    helped = told.lines is not None if told.given else None
    if paper.reading == "unaided":
        return THOUGH, helped, told.refusals[0]
    return RIGHTLY, helped, told.refusals[-1]


def _opened(paper: Paper, told: Told, off: str) -> tuple[str, str]:
    """Return the outcome of a file that was opened without an option."""
    if paper.reading == "ambiguous":
        return GUESSED, off or "as it was meant, by luck"
    if off or paper.reading == "refuse":
        owned = _said(paper.deciding, told)
        return OWNED if owned else SILENT, off or "read as if nothing were wrong"
    wide = paper.coarse_ps and (told.interval_ps or 0) >= 0.99 * paper.coarse_ps
    if paper.must_say and not wide and not _said(paper.must_say, told):
        return MUTE, f"nothing said of {paper.must_say!r}"
    return RIGHT, ""


def _said(pattern: str, told: Told) -> bool:
    """Tell whether an assumption's sentence owns up to the choice."""
    return bool(pattern) and any(re.search(pattern, s, re.IGNORECASE) for s in told.sentences)
