"""Robots as built, tested by dirty hands: does the product ever say `meets` where a device runs?

    python tests/adversary/robot_study.py --kind layout --seeds 0:500 --out layouts.jsonl
    python tests/adversary/robot_study.py --report layouts.jsonl

Kinds: ``layout`` draws role sets, mixing places, kill channels and controls; ``boot`` transmitters
that boot for 5 to 30 s and send stale or start-up widths first; ``late`` weapons on a second
receiver that is back later than the one of its kill channel. Only `ask` knows the product. A device
is unsafe if the bench commanded it to run after the limit, or would have with clean hands.
"""

from __future__ import annotations

import argparse
import json
import re
import sys
import time
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import pwmscope
from adversary.robot_bench import (
    Bench,
    Device,
    Hands,
    Output,
    Receiver,
    Step,
    Take,
    Transmitter,
    record,
)
from pwmscope.bench import make_plan, parse_sheet

KINDS = ("layout", "boot", "late")
MIX_ON = re.compile(r"[Mm]ixing on(?! (?:is|was))|[Ff]it a (?:mixing )?converter")
SAFE_LOSS = ("preset", "preset", "stop", "stop then preset", "ramp")


@dataclass
class Robot:
    """A robot, its sheet, and what is true of its drive."""

    bench: Bench
    sheet: str
    hands: Hands
    losses: int
    controls: dict[str, str]  # line -> a stick's axis, or "" for a control of its own
    drive: str = "none"  # none, mixed, unmixed, twice, straight, tank
    faulty_drive: bool = False


def _toml(tables: dict[str, dict[str, Any]]) -> str:
    rows: list[str] = []
    for name, keys in tables.items():
        rows.append(f"[{name}]")
        for key, value in keys.items():
            shown = json.dumps(value) if not isinstance(value, bool) else str(value).lower()
            rows.append(f"{key} = {shown}")
    return "\n".join(rows) + "\n"


def draft(kind: str, seed: int) -> Robot:  # noqa: PLR0912 - one drawing after another
    """Draw a robot of a kind."""
    rng = np.random.default_rng([KINDS.index(kind), seed, 2026])
    limit_s = float(rng.choice((1.0, 1.5, 2.0, 2.0)))
    two = kind == "late" or rng.random() < 0.3
    outputs: dict[str, tuple[str, Output]] = {}
    devices: dict[str, Device] = {}
    tables: dict[str, dict[str, Any]] = {}
    controls: dict[str, str] = {}
    taken = iter(f"RX{n}" for n in range(1, 12))

    def loss(centre: float, stops: tuple[float, float], unsafe: float) -> dict[str, Any]:
        """What an output does in a loss; with odds ``unsafe`` something that runs."""
        middle = float(np.clip(centre, stops[0] + 12, stops[1] - 12))
        beside = middle + float(rng.choice((-9, 8, 0)))
        if rng.random() >= unsafe:
            return {"on_loss": str(rng.choice(SAFE_LOSS)), "preset_us": beside,
                    "react_s": float(rng.uniform(0.1, limit_s - 0.75)),
                    "before": str(rng.choice(("silent", "preset")))}  # fmt: skip
        how = str(rng.choice(("hold", "hold", "late", "outside", "late stop", "leaves", "runs")))
        far = stops[1] + float(rng.uniform(80, 300))
        base = {"on_loss": "preset", "preset_us": beside, "react_s": 0.4, "before": "silent"}
        return (
            base
            | {
                "hold": {"on_loss": "hold"},
                "late": {"react_s": limit_s + float(rng.uniform(0.3, 0.6))},
                "outside": {"preset_us": far},
                "late stop": {"on_loss": "stop", "react_s": limit_s + float(rng.uniform(0.3, 0.6))},
                "leaves": {"on_loss": "leaves", "runs_us": far},
                "runs": {"before": "runs", "runs_us": far},
            }[how]
        )

    def add(  # noqa: PLR0917 - all that an output is
        line: str, role: str, mix: Iterable[tuple[str, float]], stops: tuple[float, float],
        centre: float, unsafe: float, *, receiver: str = "", keys: dict[str, Any] | None = None,
        device: Device | None = None, reach: float = 0.0,
    ) -> None:  # fmt: skip
        own = str(rng.choice(("one", "two"))) if two and not receiver else receiver or "one"
        output = Output(tuple(mix), 1500.0, reach or float(rng.uniform(330, 500)),
                        **loss(centre, stops, unsafe))  # fmt: skip
        outputs[line] = (own, output)
        table: dict[str, Any] = {"role": role, **(keys or {})}
        if role not in ("spare", "unused"):
            runs_on = round(float(rng.uniform(0.05, 0.3)), 2)
            made = device or Device(stops, is_motor=role.startswith(("drive", "weapon")))
            keeps = rng.random() < 0.15
            devices[line] = replace(
                made, runs_on_s=runs_on, no_pulses="keeps going" if keeps else "stops"
            )
            table |= {"stop_us": [float(x) for x in stops]}
            table |= {"no_pulses": "keeps going"} if keeps else {
                "no_pulses": "stops", "no_pulses_after_s": runs_on}  # fmt: skip
            if two:
                table["receiver"] = own
        tables[f"channels.{line}"] = table

    drive = str(rng.choice(("mixed", "mixed", "straight", "straight", "unmixed", "twice", "none")))
    if kind == "late":
        drive = "mixed"
    unsafe = 0.25
    sign = [float(s) for s in rng.choice((1, 1, 1, -1), 2)]
    faulty = drive == "mixed" and sign != [1.0, 1.0]
    half = float(rng.uniform(25, 60))
    band = (1500 - half, 1500 + half)
    if drive != "none":
        left, right = next(taken), next(taken)
        mixed = [("elevator", 1.0), ("aileron", 1.0)], [("elevator", 1.0), ("aileron", -1.0)]
        straight = [("elevator", 1.0)], [("aileron", 1.0)]
        ways = mixed if drive in ("mixed", "twice") else straight
        roles = ("drive-forward", "drive-turn") if drive in ("straight", "twice") else (
            "drive-left", "drive-right")  # fmt: skip
        place = str(rng.choice(("ESC", "gyro", "converter"))) if drive in ("straight", "twice") \
            else "transmitter" if drive == "mixed" else ""  # fmt: skip
        reach = float(rng.uniform(330, 490))
        for line, role, mix, s in zip((left, right), roles, ways, sign, strict=True):
            keys = {"mixed_in": place} if place and rng.random() < 0.7 else {}
            keys |= {"neutral_us": 1500.0, "deadband_us": 2 * half}
            add(line, role, [(n, s * share) for n, share in mix], band, 1500.0, unsafe,
                keys=keys, receiver="one", reach=reach)  # fmt: skip
            del tables[f"channels.{line}"]["stop_us"]
            controls[line] = ""
    weapon, guarded = "", []
    if kind == "late" or rng.random() < 0.85:
        weapon = next(taken)
        by = str(rng.choice(("throttle", "throttle", "switch", "dial", "button", "rudder")))
        both = by == "rudder" or (by == "dial" and rng.random() < 0.4)
        stops = band if both else (900.0, float(rng.uniform(1060, 1150)))
        keys = {"neutral_us": 1500.0} if both else {}
        keys |= {"control": by} if by != "throttle" else {}
        axis = by if by in ("throttle", "rudder") else weapon
        add(weapon, "weapon", [(axis, 1.0)], stops, 1500.0 if both else 1020.0,
            0.7 if kind == "late" else unsafe, receiver="two" if kind == "late" else "",
            keys=keys, reach=float(rng.uniform(480, 505)))  # fmt: skip
        controls[weapon] = "" if axis in ("throttle", "rudder") else weapon
        guarded.append(weapon)
    if weapon and (kind == "late" or rng.random() < 0.5):
        kill = next(taken)
        if drive != "none" and rng.random() < 0.3:
            guarded += list(controls)[:2]
        stops = (900.0, float(rng.uniform(1150, 1250)))
        if kind == "late" and rng.random() < 0.2:
            guarded = [weapon]
        made = Device(stops, guards=tuple(guarded), is_motor=False)
        add(kill, "kill", [(kill, 1.0)], stops, 1000.0, 0.1 if kind == "late" else unsafe,
            receiver="one" if kind == "late" else "", device=made, reach=500.0,
            keys={"guards": guarded, "control": "switch"})  # fmt: skip
        controls[kill] = kill
    if rng.random() < 0.4:
        line = next(taken)
        stops = (900.0, 1150.0)
        by = str(rng.choice(("button", "switch")))
        add(line, "self-righter", [(line, 1.0)], stops, 1000.0, unsafe, keys={"control": by})
        controls[line] = line
    if rng.random() < 0.3:
        line = next(taken)
        add(line, "spare", [("rudder", 1.0)], (1400.0, 1600.0), 1500.0, 0.0)
        controls[line] = ""
    if rng.random() < 0.2:
        line = next(taken)
        add(line, "unused", [("rudder", 1.0)], (1400.0, 1600.0), 1500.0, 0.0)
        controls[line] = ""
    boots = [0.4]
    first, first_s, boot_key = "live", 0.0, {}
    if kind == "boot":
        boots = [float(b) for b in rng.uniform(5, 30, 12)] if rng.random() < 0.3 else [
            float(rng.uniform(5, 30))]  # fmt: skip
        first = str(rng.choice(("live", "stale", "start-up", "start-up")))
        first_s = float(rng.uniform(0.15, 3.0))
        boot_key = {"boot_s": float(np.ceil(max(boots)))} if rng.random() < 0.7 else {}
    marker = str(rng.choice(("switch", "switch", "switch", "button")))
    tables["limits"] = {"failsafe_s": limit_s}
    tables["marker"] = {"line": "tx-on", "on": "high", "kind": marker}
    if marker == "button":
        tables["marker"]["late_s"] = 0.3
    if boot_key:
        tables["transmitter"] = boot_key
    receivers = {}
    for name in dict.fromkeys(own for own, _ in outputs.values()):
        if kind == "late" and name == "two":
            late = float(rng.uniform(0.2, 3.5))
            back = [late] * 20 if rng.random() < 0.5 else [0.1] * 20
            if back[0] < 0.2:
                back[int(rng.integers(1, 9))] = late
        else:
            back = [float(rng.uniform(0.03, 0.25))] * 20
        receivers[name] = Receiver(
            {line: output for line, (own, output) in outputs.items() if own == name},
            period_s=float(rng.choice((0.007, 0.011, 0.014, 0.020, 0.022))),
            ppm=float(rng.uniform(-60, 60)), back_s=tuple(back),
            misses=float(rng.choice((0.0, 0.0, 0.02, 0.1))),
            knows_s=float(rng.choice((0.0, 0.0, 2.0))) if kind == "boot" else 0.0,
        )  # fmt: skip
    start_up = {
        n: float(rng.uniform(-1, 1)) for n in ("elevator", "throttle", "aileron", *controls)
    }
    bench = Bench(
        receivers,
        Transmitter(tuple(boots), float(rng.uniform(0.0, 0.05)), first, first_s, start_up),
        devices, limit_s, sample_s=float(rng.choice((0.25e-6, 0.5e-6, 1e-6, 2e-6))),
        jitter_us=float(rng.uniform(0.05, 1.0)), marker=marker,
        marker_late_s=0.3 if marker == "button" else 0.0, seed=seed,
    )  # fmt: skip
    hands = Hands() if rng.random() < 0.2 else Hands(
        float(rng.uniform(0.1, 0.6)), float(rng.choice((0.0, 0.05))), int(rng.integers(0, 4)),
        float(rng.uniform(0, 0.06)), float(rng.choice((0.0, 0.0, 0.3))),
    )  # fmt: skip
    losses = 10 if kind == "layout" and rng.random() < 0.7 else 4
    if kind == "late":
        losses = 10
    return Robot(bench, _toml(tables), hands, losses, controls, drive, faulty)


def steps_of(robot: Robot) -> list[Step]:
    """The plan that the product makes of the sheet, as steps for the hands."""
    plan = make_plan(parse_sheet(robot.sheet), losses=robot.losses)
    return [
        Step(s.seconds, s.transmitter_on, {**s.sticks, **s.controls}) for s in plan.steps
    ]  # fmt: skip


@dataclass
class Told:
    """What the product said."""

    lines: dict[str, str] = field(default_factory=dict)
    overall: str = ""
    mixing: str = "none"
    words: list[str] = field(default_factory=list)
    hazards: list[str] = field(default_factory=list)
    refused: str = ""


def ask(robot: Robot, take: Take) -> Told:
    """Give recording, sheet and plan to the product. Only this function knows its names."""
    sheet = parse_sheet(robot.sheet)
    sample_ps = robot.bench.sample_s * 1e12
    capture = pwmscope.Capture(
        {n: pwmscope.Line(n, edges, level) for n, (edges, level) in take.edges.items()},
        round(take.duration_s * 1e12), float(round(sample_ps)), f"robot {robot.bench.seed}",
    )  # fmt: skip
    told = Told()
    try:
        analysis = pwmscope.analyse(
            capture, sheet=sheet, plan=make_plan(sheet, losses=robot.losses)
        )
    except pwmscope.PwmscopeError as error:
        told.refused = f"{type(error).__name__}: {error}"
        return told
    check = analysis.failsafe
    told.lines = {line.line: line.verdict.value for line in check.lines if line.verdict}
    told.overall = check.verdict.value
    told.mixing = analysis.mixing.verdict.value if analysis.mixing is not None else "none"
    advice = [w.words for way in analysis.mixing_advice if way.needed for w in way.changes]
    told.words = [a.sentence for a in analysis.actions] + advice
    told.hazards = [str(h) for h in analysis.hazards]
    return told


def run(kind: str, seed: int, losses: int = 0) -> dict[str, Any]:
    """One robot, tested and judged; with so many losses, or as many as are drawn."""
    start = time.process_time()
    robot = draft(kind, seed)
    robot.losses = losses or robot.losses
    steps = steps_of(robot)
    take = record(robot.bench, steps, robot.hands)
    meant = record(robot.bench, steps, Hands())
    told = ask(robot, take)
    unsafe = {n: take.unsafe.get(n) or meant.unsafe[n] for n in {**take.unsafe, **meant.unsafe}}
    row: dict[str, Any] = {
        "kind": kind, "seed": seed, "drive": robot.drive, "faulty": robot.faulty_drive,
        "lines": told.lines, "overall": told.overall, "mixing": told.mixing,
        "unsafe": unsafe, "devices": list(robot.bench.devices), "refused": told.refused,
        "losses": sum(len(s) for s in take.losses.values()),
    }  # fmt: skip
    row["false meets"] = [n for n in unsafe if told.lines.get(n) == "meets"]
    row["false whole"] = bool(take.unsafe) and told.overall == "meets"
    mixes = robot.drive in ("mixed", "straight", "twice")
    row["mix twice"] = [w for w in told.words if MIX_ON.search(w)] if mixes else []
    good = robot.drive == "mixed" and not robot.faulty_drive
    row["mixing wrong"] = (told.mixing == "meets" and not good) or (
        told.mixing == "does not meet" and (good or robot.drive == "straight")
    )
    leaps = sorted({line for line, _ in take.leaps})  # By 40 us or more beyond the stop range
    row["leaps"] = leaps
    row["leaps untold"] = [
        n
        for n in leaps
        if not any(n in h for h in told.hazards) and told.lines.get(n) != "does not meet"
    ]
    row["cpu_s"] = round(time.process_time() - start, 2)
    return row


def main(words: list[str]) -> int:
    """Run a range of seeds, or report what was run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kind", choices=KINDS, default="layout")
    parser.add_argument("--seeds", default="0:20")
    parser.add_argument("--losses", type=int, default=0, help="by default as drawn")
    parser.add_argument("--out", type=Path, default=Path("robots.jsonl"))
    parser.add_argument("--stop-after", type=float, default=520.0)
    parser.add_argument("--report", type=Path)
    chosen = parser.parse_args(words)
    if chosen.report:
        rows = [json.loads(row) for row in chosen.report.read_text().splitlines()]
        for key, value in report(rows).items():
            sys.stdout.write(f"{value:7d}  {key}\n")
        return 0
    first, last = map(int, chosen.seeds.split(":"))
    done = set()
    if chosen.out.exists():
        rows = [json.loads(row) for row in chosen.out.read_text().splitlines()]
        done = {row["seed"] for row in rows if row["kind"] == chosen.kind}
    begun = time.monotonic()
    with chosen.out.open("a") as out:
        for seed in range(first, last):
            if seed in done or time.monotonic() - begun > chosen.stop_after:
                continue
            out.write(json.dumps(run(chosen.kind, seed, chosen.losses)) + "\n")
            out.flush()
    return 0


def report(rows: Iterable[dict[str, Any]]) -> dict[str, int]:
    """Count over all rows."""
    found: Counter[str] = Counter()
    for row in rows:
        found["robots"] += 1
        found["losses"] += row["losses"]
        found["refused"] += bool(row["refused"])
        for name in row["devices"]:
            state = "unsafe" if name in row["unsafe"] else "safe"
            found[f"{state}: {row['lines'].get(name, 'none')}"] += 1
        for key in ("false meets", "mix twice", "leaps", "leaps untold"):
            found[f"{key}, lines"] += len(row[key])
        found["false meets of the whole"] += row["false whole"]
        found["mixing wrong"] += row["mixing wrong"]
        right = "faulty" if row["faulty"] else "as drawn"
        found[f"drive {row['drive']} ({right}): {row['mixing']}"] += 1
    return dict(sorted(found.items()))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
