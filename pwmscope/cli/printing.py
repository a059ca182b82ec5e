"""What every command prints alike: the screen, the answer, and its copy as JSON."""

from __future__ import annotations

import codecs
import errno
import io
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

import click

from pwmscope.errors import HintError

if TYPE_CHECKING:
    from rich.console import Console

    from pwmscope.analysis import Analysis, Answer
    from pwmscope.findings import ChannelFindings

_Command = TypeVar("_Command", bound=Callable[..., None])

EXIT_CODES: Final = {"meets": 0, "does not meet": 1, "not shown": 3}
"""By the verdict."""
BAD_INPUT: Final = 2
PRINTED_WIDTH: Final = 100
"""Columns of text where the output is not a terminal."""
_PLAIN: Final = {
    "±": "+/-", "–": "-", "—": "-", "≠": "!=", "≤": "<=", "≥": ">=", "→": "->", "µ": "u",
    "μ": "u", "…": "...", "×": "x", "·": "*", "√": "sqrt ", "Δ": "d", "’": "'",
}  # fmt: skip


def _plainly(error: UnicodeError) -> tuple[str, int]:
    """Write in ASCII what an output's encoding lacks; an error handler of `codecs`."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    lacking = error.object[error.start : error.end]
    return "".join(_PLAIN.get(letter, "?") for letter in lacking), error.end


def set_up_streams() -> None:
    """Let what an output's encoding lacks be written in ASCII; it is never an error."""
    codecs.register_error("pwmscope", _plainly)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="pwmscope")


def screen() -> Console:
    """Return the standard output, as wide as the terminal or 100 columns wide."""
    from rich.console import Console

    class Screen(Console):
        """An output that ends with a sentence where it is closed too early."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError(errno.EPIPE, "it was closed")

    width = None if sys.stdout.isatty() else PRINTED_WIDTH
    return Screen(width=width, highlight=False, emoji=False)


def print_sections(sections: Iterable[tuple[str, Iterable[str]]]) -> None:
    """Print each section: its heading, if it has one, and its paragraphs."""
    from pwmscope.report.sentences import print_wrapped

    console = screen()
    for at, (heading, paragraphs) in enumerate(sections):
        if at:
            console.print()
        if heading:
            print_wrapped(heading, console, style="bold")
        for paragraph in paragraphs:
            print_wrapped(paragraph, console, *(("  ", "    ") if heading else ()))


def print_screen(
    analysis: Analysis,
    answer: Answer,
    *,
    only: tuple[str, ...] = (),
    figures: tuple[ChannelFindings, ...] = (),
    more: str = "",
    room: int | None = None,
) -> None:
    """Print an answer, what it is about, and who decides."""
    from dataclasses import replace

    from pwmscope.report.sentences import RULEBOOK
    from pwmscope.report.terminal import print_answer

    if only:
        cards = tuple(card for card in answer.cards if card.line in only)
        answer = replace(answer, cards=cards)
    of = "one recording" if len(analysis.recordings) == 1 else "these recordings"
    last = (_about(analysis) + more, RULEBOOK.replace("one recording", of))
    all_in = "--all" if more else "pwmscope report"
    print_answer(answer, screen(), figures=figures, last=last, room=room, all_in=all_in)


def _about(analysis: Analysis) -> str:
    """Say whose robot, which recordings and which limit an answer is about."""
    sheet, captures = analysis.sheet, analysis.captures
    robot = f"{sheet.robot}, " if sheet is not None and sheet.robot else ""
    whole_s = sum(capture.duration_s for capture in captures)
    what = captures[0].source if len(captures) == 1 else f"{len(captures)} recordings"
    return f"{robot}{what}, {whole_s:.3f} s; limit {analysis.terms.limits.failsafe_s:g} s."


quiet_option = click.option(
    "--quiet", is_flag=True, help="Print the headline only; the exit code says the rest."
)
all_option = click.option(
    "--all", "is_all", is_flag=True, help="Also print every table, reason and assumption."
)
why_option = click.option(
    "--why",
    metavar="LINE",
    help="Also print why this line, or 'all', has its verdict: its checks, and which other causes "
    "are refuted.",
)


def _explain(context: click.Context, _: click.Parameter, words: tuple[str, ...]) -> None:
    from pwmscope.report.terminal import print_explanations

    if words and not context.resilient_parsing:
        print_explanations(None, words, screen())
        context.exit()


explain_option = click.option(
    "--explain", metavar="WORD", multiple=True, is_eager=True, expose_value=False,
    callback=_explain,
    help="Explain a word or a finding, such as 'neutral', and end. No recording is needed.",
)  # fmt: skip


def refuse_unknown(why: str | None, analysis: Analysis) -> None:
    """Refuse a line to explain that no recording and no sheet has."""
    lines = dict.fromkeys(
        [line.line for line in analysis.failsafe.lines] + [c.line for c in analysis.checks]
    )
    if why is not None and why != "all" and why not in lines:
        raise HintError(f"There is no line '{why}' to explain. Give 'all' or {', '.join(lines)}.")


def refuse_other_card(card: Path | None) -> None:
    """Refuse a card whose name does not say how it is to be written."""
    if card is not None and card.suffix.lower() not in {".html", ".txt"}:
        raise HintError(f"A card is written as .html or .txt; '{card}' ends otherwise.")


@dataclass(frozen=True, slots=True)
class JsonCopy:
    """Where an answer goes as JSON."""

    path: str | None  # As a person gave it: a file, '-' for the terminal, or None for nowhere

    @property
    def is_alone(self) -> bool:
        """Whether the terminal shows the JSON text instead of sentences."""
        return self.path == "-"

    @property
    def file(self) -> Path | None:
        """The file to write, if one is."""
        return None if self.path is None or self.is_alone else Path(self.path)

    def refuse(self, *, replace: bool) -> None:
        """Raise OutputError where a file is in the way and may not be replaced."""
        from pwmscope.output import refuse_to_overwrite

        if self.file is not None:
            refuse_to_overwrite(self.file, replace=replace)

    def tell(
        self, text: Callable[[], str], show: Callable[[], None], *, replace: bool, said: str
    ) -> None:
        """Write the text to the terminal where that is asked for; else show, and copy the text."""
        if self.is_alone:
            click.echo(text(), nl=False)
        else:
            show()
            self.write(text, replace=replace, said=said)

    def write(self, text: Callable[[], str], *, replace: bool, said: str) -> None:
        """Write the file, if one is wanted, and say where it is."""
        from pwmscope.output import write_text

        if self.file is not None:
            write_text(self.file, text(), replace=replace)
            click.echo(f"\n{said} {self.path}.")


def json_option(what: str, *, them: str = "it") -> Callable[[_Command], _Command]:
    """Give a command --json, as `json_copy`."""
    return click.option(
        "--json", "json_copy", metavar="PATH", callback=lambda _ctx, _param, path: JsonCopy(path),
        help=f"Also write {what} as JSON; '-' writes {them} to the terminal instead of the text.",
    )  # fmt: skip
