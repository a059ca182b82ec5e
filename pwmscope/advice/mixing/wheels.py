"""What to change on a base of three or four wheels, tried on the recorded data."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from pwmscope.findings.mixing.fit import fit_mix
from pwmscope.findings.mixing.layouts import Fitting, recognise
from pwmscope.findings.mixing.wheels import WheelBase


@dataclass(frozen=True, slots=True)
class WheelAdvice:
    """Changes to make together, and what the recorded data say of them.

    Parameters
    ----------
    words : tuple of str
        Instructions, whole sentences.
    proof : Fitting or None
        How the outputs would stand to the wheels.
    works : bool
        Whether each would then be on its wheel, the right way round.
    """

    words: tuple[str, ...]
    proof: Fitting | None
    works: bool


def advise_wheels(base: WheelBase) -> WheelAdvice | None:
    """Tell the plugs to move and the channels to reverse.

    Parameters
    ----------
    base : WheelBase
        What was found.

    Returns
    -------
    WheelAdvice or None
        None where nothing is wrong or nothing is known.
    """
    fit, fitting = base.fit, base.fitting
    if fit is None or fitting is None or not fitting.changes:
        return None
    samples, layout = fit.samples, fitting.layout
    lines = [output.line for output in samples.outputs]
    order = [fitting.wheels.index(wheel) for wheel in layout.wheels]
    words = [
        f"Plug the motor of the {layout.wheels[place]} wheel into {lines[at]}."
        for place, at in enumerate(order)
        if place != at
    ]
    words += [
        f"Reverse {line} behind the mixing, or swap that motor's two wires at its ESC."
        for line, back in zip(lines, fitting.reversed_outputs, strict=True)
        if back
    ]
    words += [
        f"Reverse the {axis} stick's channel, as it leaves the stick, before the mixing."
        for axis, back in zip(samples.axes, fitting.reversed_motions, strict=True)
        if back
    ]
    signs = np.where(fitting.reversed_outputs, -1.0, 1.0)
    turns = np.where(fitting.reversed_motions, -1.0, 1.0)
    neutral_us = np.array([output.travel.neutral_us for output in samples.outputs])
    width_us = neutral_us[order] + ((samples.width_us - neutral_us) * signs)[:, order]
    after = fit_mix(replace(samples, width_us=width_us, stick=samples.stick * turns))
    proof = recognise(after.matrix, after.uncertainty, layout)
    return WheelAdvice(tuple(words), proof, works=proof is not None and proof.changes == 0)
