"""Sentences that may hold a hostile name, made fit to be shown."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import PurePath
from typing import Final

from pwmscope.findings import Finding, Findings, Verdict
from pwmscope.report.document.blocks import Look, Run, Words
from pwmscope.report.sentences import say_line, say_value

MOST_LETTERS: Final = 600
"""Letters of one sentence that are shown at most."""
MOST_LETTERS_OF_FILE: Final = 80
MANY_CHANNELS: Final = 3
"""From so many on, all channels are not named one by one."""
_LOOKS: Final = {
    Verdict.MEETS: Look.MEETS,
    Verdict.NOT_SHOWN: Look.NOT_SHOWN,
    Verdict.DOES_NOT_MEET: Look.DOES_NOT_MEET,
}


@dataclass(frozen=True, slots=True)
class Wording:
    """Turns findings into words, with every name of the recording made fit.

    Parameters
    ----------
    names : mapping of str to str
        What to write for each name that cannot be shown as it is, longest first.
    channels : tuple of str
        The channels, in order.
    """

    names: Mapping[str, str]
    channels: tuple[str, ...]

    @classmethod
    def of(cls, findings: Findings, others: Iterable[str] = ()) -> Wording:
        """Learn the names of a recording's lines, and of others such as a bench sheet's."""
        names = {name: isolated(say_line(name)) for name in (*findings.capture.lines, *others)}
        changed = [name for name, shown in names.items() if name != shown and name]
        by_length = sorted(changed, key=len, reverse=True)
        return cls({name: names[name] for name in by_length}, tuple(findings.channels))

    def text(self, sentence: str) -> str:
        """Write a sentence as text."""
        return plain(sentence, self.names)

    def say(self, sentence: str) -> Words:
        """Write a sentence as words."""
        return (Run(self.text(sentence)),) if sentence else ()

    def grouped(self, named: Mapping[str, list[str]]) -> Words:
        """Write findings' names with their lines, those of the same lines together."""
        together: dict[tuple[str, ...], list[str]] = {}
        for name, of in named.items():
            together.setdefault(tuple(dict.fromkeys(of)), []).append(name)
        words: list[Run] = []
        for lines, names in together.items():
            words += [Run("; ")] if words else []
            words += [Run(f"{', '.join(names)} ("), *self.lines(lines), Run(")")]
        return (*words, Run("."))

    def value(self, finding: Finding) -> Words:
        """Write a finding's value; a bare count says that it is one."""
        counted = isinstance(finding.value, int | float) and not finding.unit
        return self.say(say_value(finding) + (" counted" if counted else ""))

    def lines(self, names: Iterable[str]) -> Words:
        """Write lines' names with commas between them; all of many channels as such."""
        named = tuple(names)
        if len(named) >= MANY_CHANNELS and named == self.channels:
            return (Run(f"all {len(named)} channels", Look.STRONG),)
        words: list[Run] = []
        for name in named:
            words += ([Run(", ")] if words else []) + [line_run(name)]
        return tuple(words)


def line_run(name: str, target: str = "") -> Run:
    """Write one line's name."""
    return Run(isolated(say_line(name)) or "(no name)", Look.NAME, target)


def verdict_run(verdict: Verdict | None) -> Run:
    """Write a verdict; a value without a limit is just measured.

    Examples
    --------
    >>> verdict_run(Verdict.MEETS).look.value, verdict_run(None).text
    ('meets', 'measured')
    """
    return Run("measured") if verdict is None else Run(verdict.value, _LOOKS[verdict])


def file_name(source: str) -> str:
    """Write the name of a recording's file, without the folders before it.

    Examples
    --------
    >>> file_name("/home/someone/bench.csv")
    'bench.csv'
    """
    return isolated(plain(PurePath(source).name or source, {}, MOST_LETTERS_OF_FILE))


def isolated(name: str) -> str:
    """Keep a name written from right to left from reordering the words around it."""
    if any(unicodedata.bidirectional(letter) in {"R", "AL", "AN"} for letter in name):
        return f"\u2068{name}\u2069"
    return name


def plain(text: str, names: Mapping[str, str], most: int = MOST_LETTERS) -> str:
    r"""Make a sentence that may hold a hostile name fit to be shown.

    Parameters
    ----------
    text : str
        The sentence.
    names : mapping of str to str
        What to write for each name that cannot be shown as it is, longest first.
    most : int, optional
        Letters that are kept.

    Returns
    -------
    str
        Without control characters, and shortened where it is too long.

    Examples
    --------
    >>> plain("Line a\x00b: idle.", {"a\x00b": "a?b"}), plain("x" * 9, {}, 4)
    ('Line a?b: idle.', 'xxx…')
    """
    if names:
        pattern = "|".join(re.escape(name) for name in names)
        text = re.sub(pattern, lambda found: names[found[0]], text)
    marks = "\u2068\u2069" if names else ""
    text = "".join(c if c.isprintable() or c in marks else "?" for c in text)
    if len(text) <= most:
        return text
    kept = text[: most - 1]
    return kept + "\u2069" * (kept.count("\u2068") - kept.count("\u2069")) + "…"
