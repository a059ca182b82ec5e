"""The one-page sheet of a check: what an inspector reads, signs and files, on A4 or letter."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from itertools import accumulate
from pathlib import Path
from typing import Final, Literal, TypeAlias

from pwmscope import __version__
from pwmscope.bench import CAUTIONS
from pwmscope.errors import ArgumentError, format_given
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import FailsafeLine, LeftOutKind, LossClass
from pwmscope.findings.sensors import MOTION_STOP
from pwmscope.model import format_line
from pwmscope.output import refuse_to_overwrite, write_files
from pwmscope.plot import PAPER, Ink, loss_strip
from pwmscope.report.answer import Answered, Card
from pwmscope.report.document import Device, Wording, file_name, set_pdf, shown
from pwmscope.report.evidence import format_left_out
from pwmscope.report.register import file_hash

MAX_DEVICES: Final = 12
"""So many devices stand on the first page; the others follow on the next."""
MAX_LOSSES: Final = 40
"""So many losses are drawn in a strip of the first page; the next page draws all."""
MAX_HAZARDS: Final = 3
MAX_UNUSED: Final = 12
_NAME: Final = 48
_ROW: Final = 115
"""Letters of an action in a row."""


@dataclass(frozen=True, slots=True)
class Room:
    """What has room on a first page of so many devices at most: strips in px, texts in letters."""

    devices: int
    strip: tuple[float, float]
    name: int
    line: int
    figure: int
    sentence: int
    lines: int = 0  # Of actions beyond the first five


_ROOMS: Final = (
    Room(4, (360.0, 132.0), _NAME, 20, 180, 300, 14),
    Room(6, (360.0, 100.0), _NAME, 20, 120, 200, 6),
    Room(9, (250.0, 76.0), 28, 10, 90, 180),
    Room(1_000_000, (250.0, 58.0), 26, 10, 80, 115),
)
_NEXT_PAGE: Final = Room(0, (700.0, 120.0), 2 * _NAME, 40, 240, 300)

Paper: TypeAlias = Literal["a4", "letter"]
PAPERS: Final = {"a4": "a4", "letter": "us-letter"}

_ROLES: Final = {
    "weapon": "weapon",
    "drive-left": "left drive",
    "drive-right": "right drive",
    "drive-forward": "drive, forward",
    "drive-turn": "drive, turn",
    "servo": "servo",
    "kill": "kill switch",
}
RULEBOOK: Final = (
    "These are measurements of recordings. The event's rulebook and its safety officer decide."
)


@dataclass(frozen=True, slots=True)
class Recorded:
    """One recording on the sheet."""

    file: str
    sha256: str  # Empty where it came from no file
    lasts_s: float


@dataclass(frozen=True, slots=True)
class OnePage:
    """All that stands on one robot's sheet; all texts are fit to be shown."""

    # By the bench sheet; empty where it does not say
    robot: str
    club: str
    receiver: str
    rulebook: str  # The clause that the limit is from; empty where the bench sheet names none
    limit_s: float  # Longest time from the loss until each device must stand still
    # The answer
    headline: str
    verdict: str
    hazards: tuple[str, ...]  # Those that stand on the first page
    # The slowest stop of all devices, and the same with its unit; None where none was timed
    slowest_s: float | None
    slowest_said: str
    trials: int  # How many losses were recorded
    devices: tuple[Device, ...]  # Those of the first page, the worst first
    # What the next page draws: all devices where it shows more losses, otherwise the rest
    more_devices: tuple[Device, ...]
    announced: str  # What stands on the next page; empty without one
    actions: tuple[str, ...]  # What to do next
    more_actions: int  # How many more things there are to do
    unused: tuple[str, ...]  # The lines that the bench sheet states unused
    recordings: tuple[Recorded, ...]  # What was measured
    cautions: tuple[str, ...] = CAUTIONS
    decides: str = RULEBOOK
    version: str = __version__


def write_one_page(
    analysis: Answered | Iterable[Answered],
    path: Path,
    *,
    paper: Paper = "a4",
    replace: bool = False,
) -> Path:
    """Write the one-page sheet of one robot, or of several one after the other, as PDF."""
    path = Path(path)
    refuse_to_overwrite(path, replace=replace)
    several = list(analysis) if isinstance(analysis, Iterable) else [analysis]
    if not several:
        raise ArgumentError("analysis", "empty", "what pwmscope.analyse gives")
    text = one_page_pdf([make_one_page(each) for each in several], paper=paper)
    write_files({path: text}, replace=replace)
    return path


def one_page_pdf(pages: Sequence[OnePage], *, paper: Paper = "a4") -> bytes:
    """Set sheets as PDF; one after the other where there are several robots."""
    if paper not in PAPERS:
        raise ArgumentError("paper", format_given(paper), f"one of {', '.join(PAPERS)}")
    content = [asdict(page) for page in pages]
    return set_pdf("one_page.typ", "sheet.typ", sheets=json.dumps(content), paper=PAPERS[paper])


def make_one_page(analysis: Answered) -> OnePage:
    """Collect what stands on the sheet of one robot."""
    sheet, check, answer = analysis.sheet, analysis.failsafe, analysis.answer
    lines = {line.line: line for line in check.lines}
    cards = answer.cards
    room = next(room for room in _ROOMS if len(cards) <= room.devices)
    wording, limit_s = Wording.of(analysis.findings[0], lines), check.limits.failsafe_s
    first = [
        make_device(card, lines.get(card.line), limit_s, room, wording, most=MAX_LOSSES)
        for card in cards[:MAX_DEVICES]
    ]
    are_many = any(device.left_out for device in first)
    following = cards if are_many else cards[MAX_DEVICES:]
    told = [wording.cut(a.sentence, room.sentence) for a in (*answer.actions, *answer.further)]
    tall = [0] * len(answer.actions) + [
        1 + len(said) // _ROW for said in told[len(answer.actions) :]
    ]
    left = room.lines - 2 * len(answer.hazards[1:MAX_HAZARDS])
    actions = [
        said for said, high in zip(told, accumulate(tall), strict=True) if high <= max(left, 0)
    ]
    hazards = [wording.cut(str(h).removeprefix("! "), room.sentence) for h in answer.hazards]
    unused = [left.what for left in check.left_out if left.kind is LeftOutKind.UNUSED]
    unplanned = [format_left_out(left) for left in check.left_out if left.kind is LeftOutKind.PLAN]
    return OnePage(
        robot="" if sheet is None else shown(sheet.robot, _NAME),
        club="" if sheet is None else shown(sheet.club, _NAME),
        receiver="" if sheet is None else shown(sheet.receiver.device, _NAME),
        rulebook="" if sheet is None else shown(sheet.rulebook, 2 * _NAME),
        limit_s=limit_s,
        headline=wording.cut(answer.headline, room.sentence),
        verdict=answer.verdict.value,
        hazards=tuple(hazards[:MAX_HAZARDS]),
        slowest_s=check.slowest_s,
        slowest_said="" if check.slowest_s is None else f"{check.slowest_s:.2f} s",
        trials=max((len(line.all_losses) for line in check.lines), default=0),
        devices=tuple(first),
        more_devices=tuple(
            make_device(card, lines.get(card.line), limit_s, _NEXT_PAGE, wording)
            for card in following
        ),
        announced=" ".join(
            filter(None, (*unplanned, _announced(len(cards), are_many, hazards, unused)))
        ),
        actions=tuple(actions),
        more_actions=len(told) - len(actions),
        unused=tuple(format_line(name) for name in unused[:MAX_UNUSED]),
        recordings=tuple(
            Recorded(
                file_name(recording.capture.source),
                "" if recording.file is None else file_hash(recording.file),
                recording.capture.duration_s,
            )
            for recording in analysis.recordings
        ),
        cautions=CAUTIONS if sheet is None else sheet.cautions,
    )


def _announced(devices: int, are_many: bool, hazards: list[str], unused: list[str]) -> str:
    """Say what stands on the next page, and what only the report tells."""
    said = []
    if devices > MAX_DEVICES:
        said.append(f"Here are the {MAX_DEVICES} worst of {devices} devices; page 2 has the rest.")
    if are_many:
        said.append(f"Strips here draw the {MAX_LOSSES} worst losses; page 2 draws all.")
    if len(hazards) > MAX_HAZARDS:
        said.append(f"The report tells {len(hazards) - MAX_HAZARDS} more hazards.")
    if len(unused) > MAX_UNUSED:
        said.append(f"{len(unused) - MAX_UNUSED} more lines are stated unused.")
    return " ".join(said)


def make_device(
    card: Card,
    line: FailsafeLine | None,
    limit_s: float,
    room: Room,
    wording: Wording,
    *,
    most: int | None = None,
    ink: Ink = PAPER,
) -> Device:
    """Collect what stands on one device's card, with at most so many losses drawn."""
    strip = None
    if line is not None:
        strip = loss_strip(line, limit_s, ink=ink, size=room.strip, most=most)
    number, number_is = deciding_number(card.verdict, line)
    name = shown(device_name(card), room.name)
    line_name = shown(format_line(card.line) or "(no name)", room.line)
    if not card.device and not card.role:
        line_name = name
    return Device(
        line_name, name, card.verdict.value, number, number_is,
        wording.cut(card.figure, room.figure), "" if line is None else format_trials(line),
        wording.cut(card.action, room.sentence), "" if strip is None else strip.svg,
        "" if strip is None else strip.alt, 0 if strip is None else strip.left_out,
    )  # fmt: skip


def device_name(card: Card) -> str:
    """Name what is on a line as a person says it."""
    named = shown(card.device or _ROLES.get(card.role, card.role), 2 * _NAME)
    return named or format_line(card.line) or "(no name)"


def deciding_number(  # noqa: PLR0911 - a number for each way to decide
    verdict: Verdict, line: FailsafeLine | None
) -> tuple[str, str]:
    """Give the number that decides with its unit, and what it is; empty where words decide.

    A failure's number is the width that it kept or how long it ran on; that of a device that
    meets its limit is its slowest stop. Where a kill channel decides, its words do.
    """
    if line is None or line.is_guarded or line.verdict is not verdict:
        return "", ""
    event, decides = line.failure, line.governing
    if event is None and decides is not None and decides.name == MOTION_STOP:
        slow_s = line.slow_s
        return ("", "") if slow_s is None else (f"{slow_s:.2f} s", "until it was slow")
    if verdict is Verdict.DOES_NOT_MEET and event is not None:
        level_us, bounds_s = event.preset_us, event.stop_bounds_s
        if event.behaviour is LossClass.HOLDS_LAST and level_us is not None:
            return f"{level_us:.0f} us", "its last width, held"
        if bounds_s is not None:
            return f"{bounds_s[1]:.2f} s", "until it stopped"
        if level_us is not None:
            return f"{level_us:.0f} us", "outside its stop range"
    if verdict is Verdict.MEETS and line.trials.stop_s is not None:
        several = f"slowest of {line.trials.meets} stops"
        return f"{line.trials.stop_s[2]:.2f} s", several if line.trials.meets > 1 else "its stop"
    return "", ""


def format_trials(line: FailsafeLine) -> str:
    """Say how many losses there were, and what they showed."""
    trials = line.trials
    fail = "does not meet" if trials.fails == 1 else "do not meet"
    meet = "meets" if trials.meets == 1 else "meet"
    counts = ((trials.meets, meet), (trials.fails, fail), (trials.not_shown, "not shown"))
    told = [f"{count} {what}" for count, what in counts if count]
    losses = len(line.all_losses)
    if not losses:
        return "no loss recorded"
    return f"{losses} loss{'' if losses == 1 else 'es'}" + (f": {', '.join(told)}" if told else "")
