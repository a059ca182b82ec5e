"""What the bench sheet says about the wiring, as text for a terminal."""

from __future__ import annotations

import re
import textwrap
from typing import Final

from pwmscope.bench import CAUTIONS
from pwmscope.bench.wiring import Ruling, Wiring
from pwmscope.model import Verdict, format_plainly

COLUMNS: Final = 100
_NAME: Final = 24
_BEFORE_UNIT: Final = re.compile(r"(?<=[0-9]) (?=(?:V|A|s|us|ohm)\b)")
BEFORE_POWER: Final = "Before anything is powered:"
ONLY_THE_SHEET: Final = (
    "This is what the bench sheet states; nobody has looked at the wires for it. The event's "
    "rulebook and its safety officer decide."
)


def wiring_text(wiring: Wiring) -> str:
    r"""Write every ruling, the answer on the first line, the cautions at the end.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench.wiring import check_wiring
    >>> sheet = parse_sheet("[channels.A]\nrole = 'servo'\nfeeds_5v = false")
    >>> text = wiring_text(check_wiring(sheet))
    >>> print(text.splitlines()[0])
    does not meet: Nothing on this sheet powers the receiver, so it stays dark.
    """
    answer = wiring.answer
    parts = [f"{answer.verdict.value}: {answer.sentence}", count_sentence(wiring), ""]
    for number, ruling in enumerate(wiring.rulings, 1):
        parts += _ruling(number, ruling)
    parts += ["", BEFORE_POWER, *(_wrapped(caution, "- ") for caution in CAUTIONS)]
    parts += ["", _wrapped(ONLY_THE_SHEET, "")]
    return "\n".join("\n".join(map(format_plainly, part.split("\n"))) for part in parts) + "\n"


def count_sentence(wiring: Wiring) -> str:
    """Say how many rules are met.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench.wiring import check_wiring
    >>> count_sentence(check_wiring(parse_sheet("")))
    'Of 11 wiring rules 0 are met, 0 are not met and 11 are not shown by this sheet.'
    """
    counts = [
        sum(ruling.verdict is verdict for ruling in wiring.rulings)
        for verdict in (Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN)
    ]
    met, broken, open_ = (f"{count} {'is' if count == 1 else 'are'}" for count in counts)
    return (
        f"Of {len(wiring.rulings)} wiring rules {met} met, {broken} not met and {open_} not shown "
        "by this sheet."
    )


def _ruling(number: int, ruling: Ruling) -> list[str]:
    lead = f"{ruling.verdict.value:14}{number:2} {ruling.name:{_NAME}}"
    lines = [_wrapped(ruling.sentence, lead)]
    if ruling.verdict is not Verdict.MEETS:
        lines.append(_wrapped(f"Why: {ruling.reason} ({ruling.source})", " " * 17, 5))
        lines.append(_wrapped(f"Do:  {ruling.advice}", " " * 17, 5))
    return lines


def _wrapped(text: str, lead: str, hanging: int = 0) -> str:
    """Break a sentence at the last column, but not between a number and its unit."""
    indent = " " * (len(lead) + hanging)
    bound = _BEFORE_UNIT.sub("\u00a0", format_plainly(text))
    filled = textwrap.fill(
        bound, COLUMNS, initial_indent=lead, subsequent_indent=indent, break_on_hyphens=False
    )
    return filled.replace("\u00a0", " ")
