"""The register of an event's checks, and one day of it as a sheet to print and sign."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePath
from typing import Any, Final

import polars as pl

from pwmscope import __version__
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.errors import PwmscopeError, plain_text
from pwmscope.findings import Findings, Verdict
from pwmscope.findings.failsafe import NAME as FAILSAFE
from pwmscope.findings.failsafe import LeftOutKind, check_failsafe
from pwmscope.model import WORST_FIRST, format_line, governing
from pwmscope.report.data import to_json
from pwmscope.report.failsafe_data import failsafe_json
from pwmscope.report.templates import fill_page, set_pdf, shown, template_text

APPLICATION_ID: Final = 0x70776D73
"""Marks an SQLite file as a register (``PRAGMA application_id``): "pwms"."""
USER_VERSION: Final = 1
SCHEMA: Final = 1
"""The newest schema number of findings that can be read."""
WAIT_S: Final = 30.0
"""So long a writer waits for another one."""
_CHUNK: Final = 1 << 20
_TABLES: Final = """
CREATE TABLE entry (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    added_utc TEXT NOT NULL,
    source TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    sheet TEXT NOT NULL,
    sheet_sha256 TEXT NOT NULL,
    robot TEXT NOT NULL,
    club TEXT NOT NULL,
    note TEXT NOT NULL,
    version TEXT NOT NULL,
    findings_json TEXT NOT NULL
);
CREATE TABLE finding (
    entry INTEGER NOT NULL REFERENCES entry (id),
    line TEXT NOT NULL,
    name TEXT NOT NULL,
    number REAL,
    text TEXT,
    unit TEXT NOT NULL,
    uncertainty REAL,
    verdict TEXT,
    "limit" TEXT NOT NULL,
    sentence TEXT NOT NULL
);
CREATE INDEX finding_entry ON finding (entry);
"""
_CHECKS: Final = (
    "CREATE TABLE IF NOT EXISTS failsafe "
    "(entry INTEGER PRIMARY KEY REFERENCES entry (id), check_json TEXT NOT NULL)"
)
"""Each entry's failsafe check; a register that is older has no such table."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of a register."""

    number: int  # Its number, counted from 1 and never used again
    added_utc: str  # When it was added, ISO 8601, UTC
    # The recording's file, and the hash of its bytes
    source: str
    sha256: str
    # The same of the bench sheet; empty without one
    sheet: str
    sheet_sha256: str
    # Free text
    robot: str
    club: str
    note: str
    version: str  # Of pwmscope
    verdicts: dict[str, str]  # Each line's verdict
    trouble: str = ""  # Why its findings cannot be read, one sentence; empty where they can


class RegisterError(PwmscopeError):
    """A register cannot be used, or does not hold what was asked for."""


class SameEntryError(RegisterError):
    """What was found in a recording is in the register already, as entry `number`."""

    number = 0


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal.

    Raises
    ------
    RegisterError
        If it cannot be read.
    """
    digest = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while chunk := file.read(_CHUNK):
                digest.update(chunk)
    except OSError as error:
        raise RegisterError(f"{path}: the file cannot be read ({error.strerror}).") from None
    return digest.hexdigest()


def add_entry(
    register: Path,
    recording: Path,
    findings: Findings,
    sheet: BenchSheet | None = None,
    *,
    note: str = "",
) -> Entry:
    """Add what was found in a recording; the register is made if it is not there."""
    check = check_failsafe([findings.loss_analysis], sheet, findings.limits)
    facts = (
        datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        findings.capture.source,
        file_hash(recording),
        "" if sheet is None else sheet.source,
        "" if sheet is None else file_hash(Path(sheet.source)),
        "" if sheet is None else sheet.robot,
        "" if sheet is None else sheet.club,
        note,
        __version__,
        to_json(findings),
    )
    with _opened(register, make=True) as base:
        held = base.execute(
            "SELECT id, findings_json FROM entry "
            "WHERE sha256 = ? AND sheet_sha256 = ? AND version = ? ORDER BY id",
            (facts[2], facts[4], facts[8]),
        ).fetchall()
        checked, channels = _kept_checks(base), json.loads(facts[9])["channels"]
        for known, text in held:
            # Another part of it, or other hints, may show what the entry that is there does not.
            if known in checked and _channels(text, _entry(base, known))[0] == channels:
                same = SameEntryError(
                    f"{register}: the same recording with the same bench sheet is entry {known} "
                    "already; nothing was added."
                )
                same.number = known
                raise same
        number = base.execute(
            "INSERT INTO entry (added_utc, source, sha256, sheet, sheet_sha256, robot, club, note, "
            "version, findings_json) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            facts,
        ).lastrowid
        base.executemany(
            "INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", _rows(number, findings)
        )
        base.execute(_CHECKS)
        base.execute("INSERT INTO failsafe VALUES (?, ?)", (number, failsafe_json(check)))
        return _entry(base, number or 0)


def _rows(number: int | None, findings: Findings) -> Iterator[tuple[object, ...]]:
    told = [(line, f) for line, channel in findings.channels.items() for f in channel.findings]
    told += [(line, f) for line, sensor in findings.sensors.items() for f in sensor.findings]
    told += [("", finding) for finding in findings.recording_findings]
    for line, finding in told:
        is_text = isinstance(finding.value, str)
        yield (
            number, line, finding.name, None if is_text else finding.value,
            finding.value if is_text else None, finding.unit, finding.uncertainty,
            None if finding.verdict is None else finding.verdict.value, finding.limit,
            finding.sentence,
        )  # fmt: skip


def entries(register: Path) -> tuple[Entry, ...]:
    """List a register's entries in order of their numbers."""
    with _opened(register) as base:
        numbers = [row[0] for row in base.execute("SELECT id FROM entry ORDER BY id")]
        return tuple(_entry(base, number) for number in numbers)


def last_failsafe(register: Path, robot: str) -> datetime.date | None:
    """Return the day (UTC) on which a robot's failsafe was last judged; None where it never was."""
    with _opened(register) as base:
        (added,) = base.execute(
            "SELECT max(added_utc) FROM entry JOIN finding ON finding.entry = entry.id "
            "WHERE robot = ? AND finding.name = ? AND verdict IN (?, ?)",
            (robot, FAILSAFE, Verdict.MEETS.value, Verdict.DOES_NOT_MEET.value),
        ).fetchone()
    return None if added is None else datetime.datetime.fromisoformat(added).date()


def entry_json(register: Path, number: int) -> tuple[Entry, str]:
    """Return one entry with its findings as the JSON that was kept."""
    with _opened(register) as base:
        entry = _entry(base, number)
        (text,) = base.execute("SELECT findings_json FROM entry WHERE id = ?", (number,)).fetchone()
        if entry.trouble:
            raise RegisterError(f"{register}: {entry.trouble}")
        return entry, str(text)


def spreadsheet_safe(table: pl.DataFrame) -> pl.DataFrame:
    """Put a quote before texts that a spreadsheet would run as a formula.

    Examples
    --------
    >>> spreadsheet_safe(pl.DataFrame({"note": ["=1+1", "-12 us", "fine"]}))["note"].to_list()
    ["'=1+1", "'-12 us", 'fine']
    """
    texts = [name for name, kind in table.schema.items() if kind == pl.String]
    starts = r"^[=+\-@\t\r]"
    return table.with_columns(
        pl.when(pl.col(name).str.contains(starts))
        .then(pl.concat_str(pl.lit("'"), pl.col(name)))
        .otherwise(pl.col(name))
        .alias(name)
        for name in texts
    )


def findings_table(register: Path) -> pl.DataFrame:
    """Return every finding of every entry, one a row, with the entry's facts."""
    asked = (
        "SELECT entry.id AS entry, added_utc, source, sha256, robot, club, note, version, line, "
        'name, number, text, unit, uncertainty, verdict, "limit", sentence '
        "FROM finding JOIN entry ON entry.id = finding.entry ORDER BY entry.id, finding.rowid"
    )
    schema = dict.fromkeys(
        ("added_utc", "source", "sha256", "robot", "club", "note", "version", "line", "name"),
        pl.String,
    )
    with _opened(register) as base:
        rows = base.execute(asked).fetchall()
    rows = [tuple(map(_cell, row, _KINDS)) for row in rows]
    return pl.DataFrame(
        rows,
        schema={
            "entry": pl.Int64, **schema, "number": pl.Float64, "text": pl.String,
            "unit": pl.String, "uncertainty": pl.Float64, "verdict": pl.String,
            "limit": pl.String, "sentence": pl.String,
        },
        orient="row",
    )  # fmt: skip


_KINDS: Final = (int, *[str] * 9, float, str, str, float, str, str, str)


def _cell(value: object, kind: type) -> object:
    """Keep a cell that is of its column's kind; one that was damaged is left empty."""
    if kind is float and isinstance(value, int):
        return float(value)
    return value if isinstance(value, kind) else None


def _entry(base: sqlite3.Connection, number: int) -> Entry:
    row = base.execute(
        "SELECT id, added_utc, source, sha256, sheet, sheet_sha256, robot, club, note, version, "
        "findings_json FROM entry WHERE id = ?",
        (number,),
    ).fetchone()
    if row is None:
        held = base.execute("SELECT count(*), max(id) FROM entry").fetchone()
        raise RegisterError(
            f"There is no entry {number}; the register holds {held[0]}, the last is {held[1] or 0}."
        )
    texts = [fact if isinstance(fact, str) else "" for fact in row[1:10]]
    facts: tuple[str, str, str, str, str, str, str, str, str] = tuple(texts)  # type: ignore[assignment]
    entry = Entry(int(row[0]), *facts, {})
    channels, trouble = _channels(row[10], entry)
    if not trouble and not all(isinstance(fact, str) for fact in row[1:10]):
        trouble = f"Entry {number} is damaged: its facts are no texts; add the recording again."
    if not trouble and _instant(entry) is None:
        trouble = f"Entry {number} is damaged: its date cannot be read; add the recording again."
    verdicts = {
        line: str(channel.get("verdict") or Verdict.NOT_SHOWN.value)
        for line, channel in channels.items()
    }
    return replace(entry, verdicts=verdicts, trouble=trouble)


def _instant(entry: Entry) -> datetime.datetime | None:
    try:
        return datetime.datetime.fromisoformat(entry.added_utc)
    except ValueError:
        return None


def _channels(text: object, entry: Entry) -> tuple[dict[str, dict[str, Any]], str]:
    """Read an entry's channels, or say in a sentence why they cannot be read."""
    number = entry.number
    try:
        held = json.loads(text) if isinstance(text, str) else None
    except (ValueError, RecursionError):
        held = None
    if not isinstance(held, dict):
        return {}, f"Entry {number} is damaged: its findings cannot be read; add it again."
    schema = held.get("schema")
    if isinstance(schema, int) and schema > SCHEMA:
        return {}, (
            f"Entry {number} is by the newer pwmscope {plain_text(entry.version)[:20]}; bring "
            "this one up to date to read it."
        )
    channels = held.get("channels")
    if not isinstance(channels, dict) or not all(map(_is_channel, channels.values())):
        return {}, f"Entry {number} is damaged: its lines cannot be read; add it again."
    return channels, ""


def _is_channel(channel: object) -> bool:
    """Whether a channel holds what the lists and sheets show of it."""
    if not isinstance(channel, dict):
        return False
    findings = channel.get("findings", [])
    return isinstance(findings, list) and all(
        isinstance(each, dict) and {"name", "limit", "verdict", "sentence"} <= each.keys()
        for each in findings
    )


@contextlib.contextmanager
def _opened(register: Path, *, make: bool = False) -> Iterator[sqlite3.Connection]:
    """Open a register for one transaction, which is kept only if it ends well."""
    if not make and not register.exists():
        raise RegisterError(f"{register}: there is no register; `pwmscope log add` makes one.")
    try:
        with contextlib.closing(
            sqlite3.connect(register, timeout=WAIT_S, isolation_level=None)
        ) as base:
            base.execute("BEGIN IMMEDIATE" if make else "BEGIN")
            _check(base, register, make=make)
            yield base
            base.execute("COMMIT")
    except sqlite3.Error as error:
        raise RegisterError(
            f"{register}: the register cannot be used: {_why(error)}. Check that the folder may "
            "be written to and has room."
        ) from None


def _why(error: sqlite3.Error) -> str:
    """Say in our own words what kept the register from being used."""
    code = getattr(error, "sqlite_errorname", None) or ""
    words = {
        "SQLITE_NOTADB": "it is no register",
        "SQLITE_CORRUPT": "it is damaged",
        "SQLITE_BUSY": "another program is writing to it",
        "SQLITE_READONLY": "it may not be written to",
        "SQLITE_CANTOPEN": "it cannot be opened",
        "SQLITE_FULL": "the disk is full",
        "SQLITE_PERM": "it may not be opened",
    }
    return next((said for name, said in words.items() if code.startswith(name)), "it is damaged")


def _check(base: sqlite3.Connection, register: Path, *, make: bool) -> None:
    empty = base.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0
    mark = base.execute("PRAGMA application_id").fetchone()[0]
    if empty and mark == 0 and make:
        for statement in _TABLES.split(";")[:-1]:
            base.execute(statement)
        base.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        base.execute(f"PRAGMA user_version = {USER_VERSION}")
        return
    version = base.execute("PRAGMA user_version").fetchone()[0]
    if mark == APPLICATION_ID and version > USER_VERSION:
        raise RegisterError(
            f"{register}: this register is of a newer version of pwmscope; bring this one up to "
            "date."
        )
    if mark != APPLICATION_ID or version != USER_VERSION:
        raise RegisterError(
            f"{register}: this is no register of this version of pwmscope; name another file."
        )


DAY_RULEBOOK: Final = (
    "These are measurements from recordings. The event's rulebook and its safety officer decide."
)
HASH_LETTERS: Final = 12
_MAX_LETTERS: Final = 80
_MAX_OPEN: Final = 4
"""So many open checks of a robot are named; the rest is counted."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """One entry on the sheet; all texts are fit to be shown."""

    number: int
    time: str  # When it was added, in this computer's time
    file: str
    hash: str  # The first letters of the recording's
    sheet: str  # Which bench sheet it was held against, or that there was none


@dataclass(frozen=True, slots=True)
class DayRow:
    """One robot of the day, over all its entries; all texts are fit to be shown."""

    robot: str
    club: str
    verdict: str  # Does not meet if anything does not, otherwise that of its failsafe
    decides: str  # What does not meet, or what of the failsafe is not shown
    slowest_s: float | None  # The slowest stop of all its losses; None where none was timed
    losses: int
    met: int  # Losses that met the limit on every line
    hazards: tuple[str, ...]
    open: str  # The other checks that are not shown
    entries: tuple[_Kept, ...]
    trouble: str  # Which entries cannot be read; empty where all can


def day_of(entry: Entry) -> datetime.date:
    """Return the day on which an entry was added, in this computer's time; year 1 if damaged."""
    at = _instant(entry)
    return datetime.date.min if at is None else at.astimezone().date()


def day_rows(
    register: Path, day: datetime.date | None = None
) -> tuple[datetime.date, tuple[DayRow, ...]]:
    """Read one day's entries, robot by robot."""
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
    own = [entry for entry in held if day_of(entry) in (day, datetime.date.min)]
    return day, tuple(row for _, row in robot_rows(register, own, day))


def robot_rows(
    register: Path, held: Sequence[Entry], day: datetime.date | None = None
) -> tuple[tuple[datetime.date, DayRow], ...]:
    """Judge each robot over its entries of each day, or as if all were of one day.

    Names that differ in capitals or blanks alone look the same on paper, and are one robot. So is
    a name with a club and without, where no other club has it.
    """
    robots: dict[tuple[object, ...], list[Entry]] = {}
    clubs: dict[tuple[object, ...], set[str]] = {}
    for entry in held:
        clubs.setdefault(_name_key(entry, day), set()).add(_folded(entry.club))
    for entry in held:
        key = _name_key(entry, day)
        club = _folded(entry.club) if len(clubs[key] - {""}) > 1 else ""
        robots.setdefault((*key, club), []).append(entry)
    chosen = sorted(
        robots.values(),
        key=lambda own: (day_of(own[0]), not own[0].robot, own[0].robot.casefold()),
    )
    with _opened(register) as base:
        asked = "SELECT findings_json FROM entry WHERE id = ?"
        kept = {
            entry.number: _channels(base.execute(asked, (entry.number,)).fetchone()[0], entry)
            for entry in held
        }
        checks = _kept_checks(base)
    return tuple((day_of(own[0]), _day_row(own, kept, checks)) for own in chosen)


def _name_key(entry: Entry, day: datetime.date | None) -> tuple[object, ...]:
    """Return what entries of one robot and day share: its name, or their number without one."""
    return day or day_of(entry), _folded(entry.robot) or entry.number


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()


def _kept_checks(base: sqlite3.Connection) -> dict[int, dict[str, Any]]:
    """Read the failsafe check of each entry that has one that can be read."""
    asked = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'failsafe'"
    if base.execute(asked).fetchone() is None:
        return {}
    found = {}
    for number, text in base.execute("SELECT entry, check_json FROM failsafe"):
        with contextlib.suppress(ValueError, TypeError, RecursionError):
            check = json.loads(text)
            if isinstance(check, dict) and all(
                isinstance(check.get(part), list) and all(isinstance(e, dict) for e in check[part])
                for part in ("lines", "left_out", "hazards")
            ):
                found[number] = check
    return found


def _day_row(
    own: list[Entry],
    kept: Mapping[int, tuple[dict[str, dict[str, Any]], str]],
    failsafes: Mapping[int, dict[str, Any]],
) -> DayRow:
    """Judge one robot over its entries: one proven failure governs, whatever came after it."""
    seen = [(e.number, line, c) for e in own for line, c in kept[e.number][0].items()]
    losses = [
        (number, line, event)
        for number, line, channel in seen
        for event in channel.get("signal_loss") or ()
        if isinstance(event, dict) and not event.get("restart")
    ]
    checks = _checks(seen, {(number, line) for number, line, _ in losses})
    with_loss = {number for number, _, _ in losses}
    own_checks = [(e.number, failsafes[e.number]) for e in own if e.number in failsafes]
    for number, check in own_checks:
        _weigh(checks, check, has_loss=number in with_loss)
    troubles = {
        e.number: kept[e.number][1] or e.trouble or ("" if e.number in failsafes else _unchecked(e))
        for e in own
    }
    again = {(e.sha256, e.sheet_sha256): e.number for e in own if not troubles[e.number]}
    for e in own:  # what it held may have been a failure, unless it was added again
        if troubles[e.number] and again.get((e.sha256, e.sheet_sha256), 0) < e.number:
            checks[FAILSAFE, f"entry {e.number}"] = Verdict.NOT_SHOWN
    failed = [f"{name} of {who}" for name, who in _grouped(checks, Verdict.DOES_NOT_MEET)]
    open_checks = _grouped(checks, Verdict.NOT_SHOWN)
    failsafe = governing(verdict for (name, _), verdict in checks.items() if name == FAILSAFE)
    verdict = Verdict.DOES_NOT_MEET if failed else failsafe
    decides = "; ".join(failed)
    if not failed and failsafe is Verdict.NOT_SHOWN:
        missing = [who for name, who in open_checks if name == FAILSAFE]
        decides = f"failsafe of {', '.join(missing)}" if missing and losses else "no loss recorded"
    others = [f"{name} of {who}" for name, who in open_checks if name != FAILSAFE]
    more = f"; {len(others) - _MAX_OPEN} more" if len(others) > _MAX_OPEN else ""
    moments: dict[tuple[int, float], list[str]] = {}
    for number, _, event in losses:
        moments.setdefault((number, event.get("lost_s", 0.0)), []).append(str(event.get("verdict")))
    stops_s = [
        event["stop_bounds_s"][1]
        for _, _, event in losses
        if event.get("stop_bounds_s") and event.get("verdict") != Verdict.NOT_SHOWN
    ]
    return DayRow(
        _shown(own[0].robot) or "no robot named",
        _shown(next((entry.club for entry in own if entry.club), "")),
        verdict.value,
        decides,
        max(stops_s, default=None),
        len(moments),
        sum(set(verdicts) <= {Verdict.MEETS.value, "None"} for verdicts in moments.values()),
        _hazards([check for _, check in own_checks]),
        "; ".join(others[:_MAX_OPEN]) + more,
        tuple(map(_kept, own)),
        " ".join(filter(None, troubles.values())),
    )


def _unchecked(entry: Entry) -> str:
    """Say that an entry lacks its failsafe check, as those of an older version do."""
    return f"Entry {entry.number} was kept without its failsafe check: lines may be missing."


def _weigh(
    checks: dict[tuple[str, str], Verdict], failsafe: Mapping[str, Any], *, has_loss: bool
) -> None:
    """Let an entry's failsafe check weigh: lines that it lacks, and what could not be used."""
    for line in failsafe["lines"]:
        key, verdict = (FAILSAFE, str(line.get("line"))), line.get("verdict")
        if verdict == Verdict.NOT_SHOWN and has_loss:
            checks[key] = governing((checks.get(key, Verdict.NOT_SHOWN), Verdict.NOT_SHOWN))
        elif verdict == Verdict.DOES_NOT_MEET and not _has_failed(checks, key[1]):
            checks[key] = Verdict.DOES_NOT_MEET
    for left in failsafe["left_out"]:
        if left.get("weighs") and left.get("kind") != LeftOutKind.NO_LOSS:
            key = (FAILSAFE, PurePath(str(left.get("what"))).name)
            checks[key] = governing((checks.get(key, Verdict.NOT_SHOWN), Verdict.NOT_SHOWN))


def _has_failed(checks: Mapping[tuple[str, str], Verdict], line: str) -> bool:
    return any(v is Verdict.DOES_NOT_MEET for (_, of), v in checks.items() if of == line)


def _hazards(failsafes: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    """Say each kind of hazard once, with its lines."""
    lines: dict[str, dict[str, None]] = {}
    for hazard in (hazard for check in failsafes for hazard in check["hazards"]):
        lines.setdefault(str(hazard.get("kind")), {}).update(dict.fromkeys(hazard.get("lines", ())))
    return tuple(f"{', '.join(map(format_line, of))}: {_shown(kind)}" for kind, of in lines.items())


def _checks(
    seen: list[tuple[int, str, dict[str, Any]]], with_loss: set[tuple[int, str]]
) -> dict[tuple[str, str], Verdict]:
    """Give each check of each line its verdict over a robot's entries.

    What does not meet governs; what one entry shows to meet is met although another did not
    show it, but for a loss that was recorded and shows nothing.
    """
    found: dict[tuple[str, str], list[Verdict]] = {}
    for number, line, channel in seen:
        judged = [finding for finding in channel.get("findings", []) if finding["limit"]]
        if not judged:
            found.setdefault(("servo pulses", line), []).append(Verdict.NOT_SHOWN)
        for finding in judged:
            verdict = Verdict(finding["verdict"] or Verdict.NOT_SHOWN)
            own = found.setdefault((finding["name"], line), [])
            if finding["name"] != FAILSAFE or (number, line) in with_loss:
                own.append(verdict)
    order = (Verdict.DOES_NOT_MEET, Verdict.MEETS, Verdict.NOT_SHOWN)
    return {
        key: governing(verdicts) if key[0] == FAILSAFE else min(verdicts, key=order.index)
        for key, verdicts in found.items()
    }


def _grouped(checks: Mapping[tuple[str, str], Verdict], verdict: Verdict) -> list[tuple[str, str]]:
    """List the checks of a verdict, each with its lines."""
    lines: dict[str, list[str]] = {}
    for (name, line), found in checks.items():
        if found is verdict:
            lines.setdefault(name, []).append(format_line(line))
    return [(name, ", ".join(of)) for name, of in lines.items()]


def _kept(entry: Entry) -> _Kept:
    at = (_instant(entry) or datetime.datetime.min.replace(tzinfo=datetime.UTC)).astimezone()
    sheet = f"bench sheet {_shown(PurePath(entry.sheet).name)}" if entry.sheet else "no bench sheet"
    file = _shown(PurePath(entry.source).name)
    return _Kept(entry.number, f"{at:%H:%M}", file, entry.sha256[:HASH_LETTERS], sheet)


def _shown(text: str) -> str:
    return shown(text, _MAX_LETTERS)


def day_sheet_text(register: Path, day: datetime.date, rows: tuple[DayRow, ...]) -> str:
    """Write the check sheet as HTML text."""
    return fill_page(
        "day_sheet.html.j2",
        {},
        look=[template_text("look.css"), template_text("day_sheet.css")],
        day=day.isoformat(),
        summary=_summary(rows),
        rows=rows,
        cautions=CAUTIONS,
        rulebook=DAY_RULEBOOK,
        register=_shown(register.name),
        version=__version__,
    )


def day_sheet_pdf(register: Path, day: datetime.date, rows: tuple[DayRow, ...]) -> bytes:
    """Set the check sheet as PDF on A4, in black and white.

    Parameters
    ----------
    register : Path
        The register's file, which the sheet names.
    day : date
        The day.
    rows : tuple of DayRow
        Its robots, as `day_rows` gives them.

    Returns
    -------
    bytes
    """
    content = {
        "day": day.isoformat(),
        "summary": _summary(rows),
        "rows": [asdict(row) for row in rows],
        "cautions": CAUTIONS,
        "rulebook": DAY_RULEBOOK,
        "register": _shown(register.name),
        "version": __version__,
    }
    return set_pdf("one_page.typ", "day_sheet.typ", day=json.dumps(content), paper="a4")


def _summary(rows: tuple[DayRow, ...]) -> str:
    counts = [
        f"{count} {verdict.value}"
        for verdict in WORST_FIRST
        if (count := sum(row.verdict == verdict for row in rows))
    ]
    return f"{len(rows)} robot{'' if len(rows) == 1 else 's'}: {', '.join(counts)}."
