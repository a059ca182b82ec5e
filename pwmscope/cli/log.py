"""`pwmscope log`: the register in which a club keeps what was found."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from pwmscope.cli.printing import explain_option, screen
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError

if TYPE_CHECKING:
    import datetime

    from pwmscope.report.register import Entry

REGISTER = "register.sqlite"
_register = click.option(
    "--register", type=click.Path(path_type=Path), default=REGISTER, show_default=True,
    metavar="FILE", help="The register's file.",
)  # fmt: skip


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
    from rich.markup import escape
    from rich.table import Table

    from pwmscope.model import format_plainly
    from pwmscope.report.register import entries, robot_rows

    held = entries(register)
    notes = {entry.number: entry.note for entry in held}
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("robot", "day", "verdict", "slowest stop", "losses that meet", "answer"):
        table.add_column(heading, overflow="fold")
    kept = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("entry", "robot", "added", "recording", "note"):
        kept.add_column(heading, overflow="fold")
    below, troubles = [], []
    for day, row in robot_rows(register, held):
        slowest = "" if row.slowest_s is None else f"{row.slowest_s:.2f} s"
        met = f"{row.met} of {row.losses}" if row.losses else "no loss"
        cells = (row.robot, str(day), row.verdict, slowest, met, row.decides)
        table.add_row(*(escape(format_plainly(cell)) for cell in cells))
        below += [f"! Hazard, {row.robot}. {hazard}." for hazard in row.hazards]
        below += [f"{row.robot}: {row.left_out}"] * bool(row.left_out)
        troubles += [row.trouble] * bool(row.trouble)
        for entry in row.entries:
            told = (str(entry.number), row.robot, f"{day} {entry.time}", entry.file)
            with_note = (*told, notes[entry.number])
            kept.add_row(*(escape(format_plainly(cell)) for cell in with_note))
    console = screen()
    console.print(table)
    for said in below:
        console.print(escape(format_plainly(said)))
    console.print()
    console.print(kept)
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
    _format_troubles(entries(register))


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


def _format_troubles(held: tuple[Entry, ...]) -> None:
    """Say one by one which entries cannot be read."""
    for entry in held:
        if entry.trouble:
            click.echo(entry.trouble, err=True)
