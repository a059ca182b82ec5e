"""Hold what `figures_study` kept against the rules of FIGURES.md, and write the tables."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from scipy.stats import beta, norm

from adversary.figures_truth import distance

JITTER_FIGURES = ("width jitter", "period jitter", "cycle-to-cycle jitter", "time interval error")
LEVEL_FIGURES = ("neutral", "low endpoint", "high endpoint", "travel", "asymmetry")
STICK_FIGURES = ("hysteresis", "centring")
FIGURES = (
    *LEVEL_FIGURES,
    *JITTER_FIGURES,
    "frame period",
    "skew",
    *STICK_FIGURES,
    "lag delay",
    "lag gain",
)
OF_WIDTH = {*LEVEL_FIGURES, *STICK_FIGURES, "width jitter"}
MIN_TOLD = dict.fromkeys(STICK_FIGURES, 0.80) | dict.fromkeys(JITTER_FIGURES, 0.90)
MARKS = ("<!-- figures study -->", "<!-- end of figures study -->")
CURVE_BAND = 0.1  # docs/methods.md calls a curve linear within this
MAX = 1.5

Key = tuple[float, str]
Kept = list[dict[str, Any]]


@dataclass
class Cell:
    """The intervals of one figure in one cell of sample rate and jitter."""

    error: list[float] = field(default_factory=list)  # told - truth
    oracle: list[float] = field(default_factory=list)  # oracle - truth, of all recordings
    trimmed: list[float] = field(default_factory=list)  # the same, an oracle that trims dwells
    width: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    rough: list[bool] = field(default_factory=list)  # true jitter above one sample interval
    wanted: int = 0
    told: int = 0

    def upper(self) -> float:
        """One-sided 99.9 % Clopper-Pearson upper bound of the coverage."""
        return upper(sum(self.inside), len(self.inside))

    def best(self) -> float:
        """Width of the oracle's interval."""
        return central(self.oracle)

    def ratio(self, errors: list[float]) -> float:
        """Mean width told over that of the central 95 % of some errors."""
        best = central(errors)
        if not self.width or not best:
            return float("inf" if self.width else "nan")
        return float(np.mean(self.width)) / best


Cells = dict[str, dict[Key, Cell]]


def upper(good: int, of: int) -> float:
    """One-sided 99.9 % Clopper-Pearson upper bound of a share."""
    return 1.0 if good == of else float(beta.ppf(0.999, good + 1, of - good))


def central(errors: list[float]) -> float:
    """Width of the central 95 % of errors such as these.

    The quantiles of few draws lie too far inside: those of 12 normal ones reach 0.76 of the way.
    The width is divided by that share (expected order statistics after Blom 1958, from memory).
    """
    n = len(errors)
    if n < 2:
        return float("nan")
    low, high = np.quantile(errors, [0.025, 0.975])
    expected = np.quantile(norm.ppf((np.arange(1, n + 1) - 0.375) / (n + 0.25)), 0.975)
    return float((high - low) / (expected / norm.ppf(0.975)))


def gather(kept: Kept) -> Cells:
    """Sort the rows by figure and cell."""
    cells: Cells = defaultdict(lambda: defaultdict(Cell))
    for recording in kept:
        interval_us = 1e6 / recording["rate"]
        for name, line, truth, oracle, trimmed, value, low, high, _ in recording["rows"]:
            if truth is None or oracle is None:
                continue
            cell = cells[name][recording["rate"], recording["kind"]]
            cell.oracle.append(oracle - truth)
            cell.trimmed.append((oracle if trimmed is None else trimmed) - truth)
            has_interval = low is not None and high is not None
            is_number = isinstance(value, int | float)
            if name not in JITTER_FIGURES or truth >= 2 * interval_us:
                cell.wanted += 1
                cell.told += has_interval and is_number
            if not has_interval:
                continue
            jitters = recording["jitter"].get(line)  # none for the lines of a device
            rough = jitters is None or jitters[name not in OF_WIDTH] > interval_us
            cell.width.append(high - low)
            cell.inside.append(low <= truth <= high)
            cell.rough.append(rough)
            if is_number:
                cell.error.append(value - truth)
    return cells


def per_cent(part: float, whole: float) -> str:
    """A share as text."""
    return "none" if not whole else f"{100 * part / whole:.1f} %"


def called(key: Key) -> str:
    """A cell's name, such as 24:gauss."""
    return f"{key[0] / 1e6:g}:{key[1]}"


def broken(name: str, cells: dict[Key, Cell]) -> list[str]:
    """The rules that a figure breaks."""
    inside = [x for cell in cells.values() for x in cell.inside]
    if not inside:
        return ["no interval"]
    pairs = [(x, r) for c in cells.values() for x, r in zip(c.inside, c.rough, strict=True)]
    rough = [x for x, is_rough in pairs if is_rough]
    low = [key for key, cell in cells.items() if cell.upper() < 0.90]
    wide = [key for key, cell in cells.items() if cell.ratio(cell.oracle) > MAX]
    told, wanted = sum(c.told for c in cells.values()), sum(c.wanted for c in cells.values())
    fails = {
        "coverage low": np.mean(inside) < 0.93,
        "coverage high": bool(rough) and np.mean(rough) > 0.98,
        f"{len(low)} cells below 90 %": bool(low),
        f"{len(wide)} of {len(cells)} cells too wide": bool(wide),
        "told too seldom": told < MIN_TOLD.get(name, 0.95) * wanted,
    }
    return [what for what, is_so in fails.items() if is_so]


def figure_row(name: str, cells: dict[Key, Cell]) -> str:
    """One figure's row of the table."""
    all_ = list(cells.values())
    inside = [x for cell in all_ for x in cell.inside]
    rough = [x for c in all_ for x, r in zip(c.inside, c.rough, strict=True) if r]
    errors = [x for cell in all_ for x in cell.error]
    ratios = {key: cell.ratio(cell.oracle) for key, cell in cells.items() if cell.width}
    cautious = [cell.ratio(cell.trimmed) for cell in all_ if cell.width]
    lowest = min(cells, key=lambda key: cells[key].upper(), default=None)
    widest = max(ratios, key=lambda key: ratios[key], default=None)
    told, wanted = sum(cell.told for cell in all_), sum(cell.wanted for cell in all_)
    fails = broken(name, cells)
    parts = [
        name,
        str(len(inside)),
        f"{np.median(errors):+.3g}" if errors else "",
        per_cent(sum(inside), len(inside)),
        per_cent(sum(rough), len(rough)),
        "" if lowest is None else f"{cells[lowest].upper():.1%} ({called(lowest)})",
        f"{np.median(list(ratios.values())):.2f}" if ratios else "",
        "" if widest is None else f"{ratios[widest]:.2f} ({called(widest)})",
        f"{np.median(cautious):.2f}, {sum(x > MAX for x in cautious)} cells" if cautious else "",
        per_cent(wanted - told, wanted),
        "FAIL: " + ", ".join(fails) if fails else "pass",
    ]
    return "| " + " | ".join(parts) + " |"


def cell_rows(cells: Cells) -> list[str]:
    """Every cell of every figure that breaks a rule of cells, or covers less than 93 %."""
    out = []
    for name in FIGURES:
        for key, cell in sorted(cells.get(name, {}).items()):
            if not cell.inside:
                continue
            share, ratio = np.mean(cell.inside), cell.ratio(cell.oracle)
            if cell.upper() >= 0.90 and ratio <= MAX and share >= 0.93:
                continue
            error = f"{np.median(cell.error):+.3g}" if cell.error else ""
            out.append(
                f"| {name} | {called(key)} | {len(cell.inside)} | {error} | {share:.1%} "
                f"| {cell.upper():.1%} | {np.mean(cell.width):.3g} | {cell.best():.3g} "
                f"| {ratio:.2f} | {cell.ratio(cell.trimmed):.2f} |"
            )
    return out


def verdicts(kept: Kept, cells: Cells) -> tuple[list[str], bool]:
    """Verdicts where the limit is well away, and wrong ones."""
    out, all_pass = [], True
    for name in ("frame period", "width jitter", "low endpoint", "high endpoint", "neutral"):
        clear = given = wrong = told = 0
        seeds = []
        rows = [(k, r) for k in kept for r in k["rows"] if r[0] == name and r[2] is not None]
        for recording, (_, line, truth, *_, verdict) in rows:
            limits = recording["limits"].get(line, "")
            if name == "frame period" and "standard servo" not in limits:
                continue
            inside = distance(name, truth)
            assert inside is not None
            shown = verdict in ("meets", "does not meet")
            told += shown
            if shown and (verdict == "meets") != (inside > 0):
                wrong += 1
                seeds.append(recording)
            if abs(inside) >= 3 * cells[name][recording["rate"], recording["kind"]].best():
                clear += 1
                given += shown
        passed = given >= 0.95 * clear and wrong <= 0.005 * max(told, 1)
        all_pass &= passed
        out.append(
            f"| {name} | {told} | {wrong} ({per_cent(wrong, told)}) "
            f"| {per_cent(given, clear)} of {clear} "
            f"| {'pass' if passed else 'FAIL'} | {seeds_of(seeds)} |"
        )
    return out, all_pass


def wrong_step(truth: dict[str, Any], told: list[Any]) -> bool:
    """Whether a step was told that is not the transmitter's."""
    value, low, high = told[0], told[1], told[2]
    if not truth["step"]:
        return True
    reach = max(0.01 * truth["step"], 0.0 if low is None else high - low)
    return bool(abs(value - truth["step"]) > reach)


def wrong_deadband(truth: dict[str, Any], told: list[Any]) -> bool:
    """Whether a deadband (or none) was told that is clearly not so."""
    value, low, high = told[0], told[1], told[2]
    so = truth["deadband_us"]
    if low is not None and low <= so <= high:
        return False
    half = 0.0 if low is None else (high - low) / 2
    return bool(abs(value - so) > max(1.5 * half, 0.15 * so))


def wrong_curve(truth: dict[str, Any], told: list[Any]) -> bool:
    """Whether a curve was told that is not, or of the wrong sign, or a straight line over expo."""
    word = str(told[0])
    if "linear" in word or "straight" in word:
        return bool(abs(truth["expo"]) > 1.2 * CURVE_BAND)
    if "softer" in word:
        return bool(truth["expo"] <= 0.0)
    return bool(truth["expo"] >= 0.0)


def clear_of_looks(name: str, recording: dict[str, Any], truth: dict[str, Any]) -> bool:
    """Whether a line shows a step, a deadband or a curve, and no other cause looks alike."""
    jitter = recording["jitter"][truth["line"]][0]
    if truth["line"] != "sweeps":
        return False
    if name == "resolution":
        least = max(4e6 / recording["rate"], 6 * jitter)
        return bool(truth["step"] >= least and recording["kind"] != "code")
    if truth["pace"] != "even":
        return False
    if name == "deadband":
        is_plain = truth["flat"] >= 8 and not truth["expo"]
        return bool(is_plain and jitter < 0.05 * truth["deadband_us"])
    return bool(not truth["deadband_us"] and jitter < 3.0)


def statements(kept: Kept) -> tuple[list[str], bool]:
    """Steps, deadbands and curves: told, wrong, and not shown where nothing looks alike."""
    wrongs: dict[str, Callable[[dict[str, Any], list[Any]], bool]] = {
        "resolution": wrong_step,
        "deadband": wrong_deadband,
        "curve": wrong_curve,
    }
    out, all_pass = [], True
    for name, is_wrong in wrongs.items():
        told = wrong = clear = shown = 0
        seeds = []
        for recording, truth in ((k, t) for k in kept for t in k["statements"]):
            two_codes = recording["kind"] == "two-code"
            if name == "resolution" and (two_codes or recording["kind"] == "code"):
                continue  # two codes are a step of their own
            answer = truth["told"].get(name)
            has_value = answer is not None and answer[0] is not None
            if clear_of_looks(name, recording, truth):
                clear += 1
                shown += has_value
            if has_value:
                told += 1
                if is_wrong(truth, answer):
                    wrong += 1
                    seeds.append(recording)
        passed = wrong <= 0.02 * told and shown >= 0.6 * clear
        all_pass &= passed
        out.append(
            f"| {name} | {told} | {wrong} ({per_cent(wrong, told)}) "
            f"| {per_cent(shown, clear)} of {clear} "
            f"| {'pass' if passed else 'FAIL'} | {seeds_of(seeds)} |"
        )
    return out, all_pass


@dataclass(frozen=True)
class Check:
    """A wrong statement: how often it was made, of how many, and how often it may be."""

    what: str
    bad: Kept
    of: int
    most: float

    @property
    def passed(self) -> bool:
        """Whether it was made seldom enough."""
        return len(self.bad) <= self.most * self.of

    def row(self) -> str:
        """Its row of the table."""
        share = per_cent(len(self.bad), self.of)
        verdict = "pass" if self.passed else "FAIL"
        return (
            f"| {self.what} | {len(self.bad)} | {self.of} | {share} "
            f"| {verdict} | {seeds_of(self.bad)} |"
        )


def invented(kept: Kept) -> list[Check]:
    """Jitter told where there is none: a value whose interval leaves out the truth, zero."""
    checks = []
    for name in JITTER_FIGURES:
        rows = [(k, r) for k in kept for r in k["rows"] if r[0] == name and r[2] is not None]
        free = [(k, r) for k, r in rows if k["kind"] == "none" and isinstance(r[5], int | float)]
        bad = [k for k, r in free if (r[5] if r[6] is None else r[6]) > r[2] + 1e-3]
        of = sum(k["kind"] == "none" for k, _ in rows)
        checks.append(Check(f"jitter-free, told {name}", bad, of, 0.05))
    return checks


def misread(kept: Kept) -> list[Check]:
    """Neutral of a throttle, widths told as clock, devices in step told their own clock."""
    throttles = [(k, r) for k in kept for r in k["rows"] if r[:2] == ["neutral", "throttle"]]
    judged = [k for k, r in throttles if r[8] in ("meets", "does not meet")]
    later = [(k, r) for k in kept for r in k["later"] if isinstance(r[2], int | float)]
    as_clock = [
        k
        for k, (_, truth, value, words) in later
        if value > 3 * truth + 3e6 / k["rate"] and "width" not in words
    ]
    checks = [
        Check("throttle that rests low, neutral judged", judged, len(throttles), 0.0),
        Check("later output, widths told as its clock's jitter", as_clock, len(later), 0.02),
    ]
    for waits in ("start", "end"):
        mine = [k for k in kept if k["lag"] and k["lag"][0] == waits and k["lag"][2]]
        own = [k for k in mine if "own clock" in k["lag"][2]]
        still = [k for k in mine if "move enough" in k["lag"][2]]
        checks.append(Check(f"device in step ({waits}), told own clock", own, len(mine), 0.02))
        checks.append(Check(f"device in step ({waits}), told too still", still, len(mine), 0.02))
    warned = [k for k in kept if k["warned"]]
    checks.append(Check("recordings with a numpy warning", warned, len(kept), 0.0))
    return checks


def seeds_of(recordings: Kept) -> str:
    """The first few of some recordings, as rate:kind:number."""
    names = [f"{called((k['rate'], k['kind']))}:{k['number']}" for k in recordings]
    return " ".join(list(dict.fromkeys(names))[:4])


def table(heads: str, rows: list[str]) -> list[str]:
    """A Markdown table from its heads and rows."""
    return ["", f"| {heads} |", "|" + "---|" * (heads.count("|") + 1), *rows]


def tables(kept: Kept, *, cells: bool = False) -> tuple[str, bool]:
    """All tables as Markdown, and whether every rule holds."""
    by_figure = gather(kept)
    held, are_held = verdicts(kept, by_figure)
    said, are_said = statements(kept)
    checks = [*invented(kept), *misread(kept)]
    counts: dict[Key, int] = defaultdict(int)
    for one in kept:
        counts[one["rate"], one["kind"]] += 1
    examine_s, lag_s = np.nanmean(np.array([k["cost_s"] for k in kept], dtype=float), axis=0)
    text = [
        f"{len(kept)} recordings, at least {min(counts.values())} in each of {len(counts)} cells "
        f"of sample rate and jitter, seed {kept[0]['seed']}. `examine` took {examine_s:.2f} s of "
        f"processor time for each, `lag` {lag_s:.2f} s.",
        *table(
            "figure | intervals | median error | coverage | coverage, jitter > Ts "
            "| lowest cell's 99.9 % bound | width / oracle's, median | widest cell "
            "| width / trimmed oracle's, median; cells above 1.5 | not shown | rules",
            [figure_row(name, by_figure.get(name, {})) for name in FIGURES],
        ),
        *table(
            "verdict | told | wrong | given where the limit is 3 oracle intervals away | rules "
            "| seeds",
            held,
        ),
        *table("statement | told | wrong | told where nothing looks alike | rules | seeds", said),
        *table("wrong statement | times | of | share | rules | seeds", [c.row() for c in checks]),
    ]
    if cells:
        text += table(
            "figure | cell | intervals | median error | coverage | 99.9 % bound | mean width "
            "| oracle's | ratio | to trimmed oracle",
            cell_rows(by_figure),
        )
    figures_pass = not any(broken(name, by_figure.get(name, {})) for name in FIGURES)
    return "\n".join(text), figures_pass and are_held and are_said and all(c.passed for c in checks)


def put(page: Path, text: str) -> None:
    """Replace what stands between the study's marks of a page."""
    old = page.read_text(encoding="utf-8")
    before, rest = old.split(MARKS[0])
    _, after = rest.split(MARKS[1])
    page.write_text(f"{before}{MARKS[0]}\n{text}\n{MARKS[1]}{after}", encoding="utf-8")
