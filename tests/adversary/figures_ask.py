"""Every call of the figures' studies into pwmscope, and nothing else.

What comes back are plain values: `Told` for a finding, dictionaries for commands. Only what docs/
names is called: `pwmscope.examine`, `pwmscope.bench.parse_sheet`, `pwmscope.findings.lag`, and the
command line.
"""

from __future__ import annotations

import contextlib
import io
import json
import tempfile
import tomllib
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.cli import main
from pwmscope.findings.lag import examine_lag, read_lines

Ints = npt.NDArray[np.int64]
TO_US = {"ms": 1e3, "s": 1e6, "ns": 1e-3}
SHEET = """
[channels.levels]
role = "drive-left"
[channels.sweeps]
role = "drive-right"
[channels.throttle]
role = "weapon"
"""
"""What is on the study's lines: a neutral is judged only where a device is stated."""
JUDGED = ("timing", "travel", "resolution", "centring", "sweeps")
"""The questions about a line whose answers are judged; `examine` works the others out if asked."""


@dataclass(frozen=True)
class Told:
    """One finding: its value, the 95 % interval that it states, its verdict and its words."""

    value: Any
    low: float | None
    high: float | None
    verdict: str | None
    sentence: str
    limit: str = ""

    @property
    def has_interval(self) -> bool:
        """Whether a value or bound with an interval was stated."""
        return self.low is not None and self.high is not None


def told(finding: Any) -> Told:
    """Read a finding in microseconds; the interval is value +- 2 u where none is given."""
    scale = TO_US.get(finding.unit, 1.0)
    value = finding.value
    numeric = isinstance(value, int | float)
    if numeric:
        value = value * scale
    low = high = None
    if finding.interval is not None:
        low, high = (edge * scale for edge in finding.interval)
    elif numeric and finding.uncertainty is not None:
        low, high = value - 2 * finding.uncertainty * scale, value + 2 * finding.uncertainty * scale
    verdict = None if finding.verdict is None else str(finding.verdict.value)
    return Told(value, low, high, verdict, finding.sentence, finding.limit)


def capture(lines: dict[str, Ints], duration_us: float, rate_hz: float) -> pwmscope.Capture:
    """A recording of edges in picoseconds; all lines begin low."""
    last = max(int(edges[-1]) for edges in lines.values())
    return pwmscope.Capture(
        {name: pwmscope.Line(name, edges, 0) for name, edges in lines.items()},
        max(int(duration_us * 1e6), last + 1_000_000),
        1e12 / rate_hz,
        "adversary",
    )


@dataclass(frozen=True)
class Answers:
    """What `examine` told: per line, about the lines together, skew by line, numpy's warnings."""

    lines: dict[str, dict[str, Told]]
    together: dict[str, Told]
    skew: dict[str, Told]
    warned: tuple[str, ...]


def ask(recording: pwmscope.Capture) -> Answers:
    """Examine a recording with what is on its lines; numpy's warnings are kept, not shown."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        findings = pwmscope.examine(recording, sheet=parse_sheet(SHEET))
        lines = {
            name: {
                finding.name: told(finding)
                for answer in map(channel.answer, JUDGED)
                if answer is not None
                for finding in answer.findings
            }
            for name, channel in findings.channels.items()
        }
    together = {finding.name: told(finding) for finding in findings.recording_findings}
    skews = [told(finding) for finding in findings.recording_findings if finding.name == "skew"]
    order = (
        str(together["order of channels"].value).split(", ")
        if "order of channels" in together
        else []
    )
    skew = dict(zip(order[1:], skews, strict=False)) if len(skews) == len(order) - 1 else {}
    return Answers(lines, together, skew, tuple(str(one.message) for one in caught))


def ask_lag(recording: pwmscope.Capture, source: str, output: str) -> dict[str, Told]:
    """Ask how late an output line is after its input."""
    records = read_lines(recording).records
    return {one.name: told(one) for one in examine_lag(records[source], records[output]).findings}


def run(*arguments: str) -> tuple[int, str]:
    """Run a pwmscope command in this process; return its exit code and what it wrote."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            code = main(list(arguments))
        except SystemExit as left:
            code = left.code if isinstance(left.code, int) else 1
    return int(code or 0), out.getvalue() if out.getvalue() else err.getvalue()


def write_csv(path: Path, lines: dict[str, Ints], duration_us: float) -> None:
    """Write a change list as text: time in seconds, a level for each line, all low at first."""
    instants = np.unique(np.concatenate(list(lines.values())))
    end_ps = max(int(duration_us * 1e6), int(instants[-1]) + 1_000_000)
    instants = np.concatenate([[0], instants, [end_ps]])
    levels = [np.searchsorted(edges, instants, side="right") % 2 for edges in lines.values()]
    rows = [",".join(["time_s", *lines])]
    for at, *row in zip(instants.tolist(), *[one.tolist() for one in levels], strict=True):
        rows.append(f"{at // 10**12}.{at % 10**12:012d}," + ",".join(map(str, row)))
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")


def ask_command(
    command: str, lines: dict[str, Ints], duration_us: float, rate_hz: float, sheet: str, *more: str
) -> tuple[int, dict[str, Any], str]:
    """Run `calibrate` or `mixing` on edges and a sheet; return exit code, its JSON, its words."""
    with tempfile.TemporaryDirectory() as folder:
        recording, bench, out = (Path(folder, name) for name in ("r.csv", "bench.toml", "out.json"))
        write_csv(recording, lines, duration_us)
        bench.write_text(sheet, encoding="utf-8")
        code, words = run(
            command,
            str(recording),
            "--sheet",
            str(bench),
            "--rate",
            f"{rate_hz:.0f}Hz",
            "--json",
            str(out),
            *more,
        )
        data = json.loads(out.read_text(encoding="utf-8")) if out.exists() else {}
    return code, data, words


@dataclass(frozen=True)
class Change:
    """One change that the mixing advice asks for, and the places that it offers for it."""

    kind: str
    words: str
    places: tuple[str, ...]  # of "transmitter" and "converter"


def places_of(change: dict[str, Any]) -> tuple[str, ...]:
    """Where the mixing may be changed: by the field where there is one, else by the words."""
    if change.get("place"):
        place = str(change["place"])
        return tuple(name for name in ("transmitter", "converter") if name in place)
    words = change["words"].lower()
    return tuple(name for name in ("transmitter", "converter") if name in words)


def mixing_advice(data: dict[str, Any]) -> list[list[Change]]:
    """The ways to a right drive that `mixing --json` offers, best first; optional ones left out."""
    return [
        [Change(one["kind"], one["words"], places_of(one)) for one in way["changes"]]
        for way in data.get("advice", [])
        if way["needed"]
    ]


def plan_for(sheet: str, folder: Path) -> tuple[Path, list[dict[str, Any]]]:
    """Have `pwmscope plan` make a plan without losses; return its file and its steps."""
    bench, plan = folder / "planned.toml", folder / "plan.toml"
    bench.write_text(sheet, encoding="utf-8")
    code, words = run("plan", "--sheet", str(bench), "--losses", "0", "-o", str(plan), "--replace")
    if code:
        raise RuntimeError(words)
    return plan, tomllib.loads(plan.read_text(encoding="utf-8"))["steps"]
