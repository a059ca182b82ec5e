"""A small TOML file: its text, the line of each key, and what is wrong with it in one sentence."""

from __future__ import annotations

import json
import os
import re
from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TypeAlias, TypeVar

from pwmscope.errors import PwmscopeError, require_type

KeyPath: TypeAlias = tuple[str, ...]
NumberedPath: TypeAlias = tuple[str | int, ...]
"""A key with its tables, those in a list by their number from 0."""

DEEPEST: Final = 8
"""Parts of a dotted key that are read; a sheet has three."""
_PART: Final = r"""(?:[A-Za-z0-9_-]++|"(?:\\.|[^"\\\n])*+"|'[^'\n]*+')"""
_DEEP: Final = re.compile(
    rf"(?:^|(?<=[\[{{,]))[ \t]*+{_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST},}}+[ \t]*+[=\]]",
    re.MULTILINE,
)
"""A key of more parts; the TOML library takes minutes for thousands of them."""
_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")

_TOKEN: Final = re.compile(
    r'''"""(?:\\.|[^\\])*?"""(?!")|\'\'\'.*?\'\'\'(?!')'''
    r"""|"(?:\\.|[^"\\])*"|'[^']*'|\#[^\n]*|[\[{]|[\]}]|\n|[^"'\#\[\]{}\n]+""",
    re.DOTALL,
)
"""A string of one of TOML's four kinds, a comment, a bracket, a line's end, or other text."""


def key_lines(text: str) -> dict[NumberedPath, int]:
    r"""Find the line, from 1, of each key with its tables and of each heading in valid TOML.

    Keys inside an inline table stand on that table's line; tables in a list are counted from 0.

    >>> key_lines("[limits]\n\nfailsafe_s = 1 # s\nnote = {a = 1}")
    {('limits',): 1, ('limits', 'failsafe_s'): 3, ('limits', 'note'): 4, ('limits', 'note', 'a'): 4}
    """
    import tomllib  # noqa: PLC0415 - slow to import

    lines: dict[NumberedPath, int] = {}
    table: NumberedPath = ()
    counts: Counter[NumberedPath] = Counter()
    for line, statement in statements(text):
        paths = list(_paths(tomllib.loads(statement)))
        before = table
        if statement.lstrip().startswith("["):
            table, before = max(paths, key=len), ()
            name = table[:1]
            # A heading such as [[steps]] begins a table, one such as [steps.sticks] is in the last.
            if statement.lstrip().startswith("[[") and len(table) == 2:
                counts[name] += 1
            if name in counts:
                inner = (part for part in table[1:] if part != 0)
                table = (*name, counts[name] - 1, *inner)
                paths = [table[:end] for end in range(1, len(table) + 1)]
        for path in paths:
            lines.setdefault(before + path, line)
    return lines


def deep_key_line(text: str) -> int | None:
    r"""Find the line of the first dotted key with more than `DEEPEST` parts; None without one.

    >>> deep_key_line("a = 1.5\n" + ".".join("b" * 9) + " = 1"), deep_key_line("a.b.c = 1")
    (2, None)
    """
    found = _DEEP.search(text)
    return None if found is None else text.count("\n", 0, found.start()) + 1


def format_key(path: KeyPath) -> str:
    """Write a key with its tables as TOML does.

    >>> format_key(("channels", "RX 1", "role"))
    'channels."RX 1".role'
    """
    parts = (part if _BARE.fullmatch(part) else quoted(part) for part in path)
    return "".join(c if c.isprintable() else f"\\U{ord(c):08X}" for c in ".".join(parts))


def quoted(text: str) -> str:
    """Write a text as a TOML string; printable text needs no other escapes than JSON's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007F")


def statements(text: str) -> Iterator[tuple[int, str]]:
    """Cut valid TOML into its headings and assignments, each with its first line, from 1."""
    line, begun, depth, statement = 1, 1, 0, ""
    for token in _TOKEN.findall(text.replace("\r\n", "\n") + "\n"):
        depth += (token in ("[", "{")) - (token in ("]", "}"))
        line += token.count("\n")
        if token != "\n" or depth:
            statement += token
            continue
        if statement.strip():
            yield begun, statement
        statement, begun = "", line


def _paths(value: object, before: NumberedPath = ()) -> Iterator[NumberedPath]:
    """List the keys of a table and of the tables in it, those in a list by number."""
    parts: Iterator[tuple[str | int, object]] = iter(())
    if isinstance(value, Mapping):
        parts = iter(value.items())
    elif isinstance(value, list):
        parts = ((n, inner) for n, inner in enumerate(value) if isinstance(inner, Mapping))
    for key, inner in parts:
        yield (*before, key)
        yield from _paths(inner, (*before, key))


MAX_SHOWN: Final = 40
_PLACE: Final = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)$")
_Part = TypeVar("_Part", bound=Hashable)


class TomlError(PwmscopeError):
    """A TOML file cannot be used as it stands."""

    def __init__(self, source: str, line: int, key: str, found: str, allowed: str) -> None:
        place = f"{source}, line {line}" + (f", {key}" if key else "")
        super().__init__(f"{place}: {found}, expected {allowed}.")
        self.source = source
        self.line = line
        self.key = key
        self.allowed = allowed


def read_toml_text(
    path: str | os.PathLike[str], what: str, *, most_bytes: int, otherwise: str
) -> str:
    """Read a small file in UTF-8; ``otherwise`` says what to name instead of one too long.

    Raises `PwmscopeError` if it cannot be read, or has more than ``most_bytes``.
    """
    require_type("path", path, (str, os.PathLike), f"the path of a {what}")
    source = os.fspath(path)
    try:
        with Path(path).open("rb") as file:
            data = file.read(most_bytes + 1)
        text = data.decode("utf-8-sig") if len(data) <= most_bytes else None
    except FileNotFoundError:
        raise PwmscopeError(
            f"{source}: there is no such file; check the name and folder."
        ) from None
    except OSError as error:
        raise PwmscopeError(
            f"{source}: the {what} cannot be read ({error.strerror}); name a TOML file in UTF-8."
        ) from None
    except UnicodeDecodeError as error:
        begins = data[:2] in (b"\xff\xfe", b"\xfe\xff")
        found = "UTF-16" if begins else f"not UTF-8 (line {data[: error.start].count(10) + 1})"
        raise PwmscopeError(
            f"{source}: the {what} is written in {found}; save it as UTF-8 in your editor."
        ) from None
    if text is None:
        raise PwmscopeError(
            f"{source}: a {what} has a few kilobytes of text, this file more than "
            f"{most_bytes // 1024}; {otherwise}."
        )
    return text


def parse_toml(
    text: str, source: str, error: type[TomlError], *, deep: str, lines: str
) -> dict[str, Any]:
    """Read a text's tables, or raise ``error`` with what is expected of keys and lines instead."""
    import tomllib  # noqa: PLC0415 - slow to import

    line = deep_key_line(text)
    if line is not None:
        found = f"a key has more than {DEEPEST} parts with dots between"
        raise error(source, line, "", found, deep)
    try:
        return tomllib.loads(text)
    except RecursionError:
        found = "tables or lists are nested too deeply"
        raise error(source, 1, "", found, "at most three levels") from None
    except ValueError as fault:
        # All but a number of thousands of digits is a TOMLDecodeError.
        said = str(fault) if isinstance(fault, tomllib.TOMLDecodeError) else "a number is too long"
        place = _PLACE.search(said)
        at = int(place[1]) if place and place[1] else text.count("\n") + 1
        column = f" at column {place[2]}" if place and place[2] else ""
        rows = text.split("\n")
        slip = slip_in(rows[at - 1].rstrip("\r")) if at <= len(rows) else None
        if slip is not None:
            raise error(source, at, *slip) from None
        if _begins_a_recording(text):
            found = "this is not TOML, and begins as a recording does"
            raise error(source, 1, "", found, lines) from None
        what = said[: place.start()] if place else said
        found = f"this is not TOML ({short(what, 120)}{column})"
        raise error(source, at, "", found, lines) from None


_CURLY: Final = str.maketrans(
    dict.fromkeys("\u201c\u201d\u201e\u201f\u00ab\u00bb", '"')
    | dict.fromkeys("\u2018\u2019\u201a\u201b", "'")
)
_HEADING: Final = re.compile(r"\s*(\[{1,2})([^\[\]#]+)(\]{1,2})\s*(?:#.*)?")
_PAIR: Final = re.compile(r"""\s*([^="'#]+?)\s*(?:=|:\s)\s*([^#]*?)\s*(?:#.*)?""")
_NUMBER: Final = r"[-+]?\d+(?:[.,]\d+)?"
_VALUES: Final = (
    (rf"({_NUMBER})", r"\1", "a point before the decimals"),
    (
        rf"({_NUMBER})\s*(?P<unit>%|[^\W\d_]+)",
        r"\1",
        "a number alone, in the unit of the key's name",
    ),
    (
        rf"({_NUMBER})\s*(?:-|\u2013|to|\.\.+|;|,\s)\s*({_NUMBER})",
        r"[\1, \2]",
        "two numbers in brackets",
    ),
    (r"(?i:(true|yes))", "true", "true or false in small letters"),
    (r"(?i:(false|no))", "false", "true or false in small letters"),
    (r"([^\W\d][^\"'\[\]{}]*)", r'"\1"', "quotes round it"),
    (r'"([^"]*)', r'"\1"', "a quote at either end"),
)
"""How people write a value that TOML does not take: a pattern, what to write, and why."""


def slip_in(line: str) -> tuple[str, str, str] | None:
    """Explain a usual slip in a line that is not TOML: its key, what was found, what to write.

    >>> slip_in("failsafe_s = 2,0")
    ('failsafe_s', 'the value is 2,0', 'a point before the decimals: failsafe_s = 2.0')
    >>> slip_in("[channels.CH 3]")
    ('', 'a name with a blank has no quotes', '[channels."CH 3"]')
    >>> slip_in("a = [1") is None
    True
    """
    for key, found, better, why in () if _is_toml(line) else _better(line):
        if _is_toml(better):
            return key, found, ": ".join(part for part in (why, better) if part)
    return None


def _is_toml(line: str) -> bool:
    import tomllib  # noqa: PLC0415 - slow to import

    try:
        tomllib.loads(line)
    except ValueError:
        return False
    return True


def _better(line: str) -> Iterator[tuple[str, str, str, str]]:
    """Rewrite a line in the ways that may make it TOML; with its key, what was found, and why."""
    heading, pair = _HEADING.fullmatch(line), _PAIR.fullmatch(line)
    straight = line.translate(_CURLY)
    if straight != line:
        yield "", "a quote is curly", straight.strip(), "straight quotes"
    if heading is not None:
        parts = (part.strip() for part in heading[2].split("."))
        better = f"{heading[1]}{format_key(tuple(parts))}{heading[3]}"
        yield "", "a name with a blank has no quotes", better, ""
    if pair is None:
        return
    key, value = pair[1], pair[2]
    yield "", "there is no equals sign", f"{key} = {value}", ""
    joined = re.sub(r"\s+", "_", key)
    yield "", "a key has a blank", f"{joined} = {value}", ""
    found = f"the value is {short(value, MAX_SHOWN)}"
    for pattern, rewritten, why in _VALUES:
        match = re.fullmatch(pattern, value)
        if match is None:
            continue
        better = re.sub(r"(?<=\d),(?=\d)", ".", match.expand(rewritten))
        unit = match.groupdict().get("unit")
        is_own = unit is None or key.endswith((f"_{unit}", "percent" if unit == "%" else "_%"))
        yield key, found, f"{key} = {better}" if is_own else "", why


def refuse_other_kind(table: Mapping[str, Any], source: str, wanted: str) -> None:
    """Refuse a capture plan where a bench sheet is wanted, and the other way round.

    >>> refuse_other_kind({"steps": [{}]}, "plan.toml", "sheet")
    Traceback (most recent call last):
    pwmscope.errors.PwmscopeError: plan.toml is a capture plan; give it as `plan`.
    """
    if wanted == "sheet" and isinstance(table.get("steps"), list):
        raise PwmscopeError(f"{source} is a capture plan; give it as `plan`.")
    if wanted == "plan" and "steps" not in table and isinstance(table.get("channels"), Mapping):
        raise PwmscopeError(f"{source} is a bench sheet; give it as `sheet`.")


def _begins_a_recording(text: str) -> bool:
    """Say whether a text that is no TOML begins as a table or a value change dump does."""
    first = text.partition("\n")[0]
    cells = [cell for cell in re.split(r"[,;\t]", first) if cell.strip()]
    return first.startswith("$") or (len(cells) > 1 and not set("=[#") & set(first))


def line_of(lines: Mapping[tuple[_Part, ...], int], path: tuple[_Part, ...]) -> int:
    """Find the line of a key, or else of the nearest table round it that has one.

    >>> line_of({("limits",): 3}, ("limits", "failsafe_s")), line_of({}, ("robot",))
    (3, 1)
    """
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


def shown(value: object) -> str:
    """Write a value as TOML does, and not at length.

    >>> shown("rest"), shown(True), shown("x" * 99)
    ('"rest"', 'true', '"xxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxxx...')
    """
    # JSON writes all but times and non-finite numbers as TOML does.
    said = str(value) if isinstance(value, float) else json.dumps(value, default=str)
    return short(said, MAX_SHOWN)


def short(text: str, most: int) -> str:
    r"""Write a text on one line, and not at length.

    >>> short("a\nb", 9), short("a long one", 9)
    ('a?b', 'a long...')
    """
    plain = "".join(c if c.isprintable() else "?" for c in text)
    return plain if len(plain) <= most else plain[: most - 3] + "..."


def nearest(word: str, words: Iterable[str]) -> str:
    """Say which of some words is nearest to another; empty where none is near.

    >>> nearest("robto", ["robot", "club"]), nearest("x", ["robot"])
    (', of which robot is the nearest', '')
    """
    near = nearest_of(word, words)
    return f", of which {near} is the nearest" if near else ""


def nearest_of(word: str, words: Iterable[str]) -> str:
    """Find the nearest of some words; empty where none is near."""
    import difflib  # noqa: PLC0415 - slow to import

    return next(iter(difflib.get_close_matches(word, list(words), 1)), "")


class SheetError(TomlError):
    """A bench sheet cannot be used as it stands; the key is written as TOML does.

    >>> print(SheetError("bench.toml", 7, "limits.failsafe_s", "the value is -1",
    ...                  "a number of seconds from 0.05 to 60"))
    bench.toml, line 7, limits.failsafe_s: the value is -1, expected a number of seconds from \
0.05 to 60.
    """


MISSING: Final = object()
"""Stands for the value of a key that is not there."""
_MAX_KEY: Final = 120
_MAX_ALLOWED: Final = 400


@dataclass(frozen=True, slots=True)
class Fault:
    """A key of a file whose value cannot stand, what may, and what is said before the value."""

    path: NumberedPath
    value: object  # `MISSING` where there is none, or ``lead`` says it all
    allowed: str
    lead: str = "the value is"

    @property
    def found(self) -> str:
        """What was found there."""
        if self.value is MISSING:
            return "the value is missing" if self.lead == "the value is" else self.lead
        return f"{self.lead} {shown(self.value)}"

    @property
    def key(self) -> str:
        """The key with its tables; those of a list are counted from 1."""
        name, *others = map(str, self.path)
        if len(self.path) > 1 and isinstance(self.path[1], int):
            name, others = f"{name.removesuffix('s')} {self.path[1] + 1}", others[1:]
            return short(", ".join([name, *others]), _MAX_KEY)
        return short(format_key((name, *others)), _MAX_KEY)


def toml_error(kind: type[TomlError], faults: Iterable[Fault], text: str, source: str) -> TomlError:
    """Make the error for the fault that stands first in a file, valid TOML."""
    lines = key_lines(text)
    first = min(faults, key=lambda fault: line_of(lines, fault.path))
    allowed = short(first.allowed, _MAX_ALLOWED)
    return kind(source, line_of(lines, first.path), first.key, first.found, allowed)
