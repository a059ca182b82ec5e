"""On which line of a TOML text each key stands; the TOML library does not say."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from typing import Any, Final, TypeAlias

KeyPath: TypeAlias = tuple[str, ...]

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


def key_lines(text: str) -> dict[KeyPath, int]:
    r"""Find the line of each key and each table's heading.

    Parameters
    ----------
    text : str
        Valid TOML.

    Returns
    -------
    dict of tuple of str to int
        The key with its tables, and the line, counted from 1, on which its
        statement begins. Keys inside an inline table stand on that table's line.

    Examples
    --------
    >>> key_lines("[limits]\n\nfailsafe_s = 1 # s\nnote = {a = 1}")
    {('limits',): 1, ('limits', 'failsafe_s'): 3, ('limits', 'note'): 4, ('limits', 'note', 'a'): 4}
    """
    lines: dict[KeyPath, int] = {}
    table: KeyPath = ()
    before: KeyPath
    for line, statement in statements(text):
        inner = list(_paths(tomllib.loads(statement)))
        if statement.lstrip().startswith("["):
            table, before = inner[-1], ()
        else:
            before = table
        for path in inner:
            lines.setdefault(before + path, line)
    return lines


def deep_key_line(text: str) -> int | None:
    r"""Find the line of the first dotted key with more than `DEEPEST` parts.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    int or None
        Counted from 1; None where there is none.

    Examples
    --------
    >>> deep_key_line("a = 1.5\n" + ".".join("b" * 9) + " = 1"), deep_key_line("a.b.c = 1")
    (2, None)
    """
    found = _DEEP.search(text)
    return None if found is None else text.count("\n", 0, found.start()) + 1


def say_key(path: KeyPath) -> str:
    """Write a key with its tables as TOML does.

    Examples
    --------
    >>> say_key(("channels", "RX 1", "role"))
    'channels."RX 1".role'
    """
    return ".".join(part if _BARE.fullmatch(part) else json.dumps(part) for part in path)


def statements(text: str) -> Iterator[tuple[int, str]]:
    """Cut a text into its headings and assignments, each with its first line.

    Parameters
    ----------
    text : str
        Valid TOML.

    Yields
    ------
    line : int
        Counted from 1.
    statement : str
    """
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


def _paths(table: Mapping[str, Any]) -> Iterator[KeyPath]:
    for key, value in table.items():
        yield (key,)
        for part in value if isinstance(value, list) else [value]:
            if isinstance(part, dict):
                for path in _paths(part):
                    yield (key, *path)
