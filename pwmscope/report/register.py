"""The register of an event's checks, and one day of it as a sheet to print and sign."""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path, PurePath
from typing import Any, Final

import polars as pl

from pwmscope import __version__
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.errors import PwmscopeError, plain_text
from pwmscope.findings import Findings, Verdict
from pwmscope.findings.failsafe import NAME as FAILSAFE
from pwmscope.findings.failsafe import Failsafe, check_failsafe
from pwmscope.findings.glitches import GlitchKind
from pwmscope.model import WORST_FIRST, format_line, governing
from pwmscope.report.answer import Answer, Answered, make_answer
from pwmscope.report.data import to_json
from pwmscope.report.document import fill_page, set_pdf, shown, template_text
from pwmscope.report.evidence import Evidence, Judged, Part, danger_of, line_checks
from pwmscope.report.failsafe import HomeTest, failsafe_json
from pwmscope.report.robots import (
    DeviceVerdict,
    RobotAnswer,
    Trial,
    answer_data,
    folded,
    read_answer,
    robot_answer,
    together,
    unusable,
)
from pwmscope.report.sentences import format_few

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
_NEWER_TABLES: Final = """
CREATE TABLE IF NOT EXISTS failsafe (
    entry INTEGER PRIMARY KEY REFERENCES entry (id),
    check_json TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS answer (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    added_utc TEXT NOT NULL,
    version TEXT NOT NULL,
    answer_json TEXT NOT NULL,
    check_json TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS answered (
    answer INTEGER NOT NULL REFERENCES answer (id),
    entry INTEGER NOT NULL REFERENCES entry (id)
);
"""
"""Each entry's failsafe check; and each answer, its entries, and their check as one test.

A register that is older has no such tables.
"""


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
    """What was found is in the register already, as entries `numbers`."""

    numbers: tuple[int, ...] = ()


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
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
    """Add what was found in a recording; the register is made if it is not there.

    Of the whole job's answer it holds what findings and bench sheet give; `add_answer` has all.
    """
    check = check_failsafe([findings.loss_analysis], sheet, findings.limits)
    sensors = tuple((findings.capture.source, own) for own in findings.sensors.values())
    checks = line_checks([findings], sheet)
    answer = make_answer(Evidence(check, sheet, checks, sensors=sensors))
    (entry,) = _add(register, {recording: findings}, sheet, answer, check, note=note)
    return entry


def add_answer(
    register: Path,
    analysis: Answered,
    *,
    files: Sequence[Path | None] | None = None,
    note: str = "",
    pulses_only: bool = False,
) -> tuple[Entry, ...]:
    """Add an answer, and an entry for each of its recordings.

    What has no file is not entered. `pulses_only` says that the transmitter was on all the time: a
    loss is then refused. All that is in the register already is refused by `SameEntryError`.
    """
    if files is None:
        files = [recording.file for recording in analysis.recordings]
    own = {
        file: findings
        for file, findings in zip(files, analysis.findings, strict=True)
        if file is not None
    }
    lines = analysis.failsafe.lines
    losses = [e for line in lines for _, e in line.all_losses]
    losses = [event for event in losses if not event.is_restart]
    if pulses_only and losses:
        raise RegisterError(
            f"A signal loss was found at {losses[0].lost_s:.2f} s, so the failsafe is judged as "
            "well. Leave `pulses_only` out."
        )
    return _add(
        register, own, analysis.sheet, analysis.answer, analysis.failsafe,
        note=note, pulses_only=pulses_only,
    )  # fmt: skip


def _add(
    register: Path,
    recordings: Mapping[Path, Findings],
    sheet: BenchSheet | None,
    answer: Answer,
    check: Failsafe,
    *,
    note: str,
    pulses_only: bool = False,
) -> tuple[Entry, ...]:
    """Add entries that are new, and the answer if it is new; refuse what is all there."""
    now = datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")
    of_sheet = ("", "", "", "")
    if sheet is not None:
        of_sheet = (sheet.source, file_hash(Path(sheet.source)), sheet.robot, sheet.club)
    facts = []
    for recording, findings in recordings.items():
        alone = check
        if len(recordings) > 1:
            alone = check_failsafe([findings.loss_analysis], sheet, findings.limits)
        source, text = findings.capture.source, to_json(findings)
        row = (now, source, file_hash(recording), *of_sheet, note, __version__, text)
        facts.append((row, findings, failsafe_json(alone)))
    hashes = {row[1]: row[2] for row, _, _ in facts}
    kept = robot_answer(answer, check, hashes)
    if pulses_only:
        missing = ("failsafe", Verdict.NOT_SHOWN)
        judged = tuple(each for each in kept.judged if (each.part, each.verdict) != missing)
        quiet = [
            Judged("failsafe", f"quiet from {since_s:.3f} s, transmitter on", line, missing[1])
            for line, since_s in _quiet_lines(check, recordings.values()).items()
        ]
        kept = replace(kept, judged=(*judged, *quiet), pulses_only=True)
        if quiet and kept.verdict is Verdict.NOT_SHOWN:
            line = shown(format_line(quiet[0].line), _MAX_LETTERS)
            kept = replace(kept, headline=f"FAILSAFE not shown: {line} {quiet[0].name}")
    said = json.dumps(answer_data(kept))
    with _opened(register, make=True) as base:
        for statement in _NEWER_TABLES.split(";")[:-1]:
            base.execute(statement)
        checked, numbers, is_new = _kept_checks(base), [], False
        for row, findings, check_text in facts:
            number = _same_entry(base, row, checked)
            if number is None:
                is_new = True
                number = _insert(base, row, findings, check_text)
            numbers.append(number)
        held = _kept_answers(base)
        if not any(each.entries == set(numbers) and each.text == said for each in held):
            is_new = True
            joint = failsafe_json(check) if len(facts) > 1 else ""
            asked = "INSERT INTO answer (added_utc, version, answer_json, check_json) "
            values = (now, __version__, said, joint)
            known = base.execute(asked + "VALUES (?, ?, ?, ?)", values).lastrowid
            pairs = [(known, number) for number in numbers]
            base.executemany("INSERT INTO answered VALUES (?, ?)", pairs)
        if not is_new:
            listed = ", ".join(map(str, numbers))
            told = f"entr{'y' if len(numbers) == 1 else 'ies'} {listed}"
            same = SameEntryError(
                f"{register}: the same recording with the same bench sheet is {told} "
                "already; nothing was added."
            )
            same.numbers = tuple(numbers)
            raise same
        return tuple(_entry(base, number) for number in numbers)


def _quiet_lines(check: Failsafe, recordings: Iterable[Findings]) -> dict[str, float]:
    """Give the device lines that fell quiet, and when first.

    With the transmitter on that is a restart, a lead that came off, or a loss after all.
    """
    stuck, quiet = (GlitchKind.STUCK_LOW, GlitchKind.STUCK_HIGH), {}
    for line in (line for line in check.lines if line.verdict is not None):
        begun_s = [event.lost_s for _, event in line.losses]
        for findings in recordings:
            channel = findings.channels.get(line.line)
            if channel is not None and channel.glitches is not None:
                kinds = [of for of in channel.glitches.kinds if of.kind in stuck]
                begun_s += [float(at) for of in kinds for at in of.moments.start_s]
        if begun_s:
            quiet[line.line] = min(begun_s)
    return quiet


def _same_entry(
    base: sqlite3.Connection, row: tuple[str, ...], checked: Mapping[int, object]
) -> int | None:
    """Find the entry that holds the same findings of the same recording, by the same sheet.

    Another part of it, or other hints, may show what the entry that is there does not.
    """
    held = base.execute(
        "SELECT id, findings_json FROM entry "
        "WHERE sha256 = ? AND sheet_sha256 = ? AND version = ? ORDER BY id",
        (row[2], row[4], row[8]),
    ).fetchall()
    channels = json.loads(row[9])["channels"]
    for known, text in held:
        if known in checked and _channels(text, _entry(base, known))[0] == channels:
            return int(known)
    return None


def _insert(
    base: sqlite3.Connection, row: tuple[str, ...], findings: Findings, check_text: str
) -> int:
    """Insert an entry, its findings and its failsafe check; give its number."""
    number = base.execute(
        "INSERT INTO entry (added_utc, source, sha256, sheet, sheet_sha256, robot, club, note, "
        "version, findings_json) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        row,
    ).lastrowid
    base.executemany(
        "INSERT INTO finding VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", _rows(number, findings)
    )
    base.execute("INSERT INTO failsafe VALUES (?, ?)", (number, check_text))
    return number or 0


@dataclass(frozen=True, slots=True)
class KeptAnswer:
    """An answer of the register, and the entries it is about."""

    entries: set[int]
    text: str
    check_text: str  # The failsafe check of several recordings as one test; empty of one
    trials: tuple[Trial, ...] = ()  # Its losses, by the check; none where that is damaged

    @property
    def answer(self) -> RobotAnswer | None:
        """The answer; None where it is damaged."""
        with contextlib.suppress(ValueError, RecursionError):
            answer = read_answer(json.loads(self.text))
            return replace(answer, trials=self.trials) if answer and self.trials else answer
        return None


def kept_answers(register: Path) -> tuple[KeptAnswer, ...]:
    """List a register's answers in the order in which they were added."""
    with _opened(register) as base:
        return _kept_answers(base)


def _kept_answers(base: sqlite3.Connection) -> tuple[KeptAnswer, ...]:
    if not _has_table(base, "answer"):
        return ()
    entries: dict[int, set[int]] = {}
    for answer, entry in base.execute("SELECT answer, entry FROM answered"):
        entries.setdefault(answer, set()).add(entry)
    facts = base.execute("SELECT id, source, sha256 FROM entry")
    files = {number: (source, sha256) for number, source, sha256 in facts}
    checks, kept = _kept_checks(base), []
    asked = "SELECT id, answer_json, check_json FROM answer ORDER BY id"
    for number, text, joint in base.execute(asked):
        own = entries.get(number, set())
        check = _read_check(joint) if joint else checks.get(min(own, default=0))
        trials = _trials(check, dict(files[entry] for entry in own if entry in files))
        kept.append(KeptAnswer(own, str(text), str(joint), trials))
    return tuple(kept)


def _trials(check: Mapping[str, Any] | None, hashes: Mapping[str, str]) -> tuple[Trial, ...]:
    """Count which losses of a kept check met on every line; nothing where it is damaged.

    The version that kept it may have counted those of a device that another line cuts as not met.
    """
    meets: dict[tuple[str, float], bool] = {}
    is_whole = True
    with contextlib.suppress(AttributeError, KeyError, TypeError, ValueError):
        for line in () if check is None else check["lines"]:
            counts, verdict = line["trials"], line["verdict"]
            all_meet = not counts["does_not_meet"] and not counts["not_shown"]
            losses = [(own["source"], own["loss"]) for own in line["losses"]]
            if not losses:  # A device without a pin: its rotor tells.
                rotors = line.get("motion", ())
                losses = [(own["source"], stop) for own in rotors for stop in own["stops"]]
            is_whole &= bool(losses) or verdict != Verdict.NOT_SHOWN.value
            for source, loss in losses:
                if not loss.get("restart"):
                    key = (hashes.get(source, source), float(loss["lost_s"]))
                    met = all_meet or loss["verdict"] in (None, Verdict.MEETS.value)
                    meets[key] = meets.get(key, True) and met
        return tuple(Trial(*key, met and is_whole) for key, met in meets.items())
    return ()


def _has_table(base: sqlite3.Connection, name: str) -> bool:
    asked = "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?"
    return base.execute(asked, (name,)).fetchone() is not None


def _rows(number: int | None, findings: Findings) -> Iterator[tuple[object, ...]]:
    told = [(line, f) for line, channel in findings.channels.items() for f in channel.findings]
    told += [(line, f) for line, sensor in findings.sensors.items() for f in sensor.findings]
    rotors = findings.loss_analysis.found.rotors
    told += [(line, f) for line, own in rotors.items() for f in own.findings]
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


def home_test(register: Path, robot: str, but: Iterable[str]) -> HomeTest | None:
    """Find the last failsafe check of a robot with several losses, of none of some recordings.

    The recordings whose SHA-256 are in `but` are left out.
    """
    others = set(but)
    with _opened(register) as base:
        kept = _kept_checks(base)
        own = [_entry(base, number) for number in sorted(kept, reverse=True)]
    for entry in own:
        if not robot or entry.robot != robot or entry.sha256 in others or entry.trouble:
            continue
        check = kept[entry.number]
        losses = {line.get("line", ""): line.get("losses") or [] for line in check["lines"]}
        count = max(map(len, losses.values()), default=0)
        if count > 1:
            last = {name: told[-1].get("loss", {}) for name, told in losses.items() if told}
            levels = {n: (str(e.get("class")), e.get("settled_us")) for n, e in last.items()}
            day = entry.added_utc[:10]
            return HomeTest(entry.number, day, str(check.get("verdict")), count, levels)
    return None


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
    columns = ", ".join(f'"{name}"' for name in _COLUMNS)
    asked = (
        f"SELECT entry.id AS {columns} FROM finding JOIN entry ON entry.id = finding.entry "
        "ORDER BY entry.id, finding.rowid"
    )
    with _opened(register) as base:
        rows = base.execute(asked).fetchall()
    rows = [tuple(map(_cell, row, _COLUMNS.values())) for row in rows]
    kinds = {int: pl.Int64, float: pl.Float64, str: pl.String}
    schema = {name: kinds[kind] for name, kind in _COLUMNS.items()}
    return pl.DataFrame(rows, schema=schema, orient="row")


_COLUMNS: Final[dict[str, type]] = {
    "entry": int, "added_utc": str, "source": str, "sha256": str, "robot": str, "club": str,
    "note": str, "version": str, "line": str, "name": str, "number": float, "text": str,
    "unit": str, "uncertainty": float, "verdict": str, "limit": str, "sentence": str,
}  # fmt: skip


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
        code = getattr(error, "sqlite_errorname", None) or ""
        remedy = (
            "Name the register's own file, or a new one"
            if code.startswith("SQLITE_NOTADB")
            else "Check that the folder may be written to and has room"
        )
        raise RegisterError(
            f"{register}: the register cannot be used: {_why(code)}. {remedy}."
        ) from None


def _why(code: str) -> str:
    """Say in our own words what kept the register from being used."""
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
    verdict: str  # The worst of its answers
    decides: str  # The headline of the answer that decides
    devices: tuple[DeviceVerdict, ...]  # Each with its worst verdict
    slowest_s: float | None  # The slowest stop of all its losses; None where none was timed
    losses: int
    met: int  # Losses that met the limit on every line
    hazards: tuple[str, ...]
    open: str  # The checks that are not shown
    left_out: str  # What was not judged
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
    a name with a club and without, where no other club has it. An entry whose date cannot be read
    counts on every day.
    """
    if day is None:
        days = sorted({day_of(entry) for entry in held} - {datetime.date.min})
        rows: list[tuple[datetime.date, DayRow]] = []
        for each in days or [datetime.date.min] * bool(held):
            own = [entry for entry in held if day_of(entry) in (each, datetime.date.min)]
            rows += robot_rows(register, own, each)
        return tuple(rows)
    robots: dict[tuple[str | int, str], list[Entry]] = {}
    clubs: dict[str | int, set[str]] = {}
    for entry in held:
        clubs.setdefault(_name_key(entry), set()).add(folded(entry.club))
    for entry in held:
        key = _name_key(entry)
        club = folded(entry.club) if len(clubs[key] - {""}) > 1 else ""
        robots.setdefault((key, club), []).append(entry)
    chosen = sorted(robots.values(), key=lambda own: (not own[0].robot, own[0].robot.casefold()))
    with _opened(register) as base:
        asked = "SELECT findings_json FROM entry WHERE id = ?"
        kept = {
            entry.number: _channels(base.execute(asked, (entry.number,)).fetchone()[0], entry)
            for entry in held
        }
        checks, answers = _kept_checks(base), _kept_answers(base)
    return tuple((day, _day_row(own, kept, checks, answers)) for own in chosen)


def _name_key(entry: Entry) -> str | int:
    """Return what entries of one robot share: its name, or their number without one."""
    return folded(entry.robot) or entry.number


def _kept_checks(base: sqlite3.Connection) -> dict[int, dict[str, Any]]:
    """Read the failsafe check of each entry that has one that can be read."""
    if not _has_table(base, "failsafe"):
        return {}
    found = {}
    for number, text in base.execute("SELECT entry, check_json FROM failsafe"):
        if check := _read_check(text):
            found[number] = check
    return found


def _read_check(text: object) -> dict[str, Any] | None:
    """Read a failsafe check; None where it is damaged."""
    with contextlib.suppress(ValueError, TypeError, RecursionError):
        check = json.loads(str(text))
        if isinstance(check, dict) and all(
            isinstance(check.get(part), list) and all(isinstance(e, dict) for e in check[part])
            for part in ("lines", "left_out", "hazards")
        ):
            return check
    return None


def _day_row(
    own: list[Entry],
    kept: Mapping[int, tuple[dict[str, dict[str, Any]], str]],
    failsafes: Mapping[int, dict[str, Any]],
    answers: Sequence[KeptAnswer],
) -> DayRow:
    """Judge one robot over its entries: by their answers, or by what older ones hold."""
    numbers = {entry.number for entry in own}
    # An answer about entries of two days belongs to the day of the last of them.
    mine = [each for each in answers if each.entries and max(each.entries) in numbers]
    answered = {number for each in answers for number in each.entries}
    told = {e.number: kept[e.number][1] or e.trouble for e in own}
    found = [answer for each in mine if (answer := each.answer) is not None]
    lost = {number for each in mine if each.answer is None for number in each.entries}
    for e in own:
        if e.number in lost:
            told[e.number] = f"Entry {e.number} is damaged: its answer cannot be read."
        elif e.number not in answered:
            found.append(_older_answer(e, kept[e.number][0], failsafes.get(e.number)))
            unchecked = (  # as those of an older version are
                f"Entry {e.number} was kept without its failsafe check: lines may be missing."
            )
            told[e.number] = told[e.number] or ("" if e.number in failsafes else unchecked)
            lost |= {e.number} if told[e.number] else set()
    whole = {(e.sha256, e.sheet_sha256): e.number for e in own if e.number not in lost}
    found += [
        unusable(f"entry {e.number}", "cannot be read")
        for e in own  # what it held may have been a failure, unless it was added again
        if e.number in lost and whole.get((e.sha256, e.sheet_sha256), 0) < e.number
    ]
    joined = together(found)
    return DayRow(
        _shown(own[0].robot) or "no robot named",
        _shown(next((entry.club for entry in own if entry.club), "")), joined.verdict.value,
        joined.headline, joined.devices, joined.slowest_s, joined.losses, joined.met,
        joined.hazards, joined.open, joined.left_out, tuple(map(_kept, own)),
        " ".join(filter(None, told.values())),
    )  # fmt: skip


_OPEN_ALONE: Final = ("power-up", "restart", "neutral")
"""What an answer does not weigh where it is not shown, or only as the bench sheet states."""


def _older_answer(
    entry: Entry, channels: Mapping[str, dict[str, Any]], check: Mapping[str, Any] | None
) -> RobotAnswer:
    """Make the answer of an entry that was kept without one, of its findings and its check."""
    judged: list[Judged] = []
    trials: dict[tuple[str, float], bool] = {}
    stops_s: list[float] = []
    for line, channel in channels.items():
        limited = [finding for finding in channel.get("findings", []) if finding["limit"]]
        if not limited:
            judged.append(Judged("pulses", "servo pulses", line, Verdict.NOT_SHOWN))
        for finding in limited:
            part: Part = "failsafe" if finding["name"] == FAILSAFE else "pulses"
            verdict = Verdict(finding["verdict"] or Verdict.NOT_SHOWN)
            if verdict is not Verdict.NOT_SHOWN or finding["name"] not in _OPEN_ALONE:
                judged.append(Judged(part, finding["name"], line, verdict))
        for event in channel.get("signal_loss") or ():
            if not isinstance(event, dict) or event.get("restart"):
                continue
            key, found = (entry.sha256, event.get("lost_s", 0.0)), event.get("verdict")
            trials[key] = trials.get(key, True) and found in (None, Verdict.MEETS.value)
            if event.get("stop_bounds_s") and found != Verdict.NOT_SHOWN.value:
                stops_s.append(event["stop_bounds_s"][1])
    devices, hazards = [], []
    for line in () if check is None else check["lines"]:
        if line.get("verdict"):
            verdict, name = Verdict(line["verdict"]), str(line.get("line"))
            judged.append(Judged("failsafe", FAILSAFE, name, verdict))
            role = str(line.get("role") or "")
            about = str(line.get("device") or role)
            devices.append(DeviceVerdict(name, about, verdict, danger_of(role)))
    if check is not None:
        hazards = [(str(h.get("kind")), tuple(h.get("lines", ()))) for h in check["hazards"]]
        judged += [
            Judged("failsafe", str(left.get("kind")), str(left.get("what")), Verdict.NOT_SHOWN)
            for left in check["left_out"]
            if left.get("weighs")
        ]
    verdict = governing(each.verdict for each in judged)
    decisive = [each for each in judged if each.verdict is verdict]
    named = dict.fromkeys(f"{each.name} of {format_line(each.line)}" for each in decisive)
    said = f"{verdict.value}: {format_few([*named], 2)}"
    if check is not None and isinstance(check.get("headline"), str):
        said = str(check["headline"])
    return RobotAnswer(
        said, tuple(judged), tuple(devices), tuple(hazards), max(stops_s, default=None),
        _trials(check, {entry.source: entry.sha256})
        or tuple(Trial(*key, meets) for key, meets in trials.items()),
        (entry.source,),
    )  # fmt: skip


def _kept(entry: Entry) -> _Kept:
    at = (_instant(entry) or datetime.datetime.min.replace(tzinfo=datetime.UTC)).astimezone()
    sheet = f"bench sheet {_shown(PurePath(entry.sheet).name)}" if entry.sheet else "no bench sheet"
    file = _shown(PurePath(entry.source).name)
    return _Kept(entry.number, f"{at:%H:%M}", file, entry.sha256[:HASH_LETTERS], sheet)


def _shown(text: str) -> str:
    return shown(text, _MAX_LETTERS)


def day_sheet_text(register: Path, day: datetime.date, rows: tuple[DayRow, ...]) -> str:
    """Write the check sheet as HTML text."""
    look = [template_text("look.css"), template_text("day_sheet.css")]
    return fill_page("day_sheet.html.j2", {}, look=look, rows=rows, **_words(register, day, rows))


def day_sheet_pdf(register: Path, day: datetime.date, rows: tuple[DayRow, ...]) -> bytes:
    """Set the check sheet as PDF on A4, in black and white."""
    content = {"rows": [asdict(row) for row in rows], **_words(register, day, rows)}
    return set_pdf("one_page.typ", "day_sheet.typ", day=json.dumps(content), paper="a4")


def _words(register: Path, day: datetime.date, rows: tuple[DayRow, ...]) -> dict[str, Any]:
    """Collect what stands round the rows."""
    return {
        "day": day.isoformat(), "summary": _summary(rows), "cautions": CAUTIONS,
        "rulebook": DAY_RULEBOOK, "register": _shown(register.name), "version": __version__,
    }  # fmt: skip


def _summary(rows: tuple[DayRow, ...]) -> str:
    of_several = {Verdict.DOES_NOT_MEET: "do not meet", Verdict.MEETS: "meet"}
    counts = []
    for verdict in WORST_FIRST:
        count = sum(row.verdict == verdict for row in rows)
        words = of_several.get(verdict, verdict.value) if count > 1 else verdict.value
        counts += [f"{count} {words}"] * bool(count)
    return f"{len(rows)} robot{'' if len(rows) == 1 else 's'}: {', '.join(counts)}."
