"""A process that analyses recordings for the desk, one after the other, so that any can be ended.

It takes a job as a JSON line from standard input and tells of it in JSON lines on standard
output. When its input closes, because the desk ended in whatever way, it ends at once.
"""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, TextIO

from pwmscope.advice import SETTINGS_ORDER, Course, SettingAction, compare_settings, course_of
from pwmscope.analysis import Analysis, analyse
from pwmscope.bench import load_sheet
from pwmscope.capture import Capture, Observer, load, observed_by, write_edges
from pwmscope.desk.folder import TEST
from pwmscope.desk.jobs import LABELS, Job
from pwmscope.errors import PwmscopeError, naming
from pwmscope.findings import compare
from pwmscope.model import format_line, format_plainly
from pwmscope.output import make_folder, write_text
from pwmscope.plot import mixing_pictures
from pwmscope.pulses import shelf
from pwmscope.report import (
    add_answer,
    answer_fragment,
    comparison_page,
    mixing_paragraphs,
    setting_data,
    settings_headline,
    write_one_page,
)

NUMBERS: Final = ("threshold", "max_gib")
STATE: Final = "state.json"
_OFTEN_S: Final = 0.2

Tell = Callable[[dict[str, Any]], None]


def main() -> None:
    """Take jobs until standard input closes."""
    out = os.fdopen(os.dup(1), "w", encoding="utf-8")
    sys.stdout = sys.stderr
    jobs: queue.Queue[str] = queue.Queue()
    threading.Thread(target=_listen, args=(sys.stdin, jobs), daemon=True).start()

    def tell(said: dict[str, Any]) -> None:
        try:
            out.write(json.dumps(said) + "\n")
            out.flush()
        except BrokenPipeError:  # the desk has ended
            os._exit(0)

    while True:
        carry_out(Job(**json.loads(jobs.get())), tell)


def _listen(source: TextIO, jobs: queue.Queue[str]) -> None:
    for line in source:
        jobs.put(line)
    os._exit(0)


def carry_out(job: Job, tell: Tell) -> None:
    """Do a job; whatever hinders it is told in a sentence."""
    try:
        with naming(LABELS), shelf():
            if job.register:
                tell({"entry": _enter(job)})
            elif job.report:
                _analyse(job)[0].report(Path(job.results) / "report", replace=True)
            else:
                _answer(job, tell)
        tell({"ended": True})
    except PwmscopeError as error:
        said = str(error).replace(job.file, Path(job.file).name)
        choices = {name: list(error.choices.get(name, ())) for name in error.arguments}
        tell({"ended": True, "refused": said, "choices": choices})
    except MemoryError:
        tell({"ended": True, "refused": "The memory of this computer is too small for it."})
    except OSError as error:
        why = error.strerror or "it vanished"
        tell({"ended": True, "refused": f"The results cannot be written ({why}); make room."})


def _hints(given: Mapping[str, str]) -> dict[str, Any]:
    hints: dict[str, Any] = dict(given)
    for name in NUMBERS:
        if name in hints:
            try:
                hints[name] = float(hints[name])
            except ValueError:
                said = f"{LABELS[name]} is {hints[name]!r}; expected a number."
                raise PwmscopeError(said) from None
    return hints


def _analyse(
    job: Job, progress: Observer | None = None, kept: Capture | None = None
) -> tuple[Analysis, str]:
    """Analyse a recording, its kept edges or a test; say how its plan goes with it.

    The desk took the plan by its time. Where the hands did not follow it, it counts for nothing.
    """
    sheet, name = job.sheet or None, Path(job.plan).name
    if not job.file.endswith(TEST):
        hints = _hints(job.hints)
        source, used = (job.file, hints) if kept is None else (kept, {})
        made = analyse(source, sheet=sheet, plan=job.plan or None, hints=used, progress=progress)
        if not made.alignments:
            return made, ""
        laid = made.alignments[0]
        if laid.clock_s is None:
            said = f"It does not follow the plan {name}, so it was read without."
            return made, f"{said} {laid.finding.sentence}"
        seen = f"{len(laid.spans)} of {len(laid.plan.steps)} steps were found"
        return made, f"Read by the plan {name}: {seen}."
    home = f"{Path(job.file).parent}{os.sep}"
    names = [file.removeprefix(home) for file, _ in job.parts]
    found = "" if len(names) > 1 else "it lists no two recordings"
    for name in names:
        if name not in job.part_stamps:
            found = f"{name} is not in the folder"
        elif name.endswith(TEST):
            found = f"{name} is a test itself"
    if found:
        said = f"{Path(job.file).name}: {found}; a test lists two recordings or more, one a line."
        raise PwmscopeError(said)
    keep = () if sheet is None else tuple(load_sheet(sheet).channels)
    with nullcontext() if progress is None else observed_by(progress):
        read = [load(file, **{"keep": keep, **_hints(hints)}) for file, hints in job.parts]
    return analyse(*read, sheet=sheet), ""


def _answer(job: Job, tell: Tell) -> None:
    """Analyse a recording; write the answer first, then all that follows from it."""
    told_s = -1.0

    def note(done: int, total: int | None, unit: str) -> None:
        nonlocal told_s
        now_s = time.monotonic()
        if now_s - told_s >= _OFTEN_S:
            told_s = now_s
            tell({"done": done, "total": total, "unit": unit})

    analysis, plan_said = _analyse(job, note)
    tell({"done": 1, "total": 1, "unit": "examined"})
    results = Path(job.results)
    make_folder(results)
    write_text(results / "answer.html", answer_fragment(analysis), replace=True)
    state = {**_state(job, analysis), "plan_said": plan_said}
    tell({"state": state})
    write_text(results / "analysis.json", analysis.to_json(), replace=True)
    write_one_page(analysis, results / "one-page.pdf", replace=True)
    if not job.parts:
        write_edges(analysis.captures[0], results / "edges.parquet", replace=True)
    _write_change(job, analysis)
    write_text(results / STATE, json.dumps(state, indent=2) + "\n", replace=True)


def _state(job: Job, analysis: Analysis) -> dict[str, Any]:
    """Put together what lists and places show of a recording."""
    sheet, slowest_s = analysis.sheet, analysis.failsafe.slowest_s
    return {
        "size": job.size,
        "mtime_ns": job.mtime_ns,
        "sheet": Path(job.sheet).name if job.sheet else "",
        "sheet_sha256": job.sheet_sha256,
        "hints": dict(job.hints),
        "at_s": time.time(),
        "robot": "" if sheet is None else format_plainly(sheet.robot),
        "headline": analysis.headline,
        "verdict": analysis.verdict.value,
        "hazards": [str(hazard) for hazard in analysis.hazards],
        "lines": [] if job.parts else list(analysis.findings[0].servo),
        "parts": dict(job.part_stamps),
        "plan": Path(job.plan).name if job.plan else "",
        "cards": [
            {"name": card.device or format_line(card.line), "verdict": card.verdict.value}
            for card in analysis.cards
        ],
        "slowest": "" if slowest_s is None else f"{slowest_s:.2f} s",
        "earlier": job.earlier,
    }


def _write_change(job: Job, analysis: Analysis) -> None:
    """Write what to change: settings, mixing with the path, and what differs from before."""
    results = Path(job.results)
    change: dict[str, Any] = {"settings": None, "mixing": [], "pictures": [], "compared": []}
    if analysis.settings is not None and analysis.sheet is not None:
        change["settings"] = _settings(analysis)
    course = _course(analysis)
    if analysis.mixing is not None:
        told = mixing_paragraphs(analysis.mixing, analysis.mixing_advice, course)
        change["mixing"] = [[heading, paragraphs] for heading, paragraphs in told if heading]
        change["pictures"] = _draw(analysis, course, results)
    if job.earlier_edges:
        try:
            change["compared"] = _compare(job, analysis, results)
        except PwmscopeError as error:  # such as no line in common
            change["compared"] = [str(error)]
    write_text(results / "change.json", json.dumps(change, indent=2) + "\n", replace=True)


def _settings(analysis: Analysis) -> dict[str, Any]:
    advice, sheet = analysis.settings, analysis.sheet
    if advice is None or sheet is None:
        return {}
    return {
        "headline": settings_headline(advice, sheet),
        "order": list(SETTINGS_ORDER) if advice.changes else [],
        "channels": [
            {
                "line": format_line(channel.line),
                "device": channel.device or channel.role,
                "settings": [
                    {
                        **setting_data(each),
                        "to_do": each.action in {SettingAction.CHANGE, SettingAction.DEVICE},
                    }
                    for each in channel.settings
                ],
                "warnings": list(channel.warnings),
            }
            for channel in advice.channels
        ],
    }


def _course(analysis: Analysis) -> Course | None:
    if analysis.mixing is None:
        return None
    findings = analysis.findings[0]
    return course_of(
        analysis.mixing, analysis.mixing_advice, tables=findings.servo_tables,
        end_s=findings.capture.end_s, sheet=analysis.sheet,
    )  # fmt: skip


def _draw(analysis: Analysis, course: Course | None, results: Path) -> list[dict[str, str]]:
    findings = analysis.findings[0]
    drawn = []
    for picture in mixing_pictures(course, {}, findings.capture.end_s):
        write_text(results / f"{picture.name}.svg", picture.svg, replace=True)
        caption = picture.caption
        drawn.append({"file": f"{picture.name}.svg", "alt": picture.alt, "caption": caption})
    return drawn


def _compare(job: Job, analysis: Analysis, results: Path) -> list[str]:
    """Hold a recording against the earlier one of the same robot; say what the settings did."""
    before = replace(load(job.earlier_edges), source=job.earlier)
    earlier = analyse(before, sheet=job.sheet or None)
    page = comparison_page(compare([earlier.findings[0], analysis.findings[0]]))
    write_text(results / "compared.html", page.replace(job.file, Path(job.file).name), replace=True)
    if earlier.settings is None or analysis.settings is None:
        return []
    compared = compare_settings(earlier.settings, analysis.settings)
    return [f"{format_line(each.line)}: {each.sentence}" for each in compared]


def _enter(job: Job) -> int:
    """Enter a recording in the register; its findings come from the edges that were kept."""
    kept = replace(load(Path(job.results) / "edges.parquet"), source=job.file)
    analysis, _ = _analyse(job, kept=kept)
    files, note = [Path(job.file)], analysis.headline
    (entry,) = add_answer(Path(job.register), analysis, files=files, note=note)
    return entry.number


if __name__ == "__main__":
    main()
