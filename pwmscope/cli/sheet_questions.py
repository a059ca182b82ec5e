"""The questions that `pwmscope sheet new` asks, each again until its answer can stand."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, TypeVar

import click

from pwmscope.bench import (
    FAILSAFE_IN,
    LEVELS,
    MARKER_KINDS,
    WEAPONS,
    Answers,
    Level,
    MarkerKind,
    Weapon,
    roles_of,
)
from pwmscope.errors import HintError

MAX_SERVOS: Final = 16
_MAX: Final = 60
_Answer = TypeVar("_Answer")
_Word = TypeVar("_Word", bound=str)


def ask() -> Answers:
    """Ask about the bench in the terminal, with a line before each question that says why."""
    click.echo("Press Enter to take the answer in brackets; all of it can be changed later.")
    robot = _ask("The name stands on the report.", "Name of the robot", _text, "")
    _explain("Two drive sides are also checked for mixing, and driven by the plan.")
    drive = click.confirm("Does it drive on two sides, like a tank?", default=True)
    why = (
        "A weapon that turns one way stops at its low end, one that turns both ways in the middle."
    )
    weapon = _ask(why, f"Its weapon turns ({', '.join(WEAPONS)})", _weapon, "one way")
    why = "A lifter, a flipper, a steering servo: whatever else has a plug in the receiver."
    servos = _ask(why, "How many other servos or devices", _whole(0, MAX_SERVOS), "0")
    roles = roles_of(drive=drive, weapon=weapon, servos=servos)
    if not roles:
        raise HintError(
            "A robot without drive, weapon and servos has nothing to wire; nothing was written."
        )
    usual = ", ".join(f"RX{i}" for i in range(1, len(roles) + 1))
    why = "These are the names that your recording gives to the analyser's inputs."
    asked = f"Names of the lines for {', '.join(roles)}"
    lines = _ask(why, asked, _lines(len(roles)), usual)
    feeding = _ask(
        "Many ESCs have a BEC, a 5 V supply. Exactly one source may power the receiver.",
        "Which of them feed 5 V to the receiver (names, none, unknown)",
        _some_of(lines),
        "unknown",
    )
    stopping = _ask(
        "Where a receiver falls silent, the device decides. Its manual says, or a test.",
        "Which of them are known to stand still without pulses (names, none, unknown)",
        _some_of(lines),
        "unknown",
    )
    stops_after_s = _ask_stops_after_s(stopping or ())
    separate = _ask(
        "A receiver may have a supply of its own, on a cable of its own.",
        "Volts of a separate battery or BEC that powers the receiver (a number, none)",
        _number_or("none", 1.0, 60.0),
        "none",
    )
    second = _ask(
        "A USB cable to the receiver or an ESC can be a second source.",
        "Volts of USB or another source that feeds it as well (a number, none)",
        _number_or("none", 1.0, 60.0),
        "none",
    )
    outputs = _ask(
        "The wiring check holds the devices against it.",
        "How many servo outputs the receiver has (a number, unknown)",
        _outputs,
        "unknown",
    )
    failsafe_in = _ask(
        "Advice then says where to set it. The receiver's manual knows.",
        "Where the failsafe is set (transmitter, receiver, unknown)",
        _one_of(FAILSAFE_IN),
        "unknown",
    )
    failsafe_s = _ask(
        "Everything must stand still in that time after the signal is lost.",
        "Seconds from signal loss to standstill that the rulebook allows",
        _number_or("", 0.05, 60.0),
        "2",
    )
    marker = _ask(
        "Without it nobody knows when the signal was lost. docs/bench.md says how to wire it.",
        "Line that shows whether the transmitter is on (a name, none)",
        _marker(lines),
        "none",
    )
    on, kind = _ask_about_marker(marker) if marker else (None, None)
    return Answers(
        robot=robot,
        drive=drive,
        weapon=weapon,
        servos=servos,
        lines=lines,
        feeding=feeding,
        stopping=stopping or (),
        separate_v=separate,
        outputs=outputs,
        failsafe_s=2.0 if failsafe_s is None else failsafe_s,
        marker=marker,
        marker_on=on,
        marker_kind=kind,
        stops_after_s=stops_after_s,
        second_v=second,
        failsafe_in=failsafe_in,
    )


def _ask_stops_after_s(lines: tuple[str, ...]) -> dict[str, float]:
    """Ask how long each device runs on after its last pulse; leave out what is not known."""
    asked = {
        line: _ask(
            "A device may run on for a while after the last pulse. Its manual says how long.",
            f"Longest time in seconds until {line} stops after its last pulse (a number, unknown)",
            _number_or("unknown", 0.0, 60.0),
            "unknown",
        )
        for line in lines
    }
    return {line: after_s for line, after_s in asked.items() if after_s is not None}


def _ask_about_marker(marker: str) -> tuple[Level | None, MarkerKind | None]:
    """Ask which level of the marker means on, and what drives it."""
    on = _ask(
        "Without the level that means on, the failsafe check may not know off from on.",
        f"Level of {marker} while the transmitter is on (high, low, unknown)",
        _one_of(LEVELS),
        "unknown",
    )
    kind = _ask(
        "A switch changes with the transmitter. A button pressed by hand may be late.",
        f"What drives {marker} (switch, button, unknown)",
        _one_of(MARKER_KINDS),
        "unknown",
    )
    return on, kind


def _explain(why: str) -> None:
    click.secho(f"\n{why}", dim=True)


def _ask(why: str, question: str, read: Callable[[str], _Answer], default: str) -> _Answer:
    _explain(why)
    answer: _Answer = click.prompt(question, default=default, value_proc=read)
    return answer


def _text(said: str) -> str:
    text = said.strip()
    if not text.isprintable() or len(text) > _MAX:
        raise click.UsageError(f"Write it with at most {_MAX} letters on one line.")
    return text


def _weapon(said: str) -> Weapon:
    for weapon in WEAPONS:
        if said.strip().lower() == weapon:
            return weapon
    raise click.UsageError(f"Answer one of: {', '.join(WEAPONS)}.")


def _whole(low: int, high: int) -> Callable[[str], int]:
    def read(said: str) -> int:
        if not (said.strip().isdecimal() and low <= int(said.strip()[:9]) <= high):
            raise click.UsageError(f"Answer a whole number from {low} to {high}.")
        return int(said)

    return read


def _outputs(said: str) -> int | None:
    return None if said.strip().lower() == "unknown" else _whole(1, 64)(said)


def _number_or(word: str, low: float, high: float) -> Callable[[str], float | None]:
    """Read a number in a range, or the word that stands for none."""
    instead = f" or {word}" if word else ""

    def read(said: str) -> float | None:
        if word and said.strip().lower() == word:
            return None
        try:
            number = float(said.strip().replace(",", "."))
        except ValueError:
            number = math.nan
        if not low <= number <= high:
            raise click.UsageError(f"Answer a number from {low:g} to {high:g}{instead}.")
        return number

    return read


def _one_of(words: tuple[_Word, ...]) -> Callable[[str], _Word | None]:
    """Read one of some words; None for what is not known."""

    def read(said: str) -> _Word | None:
        told = said.strip().lower()
        found = next((word for word in words if word == told), None)
        if found is None and told != "unknown":
            raise click.UsageError(f"Answer {', '.join(words)} or unknown.")
        return found

    return read


def _lines(count: int) -> Callable[[str], tuple[str, ...]]:
    def read(said: str) -> tuple[str, ...]:
        lines = tuple(_text(part) for part in said.split(","))
        if len(lines) != count or len(set(lines)) != count or "" in lines:
            noun = "name" if count == 1 else "different names"
            raise click.UsageError(f"Answer {count} {noun}, with commas between.")
        return lines

    return read


def _some_of(lines: tuple[str, ...]) -> Callable[[str], tuple[str, ...] | None]:
    """Read names of lines; None for what is not known."""

    def read(said: str) -> tuple[str, ...] | None:
        word = said.strip().lower()
        if word in {"none", "unknown"}:
            return () if word == "none" else None
        named = tuple(part.strip() for part in said.split(","))
        if not set(named) <= set(lines):
            raise click.UsageError(f"Answer names out of {', '.join(lines)}, or none, or unknown.")
        return named

    return read


def _marker(lines: tuple[str, ...]) -> Callable[[str], str]:
    def read(said: str) -> str:
        name = _text(said)
        if name in lines:
            raise click.UsageError(f"{name} is a device's line already; answer another, or none.")
        return "" if name.lower() == "none" else name

    return read
