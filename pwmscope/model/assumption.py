"""What was assumed while a recording was read: fields first, and the sentence made from them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, TypeAlias

from pwmscope.errors import named

Authority: TypeAlias = Literal["person", "file", "data", "convention", ""]


@dataclass(frozen=True, eq=False, repr=False)
class Assumption(str):
    """One thing assumed about a recording.

    It is its sentence: it prints, compares and joins as that text. Whoever wants to act
    on it reads the fields instead of the words.

    Examples
    --------
    >>> assumed = Assumption("Column 't' is time in us.", "time unit", "us", source="file",
    ...                      arguments=("time_unit",))
    >>> print(assumed, assumed.value, assumed.arguments)
    Column 't' is time in us. us ('time_unit',)
    >>> assumed == "Column 't' is time in us."
    True
    """

    # The assumption for a person, made from the other fields. It may name an argument of `load` in
    # backticks.
    sentence: str
    what: str = ""  # What it is about, such as `time unit` or `sampling interval`
    value: object = None  # What was assumed of it; None where it could not be told
    unit: str = ""  # Unit of the value, where it has one
    # Who or what says so: the person's argument, a statement in the file, what the numbers show, or
    # what is usual where nothing says it
    source: Authority = ""
    arguments: tuple[str, ...] = ()  # The arguments of `load` that change it

    def __new__(cls, sentence: str, *_fields: object, **_named: object) -> Assumption:
        """Make the text itself; the fields are set as in every dataclass."""
        return super().__new__(cls, named(sentence))

    @property
    def changed_by(self) -> tuple[str, ...]:
        """Arguments that would change it, none where the person has given one already."""
        return () if self.source == "person" else self.arguments


def assumed(sentences: Iterable[str]) -> tuple[Assumption, ...]:
    """Take plain sentences for assumptions that no argument changes."""
    return tuple(s if isinstance(s, Assumption) else Assumption(str(s)) for s in sentences)
