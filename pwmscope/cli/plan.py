"""`pwmscope plan`: say what to do during one recording, and lead the hands through it in time."""

from __future__ import annotations

import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pwmscope.cli.printing import JsonCopy, json_option
from pwmscope.errors import HintError

if TYPE_CHECKING:
    from pwmscope.bench import BenchSheet, CapturePlan, Mode


@click.command(short_help="Plan one recording: what to set, and what the hands do, by the second.")
@click.option(
    "--sheet", type=click.Path(path_type=Path), metavar="FILE",
    help="The bench sheet whose roles the plan is made for.",
)  # fmt: skip
@click.option(
    "--plan", "ready", type=click.Path(path_type=Path), metavar="FILE",
    help="Show or run this plan instead of making one; with --sheet, held against its limit.",
)  # fmt: skip
@click.option(
    "--outputs", type=click.IntRange(1, 32), default=4, show_default=True, metavar="N",
    help="Without a bench sheet: plan for so many outputs, RX1 to RXN.",
)  # fmt: skip
@click.option(
    "--mode", type=click.Choice(["1", "2"]), default="2", show_default=True,
    help="Which axes lie on which stick: 2 has throttle and rudder on the left stick, "
    "1 elevator and rudder.",
)  # fmt: skip
@click.option(
    "--within", "within_us", type=float, default=1.0, show_default=True, metavar="US",
    help="How well each width shall be known, in microseconds at 95 %.",
)  # fmt: skip
@click.option(
    "--scatter", "scatter_us", type=float, default=2.0, show_default=True, metavar="US",
    help="How much the widths scatter, as a standard deviation.",
)  # fmt: skip
@click.option(
    "--losses", type=int, default=10, show_default=True, metavar="N",
    help="How often the transmitter is switched off at the end, each time for another length; "
    "0 for never.",
)  # fmt: skip
@click.option(
    "--power-up/--no-power-up",
    default=None,
    help="Begin with the transmitter off and give the robot its power then. By default where the "
    "sheet's marker shows it.",
)
@click.option(
    "--link", "is_link", is_flag=True,
    help="Plan a link record instead: what binding leaves behind, and each control once.",
)  # fmt: skip
@click.option(
    "--marker", "is_marker", is_flag=True,
    help="Plan a calibration of the sheet's marker instead: a stick keeps moving while the link "
    "goes.",
)  # fmt: skip
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write the plan as TOML; it finds the steps in the recording afterwards.",
)  # fmt: skip
@click.option(
    "--card", type=click.Path(path_type=Path), metavar="FILE",
    help="Also write a card to print: .html (A4, black and white) or .txt.",
)  # fmt: skip
@click.option(
    "--table", "at_table", is_flag=True,
    help="The shortest plan with one loss, for a table at an event: rest, hold, off, on.",
)  # fmt: skip
@click.option(
    "--states",
    is_flag=True,
    help="End with one loss for each state of the link, a restart of the receiver among them.",
)
@json_option("the plan with its times")
@click.option("--run", is_flag=True, help="Then count the steps down in the terminal, with a bell.")
@click.option("--replace", is_flag=True, help="Replace files that are there.")
def plan(
    *,
    sheet: Path | None,
    ready: Path | None,
    outputs: int,
    mode: str,
    within_us: float,
    scatter_us: float,
    losses: int,
    power_up: bool | None,
    is_link: bool,
    is_marker: bool,
    path: Path | None,
    card: Path | None,
    at_table: bool,
    states: bool,
    json_copy: JsonCopy,
    run: bool,
    replace: bool,
) -> None:
    """Say what to set and what the hands do, second by second, for one recording.

    The recording then shows power-up, rest, both ends of each stick axis, the drive moves
    and the weapon's ends. Last it shows what the outputs do when the transmitter goes off.

    Without a bench sheet the plan is a general one for so many --outputs.
    """
    from pwmscope.bench import load_plan, make_plan, plan_toml, refuse_short_losses
    from pwmscope.output import refuse_to_overwrite, write_text
    from pwmscope.report import plan_json, plan_text

    _refuse_other_card(card)
    for file in (path, card):
        if file is not None:
            refuse_to_overwrite(file, replace=replace)
    json_copy.refuse(replace=replace)
    kinds = {"--table": at_table, "--link": is_link, "--marker": is_marker}
    asked = _asked(ready, sheet, kinds, only_json=json_copy.is_alone, run=run)
    sticks: Mode = 1 if mode == "1" else 2
    if ready is not None:
        made = load_plan(ready)
        if sheet is not None:
            refuse_short_losses(made, _sheet(sheet, outputs))
    elif asked is not None:
        made = _planned(asked, sheet, sticks, losses, outputs)
    else:
        made = make_plan(
            _sheet(sheet, outputs), mode=sticks, within_us=within_us, scatter_us=scatter_us,
            losses=losses, power_up=power_up, states=states,
        )  # fmt: skip
    if path is not None:
        write_text(path, plan_toml(made), replace=replace)
    if card is not None:
        write_text(card, _card_text(made, card), replace=replace)
    if json_copy.is_alone:
        click.echo(plan_json(made), nl=False)
        return
    click.echo(plan_text(made) + _handling(made) * at_table, nl=False)
    json_copy.write(lambda: plan_json(made), replace=replace, said="The same plan is in")
    for what, file in (("plan", path), ("card", card)):
        if file is not None:
            click.echo(f"\nThe {what} is {file}.")
    if run:
        _run(made)


TABLE_LEAD_S: Final = 15.0
TABLE_START_S: Final = 5.0
TABLE_READ_S: Final = 20.0
"""To plug the test lead in, start the recorder, save and read: own estimates, not yet timed."""


def _handling(plan: CapturePlan) -> str:
    """Say how long a test at the table takes in all, and that this is an estimate."""
    whole_s = TABLE_LEAD_S + TABLE_START_S + plan.seconds + TABLE_READ_S
    return (
        f"\nFrom lead to verdict: about {math.ceil(whole_s)} s, estimated.\n"
        f"  The lead takes {TABLE_LEAD_S:g} s, starting {TABLE_START_S:g} s, the steps "
        f"{plan.seconds:g} s, saving and reading {TABLE_READ_S:g} s.\n"
        "  All but the steps are own estimates. Time them with a watch at your table.\n"
    )


def _sheet(path: Path | None, outputs: int) -> BenchSheet:
    """Read the bench sheet, or make a general one for so many outputs."""
    from pwmscope.bench import load_sheet, sheet_of

    lines = {f"RX{number}": {"role": "servo"} for number in range(1, outputs + 1)}
    return sheet_of({"channels": lines}) if path is None else load_sheet(str(path))


def _planned(asked: str, sheet: Path | None, mode: Mode, losses: int, outputs: int) -> CapturePlan:
    """Make the plan of another kind that an option asks for."""
    from pwmscope.bench import make_link_plan, make_marker_plan, make_table_plan

    of = _sheet(sheet, outputs)
    if asked == "--table":
        return make_table_plan(of, mode=mode)
    if asked == "--link":
        return make_link_plan(of, mode=mode)
    return make_marker_plan(of, mode=mode, losses=losses)


def _asked(
    ready: Path | None, sheet: Path | None, kinds: dict[str, bool], *, only_json: bool, run: bool
) -> str | None:
    """Give the option that asks for another kind of plan; refuse options that clash."""
    asked = [kind for kind, is_asked in kinds.items() if is_asked]
    if len(asked) > 1:
        raise HintError(f"Ask for a plan with {asked[0]} or with {asked[1]}, not both.")
    if ready is not None and asked:
        raise HintError(f"Name a plan with --plan or ask for one with {asked[0]}, not both.")
    if sheet is None and kinds["--table"]:
        raise HintError("--table needs a bench sheet with --sheet: it names the controls to hold.")
    if sheet is None and kinds["--marker"]:
        raise HintError("--marker needs a bench sheet with --sheet: it names the marker.")
    if only_json and run:
        raise HintError("--run counts down in the terminal; write the JSON to a file beside it.")
    return asked[0] if asked else None


def _refuse_other_card(card: Path | None) -> None:
    if card is not None and card.suffix.lower() not in {".html", ".txt"}:
        raise HintError(f"A card is written as .html or .txt; '{card}' ends otherwise.")


def _card_text(made: CapturePlan, card: Path) -> str:
    from pwmscope.report import plan_card, plan_text

    return plan_card(made) if card.suffix.lower() == ".html" else plan_text(made)


def _run(made: CapturePlan) -> None:
    click.echo("")
    run_metronome(
        made, lambda text: click.echo(text, nl=False), Clock(), counts=sys.stdout.isatty()
    )


LEAD_S: Final = 5.0
_BELL: Final = "\a"


@dataclass(frozen=True, slots=True)
class Clock:
    """Where the metronome takes its time from."""

    now_s: Callable[[], float] = time.monotonic  # Seconds of a clock that never goes back
    wait_s: Callable[[float], None] = time.sleep  # Waits so many seconds

    def wait_until(self, instant_s: float) -> None:
        """Wait until the clock shows an instant; not at all if that is over."""
        left_s = instant_s - self.now_s()
        if left_s > 0.0:
            self.wait_s(left_s)


def run_metronome(
    plan: CapturePlan, write: Callable[[str], object], clock: Clock, *, counts: bool
) -> None:
    """Lead the hands through a plan: count each step down and ring."""
    from pwmscope.report import format_clock

    begin_s = clock.now_s() + LEAD_S
    bell = _BELL if counts else ""
    write(f"{bell}Start the recorder now. The first step begins in {LEAD_S:g} s.\n")
    if counts:
        _count_down("first step in", begin_s, write, clock)
    clock.wait_until(begin_s)
    names = [step.name for step in plan.steps]
    for at_s, step, follows in zip(plan.starts_s, plan.steps, [*names[1:], "the end"], strict=True):
        write(f"{bell}{format_clock(at_s):>6}  {step.name}, {step.seconds:g} s: {step.hands}\n")
        end_s = begin_s + at_s + step.seconds
        if counts:
            _count_down(f"then {follows} in", end_s, write, clock)
        clock.wait_until(end_s)
    write(f"{bell}The plan is over: stop the recorder. Switch the robot off before you touch it.\n")


def _count_down(what: str, end_s: float, write: Callable[[str], object], clock: Clock) -> None:
    """Rewrite one line each second, and blank it at the end."""
    said = ""
    for left in range(math.ceil(end_s - clock.now_s()), 0, -1):
        clock.wait_until(end_s - left)
        said = f"        {what} {left} "
        write(f"\r{said}")
    clock.wait_until(end_s)
    write("\r" + " " * len(said) + "\r")
