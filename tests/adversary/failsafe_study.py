"""The adversary's study of the failsafe check.

    python tests/adversary/failsafe_study.py --seeds 0:40 --least 500 --out part.jsonl
    python tests/adversary/failsafe_study.py --report part.jsonl other.jsonl

Each cell is an alternative cause crossed with an unsafe class, or a well-performed test of one
kind.
Seeds that the output file holds already are left out, so that a study can be stopped and resumed.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

from loss_ask import ask
from loss_classes import MORE_SAFE, SAFE, UNSAFE
from loss_drafts import Test
from loss_families import FAMILIES, SPARE, WELL, draw
from loss_truth import still_and_outside, stop_margin_us, truth_of
from scipy.stats import beta

Row = dict[str, Any]
Cell = tuple[str, str]


def cells(family: str | None = None, kind: str | None = None) -> list[Cell]:
    """Every cell of the study, or those of one family or kind."""
    every = [(f, k) for f in FAMILIES for k in UNSAFE]
    every += [(w, k) for w in WELL for k in (*SAFE, *MORE_SAFE, *UNSAFE)]
    every += [(SPARE, k) for k in ("stop", *(k for k in UNSAFE if "stop" in k))]
    return [c for c in every if family in (None, c[0]) and kind in (None, c[1])]


def run(family: str, kind: str, seed: int) -> Row:
    """Draw one test, ask the product, and hold its answer against the truth."""
    start = time.process_time()
    test = draw(family, kind, seed)
    truth = truth_of(test.recordings, test.limit_s)
    made_s = time.process_time() - start
    answer = ask(test)
    well = test.well_performed
    if well:
        recording = test.recordings[0]
        margin = stop_margin_us(recording.script, recording.pulses, test.limit_s)
        well = still_and_outside(recording.script, recording.pulses) and (
            kind in UNSAFE or margin >= 3e6 * recording.script.sample_s
        )
    lines = []
    for name, t in truth.items():
        if test.sheet["channels"].get(name, {}).get("role") == "unused":
            continue
        lines.append(
            {
                "line": name,
                "unsafe": t.unsafe,
                "shown": t.exhibited,
                "under_test": name in test.unsafe_lines or kind not in UNSAFE,
                "losses": max(t.losses, t.meant),
                "moves_until_s": round(t.moves_until_s, 4),
                "listed": name in test.sheet["channels"],
                "verdict": answer.lines.get(name, "refused" if answer.refused else "none"),
            }
        )
    return {
        "family": family,
        "kind": kind,
        "seed": seed,
        "limit_s": test.limit_s,
        "well": well,
        "gaps": test.gaps,
        "beside": _beside(test),
        "marker": test.sheet.get("marker", {}).get("kind", "none"),
        "overall": answer.overall,
        "refused": answer.refused,
        "crashed": answer.crashed,
        "make_s": round(made_s, 4),
        "ask_s": round(answer.cpu_s, 4),
        "lines": lines,
    }


def _beside(test: Test) -> int:
    """Count the outputs whose preset lies clearly beside where the stick rests."""
    script = test.recordings[0].script
    least_us = max(8.0, 2e6 * script.sample_s)
    ends = [(o.responses[0][-1], o.rest_us) for o in script.outputs if o.responses]
    return sum(p.width_us > 0.0 and abs(p.width_us - rest_us) >= least_us for p, rest_us in ends)


def _run(job: tuple[str, str, int]) -> Row:
    return run(*job)


def read(paths: Iterable[Path]) -> Iterator[Row]:
    """Rows of one or several parts, each test once."""
    seen: set[tuple[str, str, int]] = set()
    for path in paths:
        for text in path.read_text(encoding="utf-8").splitlines():
            row = json.loads(text)
            key = (row["family"], row["kind"], row["seed"])
            if key not in seen:
                seen.add(key)
                yield row


def bound(false: int, of: int) -> float:
    """One-sided 95 % Clopper-Pearson upper bound of a rate."""
    return 1.0 if of in (0, false) else float(beta.ppf(0.95, false + 1, of - false))


def _table(heads: list[str], rows: list[list[str]]) -> list[str]:
    return [
        "| " + " | ".join(heads) + " |",
        "|" + " --- |" * len(heads),
        *("| " + " | ".join(row) + " |" for row in rows),
        "",
    ]


def _of_unsafe(rows: list[Row], by: str) -> list[str]:
    """Verdicts on unsafe lines by family or by class."""
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    for row in rows:
        count = counts[row[by]]
        unsafe = [line for line in row["lines"] if line["unsafe"]]
        for line in unsafe:
            count[line["verdict"]] += 1
            count["lines"] += 1
            count["losses"] += line["losses"]
        count["overall"] += bool(unsafe) and row["overall"] == "meets"
        count["tests"] += bool(unsafe)
    body = [
        [
            name,
            str(c["tests"]),
            str(c["lines"]),
            str(c["losses"]),
            f"**{c['meets']}**" if c["meets"] else "0",
            str(c["lines"] - c["meets"] - c["does not meet"]),
            str(c["does not meet"]),
            f"**{c['overall']}**" if c["overall"] else "0",
            f"{100 * bound(c['meets'], c['lines']):.2f} %",
        ]
        for name, c in counts.items()
        if c["lines"]
    ]
    total = sum(counts.values(), Counter[str]())
    body.append(
        [
            "**all**",
            *(str(total[k]) for k in ("tests", "lines", "losses", "meets")),
            str(total["lines"] - total["meets"] - total["does not meet"]),
            str(total["does not meet"]),
            str(total["overall"]),
            f"{100 * bound(total['meets'], total['lines']):.4f} %",
        ]
    )
    return _table(
        [
            "alternative cause" if by == "family" else "class",
            "tests",
            "unsafe lines",
            "line-losses",
            'false "meets"',
            "not shown",
            "does not meet",
            'false "meets" of the whole',
            "95 % bound",
        ],
        body,
    )


def _of_well(rows: list[Row]) -> list[str]:
    """What well-performed tests are answered."""
    safe: dict[Cell, Counter[str]] = defaultdict(Counter)
    unsafe: dict[Cell, Counter[str]] = defaultdict(Counter)
    for row in rows:
        if row["family"] not in (*WELL, SPARE) or not row["well"]:
            continue
        for line in row["lines"]:
            if line["under_test"] and (line["unsafe"] == (row["kind"] in UNSAFE)):
                into = unsafe if line["unsafe"] else safe
                into[row["family"], row["kind"]][line["verdict"]] += 1
    text = []
    for counts, wanted, other in (
        (safe, "meets", "does not meet"),
        (unsafe, "does not meet", "meets"),
    ):
        body = [
            [f, k, str(c.total()), f"{100 * c[wanted] / c.total():.1f} %", str(c[other])]
            for (f, k), c in counts.items()
        ]
        text += _table(
            ["test", "kind" if wanted == "meets" else "class", "lines", wanted, other], body
        )
    return text


def _of_presets(rows: list[Row]) -> list[str]:
    """What safe, well-performed tests are answered by where their presets lie, and the marker."""
    groups = ("two presets beside", "at rest, a switch", "at rest, a button")
    counts: dict[str, dict[str, Counter[str]]] = defaultdict(lambda: defaultdict(Counter))
    for row in rows:
        if row["family"] != WELL[0] or row["kind"] in ("stop", *UNSAFE) or not row["well"]:
            continue
        group = groups[0 if row["beside"] > 1 else 1 if row["marker"] == "switch" else 2]
        for line in row["lines"]:
            counts[row["kind"]][group][line["verdict"]] += not line["unsafe"]
    body = [
        [kind, *(f"{of[g]['meets']} of {of[g].total()}" for g in groups)]
        for kind, of in counts.items()
    ]
    return _table(["kind", *groups], body)


def report(rows: list[Row]) -> str:
    """The study as Markdown."""
    crossed = [r for r in rows if r["family"] in FAMILIES]
    lines = _of_unsafe(crossed, "family") + _of_unsafe(crossed, "kind") + _of_well(rows)
    lines += _of_presets(rows)
    least: Counter[Cell] = Counter({c: 0 for c in cells() if c[0] in FAMILIES})
    for row in crossed:
        least[row["family"], row["kind"]] += sum(x["losses"] for x in row["lines"] if x["unsafe"])
    if least:
        cell, count = min(least.items(), key=lambda item: item[1])
        lines += [f"Fewest line-losses of a cause and class: {count} ({cell[0]}, {cell[1]}).", ""]
    cpu = sum(r["ask_s"] for r in rows), sum(r["make_s"] for r in rows)
    verdicts = max(1, sum(len(r["lines"]) for r in rows))
    lines += [
        f"{len(rows)} tests, {verdicts} verdicts; CPU a verdict: "
        f"{1e3 * cpu[1] / verdicts:.1f} ms to make, {1e3 * cpu[0] / verdicts:.1f} ms to ask.",
        "",
    ]
    for row in rows:
        where = f"{row['family']} / {row['kind']} / seed {row['seed']}"
        if row["crashed"]:
            lines.append(f"crash: {where}: {row['crashed'].strip().splitlines()[-1]}")
        wrong = [x["line"] for x in row["lines"] if x["unsafe"] and x["verdict"] == "meets"]
        if wrong:
            lines.append(f"false meets: {where}: {', '.join(wrong)}")
        elif row["overall"] == "meets" and any(x["unsafe"] for x in row["lines"]):
            lines.append(f"false meets of the whole: {where}")
        if row["well"] and row["kind"] not in UNSAFE:
            bad = [
                x["line"]
                for x in row["lines"]
                if not x["unsafe"] and x["verdict"] == "does not meet"
            ]
            if bad:
                lines.append(f"false does not meet: {where}: {', '.join(bad)}")
    return "\n".join(lines)


def main() -> int:
    """Run a part of the study, or write the report of parts."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--seeds", default="0:1", help="A:B, of every cell")
    parser.add_argument("--family", help="only this alternative cause")
    parser.add_argument("--kind", help="only this class")
    parser.add_argument(
        "--least", type=int, default=0, help="leave out cells that have so many line-losses already"
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes, 1 by default")
    parser.add_argument("--out", type=Path, default=Path("loss-study.jsonl"))
    parser.add_argument("--report", type=Path, nargs="+", help="only report these parts")
    parser.add_argument("--stop-after", type=float, default=520.0, help="seconds")
    parser.add_argument("--fail", action="store_true", help='exit 1 on a false "meets"')
    options = parser.parse_args()
    rows = list(read(options.report)) if options.report else _part(options)
    sys.stdout.write(report(rows) + "\n")
    wrong = any(x["unsafe"] and x["verdict"] == "meets" for r in rows for x in r["lines"])
    return int(options.fail and wrong)


def _unsafe_losses(row: Row) -> int:
    return sum(line["losses"] for line in row["lines"] if line["unsafe"])


def _part(options: argparse.Namespace) -> list[Row]:
    """Run what is missing of a part, appending each row as it comes."""
    first, last = map(int, options.seeds.split(":"))
    rows = list(read([options.out])) if options.out.exists() else []
    done = {(r["family"], r["kind"], r["seed"]) for r in rows}
    have: Counter[Cell] = Counter()
    for row in rows:
        have[row["family"], row["kind"]] += _unsafe_losses(row)
    end = time.monotonic() + options.stop_after
    left = 0
    with options.out.open("a", encoding="utf-8") as out, ProcessPoolExecutor(options.jobs) as pool:
        for seed in range(first, last):
            jobs = [
                (f, k, seed)
                for f, k in cells(options.family, options.kind)
                if (f, k, seed) not in done and not 0 < options.least <= have[f, k]
            ]
            if time.monotonic() > end:
                left += len(jobs)
                continue
            for row in pool.map(_run, jobs, chunksize=8):
                out.write(json.dumps(row) + "\n")
                rows.append(row)
                have[row["family"], row["kind"]] += _unsafe_losses(row)
    if left:
        sys.stderr.write(f"about {left} tests are left; run the same command again\n")
    return rows


if __name__ == "__main__":
    raise SystemExit(main())
