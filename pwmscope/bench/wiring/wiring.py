"""The wiring rules held against a bench sheet, the answer to the first of them first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pwmscope.bench.sheet import BenchSheet
from pwmscope.bench.wiring import devices, link, outputs, power, probing
from pwmscope.bench.wiring.feeds import Feed, feeds_of
from pwmscope.bench.wiring.rule import Rule, Ruling
from pwmscope.model.verdict import Verdict, governing

RULES: Final[tuple[Rule, ...]] = (
    *power.RULES,
    *link.RULES,
    *outputs.RULES,
    *devices.RULES,
    *probing.RULES,
)
"""All wiring rules; that of the one source comes first."""


@dataclass(frozen=True, slots=True)
class Wiring:
    """What a bench sheet says about the wiring.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet.
    feeds : tuple of Feed
        Everything on it that may power the receiver.
    rulings : tuple of Ruling
        One for each rule, in the order of `RULES`.
    """

    sheet: BenchSheet
    feeds: tuple[Feed, ...]
    rulings: tuple[Ruling, ...]

    @property
    def answer(self) -> Ruling:
        """Whether exactly one source powers the receiver."""
        return self.rulings[0]

    @property
    def verdict(self) -> Verdict:
        """The verdict over all rules."""
        return governing(ruling.verdict for ruling in self.rulings)


def check_wiring(sheet: BenchSheet) -> Wiring:
    r"""Hold a bench sheet against every wiring rule.

    Parameters
    ----------
    sheet : BenchSheet

    Returns
    -------
    Wiring

    Examples
    --------
    >>> from pwmscope.bench.sheet import parse_sheet
    >>> wiring = check_wiring(parse_sheet("[channels.RX1]\nrole='weapon'\nfeeds_5v = true"))
    >>> wiring.answer.sentence, wiring.verdict.value
    ('Exactly one source powers the receiver: RX1 (weapon), 5 V.', 'not shown')
    """
    rulings = []
    for rule in RULES:
        found = rule.judge(sheet)
        rulings.append(
            Ruling(
                name=rule.name,
                verdict=found.verdict,
                sentence=found.sentence,
                reason=rule.reason,
                advice=found.advice,
                source=rule.source,
                at=found.at,
            )
        )
    return Wiring(sheet, feeds_of(sheet), tuple(rulings))
