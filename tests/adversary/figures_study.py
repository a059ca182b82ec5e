"""Judge every interval and verdict of `examine` and `lag` on recordings nobody tuned them to.

    export PYTHONPATH=.:tests
    python -m adversary.figures_study run --count 500 --out part.jsonl [--cells 1:gauss,24:none]
    python -m adversary.figures_study table part.jsonl ... [--cells] [--write docs/methods.md]

A cell is a sample rate and a kind of jitter. `run` appends one JSON line for each recording and
stops after some minutes; the same command goes on. Parts with different `--first` may be made at
different times and by different processes. Truth: the defined figure of the generated edges, over
the pulses truly held. Oracle: the same definition on the recorded edges, given the true dwells; its
interval is the central 95 % of its errors in the cell. FIGURES.md beside this file has the rules.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

from adversary import figures_ask, figures_judge
from adversary.figures_truth import (
    CLOCK_FIGURES,
    clock_figures,
    flat_frames,
    freed,
    level_figures,
    stick_figures,
)
from adversary.signal_bench import JITTERS, RATES_HZ, Pulses, Recording, draw, draw_lag

CELLS = [(rate, kind) for rate in RATES_HZ for kind in JITTERS]


Known = tuple[float | None, float | None, float | None]  # truth, oracle, trimmed oracle
UNKNOWN: Known = (None, None, None)


def row(name: str, line: str, known: Known, told: figures_ask.Told | None) -> list[Any]:
    """One figure of one line, as it is kept."""
    if told is None:
        return [name, line, *known, None, None, None, None]
    value = told.value if isinstance(told.value, int | float | str | None) else str(told.value)
    return [name, line, *known, value, told.low, told.high, told.verdict]


def line_rows(
    name: str,
    line: Pulses,
    recorded: tuple[Any, Any],
    interval_us: float,
    told: dict[str, Any],
    *,
    has_clock: bool,
) -> list[list[Any]]:
    """Truth, oracle and what was told, for all figures of one line."""
    rise, width = recorded
    truth = level_figures(line, line.width_us) | stick_figures(line, line.width_us)
    oracle = level_figures(line, width) | stick_figures(line, width)
    trimmed = freed(
        level_figures(line, width, trimmed=True) | stick_figures(line, width, trimmed=True),
        interval_us,
    )
    if has_clock:
        truth |= clock_figures(line.rise_us)
        oracle |= clock_figures(rise)
    oracle = freed(oracle, interval_us)
    known = {figure: (truth[figure], oracle[figure], trimmed.get(figure)) for figure in truth}
    return [row(figure, name, known[figure], told.get(figure)) for figure in known]


def statements(
    recording: Recording, name: str, line: Pulses, told: dict[str, Any]
) -> dict[str, Any]:
    """What was told of steps, deadband and curve, beside what is so."""
    sender = line.transmitter
    kept = {
        figure: [*row(figure, name, UNKNOWN, told[figure])[5:], told[figure].sentence]
        for figure in ("resolution", "deadband", "curve")
        if figure in told
    }
    return {
        "line": name,
        "pace": recording.sweep_pace if name == "sweeps" else "",
        "step": sender.step_us,
        "expo": sender.expo,
        "deadband_us": sender.deadband_us(),
        "flat": flat_frames(line),
        "told": kept,
    }


def one(rate: float, kind: str, seed: int, number: int, *, with_lag: bool = True) -> dict[str, Any]:
    """Generate, ask and keep one recording of a cell."""
    rng = np.random.default_rng([seed, CELLS.index((rate, kind)), number])
    recording = draw(rate, kind, rng)
    sampled = {
        name: recording.analyser.sample(line.rise_us, line.width_us)
        for name, line in recording.lines.items()
    }
    capture = figures_ask.capture(
        {name: edges for name, (edges, _, _) in sampled.items()}, recording.duration_us, rate
    )
    before = time.process_time()
    answers = figures_ask.ask(capture)
    cost = time.process_time() - before
    interval_us = recording.analyser.interval_us
    rows, said, jitter, later = [], [], {}, []
    first, first_line = next(iter(recording.lines.items()))
    for name, line in recording.lines.items():
        told = answers.lines.get(name, {})
        has_clock = name == first or not recording.sequential
        rows += line_rows(name, line, sampled[name][1:], interval_us, told, has_clock=has_clock)
        said.append(statements(recording, name, line, told))
        clock = clock_figures(line.rise_us if has_clock else first_line.rise_us)
        jitter[name] = [
            level_figures(line, line.width_us)["width jitter"],
            clock["time interval error"],
        ]
        if not has_clock:
            later += [
                [figure, clock[figure], told[figure].value, told[figure].sentence]
                for figure in CLOCK_FIGURES[1:]
                if figure in told
            ]
        if name != first:
            skew = float((line.rise_us - first_line.rise_us).mean())
            seen = float((sampled[name][1] - sampled[first][1]).mean())
            rows.append(row("skew", name, (skew, seen, seen), answers.skew.get(name)))
    limits = {
        name: told["frame period"].limit
        for name, told in answers.lines.items()
        if "frame period" in told
    }
    lag, lag_rows, lag_said = lag_of(rate, kind, rng) if with_lag else (None, [], [])
    return {
        "rate": rate,
        "kind": kind,
        "seed": seed,
        "number": number,
        "sequential": recording.sequential,
        "jitter": jitter,
        "rows": rows + lag_rows,
        "statements": said,
        "later": later,
        "lag": lag_said,
        "limits": limits,
        "warned": [*answers.warned],
        "cost_s": [cost, lag],
    }


def lag_of(
    rate: float, kind: str, rng: np.random.Generator
) -> tuple[float, list[list[Any]], list[Any]]:
    """Generate and ask one pair of lines with a device between them."""
    line, device, analyser = draw_lag(rate, kind, rng)
    source_edges, source_rise, source_width = analyser.sample(line.rise_us, line.width_us)
    output_edges, rise, width = analyser.sample(device.rise_us, device.width_us)
    end_us = max(line.fall_us[-1], device.rise_us[-1] + device.width_us[-1]) + 500.0
    capture = figures_ask.capture({"in": source_edges, "out": output_edges}, end_us, rate)
    before = time.process_time()
    told = figures_ask.ask_lag(capture, "in", "out")
    cost = time.process_time() - before
    k = device.carried
    delay = [
        float(np.median(out - into[k]))
        for out, into in ((device.rise_us, line.rise_us), (rise, source_rise))
    ]
    gain = [
        float(np.polyfit(into[k] - 1500.0, out, 1)[0])
        for out, into in ((device.width_us, line.width_us), (width, source_width))
    ]
    rows = [
        row("lag delay", "out", (delay[0], delay[1], delay[1]), told.get("delay")),
        row("lag gain", "out", (gain[0], gain[1], gain[1]), told.get("width gain")),
    ]
    start = told.get("start after input")
    late = delay[0] / float(np.median(np.diff(line.rise_us)))
    return cost, rows, [device.waits_for, late, None if start is None else start.sentence]


def run(arguments: argparse.Namespace) -> None:
    """Make recordings cell by cell and append what was found."""
    end = time.monotonic() + arguments.seconds
    cells = CELLS
    if arguments.cells:
        asked = [cell.split(":") for cell in arguments.cells.split(",")]
        cells = [(rate, kind) for rate, kind in CELLS if [f"{rate / 1e6:g}", kind] in asked]
    done = set()
    out = Path(arguments.out)
    if out.exists():
        made = map(json.loads, out.read_text(encoding="utf-8").splitlines())
        done = {(k["rate"], k["kind"], k["number"]) for k in made}
    with out.open("a", encoding="utf-8") as file:
        for number in range(arguments.first, arguments.first + arguments.count):
            for rate, kind in cells:
                if (rate, kind, number) in done:
                    continue
                if time.monotonic() > end:
                    print(f"time is up at {rate / 1e6:g}:{kind}:{number}; run again to go on")
                    return
                with_lag = number % arguments.lag_every == 0
                kept = one(rate, kind, arguments.seed, number, with_lag=with_lag)
                file.write(json.dumps(kept) + "\n")
                file.flush()


def main(words: list[str] | None = None) -> int:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(dest="command", required=True)
    making = commands.add_parser("run", help="make recordings and ask pwmscope about them")
    making.add_argument("--count", type=int, default=500, help="recordings a cell")
    making.add_argument("--first", type=int, default=0, help="number of the first recording")
    making.add_argument("--seed", type=int, default=14)
    making.add_argument(
        "--lag-every",
        type=int,
        default=1,
        help="ask `lag`, the dearest, of every so many recordings",
    )
    making.add_argument("--cells", default="", help="such as 1:gauss,24:none; all by default")
    making.add_argument(
        "--seconds", type=float, default=520.0, help="stop after so long; go on by the same command"
    )
    making.add_argument("--out", required=True)
    judging = commands.add_parser("table", help="judge parts, as Markdown")
    judging.add_argument("parts", nargs="+")
    judging.add_argument(
        "--cells", action="store_true", help="also a table of every cell that fails"
    )
    judging.add_argument("--write", help="replace the text between the study's marks of this page")
    arguments = parser.parse_args(words)
    if arguments.command == "run":
        run(arguments)
        return 0
    texts = [Path(part).read_text(encoding="utf-8") for part in arguments.parts]
    kept = [json.loads(line) for text in texts for line in text.splitlines()]
    text, passed = figures_judge.tables(kept, cells=arguments.cells)
    if arguments.write:
        figures_judge.put(Path(arguments.write), text)
    else:
        print(text)
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
