"""What receivers and their devices do in a loss: the safe kinds and the unsafe classes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from loss_bench import Kind, Output, Phase, Receiver, Response

SAFE = ("preset", "hold then preset", "stop", "stop then preset", "slower frames", "ramp")
MORE_SAFE = ("two steps", "levels inside")

UNSAFE = (
    "holds last",
    "holds, slow packets",
    "holds, slower frames",
    "preset outside",
    "late preset",
    "late stop",
    "late ramp",
    "wanders",
    "keeps following",
    "stuck high",
    "noise",
    "stop then active",
    "preset then leaves",
    "leaves after switch-on",
    "preset with odd pulses",
    "width beyond servo range",
    "stops, device runs on",
    "stops, device keeps going",
)


LOWEST_INSIDE_US = 880.0  # of the stop range of a weapon that turns one way


@dataclass(frozen=True)
class Moments:
    """When a receiver acts, in seconds after the last packet; alike on all its outputs."""

    detect: float
    second: float  # below the limit
    late: float  # above the limit
    leave: float  # above the limit, below the shortest loss
    leave_on: float  # after the switch-on, before the link is back


def moments(
    rng: np.random.Generator,
    limit_s: float,
    late_by: tuple[float, float],
    leave_by: float,
    marker_s: float,
) -> Moments:
    """Draw the moments at which a receiver acts."""
    most = max(0.2, limit_s - 0.15 - marker_s)
    detect = float(rng.uniform(0.03, min(0.6, 0.6 * most)))
    return Moments(
        detect,
        float(rng.uniform(min(detect + 0.1, most - 0.02), most)),
        limit_s + float(rng.uniform(*late_by)),
        limit_s + float(rng.uniform(0.05, max(0.1, leave_by - limit_s))),
        float(rng.uniform(0.0, 0.25)),
    )


def inside_us(output: Output, rng: np.random.Generator, margin_us: float) -> float:
    """A width in the device's stop range, clear of its ends where there is room."""
    low, high = output.stop_us
    low = max(low, LOWEST_INSIDE_US)
    middle = (low + high) / 2
    reach = max(0.0, (high - low) / 2 - margin_us)
    return float(middle + rng.uniform(-reach, reach))


def outside_us(output: Output, rng: np.random.Generator, least_us: float = 60.0) -> float:
    """A width at which the device moves, at least so far outside its stop range."""
    low, high = output.stop_us
    for _ in range(100):
        width = float(rng.uniform(output.low_us, output.high_us))
        if width < low - least_us or width > high + least_us:
            return width
    return output.high_us


def safe_response(
    kind: str, output: Output, m: Moments, rng: np.random.Generator, margin_us: float
) -> Response:
    """A response that stands still in time."""
    target, other = inside_us(output, rng, margin_us), inside_us(output, rng, margin_us)
    way = outside_us(output, rng)
    hold = Phase(0.0, Kind.HOLD)
    stop, preset = Phase(m.detect, Kind.SILENT), Phase(m.detect, Kind.WIDTH, target)
    late_preset = Phase(m.second, Kind.WIDTH, target)
    takes = max(0.05, m.second - m.detect)
    return {
        "preset": (hold, preset),
        "slower frames": (hold, preset),
        "hold then preset": (hold, late_preset),
        "stop": (hold, stop),
        "stop then preset": (hold, stop, late_preset),
        "ramp": (hold, Phase(m.detect, Kind.RAMP, target, ramp_s=takes)),
        "two steps": (hold, Phase(m.detect, Kind.WIDTH, way), late_preset),
        "levels inside": (hold, preset, Phase(m.leave, Kind.WIDTH, other)),
    }[kind]


def unsafe_response(
    name: str, output: Output, m: Moments, rng: np.random.Generator, margin_us: float, *, far: bool
) -> Response:
    """A response that does not."""
    target, outside = inside_us(output, rng, margin_us), outside_us(output, rng)
    low, high = output.stop_us
    one_way = low < LOWEST_INSIDE_US
    hold, stop = Phase(0.0, Kind.HOLD), Phase(m.detect, Kind.SILENT)
    preset = Phase(m.detect, Kind.WIDTH, target)
    wrong_us = outside if far or rng.random() < 0.7 else high + rng.uniform(1.0, 30.0)
    again = Phase(m.leave, Kind.HOLD) if rng.random() < 0.5 else Phase(m.leave, Kind.WIDTH, outside)
    # Full speed, which no stick commands: a jump to a held stick's width is what a link does.
    full_us = 2000.0 if one_way else float(rng.choice([890.0, 2110.0]))
    # From 60 us outside, the nearest that is held, a ramp enters the range at `late` at best.
    half = high - target if one_way else max(high - target, target - low)
    ramp_s = (m.late - m.detect) * (60.0 + half) / 60.0
    reach_us = 1.3 * max(high - max(low, 900.0), 150.0)
    beyond_us = float(rng.uniform(2230, 2900))
    if not one_way and rng.random() < 0.4:
        beyond_us = float(rng.uniform(450, 780))
    odd = float(rng.choice([0.003, 0.02, 0.1]))
    return {
        "holds last": (hold,),
        "holds, slow packets": (hold,),
        "holds, slower frames": (hold,),
        "preset outside": (hold, Phase(m.detect, Kind.WIDTH, wrong_us)),
        "late preset": (hold, Phase(m.late, Kind.WIDTH, target)),
        "late stop": (hold, Phase(m.late, Kind.SILENT)),
        "late ramp": (hold, Phase(m.detect, Kind.RAMP, target, ramp_s=ramp_s)),
        "wanders": (hold, Phase(m.detect, Kind.WANDER, target, reach_us=reach_us)),
        "keeps following": (Phase(0.0, Kind.FOLLOW),),
        "stuck high": (hold, Phase(m.detect, Kind.HIGH)),
        "noise": (hold, Phase(m.detect, Kind.NOISE)),
        "stop then active": (hold, stop, again),
        "preset then leaves": (hold, preset, again),
        "leaves after switch-on": (
            hold,
            preset,
            Phase(m.leave_on, Kind.WIDTH, full_us, after_on=True),
        ),
        "preset with odd pulses": (hold, replace(preset, kick_us=outside, kick_share=odd)),
        "width beyond servo range": (hold, Phase(m.detect, Kind.WIDTH, beyond_us)),
        "stops, device runs on": (hold, stop),
        "stops, device keeps going": (hold, stop),
    }[name]


def fit_device(name: str, output: Output, limit_s: float, rng: np.random.Generator) -> None:
    """Give the output the device that the class is about."""
    if name == "stops, device runs on":
        output.stops_without_pulses = True
        output.runs_on_s = limit_s + float(rng.uniform(0.0, 2.0))
    elif name == "stops, device keeps going":
        output.stops_without_pulses = False


def fit_receiver(name: str, receiver: Receiver, rng: np.random.Generator) -> None:
    """Give the receiver the packets and frames that the class is about."""
    if name == "holds, slow packets":
        receiver.packet_s = float(rng.uniform(0.08, 0.4))
        receiver.timeout_s = max(receiver.timeout_s, 1.5 * receiver.packet_s)
    elif name in {"holds, slower frames", "slower frames"}:
        receiver.loss_frame_s = float(
            min(0.06, receiver.frame_s * rng.choice([1.5, 2.0, 3.0, rng.uniform(1.2, 4.0)]))
        )
