"""The cheapest changes after which the outputs mix as wanted."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from pwmscope.advice.mixing.changes import (
    Change,
    equalising_change,
    mixing_changes,
    plain_changes,
    smaller_travel,
)
from pwmscope.advice.mixing.proof import Proof, prove
from pwmscope.findings.mixing.answers import balance_finding, balance_of, corner_part
from pwmscope.findings.mixing.arrangement import Arrangement, name_arrangement
from pwmscope.findings.mixing.examination import Mixing
from pwmscope.findings.mixing.faults import WANTED, Kind
from pwmscope.findings.mixing.fit import MixFit
from pwmscope.model import Verdict


@dataclass(frozen=True, slots=True)
class Advice:
    """Changes to make together, and their proof.

    Parameters
    ----------
    changes : tuple of Change
        In the order in which they act; `by_effort` has the order to tell them in.
    proof : Proof
        What the recorded data say of them.
    needed : bool
        Whether something is wrong without them; what is optional comes on top of the best.
    """

    changes: tuple[Change, ...]
    proof: Proof
    needed: bool

    @property
    def by_effort(self) -> tuple[Change, ...]:
        """The changes, the least effort first."""
        return tuple(sorted(self.changes, key=lambda change: change.effort))


def advise(mixing: Mixing) -> tuple[Advice, ...]:
    """Find what to change, the least effort first; only what its proof bears out.

    Parameters
    ----------
    mixing : Mixing
        What was found.

    Returns
    -------
    tuple of Advice
        First the best; then the same at another place, proven for that place; then what is
        optional. Empty
        where nothing needs to change, or what is wrong is not among the known.
    """
    fit, found = mixing.fit, mixing.arrangement
    if fit is None or found.pattern is None or found.kind is None:
        return ()
    if found.kind not in {Kind.MIXED, Kind.UNMIXED, Kind.TWICE}:
        return ()
    strongest = float(np.max(np.abs(fit.matrix)))
    left, right = (output.line for output in fit.samples.outputs)
    bases: tuple[tuple[Change, ...], ...] = ((),)
    if found.kind is not Kind.MIXED:
        only_unmixed = Kind.TWICE not in found.also
        bases = tuple(
            (change,)
            for change in mixing_changes(
                found.kind, strongest, only_unmixed=only_unmixed, lines=(left, right)
            )
        )
    proven = [way for base in bases if (way := _cheapest(fit, found, base)) is not None]
    if found.kind is not Kind.MIXED or not proven:
        return tuple(proven)
    if not proven[0].changes:
        return _optional(fit, ())
    return (*proven, *_optional(fit, proven[0].changes))


def _cheapest(fit: MixFit, found: Arrangement, base: tuple[Change, ...]) -> Advice | None:
    """Give the least effort that comes on top of a change of mixing, if it is proven there."""
    pattern = np.array(found.pattern, dtype=np.float64)
    plain = plain_changes(fit.samples)
    sets = [
        chosen for count in range(len(plain) + 1) for chosen in itertools.combinations(plain, count)
    ]
    for chosen in sorted(sets, key=lambda chosen: sum(change.effort for change in chosen)):
        made = pattern
        for change in (*base, *chosen):
            made = change.at_outputs @ made @ change.at_sticks
        if np.array_equal(np.sign(made), WANTED):
            way = _proven(fit, (*base, *chosen))
            if not way.changes or way.proof.works:
                return way
    return None


def _proven(fit: MixFit, changes: tuple[Change, ...]) -> Advice:
    """Try changes, and with them what makes the gains equal, where they are shown to differ."""
    proof = prove(fit, changes)
    found = name_arrangement(proof.fit)
    if balance_finding(proof.fit, found).verdict is not Verdict.DOES_NOT_MEET:
        return Advice(changes, proof, needed=True)
    balance = balance_of(proof.fit)
    swapped = any(change.kind == "swap plugs" for change in changes)
    equal = equalising_change(fit.samples, balance.ratio, balance.doubt, swapped=swapped)
    whole = (*changes, equal)
    return Advice(whole, prove(fit, whole), needed=True)


def _optional(fit: MixFit, before: tuple[Change, ...]) -> tuple[Advice, ...]:
    part = corner_part(fit)
    if part is None or part >= 1.0:
        return ()
    changes = (smaller_travel(part), *before)
    return (Advice(changes, prove(fit, changes), needed=False),)
