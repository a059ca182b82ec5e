"""What a wiring rule is, and what it says of one bench sheet."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from pwmscope.bench.equipment import BenchChannel, BenchSheet
from pwmscope.bench.toml_text import KeyPath
from pwmscope.model import Verdict


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a rule says of one sheet.

    Parameters
    ----------
    verdict : Verdict
        ``not shown`` where the sheet does not state enough.
    sentence : str
        The answer for a person.
    advice : str
        What to do about it; empty where there is nothing to do.
    at : tuple of tuple of str
        The tables of the sheet that the answer is about.
    """

    verdict: Verdict
    sentence: str
    advice: str = ""
    at: tuple[KeyPath, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """One rule of wiring.

    Parameters
    ----------
    name : str
        Its name.
    demands : str
        What it demands, as a sentence.
    reason : str
        Why, as a sentence.
    source : str
        Where it comes from; "common practice" for a fact of the trade.
    judge : callable
        Holds a sheet against it.
    """

    name: str
    demands: str
    reason: str
    source: str
    judge: Callable[[BenchSheet], Judgement]


@dataclass(frozen=True, slots=True)
class Ruling:
    """A rule held against one sheet.

    Parameters
    ----------
    name, reason, source : str
        As the rule has them.
    verdict : Verdict
        What the sheet shows.
    sentence, advice : str
        The answer for a person, and what to do.
    at : tuple of tuple of str
        The tables of the sheet that the answer is about.
    """

    name: str
    verdict: Verdict
    sentence: str
    reason: str
    advice: str
    source: str
    at: tuple[KeyPath, ...]


def meets(sentence: str) -> Judgement:
    """Make the judgement of a rule that is met."""
    return Judgement(Verdict.MEETS, sentence)


def breaks(sentence: str, advice: str, at: Iterable[KeyPath]) -> Judgement:
    """Make the judgement of a rule that is not met."""
    return Judgement(Verdict.DOES_NOT_MEET, sentence, advice, tuple(at))


def unknown(sentence: str, advice: str, at: Iterable[KeyPath] = ()) -> Judgement:
    """Make the judgement where the sheet does not state enough."""
    return Judgement(Verdict.NOT_SHOWN, sentence, advice, tuple(at))


def named(channel: BenchChannel) -> str:
    r"""Name a device in a sentence.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
    >>> sheet = parse_sheet("[channels.RX3]\nrole = 'weapon'\ndevice = 'drum ESC'")
    >>> named(sheet.channels["RX3"])
    'RX3 (drum ESC)'
    """
    return f"{channel.line} ({channel.device or channel.role})"


def listed(names: Iterable[str]) -> str:
    """List names in a sentence.

    Examples
    --------
    >>> listed(["RX1", "RX2", "RX3"]), listed(["RX1"])
    ('RX1, RX2 and RX3', 'RX1')
    """
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def verb(count: int, one: str, many: str) -> str:
    """Choose the form of a word by how many it is about.

    Examples
    --------
    >>> verb(1, "draws", "draw"), verb(2, "draws", "draw")
    ('draws', 'draw')
    """
    return one if count == 1 else many
