"""Hold what `figures_study` kept against the rules of FIGURES.md, and write the tables."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from figures_truth import distance
from scipy.stats import beta

JITTER_FIGURES = ("width jitter", "period jitter", "cycle-to-cycle jitter", "time interval error")
FIGURES = (
    "neutral",
    "low endpoint",
    "high endpoint",
    "travel",
    "asymmetry",
    *JITTER_FIGURES,
    "frame period",
    "skew",
    "hysteresis",
    "centring",
    "lag delay",
    "lag gain",
)
OF_WIDTH = {"neutral", "low endpoint", "high endpoint", "travel", "asymmetry", "width jitter", "hysteresis", "centring", "lag gain"}
LEAST_TOLD = {"hysteresis": 0.80, "centring": 0.80} | dict.fromkeys(JITTER_FIGURES, 0.90)
MARKS = ("<!-- figures study -->", "<!-- end of figures study -->")
CURVE_BAND = 0.1  # docs/methods.md calls a curve linear within this


@dataclass
class Cell:
    """The intervals of one figure in one cell."""

    error: list[float] = field(default_factory=list)  # told - truth
    oracle: list[float] = field(default_factory=list)  # oracle - truth, of all recordings
    trimmed: list[float] = field(default_factory=list)
    width: list[float] = field(default_factory=list)
    inside: list[bool] = field(default_factory=list)
    rough: list[bool] = field(default_factory=list)  # true jitter above one sample interval
    wanted: int = 0
    told: int = 0

    def best(self, errors: list[float]) -> float:
        """Width of the central 95 % of some errors."""
        if len(errors) < 2:
            return float("nan")
        low, high = np.quantile(errors, [0.025, 0.975])
        return float(high - low)

    def upper(self) -> float:
        """One-sided 99.9 % Clopper-Pearson upper bound of the coverage."""
        n, k = len(self.inside), sum(self.inside)
        return 1.0 if k == n else float(beta.ppf(0.999, k + 1, n - k))

    def ratio(self) -> float:
        """Mean width told over the oracle's."""
        return float(np.mean(self.width)) / self.best(self.oracle) if self.width and self.oracle else float("nan")

    def ratio_trimmed(self) -> float:
        """Width of the trimmed oracle's interval over the oracle's."""
        return self.best(self.trimmed) / self.best(self.oracle)


def gather(kept: list[dict[str, Any]]) -> dict[str, dict[tuple[float, str], Cell]]:
    """Sort the rows by figure and cell."""
    cells: dict[str, dict[tuple[float, str], Cell]] = defaultdict(lambda: defaultdict(Cell))
    for recording in kept:
        interval_us = 1e6 / recording["rate"]
        for name, line, truth, oracle, trimmed, value, low, high, _ in recording["rows"]:
            if truth is None or oracle is None:
                continue
            cell = cells[name][recording["rate"], recording["kind"]]
            cell.oracle.append(oracle - truth)
            cell.trimmed.append(oracle - truth if trimmed is None else trimmed - truth)
            has_interval = low is not None and high is not None
            numeric = isinstance(value, int | float)
            if name not in JITTER_FIGURES or truth >= 2 * interval_us:
                cell.wanted += 1
                cell.told += has_interval and numeric
            if has_interval:
                width_jitter, time_error = recording["jitter"].get(line, (None, None))
                if width_jitter is None:  # lag
                    rough = True
                else:
                    rough = (width_jitter if name in OF_WIDTH else time_error) > interval_us
                cell.width.append(high - low)
                cell.inside.append(low <= truth <= high)
                cell.rough.append(rough)
                if numeric:
                    cell.error.append(value - truth)
    return cells


def per_cent(part: float, whole: float) -> str:
    """A share as text."""
    return "none" if not whole else f"{100 * part / whole:.1f} %"


def figure_rows(cells: dict[str, dict[tuple[float, str], Cell]]) -> tuple[list[str], bool]:
    """One row of the table for each figure, and whether all pass."""
    out, all_pass = [], True
    for name in FIGURES:
        mine = list(cells.get(name, {}).values())
        inside = [x for cell in mine for x in cell.inside]
        rough = [x for cell in mine for x, r in zip(cell.inside, cell.rough, strict=True) if r]
        errors = [x for cell in mine for x in cell.error]
        low = [key for key, cell in cells.get(name, {}).items() if cell.upper() < 0.90]
        ratios = {key: cell.ratio() for key, cell in cells.get(name, {}).items() if cell.width}
        wide = [key for key, ratio in ratios.items() if ratio > 1.5]
        cautious = {key: np.mean(cell.width) / cell.best(cell.trimmed) for key, cell in cells.get(name, {}).items() if cell.width}
        told, wanted = sum(cell.told for cell in mine), sum(cell.wanted for cell in mine)
        least = LEAST_TOLD.get(name, 0.95)
        fails = []
        if not inside:
            fails.append("no interval")
        else:
            if np.mean(inside) < 0.93:
                fails.append("coverage low")
            if rough and np.mean(rough) > 0.98:
                fails.append("coverage high")
            if low:
                fails.append(f"{len(low)} cells below 90 %")
            if wide:
                fails.append(f"{len(wide)} of {len(ratios)} cells too wide")
        if wanted and told < least * wanted:
            fails.append("told too seldom")
        all_pass &= not fails
        worst = max(ratios, key=lambda key: ratios[key], default=None)
        trimmed = np.nanmedian([cell.ratio_trimmed() for cell in mine]) if mine else np.nan
        out.append(
            f"| {name} | {len(inside)} | {np.median(errors) if errors else np.nan:+.3g} "
            f"| {per_cent(sum(inside), len(inside))} | {per_cent(sum(rough), len(rough))} "
            f"| {min((cell.upper() for cell in mine), default=1):.1%} "
            f"| {np.median(list(ratios.values())) if ratios else np.nan:.2f} "
            f"| {'' if worst is None else f'{ratios[worst]:.2f} ({worst[0] / 1e6:g}:{worst[1]})'} "
            f"| {trimmed:.2f} | {sum(ratio > 1.5 for ratio in cautious.values())} of {len(cautious)} | {per_cent(wanted - told, wanted)} | {'pass' if not fails else 'FAIL: ' + ', '.join(fails)} |"
        )
    return out, all_pass


def cell_rows(cells: dict[str, dict[tuple[float, str], Cell]]) -> list[str]:
    """Every cell of every figure that breaks a rule of cells, or stands out."""
    out = []
    for name in FIGURES:
        for (rate, kind), cell in sorted(cells.get(name, {}).items()):
            if not cell.inside:
                continue
            share, ratio = np.mean(cell.inside), cell.ratio()
            if cell.upper() >= 0.90 and ratio <= 1.5 and 0.93 <= share:
                continue
            out.append(
                f"| {name} | {rate / 1e6:g} | {kind} | {len(cell.inside)} | {np.median(cell.error) if cell.error else np.nan:+.3g} "
                f"| {share:.1%} | {cell.upper():.1%} | {np.mean(cell.width):.3g} | {cell.best(cell.oracle):.3g} | {ratio:.2f} |"
            )
    return out


def verdicts(kept: list[dict[str, Any]], cells: dict[str, dict[tuple[float, str], Cell]]) -> tuple[list[str], bool]:
    """Verdicts where the limit is well away, and wrong ones."""
    out, all_pass = [], True
    for name in ("frame period", "width jitter", "low endpoint", "high endpoint", "neutral"):
        clear = given = wrong = told = 0
        seeds = []
        for recording in kept:
            key = (recording["rate"], recording["kind"])
            for figure, line, truth, _, _, _, _, _, verdict in recording["rows"]:
                if figure != name or truth is None:
                    continue
                if name == "frame period" and "standard servo" not in recording["limits"].get(line, ""):
                    continue
                inside = distance(name, truth)
                assert inside is not None
                shown = verdict in ("meets", "does not meet")
                told += shown
                if shown and (verdict == "meets") != (inside > 0):
                    wrong += 1
                    seeds.append(f"{key[0] / 1e6:g}:{key[1]}:{recording['number']}")
                cell = cells[name][key]
                if abs(inside) >= 3 * cell.best(cell.oracle):
                    clear += 1
                    given += shown
        passed = given >= 0.95 * clear and wrong <= 0.005 * max(told, 1)
        all_pass &= passed
        out.append(
            f"| {name} | {told} | {wrong} ({per_cent(wrong, told)}) | {per_cent(given, clear)} of {clear} "
            f"| {'pass' if passed else 'FAIL'} | {' '.join(seeds[:4])} |"
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
    """Whether a curve was told where there is none, or of the wrong sign, or a straight line over expo."""
    word = str(told[0])
    if "linear" in word or "straight" in word:
        return bool(abs(truth["expo"]) > 1.2 * CURVE_BAND)
    if "softer" in word:
        return bool(truth["expo"] <= 0.0)
    return bool(truth["expo"] >= 0.0)


def clear_of_looks(name: str, recording: dict[str, Any], truth: dict[str, Any]) -> bool:
    """Whether a line shows a step, a deadband or a curve with no other cause that looks alike."""
    interval_us = 1e6 / recording["rate"]
    jitter = recording["jitter"][truth["line"]][0]
    if name == "resolution":
        return bool(truth["step"] >= max(4 * interval_us, 6 * jitter) and truth["line"] == "sweeps" and recording["kind"] != "code")
    if truth["line"] != "sweeps" or truth["pace"] != "even":
        return False
    if name == "deadband":
        return bool(truth["flat"] >= 8 and not truth["expo"] and jitter < 0.05 * truth["deadband_us"])
    return bool(not truth["deadband_us"] and jitter < 3.0)


def statements(kept: list[dict[str, Any]]) -> tuple[list[str], bool]:
    """Steps, deadbands and curves: told, wrong, and not shown where nothing looks alike."""
    wrongs = {"resolution": wrong_step, "deadband": wrong_deadband, "curve": wrong_curve}
    out, all_pass = [], True
    for name, is_wrong in wrongs.items():
        told = wrong = clear = shown = 0
        seeds = []
        for recording in kept:
            if name == "resolution" and recording["kind"] == "two-code":
                continue  # two codes are steps of their own
            for truth in recording["statements"]:
                answer = truth["told"].get(name)
                has_value = answer is not None and answer[0] is not None
                if clear_of_looks(name, recording, truth):
                    clear += 1
                    shown += has_value
                if not has_value:
                    continue
                told += 1
                if is_wrong(truth, answer):
                    wrong += 1
                    seeds.append(f"{recording['rate'] / 1e6:g}:{recording['kind']}:{recording['number']}:{truth['line']}")
        passed = wrong <= 0.02 * told and shown >= 0.6 * clear
        all_pass &= passed
        out.append(
            f"| {name} | {told} | {wrong} ({per_cent(wrong, told)}) | {per_cent(shown, clear)} of {clear} "
            f"| {'pass' if passed else 'FAIL'} | {' '.join(seeds[:4])} |"
        )
    return out, all_pass


def other(kept: list[dict[str, Any]], cells: dict[str, dict[tuple[float, str], Cell]]) -> tuple[list[str], bool]:
    """Invented jitter, neutral of a throttle, clocks of later outputs, devices in step, warnings."""
    checks: list[tuple[str, int, int, float, list[str]]] = []
    free = [k for k in kept if k["kind"] == "none"]
    for name in JITTER_FIGURES:
        rows = [(k, r) for k in free for r in k["rows"] if r[0] == name and r[2] is not None]
        # "told to have jitter": a value whose interval leaves out what is true (rounding of doubles aside)
        bad = [k for k, r in rows if isinstance(r[5], int | float) and (r[6] if r[6] is not None else r[5]) > r[2] + 1e-3]
        checks.append((f"jitter-free, told {name}", len(bad), len(rows), 0.05, seeds_of(bad)))
    throttles = [(k, r) for k in kept for r in k["rows"] if r[0] == "neutral" and r[1] == "throttle"]
    bad = [k for k, r in throttles if r[8] in ("meets", "does not meet")]
    checks.append(("throttle that rests low, neutral judged", len(bad), len(throttles), 0.0, seeds_of(bad)))
    later = [(k, r) for k in kept for r in k["later"]]
    bad = [k for k, (_, truth, value, words) in later if isinstance(value, int | float)
           and value > 3 * truth + 3e6 / k["rate"] and "width" not in words]
    checks.append(("later output of a sequential receiver, widths told as clock", len(bad), len(later), 0.02, seeds_of(bad)))
    for waits in ("start", "end"):
        mine = [(k, k["lag"]) for k in kept if k["lag"][0] == waits and k["lag"][2]]
        bad = [k for k, lag in mine if "own clock" in lag[2]]
        checks.append((f"device in step ({waits}), told its own clock", len(bad), len(mine), 0.02, seeds_of(bad)))
        unknown = [k for k, lag in mine if "not move enough" in lag[2]]
        checks.append((f'device in step ({waits}), told "did not move enough"', len(unknown), len(mine), 0.02, seeds_of(unknown)))
    warned = [k for k in kept if k["warned"]]
    checks.append(("recordings with a numpy warning", len(warned), len(kept), 0.0, seeds_of(warned)))
    rows = [
        f"| {what} | {bad} | {of} | {per_cent(bad, of)} | {'pass' if bad <= most * of else 'FAIL'} | {' '.join(seeds)} |"
        for what, bad, of, most, seeds in checks
    ]
    return rows, all(bad <= most * of for _, bad, of, most, _ in checks)


def seeds_of(recordings: list[dict[str, Any]]) -> list[str]:
    """The first few of some recordings, as rate:kind:number."""
    return [f"{k['rate'] / 1e6:g}:{k['kind']}:{k['number']}" for k in recordings[:4]]


def tables(kept: list[dict[str, Any]], *, cells: bool = False) -> tuple[str, bool]:
    """All tables as Markdown, and whether every rule holds."""
    sorted_ = gather(kept)
    figures, a = figure_rows(sorted_)
    held, b = verdicts(kept, sorted_)
    said, c = statements(kept)
    rest, d = other(kept, sorted_)
    number = min(sum(1 for k in kept if (k["rate"], k["kind"]) == key) for key in {(k["rate"], k["kind"]) for k in kept})
    cost = np.mean([k["cost_s"] for k in kept], axis=0)
    text = [
        f"{len(kept)} recordings, at least {number} in each cell of sample rate and jitter (seed {kept[0]['seed']}); "
        f"`examine` took {cost[0]:.2f} s of processor time for each, `lag` {cost[1]:.2f} s.",
        "",
        "| figure | intervals | median error | coverage | coverage, jitter > Ts | lowest cell's 99.9 % bound "
        "| width / oracle's, median cell | widest cell | trimmed oracle / oracle | cells above 1.5 x trimmed oracle | not shown | rules |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
        *figures,
        "",
        "| verdict | told | wrong | given where the limit is 3 oracle intervals away | rules | seeds |",
        "|---|---|---|---|---|---|",
        *held,
        "",
        "| statement | told | wrong | told where nothing looks alike | rules | seeds |",
        "|---|---|---|---|---|---|",
        *said,
        "",
        "| wrong statement | times | of | share | rules | seeds |",
        "|---|---|---|---|---|---|",
        *rest,
    ]
    if cells:
        text += [
            "",
            "| figure | MS/s | jitter | intervals | median error | coverage | 99.9 % bound | mean width | oracle's | ratio |",
            "|---|---|---|---|---|---|---|---|---|---|",
            *cell_rows(sorted_),
        ]
    return "\n".join(text), a and b and c and d


def put(page: Path, text: str) -> None:
    """Replace what stands between the study's marks of a page."""
    old = page.read_text(encoding="utf-8")
    before, rest = old.split(MARKS[0])
    _, after = rest.split(MARKS[1])
    page.write_text(f"{before}{MARKS[0]}\n{text}\n{MARKS[1]}{after}", encoding="utf-8")


def load(paths: list[str]) -> list[dict[str, Any]]:
    """Read parts."""
    return [json.loads(line) for path in paths for line in Path(path).open(encoding="utf-8")]
