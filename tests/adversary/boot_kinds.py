"""Kinds of first boots: each draws a bench from a seed. What makes them unsafe stands in each.

In each a device runs between the switch and the first packet of a hand over its live link.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from boot_bench import DEVICES, SILENT, Bench, FloatArray, Move, Output
from boot_draft import (
    Rng,
    beyond,
    device,
    draft,
    evidence,
    flat,
    frames,
    hands,
    inside,
    others,
    ramp,
    reach,
    run,
    second_receiver,
    shows,
    stand,
)

Kind = Callable[[Rng, str, int], Bench]
WHO: Final = {"drive": (0,), "weapon": (2,), "drives": (0, 1), "devices": (0, 1, 2)}


def runs_until_link(rng: Rng, kind: str, seed: int) -> Bench:
    """Its power-up preset is a running width, from the recording's start until the link."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    bench.outputs[target].before_us = beyond(bench.outputs[target], rng)
    hands(bench, rng)
    bench.decidable = "yes"  # It runs before the switch too
    return bench


def runs_from_switch(rng: Rng, kind: str, seed: int) -> Bench:
    """It stands until the transmitter starts up, then runs until the link."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start = bench.on_s + float(rng.uniform(0.03, 0.35)) * min(bench.boot_s, 3.0)
    run(bench, target, start, bench.link_s, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def runs_and_returns(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs for 0.02 to 3 s within the boot and returns; the others show the link later."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start, stop = inside(bench, rng, float(np.exp(rng.uniform(np.log(0.02), np.log(3.0)))) + 0.004)
    stop = max(stop, start + 1.05 * bench.receivers[0].frame_s)
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def reaches_and_returns(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs and returns in the boot as a hand would; the others show the link later."""
    bench = draft(rng, kind, seed, switch=False)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    takes = float(rng.uniform(0.1, 0.35))
    start, stop = inside(bench, rng, 2 * takes + float(rng.uniform(0.2, 2.0)))
    of = bench.outputs[target]
    takes = min(takes, 0.45 * (stop - start))
    away = of.rest_us if np.isnan(of.before_us) else of.before_us
    run(bench, target, start, stop, reach(start, stop, away, beyond(of, rng, "end"), takes))
    bench.decidable = evidence(bench, [target])
    return bench


def ramps(rng: Rng, kind: str, seed: int) -> Bench:
    """It ramps up in the boot and drops at the link, or ramps back before it."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    of = bench.outputs[target]
    start, stop = inside(bench, rng, float(rng.uniform(0.3, 3.0)))
    of.before_us = of.rest_us if np.isnan(of.before_us) else of.before_us
    top = beyond(of, rng, "end")
    run(bench, target, start, stop, ramp(start, of.before_us, stop, top))
    if rng.random() < 0.5:
        run(bench, target, stop, bench.link_s, top)
    else:
        half = min(bench.link_s - 0.02, stop + 0.5)
        run(bench, target, stop, half, ramp(stop, top, half, of.before_us))
    bench.decidable = evidence(bench, [target])
    return bench


def leaps_at_link(rng: Rng, kind: str, seed: int) -> Bench:
    """As the link comes, the others take their places, and it leaps for one to eight frames."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    end = bench.link_s + frames(bench, rng)
    run(bench, target, bench.link_s, end, beyond(bench.outputs[target], rng, "any"))
    bench.decidable = evidence(bench, [target])
    return bench


def leaps_before_link(rng: Rng, kind: str, seed: int) -> Bench:
    """It leaps for one to eight frames and is back in the frame in which the others follow."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start = bench.link_s - frames(bench, rng)
    run(bench, target, start, bench.link_s, beyond(bench.outputs[target], rng, "any"))
    bench.decidable = evidence(bench, [target])
    return bench


def both_drives(rng: Rng, kind: str, seed: int) -> Bench:
    """Both drives leap together, by the same or by opposite amounts."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(0, 3)))
    others(bench, rng, [0, 1])
    shows(bench, [0, 1], rng)
    hands(bench, rng)
    draw = rng.random()
    if draw < 0.4:
        start, stop = bench.link_s, bench.link_s + frames(bench, rng)
    elif draw < 0.7:
        start, stop = bench.on_s + 0.2 * bench.boot_s, bench.link_s
    else:
        start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    width = beyond(bench.outputs[0], rng)
    run(bench, 0, start, stop, width)
    run(bench, 1, start, stop, width if rng.random() < 0.6 else 3000.0 - width)
    bench.decidable = evidence(bench, [0, 1])
    return bench


def stale_trims(rng: Rng, kind: str, seed: int) -> Bench:
    """As the link comes all outputs are off by stale trims for 0.1 to 2 s."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    hands(bench, rng)
    end = bench.link_s + float(rng.uniform(0.1, 2.0))
    for move in bench.moves[:1]:
        end = min(end, move.at_s - 0.2)
    for n, output in enumerate(bench.outputs):
        trim = float(rng.choice([-1, 1])) * float(rng.uniform(95, 180))
        if output.role == "weapon":
            trim = abs(trim)
        run(bench, n, bench.link_s, end, output.rest_us + trim)
    return bench


def half_mixed(rng: Rng, kind: str, seed: int) -> Bench:
    """The first packets carry a mixer that is not set up: drives apart, one-way weapon at half."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    hands(bench, rng)
    end = bench.link_s + frames(bench, rng, 1, 30)
    which = str(rng.choice(["drives", "weapon", "all"]))
    if which != "weapon":
        width = beyond(bench.outputs[0], rng)
        run(bench, 0, bench.link_s, end, width)
        run(bench, 1, bench.link_s, end, beyond(bench.outputs[1], rng))
    if which != "drives":
        run(bench, 2, bench.link_s, end, 1300.0 if bench.outputs[2].rest_us > 1300 else 1500.0)
    return bench


def receiver_later(rng: Rng, kind: str, seed: int) -> Bench:
    """The weapon's receiver links later than the drives'; the weapon runs until then."""
    bench = draft(rng, kind, seed, spare=2)
    second_receiver(bench, rng, [2, 3, 4])
    bench.receivers[1].search_s = float(rng.uniform(0.4, 6.0))
    others(bench, rng, [2])
    bench.outputs[2].before_us = bench.outputs[2].rest_us
    shows(bench, [2], rng)
    hands(bench, rng)
    link = bench.link_s + bench.receivers[1].search_s
    start = bench.link_s + float(rng.uniform(-0.3, 0.2))
    stop = link if rng.random() < 0.6 else max(link - 0.2, start + 0.1)
    run(bench, 2, start, stop, beyond(bench.outputs[2], rng))
    bench.decidable = evidence(bench, [2])
    return bench


def receiver_sooner(rng: Rng, kind: str, seed: int) -> Bench:
    """The drives' receiver links sooner than the weapon's; a drive runs until its own link."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(0, 3)))
    second_receiver(bench, rng, [n for n in range(len(bench.outputs)) if n >= 2])
    bench.receivers[1].search_s = float(rng.uniform(0.4, 6.0))
    target = int(rng.integers(0, 2))
    others(bench, rng, [target])
    bench.outputs[1 - target].before_us = (
        SILENT if rng.random() < 0.5 else stand(bench.outputs[1 - target], rng)
    )
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    if rng.random() < 0.5:
        stop = bench.link_s
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def receiver_decoy(rng: Rng, kind: str, seed: int) -> Bench:
    """Hands stir the drives on a linked receiver while the weapon runs on one without a link."""
    bench = draft(rng, kind, seed, spare=2)
    second_receiver(bench, rng, [2, 3, 4])
    others(bench, rng, [2])
    shows(bench, [2], rng)
    bench.receivers[1].search_s = float(rng.uniform(4.0, 8.0))
    hands(bench, rng)
    at = bench.link_s + float(rng.uniform(0.7, 1.5))
    for axis in ("elevator", "aileron"):
        bench.moves.append(Move(axis, at, 0.9, 0.25))
        bench.moves.append(Move(axis, at + 0.9, 0.0, 0.25))
        at += 1.3
    start = bench.link_s + float(rng.uniform(1.0, 2.0))
    run(bench, 2, start, start + float(rng.uniform(0.1, 1.2)), beyond(bench.outputs[2], rng))
    bench.decidable = evidence(bench, [2])
    return bench


def silent_presets_link(rng: Rng, kind: str, seed: int) -> Bench:
    """A silent receiver hears the carrier, sends its presets for a while, one of them running."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target], "preset")
    hands(bench, rng)
    wakes = bench.link_s - min(float(rng.uniform(0.1, 2.0)), 0.8 * bench.boot_s)
    for n, output in enumerate(bench.outputs):
        stands = output.before_us
        output.before_us = SILENT
        run(bench, n, wakes, bench.link_s, beyond(output, rng) if n == target else stands)
    bench.note = "all wake together, then all step together"
    return bench


def silent_rest_presets(rng: Rng, kind: str, seed: int) -> Bench:
    """As before, but the others' presets are their rest: only the device steps at the link."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    hands(bench, rng)
    wakes = bench.link_s - min(float(rng.uniform(0.1, 2.0)), 0.8 * bench.boot_s)
    for n, output in enumerate(bench.outputs):
        output.before_us = SILENT
        width = beyond(output, rng) if n == target else output.rest_us
        run(bench, n, wakes, bench.link_s, width)
    bench.note = "runs from the line's first pulse on: a hazard whether or not a stick was held"
    return bench


def weapon_before_sticks(rng: Rng, kind: str, seed: int) -> Bench:
    """The weapon runs and returns before any stick moved, on a switch or a stick."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [2])
    shows(bench, [2], rng)
    bench.outputs[2].before_us = bench.outputs[2].rest_us
    hands(bench, rng, first=str(rng.choice(["weapon", "elevator", "aileron"])))
    start, stop = inside(bench, rng, float(rng.uniform(0.05, 3.0)))
    run(bench, 2, start, stop, beyond(bench.outputs[2], rng))
    bench.decidable = evidence(bench, [2])
    return bench


def width_of_stick(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs at the very width that its stick later commands, up to the link or not."""
    bench = draft(rng, kind, seed, switch=True)
    others(bench, rng, [2])
    shows(bench, [2], rng)
    of = bench.outputs[2]
    hands(bench, rng, first="weapon" if rng.random() < 0.5 else None)
    width = of.rest_us + of.gain_us
    for n, move in enumerate(bench.moves):
        if move.axis == "weapon" and move.to != 0.0:
            bench.moves[n] = Move("weapon", move.at_s, 1.0, 0.0)
    start, stop = inside(bench, rng, float(rng.uniform(0.05, 3.0)))
    run(bench, 2, start, bench.link_s if rng.random() < 0.5 else stop, width)
    bench.decidable = evidence(bench, [2])
    return bench


def width_of_failsafe(rng: Rng, kind: str, seed: int) -> Bench:
    """A one-way weapon runs at the drives' preset: one width for all outputs before the link."""
    bench = draft(rng, kind, seed)
    bench.outputs[2] = Output(
        "RX3",
        "weapon",
        1000.0,
        900.0,
        (950.0, 1045.0),
        "throttle",
        {"weapon": 1.0},
        failsafe_us=1000.0,
        before_us=1500.0,
    )
    for n, output in enumerate(bench.outputs):
        output.before_us = 1500.0 if n < 3 else output.failsafe_us
    start = bench.on_s + float(rng.uniform(0.03, 0.2))
    awake = rng.random() < 0.5
    hands(bench, rng)
    if awake:
        bench.outputs[2].before_us = 1000.0
        run(bench, 2, start, bench.link_s, 1500.0)
    bench.decidable = evidence(bench, [2]) if awake else "yes"
    return bench


def late_marker(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs only while the late marker does not show the transmitter on yet."""
    bench = draft(rng, kind, seed)
    late = float(rng.uniform(0.3, 1.2))
    bench.marker = {"line": "tx", "on": "high", "kind": "light", "late_s": round(late + 0.15, 2)}
    bench.marker_on_late_s, bench.marker_off_late_s = late, 0.1
    bench.boot_s = max(bench.boot_s, 1.6)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start = bench.on_s + float(rng.uniform(0.02, 0.1))
    stop = bench.on_s + late - float(rng.uniform(0.02, 0.1))
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def no_marker(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs and returns in the boot, and the losses' times are stated instead of marked."""
    bench = runs_and_returns(rng, kind, seed)
    bench.marker = None
    return bench


def no_marker_until_link(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs in the boot until the link, and the losses' times are stated instead of marked."""
    bench = runs_from_switch(rng, kind, seed)
    bench.marker = None
    return bench


def switch_weapon(rng: Rng, kind: str, seed: int) -> Bench:
    """A weapon on a switch steps up and back in the boot as its switch would."""
    bench = draft(rng, kind, seed, switch=True)
    others(bench, rng, [2])
    shows(bench, [2], rng)
    of = bench.outputs[2]
    of.before_us = of.rest_us
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.3, 3.0)))
    run(bench, 2, start, stop, of.rest_us + of.gain_us)
    bench.decidable = evidence(bench, [2])
    return bench


def others_held(rng: Rng, kind: str, seed: int) -> Bench:
    """Other sticks are off rest as the link comes; it ran before, or leaps at it."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(1, 3)))
    target = int(rng.choice([0, 2]))
    others(bench, rng, [target])
    shows(bench, [target], rng)
    held = ["weapon"] if target != 2 else ["elevator"]
    hands(bench, rng, held=[*held, "extra0"])
    if rng.random() < 0.5 and target == 2:
        start, stop = bench.link_s, bench.link_s + frames(bench, rng)
    else:
        start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def flickers(rng: Rng, kind: str, seed: int) -> Bench:
    """Every second or third frame of the boot is a running width."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    of, every = bench.outputs[target], int(rng.integers(2, 4))
    frame_s = bench.receivers[0].frame_s
    width, stands = beyond(of, rng), of.before_us

    def mixed(at_s: FloatArray) -> FloatArray:
        return np.where(np.round(at_s / frame_s) % every == 0, width, stands)

    start, stop = inside(bench, rng, float(rng.uniform(0.2, 2.0)))
    run(bench, target, start, stop if rng.random() < 0.5 else bench.link_s, mixed)
    bench.decidable = evidence(bench, [target])
    return bench


def rate_tells(rng: Rng, kind: str, seed: int) -> Bench:
    """The receiver's frames are slower without a link; that alone shows that it ran before it."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target], "rest")
    of = bench.outputs[target]
    of.before_us = of.rest_us
    bench.receivers[0].frame_s = bench.receivers[0].packet_s = float(rng.choice([0.007, 0.011]))
    bench.receivers[0].slow_s = float(rng.choice([0.018, 0.02, 0.022]))
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    run(bench, target, start, stop, beyond(of, rng))
    bench.decidable = "hard"
    bench.note = "the frame period changes at each link, the first one too"
    return bench


def servo_decoy(rng: Rng, kind: str, seed: int) -> Bench:
    """A servo goes about in the boot as by a hand, then a device runs; the link comes later."""
    bench = draft(rng, kind, seed, spare=1)
    target = device(bench, rng)
    others(bench, rng, [target], "preset")
    hands(bench, rng)
    of = bench.outputs[3]
    start, stop = bench.on_s + 0.1 * bench.boot_s, bench.on_s + 0.4 * bench.boot_s
    takes = 0.3 * (stop - start)
    run(bench, 3, start, stop, reach(start, stop, of.before_us, of.before_us + 200.0, takes))
    begin = bench.on_s + 0.5 * bench.boot_s
    run(
        bench,
        target,
        begin,
        begin + min(1.0, 0.3 * bench.boot_s) + 0.03,
        beyond(bench.outputs[target], rng),
    )
    bench.decidable = evidence(bench, [target])
    return bench


def servo_wakes_late(rng: Rng, kind: str, seed: int) -> Bench:
    """Start-up packets put the others at rest early; the link shows on the running device alone."""
    bench = draft(rng, kind, seed, switch=False)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    early = bench.on_s + float(rng.uniform(0.2, 0.6)) * bench.boot_s
    for n, output in enumerate(bench.outputs):
        if n != target:
            run(bench, n, early, bench.link_s, output.rest_us)
    width = beyond(bench.outputs[target], rng, "end")
    start = early + float(rng.uniform(0.1, 0.3)) * (bench.link_s - early)
    run(bench, target, start, bench.link_s, width)
    bench.decidable = "hard"
    bench.note = "a stick's output steps in one frame to a flat plateau and in one frame back"
    return bench


def startup_widths_twice(rng: Rng, kind: str, seed: int) -> Bench:
    """All leave their presets together for start-up widths; a device runs; all step at the link."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    early = bench.on_s + float(rng.uniform(0.2, 0.5)) * bench.boot_s
    for n, output in enumerate(bench.outputs):
        if n != target:
            run(bench, n, early, bench.link_s, stand(output, rng))
    start = early + float(rng.uniform(0.05, 0.4)) * (bench.link_s - early)
    stop = start + float(rng.uniform(0.2, 0.5)) * (bench.link_s - start) + 0.03
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    return bench


def leaps_after_link(rng: Rng, kind: str, seed: int) -> Bench:
    """The others show the link; soon after, a device leaps for one to four frames, by no hand."""
    bench = draft(rng, kind, seed, switch=False)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start = bench.link_s + float(rng.uniform(0.1, 0.7))
    of = bench.outputs[target]
    run(bench, target, start, start + frames(bench, rng, 1, 5), beyond(of, rng, "end"))
    bench.note = "no hand takes a stick to its end and back within four frames"
    bench.decidable = "hard"
    return bench


def odd_width(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs at a width outside the usual servo range."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.05, 2.0)))
    width = float(rng.choice([rng.uniform(2210, 2600), rng.uniform(500, 780)]))
    run(bench, target, start, bench.link_s if rng.random() < 0.5 else stop, width)
    bench.decidable = evidence(bench, [target])
    return bench


def all_leap(rng: Rng, kind: str, seed: int) -> Bench:
    """Every output is at a start-up width for a few frames or longer, up to the link."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    hands(bench, rng)
    lasts = frames(bench, rng, 1, 40)
    start = bench.link_s - lasts if rng.random() < 0.5 else bench.link_s
    for n, output in enumerate(bench.outputs):
        width = beyond(output, rng) if output.role in DEVICES else output.rest_us + 90.0
        run(bench, n, start, start + lasts, width)
    return bench


def one_by_one(rng: Rng, kind: str, seed: int) -> Bench:
    """The others come one after another over 0.2 to 1.5 s; a device runs until its own turn."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(1, 3)))
    target = device(bench, rng)
    others(bench, rng, [target], str(rng.choice(["silent", "preset", "mixed"])))
    spread = float(rng.uniform(0.2, 1.5))
    for output in bench.outputs:
        output.lag_s = float(rng.uniform(0.0, spread))
    hands(bench, rng)
    of = bench.outputs[target]
    start = bench.link_s - float(rng.uniform(-0.05, 0.5)) * min(1.0, bench.boot_s)
    run(bench, target, start, max(bench.link_s + of.lag_s, start + 0.03), beyond(of, rng))
    bench.decidable = "hard"
    return bench


def slewed(rng: Rng, kind: str, seed: int) -> Bench:
    """The others take a few frames to their places at the link; a device ran before it."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(1, 3)))
    target = device(bench, rng)
    others(bench, rng, [target], "preset")
    for output in bench.outputs:
        output.slew_frames = int(rng.integers(2, 7))
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    if rng.random() < 0.5:
        stop = bench.link_s
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = "hard"
    bench.note = "three or more outputs leave their presets in one frame and arrive together"
    return bench


def every_boot(rng: Rng, kind: str, seed: int) -> Bench:
    """It leaps in the first boot and in each later one, as the transmitter starts up."""
    bench = (
        leaps_at_link(rng, kind, seed) if rng.random() < 0.5 else runs_from_switch(rng, kind, seed)
    )
    first = bench.pieces[0]
    length = first.stop_s - first.start_s
    before = bench.link_s - first.start_s
    for _, on, link in bench.losses:
        start = max(on + 0.02, link - before)
        run(
            bench,
            first.output,
            start,
            start + min(length, link - start) if before > 0 else start + length,
            first.width_us,
        )
    return bench


def short_boot(rng: Rng, kind: str, seed: int) -> Bench:
    """The boot takes 0.1 to 1 s, and it runs in it."""
    bench = draft(rng, kind, seed)
    bench.boot_s = float(rng.uniform(0.1, 1.0))
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start = bench.on_s + 0.03
    stop = bench.link_s if rng.random() < 0.6 else bench.on_s + 0.6 * bench.boot_s + 0.03
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def stays_after_link(rng: Rng, kind: str, seed: int) -> Bench:
    """Stale widths go on after the link, which the others show, until a packet sets them right."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng, wait_s=float(rng.uniform(2.5, 4.0)))
    start = bench.link_s - float(rng.choice([0.0, 0.0, 0.4])) * bench.boot_s
    stop = bench.link_s + float(rng.uniform(0.3, 2.2))
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.note = "a stick held at the link would be a hazard as well"
    return bench


def one_witness(rng: Rng, kind: str, seed: int) -> Bench:
    """One other output alone shows the link, by a step; it is on a stick, not on a switch."""
    bench = draft(rng, kind, seed, switch=False, spare=0)
    target = int(rng.choice([0, 2]))
    others(bench, rng, [target], "rest")
    of = bench.outputs[1]
    of.before_us = stand(of, rng)
    bench.outputs[target].before_us = bench.outputs[target].rest_us
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = "hard"
    bench.note = "a drive on a stick steps by tens of us in one frame, once"
    return bench


def held_at_same_width(rng: Rng, kind: str, seed: int) -> Bench:
    """It runs in the boot at the very width at which its stick is held as the link comes."""
    bench = draft(rng, kind, seed)
    target = 2
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng, wait_s=2.5)
    bench.decidable = evidence(bench, [target])  # It does not step itself
    of = bench.outputs[target]
    start = bench.on_s + float(rng.uniform(0.05, 0.5)) * bench.boot_s
    place = 1.0 if of.control == "switch" else float(rng.uniform(0.4, 1.0))
    takes = 0.0 if of.control == "switch" else float(rng.uniform(0.15, 0.4))
    bench.moves += [
        Move("weapon", 0.0, place, 0.001),
        Move("weapon", bench.link_s + 1.2, 0.0, takes),
    ]
    run(bench, target, start, bench.link_s, of.rest_us + place * of.gain_us)
    return bench


def bursts(rng: Rng, kind: str, seed: int) -> Bench:
    """All are silent; in the boot one to eight pulses of a running width come, then silence."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [], "silent")
    hands(bench, rng)
    start = inside(bench, rng, 0.1)[0]
    lasts = frames(bench, rng)
    all_of_them = rng.random() < 0.5
    for n, output in enumerate(bench.outputs):
        if n == target:
            run(bench, n, start, start + lasts, beyond(output, rng))
        elif all_of_them:
            run(bench, n, start, start + lasts, output.rest_us)
    return bench


def switched_twice(rng: Rng, kind: str, seed: int) -> Bench:
    """Switched on, off again before any link, and on: it runs in the first try or between."""
    bench = draft(rng, kind, seed)
    first = bench.on_s
    off = first + float(rng.uniform(1.0, 5.0))
    bench.on_s = off + float(rng.uniform(1.0, 6.0))
    bench.aborted = (first, off)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    start = first + float(rng.uniform(0.1, 0.7)) * (off - first)
    stop = float(rng.choice([start + 0.3, off + 0.3, bench.on_s - 0.1, bench.link_s]))
    run(bench, target, start, stop, beyond(bench.outputs[target], rng))
    bench.decidable = evidence(bench, [target])
    return bench


def kill_gives_power(rng: Rng, kind: str, seed: int) -> Bench:
    """The weapon runs in the boot while its kill channel gives power, from the start or by then."""
    bench = draft(rng, kind, seed, spare=0)
    bench.guards = ("RX3",)
    kill = Output(
        "RX4",
        "kill",
        1000.0,
        1000.0,
        (950.0, 1050.0),
        "switch",
        {"kill": 1.0},
        failsafe_us=1000.0,
        before_us=1000.0,
        skew_us=90.0,
    )
    bench.outputs.append(kill)
    others(bench, rng, [2, 3], str(rng.choice(["silent", "preset"])))
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.0)))
    if rng.random() < 0.5:
        stop = bench.link_s
    if rng.random() < 0.5:
        kill.before_us = 2000.0
    else:
        run(bench, 3, start - 0.05, stop, 2000.0)
    run(bench, 2, start, stop, beyond(bench.outputs[2], rng))
    bench.decidable = evidence(bench, [2])
    return bench


def others_step_about(rng: Rng, kind: str, seed: int) -> Bench:
    """Before the link the others step about, one after another; so does a device, out of range."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(1, 3)))
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    for n, output in enumerate(bench.outputs):
        for _ in range(int(rng.integers(1, 3))):
            start, stop = inside(bench, rng, float(rng.uniform(0.05, 1.0)))
            run(bench, n, start, stop, beyond(output, rng) if n == target else stand(output, rng))
    bench.decidable = evidence(bench, [target])
    return bench


def creeps(rng: Rng, kind: str, seed: int) -> Bench:
    """It creeps out of its stop range over most of the boot, and is back at the link."""
    bench = draft(rng, kind, seed)
    bench.boot_s = max(bench.boot_s, 2.0)
    target = device(bench, rng)
    others(bench, rng, [target])
    shows(bench, [target], rng)
    hands(bench, rng)
    of = bench.outputs[target]
    of.before_us = of.rest_us if np.isnan(of.before_us) else of.before_us
    start = bench.on_s + float(rng.uniform(0.02, 0.3)) * bench.boot_s
    far = beyond(of, rng)
    run(bench, target, start, bench.link_s, ramp(start, of.before_us, bench.link_s, far))
    bench.decidable = evidence(bench, [target])
    return bench


def bursts_at_link(rng: Rng, kind: str, seed: int) -> Bench:
    """All are silent; its first pulses, one to eight, command motion; the others come with it."""
    bench = draft(rng, kind, seed)
    target = device(bench, rng)
    others(bench, rng, [], "silent")
    hands(bench, rng)
    end = bench.link_s + frames(bench, rng)
    run(bench, target, bench.link_s, end, beyond(bench.outputs[target], rng))
    return bench


def mixture(rng: Rng, kind: str, seed: int) -> Bench:
    """Who runs, how, when, what the others do and how they arrive are drawn apart."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(0, 3)))
    bench.boot_s = max(bench.boot_s, 1.0)
    who = list(WHO[str(rng.choice(list(WHO)))])
    if rng.random() < 0.2 and len(bench.outputs) > 3:
        second_receiver(bench, rng, range(2, len(bench.outputs)))
        bench.receivers[1].search_s = float(rng.uniform(0.0, 3.0))
    others(bench, rng, who)
    if len(who) < 3:
        shows(bench, who, rng)
    for n in who:
        bench.outputs[n].before_us = float(
            rng.choice([bench.outputs[n].rest_us, stand(bench.outputs[n], rng)])
        )
    arrives = str(rng.choice(["together", "together", "one by one", "slewed"]))
    spread = float(rng.uniform(0.1, 1.0))
    for output in bench.outputs:
        output.lag_s = float(rng.uniform(0, spread)) if arrives == "one by one" else 0.0
        output.slew_frames = int(rng.integers(2, 6)) if arrives == "slewed" else 0
    if rng.random() < 0.2:
        bench.marker = None
    hands(bench, rng, wait_s=float(rng.uniform(1.2, 3.0)))
    first = bench.outputs[who[0]]
    link = bench.link_s + bench.receivers[first.receiver].search_s + first.lag_s
    when = str(rng.choice(["inside", "until", "across", "at once"]))
    start, stop = inside(bench, rng, float(rng.uniform(0.1, 2.5)))
    if when in ("until", "across"):
        stop = link + (float(rng.uniform(0.1, 0.8)) if when == "across" else 0.0)
        start = max(bench.on_s + 0.05, link - float(rng.uniform(0.2, 2.0)))
    elif when == "at once":
        start, stop = bench.on_s + 0.03, bench.on_s + float(rng.uniform(0.2, 0.7)) * bench.boot_s
    how = str(rng.choice(["step", "step", "reach", "ramp"]))
    for n in who:
        of = bench.outputs[n]
        far = beyond(of, rng, None if how == "step" else "end")
        takes = min(float(rng.uniform(0.08, 0.35)), 0.45 * (stop - start))
        width = {
            "step": flat(far),
            "reach": reach(start, stop, of.before_us, far, takes),
            "ramp": ramp(start, of.before_us, stop, far),
        }[how]
        run(bench, n, start, stop, width)
    for n in who:
        mine = [m for m in who if bench.outputs[m].receiver == bench.outputs[n].receiver]
        bench.decidable_of[bench.outputs[n].name] = evidence(bench, mine)
    bench.decidable = bench.decidable_of[first.name]
    bench.note = f"{len(who)} {how} {when}, others {arrives}"
    return bench


def named(*kinds: Kind) -> dict[str, Kind]:
    """Name each kind by its function."""
    return {kind.__name__.replace("_", " "): kind for kind in kinds}


UNSAFE: Final = named(
    runs_until_link,
    runs_from_switch,
    runs_and_returns,
    reaches_and_returns,
    ramps,
    leaps_at_link,
    leaps_before_link,
    both_drives,
    stale_trims,
    half_mixed,
    receiver_later,
    receiver_sooner,
    receiver_decoy,
    silent_presets_link,
    silent_rest_presets,
    weapon_before_sticks,
    width_of_stick,
    width_of_failsafe,
    late_marker,
    no_marker,
    no_marker_until_link,
    switch_weapon,
    others_held,
    flickers,
    rate_tells,
    servo_decoy,
    servo_wakes_late,
    startup_widths_twice,
    leaps_after_link,
    odd_width,
    all_leap,
    one_by_one,
    slewed,
    every_boot,
    short_boot,
    stays_after_link,
    one_witness,
    held_at_same_width,
    bursts,
    switched_twice,
    kill_gives_power,
    others_step_about,
    creeps,
    bursts_at_link,
    mixture,
)
