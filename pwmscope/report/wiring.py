"""A bench sheet's wiring rulings, and how late its marker is, as text and as data."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator
from typing import TYPE_CHECKING, Final

from pwmscope.bench import CAUTIONS, format_key
from pwmscope.capture import Capture
from pwmscope.findings import MarkerDelay
from pwmscope.model import Verdict, format_plainly
from pwmscope.report.data import Json, capture_data, finding_data, json_text, picked
from pwmscope.report.sentences import RULEBOOK

if TYPE_CHECKING:
    from pwmscope.bench import Feed, Ruling, Wiring

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

    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench import check_wiring
    >>> sheet = parse_sheet("[channels.A]\nrole = 'servo'\nfeeds_5v = false")
    >>> text = wiring_text(check_wiring(sheet))
    >>> print(text.splitlines()[0])
    does not meet: Nothing on this sheet powers the receiver, so it stays dark.
    """
    answer = wiring.answer
    parts = [f"{answer.verdict.value}: {answer.sentence}", count_sentence(wiring), ""]
    for number, ruling in enumerate(wiring.rulings, 1):
        parts += _ruling_lines(number, ruling)
    parts += ["", BEFORE_POWER, *(_wrapped(caution, "- ") for caution in CAUTIONS)]
    parts += ["", _wrapped(ONLY_THE_SHEET, "")]
    return "\n".join("\n".join(map(format_plainly, part.split("\n"))) for part in parts) + "\n"


def count_sentence(wiring: Wiring) -> str:
    """Say how many rules are met.

    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench import check_wiring
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


def _ruling_lines(number: int, ruling: Ruling) -> list[str]:
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


SCHEMA: Final = 1


def wiring_data(wiring: Wiring) -> dict[str, Json]:
    """Turn the rulings into plain data, following schema 1."""
    return {
        "schema": SCHEMA,
        "sheet": wiring.sheet.source,
        "robot": wiring.sheet.robot,
        "verdict": wiring.verdict.value,
        "answer": picked(wiring.answer, "verdict sentence"),
        "rules": [_ruling_data(ruling) for ruling in wiring.rulings],
        "sources": [_feed_data(feed) for feed in wiring.feeds],
        "cautions": list(CAUTIONS),
    }


def wiring_json(wiring: Wiring) -> str:
    """Write the rulings as JSON text, two spaces deep, ending in a line break."""
    return json_text(wiring_data(wiring))


def _ruling_data(ruling: Ruling) -> dict[str, Json]:
    kept = picked(ruling, "name verdict sentence reason advice source")
    return {**kept, "at": [format_key(path) for path in ruling.at]}


def _feed_data(feed: Feed) -> dict[str, Json]:
    return {
        "name": feed.said,
        "at": format_key(feed.path),
        "cable": feed.cable,
        "powers_receiver": feed.powers,
        **picked(feed, "voltage_v continuous_a"),
    }


def marker_paragraphs(found: MarkerDelay) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    delay, *others = found.findings
    said = "MARKER measured" if found.is_shown else "MARKER not shown"
    yield f"{said}: {delay.sentence}", [f"{f.name}: {f.sentence}" for f in others if found.is_shown]
    if found.keys:
        stated = [f"{key} = {value:g}" for key, value in found.keys.items()]
        yield "For [marker] in the sheet", stated
        yield "", ["Measure again with a low transmitter battery, or when the sensor is moved."]
    elif found.is_shown:
        yield "", ["A sheet cannot keep such a delay. Repeat the calibration, or fit a switch."]
    if found.unused:
        yield "Not used", list(found.unused)
    yield "", [RULEBOOK]


def marker_json(capture: Capture, found: MarkerDelay) -> str:
    """Write how late a marker is as JSON, following schema 1."""
    return json_text({
        "schema": SCHEMA,
        "capture": capture_data(capture),
        **picked(found.marker, "line kind"),
        "off_s": found.offs_s.tolist(),
        "last_fresh_s": found.last_fresh_s.tolist(),
        "unused": list(found.unused),
        "findings": [finding_data(finding) for finding in found.findings],
        "keys": dict(found.keys),
    })  # fmt: skip
