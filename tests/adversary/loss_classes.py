"""What receivers and their devices do in a loss: the safe kinds and the unsafe classes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from adversary.loss_bench import Kind, Output, Phase, Receiver, Response

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
    low = max(low, 880.0)
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
    target = inside_us(output, rng, margin_us)
    hold = Phase(0.0, Kind.HOLD)
    match kind:
        case "hold then preset":
            return (hold, Phase(m.second, Kind.WIDTH, target))
        case "stop":
            return (hold, Phase(m.detect, Kind.SILENT))
        case "stop then preset":
            return (hold, Phase(m.detect, Kind.SILENT), Phase(m.second, Kind.WIDTH, target))
        case "ramp":
            takes = max(0.05, m.second - m.detect)
            return (hold, Phase(m.detect, Kind.RAMP, target, ramp_s=takes))
        case "two steps":
            way = outside_us(output, rng)
            return (hold, Phase(m.detect, Kind.WIDTH, way), Phase(m.second, Kind.WIDTH, target))
        case "levels inside":
            other = inside_us(output, rng, margin_us)
            return (hold, Phase(m.detect, Kind.WIDTH, target), Phase(m.leave, Kind.WIDTH, other))
        case _:  # preset, slower frames
            return (hold, Phase(m.detect, Kind.WIDTH, target))


def unsafe_response(
    name: str, output: Output, m: Moments, rng: np.random.Generator, margin_us: float, far: bool
) -> Response:
    """A response that does not."""
    target = inside_us(output, rng, margin_us)
    hold = Phase(0.0, Kind.HOLD)
    low, high = output.stop_us
    far_us = outside_us(output, rng)
    back_to = Phase(m.leave, Kind.HOLD) if rng.random() < 0.5 else Phase(m.leave, Kind.WIDTH, far_us)
    match name:
        case "preset outside":
            width = far_us
            if not far and rng.random() < 0.3:
                width = high + rng.uniform(1.0, 30.0)
            return (hold, Phase(m.detect, Kind.WIDTH, width))
        case "late preset":
            return (hold, Phase(m.late, Kind.WIDTH, target))
        case "late stop":
            return (hold, Phase(m.late, Kind.SILENT))
        case "late ramp":
            # From 60 us outside, the nearest that is held, it enters the range at `late` at best.
            half = max(high - target, target - max(low, 880.0)) if low < 880 else (high - low)
            share = 60.0 / (60.0 + half)
            return (hold, Phase(m.detect, Kind.RAMP, target, ramp_s=(m.late - m.detect) / share))
        case "wanders":
            reach = 1.3 * max(high - max(low, 900.0), 150.0)
            return (hold, Phase(m.detect, Kind.WANDER, target, reach_us=reach))
        case "keeps following":
            return (Phase(0.0, Kind.FOLLOW),)
        case "stuck high":
            return (hold, Phase(m.detect, Kind.HIGH))
        case "noise":
            return (hold, Phase(m.detect, Kind.NOISE))
        case "stop then active":
            return (hold, Phase(m.detect, Kind.SILENT), back_to)
        case "preset then leaves":
            return (hold, Phase(m.detect, Kind.WIDTH, target), back_to)
        case "leaves after switch-on":
            again = replace(back_to, start_s=m.leave_on, after_on=True)
            return (hold, Phase(m.detect, Kind.WIDTH, target), again)
        case "preset with odd pulses":
            share = float(rng.choice([0.003, 0.02, 0.1]))
            return (
                hold,
                Phase(m.detect, Kind.WIDTH, target, kick_us=far_us, kick_share=share),
            )
        case "width beyond servo range":
            odd = float(rng.uniform(2230, 2900) if rng.random() < 0.6 else rng.uniform(450, 780))
            if low < 880:
                odd = float(rng.uniform(2230, 2900))
            return (hold, Phase(m.detect, Kind.WIDTH, odd))
        case "stops, device runs on" | "stops, device keeps going":
            return (hold, Phase(m.detect, Kind.SILENT))
        case _:  # the three that hold
            return (hold,)


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


