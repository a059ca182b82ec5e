"""What commands print: answers, measurements, definitions, and how a file was understood."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from difflib import get_close_matches
from typing import Any, Final

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table
from rich.text import Text

from pwmscope.capture import PS_PER_S, PS_PER_US, Capture, Line, format_interval, format_rate
from pwmscope.errors import HintError
from pwmscope.findings import (
    ChannelFindings,
    Evidence,
    Finding,
    Findings,
    Verdict,
    definitions,
)
from pwmscope.model import Assumption, Definition, assumed, format_line, format_plainly
from pwmscope.report.answer import Answer, Card
from pwmscope.report.evidence import LineChecks, format_lines
from pwmscope.report.sentences import (
    RULEBOOK,
    channel_sentence,
    format_convention,
    format_number,
    format_offset,
    format_value,
    format_verdict,
    open_points,
    print_section,
    print_table,
    print_wrapped,
    short_names,
    table_of,
    tied,
    wrapped,
)

GLOSSARY: Final[dict[str, str]] = {
    "analyser": "A small box on a USB cable. It writes down when each of its inputs is high or "
    "low, millions of times a second.",
    "BEC": "A small 5 V supply inside an ESC. It feeds the receiver and the servos through the "
    "ESC's own plug. Exactly one source may do that.",
    "bench sheet": "A text file about one robot: what is plugged in where, what powers it, and "
    "what each device expects.",
    "bind": "To make a receiver listen to one transmitter only. Many receivers store their "
    "failsafe widths then.",
    "brown-out margin": "How far the supply stays above the least that the receiver needs.",
    "channel": "One value that travels from a stick or switch to one plug of the receiver.",
    "channel map": "Which stick moves which plug of the receiver, and which way.",
    "deadband": "The widths round neutral at which a device does not move. A stick that rests "
    "inside it leaves the robot still.",
    "dwell": "A stretch of time in which a pulse width stands still, as the hand does.",
    "endpoint": "The pulse width with the stick held at its end.",
    "ESC": "Electronic speed controller. It reads pulses and drives a motor from the battery.",
    "failsafe": "What a receiver does with its outputs when it hears no transmitter. Everything "
    "on the robot must then stand still.",
    "fresh": "A frame is fresh where it carries a new command from the transmitter. Others repeat "
    "the last one.",
    "frame": "One round of pulses, one for each channel. Most receivers send about fifty a second.",
    "frame rate": "How many rounds of pulses come in a second.",
    "freeze": "A time in which no frame is fresh while the stick moves.",
    "glitch": "A pulse that does not belong there, mostly far too short. Motor noise makes them.",
    "ground": "The wire that all voltages are measured from. It is connected first.",
    "hazard": "Something that may move a robot at a bad moment. It is told, and changes no "
    "verdict.",
    "hold": "The receiver repeats the last pulse width. With a stick held, the robot drives on.",
    "jitter": "How much a pulse width trembles while the stick stands still.",
    "kill channel": "A channel whose relay or switch cuts the power of a device, such as a weapon.",
    "line": "One recorded wire.",
    "link": "The radio connection between transmitter and receiver.",
    "link record": "A recording of the link's first minutes after binding, each control moved "
    "once.",
    "marker": "A recorded wire that shows when the transmitter is on. Without it nobody knows when "
    "the signal was lost.",
    "meets": "The value lies within the limit, its uncertainty included. Every other explanation "
    "is refuted.",
    "mixing": "Two motors share the work of two sticks. Forward turns both, right turns one more.",
    "neutral": "The pulse width with the stick let go. A drive stands still there.",
    "not shown": "This recording does not tell. It is no pass. The reason says what to record.",
    "does not meet": "The value lies outside the limit, its uncertainty included.",
    "preset": "A pulse width that the receiver stored. It sends it when the signal is lost.",
    "pulse width": "How long a pulse stays high. It says how far to turn: 1000 us one end, 2000 us "
    "the other, 1500 us the middle.",
    "receiver": "The part in the robot that hears the transmitter and makes the pulses.",
    "reversed": "The channel goes the other way round: the width falls where it should rise.",
    "rotation line": "A recorded wire from a sensor that sees each turn of a motor.",
    "sag": "A short fall of the supply, as a servo or motor starts.",
    "servo": "A motor that goes to the position its pulses name, and stays there.",
    "signal loss": "The time in which the receiver hears no transmitter.",
    "spin-down time": "How long a motor takes until it turns slowly, from the loss on.",
    "stop range": "The pulse widths at which a device stands still.",
    "stop time": "How long after the loss a device is commanded to stand still for good.",
    "stray width": "One pulse far from its neighbours, while the stick stands still.",
    "supply line": "A recorded wire that shows the voltage the receiver runs on.",
    "transmitter": "What your hands hold, with the sticks.",
    "travel": "How far the width goes from one end of the stick to the other.",
    "trim": "A small setting that moves neutral.",
    "uncertainty": "How far a figure may be off. The number after ± covers 95 of 100 cases.",
}
"""By the word, in its usual spelling."""


_LABEL_WIDTH: Final = 37
_COLUMN_WIDTH: Final = 15
_NARROW: Final = 72
"""On narrower screens cards are sentences, not rows."""
_MANY: Final = 12
"""More cards than that are told in groups that say the same."""
_WIDE_NAMES: Final = 40
_MAX_TABLE: Final = 8
_LONG: Final = 40
"""A figure with more letters is said once for cards that follow one another."""
STYLE: Final = {
    Verdict.MEETS: "cyan",
    Verdict.NOT_SHOWN: "italic",
    Verdict.DOES_NOT_MEET: "bold red",
}
CAUTION: Final = "first: weapon removed or locked, wheels up, robot tied down, eyes protected"
_LEAST_ACTIONS: Final = 2


def print_answer(
    answer: Answer,
    console: Console,
    *,
    figures: tuple[ChannelFindings, ...] = (),
    last: Sequence[str] = (),
    room: int | None = None,
    all_in: str = "--all",
) -> None:
    """Print an answer in its order: headline, hazards, what is left out, cards, what to do.

    In a room of so many lines as many actions are listed as fit. The others are counted, and
    ``all_in`` names what lists them.
    """
    with console.capture() as top:
        _print_top(answer, figures, console)
    below = [
        line
        for sentence in last
        for line in wrapped(format_plainly(sentence), console.width).splitlines()
    ]
    told = [
        wrapped(format_plainly(action.sentence), console.width, f"  {number}. ", "     ")
        for number, action in enumerate((*answer.actions, *answer.further), start=1)
    ]
    whole = len(told)
    if room is not None:
        room -= top.get().count("\n") + len(below) + 3
        del told[len(answer.actions) :]
        while len(told) > _LEAST_ACTIONS and _height(told, whole) > room:
            told.pop()
    _print_top(answer, figures, console)
    if told:
        console.print()
        heading = Text("What to do next", style="bold").append(f" ({CAUTION})", style="not bold")
        console.print(heading)
        for said in told:
            console.print(Text(said), soft_wrap=True)
        if left := whole - len(told):
            more = f"  and {left} more thing{'s' if left > 1 else ''} to do: {all_in} lists them"
            console.print(Text(more))
    if below:
        console.print()
    for line in below:
        console.print(Text(line, style="dim"), soft_wrap=True)


def _height(told: list[str], whole: int) -> int:
    """Count the lines of a list of actions, with that which counts the others."""
    return sum(said.count("\n") + 1 for said in told) + (len(told) < whole)


def _print_top(answer: Answer, figures: tuple[ChannelFindings, ...], console: Console) -> None:
    print_wrapped(answer.headline, console, style=f"bold {STYLE[answer.verdict]}")
    for hazard in answer.hazards:
        print_wrapped(str(hazard), console, "", "    ", style="bold yellow")
    for sentence in answer.left_out:
        print_wrapped(sentence, console, "", "    ")
    if answer.cards:
        console.print()
        _print_cards(answer.cards, console)
    if 0 < len(figures) <= _MAX_TABLE and console.width >= _NARROW:
        console.print()
        print_table(_figures_table(figures), console)


def _print_cards(cards: Sequence[Card], console: Console) -> None:
    rows = _card_rows(cards)
    if console.width < _NARROW:
        for names, device, verdict, told in rows:
            about = f" ({device})" if device else ""
            said = f"{names}{about}: {verdict}. {told}."
            print_wrapped(said, console, "  ", "    ")
        return
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_header=False, expand=False)
    is_many = len(cards) > _MANY
    table.add_column("", max_width=_WIDE_NAMES if is_many else 24, overflow="fold")
    if not is_many:
        table.add_column("", max_width=26, overflow="fold")
    table.add_column("", no_wrap=True)
    table.add_column("", overflow="fold")
    before = ""
    for names, device, verdict, told in rows:
        is_again = told == before and len(before) > _LONG
        figure = "the same" if is_again else tied(format_plainly(told))
        beside = [] if is_many else [Text(device)]
        word = Text(verdict.value, style=STYLE[verdict])
        table.add_row(Text(f"  {names}"), *beside, word, Text(figure))
        before = told
    print_table(table, console)


def _card_rows(cards: Sequence[Card]) -> list[tuple[str, str, Verdict, str]]:
    """List names, device, verdict and what decides; of many those that one check decides are one.

    The first of them stands for the others, whose figures differ.
    """
    if len(cards) <= _MANY:
        devices = short_names([card.device for card in cards])
        return [
            (format_line(c.line), format_plainly(device or c.role), c.verdict, c.told)
            for c, device in zip(cards, devices, strict=True)
        ]
    groups: dict[tuple[Verdict, str], list[Card]] = {}
    for card in cards:
        groups.setdefault((card.verdict, card.decides), []).append(card)
    rows = []
    for group in groups.values():
        first, differ = group[0], len({card.told for card in group}) > 1
        told = f"{format_line(first.line)}: {first.told}" if differ else first.told
        names = format_lines([card.line for card in group])
        rows.append((names, "", first.verdict, told))
    return rows


def _figures_table(channels: Sequence[ChannelFindings]) -> Table:
    """Put neutral, ends, jitter and rate of each line side by side."""
    rows = []
    for channel in channels:
        travel, timing = channel.travel, channel.timing
        neutral = None if travel is None else travel.neutral
        ends = () if travel is None else (travel.low, travel.high)
        told = [format_number(None if end is None else end.width_us, 1) for end in ends]
        jitter = None if timing is None else timing.own_width_jitter_us
        rows.append(
            (
                f"  {format_line(channel.line)}",
                format_number(None if neutral is None else neutral.width_us, 1),
                " and ".join(told) if any(ends) else "–",
                format_number(None if jitter is None else jitter.rms, 2),
                format_number(None if timing is None else timing.frame_rate_hz, 2),
            )
        )
    heads = ("", "neutral, us", "ends, us", "jitter, us", "frames/s")
    table = table_of(heads, rows, right=range(1, len(heads)))
    table.columns[0].max_width = 24
    return table


def print_checks(checks: Sequence[LineChecks], console: Console) -> None:
    """Print the verdict on each check of some lines, with its reason."""
    for line in checks:
        console.print()
        said = f"Why {format_line(line.line)}: {line.verdict}"
        console.print(Text(said, style="bold"))
        if line.refused:
            print_wrapped(line.refused, console, "  ", "    ")
        for check in line.checks:
            found = check.finding
            told = f"{found.name}: {check.verdict}. {found.sentence} Limit: {found.limit}."
            print_wrapped(told, console, "  ", "    ")


_PLUS_MINUS: Final = (
    "± is the expanded uncertainty, k = 2, about 95 % (JCGM 100). The sampling floor is the "
    "scatter that sampling alone gives."
)


def print_findings(findings: Findings, console: Console) -> None:
    """Print everything found in a recording, check by check."""
    capture = findings.capture
    length = f"from {capture.start_s:.3f} to {capture.end_s:.3f} s"
    length = length if capture.start_ps else f"{capture.duration_s:.3f} s"
    console.print(Text(f"{capture.source}, {length}", style="bold"))
    console.print()
    for channel in findings.channels.values():
        console.print(_answer(channel, console))
    servo = list(findings.servo.values())
    side_by_side = max(1, (console.width - _LABEL_WIDTH) // _COLUMN_WIDTH)
    for begin in range(0, len(servo), side_by_side):
        console.print()
        print_table(_table(servo[begin : begin + side_by_side]), console)
    console.print()
    print_wrapped(_PLUS_MINUS, console)
    for heading, sentences in _after(findings, servo):
        print_section(heading, sentences, console)


def _answer(channel: ChannelFindings, console: Console) -> Text:
    name, said = format_line(channel.line), channel_sentence(channel)
    verdict = next(verdict for verdict in Verdict if said.startswith(verdict.value))
    text = Text(wrapped(f"{name}: {said}", console.width, "  ", "    "))
    begin = 2 + len(name) + 2
    text.stylize("bold", 2, begin - 2)
    text.stylize(STYLE[verdict], begin, begin + len(verdict.value))
    return text


def _after(findings: Findings, servo: list[ChannelFindings]) -> Iterator[tuple[str, list[str]]]:
    if findings.recording_findings:
        yield (
            "The lines together",
            [format_plainly(f.sentence) for f in findings.recording_findings],
        )
    for line, sensor in findings.sensors.items():
        of = "" if sensor.of is None else f" of {format_line(sensor.of)}"
        said = [format_plainly(f"{f.name}: {f.sentence}") for f in sensor.findings]
        about = "" if sensor.role == "link" else f" ({sensor.role}{of})"
        yield f"{format_line(line)}{about}", said
    points = open_points(findings)
    for verdict, heading in (
        (Verdict.DOES_NOT_MEET, "Does not meet"),
        (Verdict.NOT_SHOWN, "Not shown, and why"),
    ):
        sayings = [
            f"{', '.join(map(format_line, point.lines))}: {point.name}. {point.sentence} "
            f"Limit: {point.limit}."
            for point in points
            if point.verdict is verdict
        ]
        if sayings:
            yield heading, sayings
    losses: dict[str, list[str]] = {}
    for channel in servo:
        for event in channel.losses.events if channel.losses else ():
            told = f"{format_line(channel.line)}: {event.sentence}"
            losses.setdefault(event.known_from, []).append(told)
    for known_from, sentences in losses.items():
        yield f"Signal loss. {known_from}", sentences
    held = [f"{format_convention(c)} ({c.source})." for c in findings.conventions]
    yield "Held against", [*held, f"limits ({findings.limits.source})."]
    yield "Assumed", list(findings.assumptions)


Cell = Callable[[ChannelFindings], str]


def _table(channels: list[ChannelFindings]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    table.add_column("", width=_LABEL_WIDTH, no_wrap=True)
    for channel in channels:
        table.add_column(
            escape(format_line(channel.line)), justify="right", width=_COLUMN_WIDTH - 1,
            overflow="fold",
        )  # fmt: skip
    for label, cell in (*_rows(), *_measured_rows(channels)):
        table.add_row(label, *(cell(channel) for channel in channels))
    return table


_SUMMARY: Final = {
    "median": "median", "mean": "mean", "min": "min", "max": "max", "spread (std)": "std"
}  # fmt: skip
_JITTER: Final = {
    "RMS": "rms", "peak to peak": "peak_to_peak", "sampling floor RMS": "sampling_floor_rms"
}  # fmt: skip


def _rows() -> Iterator[tuple[str, Cell]]:
    yield "convention", lambda c: c.table.convention.name
    yield "pulses measured", lambda c: str(c.pulses)
    yield from _figures("pulse width", "travel.width_us", _SUMMARY, 2)
    yield from _figures("frame period", "timing.period_us", _SUMMARY, 2)
    yield "frame rate, Hz", lambda c: format_number(_reached(c, "timing.frame_rate_hz"), 4)
    yield from _figures("width jitter", "timing.own_width_jitter_us", _JITTER, 3)
    yield from _figures("period jitter", "timing.own_period_jitter_us", _JITTER, 3)
    yield "low endpoint, us", lambda c: _level(c, "low")
    yield "high endpoint, us", lambda c: _level(c, "high")
    yield "neutral, us", lambda c: _level(c, "neutral")
    yield (
        "neutral offset from convention, us",
        lambda c: _signed(c.travel.neutral_offset_us if c.travel else None),
    )
    yield (
        "pulses past the endpoints",
        lambda c: str(c.travel.outside_convention) if c.travel else "–",
    )
    yield "glitches, short or notched", lambda c: str(c.timing.glitches) if c.timing else "–"
    yield "missing frames", lambda c: str(c.timing.missing_frames) if c.timing else "–"
    yield "signal loss", _losses
    yield "verdict", lambda c: c.verdict.value


def _measured_rows(channels: list[ChannelFindings]) -> Iterator[tuple[str, Cell]]:
    """Rows of the findings without a limit, in the order in which they are told."""
    units: dict[str, str] = {}
    for finding in (f for c in channels for f in c.findings if not f.limit):
        # A bound in words has no unit of its own.
        units[finding.name] = units.get(finding.name) or finding.unit
    for name, unit in units.items():
        yield (
            f"{name}, {unit}" if unit else name,
            lambda c, name=name: _said(c, name),  # type: ignore[misc]
        )


def _said(channel: ChannelFindings, name: str) -> str:
    for finding in channel.findings:
        if finding.name == name:
            return format_value(replace(finding, interval=None)).removesuffix(f" {finding.unit}")
    return "–"


def _figures(
    what: str, of: str, named: Mapping[str, str], decimals: int
) -> Iterator[tuple[str, Cell]]:
    for name, key in named.items():
        yield (
            f"{what}, {name}, us",
            lambda c, path=f"{of}.{key}": format_number(_reached(c, path), decimals),  # type: ignore[misc]
        )


def _reached(channel: ChannelFindings, path: str) -> float | None:
    """Follow attributes by their names; None where one of them is."""
    found: Any = channel
    for name in path.split("."):
        found = getattr(found, name, None)
    return None if found is None else float(found)


def _level(channel: ChannelFindings, which: str) -> str:
    level = getattr(channel.travel, which, None)
    if level is None:
        return "not shown"
    doubt_us = level.amount.doubt_us
    if doubt_us is None:
        return format_number(level.width_us, 2)
    return f"{level.width_us:.2f} ±{doubt_us:.2f}"


def _signed(value: float | None) -> str:
    return "not shown" if value is None else format_offset(value, 2)


def _losses(channel: ChannelFindings) -> str:
    events = channel.losses.events if channel.losses else ()
    if not events:
        return "not shown"
    classes = dict.fromkeys(e.behaviour.value if e.behaviour else "not shown" for e in events)
    return f"{len(events)}: {', '.join(classes)}"


EVERYTHING = "all"
MAX_SPANS = 10
"""Spans of evidence that are listed for one finding and line."""


def print_explanations(findings: Findings | None, names: tuple[str, ...], console: Console) -> None:
    """Explain some words and findings; of a recording's findings also their evidence."""
    plain = {word.lower(): (word, said) for word, said in GLOSSARY.items()}
    defined = definitions()
    for name in _chosen(names, plain, defined):
        word, said = plain.get(name, (name, ""))
        console.print(Text(word, style="bold"))
        if said:
            print_wrapped(said, console, "  ", "    ")
        if name in defined:
            _print_definition(defined[name], findings, console)
        console.print()
    if findings is not None:
        print_wrapped(RULEBOOK, console)


def _print_definition(definition: Definition, findings: Findings | None, console: Console) -> None:
    for label, words in (
        ("What it is", definition.meaning),
        ("Formula", definition.formula),
        ("Source", definition.source),
    ):
        print_wrapped(f"{label}: {words}", console, "  ", "    ")
    for line, finding, channel in _found(findings, definition.name):
        console.print()
        said = f"{format_line(line)}: {format_value(finding)}, {format_verdict(finding)}."
        print_wrapped(f"{said} {finding.sentence}", console, "  ", "    ")
        if finding.limit:
            print_wrapped(f"Limit: {finding.limit}.", console, "    ", "      ")
        for words in _format_evidence(finding, channel):
            print_wrapped(words, console, "    ", "      ")


def _chosen(names: tuple[str, ...], plain: Collection[str], defined: Collection[str]) -> list[str]:
    """List the words to explain, in lower case; refuse one that nobody knows."""
    known = dict.fromkeys([*defined, *plain])
    wanted = [" ".join(name.lower().split()) for name in names]
    for name in wanted:
        if name != EVERYTHING and name not in known:
            near = get_close_matches(name, known, n=3, cutoff=0.5)
            near += [word for word in known if name in word and word not in near]
            meant = " or ".join(f"'{word}'" for word in near[:4])
            raise HintError(
                f"There is no finding '{name}'. "
                + (f"Did you mean {meant}?" if near else f"There are: {', '.join(known)}.")
            )
    return list(known) if EVERYTHING in wanted else list(dict.fromkeys(wanted))


def _found(
    findings: Findings | None, name: str
) -> Iterator[tuple[str, Finding, ChannelFindings | None]]:
    if findings is None:
        return
    for finding in findings.recording_findings:
        if finding.name == name:
            yield "whole recording", finding, None
    for line, channel in findings.channels.items():
        for finding in channel.findings:
            if finding.name == name:
                yield line, finding, channel
    for line, sensor in findings.sensors.items():
        for finding in sensor.findings:
            if finding.name == name:
                yield line, finding, None


def _format_evidence(finding: Finding, channel: ChannelFindings | None) -> Iterator[str]:
    if not finding.evidence:
        yield "It rests on other findings."
    for span in finding.evidence[:MAX_SPANS]:
        yield f"Data used: {_format_span(span, channel)}."
    left = len(finding.evidence) - MAX_SPANS
    if left > 0:
        yield f"And {left} more time spans. The JSON lists them."


def _format_span(span: Evidence, channel: ChannelFindings | None) -> str:
    words = f"{span.start_s:.6f} to {span.end_s:.6f} s"
    if span.pulses:
        words += f", {span.pulses} pulse{'' if span.pulses == 1 else 's'}"
    if channel is None or span.first is None or span.last is None:
        return words
    words += f", rows {span.first} to {span.last} of the line's pulse table"
    table = channel.table
    rows = slice(span.first, span.last + 1)
    width_us = table.width_us[rows][table.measured[rows]]
    if not width_us.size:
        return words
    return (
        f"{words}; widths {np.min(width_us):.3f} to {np.max(width_us):.3f} us, "
        f"mean {np.mean(width_us):.3f} us"
    )


_MAX_EDGES: Final = 4
_INSTANT_WIDTH: Final = 15
_FIXED_WIDTH: Final = 52
_MAX_IN_US: Final = 10_000


def print_look(
    capture: Capture, kind: str, size_bytes: int, console: Console, option_of: Mapping[str, str]
) -> None:
    """Print how a file was understood."""
    console.print(Text(capture.source, style="bold"))
    for name, value in (
        ("file", f"{kind}, {f'{size_bytes:,}'.replace(',', ' ')} bytes"),
        ("length", f"{capture.duration_s:.6f} s"),
        ("sampling", _sampling(capture, option_of)),
    ):
        print_wrapped(value, console, f"{name:<10}", " " * 10)
    console.print()
    print_table(_look_table(capture, console), console)
    console.print()
    console.print(Text("Understood so (the option in brackets sets it otherwise)", style="bold"))
    for each in assumed(capture.assumptions):
        print_wrapped(_with_options(each, option_of), console, "  - ", "    ")
    if len(capture.lines) > 1:
        said = f"The lines read are {', '.join(map(format_line, capture.lines))}."
        print_wrapped(f"{said} [{option_of['lines']}]", console, "  - ", "    ")


def _sampling(capture: Capture, option_of: Mapping[str, str]) -> str:
    interval_ps = capture.sample_interval_ps
    if interval_ps is None:
        return f"not known; {option_of['rate']} would tell it"
    return f"every {format_interval(interval_ps)} ({format_rate(interval_ps)})"


def _look_table(capture: Capture, console: Console) -> Table:
    shown = max(1, min(_MAX_EDGES, (console.width - _FIXED_WIDTH) // _INSTANT_WIDTH))
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), show_edge=False)
    table.add_column("line", max_width=16, overflow="fold")
    table.add_column("begins", no_wrap=True)
    table.add_column("edges", justify="right", no_wrap=True)
    table.add_column("usual high", justify="right", no_wrap=True)
    table.add_column("first edges, s", no_wrap=True)
    for line in capture.lines.values():
        instants = "  ".join(f"{edge / PS_PER_S:.9f}" for edge in line.edges_ps[:shown].tolist())
        table.add_row(
            escape(format_line(line.name)), "high" if line.initial_level else "low",
            str(line.edges_ps.size), _usual_high(line), instants or "none",
        )  # fmt: skip
    return table


def _usual_high(line: Line) -> str:
    """Say the median time for which a line is high, which shows a wrong unit at once."""
    begins_ps = line.rises_ps()
    ends_ps = line.falls_ps()[line.initial_level :]
    whole = min(begins_ps.size, ends_ps.size)
    if not whole:
        return "–"
    usual_ps = float(np.median(ends_ps[:whole] - begins_ps[:whole]))
    if PS_PER_US <= usual_ps < _MAX_IN_US * PS_PER_US:
        return f"{usual_ps / PS_PER_US:.2f} us"
    return format_interval(usual_ps)


def _with_options(assumption: Assumption, option_of: Mapping[str, str]) -> str:
    """Add to an assumption the options that override it."""
    options = [option_of[argument] for argument in assumption.changed_by]
    return f"{assumption} [{', '.join(options)}]" if options else str(assumption)
