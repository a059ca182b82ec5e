"""All-in-one boards, judged by a rotor and a marker: is a motor that runs on ever said to meet?

    python tests/adversary/pinless_study.py --seeds 0:300

The bench draws what the radio does, what the hands do, how the motor runs and slows, and what the
sensor makes of it, at the level of edges; it shares no code with the product or with synth. Only
`ask` knows the product. A device is unsafe if its board would let it run past the limit with the
stick held, whatever the hands did in the recording, or if its rotor is not slow in time. A failure
that is told of a safe one is false where the marker tells the truth.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

import pwmscope
from pwmscope.bench import parse_sheet

Array = NDArray[np.float64]
PS = 10**12
STEP_S = 1e-3

SAFE = ("stops", "stops", "brakes")
UNSAFE = (
    "holds",
    "late",
    "starts again",
    "starts in the loss",
    "runs before the link",
    "creeps up",
)
FAMILIES = (
    "well performed", "few losses", "thumb slips", "thumb on a beep", "practised thumb",
    "link never went", "battery pulled", "battery by a relay", "sensor falls off", "sensor dies",
    "marker upside down", "marker unstated", "button", "short losses", "ran down before",
    "at rest before", "never again", "stray marks", "turned by hand", "nothing beside",
)  # fmt: skip


@dataclass
class Draft:
    """One robot, how it is built, and how it is tested."""

    board: str = "stops"  # What the board does in a loss
    react_s: float = 0.5
    limit_s: float = 2.0
    losses: int = 10
    role: str = "drive-left"
    top_hz: float = 20.0
    marks: int = 4
    up_s: float = 0.1
    down_s: float = 0.3
    is_coulomb: bool = False
    period_s: float = 0.011
    boot_s: float = 0.6
    hold: str = "held"  # What the hand does at a loss
    hand_s: float = 0.3
    scatter_s: float = 0.05
    link_goes: bool = True
    power: str = "kept"
    sensor: str = "good"
    marker: str = "switch"
    says: str = "high"
    kind: str = "switch"
    beside: str = "supply"  # supply, spare, nothing
    off_more_s: float = 1.5
    before: str = "held"
    again: bool = True
    bounce: float = 0.0
    missed: float = 0.0
    uneven: float = 0.01
    pushes: str = "each"  # Whether the stick is let go and pushed again while on


@dataclass
class Take:
    """The edges that an analyser stores, and what was true."""

    edges: dict[str, tuple[NDArray[np.int64], int]]
    duration_s: float
    unsafe: bool
    why: str
    slow_s: list[float] = field(default_factory=list)


def draft(family: str, seed: int, *, unsafe: bool) -> Draft:
    """Draw a robot and its test."""
    rng = np.random.default_rng([FAMILIES.index(family), seed, int(unsafe), 41])
    limit_s = float(rng.choice((1.0, 1.5, 2.0)))
    is_weapon = rng.random() < 0.4
    made = Draft(
        board=str(rng.choice(UNSAFE if unsafe else SAFE)),
        react_s=float(rng.uniform(0.05, limit_s - 0.85)),
        limit_s=limit_s,
        losses=int(rng.choice((8, 10, 10, 12))),
        role="weapon" if is_weapon else "drive-left",
        top_hz=float(rng.uniform(15, 120) if is_weapon else rng.uniform(6, 30)),
        marks=int(rng.choice((1, 2, 2, 4) if is_weapon else (4, 6, 8, 12))),
        up_s=float(rng.uniform(0.05, 0.25)),
        down_s=float(rng.uniform(0.3, 2.5) if is_weapon else rng.uniform(0.04, 0.25)),
        is_coulomb=bool(rng.random() < 0.4),
        period_s=float(rng.choice((0.004, 0.007, 0.009, 0.011, 0.014))),
        boot_s=float(rng.uniform(0.2, 3.0)),
        beside=str(rng.choice(("supply", "spare"))),
        off_more_s=float(rng.uniform(1.0, 3.0)),
        bounce=float(rng.choice((0.0, 0.0, 0.1))),
        missed=float(rng.choice((0.0, 0.0, 0.002))),
        uneven=float(rng.uniform(0.0, 0.02)),
    )
    hands = {"hand_s": float(rng.uniform(0.15, 0.6)), "scatter_s": float(rng.uniform(0.03, 0.1))}
    change: dict[str, dict[str, object]] = {
        "few losses": {"losses": int(rng.integers(1, 4))},
        "thumb slips": {"hold": "lets go", "hand_s": float(rng.uniform(-0.1, 0.2)),
                        "scatter_s": float(rng.uniform(0.03, 0.12))},
        "thumb on a beep": {"hold": "lets go", **hands},
        "practised thumb": {"hold": "lets go", "hand_s": hands["hand_s"], "scatter_s": 0.03},
        "link never went": {"hold": "lets go", "link_goes": False, **hands},
        "battery pulled": {"power": "pulled", **hands},
        "battery by a relay": {"power": "relay", "beside": "nothing", **hands},
        "sensor falls off": {"sensor": "falls off", **hands},
        "sensor dies": {"sensor": "dies"},
        "marker upside down": {"says": "low", "pushes": str(rng.choice(("each", "never")))},
        "marker unstated": {"says": ""},
        "button": {"kind": "button"},
        "short losses": {"off_more_s": float(rng.uniform(-0.6, 0.0))},
        "ran down before": {"before": "let go"},
        "at rest before": {"before": "rest"},
        "never again": {"again": False},
        "stray marks": {"sensor": "stray"},
        "turned by hand": {"sensor": "turned"},
        "nothing beside": {"beside": "nothing"},
    }  # fmt: skip
    if family == "well performed" and not unsafe:  # Clear of both limits by half a second
        longest_s = 5.5 if is_weapon else limit_s - 0.5
        down_s = min(made.down_s, (longest_s - 0.1) / 6.0)
        made = replace(made, down_s=down_s, react_s=min(made.react_s, longest_s - 5.0 * down_s))
    return replace(made, **change.get(family, {}))  # type: ignore[arg-type]


def perform(made: Draft, seed: int) -> Take:  # noqa: PLR0912 - one step after the other
    """Record one test: times of switch, stick and power, then the rotor, then its sensor."""
    rng = np.random.default_rng([seed, 977])
    weapon_limit_s = 6.0
    on_off: list[tuple[float, float]] = []  # off and on again, of the switch
    stick: list[tuple[float, float]] = []  # pushed and let go
    power: list[tuple[float, float]] = []  # without power
    now = float(rng.uniform(2.0, 3.0))
    stick_on = now
    for k in range(made.losses):
        now += float(rng.uniform(2.0, 3.0))
        off_s = now
        lasts_s = made.limit_s + made.off_more_s + float(rng.uniform(0, 0.4))
        if made.role == "weapon":
            lasts_s += made.down_s * 3.0
        on_s = off_s + lasts_s
        if made.before == "let go":
            stick.append((stick_on, off_s - float(rng.uniform(0.05, 0.6))))
            stick_on = on_s + made.boot_s + float(rng.uniform(0.5, 1.0))
        elif made.before == "rest":
            stick.append((stick_on, off_s - float(rng.uniform(1.2, 1.8))))
            stick_on = on_s + made.boot_s + float(rng.uniform(0.5, 1.0))
        elif made.hold == "lets go":
            gone_s = rng.normal(made.hand_s, made.scatter_s)
            stick.append((stick_on, off_s + gone_s))
            stick_on = on_s + float(rng.uniform(-0.3, 0.8)) + made.boot_s
        if made.power == "pulled":
            gone_s = off_s + rng.normal(made.hand_s, made.scatter_s)
            power.append((gone_s, on_s - float(rng.uniform(0.1, 0.5))))
        if made.power == "relay":
            power.append((off_s + 0.05, on_s + 0.02))
        on_off.append((off_s, on_s))
        now = on_s + made.boot_s + 0.3 + float(rng.uniform(1.2, 2.0))
        if made.pushes == "each":
            if stick_on < now:
                stick.append((stick_on, now))
                now += float(rng.uniform(0.8, 1.5)) + made.down_s * 1.5
            stick_on = max(now, stick_on)
            now = stick_on
        if k + 1 == made.losses and not made.again:
            now = on_s - 0.05
    end_s = now + 0.3 if not made.again else now + 2.5
    stick.append((stick_on, end_s))
    grid_s = np.arange(0.0, end_s, STEP_S)

    def within(spans: Iterable[tuple[float, float]]) -> NDArray[np.bool_]:
        inside = np.zeros(grid_s.size, dtype=bool)
        for a, b in spans:
            inside[np.searchsorted(grid_s, a) : np.searchsorted(grid_s, max(a, b))] = True
        return inside

    dies_s = float(rng.uniform(0.0, 0.04))
    lost = [(off + dies_s, on + made.boot_s) for off, on in on_off] if made.link_goes else []
    before_s = 1.5 if rng.random() < 0.5 or made.board == "runs before the link" else 0.0
    if before_s:
        lost.insert(0, (0.0, before_s))
    up = within(stick)
    is_lost = within(lost)
    asks = up.copy()
    for number, (gone_s, back_s) in enumerate(lost):
        here = slice(*np.searchsorted(grid_s, (gone_s, back_s)))
        # Packets come by the frame: the last one was up to a frame before.
        silent_s = grid_s[here] - gone_s + float(rng.uniform(0, made.period_s))
        first = number == 0 and bool(before_s)
        held = bool(asks[max(here.start - 1, 0)]) and not first
        does = {
            "stops": held & (silent_s < made.react_s),
            "brakes": held & (silent_s < made.react_s),
            "holds": np.full(silent_s.size, held),
            "late": held & (silent_s < made.limit_s + 0.4),
            "starts again": (held & (silent_s < made.react_s)) | (silent_s > made.limit_s + 0.3),
            "starts in the loss": silent_s > 0.4,
            "runs before the link": held & (silent_s < made.react_s) | (first & (silent_s > 0.4)),
            "creeps up": (held & (silent_s < made.react_s)) | (silent_s > made.limit_s + 0.2),
        }[made.board]
        asks[here] = does if not first or made.board == "runs before the link" else False
    powered = ~within(power)
    asks &= powered
    # The rotor: towards its speed with one time constant, down with another.
    hz = np.zeros(grid_s.size)
    turns_at = np.flatnonzero(np.diff(asks.astype(np.int8), prepend=-1))
    bounds = [*turns_at.tolist(), grid_s.size]
    v = 0.0
    tau_down = 0.03 if made.board == "brakes" else made.down_s
    for a, b in pairwise(bounds):
        t = (np.arange(b - a) + 1) * STEP_S
        if asks[a]:
            part = 0.6 if made.board == "creeps up" and is_lost[a] else 1.0
            hz[a:b] = part * made.top_hz + (v - part * made.top_hz) * np.exp(-t / made.up_s)
        elif made.is_coulomb:
            hz[a:b] = np.maximum(v - made.top_hz * t / (2.5 * tau_down), 0.0)
        else:
            hz[a:b] = v * np.exp(-t / tau_down)
            hz[a:b][hz[a:b] < 0.05] = 0.0
        v = float(hz[b - 1])
    slow_hz = 1.0
    slow_s = []
    for gone_s, back_s in lost[bool(before_s) :]:
        own = (grid_s >= gone_s) & (grid_s < back_s) & (hz >= slow_hz)
        fast = grid_s[own]
        slow_s.append(float(fast[-1] - gone_s) if fast.size else 0.0)
    motion_s = weapon_limit_s if made.role == "weapon" else made.limit_s
    unsafe = made.board in UNSAFE or any(s > motion_s for s in slow_s)
    why = made.board if made.board in UNSAFE else "runs down too slowly" if unsafe else ""
    edges = {"D6": (_sensed(made, grid_s, hz, on_off, rng), 0)}
    changes = np.array([t for span in on_off for t in span])
    if made.kind == "button":
        changes = changes + rng.uniform(0.0, 0.3, changes.size)
    changes = changes[changes < end_s]
    if before_s:
        changes = np.concatenate([[before_s - 0.2], changes])
    edges["tx-on"] = (_ticks(changes), 0 if before_s else 1)
    if made.beside == "spare":
        rise_s = np.arange(0.004, end_s - 0.01, made.period_s * 2)
        edges["RX9"] = (_ticks(np.column_stack([rise_s, rise_s + 1.5e-3]).ravel()), 0)
    if made.beside == "supply":
        sags = np.array([t for span in power for t in span])
        edges["V5"] = (_ticks(sags[sags < end_s]), 1)
    return Take(edges, end_s, unsafe, why, slow_s)


def _ticks(at_s: Array) -> NDArray[np.int64]:
    ticks = np.ceil(at_s * 1e6).astype(np.int64)
    return np.unique(ticks) * (PS // 10**6) if ticks.size else ticks


def _sensed(
    made: Draft, grid_s: Array, hz: Array, on_off: list[tuple[float, float]],
    rng: np.random.Generator,
) -> NDArray[np.int64]:  # fmt: skip
    """Edges of the sensor: marks at angles a little out of place, seen, missed, bounced, lost."""
    angle = np.cumsum(hz) * STEP_S * made.marks
    count = max(int(angle[-1]) - 1, 0)
    place = (
        0.5
        + np.arange(count)
        + rng.normal(0, made.uneven, made.marks)[np.arange(count) % made.marks]
    )
    at = np.searchsorted(angle, place)
    step = np.maximum(angle[at] - angle[np.maximum(at - 1, 0)], 1e-12)
    at_s = np.sort(grid_s[at] - STEP_S * np.clip((angle[at] - place) / step, 0.0, 1.0))
    keep = rng.random(at_s.size) >= made.missed
    if made.sensor in ("falls off", "dies"):
        for off_s, on_s in on_off:
            gone_s = off_s + rng.normal(made.hand_s, made.scatter_s)
            keep &= (at_s < gone_s) | (at_s > (on_s + 0.2 if made.sensor == "falls off" else 1e9))
    at_s = at_s[keep]
    if made.sensor == "stray":
        off_s, on_s = on_off[len(on_off) // 2]
        at_s = np.sort(np.append(at_s, on_s - 0.3 + np.array([0.0, 0.01, 0.02])))
    if made.sensor == "turned":
        off_s, on_s = on_off[len(on_off) // 2]
        at_s = np.sort(np.append(at_s, on_s - 0.6 + np.arange(5) * 0.5 / made.marks / 2.0))
    at_s = at_s[np.concatenate([[True], np.diff(at_s) > 1e-4])] if at_s.size else at_s
    high_s = np.minimum(2e-3, 0.4 * np.diff(at_s, append=at_s[-1:] + 1.0))
    again = rng.random(at_s.size) < made.bounce
    third = high_s / 3.0
    rows = np.column_stack([at_s, at_s + high_s])
    extra = np.column_stack([at_s + third, at_s + 2.0 * third])[again]
    return _ticks(np.sort(np.concatenate([rows.ravel(), extra.ravel()])))


def sheet_text(made: Draft, **without: bool) -> str:
    """The bench sheet; parts are left out by name."""
    text = f"[limits]\nfailsafe_s = {made.limit_s}\nweapon_motion_s = 6.0\n"
    text += f"drive_motion_s = {made.limit_s}\n"
    if "marker" not in without:
        text += '[marker]\nline = "tx-on"\n'
        text += f'on = "{made.says}"\n' if made.says else ""
        text += f'kind = "{made.kind}"\n' if "kind" not in without else ""
        text += "late_s = 0.3\n" if made.kind == "button" and "kind" not in without else ""
    if "device" not in without:
        text += f'[channels.M1]\nrole = "{made.role}"\nno_pin = true\n'
        if "sensor" not in without:
            text += '[channels.D6]\nrole = "rotation"\nof = "M1"\nslow_per_minute = 60\n'
            text += f"marks_per_turn = {made.marks}\n" if "marks" not in without else ""
    if made.beside == "supply":
        text += '[channels.V5]\nrole = "supply"\ntrips_v = 4.5\n'
    if made.beside == "spare":
        text += '[channels.RX9]\nrole = "spare"\n'
    return text


def ask(made: Draft, take: Take, lines: Iterable[str] = (), **without: bool) -> pwmscope.Analysis:
    """Give recording and sheet to the product, without some lines and parts of the sheet."""
    held = {n: e for n, e in take.edges.items() if n not in lines}
    capture = pwmscope.Capture(
        {n: pwmscope.Line(n, edges, level) for n, (edges, level) in held.items()},
        round(take.duration_s * PS), 1e6, "pinless",
    )  # fmt: skip
    return pwmscope.analyse(capture, sheet=parse_sheet(sheet_text(made, **without)))


def verdict_of(analysis: pwmscope.Analysis, line: str = "M1") -> str:
    """The verdict on the device; "none" where it has none."""
    found = next((own for own in analysis.failsafe.lines if own.line == line), None)
    return "none" if found is None or found.verdict is None else found.verdict.value


def study(seeds: Iterable[int]) -> Counter[str]:
    """Draw every family in turn, and count."""
    told: Counter[str] = Counter()
    lies = ("link never went", "marker upside down")  # Whose marker does not tell the truth
    for seed in seeds:
        family = FAMILIES[seed % len(FAMILIES)]
        if seed % 3 == 0:
            family = "well performed"
        made = draft(family, seed, unsafe=bool(seed // len(FAMILIES) % 2))
        take = perform(made, seed)
        said = verdict_of(ask(made, take))
        state = "unsafe" if take.unsafe else "safe"
        told[f"{family}, {state}: {said}"] += 1
        told["draws"] += 1
        told["false meets"] += take.unsafe and said == "meets"
        fails = not take.unsafe and said == "does not meet" and family not in lies
        told["false failures"] += fails
        if (take.unsafe and said == "meets") or fails:
            told[f"seed {seed}: {family}, {take.why or 'safe'}, {said}"] += 1
    return told


def main(words: list[str]) -> int:
    """Run a range of seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:60")
    first, last = map(int, parser.parse_args(words).seeds.split(":"))
    for name, number in sorted(study(range(first, last)).items()):
        sys.stdout.write(f"{number:6d}  {name}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
