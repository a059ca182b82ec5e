"""The wiring rules held against a bench sheet, the answer to the first of them first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pwmscope.bench.equipment import BenchSheet
from pwmscope.bench.wiring import outputs, power
from pwmscope.bench.wiring.power import Feed, feeds_of
from pwmscope.bench.wiring.rule import Judgement, Rule, Ruling, breaks, meets, unknown
from pwmscope.model import Verdict, governing

ROUNDING: Final = 1e-9
"""A divided level may lie above the one it equals by what arithmetic rounds."""


def divided_v(signal_v: float, divider_ohm: tuple[float, float]) -> float:
    """Work out the level behind a divider without load.

    Examples
    --------
    >>> divided_v(5.0, (10_000.0, 15_000.0))
    3.0
    """
    upper_ohm, lower_ohm = divider_ohm
    return signal_v * lower_ohm / (upper_ohm + lower_ohm)


def judge_signal_level(sheet: BenchSheet) -> Judgement:
    """Hold the level at the analyser's inputs against what they take."""
    analyser, signal_v = sheet.analyser, sheet.receiver.signal_v
    if analyser.input_v is None:
        return unknown(
            "What voltage the analyser's inputs take is not stated.",
            "Read it in the analyser's manual and state analyser.input_v.",
            [("analyser",)],
        )
    if analyser.shifted_v is not None:
        level_v, how = analyser.shifted_v, "behind the level shifter"
    elif signal_v is None:
        return unknown(
            "The level of the receiver's signal is not stated; many give 3.3 V, some 5 V "
            "(common practice).",
            "Read it in the receiver's manual, or measure a signal pin. State receiver.signal_v; "
            "until then count on the supply voltage.",
            [("receiver",)],
        )
    elif analyser.divider_ohm is not None:
        level_v, how = divided_v(signal_v, analyser.divider_ohm), "behind the divider"
    else:
        level_v, how = signal_v, "from the receiver"
    said = f"{level_v:.3g} V {how} at inputs that take {analyser.input_v:g} V"
    if level_v <= analyser.input_v * (1.0 + ROUNDING):
        return meets(f"The signal's level fits: {said}.")
    return breaks(
        f"The signal's level is too high: {said}.",
        _lower(signal_v, analyser.input_v),
        [("analyser",)],
    )


def _lower(signal_v: float | None, input_v: float) -> str:
    if signal_v is None or signal_v <= input_v:
        return f"Take a level shifter to at most {input_v:g} V."
    ratio = input_v / (signal_v - input_v)
    return (
        f"Put a level shifter to at most {input_v:g} V before the inputs, or a divider. Its "
        f"resistor to ground is at most {_down(ratio)} times the one to the signal."
    )


def _down(ratio: float) -> str:
    """Write a ratio with two places, never rounded up."""
    return f"{int(ratio * 100.0) / 100.0:g}"


def judge_ground_first(sheet: BenchSheet) -> Judgement:
    """Ask whether the analyser's ground is connected before its inputs."""
    first = sheet.analyser.ground_first
    if first is None:
        return unknown(
            "Whether the analyser's ground is connected before its inputs is not stated.",
            "Connect its ground to one of the receiver's ground pins first, then the inputs, and "
            "state analyser.ground_first = true.",
            [("analyser",)],
        )
    if not first:
        return breaks(
            "The analyser's inputs are connected before its ground.",
            "Take the inputs off, connect the analyser's ground to one of the receiver's ground "
            "pins, then the inputs again.",
            [("analyser",)],
        )
    return meets("The analyser's ground is connected before its inputs.")


_PROBING_RULES: Final = (
    Rule(
        "signal level",
        "The level at the analyser's inputs is at most what they take.",
        "5 V into an input for 3.3 V can destroy it, and what hangs on it.",
        "the analyser's manual; U R2 / (R1 + R2) for a divider: Ohm's law",
        judge_signal_level,
    ),
    Rule(
        "ground first",
        "Analyser and receiver share their ground before any signal is connected.",
        "Without it the current returns through the inputs, and levels mean nothing.",
        "common practice",
        judge_ground_first,
    ),
)


def judge_protocol(sheet: BenchSheet) -> Judgement:
    """Compare the stated link protocols."""
    return _compare("protocol", sheet.transmitter.protocol, sheet.receiver.protocol)


def judge_band(sheet: BenchSheet) -> Judgement:
    """Compare the stated radio bands."""
    return _compare("band", sheet.transmitter.band, sheet.receiver.band)


def _compare(key: str, sent: str, taken: str) -> Judgement:
    sides = {"transmitter": sent, "receiver": taken}
    unstated = [side for side, said in sides.items() if not said.strip()]
    if unstated:
        whose = "'s and the ".join(unstated)
        return unknown(
            f"The {whose}'s {key} is not stated.",
            f"Read it in the settings or the manual and state {key} in "
            f"{' and '.join(f'[{side}]' for side in unstated)}.",
            [(side,) for side in unstated],
        )
    if _folded(sent) != _folded(taken):
        return breaks(
            f'The transmitter\'s {key} is "{sent}", the receiver\'s "{taken}".',
            f"Set both to the same {key}, or take a receiver that has the transmitter's. If both "
            "mean the same, write both alike.",
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
    *_PROBING_RULES,
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
    >>> from pwmscope.bench import parse_sheet
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
