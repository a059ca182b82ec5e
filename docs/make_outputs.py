"""Puts what the commands print into the pages, so that no output there is typed by hand.

    .venv/bin/python docs/make_outputs.py

A page asks for it by a remark, `<!-- output: ARGUMENTS | N lines -->`; the block of text behind
it is made anew by running pwmscope with these arguments in the project's folder. Without `| N
lines` the whole output is taken; what is left out is marked by a line with three dots.
"""

import os
import re
import shlex
from pathlib import Path

from click.testing import CliRunner

from pwmscope.cli import main as pwmscope_command

HERE = Path(__file__).parent
ASKED = re.compile(
    r"<!-- output: (?P<arguments>[^|\n]+?)(?: \| (?P<lines>\d+) lines)? -->\n"
    r"(?:```text\n.*?```\n)?",
    re.DOTALL,
)


def printed(arguments: str, lines: str | None) -> str:
    """Run a command and return what it prints, the command itself first."""
    before = Path.cwd()
    os.chdir(HERE.parent)
    try:
        result = CliRunner().invoke(pwmscope_command, shlex.split(arguments))
    finally:
        os.chdir(before)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    said = [line.rstrip() for line in result.output.rstrip().splitlines()]
    if lines is not None and len(said) > int(lines):
        said = [*said[: int(lines)], "..."]
    return "\n".join([f"$ pwmscope {arguments}", *said])


def with_outputs(text: str) -> str:
    """Return a page's text with every output made anew."""

    def made(asked: re.Match[str]) -> str:
        arguments, lines = asked["arguments"], asked["lines"]
        remark = f"<!-- output: {arguments}{f' | {lines} lines' if lines else ''} -->"
        return f"{remark}\n```text\n{printed(arguments, lines)}\n```\n"

    return ASKED.sub(made, text)


def main() -> None:
    """Make the outputs of every page anew."""
    for page in sorted(HERE.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        page.write_text(with_outputs(text), encoding="utf-8")


if __name__ == "__main__":
    main()
