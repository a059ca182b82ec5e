"""The wiring rules held against a bench sheet, the answer to the first of them first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pwmscope.bench.equipment import BenchSheet
from pwmscope.bench.wiring import outputs, power, probing
from pwmscope.bench.wiring.power import Feed, feeds_of
from pwmscope.bench.wiring.rule import Judgement, Rule, Ruling, breaks, meets, unknown
from pwmscope.model.verdict import Verdict, governing


def judge_protocol(sheet: BenchSheet) -> Judgement:
    """Compare the stated link protocols."""
    return _compare("protocol", sheet.transmitter.protocol, sheet.receiver.protocol)


def judge_band(sheet: BenchSheet) -> Judgement:
    """Compare the stated radio bands."""
    return _compare("band", sheet.transmitter.band, sheet.receiver.band)


def _compare(key: str, sent: str, taken: str) -> Judgement:
    sides = {"transmitter": sent, "receiver": taken}
    silent = [side for side, said in sides.items() if not said.strip()]
    if silent:
        whose = "'s and the ".join(silent)
        return unknown(
            f"The {whose}'s {key} is not stated.",
            f"Read it in the settings or the manual and state {key} in "
            f"{' and '.join(f'[{side}]' for side in silent)}.",
            [(side,) for side in silent],
        )
    if _folded(sent) != _folded(taken):
        return breaks(
            f'The transmitter\'s {key} is "{sent}", the receiver\'s "{taken}".',
            f"Set both to the same {key}, or take a receiver that has the transmitter's; if both "
            "mean the same, write both in the same words.",
            [("transmitter",), ("receiver",)],
        )
    return meets(f'Transmitter and receiver both state the {key} "{sent}".')


def _folded(text: str) -> str:
    return "".join(text.split()).casefold()


_LINK_RULES: Final = (
    Rule(
        "link protocol",
        "Transmitter and receiver have the same link protocol.",
        "They can only be bound to each other if they speak the same one.",
        "common practice",
        judge_protocol,
    ),
    Rule(
        "radio band",
        "Transmitter and receiver use the same radio band.",
        "A receiver hears nothing outside its own band.",
        "common practice",
        judge_band,
    ),
)


RULES: Final[tuple[Rule, ...]] = (
    *power.RULES,
    *_LINK_RULES,
    *outputs.RULES,
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
