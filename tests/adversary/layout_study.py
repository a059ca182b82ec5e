"""Robots as built: generated layouts of drive, mixing, kill channels and switches, and a study.

A bench of its own at edge level: controls, a mixer wherever the layout has it, a receiver that
loses the link, and edges on a sampling grid. It shares no code with the product nor with
`pwmscope.synth`; the product is asked in `ask` alone. Run it as a command for the whole study:
`python tests/adversary/layout_study.py --seeds 0:500`.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

import pwmscope
from pwmscope.bench import parse_sheet

PS = 10**12
SAMPLE_PS = 500_000
"""2 MS/s."""
DRIVES = ("none", "transmitter", "nowhere", "into", "twice", "behind")
"""Where the drive is mixed: not at all; in the transmitter; in a mixer behind the pins, alone or
after the transmitter mixed already; in a converter whose outputs are recorded too."""
LOSS = ("preset", "hold", "stop")


@dataclass
class Channel:
    """One output: which control moves it, what it does in a loss, and what the sheet says."""

    control: str
    loss: str
    preset: float  # Microseconds
    sheet: dict[str, object]
    is_safe: bool = True  # Whether its device stands still in a loss, by whatever stops it


@dataclass
class Layout:
    """One robot, its sheet and its truth."""

    seed: int
    drive: str
    channels: dict[str, Channel]
    sheet: str
    drives_right: bool | None  # None where nothing that is recorded shows it
    mixer: str = ""
    notes: list[str] = field(default_factory=list)


def draft(seed: int) -> Layout:
    """Draw a robot."""
    rng = np.random.default_rng(seed)
    drive = DRIVES[int(rng.integers(len(DRIVES)))]
    channels: dict[str, Channel] = {}
    mixer = ""

    def add(role: str, moved_by: str, neutral: float | None, **keys: object) -> str:
        name = f"RX{len(channels) + 1}"
        loss = str(rng.choice(LOSS, p=(0.6, 0.25, 0.15)))
        off = 1500.0 if neutral else 1000.0
        sheet: dict[str, object] = {"role": role, **keys}
        if role in {"servo", "self-righter"}:
            sheet["stop_us"] = [1470, 1530]
        elif role == "kill":
            sheet |= {"stop_us": [900, 1250], "control": "switch"}
        elif neutral and role != "spare":
            sheet |= {"neutral_us": 1500, "deadband_us": 60}
        elif role != "spare":
            sheet["stop_us"] = [980, 1030]
        if role not in {"spare", "servo", "self-righter"}:
            sheet |= {"no_pulses": "stops", "no_pulses_after_s": 0.3}
        channels[name] = Channel(moved_by, loss, off, sheet)
        return name

    if drive in {"transmitter", "nowhere"}:
        stated = {"mixed_in": "transmitter"} if rng.random() < 0.4 else {}
        mixed = drive == "transmitter"
        add("drive-left", "left" if mixed else "elevator", 1500.0, **stated)
        add("drive-right", "right" if mixed else "aileron", 1500.0, **stated)
        mixer = "transmitter" if stated else ""
    elif drive in {"into", "twice", "behind"}:
        mixer = str(rng.choice(["converter", "gyro"] if drive == "behind" else ["ESC", "gyro"]))
        stated = {"mixed_in": mixer} if drive == "behind" or rng.random() < 0.6 else {}
        mixed = drive == "twice"
        add("drive-forward", "left" if mixed else "elevator", 1500.0, **stated)
        add("drive-turn", "right" if mixed else "aileron", 1500.0, **stated)
        if drive == "behind":
            add("drive-left", "left", 1500.0, **stated)
            add("drive-right", "right", 1500.0, **stated)
    weapon = str(rng.choice(["none", "stick", "switch", "two"])) if drive != "none" else "stick"
    if weapon != "none":
        both = weapon == "two"
        control = "switch" if weapon == "switch" else "throttle"
        name = add("weapon", control, 1500.0 if both else None,
                   **({"control": "switch"} if weapon == "switch" else {}))  # fmt: skip
        if rng.random() < 0.5:
            add("kill", "kill", None, guards=[name])
    for role in ("servo", "self-righter", "spare"):
        if rng.random() < 0.25:
            add(role, "rudder", 1500.0)
    for channel in channels.values():
        role = channel.sheet["role"]
        stops = channel.loss == "stop" and channel.sheet.get("no_pulses") == "stops"
        channel.is_safe = role == "spare" or stops or channel.loss == "preset"
    for channel in channels.values():
        for line in channel.sheet.get("guards", []):  # type: ignore[attr-defined]
            if channel.is_safe:
                channels[line].is_safe = True
    right = {"transmitter": True, "nowhere": False, "twice": False, "behind": True}.get(drive)
    return Layout(seed, drive, channels, _toml(channels), right, mixer)


def _toml(channels: dict[str, Channel]) -> str:
    def value(v: object) -> str:
        return f'"{v}"' if isinstance(v, str) else str(v).replace("'", '"')

    rows = ["[marker]", 'line = "tx-on"', 'on = "high"', 'kind = "switch"', "late_s = 0.01"]
    rows += ["[channels.E]", 'role = "stick-elevator"', "[channels.A]", 'role = "stick-aileron"']
    for name, channel in channels.items():
        rows += [f"[channels.{name}]", *(f"{k} = {value(v)}" for k, v in channel.sheet.items())]
    return "\n".join(rows) + "\n"


def controls_at(
    t: np.ndarray, spans: np.ndarray, rng: np.random.Generator, hand: np.random.Generator
) -> dict[str, np.ndarray]:
    """Where each control is, -1 to 1, at some times; a loss is prepared in each span.

    A hand takes 0.06 to 0.3 s for a stick, each anew; a switch takes no time.
    """
    holds = np.any([(t > a) & (t < b) for a, b in spans], axis=0)
    at = {}
    knots = {
        "elevator": [(3, 0), (3.4, 1), (5, 1), (5.4, -1), (7, -1), (7.4, 0), (13, 0), (13.4, 0.9),
                     (14.5, 0.9), (15, 0)],
        "aileron": [(8, 0), (8.4, 1), (10, 1), (10.4, -1), (12, -1), (12.4, 0), (13, 0),
                    (13.4, 0.9), (14.5, 0.9), (15, 0)],
    }  # fmt: skip
    held = {"elevator": 0.5, "aileron": 0.25, "throttle": 0.4, "rudder": 0.5}
    for name in ("elevator", "aileron", "throttle", "rudder"):
        path = knots.get(name, [(15, 0)])
        moved = np.interp(t, [k[0] for k in path], [k[1] for k in path])
        rest = -1.0 if name == "throttle" else 0.0
        moved = moved + (rest if name == "throttle" else 0.0)
        part = np.zeros(t.size)
        for a, b in spans:
            up_s, down_s = hand.uniform(0.06, 0.3, 2)
            part += np.clip((t - a) / up_s, 0.0, 1.0) - np.clip((t - b) / down_s, 0.0, 1.0)
        at[name] = moved + part * (held[name] + 0.01 * rng.standard_normal() - moved)
    on = np.where(holds, 1.0, -1.0)
    at |= {"switch": on, "kill": on}
    at["left"] = np.clip(at["elevator"] + at["aileron"], -1, 1)
    at["right"] = np.clip(at["elevator"] - at["aileron"], -1, 1)
    return at


def record(layout: Layout, losses: int = 10) -> tuple[dict[str, tuple[np.ndarray, int]], int]:
    """Run the bench: edges in picoseconds and the first level of each line, and the duration."""
    rng = np.random.default_rng(10_000 + layout.seed)
    off, on, begin = [], [], 18.0
    for length in rng.permutation(np.linspace(2.7, 6.2, losses)):
        off.append(begin + 2.5 + rng.uniform(0, 0.8))
        on.append(off[-1] + length)
        begin = on[-1] + 3.5 + rng.uniform(0, 0.8)
    off_s, on_s = np.array(off), np.array(on)
    end = begin + 1.0
    period = float(rng.choice([0.02, 0.014, 0.018])) * (1 + rng.normal(0, 2e-5))
    frame = rng.uniform(0, period) + period * np.arange(int(end / period))
    # Sticks go up two seconds before a loss, and down a second or more after the link is back.
    back_s = on_s + rng.uniform(0.15, 0.9, losses)
    spans = np.column_stack([off_s - 2.0, on_s + 1.6])
    hand = np.random.default_rng([layout.seed, 7])
    at = controls_at(frame, spans, rng, hand)
    lag_s = rng.uniform(0.25, 1.3)  # From the link's end to what the receiver then does
    die_s = rng.uniform(0.0, 0.05)
    linked = np.ones(len(frame), bool)
    lost = np.zeros(len(frame), bool)
    for a, b in zip(off_s + die_s, back_s, strict=True):
        linked &= ~((frame > a) & (frame < b))
        lost |= (frame > a + lag_s) & (frame < b)
    last = np.maximum.accumulate(np.where(linked, np.arange(len(frame)), 0))
    lines: dict[str, tuple[np.ndarray, int]] = {}
    stagger, throttle_up = 0.0, {"throttle"}
    shown = {"E": Channel("elevator", "hold", 0, {}), "A": Channel("aileron", "hold", 0, {})}
    for name, channel in {**shown, **layout.channels}.items():
        both = channel.sheet.get("neutral_us") is not None or channel.control not in throttle_up
        place = at[channel.control][last]
        if channel.control == "throttle" and both:
            place = 0.6 * (at["throttle"][last] + 1.0) / 1.4
        width = 1500.0 + 500.0 * place
        if channel.loss == "preset":
            width = np.where(lost, channel.preset, width)
        sent = ~(lost & (channel.loss == "stop"))
        width = width + rng.normal(0, 0.4, len(width))
        rise = frame[sent] + stagger
        edges = np.sort(np.concatenate([rise, rise + 1e-6 * width[sent]]))
        lines[name] = (np.round(edges * PS / SAMPLE_PS).astype(np.int64) * SAMPLE_PS, 0)
        stagger += 0.0004
    marker = np.sort(np.concatenate([off_s, on_s]))
    lines["tx-on"] = (np.round(marker * PS / SAMPLE_PS).astype(np.int64) * SAMPLE_PS, 1)
    return lines, int(end * PS / SAMPLE_PS) * SAMPLE_PS


@dataclass
class Told:
    """What the product said of a layout."""

    lines: dict[str, str]
    mixing: str  # Verdict, or "none"
    arrangement: str | None
    advised: tuple[str, ...]  # Kinds of change that are advised first or instead
    words: tuple[str, ...]


def ask(layout: Layout, *, without: str = "") -> Told:
    """Ask the product; ``without`` takes one channel's table out of the sheet."""
    lines, duration = record(layout)
    capture = pwmscope.Capture(
        {n: pwmscope.Line(n, edges, level) for n, (edges, level) in lines.items()},
        duration, float(SAMPLE_PS), f"layout {layout.seed}",
    )  # fmt: skip
    channels = {n: c for n, c in layout.channels.items() if n != without}
    text = layout.sheet if not without else _toml(channels)
    analysis = pwmscope.analyse(capture, sheet=parse_sheet(text))
    mixing = analysis.mixing
    verdicts = {
        line.line: "none" if line.verdict is None else line.verdict.value
        for line in analysis.failsafe.lines
    }
    needed = [way for way in analysis.mixing_advice if way.needed]
    actions = tuple(action.sentence for action in analysis.answer.actions)
    return Told(
        verdicts,
        "none" if mixing is None else mixing.verdict.value,
        None if mixing is None else mixing.arrangement.name,
        tuple(change.kind for way in needed for change in way.changes),
        (*actions, *(change.words for way in needed for change in way.changes)),
    )


def judge(layout: Layout, told: Told) -> Counter[str]:
    """Count what is right, open and wrong."""
    found: Counter[str] = Counter()
    for name, channel in layout.channels.items():
        verdict = told.lines.get(name, "none")
        if channel.sheet["role"] == "spare":
            found["spare judged"] += verdict != "none"
            continue
        kind = "safe" if channel.is_safe else "unsafe"
        found[f"{kind}: {verdict}"] += 1
    right = {True: "right", False: "wrong", None: "not to be seen"}[layout.drives_right]
    if layout.drive != "none":
        found[f"drive {layout.drive} ({right}): {told.mixing}"] += 1
    mixes = layout.drive in {"transmitter", "into", "twice", "behind"}
    found["told to mix twice"] += mixes and "mixing on" in told.advised
    elsewhere = layout.mixer and any(
        "ixing on in" in words and f"in the {layout.mixer}" not in words for words in told.words
    )
    found["told to mix at another place than stated"] += bool(elsewhere)
    return found


def wrong(found: Counter[str]) -> dict[str, int]:
    """Keep what must not be."""
    bad = [
        key for key in found
        if key in {"unsafe: meets", "safe: does not meet", "unsafe: none", "spare judged",
                   "told to mix twice", "told to mix at another place than stated"}
        or (key.startswith("drive") and ("(wrong): meets" in key or "(right): does not" in key
                                         or "seen): meets" in key or "seen): does" in key))
    ]  # fmt: skip
    return {key: found[key] for key in bad if found[key]}


def main(words: list[str]) -> int:
    """Run the study and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="0:500")
    first, last = map(int, parser.parse_args(words).seeds.split(":"))
    total: Counter[str] = Counter()
    for seed in range(first, last):
        layout = draft(seed)
        found = judge(layout, ask(layout))
        total += found
        if wrong(found):
            sys.stdout.write(f"seed {seed}: {wrong(found)}\n")
            sys.stdout.flush()
    for key, count in sorted(total.items()):
        sys.stdout.write(f"{count:6d}  {key}\n")
    return 1 if wrong(total) else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
