"""Rules of the radio link: transmitter and receiver speak the same protocol in the same band."""

from __future__ import annotations

from typing import Final

from pwmscope.bench.sheet import BenchSheet
from pwmscope.bench.wiring.rule import Judgement, Rule, breaks, meets, unknown


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


RULES: Final = (
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
