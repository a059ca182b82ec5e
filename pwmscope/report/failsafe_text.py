"""The failsafe check on the terminal: headline, hazards, a verdict per line, what to do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from rich.console import Console
from rich.text import Text

from pwmscope.bench import CAUTIONS
from pwmscope.findings.failsafe import CONFIDENCE, Failsafe, FailsafeLine, needed_trials
from pwmscope.model import Verdict, format_device, format_line, format_plainly
from pwmscope.report.failsafe_answer import actions, format_hazard, format_headline, format_left_out
from pwmscope.report.failsafe_causes import causes_tables
from pwmscope.report.loss_table import COLUMNS, MAX_EVENTS, format_reasons, losses_table
from pwmscope.report.sentences import RULEBOOK, wrapped

_STYLE: Final = {
    Verdict.MEETS: "bold",
    Verdict.NOT_SHOWN: "italic",
    Verdict.DOES_NOT_MEET: "bold reverse",
    None: "",
}
WANTED_RATE: Final = 0.05


def print_failsafe(check: Failsafe, console: Console, why: str | None = None) -> None:
    """Print a failsafe check, the answer first."""
    print_answer(check, console)
    sources = [rec.source for rec in check.recordings]
    for line in check.lines:
        if why in (line.line, "all"):
            for heading, table in causes_tables(line, sources):
                console.print()
                console.print(Text(heading, style="bold"))
                console.print(table)
    for line in check.lines:
        if line.losses:
            console.print()
            console.print(Text(_heading(line), style="bold"))
            console.print(losses_table(line, sources))
            _print_sentences(format_reasons(line), console)
    for heading, sentences in _parts(check):
        if sentences:
            console.print()
            console.print(Text(heading, style="bold"))
        _print_sentences(sentences, console)
    console.print()
    console.print(Text(wrapped(_rulebook(check), console)))


def print_answer(check: Failsafe, console: Console) -> None:
    """Print headline, hazards, a verdict for each line, and what to do."""
    headline = format_plainly(format_headline(check))
    console.print(Text(wrapped(headline, console), style=_STYLE[check.verdict]))
    for hazard in check.hazards:
        said = f"! Hazard: {format_plainly(format_hazard(hazard))}."
        console.print(Text(wrapped(said, console, "", "    "), style="bold"))
    for left in check.left_out:
        console.print(Text(wrapped(format_plainly(format_left_out(left)), console, "", "    ")))
    console.print()
    for line in check.lines:
        console.print(_answer(line, console))
    console.print()
    console.print(Text(wrapped(overall_failsafe_sentence(check), console), style="bold"))
    told = actions(check)
    if told:
        console.print()
        console.print(Text("What to do next", style="bold"))
        _print_sentences(told, console)


def _print_sentences(sentences: Iterable[str], console: Console) -> None:
    for sentence in sentences:
        console.print(Text(wrapped(format_plainly(sentence), console, "  - ", "    ")))


def format_failsafe_line(line: FailsafeLine) -> str:
    """Name a line with its role and device."""
    return format_device(line.line, line.expected.role or "", line.device)


def _answer(line: FailsafeLine, console: Console) -> Text:
    name = format_failsafe_line(line)
    verdict = line.verdict
    word = "no verdict" if verdict is None else verdict.value
    sentence = f"{name}: {word}. {format_plainly(line.sentence)}"
    text = Text(wrapped(sentence, console, "", "    "))
    text.stylize("bold", 0, len(format_line(line.line)))
    begin = len(name) + 2
    text.stylize(_STYLE[verdict], begin, begin + len(word))
    return text


def overall_failsafe_sentence(check: Failsafe) -> str:
    """Say in one sentence what the check shows about the whole bench."""
    limit = f"the limit of {check.limits.failsafe_s:g} s after the signal is lost"
    judged = check.judged
    if not judged:
        return f"Not shown: no line has a device that is held against {limit}."
    by = {
        verdict: ", ".join(format_line(line.line) for line in judged if line.verdict is verdict)
        for verdict in (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS)
    }
    if check.verdict is Verdict.MEETS:
        return f"Every line with a device meets {limit}: {by[Verdict.MEETS]}."
    said = [f"{verdict.value}: {lines}" for verdict, lines in by.items() if lines]
    told = "; ".join(said)
    return f"Held against {limit}, {told}."


def _parts(check: Failsafe) -> Iterator[tuple[str, list[str]]]:
    several = len(check.recordings) > 1
    if several:
        numbered = enumerate((rec.source for rec in check.recordings), start=1)
        yield "Recordings", [f"{number}: {source}" for number, source in numbered]
    yield "The columns", [COLUMNS] if any(line.losses for line in check.lines) else []
    lines = [line for line in check.lines if line.recordings]
    for name, heading in (
        ("signal loss trials", "The losses together"),
        ("recovery", "When the link came back"),
        ("power-up", "Before the link"),
    ):
        yield heading, list(_format_findings(lines, name, several=several))
    known = dict.fromkeys(e.known_from for line in lines for _, e in line.losses)
    yield "How the moments of loss are known", [*known][:MAX_EVENTS]
    if check.verdict is not Verdict.MEETS:
        yield "Before you record again", list(CAUTIONS)
        yield "What to record", list(procedure(check.limits.failsafe_s))
    yield "Held against", list(_limits(lines))
    yield "Assumed", assumptions(check)


def _rulebook(check: Failsafe) -> str:
    count = len(check.recordings)
    return RULEBOOK if count == 1 else RULEBOOK.replace("one recording", f"{count} recordings")


def _heading(line: FailsafeLine) -> str:
    band = line.expected.band
    held = f"; stop range {band.words}" if band else ""
    silent = {True: "stops", False: "keeps going", None: "not known"}[line.expected.no_pulses_stop]
    also = f"; without pulses: {silent}" if line.expected.role else ""
    return f"What {format_failsafe_line(line)} did{held}{also}"


def _limits(lines: list[FailsafeLine]) -> Iterator[str]:
    findings = (f for line in lines for rec in line.recordings for f in rec.silence.findings)
    for limit in dict.fromkeys(f.limit for f in findings if f.limit):
        yield f"{limit[0].upper()}{limit[1:]}."


def _format_findings(lines: list[FailsafeLine], name: str, *, several: bool) -> Iterator[str]:
    """Say one finding of every line; lines that say the same are told together."""
    told: dict[str, list[str]] = {}
    for line in lines:
        if name == "signal loss trials" and several:
            told.setdefault(line.trials.finding.sentence, []).append(format_line(line.line))
            continue
        for rec in line.recordings:
            finding = rec.finding(name)
            if finding is not None and finding.sentence not in line.told_hazards:
                where = f"{rec.source}: " if several else ""
                told.setdefault(f"{where}{finding.sentence}", []).append(format_line(line.line))
    for sentence, names in told.items():
        yield f"{', '.join(names)}: {sentence}"


def procedure(limit_s: float) -> tuple[str, ...]:
    """List how to record a signal loss that shows something (common practice)."""
    trials = needed_trials(WANTED_RATE)
    return (
        "Put a wire from the transmitter's switch, or a push-button that is pressed with it, on a "
        "spare input of the analyser; name that line in the bench sheet or with --off-line.",
        "Start recording before the receiver has power, so that the lines are seen before the "
        "link.",
        "With the transmitter on, hold every stick well off its rest position and keep it there.",
        f"Switch the transmitter off and wait {limit_s + 2.0:g} s; switch it on again with the "
        "sticks still held, expect every output to jump, and let go.",
        f"Do so several times; {trials} losses that all meet the limit show that fewer than "
        f"{WANTED_RATE:.0%} fail, with {CONFIDENCE:.0%} confidence.",
    )


def assumptions(check: Failsafe) -> list[str]:
    """List what was assumed, once each: while reading, of the marker, of the stop ranges."""
    said = [
        sentence
        for rec in check.recordings
        for sentence in (*rec.lines.capture.assumptions, *rec.heard.said, *rec.lines.notes)
    ]
    said += [
        f"{format_line(line.line)}: {line.expected.band.source}"
        for line in check.lines
        if line.expected.band is not None
    ]
    said.append("The analyser's clock is taken to be right within 100 ppm (common practice).")
    return list(dict.fromkeys(said))
