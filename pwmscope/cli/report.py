"""Documents about recordings: `report`, `compare`, `inspect`; `desk`, the whole job; `log`."""

from __future__ import annotations

import datetime
import os
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import chdir, contextmanager, nullcontext, redirect_stderr
from dataclasses import dataclass
from dataclasses import replace as replaced
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Generic, Literal, TypeVar

import click

from pwmscope.cli.printing import (
    BAD_INPUT,
    EXIT_CODES,
    JsonCopy,
    explain_option,
    json_option,
    print_screen,
    quiet_option,
    screen,
)
from pwmscope.cli.reading import (
    OPTION_OF,
    Examination,
    Recording,
    examining_options,
    progress_bar,
    reading_options,
    readings_options,
)
from pwmscope.errors import HintError, PwmscopeError, naming

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from pwmscope.analysis import Analysis
    from pwmscope.findings import Findings
    from pwmscope.report.folder import Entry

_Result_co = TypeVar("_Result_co", covariant=True)


def batch_options(command: Callable[..., None]) -> Callable[..., None]:
    """Give a command its recordings, how they are examined, and who does it."""
    at = click.option(
        "--cluster",
        "address",
        metavar="ADDRESS",
        help="Let the workers of this dask.distributed scheduler do it, such as tcp://farm:8786. "
        "They need the same folders. Without it up to four processes of this machine do.",
    )
    return readings_options(examining_options(explain_option(at(command))))


@dataclass(frozen=True, slots=True)
class Work(Generic[_Result_co]):
    """Something to do in a process of its own."""

    name: str  # What it is about, as a person named it
    run: Callable[[], _Result_co]


def refuse_cluster(address: str | None, what: str) -> None:
    """Refuse a cluster where there is nothing to share out."""
    if address is not None:
        raise HintError(f"--cluster is for {what}. Leave it out here.")


def run_side_by_side(
    jobs: Sequence[Work[_Result_co]], doing: str, address: str | None = None
) -> list[tuple[str, _Result_co | None, str]]:
    """Do several things side by side; give what each is about, what came of it, or its trouble.

    A cluster's workers do them, by the same paths, where the address of its scheduler is given.
    """
    from pwmscope.analysis import carry_out
    from pwmscope.capture.reader.unpack import report as tell

    home = None if address is None else Path.cwd()
    work: Any = partial(_run, home=home)
    with progress_bar(doing), _workers(address) as executor:
        done = []
        for outcome in carry_out(
            work, jobs, executor=executor, progress=tell, name_of=lambda job, _nth: job.name
        ):
            if outcome.error is not None and not isinstance(outcome.error, PwmscopeError):
                raise outcome.error
            result, trouble = outcome.result or (None, str(outcome.error))
            done.append((outcome.source, result, trouble))
    return done


@contextmanager
def _workers(address: str | None) -> Iterator[Executor | None]:
    """Reach a cluster's workers; none given means own processes."""
    from pwmscope.analysis import cluster

    with nullcontext() if address is None else cluster(address) as executor:
        yield executor


def _run(job: Work[_Result_co], *, home: Path | None) -> tuple[_Result_co | None, str]:
    """Do one job where the worker is; on a cluster's, in the folder that paths count from."""
    if home is not None and not home.is_dir():
        said = f"{job.name}: the worker has no folder {home}. Start workers that see the same ones."
        return None, said
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        redirect_stderr(nowhere),  # one bar only
        nullcontext() if home is None else chdir(home),
        naming(OPTION_OF),
    ):
        try:
            return job.run(), ""
        except PwmscopeError as error:
            return None, str(error)


@click.command(short_help="Write page, PDF, Markdown and JSON about each CAPTURE to a folder.")
@batch_options
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path), required=True, metavar="DIR",
    help="Folder for the files; made if it is not there.",
)  # fmt: skip
@quiet_option
@click.option("--replace", is_flag=True, help="Replace a report that is there.")
@click.pass_context
def report(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    folder: Path,
    *,
    address: str | None,
    quiet: bool,
    replace: bool,
) -> None:
    """Write everything found in CAPTURE to DIR: report.html, report.pdf, report.md, findings.json.

    The page opens without a network; all four tell the same numbers. With the bench sheet they
    name the devices and hold the failsafe check, which failsafe.json holds as data.

    Each of several CAPTUREs gets a folder of its own in DIR, and DIR/index.html lists them. One
    that cannot be used is named and does not stop the others; the exit code is then 2.
    """
    if len(recordings) == 1:
        refuse_cluster(address, "several recordings")
        _one(recordings[0], examination, folder, quiet=quiet, replace=replace)
    elif not _many(recordings, examination, folder, address, replace=replace):
        ctx.exit(BAD_INPUT)


def _one(
    recording: Recording, examination: Examination, folder: Path, *, quiet: bool, replace: bool
) -> None:
    from pwmscope.model import format_plainly
    from pwmscope.report.folder import refuse_report

    refuse_report(folder, replace=replace)
    analysis = examination.analyse(recording)
    with progress_bar("drawing"):
        (written,) = analysis.report(folder, replace=replace)
    click.echo(analysis.headline)
    if quiet:
        return
    for hazard in analysis.hazards[:1]:
        more = len(analysis.hazards) - 1
        also = f" The page has {more} more." if more else ""
        click.echo(format_plainly(str(hazard)) + also)
    files = (written.page, written.pdf, written.markdown, written.data, written.check)
    names = ", ".join(file.name for file in files if file is not None)
    click.echo(f"The report is in {folder}: {names}.")


def _many(
    recordings: tuple[Recording, ...],
    examination: Examination,
    folder: Path,
    address: str | None,
    *,
    replace: bool,
) -> bool:
    """Report on several recordings; say whether all of them could be used."""
    from pwmscope.output import refuse_to_overwrite
    from pwmscope.report.folder import INDEX_NAME, folder_names, unused_entry, write_index

    examination.refuse_stated(len(recordings))
    refuse_to_overwrite(folder / INDEX_NAME, replace=replace)
    robot = examination.check()
    names = folder_names(str(recording.path) for recording in recordings)
    jobs = [
        Work(str(own.path), partial(_reported, own, examination, folder / name, replace=replace))
        for own, name in zip(recordings, names, strict=True)
    ]
    done = run_side_by_side(jobs, f"reporting on {len(jobs)} recordings", address)
    entries = [entry or unused_entry(name, trouble, robot) for name, entry, trouble in done]
    for entry in entries:
        said = entry.trouble or f"{entry.source}: {entry.answer.headline}"
        click.echo(said, err=bool(entry.trouble))
    used = [entry for entry in entries if not entry.trouble]
    if used:
        index = write_index(entries, folder, replace=replace)
        click.echo(f"{len(used)} of {len(entries)} recordings have a report; {index} lists them.")
    return len(used) == len(entries)


def _reported(
    recording: Recording, examination: Examination, folder: Path, *, replace: bool
) -> Entry:
    """Report on one of several recordings."""
    from pwmscope.report.folder import entry_of, refuse_report

    refuse_report(folder, replace=replace)
    analysis = examination.analyse(recording)
    (written,) = analysis.report(folder, replace=replace)
    return entry_of(str(recording.path), analysis, written)


@click.command(short_help="Put the findings of several recordings side by side.")
@batch_options
@json_option("the comparison")
@click.option(
    "-o", "--output", "page_path", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write the comparison as a page, .html, for a screen or paper.",
)  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace files that are there.")
@click.pass_context
def compare(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    json_copy: JsonCopy,
    *,
    page_path: Path | None,
    address: str | None,
    replace: bool,
) -> None:
    """Put the findings of several CAPTUREs side by side: receivers, or before and after.

    The first is what the others are held against; lines of the same name are compared. What
    differs by more than the uncertainty of both is marked. Options hold for every recording.
    """
    from pwmscope.findings.comparison import compare as compared
    from pwmscope.output import refuse_to_overwrite, write_text
    from pwmscope.report.questions import comparison_json, comparison_page, print_comparison

    json_copy.refuse(replace=replace)
    if page_path is not None:
        if page_path.suffix.lower() != ".html":
            raise HintError(f"{page_path}: a page's name ends in .html.")
        refuse_to_overwrite(page_path, replace=replace)
    examination.refuse_stated(len(recordings))
    if len(recordings) == 1:
        refuse_cluster(address, "several recordings")
    jobs = [Work(str(own.path), partial(_examined, own, examination)) for own in recordings]
    if address is None:
        findings = [job.run() for job in jobs]
    else:
        examination.check()
        done = run_side_by_side(jobs, f"analysing {len(jobs)} recordings", address)
        findings = [found for _, found, _ in done if found is not None]
        for _, _, trouble in done:
            if trouble:
                click.echo(trouble, err=True)
        if len(findings) < len(done):
            ctx.exit(BAD_INPUT)
    comparison = compared(findings)
    if page_path is not None:
        write_text(page_path, comparison_page(comparison), replace=replace)

    def show() -> None:
        print_comparison(comparison, screen())
        if page_path is not None:
            click.echo(f"\nThe same comparison is the page {page_path}.")

    text = partial(comparison_json, comparison)
    json_copy.tell(text, show, replace=replace, said="The same comparison is in")


def _examined(recording: Recording, examination: Examination) -> Findings:
    return examination.analyse(recording).findings[0]


PORT: Final = 8642
REGISTER = "register.sqlite"
_register = click.option(
    "--register", type=click.Path(path_type=Path), default=REGISTER, show_default=True,
    metavar="FILE", help="The register's file.",
)  # fmt: skip


@click.command(short_help="Do the whole job in a browser: wire, record, read, change, sign.")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, metavar="N",
    help="The port of this computer's own address; 0 takes any that is free.",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Print the address only.")
def desk(folder: Path | None, *, port: int, no_browser: bool) -> None:
    """Open the desk of FOLDER, a local page for the whole job.

    FOLDER holds sheets, recordings and results as plain files; without one it is named after
    the day. Recordings are dropped on the page, or saved into FOLDER by any program. Only this
    computer reaches the page, by the address that is printed.

    Before you power a robot: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. The event's rulebook and its safety
    officer decide.
    """
    from pwmscope.desk import serve

    today = datetime.datetime.now().astimezone().date()
    serve(folder or Path(f"desk-{today}"), port=port, browser=not no_browser, tell=click.echo)


@click.command(short_help="Check one robot, or a folder of robots, and write the sheet to sign.")
@batch_options
@click.option(
    "--register", type=click.Path(path_type=Path), metavar="FILE",
    help="Also enter what was found in this register. Without it nothing is entered.",
)  # fmt: skip
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path), default=Path(), metavar="FOLDER",
    help="Where the one-page sheets go; by default the folder you are in.",
)  # fmt: skip
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True,
    help="The paper of the one-page sheet.",
)  # fmt: skip
@quiet_option
@click.option("--replace", is_flag=True, help="Replace one-page sheets that are there.")
@click.pass_context
def inspect(
    ctx: click.Context,
    recordings: tuple[Recording, ...],
    examination: Examination,
    *,
    register: Path | None,
    folder: Path,
    paper: Literal["a4", "letter"],
    address: str | None,
    quiet: bool,
    replace: bool,
) -> None:
    """Check wiring, pulses, mixing and failsafe of one robot, and write a one-page sheet to sign.

    Name its recordings and its bench sheet with --sheet. Or name one folder with a
    subfolder for each robot: its bench sheet (*.toml) and its recordings in each, and the plan
    (*.toml) that they were made by, if there is one.

    Exit code: 0 all meet; else 1 if one does not meet; else 2 if an input was unusable; else 3.

    Before you power a robot: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. The event's rulebook and its safety
    officer decide.
    """
    robot = Robot("", recordings, examination, register, folder, paper, replace)
    if len(recordings) == 1 and recordings[0].path.is_dir():
        ctx.exit(_inspect_folder(robot, address))
    refuse_cluster(address, "a folder of robots")
    if examination.sheet_path is None:
        raise HintError(
            "inspect needs the robot's bench sheet: pwmscope inspect CAPTURE --sheet ROBOT.toml. "
            "`pwmscope sheet new` writes one."
        )
    page = robot.refuse_page()
    analysis = robot.analyse()
    if quiet:
        click.echo(analysis.headline)
    else:
        print_screen(analysis, analysis.answer, room=23)
    entry = robot.keep(analysis, page)
    if not quiet:
        for sentence in _left_open(analysis, register):
            click.echo(sentence)
        click.echo(f"The sheet to sign is {page}. {_format_entered(register, [entry])}")
    ctx.exit(EXIT_CODES[analysis.verdict.value])


@dataclass(frozen=True, slots=True)
class Row:
    """What an inspection says of one robot."""

    verdict: str
    headline: str
    hazards: int
    page: str  # The name of its sheet
    entry: str  # Its entries in the register; empty without one


@dataclass(frozen=True, slots=True)
class Robot:
    """One robot to inspect."""

    name: str  # Its folder; empty where a person named the recordings
    recordings: tuple[Recording, ...]
    examination: Examination  # With its bench sheet
    register: Path | None
    folder: Path  # Where its one-page sheet goes
    paper: Literal["a4", "letter"]
    replace: bool

    def refuse_page(self) -> Path:
        """Name the one-page sheet's file, and refuse one that is in the way."""
        from pwmscope.output import refuse_to_overwrite
        from pwmscope.report import folder_names

        stem = self.name or str(self.recordings[0].path)
        page = self.folder / f"{folder_names([stem])[0]}-inspection.pdf"
        refuse_to_overwrite(page, replace=self.replace)
        return page

    def analyse(self) -> Analysis:
        """Do the whole job, the wiring rules as well."""
        return self.examination.analyse(*self.recordings).with_wiring()

    def keep(self, analysis: Analysis, page: Path) -> str:
        """Write the one-page sheet and the register's entries; give the entries' numbers."""
        from pwmscope.output import make_folder
        from pwmscope.report import write_one_page

        make_folder(self.folder)
        write_one_page(analysis, page, paper=self.paper, replace=self.replace)
        return "" if self.register is None else _enter(self.register, analysis)

    def run(self) -> Row:
        """Inspect it in a process of its own."""
        page = self.refuse_page()
        analysis = self.analyse()
        entry = self.keep(analysis, page)
        hazards = len(analysis.hazards)
        return Row(analysis.verdict.value, analysis.headline, hazards, page.name, entry)


def _enter(register: Path, analysis: Analysis) -> str:
    """Enter the answer and each recording in the register; what is there already stays."""
    from pwmscope.report.register import SameEntryError, add_answer

    try:
        entries = add_answer(register, analysis, note=analysis.headline)
        numbers = [entry.number for entry in entries]
    except SameEntryError as same:
        numbers = list(same.numbers)
    return ", ".join(map(str, numbers))


def _left_open(analysis: Analysis, register: Path | None) -> Iterator[str]:
    """Say what one loss leaves open, beside the home test of the same robot."""
    from pwmscope.report.failsafe import left_open
    from pwmscope.report.register import file_hash, home_test

    sheet, home = analysis.sheet, None
    if register is not None and sheet is not None:
        files = [rec.file for rec in analysis.recordings if rec.file is not None]
        home = home_test(register, sheet.robot, map(file_hash, files))
    return left_open(analysis.failsafe, home)


def _format_entered(register: Path | None, entries: list[str]) -> str:
    if register is None:
        return "No register was named, so nothing was entered."
    return f"Register {register}: entry {', '.join(filter(None, entries))}."


def _inspect_folder(day: Robot, address: str | None) -> int:
    """Inspect each robot of a folder; print a row each, and return the exit code."""
    (root,) = day.recordings
    if day.examination.sheet_path is not None:
        raise HintError(
            f"{root.path} is a folder of robots, each with its own sheet. Leave --sheet out."
        )
    homes = sorted(path for path in root.path.iterdir() if path.is_dir())
    if not homes:
        raise HintError(
            f"{root.path} holds no subfolder. Give each robot one, with its sheet and recordings."
        )
    rows: dict[str, tuple[Row | None, str]] = {home.name: (None, _why_not(home)) for home in homes}
    robots = [Work(home.name, _robot_of(home, day).run) for home in homes if not rows[home.name][1]]
    doing = f"inspecting {len(robots)} robots"
    done = run_side_by_side(robots, doing, address) if robots else []
    rows |= {name: (row, trouble) for name, row, trouble in done}
    _print_rows(rows, day)
    verdicts = [row.verdict for row, _ in rows.values() if row is not None]
    if "does not meet" in verdicts:
        return EXIT_CODES["does not meet"]
    if len(verdicts) < len(rows):
        return BAD_INPUT
    return EXIT_CODES["not shown"] if "not shown" in verdicts else 0


def _robot_of(home: Path, day: Robot) -> Robot:
    """Take a robot's sheet, its plan and its recordings from its folder."""
    (sheet,), plans = _sheets_and_plans(home)
    recordings = tuple(
        Recording(path, day.recordings[0].hints)
        for path in _files(home)
        if path not in (sheet, *plans)
    )
    plan_path = str(plans[0]) if plans else day.examination.plan_path
    own = replaced(day.examination, sheet_path=str(sheet), plan_path=plan_path)
    return replaced(day, name=home.name, recordings=recordings, examination=own)


def _files(home: Path) -> list[Path]:
    return sorted(p for p in home.iterdir() if p.is_file() and not p.name.startswith("."))


def _sheets_and_plans(home: Path) -> tuple[list[Path], list[Path]]:
    """List the bench sheets and the capture plans of a folder; a plan has steps."""
    is_plan = {
        path: bool(re.search(r"(?m)^\s*(\[\[\s*)?steps\b", _text_of(path)))
        for path in sorted(home.glob("*.toml"))
    }
    return [p for p, own in is_plan.items() if not own], [p for p, own in is_plan.items() if own]


def _text_of(path: Path) -> str:
    return path.read_bytes().decode(errors="replace") if path.is_file() else ""


def _why_not(home: Path) -> str:
    """Say why a robot's folder cannot be inspected; empty where it can."""
    for paths, kind in zip(_sheets_and_plans(home), ("bench sheet", "plan"), strict=True):
        if len(paths) > 1 or (not paths and kind == "bench sheet"):
            names = ", ".join(path.name for path in paths)
            found = f"{len(paths)} {kind}s ({names})" if paths else f"no {kind}"
            return f"The folder holds {found}. Keep exactly one in it."
    if all(path.suffix == ".toml" for path in _files(home)):
        return "The folder holds no recording. Put the robot's recordings in it."
    return ""


def _print_rows(rows: dict[str, tuple[Row | None, str]], day: Robot) -> None:
    from pwmscope.model import format_line
    from pwmscope.report.sentences import RULEBOOK, print_wrapped

    console, room = screen(), min(24, max(len(format_line(name)) for name in rows))
    for name, (row, trouble) in rows.items():
        verdict = "unusable" if row is None else row.verdict
        said = trouble if row is None else row.headline
        if row is not None and row.hazards:
            said += f" ! {row.hazards} hazard{'s' if row.hazards > 1 else ''}"
        lead = f"{format_line(name):<{room}}  {verdict:<{len('does not meet')}}  "
        print_wrapped(said, console, lead, " " * min(len(lead), console.width // 2))
    meets = sum(row is not None and row.verdict == "meets" for row, _ in rows.values())
    verb = "meets" if meets == 1 else "meet"
    console.print(f"\n{meets} of {len(rows)} robots {verb} everything.")
    shown = [row for row, _ in rows.values() if row is not None]
    if shown:
        pages = ", ".join(row.page for row in shown)
        print_wrapped(f"The sheets to sign are in {day.folder}: {pages}.", console)
        print_wrapped(_format_entered(day.register, [row.entry for row in shown]), console)
    print_wrapped(RULEBOOK.replace("one recording", "these recordings"), console)


@click.group(short_help="Keep findings in a register, and read them again.")
def log() -> None:
    """Keep what was found in a register.

    It is one SQLite file with every finding, its recording's hash, date, bench sheet and version.
    Several people may add at the same time; nothing is lost.
    """


@log.command(short_help="Measure a recording and keep what was found.")
@reading_options
@examining_options
@_register
@click.option("--note", default="", metavar="TEXT", help="Free text to keep with it.")
@click.option(
    "--pulses-only",
    is_flag=True,
    help="State that the transmitter was on all the time. The failsafe of the robot is then "
    "judged by its other recordings.",
)
def add(
    recording: Recording, examination: Examination, *, register: Path, note: str, pulses_only: bool
) -> None:
    """Measure CAPTURE and keep what was found in the register, which is made if need be."""
    from pwmscope.report.register import add_answer, kept_answers

    analysis = examination.analyse(recording)
    (entry,) = add_answer(
        register, analysis, files=[recording.path], note=note, pulses_only=pulses_only
    )
    told = analysis.headline
    for kept in kept_answers(register) if pulses_only else ():
        if kept.entries == {entry.number} and kept.answer is not None:
            told = kept.answer.headline
    click.echo(f"Kept as entry {entry.number} of {register}: {told}")


@log.command("list", short_help="List the register's entries.")
@_register
@explain_option
def list_entries(*, register: Path) -> None:
    """List every robot of every day as the day's sheet has it, its hazards, and its entries.

    One proven failure governs, whatever another entry of the robot says. Each robot has its
    slowest stop, and how many of its losses met. `pwmscope log show` has each line's verdict.
    """
    from pwmscope.model import format_plainly
    from pwmscope.report.register import entries, robot_rows
    from pwmscope.report.sentences import print_table, print_wrapped, table_of

    held = entries(register)
    notes = {entry.number: entry.note for entry in held}
    robots, kept, below, troubles = [], [], [], []
    for day, row in robot_rows(register, held):
        slowest = "" if row.slowest_s is None else f"{row.slowest_s:.2f} s"
        met = f"{row.met} of {row.losses}" if row.losses else "no loss"
        cells = (row.robot, str(day), row.verdict, slowest, met, row.decides)
        robots.append(tuple(map(format_plainly, cells)))
        below += [f"! Hazard, {row.robot}. {hazard}." for hazard in row.hazards]
        below += [f"{row.robot}: {row.left_out}"] * bool(row.left_out)
        troubles += [row.trouble] * bool(row.trouble)
        for entry in row.entries:
            told = (str(entry.number), row.robot, f"{day} {entry.time}", entry.file)
            kept.append(tuple(map(format_plainly, (*told, notes[entry.number]))))
    console = screen()
    heads = ("robot", "day", "verdict", "slowest stop", "losses that meet", "answer")
    print_table(table_of(heads, robots), console)
    for said in below:
        print_wrapped(said, console)
    console.print()
    print_table(table_of(("entry", "robot", "added", "recording", "note"), kept), console)
    for trouble in troubles:
        click.echo(trouble, err=True)


@log.command(short_help="Show one entry's findings.")
@click.argument("number", type=int)
@_register
@explain_option
@click.option("--json", "as_json", is_flag=True, help="Write the findings as they were kept.")
def show(number: int, *, register: Path, as_json: bool) -> None:
    """Show what entry NUMBER holds, finding by finding."""
    import json

    from pwmscope.model import format_line, format_plainly
    from pwmscope.report.register import entry_json, kept_answers

    entry, text = entry_json(register, number)
    if as_json:
        click.echo(text, nl=False)
        return
    click.echo(f"Entry {entry.number}, {entry.added_utc}, by pwmscope {entry.version}")
    for words in (
        f"Recording {entry.source}, SHA-256 {entry.sha256}",
        f"Bench sheet {entry.sheet}, SHA-256 {entry.sheet_sha256}" if entry.sheet else "",
        ", ".join(part for part in (entry.robot, entry.club) if part),
        entry.note,
    ):
        if words:
            click.echo(format_plainly(words))
    for kept in kept_answers(register):
        answer, others = kept.answer, sorted(kept.entries - {number})
        if number in kept.entries and answer is not None:
            with_others = f" (with entry {', '.join(map(str, others))})" if others else ""
            only = " It was entered for its pulses alone." if answer.pulses_only else ""
            click.echo(format_plainly(f"Answer{with_others}: {answer.headline}.{only}"))
            for sentence in answer.left_out:
                click.echo(f"  {format_plainly(sentence)}")
    for line, channel in json.loads(text)["channels"].items():
        click.echo(f"\n{format_line(line)}: {entry.verdicts[line]}")
        for finding in channel.get("findings", []):
            click.echo(f"  {finding['name']}: {format_plainly(finding['sentence'])}")


@log.command(short_help="Write every finding of every entry to a table.")
@click.argument("output", type=click.Path(path_type=Path), metavar="OUT")
@_register
@click.option("--replace", is_flag=True, help="Replace a table that is there.")
def export(output: Path, *, register: Path, replace: bool) -> None:
    """Write every finding of every entry to OUT, a .csv or .parquet file."""
    from pwmscope.output import refuse_to_overwrite, replace_file
    from pwmscope.report.register import entries, findings_table, spreadsheet_safe

    form = output.suffix.lower()
    if form not in {".csv", ".parquet"}:
        raise HintError(f"{output}: a table's name ends in .csv or .parquet; choose one.")
    refuse_to_overwrite(output, replace=replace)
    table = findings_table(register)
    if form == ".csv":
        table = spreadsheet_safe(table)
    replace_file(output, table.write_csv if form == ".csv" else table.write_parquet)
    click.echo(f"{table.height} findings are in {output}.")
    for entry in entries(register):
        if entry.trouble:
            click.echo(entry.trouble, err=True)


@log.command(short_help="Write the check sheet of an event day, to print and sign.")
@click.argument("output", type=click.Path(path_type=Path), metavar="OUT.html")
@_register
@click.option(
    "--date", "day", type=click.DateTime(["%Y-%m-%d"]), metavar="YYYY-MM-DD",
    help="The day; by default the last one that has an entry.",
)  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace a sheet that is there.")
def day(output: Path, *, register: Path, day: datetime.datetime | None, replace: bool) -> None:
    """Write one day's entries to OUT.html: each line's verdict, and room to sign.

    The page prints in black and white on A4 and Letter.
    """
    from pwmscope.output import write_text
    from pwmscope.report.register import day_rows, day_sheet_text

    if output.suffix.lower() not in {".html", ".htm"}:
        raise HintError(f"{output}: a check sheet's name ends in .html; choose one.")
    of_day, rows = day_rows(register, None if day is None else day.date())
    write_text(output, day_sheet_text(register, of_day, rows), replace=replace)
    noun = "robot" if len(rows) == 1 else "robots"
    click.echo(f"{output} holds {len(rows)} {noun} of {of_day}; print it, and sign by hand.")
