"""The check sheet of an event day: what the register holds, with room to sign."""

from __future__ import annotations

import datetime
import importlib.resources
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any, Final

import jinja2

from pwmscope import __version__
from pwmscope.bench import CAUTIONS
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import NAME as FAILSAFE
from pwmscope.report.register import Entry, RegisterError, entries, entry_json
from pwmscope.report.sentences import say_line, say_plainly

RULEBOOK: Final = (
    "These are measurements from recordings. The event's rulebook and its safety officer decide."
)
NOT_JUDGED: Final = "not judged"
"""Stands where no limit was held against what a line did at a loss of signal."""
HASH_LETTERS: Final = 12
_MOST_LETTERS: Final = 80


@dataclass(frozen=True, slots=True)
class LineRow:
    """One line of an entry.

    Parameters
    ----------
    name : str
        The line's name, fit to be shown.
    verdict : str
        Over all its checks.
    failsafe : str
        Of what it did when the signal was lost, or `NOT_JUDGED`.
    open : str
        The checks that do not meet their limit and those not shown, by name.
    """

    name: str
    verdict: str
    failsafe: str
    open: str


@dataclass(frozen=True, slots=True)
class DayRow:
    """One entry of the register on the sheet; all texts are fit to be shown.

    Parameters
    ----------
    number : int
        The entry's.
    time : str
        When it was added, in this computer's time.
    robot, club, file : str
    hash : str
        The first letters of the recording's.
    sheet : str
        Which bench sheet it was held against, or that there was none.
    later : int or None
        The robot's last entry of the day, where this is not it.
    lines : tuple of LineRow
        In the recording's order.
    """

    number: int
    time: str
    robot: str
    club: str
    file: str
    hash: str
    sheet: str
    later: int | None
    lines: tuple[LineRow, ...]


def day_of(entry: Entry) -> datetime.date:
    """Return the day on which an entry was added, in this computer's time."""
    return datetime.datetime.fromisoformat(entry.added_utc).astimezone().date()


def day_rows(
    register: Path, day: datetime.date | None = None
) -> tuple[datetime.date, tuple[DayRow, ...]]:
    """Read one day's entries.

    Parameters
    ----------
    register : Path
        The register's file.
    day : date, optional
        The day; by default the last one that has an entry.

    Returns
    -------
    day : date
    rows : tuple of DayRow
        By robot, those without a name last; a robot's entries in the order of their numbers.

    Raises
    ------
    RegisterError
        If the file is no register, or has no entry of that day.
    """
    held = entries(register)
    if not held:
        raise RegisterError(
            f"{register}: the register holds no entry; `pwmscope log add` adds one."
        )
    days = sorted({day_of(entry) for entry in held})
    day = days[-1] if day is None else day
    if day not in days:
        last = ", ".join(each.isoformat() for each in days[-5:])
        raise RegisterError(f"{register}: there is no entry of {day}; the last days are {last}.")
    chosen = [entry for entry in held if day_of(entry) == day]
    chosen.sort(key=lambda entry: (not entry.robot, entry.robot.casefold(), entry.number))
    newest = {(e.robot, e.club): max(_of_robot(e, chosen)) for e in chosen if e.robot}
    return day, tuple(_row(register, e, newest.get((e.robot, e.club))) for e in chosen)


def _of_robot(entry: Entry, others: list[Entry]) -> list[int]:
    return [o.number for o in others if (o.robot, o.club) == (entry.robot, entry.club)]


def _row(register: Path, entry: Entry, newest: int | None) -> DayRow:
    _, text = entry_json(register, entry.number)
    channels = json.loads(text)["channels"]
    at = datetime.datetime.fromisoformat(entry.added_utc).astimezone()
    sheet = f"Bench sheet {_shown(PurePath(entry.sheet).name)}" if entry.sheet else "No bench sheet"
    lines = [_line(name, entry.verdicts[name], channel) for name, channel in channels.items()]
    return DayRow(
        number=entry.number,
        time=f"{at:%H:%M}",
        robot=_shown(entry.robot) or "no robot named",
        club=_shown(entry.club),
        file=_shown(PurePath(entry.source).name),
        hash=entry.sha256[:HASH_LETTERS],
        sheet=sheet,
        later=None if newest in {None, entry.number} else newest,
        lines=tuple(lines) or (_no_line(),),
    )


def _line(name: str, verdict: str, channel: Mapping[str, Any]) -> LineRow:
    findings = channel.get("findings", [])
    judged = [finding for finding in findings if finding["limit"]]
    if not judged:
        return LineRow(say_line(name), verdict, Verdict.NOT_SHOWN.value, "no servo pulses")
    failsafe = [f["verdict"] for f in judged if f["name"] == FAILSAFE]
    told = []
    for kind in (Verdict.DOES_NOT_MEET.value, Verdict.NOT_SHOWN.value):
        names = [finding["name"] for finding in judged if finding["verdict"] == kind]
        if names:
            told.append(f"{kind}: {', '.join(names)}")
    return LineRow(
        say_line(name), verdict, failsafe[0] if failsafe else NOT_JUDGED, "; ".join(told) or "–"
    )


def _no_line() -> LineRow:
    nothing = Verdict.NOT_SHOWN.value
    return LineRow("–", nothing, nothing, "the recording holds no line to measure")


def _shown(text: str) -> str:
    plain = say_plainly(text)
    return plain if len(plain) <= _MOST_LETTERS else plain[: _MOST_LETTERS - 1] + "…"


def day_sheet_text(register: Path, day: datetime.date, rows: tuple[DayRow, ...]) -> str:
    """Write the check sheet as HTML text.

    Parameters
    ----------
    register : Path
        Where the rows come from; its name is on the sheet.
    day : date
    rows : tuple of DayRow
        What `day_rows` read.

    Returns
    -------
    str
        One HTML 5 document that refers to nothing outside itself and prints in black and
        white on A4 and Letter.
    """
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    template = importlib.resources.files("pwmscope.report").joinpath("day_sheet.html.j2")
    return environment.from_string(template.read_text("utf-8")).render(
        day=day.isoformat(),
        summary=_summary(rows),
        rows=rows,
        cautions=CAUTIONS,
        rulebook=RULEBOOK,
        register=_shown(register.name),
        version=__version__,
    )


def _summary(rows: tuple[DayRow, ...]) -> str:
    noun = "entry" if len(rows) == 1 else "entries"
    counts = []
    for verdict, words in (
        (Verdict.DOES_NOT_MEET.value, "with something that does not meet its limit"),
        (Verdict.NOT_SHOWN.value, "with something not shown"),
    ):
        some = sum(any(verdict in (ln.verdict, ln.failsafe) for ln in row.lines) for row in rows)
        if some:
            counts.append(f"{some} {words}")
    return f"{len(rows)} {noun}{': ' if counts else ''}{', '.join(counts)}."
