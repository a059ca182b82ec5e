"""The table of analysers: for each question what it needs, what it gives and who answers it."""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property
from types import ModuleType
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias, TypeVar

from pwmscope.findings import timing, travel
from pwmscope.findings.glitches import Coincidence, Glitches, examine_coincidence, examine_glitches
from pwmscope.findings.receivers import Order
from pwmscope.findings.segmentation import Answer, Channel, Record
from pwmscope.findings.supply import examine_levels
from pwmscope.findings.timing import Timing, examine_timing
from pwmscope.findings.travel import Device, Travel, examine_travel
from pwmscope.model import Definition

if TYPE_CHECKING:
    from pwmscope.findings.freshness import Freshness, SharedFreezes

A = TypeVar("A")
When: TypeAlias = Literal["at once", "looked at", "called"]


@dataclass(frozen=True)
class AllLines:
    """The servo lines of a recording together, as an analyser of them all takes them."""

    glitches: dict[str, Glitches]  # Those of each servo line
    records: dict[str, Record]  # Each servo line outside its losses
    order: Order  # Which lines belong to one receiver, their order and skew
    # The answers of the servo lines to a question about a line
    ask: Callable[[str], dict[str, Answer]]

    @cached_property
    def answers(self) -> dict[str, Answer]:
        """What was found about all lines together, worked out when looked at."""
        return {
            row.question: row.analyse(self)
            for row in ANALYSERS
            if row.of == "recording" and row.analyse is not None
        }

    @property
    def freshness(self) -> dict[str, Freshness]:
        """How fresh the frames of each servo line are."""
        answers = self.ask("freshness")
        return {line: given({line: a}, line, _freshness().Freshness) for line, a in answers.items()}

    @property
    def shared_freezes(self) -> SharedFreezes:
        """Which freezes the lines of one receiver share."""
        found: SharedFreezes = given(self.answers, "shared freezes", _freshness().SharedFreezes)
        return found

    @property
    def coincidence(self) -> Coincidence:
        """Which lines' glitches come at the same moments."""
        return given(self.answers, "glitch coincidence", Coincidence)


@dataclass(frozen=True, slots=True)
class Analyser:
    """A question, and what answers it.

    Parameters
    ----------
    question : str
        Its name, as in `ChannelFindings.answer`.
    of : str
        ``"line"``: asked of every servo line. ``"recording"``: of all of them together.
    needs : tuple of str
        What it cannot be answered without: ``"pulses"``, ``"marker"``, ``"roles"`` (of the bench
        sheet), ``"plan"``, ``"two lines"``; or questions that are answered before it.
    gives : str
        The definitions of its findings, as ``package:NAME``.
    when : str
        ``"at once"``: by `examine`, and its limits make the verdict. ``"looked at"``: when its
        answer is first looked at. ``"called"``: by its own function only.
    analyse : callable or None
        From a `Channel`, or for a recording from `AllLines`, to the answer; None where it is
        called, or comes with the records.
    uses : tuple of str
        What makes the answer sharper where it is there.
    """

    question: str
    of: Literal["line", "recording"]
    needs: tuple[str, ...]
    gives: str
    when: When = "at once"
    analyse: Callable[[Any], Answer] | None = None
    uses: tuple[str, ...] = ()

    @property
    def definitions(self) -> tuple[Definition, ...]:
        """What its findings mean; its package is imported for it."""
        package, _, name = self.gives.partition(":")
        found: tuple[Definition, ...] = getattr(importlib.import_module(package), name)
        return found


def given(answers: dict[str, Answer], question: str, kind: type[A]) -> A:
    """Return the answer to a question that is answered before."""
    found = answers[question]
    assert isinstance(found, kind)
    return found


def _freshness() -> ModuleType:
    """Load the package that answers how fresh frames are; `examine` does without."""
    return importlib.import_module("pwmscope.findings.freshness")


def _travel(channel: Channel) -> Travel:
    return given(channel.answers, "travel", Travel)


def _timing(channel: Channel) -> Timing:
    return given(channel.answers, "timing", Timing)


_IN: Final = "pwmscope.findings."

ANALYSERS: Final[tuple[Analyser, ...]] = (
    Analyser(
        "timing", "line", ("pulses",), f"{_IN}timing:DEFINITIONS",
        analyse=lambda c: examine_timing(c.record, c.clock),
    ),
    Analyser(
        "rhythm", "line", ("timing",), f"{_IN}timing:RHYTHM_DEFINITIONS", "looked at",
        lambda c: timing.examine_rhythm(c.record, _timing(c).clock, c.clock),
    ),
    Analyser(
        "stability", "line", ("timing",), f"{_IN}timing:STABILITY_DEFINITIONS", "looked at",
        lambda c: timing.examine_stability(c.clock, _timing(c).clock),
    ),
    Analyser(
        "travel", "line", ("pulses",), f"{_IN}travel:DEFINITIONS",
        analyse=lambda c: examine_travel(
            c.record, device=Device.on(c.record.table.line, c.sheet), at_rest=c.at_rest
        ),
        uses=("roles", "plan"),
    ),
    Analyser(
        "resolution", "line", ("travel",), f"{_IN}travel:RESOLUTION_DEFINITIONS", "looked at",
        lambda c: travel.examine_resolution(c.record, _travel(c).moves),
    ),
    Analyser(
        "centring", "line", ("travel",), f"{_IN}travel:CENTRING_DEFINITIONS", "looked at",
        lambda c: travel.examine_centring(c.record, _travel(c)),
    ),
    Analyser(
        "sweeps", "line", ("travel",), f"{_IN}travel:SWEEP_DEFINITIONS", "looked at",
        lambda c: travel.examine_sweeps(c.record, _travel(c)),
    ),
    Analyser(
        "glitches", "line", ("pulses",), f"{_IN}glitches:DEFINITIONS",
        analyse=lambda c: examine_glitches(c.record, c.recorded),
    ),
    Analyser(
        "freshness", "line", ("resolution",), f"{_IN}freshness:DEFINITIONS", "looked at",
        lambda c: _freshness().examine_freshness(
            c.record, given(c.answers, "resolution", travel.Resolution)
        ),
    ),
    Analyser(
        "levels", "line", ("pulses",), f"{_IN}supply:LEVEL_DEFINITIONS", "looked at",
        lambda c: examine_levels(c.record, c.plateaus),
    ),
    # Every record leaves out what was lost, so this one is answered before the records are made.
    Analyser(
        "failsafe", "line", ("pulses",), f"{_IN}failsafe:DEFINITIONS", uses=("marker", "roles")
    ),
    Analyser(
        "receivers", "recording", ("pulses",), f"{_IN}receivers:DEFINITIONS",
        analyse=lambda all_lines: all_lines.order,
    ),
    Analyser(
        "glitch coincidence", "recording", ("glitches", "receivers"),
        f"{_IN}glitches:COINCIDENCE_DEFINITIONS",
        analyse=lambda all_lines: examine_coincidence(
            all_lines.glitches, all_lines.records, all_lines.order.grouping.groups
        ),
    ),
    Analyser(
        "shared freezes", "recording", ("freshness", "receivers"),
        f"{_IN}freshness:SHARED_DEFINITIONS",
        analyse=lambda all_lines: _freshness().examine_shared_freezes(
            all_lines.freshness, all_lines.order.receivers
        ),
    ),
    # Motion is held against the losses, so this one is answered with them.
    Analyser("rotation", "recording", ("roles",), f"{_IN}rotation:DEFINITIONS", uses=("marker",)),
    Analyser("supply", "recording", ("roles",), f"{_IN}supply:DEFINITIONS", uses=("marker",)),
    Analyser("lag", "recording", ("two lines",), f"{_IN}lag:DEFINITIONS", "called"),
    Analyser(
        "mixing", "recording", ("roles",), f"{_IN}mixing:DEFINITIONS", "called", uses=("plan",)
    ),
    Analyser("link", "recording", ("plan",), f"{_IN}link:DEFINITIONS", "called", uses=("roles",)),
    Analyser(
        "marker", "recording", ("marker",), f"{_IN}marker_delay:DEFINITIONS", "called"
    ),
    Analyser("plan", "recording", ("plan",), f"{_IN}plan_alignment:DEFINITIONS", "called"),
)  # fmt: skip
"""All questions; of a line, and of a recording, in the order in which their findings are told."""


@cache
def definitions() -> dict[str, Definition]:
    """Return what every finding means, by its name, in the order in which findings are told."""
    return {each.name: each for row in ANALYSERS for each in row.definitions}
