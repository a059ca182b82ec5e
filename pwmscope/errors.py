"""The one kind of error a person sees: what was found, where, and what to do."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from numbers import Real
from typing import Final, TypeAlias

ARGUMENT: Final = re.compile(
    r"`(?P<name>[a-z_]+)(?:=(?P<quote>['\"]?)(?P<value>[^`]*?)(?P=quote))?`"
)
"""How a sentence names an argument of a function, alone or with an example of its value."""


Naming: TypeAlias = Mapping[str, str | Callable[[str | None], str]]
"""How arguments are named: another name, or what makes one of the value beside it."""
_OPTIONS: ContextVar[Naming | None] = ContextVar("options", default=None)


@contextmanager
def naming(option_of: Naming | None) -> Iterator[None]:
    """Let sentences that are made inside the block name options instead of arguments.

    >>> with naming({"rate": "--rate"}):
    ...     print(PwmscopeError("The rate is needed; add `rate`, for example `rate='1MHz'`."))
    The rate is needed; add --rate, for example --rate 1MHz.
    """
    token = _OPTIONS.set(option_of)
    try:
        yield
    finally:
        _OPTIONS.reset(token)


@contextmanager
def naming_by_default(option_of: Naming) -> Iterator[None]:
    """Do the same where no block outside has named them.

    >>> with naming({"rate": "--rate"}), naming_by_default({"rate": "`hints`"}):
    ...     print(PwmscopeError("Add `rate`."))
    Add --rate.
    """
    outside = _OPTIONS.get()
    with naming(option_of if outside is None else outside):
        yield


class Reason(str):
    """Why something is not shown, as a sentence, with its two parts as fields.

    >>> reason = Reason("Only 3 s were seen.", "Record at least 30 s.")
    >>> print(reason)
    Only 3 s were seen. Record at least 30 s.
    >>> reason.to_do
    'Record at least 30 s.'
    """

    why: str
    to_do: str  # What to do so that it is shown

    def __new__(cls, why: str, to_do: str) -> Reason:
        """Join the parts."""
        made = super().__new__(cls, f"{why} {to_do}")
        made.why, made.to_do = why, to_do
        return made

    def __reduce__(self) -> tuple[type[Reason], tuple[str, str]]:
        return Reason, (self.why, self.to_do)


def preceded(by: str, reason: str) -> str:
    """Put a sentence before a reason, which keeps what to do as a field."""
    if isinstance(reason, Reason):
        return Reason(f"{by} {reason.why}", reason.to_do)
    return f"{by} {reason}"


def named(sentence: str) -> str:
    """Write a sentence in the names of whoever asked: arguments in backticks, or options."""
    option_of = _OPTIONS.get()
    if option_of is None or "`" not in sentence:
        return sentence
    if isinstance(sentence, Reason):
        return Reason(named(sentence.why), named(sentence.to_do))

    def option(match: re.Match[str]) -> str:
        known = option_of.get(match["name"])
        if known is None:
            return match[0]
        value = match["value"]
        if callable(known):
            return known(value)
        return known if value in (None, "True") else f"{known} {value}"

    return ARGUMENT.sub(option, sentence)


def plain_text(text: str) -> str:
    r"""Write control characters and bytes that are no letters as escapes, so that all may print.

    >>> print(plain_text("a\x1b[2J\udcff.csv"))
    a\x1b[2J\xff.csv
    """
    if text.isprintable():
        return text
    return "".join(map(_escaped, text))


def _escaped(letter: str) -> str:
    code = ord(letter)
    if letter.isprintable() or unicodedata.category(letter) == "Zs":
        return letter
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a file's name that is no UTF-8
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def shortened(sentence: str, most: int = 390) -> str:
    """Cut the middle out of a sentence that is too long to be read; its end says what to do.

    >>> shortened("The file aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaa is none.", 30)
    'The file aaaaa ... aa is none.'
    """
    if len(sentence) <= most:
        return sentence
    head = max(1, most // 2 - 1)
    tail = most - head - 5
    return f"{sentence[:head]} ... {sentence[-tail:]}"


class PwmscopeError(Exception):
    """Base of every error that pwmscope raises on purpose.

    Its text is one or two whole sentences for a person. Arguments of functions stand in
    backticks; the command line names its options instead, and ends with exit code 2.

    Parameters
    ----------
    sentence : str
        What was found, where, and what to do.

    Examples
    --------
    >>> error = PwmscopeError("a.csv: the rate is needed; add `rate`, for example `rate='1MHz'`.")
    >>> error.arguments
    ('rate',)
    """

    def __init__(self, sentence: str) -> None:
        super().__init__(shortened(plain_text(named(sentence))))
        told = list(ARGUMENT.finditer(sentence))
        self.arguments = tuple(dict.fromkeys(m["name"] for m in told))
        """Names of the arguments that would mend it, in the order they are named."""
        self.choices: dict[str, tuple[str, ...]] = {
            m["name"]: (m["value"],) for m in told if m["value"]
        }
        """Values to offer for an argument, where there are such."""

    def __reduce__(self) -> tuple[object, ...]:
        """Let an error cross from a worker's process as it is."""
        return _revived, (type(self), self.args, self.__dict__)


def _revived(
    kind: type[PwmscopeError], args: tuple[object, ...], fields: dict[str, object]
) -> PwmscopeError:
    error = kind.__new__(kind)
    error.args = args
    error.__dict__.update(fields)
    return error


class CaptureError(PwmscopeError):
    """A recording could not be read: what was found in the file, and what to do about it.

    Rows are counted from 1, as an editor does; `choices` are values to offer for an argument that
    the remedy names.

    >>> print(CaptureError("a.csv", "the level is 'x', expected 0 or 1",
    ...                    "export this line as digital levels", row=3, column="RX1"))
    a.csv, row 3, column RX1: the level is 'x', expected 0 or 1; export this line as digital levels.
    """

    def __init__(
        self,
        source: str,
        found: str,
        remedy: str,
        *,
        row: int | None = None,
        column: str | None = None,
        choices: Mapping[str, tuple[str, ...]] | None = None,
    ) -> None:
        place = source
        if row is not None:
            place += f", row {row}"
        if column is not None:
            place += f", column {column}"
        super().__init__(f"{place}: {found}; {remedy}.")
        self.source = source
        self.row = row
        self.column = column
        self.choices.update(choices or {})


class HintError(PwmscopeError):
    """A hint or option given by the person cannot be used as it stands."""


class OutputError(PwmscopeError):
    """A result could not be written."""


class ArgumentError(HintError):
    """An argument of a public function is not what the function takes.

    What was found reads after "is", what is taken after "expected"; the remedy is a sentence.

    >>> print(ArgumentError("sheet", "the number 3", "a bench sheet or its file"))
    The argument sheet is the number 3; expected a bench sheet or its file.
    """

    def __init__(self, argument: str, found: str, expected: str, remedy: str = "") -> None:
        self.argument = argument
        self.found = found
        self.expected = expected
        self._said = f"{found}; expected {expected}. {remedy}".rstrip()
        super().__init__(f"The argument {argument} is {self._said}")

    def about(self, subject: str) -> str:
        """Write the sentence about what the person gave, such as an option.

        >>> ArgumentError("span", "empty", "two times").about("--from")
        '--from: empty; expected two times.'
        """
        return f"{subject}: {self._said}"


def require_type(
    argument: str, value: object, kinds: type | tuple[type, ...], expected: str, remedy: str = ""
) -> None:
    """Refuse a value that is of none of some types; a truth value is no number.

    >>> require_type("rate", 1e6, (int, float, str), "a rate")
    """
    taken = kinds if isinstance(kinds, tuple) else (kinds,)
    is_truth_value = isinstance(value, bool) and bool not in taken
    if is_truth_value or not isinstance(value, taken):
        raise ArgumentError(argument, format_given(value), expected, remedy)


def require_number(
    argument: str, value: object, expected: str, *, least: float = -math.inf, most: float = math.inf
) -> None:
    """Refuse what is no finite number within two bounds, both included.

    >>> require_number("from_s", 0.5, "seconds", least=0.0)
    """
    require_type(argument, value, Real, expected)
    assert isinstance(value, Real)  # just seen
    if not (math.isfinite(value) and least <= float(value) <= most):
        raise ArgumentError(argument, format_given(value), expected)


def format_given(value: object) -> str:
    """Write what was given for an argument: a short value itself, otherwise its type.

    >>> format_given("bench.toml"), format_given(3), format_given([1, 2])
    ("the text 'bench.toml'", 'the number 3', 'a list')
    """
    if value is None or isinstance(value, bool):
        return str(value)
    if isinstance(value, str):
        shown = value if len(value) <= _MAX_SHOWN else f"{value[:_MAX_SHOWN]}..."
        return f"the text {shown!r}"
    if isinstance(value, int | float):
        return f"the number {value!r}"
    if isinstance(value, type):
        return f"the class {value.__name__}"
    kind = type(value)
    package = kind.__module__.partition(".")[0]
    name = kind.__name__ if package in {"builtins", "pwmscope"} else f"{package} {kind.__name__}"
    return f"{'an' if name[0] in 'aeiouAEIO' else 'a'} {name}"


_MAX_SHOWN: Final = 40
