"""The kinds of value in a bench sheet, each with its range and how that reads in a message."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import Field

from pwmscope.bench.sheet_units import Allowed, Quantity


def one_of(names: tuple[str, ...]) -> Allowed:
    """Say that one of some words may stand there.

    Examples
    --------
    >>> one_of(("low", "high")).text
    'one of "low", "high"'
    """
    return Allowed("one of " + ", ".join(f'"{name}"' for name in names))


Text: TypeAlias = Annotated[
    str,
    Field(max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("text in quotes, on one line, of at most 200 characters"),
]
Name: TypeAlias = Annotated[
    str,
    Field(min_length=1, max_length=200, pattern=r"^[^\x00-\x1f\x7f]*$"),
    Allowed("the name of a line of the recording, in quotes"),
]
Width: TypeAlias = Annotated[
    float,
    Field(ge=10, le=10_000),
    Allowed("a number of microseconds from 10 to 10000", Quantity("us", 10, 10_000)),
]
Band: TypeAlias = Annotated[
    float,
    Field(gt=0, le=10_000),
    Allowed("a number of microseconds above 0, at most 10000", Quantity("us", 0, 10_000)),
]
Voltage: TypeAlias = Annotated[
    float,
    Field(ge=1, le=60),
    Allowed("a number of volts from 1 to 60", Quantity("V", 1, 60)),
]
Current: TypeAlias = Annotated[
    float,
    Field(gt=0, le=500),
    Allowed("a number of amperes above 0, at most 500", Quantity("A", 0, 500)),
]
Resistance: TypeAlias = Annotated[
    float,
    Field(ge=10, le=10_000_000),
    Allowed("a number of ohms from 10 to 10000000", Quantity("ohm", 10, 10_000_000)),
]
Count: TypeAlias = Annotated[int, Field(ge=1, le=64), Allowed("a whole number from 1 to 64")]
Seconds: TypeAlias = Annotated[
    float,
    Field(ge=0, le=60),
    Allowed("a number of seconds from 0 to 60", Quantity("s", 0, 60)),
]
Flag: TypeAlias = Annotated[bool, Allowed("true or false")]
Range: TypeAlias = Annotated[list[Width], Field(min_length=2, max_length=2)]
