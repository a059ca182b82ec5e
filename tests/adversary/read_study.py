"""The study of the readers: write every file, load each, hold the table against the goals.

python tests/adversary/read_study.py                       # the table
python tests/adversary/read_study.py --write FOLDER        # all files, to look at
python tests/adversary/read_study.py --only sep_line/03 --write FOLDER
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path

import read_shapes
from read_ask import Told, ask
from read_judge import FAULT, GUESSED, MUTE, OUTCOMES, OWNED, RIGHT, RIGHTLY, SILENT, THOUGH, judge
from read_paper import Paper, names, write

assert read_shapes.MODULES  # imported: all shapes are registered
LIMIT_S = 20.0
MAX_SENTENCE = 400
SLOW_S = 5.0


@dataclass(frozen=True)
class Result:
    """One file's outcome."""

    name: str
    paper: Paper
    outcome: str
    helped: bool | None
    detail: str
    told: Told


def place(folder: Path, name: str, paper: Paper) -> Path:
    """Write one file into a folder."""
    path = folder / (name.replace("/", "-") + paper.suffix)
    path.write_bytes(paper.data)
    return path


def serve(pipe: Connection, stderr: str) -> None:
    """Load one file after the other in a process of its own, its standard error kept."""
    os.dup2(os.open(stderr, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), 2)
    while (job := pipe.recv()) is not None:
        began = time.process_time()
        told = ask(*job)
        told.seconds = time.process_time() - began
        pipe.send(told)


class Loader:
    """A process that loads; one that hangs is ended and another one started."""

    def __init__(self, folder: Path) -> None:
        self.stderr = folder / "stderr.txt"
        self.start()

    def start(self) -> None:
        self.pipe, theirs = multiprocessing.Pipe()
        self.process = multiprocessing.Process(
            target=serve, args=(theirs, str(self.stderr)), daemon=True
        )
        self.process.start()

    def load(self, path: Path, hints: dict[str, object]) -> Told:
        seen = self.stderr.stat().st_size if self.stderr.exists() else 0
        self.pipe.send((path, hints))
        try:
            told: Told = (
                self.pipe.recv()
                if self.pipe.poll(LIMIT_S)
                else Told(fault=f"hangs over {LIMIT_S} s")
            )
        except EOFError:
            told = Told(fault="the process died")
        if told.fault.startswith(("hangs", "the process")):
            self.process.kill()
            self.process.join()
            self.start()
        elif self.stderr.stat().st_size > seen:
            told.stderr = self.stderr.read_text(errors="replace")[seen:]
        return told

    def stop(self) -> None:
        self.pipe.send(None)
        self.process.join(5)


def study(wanted: list[str]) -> list[Result]:
    """Write and load the files of these names."""
    results = []
    with tempfile.TemporaryDirectory() as folder:
        loader = Loader(Path(folder))
        for name in wanted:
            paper = write(name)
            path = place(Path(folder), name, paper)
            told = loader.load(path, paper.hints)
            path.unlink()
            results.append(Result(name, paper, *judge(paper, told), told))
        loader.stop()
    return results


def table(results: list[Result]) -> str:
    """Return the Markdown table, one row per shape, and the totals against the goals."""
    columns = (RIGHT, RIGHTLY, THOUGH, SILENT, OWNED, GUESSED, FAULT, MUTE)
    out = ["| shape | files | " + " | ".join(columns) + " | opened with the option named |"]
    out.append("|---|" + "---:|" * (len(columns) + 2))
    shapes = list(dict.fromkeys(r.name.partition("/")[0] for r in results))
    for kind in [*shapes, "**all**"]:
        own = [r for r in results if kind in ("**all**", r.name.partition("/")[0])]
        counts = Counter(r.outcome for r in own)
        asked = [r for r in own if r.told.refusals and r.paper.hints]
        cells = [str(counts[c] or "") for c in columns]
        helped = f"{sum(r.helped is True for r in asked)} of {len(asked)}" if asked else ""
        out.append(f"| {kind} | {len(own)} | " + " | ".join(cells) + f" | {helped} |")
    return "\n".join([*out, "", *goals(results)])


def goals(results: list[Result]) -> list[str]:
    """Return each goal with what was reached."""
    silent = sum(r.outcome == SILENT for r in results)
    guessed = sum(r.outcome == GUESSED for r in results)
    faults = sum(r.outcome == FAULT for r in results)
    unaided = [r for r in results if r.paper.reading == "unaided"]
    right = sum(r.outcome in (RIGHT, MUTE) for r in unaided)
    rest = [r for r in results if r.paper.reading in ("option", "ambiguous") and r.paper.hints]
    opened = sum(r.helped is True or r.outcome in (RIGHT, MUTE) for r in rest)
    mute = sum(r.outcome == MUTE for r in results)
    long = [r.name for r in results if any(len(s) > MAX_SENTENCE for s in r.told.refusals)]
    slow = [r.name for r in results if r.told.seconds > SLOW_S]
    noisy = [r.name for r in results if r.told.stderr]
    return [
        f"- {len(results)} files of {len({r.name.partition('/')[0] for r in results})} shapes",
        f"- wrong without a word: {silent} (goal 0)",
        f"- readable unaided, opened right: {right} of {len(unaided)}, "
        f"{100 * right / max(1, len(unaided)):.1f} % (goal >= 95 %)",
        f"- the rest, opened with the option that the refusal names: {opened} of {len(rest)}, "
        f"{100 * opened / max(1, len(rest)):.1f} % (goal >= 95 %)",
        f"- ambiguous, guessed: {guessed} (goal 0)",
        f"- other exceptions and hangs: {faults} (goal 0)",
        f"- right, but a needed word is missing: {mute} (goal 0)",
        f"- refusals over {MAX_SENTENCE} characters: {len(long)} {long[:5]}",
        f"- over {SLOW_S:g} s of processor time: {len(slow)} {slow[:5]} (goal 0)",
        f"- text on standard error: {len(noisy)} {noisy[:5]}",
    ]


def reached(results: list[Result]) -> bool:
    """Tell whether every goal is reached."""
    unaided = [r for r in results if r.paper.reading == "unaided"]
    rest = [r for r in results if r.paper.reading in ("option", "ambiguous") and r.paper.hints]
    return (
        not any(r.outcome in (SILENT, GUESSED, FAULT, MUTE) for r in results)
        and all(r.told.seconds <= SLOW_S for r in results)
        and sum(r.outcome == RIGHT for r in unaided) >= 0.95 * len(unaided)
        and sum(r.helped is True or r.outcome == RIGHT for r in rest) >= 0.95 * len(rest)
    )


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--write", type=Path, help="write the files to this folder; load none")
    parser.add_argument("--only", action="append", help="a file's name, or a shape's")
    parser.add_argument("--list", action="append", choices=OUTCOMES, help="list these outcomes")
    parser.add_argument("--fail", action="store_true", help="exit code 1 if a goal is missed")
    parser.add_argument("--draw", default="", help="the same shapes with other draws: any word")
    options = parser.parse_args()
    draw = "#" + options.draw if options.draw else ""
    wanted = [
        n + draw
        for n in names()
        if not options.only or n + draw in options.only or n.split("/")[0] in options.only
    ]
    if options.write:
        options.write.mkdir(parents=True, exist_ok=True)
        for name in wanted:
            paper = write(name)
            print(place(options.write, name, paper), "|", paper.reading, "|", paper.note)
        return 0
    results = study(wanted)
    print(table(results))
    for outcome in options.list or (SILENT, OWNED, GUESSED, FAULT, MUTE, THOUGH):
        print(f"\n### {outcome}\n")
        for r in results:
            if r.outcome == outcome:
                print(f"- `{r.name}` ({r.paper.note}): {r.detail[:260]}")
    stuck = [r for r in results if r.paper.hints and r.told.refusals and r.helped is not True]
    print("\n### not opened by the option that the refusal names\n")
    for r in stuck:
        if r.paper.reading in ("option", "ambiguous"):
            print(
                f"- `{r.name}` ({r.paper.note}) given {r.told.given}: {r.told.refusals[-1][:260]}"
            )
    return 1 if options.fail and not reached(results) else 0


if __name__ == "__main__":
    sys.exit(main())
