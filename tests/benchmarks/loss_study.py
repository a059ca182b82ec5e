"""How well losses are told: a detection study over random recordings whose truth is known.

    python tests/benchmarks/loss_study.py [LOSSES [SEED]] [--write]

makes random recordings (`loss_scripts`) until they hold LOSSES losses (5,000 unless given),
says what every line did in each, and prints, as Markdown, what was found against what the
scripts say: the classes, the verdicts, the errors of the times, and the number of false "meets".
With --write the tables go into docs/failsafe.md instead. The exit code is 1 if any is false.
"""

from __future__ import annotations

import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from loss_scripts import Bench, TrueLoss, random_bench

from pwmscope.findings.failsafe import LossEvent, find_losses, reference_of
from pwmscope.findings.segmentation import find_servo_lines

CLASSES = ("pulses stop", "holds last", "goes to preset", "wanders", "keeps following")
PAGE = Path(__file__).parents[2] / "docs" / "failsafe.md"
BEGIN, END = "<!-- the study begins -->", "<!-- the study ends -->"
VERDICTS = ("meets", "not shown", "does not meet")


@dataclass(frozen=True)
class Told:
    """One loss of one line: the truth, and what was found (None where it was not seen)."""

    seed: int
    truth: TrueLoss
    event: LossEvent | None
    frame_s: float


def examine_bench(bench: Bench) -> dict[str, tuple[LossEvent, ...]]:
    """Analyse one recording as `examine` does, without the figures that are not about losses."""
    reference = reference_of(bench.capture, bench.off_line, bench.off_at_s, bench.sheet)
    lines = find_servo_lines(bench.capture, reference.line)
    heard = find_losses(lines, reference, reference.limits)
    return {name: silence.events for name, silence in heard.line_losses.items()}


def study_seed(seed: int) -> list[Told]:
    """Make and analyse one recording."""
    bench = random_bench(seed)
    events = examine_bench(bench)
    told = []
    for truth in bench.truth:
        near = [e for e in events.get(truth.line, ()) if abs(e.lost_s - truth.off_s) < 2.2]
        meets = [e for e in near if e.verdict is not None and e.verdict.value == "meets"]
        near.sort(key=lambda e: abs(e.lost_s - truth.off_s))
        event = meets[0] if meets else near[0] if near else None
        told.append(Told(seed, truth, event, bench.frame_s))
    return told


def study(losses: int, first_seed: int) -> list[Told]:
    """Analyse recordings until there are so many losses."""
    told: list[Told] = []
    seen, seed = 0, first_seed
    with ProcessPoolExecutor(2) as pool:
        while seen < losses:
            batch = list(pool.map(study_seed, range(seed, seed + 100), chunksize=5))
            seed += 100
            seen += sum(len({t.truth.off_s for t in own}) for own in batch)
            told += [t for own in batch for t in own]
    return told


def verdict_of(told: Told) -> str:
    """Name the verdict; a loss that was not seen is not shown."""
    return told.event.verdict.value if told.event and told.event.verdict else "not shown"


def false_meets(told: list[Told]) -> list[Told]:
    """List the losses that were said to meet the limit and do not by the script."""
    return [t for t in told if verdict_of(t) == "meets" and not t.truth.conforms]


def table(rows: list[list[str]], head: list[str]) -> str:
    """Write a Markdown table."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def class_table(told: list[Told]) -> str:
    """Confusion matrix of the classes, where the moment is right and nothing else happened."""
    plain = [t for t in told if t.truth.plain and t.event is not None]
    counts = Counter(
        (t.truth.behaviour, t.event.behaviour.value if t.event.behaviour else "not shown")
        for t in plain
        if t.event
    )
    found = (*CLASSES, "not shown")
    rows = [[f"**{true}**", *(str(counts[true, seen]) for seen in found)] for true in CLASSES]
    return table(rows, ["by the script", *found])


def verdict_table(told: list[Told]) -> str:
    """Count what was said of devices that stop in time, and of those that do not."""
    rows = []
    for mark in ("marked", "stated", "stated wrongly", "goes off late", "none"):
        for conforms in (True, False):
            own = [t for t in told if t.truth.mark == mark and t.truth.conforms is conforms]
            counts = Counter(verdict_of(t) for t in own)
            does = "stops in time" if conforms else "does not"
            rows.append([mark, does, *(str(counts[v]) for v in VERDICTS)])
    return table(rows, ["moment", "by the script", *VERDICTS])


def timing_table(told: list[Told]) -> str:
    """Percentiles of the error of the settle time; how often the truth lies in its bounds."""
    rows = []
    for mark in ("marked", "stated"):
        for kind in ("pulses stop", "goes to preset"):
            own = [
                (event, t.truth.settles_s, t.frame_s)
                for t in told
                if t.truth.plain and t.truth.mark == mark and t.truth.behaviour == kind
                and (event := t.event) is not None and t.truth.settles_s is not None
                and event.behaviour is not None and event.behaviour.value == kind
            ]  # fmt: skip
            errors_s = np.array([(e.settle_s or 0.0) - true_s for e, true_s, _ in own])
            frames = errors_s / np.array([frame_s for *_, frame_s in own])
            within = sum(
                bounds[0] - frame_s <= true_s <= bounds[1]
                for e, true_s, frame_s in own
                if (bounds := e.settle_bounds_s) is not None
            )
            cells = [f"{p:.1f}" for p in np.percentile(errors_s * 1e3, (1, 50, 99))]
            cells += [f"{p:.2f}" for p in np.percentile(frames, (1, 50, 99))]
            rows.append([mark, kind, str(len(own)), *cells, f"{100 * within / len(own):.1f} %"])
    head = ["moment", "class", "losses", "1 %, ms", "50 %, ms", "99 %, ms", "1 %, frames",
            "50 %, frames", "99 %, frames", "truth within the bounds"]  # fmt: skip
    return table(rows, head)


def page(told: list[Told]) -> str:
    """Write the study's tables as Markdown."""
    whole = len({(t.seed, t.truth.off_s) for t in told})
    return "\n\n".join(
        (
            f"{whole} losses, {len(told)} as lines show them, in {len({t.seed for t in told})} "
            f'recordings; the limit is 2 s. **False "meets": {len(false_meets(told))}.**',
            "Classes found, where the moment is right and no mishap struck:",
            class_table(told),
            "Verdicts, all recordings:",
            verdict_table(told),
            "Error of the settle time:",
            timing_table(told),
        )
    )


def main() -> None:
    """Run the study; print it, or put it into a page."""
    numbers = [int(word.replace("_", "")) for word in sys.argv[1:] if word[0].isdigit()]
    losses, first_seed = (*numbers, 5_000, 1)[:2] if len(numbers) != 1 else (numbers[0], 1)
    told = study(losses, first_seed)
    wrong = false_meets(told)
    if "--write" in sys.argv:
        before, _, rest = PAGE.read_text(encoding="utf-8").partition(BEGIN)
        after = rest.partition(END)[2]
        PAGE.write_text(f"{before}{BEGIN}\n{page(told)}\n{END}{after}", encoding="utf-8")
    else:
        print(page(told))
    for t in wrong:
        print(f"False: seed {t.seed}: {t.truth}", file=sys.stderr)
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
