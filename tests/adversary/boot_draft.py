"""A bench that would meet but for its boot: outputs, receiver, marker, and what hands do."""

from __future__ import annotations

import copy
from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from boot_bench import DEVICES, LEAP_US, SILENT, Bench, FloatArray, Move, Output, Piece, Receiver

Rng = np.random.Generator
Width = Callable[[FloatArray], FloatArray]
FRAMES_S: Final = (0.007, 0.009, 0.011, 0.014, 0.018, 0.02, 0.02, 0.02, 0.022)
HOWS: Final = ("silent", "rest", "preset", "mixed")
GIMBALS: Final = ({"elevator", "aileron"}, {"throttle", "rudder"})


def drives(control: str = "elevator") -> list[Output]:
    """Two drives, mixed in the transmitter."""
    stop = (1470.0, 1530.0)
    return [
        Output(
            "RX1", "drive-left", 1500.0, 400.0, stop, control, {"elevator": 0.7, "aileron": 0.5}
        ),
        Output(
            "RX2", "drive-right", 1500.0, 400.0, stop, control, {"elevator": 0.7, "aileron": -0.5}
        ),
    ]


def weapon(rng: Rng, switch: bool | None = None) -> Output:
    """Draw a weapon of one way or both ways, on a stick or a switch."""
    by = "switch" if (rng.random() < 0.4 if switch is None else switch) else "throttle"
    if rng.random() < 0.25:
        both = Output("RX3", "weapon", 1500.0, 400.0, (1465.0, 1535.0), by, {"weapon": 1.0})
        both.failsafe_us = 1500.0
        return both
    one = Output(
        "RX3",
        "weapon",
        1000.0,
        float(rng.choice([700, 850, 1000])),
        (950.0, 1045.0),
        by,
        {"weapon": 1.0},
    )
    one.failsafe_us = 1000.0
    return one


def draft(rng: Rng, kind: str, seed: int, *, switch: bool | None = None, spare: int = -1) -> Bench:
    """Draw a bench, before its boot is told."""
    outputs = [*drives(), weapon(rng, switch)]
    for n in range(int(rng.integers(0, 3)) if spare < 0 else spare):
        by = str(rng.choice(["switch", "rudder", "dial"]))
        rest = float(rng.choice([1500.0, 1200.0, 1100.0]))
        role = "servo" if n == 0 else "spare"
        extra = Output(f"RX{4 + n}", role, rest, 350.0, None, by, {f"extra{n}": 1.0})
        extra.failsafe_us = rest + float(rng.choice([-150.0, 250.0, 400.0]))
        outputs.append(extra)
    for output in outputs:
        output.before_us = output.failsafe_us
    if rng.random() < 0.5:
        for n, output in enumerate(outputs):
            output.skew_us = n * float(rng.choice([4.0, 30.0]))
    else:
        for n, output in enumerate(outputs):
            output.skew_us = 2400.0 * n if len(outputs) <= 2 else 3.0 * n
    frame_s = float(rng.choice(FRAMES_S))
    receiver = Receiver(
        frame_s * (1 + rng.normal(0, 2e-5)),
        frame_s if rng.random() < 0.4 else float(rng.choice([0.004, 0.009, 0.0225])),
        float(rng.uniform(0.003, 0.02)),
        float(rng.uniform(0.25, 1.1)),
        phase_s=float(rng.uniform(0, frame_s)),
    )
    on_s = float(rng.uniform(1.5, 5.0))
    boot_s = float(rng.choice([rng.uniform(0.4, 3.0), rng.uniform(2.0, 12.0), rng.uniform(8, 30)]))
    bench = Bench(seed, kind, outputs, [receiver], on_s, boot_s)
    bench.tick_s = float(rng.choice([1e-6, 5e-7, 2.5e-7]))
    bench.jitter_us = float(rng.uniform(0.1, 3.0))
    bench.tremor_us = float(rng.choice([0.0, 0.4, 1.0]))
    bench.step_us = float(rng.choice([0.25, 0.5, 1.0]))
    bench.states_band = bool(rng.random() < 0.3)
    bench.states_control = bool(rng.random() < 0.8)
    bench.marker = {"line": "tx", "on": "high", "kind": "switch", "late_s": 0.01}
    bench.marker_on_late_s = bench.marker_off_late_s = 0.001
    draw = rng.random()
    if draw < 0.1:
        bench.marker = {
            "line": "tx",
            "on": str(rng.choice(["high", "low"])),
            "kind": "light",
            "late_s": 0.25,
        }
        bench.marker_on_late_s, bench.marker_off_late_s = rng.uniform(0.03, 0.22, 2)
    elif draw < 0.15:
        bench.marker = {"line": "tx", "on": "low", "kind": "button", "late_s": 0.3}
        bench.marker_on_late_s, bench.marker_off_late_s = rng.uniform(0.1, 0.2, 2)
    return bench


def others(bench: Bench, rng: Rng, targets: Sequence[int], how: str | None = None) -> None:
    """Say where the other outputs stand before the link; at least one shows it if `how` allows."""
    how = str(rng.choice(HOWS)) if how is None else how
    for n, output in enumerate(bench.outputs):
        if n in targets:
            continue
        mode = str(rng.choice(HOWS[:3])) if how == "mixed" else how
        if mode == "silent":
            output.before_us = SILENT
        elif mode == "rest":
            output.before_us = output.rest_us
        else:
            output.before_us = stand(output, rng)


def stand(output: Output, rng: Rng) -> float:
    """Draw a preset away from rest; a device's is inside its stop range."""
    if output.stop_us is None:
        return output.rest_us + float(rng.choice([-180.0, -90.0, 120.0, 300.0]))
    low, high = output.stop_us
    return float(
        rng.choice(
            [rng.uniform(low + 8, output.rest_us - 14), rng.uniform(output.rest_us + 14, high - 8)]
        )
    )


def shows(bench: Bench, targets: Sequence[int], rng: Rng) -> None:
    """Have two other outputs, or one silent, show the link by a step in one frame."""
    rest = [n for n in range(len(bench.outputs)) if n not in targets]
    first = bench.outputs[targets[0]].receiver
    rest = [n for n in rest if bench.outputs[n].receiver == first]
    if any(np.isnan(bench.outputs[n].before_us) for n in rest):
        return
    for n in rest[:2] if len(rest) > 1 else rest:
        bench.outputs[n].before_us = stand(bench.outputs[n], rng)
    if len(rest) < 2:
        for n in rest:
            bench.outputs[n].before_us = SILENT


def evidence(bench: Bench, targets: Sequence[int]) -> str:
    """Whether outputs show when their receiver's link comes: "yes", or less plainly, "hard".

    Plainly: one was silent until then, or two that no one hand moves step in the same frame. A
    target that runs until the link steps then too.
    """
    receiver = bench.outputs[targets[0]].receiver
    link = bench.link_s + bench.receivers[receiver].search_s
    rest = [o for n, o in enumerate(bench.outputs) if n not in targets and o.receiver == receiver]
    if any(np.isnan(o.before_us) for o in rest):
        return "yes"
    steps = [o for o in rest if abs(o.before_us - o.rest_us) >= 12 and not o.slew_frames]
    hands = {hand_of(o) for o in steps if o.lag_s == 0.0}
    for piece in bench.pieces:
        of = bench.outputs[piece.output]
        if piece.output in targets and of.receiver == receiver and abs(piece.stop_s - link) < 1e-6:
            last = piece.width_us(np.array([link]))[0]
            hands |= {hand_of(of)} if abs(last - of.rest_us) >= 12 else set()
    return "yes" if len(hands) >= 2 else "hard"


def hand_of(output: Output) -> str:
    """What moves an output: one gimbal moves two axes, and a switch its own output alone."""
    number = next((n for n, axes in enumerate(GIMBALS) if output.control in axes), None)
    return output.name if number is None else f"gimbal {number}"


def hands(
    bench: Bench,
    rng: Rng,
    *,
    first: str | None = None,
    wait_s: float | None = None,
    losses: int = 10,
    held: Sequence[str] = (),
) -> None:
    """Draw what hands do: every control once, then ten losses with the sticks held."""
    last = max(r.search_s for r in bench.receivers)
    start = bench.link_s + last + max(o.lag_s for o in bench.outputs)
    at = start + (float(rng.uniform(1.0, 3.0)) if wait_s is None else wait_s)
    axes = sorted({axis for o in bench.outputs for axis in o.weights})
    rng.shuffle(axes)
    if first is not None:
        axes.remove(first)
        axes.insert(0, first)
    for axis in axes:
        one_way, step = nature(bench, axis)
        takes = 0.0 if step else float(rng.uniform(0.15, 0.5))
        ends = (1.0,) if one_way or step else (1.0, -1.0)
        for end in ends if rng.random() < 0.5 else ends[::-1]:
            bench.moves.append(Move(axis, at, end * float(rng.uniform(0.9, 1.0)), takes))
            at += takes + float(rng.uniform(0.9, 1.8))
        bench.moves.append(Move(axis, at, 0.0, takes))
        at += takes + float(rng.uniform(0.5, 1.2))
    for axis in held:  # Off rest as the link comes, until its turn
        bench.moves.append(Move(axis, 0.0, float(rng.uniform(0.4, 0.8)), 0.001))
    released = rng.random() < 0.2
    warm = rng.random() < 0.6
    bench.first_loss_s = 0.0
    for _ in range(losses):
        for axis in axes:
            one_way, step = nature(bench, axis)
            to = float(rng.uniform(0.6, 0.95))
            if axis == "aileron":
                to = float(rng.uniform(-0.25, 0.25))
            elif not (one_way or step) and rng.random() < 0.5:
                to = -to
            at += float(rng.uniform(0.05, 0.4))
            bench.moves.append(Move(axis, at, 1.0 if step else to, 0.0 if step else 0.3))
        at += 0.3 + float(rng.uniform(1.0, 1.8))
        off = at
        bench.first_loss_s = bench.first_loss_s or off
        on = off + float(rng.uniform(3.0, 6.0))
        cold = min(bench.boot_s, 12.0) * rng.uniform(0.9, 1.1)
        link = on + float(rng.uniform(0.5, 2.5) if warm else cold)
        bench.losses.append((off, on, link))
        settle = off + max(r.failsafe_s for r in bench.receivers) + 0.4
        at = settle if released else link + last + float(rng.uniform(0.9, 1.6))
        for axis in axes:
            at += float(rng.uniform(0.02, 0.2))
            step = nature(bench, axis)[1]
            bench.moves.append(Move(axis, at, 0.0, 0.0 if step else 0.2))
        at = max(at + 0.2, link + last) + float(rng.uniform(0.8, 1.4))
    bench.end_s = at + 1.0


def nature(bench: Bench, axis: str) -> tuple[bool, bool]:
    """Whether a control goes one way only, and whether it is a switch."""
    of = next(o for o in bench.outputs if axis in o.weights)
    return of.role == "weapon" and of.rest_us < 1300, of.control == "switch"


def beyond(output: Output, rng: Rng, size: str | None = None) -> float:
    """Draw a running width: just beyond the stop range, anywhere, or the end of the travel."""
    low, high = output.stop_us or (output.rest_us, output.rest_us)
    size = str(rng.choice(["just", "any", "any", "end"])) if size is None else size
    up = output.rest_us < 1300 or rng.random() < 0.5
    end = output.rest_us + output.gain_us if up else output.rest_us - output.gain_us
    edge = high + LEAP_US + 4 if up else low - LEAP_US - 4
    if size == "just":
        return edge + (1 if up else -1) * float(rng.uniform(0, 25))
    return end if size == "end" else float(rng.uniform(min(edge, end), max(edge, end)))


def flat(width_us: float) -> Width:
    """One width."""
    return lambda at_s: np.full(at_s.shape, width_us)


def ramp(start_s: float, from_us: float, stop_s: float, to_us: float) -> Width:
    """A straight way between two widths."""
    per_s = (to_us - from_us) / (stop_s - start_s)
    return lambda at_s: from_us + per_s * (at_s - start_s)


def reach(start_s: float, stop_s: float, rest_us: float, to_us: float, takes_s: float) -> Width:
    """There and back as a hand goes."""

    def width(at_s: FloatArray) -> FloatArray:
        there = np.clip((at_s - start_s) / takes_s, 0, 1)
        back = np.clip((stop_s - at_s) / takes_s, 0, 1)
        part = np.minimum(there, back)
        smooth: FloatArray = part**3 * (10 - 15 * part + 6 * part**2)
        return rest_us + np.round((to_us - rest_us) * smooth)

    return width


def run(bench: Bench, target: int, start_s: float, stop_s: float, width: Width | float) -> None:
    """Have an output run without a hand."""
    shape = flat(width) if isinstance(width, float) else width
    bench.pieces.append(Piece(target, start_s, stop_s, shape))


def inside(bench: Bench, rng: Rng, lasts_s: float) -> tuple[float, float]:
    """Draw a part of the boot, clear of its ends."""
    lasts_s = min(lasts_s, 0.6 * bench.boot_s)
    start = bench.on_s + float(rng.uniform(0.1, 0.9)) * (bench.boot_s - lasts_s - 0.1) + 0.03
    return start, start + lasts_s


def device(bench: Bench, rng: Rng) -> int:
    """Draw a device."""
    return int(rng.choice([n for n, o in enumerate(bench.outputs) if o.role in DEVICES]))


def frames(bench: Bench, rng: Rng, low: int = 1, high: int = 9) -> float:
    """Draw a time of a few frames."""
    return (int(rng.integers(low, high)) + 0.02) * bench.receivers[0].frame_s


def second_receiver(bench: Bench, rng: Rng, moved: Sequence[int]) -> None:
    """Put outputs on a second receiver with a clock of its own."""
    second = copy.copy(bench.receivers[0])
    second.frame_s *= 1 + float(rng.choice([-1, 1])) * float(rng.uniform(1e-5, 8e-5))
    second.phase_s = float(rng.uniform(0, second.frame_s))
    second.failsafe_s = float(rng.uniform(0.25, 1.1))
    bench.receivers.append(second)
    for n in moved:
        bench.outputs[n].receiver = 1
