"""`pwmscope sheet`: the questions of a new bench sheet, and its check."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

import click

from pwmscope.cli.printing import (
    EXIT_CODES,
    JsonCopy,
    explain_option,
    json_option,
    print_sections,
    refuse_other_card,
)
from pwmscope.cli.reading import Examination, Recording, examining_options, reading_options
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import Answers, BenchSheet, Control, Level, MarkerKind, Role, Weapon, Wiring

MAX_SERVOS: Final = 16
_MAX: Final = 60
_OTHERS: Final[tuple[Role, ...]] = ("kill", "self-righter", "spare")
_MOVED_BY: Final[tuple[Control, ...]] = ("switch", "dial", "button")
_Answer = TypeVar("_Answer")
_Word = TypeVar("_Word", bound=str)


@click.group(short_help="Write a bench sheet, or check the wiring that one states.")
def sheet() -> None:
    """Write a bench sheet, or check the wiring that one states.

    A bench sheet is a text file. It says what is on each output of the receiver, what powers
    it, and what is expected. docs/sheet.md explains each key.
    """


@sheet.command(short_help="Ask a few questions and write a bench sheet.")
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path), default=Path("bench.toml"),
    show_default=True, metavar="PATH",
    help="The sheet to write.",
)  # fmt: skip
@click.option("--blank", is_flag=True, help="Ask nothing; write every key as a comment to fill in.")
@click.option("--replace", is_flag=True, help="Replace a file that is there.")
def new(path: Path, *, blank: bool, replace: bool) -> None:
    """Ask a few questions about the robot and write a bench sheet."""
    from pwmscope.bench import BLANK, filled_sheet, parse_sheet
    from pwmscope.output import refuse_to_overwrite, write_text

    refuse_to_overwrite(path, replace=replace)
    try:
        text = BLANK if blank else filled_sheet(ask())
    except click.Abort:
        click.echo()
        raise HintError(
            "The questions ended before all were answered, and nothing was written. "
            "`pwmscope sheet new --blank` writes a sheet to fill in instead."
        ) from None
    parse_sheet(text, source=str(path))
    write_text(path, text, replace=replace)
    click.echo(
        f"The sheet is {path}; fill in what you know. `pwmscope sheet check {path}` says what it "
        "shows about the wiring and what is missing."
    )


@sheet.command(short_help="Hold the wiring that SHEET states against the wiring rules.")
@click.argument("path", metavar="SHEET", type=click.Path(path_type=Path))
@click.option(
    "--drawing", type=click.Path(path_type=Path), metavar="PATH.svg",
    help="Also draw the wiring: pins, cables, sources, and marks where a rule is not met.",
)  # fmt: skip
@click.option(
    "--lead", type=click.Path(path_type=Path), metavar="PATH",
    help="Also write a card for a test lead that stays in the robot, as .html (A4) or .txt.",
)  # fmt: skip
@explain_option
@json_option("the rulings", them="them")
@click.option("--replace", is_flag=True, help="Replace files that are there.")
@click.pass_context
def check(
    ctx: click.Context,
    path: Path,
    drawing: Path | None,
    lead: Path | None,
    json_copy: JsonCopy,
    *,
    replace: bool,
) -> None:
    """Hold the wiring that SHEET states against the wiring rules.

    The first line says whether exactly one source powers the receiver. Exit code: 0 every
    rule is met, 1 one is not met, 3 the sheet does not show one, 2 bad input.
    Nothing is measured; docs/wiring.md explains the rules.
    """
    from pwmscope.bench import check_wiring, load_sheet
    from pwmscope.report.cards import wiring_json, wiring_text

    _refuse(drawing, lead, json_copy.file, replace=replace)
    wiring = check_wiring(load_sheet(path))
    told = wiring_json(wiring) if json_copy.is_alone else wiring_text(wiring)
    click.echo(told, nl=False)
    if not json_copy.is_alone:
        click.echo(_gaps_text(wiring.sheet), nl=False)
    written = _write(wiring, drawing, lead, json_copy.file, replace=replace)
    if written and not json_copy.is_alone:
        click.echo(f"\n{written}")
    ctx.exit(EXIT_CODES[wiring.verdict.value])


@sheet.command(short_help="Measure how late the marker is, from a calibration recording.")
@reading_options
@examining_options
@explain_option
@json_option("the findings", them="them")
@click.option("--write", is_flag=True, help="Write the keys into the bench sheet named by --sheet.")
@click.option("--replace", is_flag=True, help="Let --json replace a file that is there.")
@click.pass_context
def marker(
    ctx: click.Context,
    recording: Recording,
    examination: Examination,
    json_copy: JsonCopy,
    *,
    write: bool,
    replace: bool,
) -> None:
    """Measure in CAPTURE how late the sheet's marker changes after the outputs' last fresh frame.

    Record by `pwmscope plan --marker`: a stick keeps moving while the transmitter goes off.
    Exit code 0: measured; 3: not shown by this recording, and why; 2: bad input.
    """
    from pwmscope.bench import with_marker_keys
    from pwmscope.findings import measure_marker
    from pwmscope.output import write_text
    from pwmscope.report.cards import marker_json, marker_paragraphs

    path = examination.sheet_path
    if path is None:
        raise HintError("The sheet names the marker. Name the sheet with --sheet.")
    json_copy.refuse(replace=replace)
    analysis = examination.analyse(recording)
    of = None if analysis.sheet is None else analysis.sheet.marker
    if of is None:
        raise HintError(f"{path} names no marker. Add [marker] with its line, on and kind.")
    found = measure_marker(analysis.findings[0], of)
    json_copy.tell(
        lambda: marker_json(analysis.captures[0], found),
        lambda: print_sections(marker_paragraphs(found)),
        replace=replace, said="The same findings are in",
    )  # fmt: skip
    if write and found.keys:
        text = Path(path).read_text("utf-8")
        write_text(Path(path), with_marker_keys(text, found.keys, source=path), replace=True)
        click.echo(f"\nThe keys are written into {path}.", err=json_copy.is_alone)
    ctx.exit(0 if found.is_shown else EXIT_CODES["not shown"])


def _gaps_text(sheet: BenchSheet) -> str:
    """Say which keys the failsafe check needs or doubts; empty where none."""
    if not sheet.gaps:
        return ""
    lines = [f"  {gap.key}\n      {gap.advice}" for gap in sheet.gaps]
    return "\n".join(
        ["", "The failsafe check needs these keys of the sheet, or doubts them:", *lines, ""]
    )


def _refuse(
    drawing: Path | None, lead: Path | None, json_file: Path | None, *, replace: bool
) -> None:
    """Refuse what cannot be written before anything is said."""
    from pwmscope.output import refuse_to_overwrite

    if drawing is not None and drawing.suffix.lower() != ".svg":
        raise HintError(
            f"The drawing is an SVG picture, but --drawing names {drawing}; give it a name that "
            "ends in .svg."
        )
    refuse_other_card(lead)
    if drawing is not None and drawing == json_file:
        raise HintError("--drawing and --json name the same file; give each its own.")
    for file in (drawing, lead, json_file):
        if file is not None:
            refuse_to_overwrite(file, replace=replace)


def _write(
    wiring: Wiring,
    drawing: Path | None,
    lead: Path | None,
    json_file: Path | None,
    *,
    replace: bool,
) -> str:
    """Write the drawing and the rulings where they are wanted; say where they are."""
    from pwmscope.output import write_text
    from pwmscope.plot import draw_wiring
    from pwmscope.report import lead_card, lead_text
    from pwmscope.report.cards import wiring_json

    said = []
    if drawing is not None:
        write_text(drawing, draw_wiring(wiring), replace=replace)
        said.append(f"The drawing is {drawing}.")
    if lead is not None:
        card = lead_card if lead.suffix.lower() == ".html" else lead_text
        write_text(lead, card(wiring.sheet), replace=replace)
        said.append(f"The test lead's card is {lead}.")
    if json_file is not None:
        write_text(json_file, wiring_json(wiring), replace=replace)
        said.append(f"The same rulings are in {json_file}.")
    return " ".join(said)


def ask() -> Answers:
    """Ask about the bench in the terminal, with a line before each question that says why."""
    from pwmscope.bench import FAILSAFE_IN, MIXERS, WEAPONS, Answers, roles_of

    click.echo("Press Enter to take the answer in brackets; all of it can be changed later.")
    robot = _ask("The name stands on the report.", "Name of the robot", _text, "")
    _explain("Two drive sides are also checked for mixing, and driven by the plan.")
    drive = click.confirm("Does it drive on two sides, like a tank?", default=True)
    mixer = None
    if drive:
        mixer = _ask(
            "Mixing is done once. An ESC that mixes takes forward and turn from the receiver.",
            f"What mixes the drive ({', '.join(MIXERS)}, unknown)",
            _one_of(MIXERS),
        )
    why = (
        "A weapon that turns one way stops at its low end, one that turns both ways in the middle."
    )
    weapon = _ask(why, f"Its weapon turns ({', '.join(WEAPONS)})", _weapon, "one way")
    why = "A lifter, a flipper, a steering servo: whatever else has a plug in the receiver."
    servos = _ask(why, "How many other servos or devices", _whole(0, MAX_SERVOS), "0")
    others = _ask(
        "A kill channel cuts the power of others. A spare output waits for a device.",
        f"Other outputs ({', '.join(_OTHERS)}, with commas; none)",
        _others,
        "none",
    )
    roles = roles_of(drive=drive, weapon=weapon, servos=servos, mixer=mixer, others=others)
    if not roles:
        raise HintError(
            "A robot without drive, weapon and servos has nothing to wire; nothing was written."
        )
    usual = ", ".join(f"RX{i}" for i in range(1, len(roles) + 1))
    why = "These are the names that your recording gives to the analyser's inputs."
    asked = f"Names of the lines for {', '.join(roles)}"
    lines = _ask(why, asked, _lines(len(roles)), usual)
    controls = _ask(
        "What no stick moves steps or stays, and the plan holds it so.",
        "Lines that a switch, dial or button moves (such as RX3=switch, none)",
        _controls(lines),
        "none",
    )
    guards = {}
    for line in (line for line, role in zip(lines, roles, strict=True) if role == "kill"):
        guarded = _ask(
            "Where it is seen to cut the power, what it guards stands still.",
            f"Lines whose power {line} cuts (names, none, unknown)",
            _some_of(tuple(each for each in lines if each != line)),
        )
        if guarded:
            guards[line] = guarded
    no_pin = _ask(
        "On an all-in-one board a device may have no pin that can be recorded.",
        "Lines without a pin to clip (names, none)",
        _some_of(lines),
        "none",
    )
    second_receiver = _ask(
        "Two receivers lose the link each at its own moment.",
        "Lines on a second receiver (names, none)",
        _some_of(lines),
        "none",
    )
    feeding = _ask(
        "Many ESCs have a BEC, a 5 V supply. Exactly one source may power the receiver.",
        "Which of them feed 5 V to the receiver (names, none, unknown)",
        _some_of(lines),
    )
    stopping = _ask(
        "Where a receiver falls silent, the device decides. Its manual says, or a test.",
        "Which of them are known to stand still without pulses (names, none, unknown)",
        _some_of(lines),
    )
    stops_after_s = _ask_stops_after_s(stopping or ())
    separate = _ask(
        "A receiver may have a supply of its own, on a cable of its own.",
        "Volts of a separate battery or BEC that powers the receiver (a number, none)",
        _number_or("none", 1.0, 60.0),
        "none",
    )
    second = _ask(
        "A USB cable to the receiver or an ESC can be a second source.",
        "Volts of USB or another source that feeds it as well (a number, none)",
        _number_or("none", 1.0, 60.0),
        "none",
    )
    outputs = _ask(
        "The wiring check holds the devices against it.",
        "How many servo outputs the receiver has (a number, unknown)",
        _outputs,
    )
    failsafe_in = _ask(
        "Advice then says where to set it. The receiver's manual knows.",
        "Where the failsafe is set (transmitter, receiver, unknown)",
        _one_of(FAILSAFE_IN),
    )
    failsafe_s = _ask(
        "Everything must stand still in that time after the signal is lost.",
        "Seconds from signal loss to standstill that the rulebook allows",
        _number_or("", 0.05, 60.0),
        "2",
    )
    boot_s = _ask(
        "The plan waits until the transmitter sends. Some take half a minute.",
        "Seconds from the transmitter's switch until it sends (a number, unknown)",
        _number_or("unknown", 0.0, 120.0),
    )
    up = _ask(
        "Some transmitters refuse to start while a stick or switch is up.",
        "Does it start with sticks up (yes, no, unknown)",
        _one_of(("yes", "no")),
    )
    marker = _ask(
        "Without it nobody knows when the signal was lost. docs/bench.md says how to wire it.",
        "Line that shows whether the transmitter is on (a name, none)",
        _marker(lines),
        "none",
    )
    on, kind, late_s = _ask_about_marker(marker) if marker else (None, None, None)
    return Answers(
        robot=robot, drive=drive, weapon=weapon, servos=servos, lines=lines, feeding=feeding,
        stopping=stopping or (), separate_v=separate, outputs=outputs,
        failsafe_s=2.0 if failsafe_s is None else failsafe_s, marker=marker, marker_on=on,
        marker_kind=kind, stops_after_s=stops_after_s, second_v=second, failsafe_in=failsafe_in,
        mixer=mixer, others=others, controls=controls, guards=guards, no_pin=no_pin or (),
        on_second=second_receiver or (), boot_s=boot_s,
        starts_with_sticks_up=None if up is None else up == "yes", late_s=late_s,
    )  # fmt: skip


def _ask_stops_after_s(lines: tuple[str, ...]) -> dict[str, float]:
    """Ask how long each device runs on after its last pulse; leave out what is not known."""
    asked = {
        line: _ask(
            "A device may run on for a while after the last pulse. Its manual says how long.",
            f"Longest time in seconds until {line} stops after its last pulse (a number, unknown)",
            _number_or("unknown", 0.0, 60.0),
        )
        for line in lines
    }
    return {line: after_s for line, after_s in asked.items() if after_s is not None}


def _ask_about_marker(marker: str) -> tuple[Level | None, MarkerKind | None, float | None]:
    """Ask which level of the marker means on, what drives it, and how late a light is."""
    from pwmscope.bench import LEVELS, MARKER_KINDS, MAX_LATE_S

    on = _ask(
        "Without the level that means on, the failsafe check may not know off from on.",
        f"Level of {marker} while the transmitter is on (high, low, unknown)",
        _one_of(LEVELS),
    )
    kind = _ask(
        "A switch changes with the transmitter. A button or a light may be late.",
        f"What drives {marker} ({', '.join(MARKER_KINDS)}, unknown)",
        _one_of(MARKER_KINDS),
    )
    late_s = None
    if kind == "light":
        late_s = _ask(
            "A light dims late. `pwmscope plan --marker` leads a calibration that measures it.",
            f"Most seconds that {marker} may be late (a number, unknown)",
            _number_or("unknown", 0.0, MAX_LATE_S),
        )
    return on, kind, late_s


def _explain(why: str) -> None:
    click.secho(f"\n{why}", dim=True)


def _ask(
    why: str, question: str, read: Callable[[str], _Answer], default: str = "unknown"
) -> _Answer:
    _explain(why)
    answer: _Answer = click.prompt(question, default=default, value_proc=read)
    return answer


def _text(said: str) -> str:
    text = said.strip()
    if not text.isprintable() or len(text) > _MAX:
        raise click.UsageError(f"Write it with at most {_MAX} letters on one line.")
    return text


def _weapon(said: str) -> Weapon:
    from pwmscope.bench import WEAPONS

    for weapon in WEAPONS:
        if said.strip().lower() == weapon:
            return weapon
    raise click.UsageError(f"Answer one of: {', '.join(WEAPONS)}.")


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(said: str) -> int:
        if not (said.strip().isdecimal() and low <= int(said.strip()[:9]) <= high):
            raise click.UsageError(f"Answer a whole number from {low} to {high}.")
        return int(said)

    return read


def _outputs(said: str) -> int | None:
    return None if said.strip().lower() == "unknown" else _whole(1, 64)(said)


def _number_or(word: str, low: float, high: float) -> Callable[[str], float | None]:
    """Read a number in a range, or the word that stands for none."""
    instead = f" or {word}" if word else ""

    def read(said: str) -> float | None:
        if word and said.strip().lower() == word:
            return None
        try:
            number = float(said.strip().replace(",", "."))
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            raise click.UsageError(f"Answer a number from {low:g} to {high:g}{instead}.")
        return number

    return read


def _one_of(words: tuple[_Word, ...]) -> Callable[[str], _Word | None]:
    """Read one of some words; None for what is not known."""

    def read(said: str) -> _Word | None:
        told = said.strip().lower()
        found = next((word for word in words if word.lower() == told), None)
        if found is None and told != "unknown":
            raise click.UsageError(f"Answer {', '.join(words)} or unknown.")
        return found

    return read


def _lines(count: int) -> Callable[[str], tuple[str, ...]]:
    def read(said: str) -> tuple[str, ...]:
        lines = tuple(_text(part) for part in said.split(","))
        if len(lines) != count or len(set(lines)) != count or "" in lines:
            noun = "name" if count == 1 else "different names"
            raise click.UsageError(f"Answer {count} {noun}, with commas between.")
        return lines

    return read


def _others(said: str) -> tuple[Role, ...]:
    """Read the roles of further outputs."""
    words = [part.strip().lower() for part in said.split(",")]
    if words == ["none"]:
        return ()
    found = [role for word in words for role in _OTHERS if role == word]
    if len(found) != len(words):
        raise click.UsageError(f"Answer {', '.join(_OTHERS)} or none, with commas between.")
    return tuple(found)


def _controls(lines: tuple[str, ...]) -> Callable[[str], dict[str, Control]]:
    """Read which lines a switch, dial or button moves."""

    def read(said: str) -> dict[str, Control]:
        if said.strip().lower() == "none":
            return {}
        found: dict[str, Control] = {}
        for part in said.split(","):
            line, _, word = (each.strip() for each in part.rpartition("="))
            control = next((each for each in _MOVED_BY if each == word.lower()), None)
            if control is None or line not in lines:
                raise click.UsageError(
                    f"Answer such as {lines[0]}=switch, one of {', '.join(_MOVED_BY)}, or none."
                )
            found[line] = control
        return found

    return read


def _some_of(lines: tuple[str, ...]) -> Callable[[str], tuple[str, ...] | None]:
    """Read names of lines; None for what is not known."""

    def read(said: str) -> tuple[str, ...] | None:
        word = said.strip().lower()
        if word in {"none", "unknown"}:
            return () if word == "none" else None
        named = tuple(part.strip() for part in said.split(","))
        if not set(named) <= set(lines):
            raise click.UsageError(f"Answer names out of {', '.join(lines)}, or none, or unknown.")
        return named

    return read


def _marker(lines: tuple[str, ...]) -> Callable[[str], str]:
    def read(said: str) -> str:
        name = _text(said)
        if name in lines:
            raise click.UsageError(f"{name} is a device's line already; answer another, or none.")
        return "" if name.lower() == "none" else name

    return read
