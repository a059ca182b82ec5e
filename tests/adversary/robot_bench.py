"""Robots as built, the hands that test them, and what each device is commanded to do.

Nothing of the product and nothing of ``pwmscope.synth`` is used. Times are seconds, widths
microseconds, positions of a control -1 to 1. A transmitter boots, may send stale or start-up
widths first, and goes silent; each receiver has a frame clock, a delay until it takes packets again
and, for each output, what it does without them. Hands follow a list of steps late, on the wrong
stick, with twitches. The truth is kept by the devices, never read from the record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
AXES = ("aileron", "elevator", "throttle", "rudder")
REST = {"aileron": 0.0, "elevator": 0.0, "throttle": -1.0, "rudder": 0.0}
LEAP_US = 40.0
POWER_UP_S = 0.8  # from the first step until the robot has power, where the steps power it up


@dataclass(frozen=True)
class Step:
    """What the hands are asked to do for some time, as a plan says it."""

    seconds: float
    on: bool = True
    targets: Mapping[str, float] = field(default_factory=dict)  # a control's name -> its place
    powered: bool = True


@dataclass(frozen=True)
class Hands:
    """How a person follows the steps."""

    late_s: float = 0.0  # median of how late each change begins
    wrong: float = 0.0  # part of the steps in which another control is moved
    twitches: int = 0  # short movements at times of their own
    place: float = 0.0  # scatter of where a stick is held
    lets_go: float = 0.0  # part of the losses in which the sticks are let go


@dataclass(frozen=True)
class Output:
    """One output of a receiver, and the control or the mix that moves it."""

    mix: tuple[tuple[str, float], ...]  # a control and its share, added and clipped to -1..1
    centre_us: float = 1500.0
    reach_us: float = 500.0
    on_loss: str = "preset"  # "hold", "preset", "stop", "stop then preset", "ramp", "leaves"
    preset_us: float = 1500.0
    react_s: float = 0.3  # from the last packet until it does so
    before: str = "silent"  # before the first link: "silent", "preset", "runs"
    runs_us: float = 1800.0  # the width it goes to where it "runs" or "leaves"


@dataclass(frozen=True)
class Device:
    """What hangs on an output: where it stands still, and what it does without pulses."""

    stops_us: tuple[float, float]
    no_pulses: str = "stops"  # or "keeps going"
    runs_on_s: float = 0.1
    guards: tuple[str, ...] = ()
    is_motor: bool = True  # a drive or weapon, which must not run before the link either


@dataclass(frozen=True)
class Receiver:
    """A receiver: frames of its own clock, and how long it takes to take packets again."""

    outputs: Mapping[str, Output]
    period_s: float = 0.014
    ppm: float = 0.0
    back_s: tuple[float, ...] = (0.1,)  # for each time the carrier comes; the last one repeats
    misses: float = 0.0  # part of the frames without a fresh packet
    knows_s: float = 0.0  # presets are known so long after the link; lost before, it holds
    restarts_s: tuple[tuple[float, float], ...] = ()  # spans without supply


@dataclass(frozen=True)
class Transmitter:
    """From its switch to the carrier, and what it sends first."""

    boot_s: tuple[float, ...] = (0.5,)
    dies_s: float = 0.003
    first: str = "live"  # "live", "stale" (what it last sent), "start-up" (widths of its own)
    first_s: float = 0.0
    start_up: Mapping[str, float] = field(default_factory=dict)  # a control's place, else 0


@dataclass(frozen=True)
class Bench:
    """Everything that one recording is made of."""

    receivers: Mapping[str, Receiver]
    transmitter: Transmitter
    devices: Mapping[str, Device]
    limit_s: float = 2.0
    sample_s: float = 1e-6
    jitter_us: float = 0.3
    marker: str = "switch"  # "button", or "" for none
    marker_late_s: float = 0.0  # a button: at most
    seed: int = 0


@dataclass
class Take:
    """A recording as edges, and what was true in it."""

    edges: dict[str, tuple[NDArray[np.int64], int]]
    duration_s: float
    unsafe: dict[str, list[str]]  # device -> why it was commanded to run
    losses: dict[str, list[tuple[float, float]]]  # receiver -> spans without packets
    leaps: list[tuple[str, float]]  # a device commanded to run between switch and live packets


def _changes(steps: list[Step], hands: Hands, rng: np.random.Generator) -> dict[str, list]:
    """For each control, when it begins to move, how long that takes, and where to."""
    names = sorted({n for s in steps for n in s.targets} | set(AXES))
    places: dict[str, list] = {n: [] for n in names}
    now = {n: REST.get(n, -1.0) for n in names}
    at_s = 0.0
    for step in steps:
        wanted = {n: step.targets.get(n, REST.get(n, -1.0)) for n in names}
        sticks = [n for n in AXES if abs(wanted[n] - now[n]) > 0.05]
        if not step.on and rng.random() < hands.lets_go:
            slip_s = at_s + rng.uniform(0.1, step.seconds)
            for n in AXES:
                places[n].append((slip_s, 0.15, REST[n]))
                now[n] = REST[n]
        elif len(sticks) == 1 and rng.random() < hands.wrong:
            other = str(rng.choice([n for n in AXES if n != sticks[0]]))
            wanted[other], wanted[sticks[0]] = wanted[sticks[0]], now[sticks[0]]
        late_s = hands.late_s * float(np.exp(rng.normal(0.0, 0.6))) if hands.late_s else 0.0
        late_s = min(late_s, 0.7 * step.seconds)
        for n in names:
            if abs(wanted[n] - now[n]) < 0.02:
                continue
            is_stick = n in AXES
            held = wanted[n] != REST.get(n, -1.0) and abs(wanted[n]) < 1
            to = wanted[n] + (rng.normal(0, hands.place) if is_stick and held else 0.0)
            lasts_s = rng.uniform(0.08, 0.25) if is_stick else 0.02
            places[n].append((at_s + late_s, lasts_s, float(np.clip(to, -1, 1))))
            now[n] = wanted[n]
        at_s += step.seconds
    for _ in range(hands.twitches):
        n, when_s = str(rng.choice(AXES[:3])), rng.uniform(1.0, at_s - 1.0)
        before = [p for p in places[n] if p[0] + p[1] <= when_s]
        if any(abs(p[0] - when_s) < 1.0 for p in places[n]):
            continue
        level = before[-1][2] if before else REST[n]
        to = float(np.clip(level + rng.choice((-1, 1)) * rng.uniform(0.1, 0.5), -1, 1))
        places[n] += [(when_s, 0.08, to), (when_s + 0.25, 0.08, level)]
    return places


def _positions(places: dict[str, list], at_s: Array) -> dict[str, Array]:
    """Where each control is at some times."""
    result = {}
    for name, changes in places.items():
        level, xs, ys = REST.get(name, -1.0), [0.0], [REST.get(name, -1.0)]
        for start_s, lasts_s, to in sorted(changes):
            begin_s = max(start_s, xs[-1] + 1e-6)
            xs += [begin_s, begin_s + lasts_s]
            ys += [level, to]
            level = to
        result[name] = np.interp(at_s, xs, ys)
    return result


def _switching(steps: list[Step]) -> list[tuple[float, bool]]:
    """When the transmitter's switch is moved, and which way."""
    moves, at_s, was = [], 0.0, None
    for step in steps:
        if step.on != was:
            moves.append((at_s, step.on))
            was = step.on
        at_s += step.seconds
    return moves


def _carrier(bench: Bench, moves: list[tuple[float, bool]], end_s: float) -> list:
    """Spans in which the transmitter sends, and until when each is not live yet."""
    spans, transmitter, comes = [], bench.transmitter, 0
    for number, (at_s, on) in enumerate(moves):
        if not on:
            continue
        off_s = moves[number + 1][0] if number + 1 < len(moves) else end_s + 10
        if at_s == 0.0:  # it was on before the recording
            begins_s, live_s = -10.0, -10.0
        else:
            boot = transmitter.boot_s[min(comes, len(transmitter.boot_s) - 1)]
            comes += 1
            begins_s = at_s + boot
            live_s = begins_s + (transmitter.first_s if transmitter.first != "live" else 0.0)
        ends_s = off_s + transmitter.dies_s
        if begins_s < ends_s:
            spans.append((begins_s, min(live_s, ends_s), ends_s))
    return spans


def _frames(receiver: Receiver, powered_s: float, end_s: float, rng: np.random.Generator) -> Array:
    """When the frames of a receiver begin; the clock begins anew with its supply."""
    period_s = receiver.period_s * (1 + receiver.ppm * 1e-6)
    starts, begins = [], [powered_s, *(b for _, b in receiver.restarts_s)]
    ends = [*(a for a, _ in receiver.restarts_s), end_s]
    for begin_s, stop_s in zip(begins, ends, strict=True):
        first_s = begin_s + rng.uniform(0, period_s) + (0.05 if begin_s > 0 else 0)
        starts.append(np.arange(first_s, stop_s - 0.003, period_s))
    return np.concatenate(starts)


@dataclass(frozen=True)
class Frames:
    """The frames of a receiver, as columns."""

    at_s: Array
    fresh: NDArray[np.bool_]  # Whether it has a packet of its own
    quiet_s: Array  # Since the last packet
    linked_s: Array  # How long the link had been there by then
    ahead_s: Array  # Until the next packet
    ever: NDArray[np.bool_]  # Whether there was a link since it had power


def _widths(output: Output, sent: dict[str, Array], frames: Frames, knows_s: float) -> Array:
    """The width of each frame's pulse, NaN for none."""
    fresh, quiet_s = frames.fresh, frames.quiet_s
    place = np.clip(sum(share * sent[n] for n, share in output.mix), -1, 1)
    live = output.centre_us + output.reach_us * place
    index = np.maximum.accumulate(np.where(fresh, np.arange(fresh.size), 0))
    width = live[index]
    lost = quiet_s > output.react_s
    kind = output.on_loss
    knows = frames.linked_s >= knows_s
    if kind in ("preset", "leaves"):
        width = np.where(lost & knows, output.preset_us, width)
    elif kind == "stop":
        width = np.where(lost & knows, np.nan, width)
    elif kind == "stop then preset":
        width = np.where(lost & knows, np.nan, width)
        width = np.where(lost & knows & (quiet_s > output.react_s + 0.4), output.preset_us, width)
    elif kind == "ramp":
        part = np.clip((quiet_s - output.react_s) / 0.5, 0, 1)
        width = np.where(lost & knows, width + part * (output.preset_us - width), width)
    if kind == "leaves":
        leaves = lost & knows & (frames.ahead_s < 0.25) & (quiet_s > output.react_s + 0.2)
        width = np.where(leaves, output.runs_us, width)
    before = {"silent": np.nan, "preset": output.preset_us, "runs": output.runs_us}[output.before]
    return np.where(frames.ever, width, before)


def record(bench: Bench, steps: list[Step], hands: Hands) -> Take:
    """What the analyser stores of one performance, and what was true in it."""
    rng = np.random.default_rng([bench.seed, 77])
    places = _changes(steps, hands, np.random.default_rng([bench.seed, 5]))
    end_s = sum(s.seconds for s in steps) + 1.0
    moves = _switching(steps)
    carrier = _carrier(bench, moves, end_s)
    powered_s = POWER_UP_S if not steps[0].on else 0.0
    take = Take({}, end_s, {}, {}, [])
    timelines: dict[str, tuple[Array, NDArray[np.bool_], str]] = {}
    far: dict[str, NDArray[np.bool_]] = {}
    for name, receiver in bench.receivers.items():
        frame_s = _frames(receiver, powered_s, end_s, rng)
        sent_s = frame_s - rng.uniform(0.002, 0.006)
        taken = [
            (b + receiver.back_s[min(k, len(receiver.back_s) - 1)] * (b > 0), live, e)
            for k, (b, live, e) in enumerate(carrier)
        ]
        fresh = np.zeros(frame_s.size, bool)
        since_s = np.full(frame_s.size, -1e9)  # when the running link began
        for begin_s, _, stop_s in taken:
            inside = (sent_s >= begin_s) & (sent_s < stop_s)
            fresh |= inside
            since_s[sent_s >= begin_s] = begin_s
        fresh &= rng.random(frame_s.size) >= receiver.misses
        begun = np.array([powered_s, *(b for _, b in receiver.restarts_s)])
        life = np.searchsorted(begun, frame_s, "right")
        ever = np.zeros(frame_s.size, bool)
        for k in range(1, begun.size + 1):
            ever[life == k] = np.logical_or.accumulate(fresh[life == k])
        stamp = np.maximum.accumulate(np.where(fresh, frame_s, -1e9))
        quiet_s = frame_s - stamp
        last_index = np.maximum.accumulate(np.where(fresh, np.arange(fresh.size), 0))
        linked_for_s = stamp - since_s[last_index]
        ahead = np.minimum.accumulate(np.where(fresh, frame_s, 1e9)[::-1])[::-1]
        frames = Frames(frame_s, fresh, quiet_s, linked_for_s, ahead - frame_s, ever)
        sent = _positions(places, sent_s)
        first = bench.transmitter.first
        for begin_s, live_s, _ in carrier:
            early = (sent_s >= begin_s) & (sent_s < live_s)
            if not early.any():
                continue
            before = _positions(places, np.array([max(e for _, _, e in carrier if e < begin_s)])) \
                if any(e < begin_s for _, _, e in carrier) else None  # fmt: skip
            for n in sent:
                if first == "stale" and before is not None:
                    sent[n][early] = before[n][0]
                else:
                    sent[n][early] = bench.transmitter.start_up.get(n, 0.0)
        spans = [(powered_s, taken[0][0])] if taken[0][0] > 0 else []
        spans += [(a[2], b[0]) for a, b in pairwise(taken)]
        if taken[-1][2] < end_s:
            spans.append((taken[-1][2], end_s))
        take.losses[name] = spans
        slot_s = receiver.period_s * 0.9 / max(len(receiver.outputs), 1)
        for number, (line, output) in enumerate(receiver.outputs.items()):
            width = _widths(output, sent, frames, receiver.knows_s)
            offset_s = number * slot_s if slot_s > 0.0026 else number * 2e-6
            there = np.isfinite(width)
            rise_s = frame_s[there] + offset_s
            shown = width[there] + rng.normal(0, bench.jitter_us, rise_s.size)
            take.edges[line] = _edges(rise_s, shown, bench.sample_s, end_s)
            if line in bench.devices:
                times = rise_s + width[there] / 1e6
                low, high = bench.devices[line].stops_us
                runs = (width[there] < low) | (width[there] > high)
                timelines[line] = (times, runs, name)
                far[line] = (width[there] < low - LEAP_US) | (width[there] > high + LEAP_US)
    _judge(bench, take, timelines, carrier, moves)
    _find_leaps(bench, take, timelines, far, carrier, moves)
    if bench.marker:
        late = (
            rng.uniform(0, bench.marker_late_s, len(moves)) if bench.marker == "button" else
            np.zeros(len(moves))
        )  # fmt: skip
        at = np.array([t + lag for (t, _), lag in zip(moves, late, strict=True) if t > 0])
        take.edges["tx-on"] = (
            np.rint(at / bench.sample_s).astype(np.int64) * round(bench.sample_s * 1e12),
            int(moves[0][1]),
        )
    return take


def _edges(rise_s: Array, width_us: Array, sample_s: float, end_s: float) -> tuple:
    """Sampled edges in picoseconds, and the level before the first."""
    pairs = np.column_stack([rise_s, rise_s + width_us / 1e6]).ravel()
    pairs = pairs[: np.searchsorted(pairs, end_s) // 2 * 2]
    ticks = np.ceil(pairs / sample_s).astype(np.int64)
    keep = np.concatenate([[True], np.diff(ticks) > 0]) if ticks.size else np.zeros(0, bool)
    return ticks[keep] * round(sample_s * 1e12), 0


def _running(device: Device, at_s: Array, runs: NDArray[np.bool_], end_s: float) -> list:
    """Spans in which the device is commanded to run."""
    if not at_s.size:
        return []
    until_s = np.append(at_s[1:], end_s)
    if device.no_pulses == "stops":
        until_s = np.minimum(until_s, at_s + max(device.runs_on_s, 0.06))
    spans: list = []
    for a, b in zip(at_s[runs].tolist(), until_s[runs].tolist(), strict=True):
        if spans and a - spans[-1][1] < 1e-9:
            spans[-1] = (spans[-1][0], b)
        else:
            spans.append((a, b))
    return spans


def _overlap(spans: list, start_s: float, end_s: float) -> list:
    return [(max(a, start_s), min(b, end_s)) for a, b in spans if a < end_s and b > start_s]


def _judge(bench: Bench, take: Take, timelines: dict, carrier: list, moves: list) -> None:
    """Say of each device whether it was commanded to run after the limit, and each leap."""
    running = {
        line: _running(bench.devices[line], at_s, runs, take.duration_s)
        for line, (at_s, runs, _) in timelines.items()
    }
    for line, (_, _, receiver) in timelines.items():
        spans = running[line]
        for kill, device in bench.devices.items():  # power is on where a kill channel "runs"
            if line in device.guards and kill in running:
                spans = [s for a, b in running[kill] for s in _overlap(spans, a, b)]
        motor = bench.devices[line].is_motor
        for number, (lost_s, back_s) in enumerate(take.losses[receiver]):
            before = number == 0 and carrier[0][0] > lost_s
            if before and not motor:
                continue
            late_s = lost_s if before else lost_s + bench.limit_s
            over = [b - a for a, b in _overlap(spans, late_s, back_s) if b - a > 1e-4]
            if over:
                what = "before the link" if before else f"loss {number}"
                take.unsafe.setdefault(line, []).append(f"{what}: {sum(over):.3f} s")


def _find_leaps(  # noqa: PLR0917 - all that a leap lies between
    bench: Bench, take: Take, timelines: dict, far: dict, carrier: list, moves: list
) -> None:
    """Note where a device is sent well out of its stop range between switch and live packets."""
    for line, (at_s, runs, _) in timelines.items():
        spans = _running(bench.devices[line], at_s, runs, take.duration_s)
        leaping = _running(bench.devices[line], at_s, far[line], take.duration_s)
        for on_s in (t for t, on in moves if on and t > 0):
            live_s = min((c[1] for c in carrier if c[0] >= on_s), default=take.duration_s)
            led = [a for a, b in leaping if on_s < b and a < live_s - 0.02]
            if led and not _overlap(spans, on_s - 0.1, on_s):
                take.leaps.append((line, max(led[0], on_s)))
