"""Link records made at the level of edges, with late and sloppy hands; shares no code with synth.

A bench is drawn: mixed or unmixed drive, weapon, servos, wrong plugs, reversed channels, expo.
Hands follow the plan's steps late, push the other axis of a stick too, do not quite reach the ends,
leave a control out, bump a stick, or fall behind. What each control truly moves is known.
"""

from dataclasses import dataclass, field

import numpy as np

from pwmscope.bench import make_link_plan, parse_sheet
from pwmscope.capture import Capture, Line

AXES = ("aileron", "elevator", "throttle", "rudder")
ON_ONE_STICK = {
    1: (("rudder", "elevator"), ("aileron", "throttle")),
    2: (("rudder", "throttle"), ("aileron", "elevator")),
}
RATES_HZ = (100_000, 250_000, 500_000, 1_000_000, 4_000_000, 8_000_000)
PERIODS_S = (0.007, 0.011, 0.014, 0.018, 0.020, 0.022)


@dataclass
class Bench:
    """One drawn record with its truth."""

    capture: Capture
    plan: object
    sheet: object
    moves: dict  # For each control that was pushed, the lines that it moves, each with its sign
    other_follows: bool
    mishap: str
    shares: dict = field(default_factory=dict)


def _outputs(rng):
    """What each output has of each axis, where it rests, and how the link's end finds it."""
    throttle_low = rng.random() < 0.8
    outs = []
    drive = rng.choice(["mixed", "unmixed", "none"], p=[0.6, 0.25, 0.15])
    if drive == "mixed":
        e, a = rng.uniform(0.55, 1.0), rng.uniform(0.4, 1.0)
        outs += [({"elevator": e, "aileron": a}, 1500.0), ({"elevator": e, "aileron": -a}, 1500.0)]
    elif drive == "unmixed":
        outs += [({"elevator": 1.0}, 1500.0), ({"aileron": 1.0}, 1500.0)]
    else:
        outs += [({"aileron": 1.0}, 1500.0)]
    if rng.random() < 0.8:
        outs.append(({"throttle": 1.0}, 1000.0 if throttle_low else 1500.0))
    if rng.random() < 0.6:
        outs.append(({"rudder": 1.0}, 1500.0))
    if rng.random() < 0.2:
        outs.append(({str(rng.choice(["elevator", "rudder"])): 1.0}, 1500.0))
    if rng.random() < 0.2:
        outs.append(({}, float(rng.choice([1000.0, 1500.0]))))
    order = rng.permutation(len(outs))
    return [outs[k] for k in order], throttle_low


def _hands(rng, plan, mode, mishap):
    """Where each axis is over time: corners of a broken line, by axis; and what was pushed."""
    shift = 0.0
    usual_late = rng.uniform(0.1, 0.9)
    skipped = str(rng.choice(AXES)) if mishap == "left out" else None
    behind_from = rng.integers(6, 16) if mishap in {"behind", "interrupted"} else None
    now = dict.fromkeys(AXES, 0.0)
    corners = {axis: [(-10.0, 0.0)] for axis in AXES}
    starts, last = [], -5.0
    for k, (at, step) in enumerate(zip(plan.starts_s, plan.steps, strict=True)):
        if behind_from is not None and k == behind_from:
            shift = rng.uniform(6.0, 16.0)
        if mishap == "interrupted" and behind_from is not None and k == behind_from + 4:
            shift = 0.0
        begin = max(at + shift + max(-0.5, rng.normal(usual_late, 0.35)), last + 0.15)
        way = rng.uniform(0.1, 0.6)
        target = dict.fromkeys(AXES, 0.0)
        for axis, to in step.sticks.items():
            target[axis] = to * rng.uniform(0.85, 1.0)
        alone = next(iter(step.sticks)) if len(step.sticks) == 1 else None
        if alone is not None:
            for pair in ON_ONE_STICK[mode]:
                if alone in pair:
                    other = pair[0] if pair[1] == alone else pair[1]
                    sloppy = rng.uniform(-0.22, 0.22)
                    target[other] = abs(sloppy) if other == "throttle" else sloppy
        if alone is not None and alone == skipped:
            target = dict.fromkeys(AXES, 0.0)
        if alone is None and not step.sticks:
            target = {axis: rng.normal(0.0, 0.008) for axis in AXES}
            target["throttle"] = 0.0
        for axis in AXES:
            corners[axis] += [(begin, now[axis]), (begin + way, target[axis])]
        now = target
        starts.append(begin)
        last = begin + way
    if mishap == "bump":
        axis, at = str(rng.choice(AXES)), rng.uniform(22.0, 70.0)
        for_s, far = rng.uniform(0.3, 1.2), rng.uniform(0.4, 1.0)
        own = [c for c in corners[axis] if not at - 0.2 < c[0] < at + for_s + 0.2]
        rest = float(np.interp(at, *zip(*own, strict=True)))
        own += [(at, rest), (at + 0.1, far), (at + for_s, far), (at + for_s + 0.1, rest)]
        corners[axis] = sorted(own)
    return corners, starts, skipped


def draw(seed):
    """Draw one bench and its record."""
    rng = np.random.default_rng(seed)
    mode = int(rng.choice([1, 2]))
    mishap = str(
        rng.choice(
            ["none", "left out", "bump", "behind", "interrupted"], p=[0.76, 0.08, 0.06, 0.05, 0.05]
        )
    )
    outs, throttle_low = _outputs(rng)
    names = [f"RX{k + 1}" for k in range(len(outs))]
    sheet = parse_sheet(_sheet_text(names, outs, throttle_low))
    plan = make_link_plan(sheet, mode=mode)
    corners, starts, skipped = _hands(rng, plan, mode, mishap)
    steps = [step.name for step in plan.steps]
    on_s = starts[steps.index("first link")]
    away_s = starts[steps.index("another memory")] + rng.uniform(0.5, 6.0)
    back_s = starts[steps.index("own memory again")] + rng.uniform(0.5, 6.0)
    end_s = starts[-1] + 7.0
    link_s = rng.uniform(0.1, 2.5)
    follows = rng.random() < 0.15
    lost = str(rng.choice(["stop", "hold", "preset"]))
    rate_hz = int(rng.choice(RATES_HZ))
    period_s = float(rng.choice(PERIODS_S))
    frames = np.arange(rng.uniform(0.0, period_s), end_s, period_s)
    frames = frames + rng.normal(0.0, 1e-6, frames.size)
    gone = (frames < on_s + link_s) | ((frames >= away_s) & (frames < back_s + link_s))
    if follows:
        gone = frames < on_s + link_s
    axes = {a: np.interp(frames, *zip(*corners[a], strict=True)) for a in AXES}
    expo = rng.uniform(0.0, 0.4)
    axes = {a: (1 - expo) * v + expo * v**3 for a, v in axes.items()}
    lines, moves = {}, {a: {} for a in AXES if a != skipped}
    for k, (name, (share, rest_us)) in enumerate(zip(names, outs, strict=True)):
        turn = -1.0 if rng.random() < 0.3 and rest_us > 1400 else 1.0
        span = 900.0 if rest_us < 1400 else 400.0
        whole = np.clip(sum((p * axes[a] for a, p in share.items()), 0.0 * frames), -1.0, 1.0)
        width_us = rest_us + turn * span * whole
        for axis, p in share.items():
            if axis != skipped:
                moves[axis][name] = int(np.sign(p * turn))
        held = np.where(gone, 0, np.arange(frames.size))
        held = np.maximum.accumulate(held)
        width_us = width_us[held]
        sent = np.ones(frames.size, bool)
        if lost == "stop":
            sent = ~gone
        elif lost == "preset":
            width_us = np.where(gone, rest_us + rng.choice([0.0, 150.0]), width_us)
        else:
            width_us = np.where(frames < on_s + link_s, rest_us, width_us)
        width_us = width_us + rng.normal(0.0, 0.6, frames.size)
        rise_s = (frames + 0.0021 * k)[sent]
        edges_s = np.stack([rise_s, rise_s + 1e-6 * width_us[sent]], axis=1).ravel()
        lines[name] = Line(name, _sampled(edges_s, rate_hz, end_s), 0)
    marks = np.array([on_s])
    lines["tx-on"] = Line("tx-on", _sampled(marks, rate_hz, end_s), 0)
    step_ps = 10**12 // rate_hz
    end_ps = int(end_s * rate_hz) * step_ps
    capture = Capture(lines, end_ps, float(rate_hz), f"drawn {seed}")
    return Bench(
        capture, plan, sheet, moves, bool(follows), mishap, dict(zip(names, outs, strict=True))
    )


def _sampled(edges_s, rate_hz, end_s):
    step_ps = 10**12 // rate_hz
    at = np.ceil(edges_s * rate_hz).astype(np.int64)
    at = at[(at > 0) & (at < int(end_s * rate_hz))]
    at = at[: at.size - at.size % 2] if at.size > 1 else at
    return at * step_ps


def _sheet_text(names, outs, throttle_low):
    text = '[marker]\nline = "tx-on"\non = "high"\nkind = "switch"\n'
    for name, (share, rest_us) in zip(names, outs, strict=True):
        role = "weapon" if "throttle" in share else "servo"
        text += f'[channels.{name}]\nrole = "{role}"\n'
        if role == "weapon" and rest_us > 1400:
            text += "neutral_us = 1500\n"
    return text
