"""Link records of a second maker, from the issue's words only: hands that exchange controls.

It shares no code with pwmscope, with its synth or with `link_bench`. A person follows the plan's
steps at a pace of their own: late, early, short of the ends, with the other axis of the stick moved
along. Some exchange two controls, as a slip in the order or of the hand, or throughout. Some leave
one out, repeat one, bump a stick, fall behind. Switches, dials and buttons are thrown as well.
"""

from dataclasses import dataclass, field

import numpy as np

from pwmscope.bench import make_link_plan, parse_sheet
from pwmscope.capture import Capture, Line

STICKS = ("aileron", "elevator", "throttle", "rudder")
NEIGHBOUR = {
    1: {"aileron": "throttle", "throttle": "aileron", "elevator": "rudder", "rudder": "elevator"},
    2: {"aileron": "elevator", "elevator": "aileron", "throttle": "rudder", "rudder": "throttle"},
}
SLIPS = {
    "none": 0.50,
    "order": 0.07,  # two controls' steps done in each other's place
    "hand": 0.07,  # the other control pushed as the first was to be, and the reverse
    "throughout": 0.04,  # the same, in the corners as well: no record can show it
    "one wrong": 0.05,  # one control pushed in place of another, which comes in its own place too
    "left out": 0.06,
    "twice": 0.04,
    "bump": 0.05,
    "behind": 0.05,
    "wrong corner": 0.04,
    "no corners": 0.03,  # sticks left alone where the corners tell the axes apart
}


@dataclass
class Drawn:
    """One record, what each control truly moves, and what the hands did wrong."""

    capture: Capture
    plan: object
    sheet: object
    gains: dict  # for each line, microseconds that each control's first end adds
    mishap: str
    who: tuple
    other_follows: bool
    moves: dict = field(default_factory=dict)  # for each control the lines it moves, with a sign
    faint: set = field(default_factory=set)  # of these, what need not be told: little, or left out


def draw(seed):
    """Draw a bench, a person and their record."""
    rng = np.random.default_rng([2_718, seed])
    mode = int(rng.integers(1, 3))
    lines = _robot(rng)
    sheet = parse_sheet(_sheet(lines))
    plan = make_link_plan(sheet, mode=mode)
    slip = str(rng.choice(list(SLIPS), p=np.array(list(SLIPS.values())) / sum(SLIPS.values())))
    person = _Person(rng, plan, mode, slip)
    return _record(rng, seed, plan, sheet, lines, person)


def _robot(rng):
    """Lines: name, role, what the sheet says, true gains, rest width."""
    one = rng.uniform(250, 480)
    two = rng.uniform(150, 480)
    turn = rng.choice([-1.0, 1.0])
    kind = rng.choice(["mixed", "plain", "outside mixer"], p=[0.55, 0.2, 0.25])
    rows = []
    if kind == "mixed":
        same = rng.choice([1.0, -1.0], p=[0.75, 0.25])
        rows.append(["drive-left", "", {"elevator": turn * one, "aileron": two}, 1500.0])
        rows.append(
            ["drive-right", "", {"elevator": turn * one * same, "aileron": -two * same}, 1500.0]
        )
    else:
        forward, sideways = ("drive-forward", "drive-turn")
        rows.append([forward, "", {"elevator": turn * one}, 1500.0])
        rows.append([sideways, "", {"aileron": two}, 1500.0])
    both_ways = rng.random() < 0.2
    if rng.random() < 0.85:
        low = 1500.0 if both_ways else rng.uniform(950, 1100)
        reach = rng.uniform(300, 450) if both_ways else rng.uniform(600, 900)
        said = "neutral_us = 1500\n" if both_ways else ""
        rows.append(["weapon", said, {"throttle": reach}, low])
    if rng.random() < 0.5:
        rows.append(["servo", "", {"rudder": rng.choice([-1, 1]) * rng.uniform(150, 500)}, 1500.0])
    if rng.random() < 0.15:
        rows.append(["servo", "", {str(rng.choice(["rudder", "elevator"])): 300.0}, 1480.0])
    if rng.random() < 0.15:
        rows.append(["servo", "", {}, 1500.0])
    for _ in range(rng.choice([0, 1, 2, 3], p=[0.6, 0.2, 0.15, 0.05])):
        what = str(rng.choice(["switch", "switch3", "dial", "button", "kill"]))
        role = "kill" if what == "kill" else str(rng.choice(["servo", "self-righter"]))
        said = "" if what == "kill" else f'control = "{what.rstrip("3")}"\n'
        said += "positions = 3\n" if what == "switch3" else ""
        reach = float(rng.choice([-1, 1]) * rng.uniform(400, 1000))
        rows.append([role, said, {"OWN": reach}, 1500.0 - reach / 2.0])
    rows = [rows[k] for k in rng.permutation(len(rows))]
    lines = {f"CH{k + 1}": row for k, row in enumerate(rows)}
    for name, row in lines.items():
        if "OWN" in row[2]:
            row[2] = {f"other:{name}": row[2]["OWN"]}
    if rng.random() < 0.25 and len(lines) > 1:  # two plugs in each other's place
        a, b = rng.choice(list(lines), 2, replace=False)
        lines[a][2:], lines[b][2:] = lines[b][2:], lines[a][2:]
    return lines


def _sheet(lines):
    text = '[marker]\nline = "on"\non = "high"\nkind = "switch"\n'
    return text + "".join(
        f'[channels.{name}]\nrole = "{role}"\n{said}' for name, (role, said, *_) in lines.items()
    )


class _Person:
    """Carries the plan out: for each control, when it goes where, and how briskly."""

    def __init__(self, rng, plan, mode, slip):  # noqa: PLR0912
        self.slip, self.left_out, self.who = slip, "", ()
        manner = rng.choice(["calm", "late", "hasty"], p=[0.4, 0.35, 0.25])
        mean = {"calm": 0.25, "late": rng.uniform(0.5, 1.8), "hasty": 0.1}[manner]
        spread = {"calm": 0.12, "late": 0.4, "hasty": 0.45}[manner]
        self.brisk = rng.uniform(0.08, 0.5)
        short = rng.uniform(0.0, 0.15)
        cross = rng.choice([0.0, 0.08, 0.2])
        groups = _groups(plan)
        controls = [g for g, steps in groups if any(s.sticks or s.controls for _, s in steps)]
        alone = [g for g in controls if g.split()[0] in STICKS]
        one, two = (str(g) for g in rng.choice(alone, 2, replace=False))
        if slip == "order":
            k = int(rng.integers(len(alone) - 1))
            one, two = alone[k], alone[k + 1]
        self.who = (one, two)
        axis = {one: two, two: one} if slip in {"hand", "throughout"} else {}
        axis |= {one: two} if slip == "one wrong" else {}
        place = {one: two, two: one} if slip == "order" else {}
        by_name = dict(groups)
        self.moves = []  # (when, {control: to})
        behind = 0.0
        behind_from = int(rng.integers(3, len(groups) - 4))
        self.starts = {}
        last = -9.0
        for number, (group, steps) in enumerate(groups):
            if slip == "behind" and number == behind_from:
                behind = float(rng.uniform(3.0, 14.0))
            own = steps[0][0]
            done = by_name[place.get(group, group)]
            for at, step in done:
                nominal = own + (at - done[0][0]) + behind
                if step.is_at_rest and len(done) > 1 and place:
                    nominal = own + (at - done[0][0])
                when = max(nominal + mean + rng.normal(0.0, spread), last + self.brisk + 0.1)
                last = when
                self.starts.setdefault(step.name, when)
                to = {a: v * (1.0 - rng.uniform(0.0, short)) for a, v in step.sticks.items()}
                to |= {f"other:{line}": 0.5 + v / 2.0 for line, v in step.controls.items()}
                if slip == "left out" and group == one:
                    to, self.left_out = {}, one
                if group in alone or slip == "throughout":
                    to = {axis.get(a, a): v for a, v in to.items()}
                if len(to) == 1 and cross and (a := next(iter(to))) in STICKS:
                    slop = float(rng.uniform(-cross, cross))
                    beside = NEIGHBOUR[mode][a]
                    to[beside] = abs(slop) if beside == "throttle" else slop
                if group.startswith("check") and slip == "wrong corner" and "right" in step.name:
                    to = {a: -v for a, v in to.items()}
                if group.startswith("check") and slip == "no corners":
                    to = {}
                self.moves.append((when, to))
            if slip == "twice" and group == one:
                again = [(at - done[0][0], s) for at, s in done]
                wait = float(rng.uniform(0.5, 3.0))
                base = last + wait
                for after, step in again:
                    last = base + 0.7 * after
                    self.moves.append((last, dict(step.sticks)))
        if slip == "bump":
            at = float(rng.uniform(self.starts["aileron right"], self.starts["rest after"]))
            a = str(rng.choice(STICKS))
            before = [to for when, to in self.moves if when < at][-1]
            self.moves += [(at, {**before, a: 0.9}), (at + float(rng.uniform(0.3, 1.0)), before)]
        self.moves.sort(key=lambda move: move[0])

    def position(self, control, t):
        """Where a control is at each instant: eased from one place to the next."""
        where = np.zeros(t.size)
        now = 0.0
        whens = [when for when, _ in self.moves] + [np.inf]
        for (when, to), then in zip(self.moves, whens[1:], strict=True):
            goal = to.get(control, 0.0)
            brisk = 0.03 if control.startswith("other") else self.brisk
            inside = (t >= when) & (t < then)
            u = np.clip((t[inside] - when) / brisk, 0.0, 1.0)
            where[inside] = now + (goal - now) * (0.5 - 0.5 * np.cos(np.pi * u))
            u = np.clip((then - when) / brisk, 0.0, 1.0)
            now += (goal - now) * (0.5 - 0.5 * np.cos(np.pi * u))
        return where


def _groups(plan):
    """Steps that belong together: one control's strokes with their rest, or a single step."""
    groups = []
    for at, step in zip(plan.starts_s, plan.steps, strict=True):
        words = step.name.split()
        key = step.name
        if words[0] in STICKS or words[0] in {"check"}:
            key = words[0]
        elif words[0] == "stir":
            key = " ".join(words[:2])
        elif " of " in step.name:
            key = " ".join(words[:3])
        if groups and groups[-1][0] == key:
            groups[-1][1].append((at, step))
        else:
            groups.append((key, [(at, step)]))
    return groups


def _record(rng, seed, plan, sheet, lines, person):  # noqa: PLR0917
    starts = person.starts
    period = float(rng.choice([0.0055, 0.009, 0.0111, 0.015, 0.02, 0.0221]))
    end = max(when for when, _ in person.moves) + float(rng.uniform(5.0, 12.0))
    t = np.arange(float(rng.uniform(0.001, 0.02)), end, period)
    t = t + rng.normal(0.0, 3e-6, t.size)
    on = starts["first link"]
    there = on + float(rng.uniform(0.1, 3.0))
    left = starts["another memory"] + float(rng.uniform(1.0, 8.0))
    back = starts["own memory again"] + float(rng.uniform(1.0, 8.0))
    follows = rng.random() < 0.2
    gone = (t < there) | ((t >= left) & (t < back) & (not follows))
    curve = float(rng.choice([1.0, 1.0, 1.4, 2.0]))
    whole = {c for row in lines.values() for c in row[2]}
    where = {c: person.position(c, t) for c in whole}
    where = {c: np.sign(w) * np.abs(w) ** curve for c, w in where.items()}
    if "neutral_us" not in "".join(row[1] for row in lines.values()) and "throttle" in where:
        where["throttle"] = np.maximum(where["throttle"], 0.0)
    tick = float(rng.choice([0.0, 0.5, 1.0, 4.0]))
    jitter = float(rng.choice([0.1, 0.5, 2.0]))
    rate = int(rng.choice([200_000, 500_000, 1_000_000, 2_000_000, 12_000_000]))
    recorded = {}
    one_after_another = rng.random() < 0.5
    for k, (name, (_, _, gains, rest)) in enumerate(lines.items()):
        moved = sum((g * where[c] for c, g in gains.items()), np.zeros(t.size))
        width = np.clip(rest + moved, 850.0, 2150.0)
        sent = np.ones(t.size, bool)
        lost = rng.choice(["stop", "hold", "preset"])
        if lost == "stop":
            sent = ~gone
        elif lost == "preset":
            width[gone] = rest + float(rng.choice([0.0, -120.0, 200.0]))
        else:
            sent = t >= there
            held = np.maximum.accumulate(np.where(gone, 0, np.arange(t.size)))
            width = width[held]
        width = width + rng.normal(0.0, jitter, t.size)
        if tick:
            width = np.round(width / tick) * tick
        rise = t[sent] + (0.0023 * (k % 8) if one_after_another and period > 0.019 else 0.0)
        edges = np.column_stack([rise, rise + width[sent] * 1e-6]).ravel()
        counts = np.floor(edges * rate).astype(np.int64) + 1
        counts = counts[: np.searchsorted(counts, int(end * rate)) // 2 * 2]
        recorded[name] = Line(name, counts * (10**12 // rate), 0)
    recorded["on"] = Line("on", np.array([int(on * rate) * (10**12 // rate)], np.int64), 0)
    capture = Capture(recorded, int(end * rate) * (10**12 // rate), float(rate), f"second {seed}")
    gains = {name: dict(row[2]) for name, row in lines.items()}
    drawn = Drawn(capture, plan, sheet, gains, person.slip, person.who, bool(follows))
    kinds = {name: channel.control or "switch" for name, channel in sheet.channels.items()}
    for name, own in gains.items():
        most = max(map(abs, own.values()), default=0.0)
        for control, gain in own.items():
            told = control
            if control.startswith("other:"):
                told = f"{kinds[control[6:]]} of {control[6:]}"
            drawn.moves.setdefault(told, {})[name] = int(np.sign(gain))
            if abs(gain) < max(100.0, 0.3 * most) or control == person.left_out:
                drawn.faint.add((told, name))
    return drawn
