"""Random recordings of signal losses whose truth the script knows.

A bench has one to four lines with a bench sheet, a receiver of one or several
behaviours, hands that hold, release, move or switch their sticks, a marker line or
stated times that may be wrong, and now and then a supply that fails, a plug that is
pulled or a probe that falls off. Nothing here knows how losses are analysed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from loss_hands import moves
from loss_mishaps import marked, strike, without_pulses

from pwmscope.bench import BenchChannel, BenchSheet, Marker, Role
from pwmscope.capture import Capture
from pwmscope.synth import (
    Behaviour,
    Channel,
    Frame,
    Glitches,
    GoesToPreset,
    HoldsLast,
    KeepsFollowing,
    Loss,
    PulsesStop,
    Recording,
    Script,
    Wanders,
    Width,
    build,
)

LIMIT_S = 2.0
RATES_HZ = (250_000, 500_000, 1_000_000, 4_000_000, 12_000_000, 24_000_000)
ROLES: tuple[Role, ...] = ("drive-left", "weapon", "drive-right", "servo")
ACTIONS = {
    "held through": 0.38, "released while off": 0.14, "released before": 0.1, "at rest": 0.08,
    "moving": 0.1, "waggled": 0.1, "switched": 0.05, "pushed while off": 0.05,
}  # fmt: skip
MARKS = {"marked": 0.55, "stated": 0.2, "stated wrongly": 0.07, "none": 0.08, "goes off late": 0.1}
MISHAPS = {"none": 0.82, "supply fails": 0.05, "plug pulled": 0.05, "restart while off": 0.04,
           "probe falls off": 0.04}  # fmt: skip


@dataclass(frozen=True)
class TrueLoss:
    """What one line did in one loss, by the script.

    ``behaviour`` is its class, or "ramps" where the loss ended on the way to a
    preset; ``settles_s`` seconds from the loss until it settled; ``stops_s`` seconds
    from the loss until the last pulse outside the stop range was over; ``conforms``
    whether the device would have stood still in time however the stick had been held.
    """

    line: str
    off_s: float
    behaviour: str
    settles_s: float | None
    stops_s: float | None
    conforms: bool
    action: str = ""
    mark: str = ""
    mishap: str = "none"

    @property
    def plain(self) -> bool:
        """Whether marker or stated time are right and nothing else happened."""
        return self.mark in {"marked", "stated"} and self.mishap == "none"


@dataclass(frozen=True)
class Bench:
    """One random recording: what the analyser is given, and the truth."""

    capture: Capture
    sheet: BenchSheet
    off_line: str | None
    off_at_s: tuple[tuple[float, float], ...]
    frame_s: float
    truth: tuple[TrueLoss, ...]


def pick(rng: np.random.Generator, weights: dict[str, float]) -> str:
    """Draw one of the keys by its weight."""
    return str(rng.choice(list(weights), p=list(weights.values())))


def random_bench(seed: int) -> Bench:
    """Make one recording of three to six losses."""
    rng = np.random.default_rng(seed)
    period_us = float(rng.uniform(5_000, 30_000))
    lines = [f"RX{k + 1}" for k in range(rng.integers(1, 5))]
    channels = {name: random_device(rng, name, ROLES[k]) for k, name in enumerate(lines)}
    losses, end_s = random_losses(rng)
    shared = random_behaviour(rng) if rng.random() < 0.5 else None
    usual = {name: shared or random_behaviour(rng) for name in lines}
    actions = [{name: pick(rng, ACTIONS) for name in lines} for _ in losses]
    mixed = seed if rng.random() < 0.4 else None
    if mixed is not None:  # all lines follow one stick
        actions = [dict.fromkeys(lines, own[lines[0]]) for own in actions]
    update_s = float(rng.choice([0.022, 0.044])) if rng.random() < 0.3 else 0.0
    for own in actions:  # one hand moves one switch
        switched = [name for name in lines if own[name] == "switched"]
        own.update(dict.fromkeys(switched[1:], "held through"))
    scripted = []
    for loss in losses:
        other = random_behaviour(rng) if rng.random() < 0.15 else None
        own = {name: aimed(rng, other or usual[name], channels[name]) for name in lines}
        scripted.append(replace(loss, channels=own))
    mark = pick(rng, MARKS)
    script = Script(
        end_s,
        int(rng.choice(RATES_HZ)),
        seed,
        Frame(
            period_us, float(rng.uniform(0, period_us)), jitter_us=float(rng.choice([0, 1, 20])),
            dropout_probability=float(rng.choice([0, 0, 0.002, 0.02])),
        ),
        tuple(
            Channel(
                name,
                moves(
                    rng, channels[name], losses, [own[name] for own in actions],
                    update_s=update_s, shared=mixed,
                ),
                skew_us=float(rng.uniform(0, 400)),
                inverted=bool(rng.random() < 0.1),
            )
            for name in lines
        ),
        width=Width(jitter_us=float(rng.choice([0.0, 0.3, 1.0, 3.0])),
                    resolution_us=float(rng.choice([0.0, 0.5, 1.0]))),
        glitches=Glitches(per_minute=float(rng.choice([0, 0, 0, 6]))),
        losses=tuple(scripted),
        marker="tx-on",
    )  # fmt: skip
    recording = build(script)
    mishap = pick(rng, MISHAPS)
    struck, spans = strike(rng, mishap, losses, lines)
    inverted = {channel.name: channel.inverted for channel in script.channels}
    capture = without_pulses(recording.capture, spans, inverted)
    capture, off_line, off_at_s, told_s = marked(rng, capture, losses, mark)
    sheet = BenchSheet("study", "", "", LIMIT_S, "", Marker("tx-on", "high", "switch"), channels)
    if off_line is None:
        sheet = replace(sheet, marker=None)
    truth = tuple(
        replace(
            true_loss(recording, name, k, channels[name], told_s[k]),
            action=actions[k][name],
            mark=mark,
            # A probe that fell off may be off in later losses, too.
            mishap=mishap
            if struck in {k, None} or (mishap == "probe falls off" and struck < k)
            else "none",
        )
        for k in range(len(losses))
        for name in lines
    )
    return Bench(capture, sheet, off_line, off_at_s, period_us / 1e6, truth)


def random_device(rng: np.random.Generator, name: str, role: Role) -> BenchChannel:
    """Draw what is on a line: where it rests, its stop range, what no pulses mean to it."""
    rest_us = 1000.0 + rng.uniform(-8, 8) if role == "weapon" else 1500.0 + rng.uniform(-10, 10)
    half_us = float(rng.uniform(12, 45))
    low_us = 800.0 if role == "weapon" else rest_us - half_us
    no_pulses = (None, "keeps going", "stops", "stops", "stops")[rng.integers(5)]
    device = BenchChannel(
        name, role, "", 1000.0, rest_us, 2000.0, None, no_pulses, (low_us, rest_us + half_us), None
    )
    return replace(device, no_pulses_after_s=0.0 if no_pulses == "stops" else None)


def random_losses(rng: np.random.Generator) -> tuple[list[Loss], float]:
    """Draw when the transmitter is off; most losses outlast the limit, some end the recording."""
    losses, time_s = [], 0.0
    for _ in range(rng.integers(3, 7)):
        off_s = time_s + rng.uniform(3.0, 5.0)
        lasts_s = rng.uniform(2.3, 4.0) if rng.random() < 0.75 else rng.uniform(0.3, 2.3)
        losses.append(Loss(off_s, off_s + lasts_s, reacquire_s=float(rng.uniform(0, 0.8))))
        time_s = losses[-1].follows_s
    if rng.random() < 0.2:
        losses[-1] = Loss(losses[-1].off_s)
        return losses, losses[-1].off_s + rng.uniform(0.3, 5.0)
    return losses, time_s + rng.uniform(0.2, 3.0)


def random_behaviour(rng: np.random.Generator) -> Behaviour:
    """Draw a behaviour; of a preset, whether it lies in the stop range, near its end or out."""
    kind = rng.choice(["stop", "hold", "preset", "wander", "follow"],
                      p=[0.2, 0.2, 0.4, 0.1, 0.1])  # fmt: skip
    late = rng.choice(["at once", "soon", "hold", "near limit"], p=[0.15, 0.2, 0.45, 0.2])
    after_s = {"at once": 0.0, "soon": rng.uniform(0.02, 0.3), "hold": rng.uniform(0.3, 2.6),
               "near limit": LIMIT_S + rng.uniform(-0.06, 0.06)}[late]  # fmt: skip
    if kind == "stop":
        return PulsesStop(after_s, int(rng.random() < 0.2))
    if kind == "hold":
        return HoldsLast()
    if kind == "wander":
        return Wanders(1100, 1900, float(rng.choice([5, 40, 150])))
    if kind == "follow":
        return KeepsFollowing()
    extra = rng.choice(["none", "silent", "ramp"], p=[0.8, 0.1, 0.1])
    return GoesToPreset(
        float(rng.choice([1, 2, 3], p=[0.7, 0.15, 0.15])),  # where it lies; see `aimed`
        after_s,
        silent_s=float(rng.uniform(0.25, 0.8)) if extra == "silent" else 0.0,
        ramp_s=float(rng.uniform(0.05, 0.8)) if extra == "ramp" else 0.0,
    )


def aimed(rng: np.random.Generator, behaviour: Behaviour, device: BenchChannel) -> Behaviour:
    """Give a preset its width for one device: inside its stop range, near its end, or out."""
    if not isinstance(behaviour, GoesToPreset):
        return behaviour
    low_us, high_us = device.stop_us
    near_us = rng.choice([-3, -1, -0.3, 0.3, 1, 3])
    at_low = device.role != "weapon" and rng.random() < 0.5
    width_us = {
        1.0: device.neutral_us + rng.uniform(-6, 6),
        2.0: low_us - near_us if at_low else high_us + near_us,
        3.0: high_us + rng.uniform(5, 300),
    }[behaviour.preset_us]
    return replace(behaviour, preset_us=float(width_us))


def true_loss(
    recording: Recording, name: str, k: int, device: BenchChannel, told_s: float
) -> TrueLoss:
    """Read one line's loss off the script and the exact pulses.

    ``told_s`` is the moment that the analyser is told; a moment told too late
    shortens what it can know of.
    """
    script, loss = recording.script, recording.script.losses[k]
    said, behaviour = recording.truth.channels[name].losses[k], loss.channels[name]
    # The receiver has no link until its channels follow again.
    until_s = min(loss.follows_s, script.duration_s)
    lost_s = max(loss.off_s, told_s)
    stops_s = max(0.0, stop_instant(recording, name, device, loss.off_s, until_s) - lost_s)
    settles_s = said.settles_s
    if settles_s is not None and settles_s > until_s:
        settles_s = None
    if isinstance(behaviour, PulsesStop):
        good = device.no_pulses == "stops"
    elif isinstance(behaviour, GoesToPreset):
        low_us, high_us = device.stop_us
        good = low_us <= behaviour.preset_us <= high_us
        silent_from_s = loss.off_s + behaviour.after_s
        if behaviour.silent_s and device.no_pulses == "stops" and silent_from_s < until_s:
            settles_s = min(settles_s or np.inf, silent_from_s)
    else:
        good = False
    in_time = stops_s <= LIMIT_S and settles_s is not None and settles_s - lost_s <= LIMIT_S
    outlasts = min(loss.follows_s, script.duration_s) - told_s >= LIMIT_S
    conforms = bool(good and in_time and outlasts)
    found = said.behaviour
    if found in {"goes to preset", "pulses stop"} and (said.settles_s or np.inf) > until_s:
        found = "holds last"
        if isinstance(behaviour, GoesToPreset) and loss.off_s + behaviour.after_s < until_s:
            found = "pulses stop" if behaviour.silent_s else "ramps"
    settled_s = None if settles_s is None or said.settles_s is None else said.settles_s - loss.off_s
    return TrueLoss(name, loss.off_s, found, settled_s, stops_s, conforms)


def stop_instant(
    recording: Recording, name: str, device: BenchChannel, off_s: float, until_s: float
) -> float:
    """Return when the last pulse outside the stop range was over, by the exact pulses."""
    channel = recording.truth.channels[name]
    low_us, high_us = device.stop_us
    rise_s, width_us = channel.rise_ps / 1e12, channel.width_ps / 1e6
    period_s = recording.script.frame.period_us / 1e6
    next_s = np.append(rise_s[1:], recording.script.duration_s)
    paused = next_s - rise_s > max(0.2, 5 * period_s)
    out = (width_us < low_us) | (width_us > high_us)
    stops = device.no_pulses == "stops"
    over_s = np.where(paused & stops, rise_s + period_s, next_s)
    bad = (out | (paused & (not stops))) & (rise_s < until_s) & (over_s > off_s)
    last_s = float(over_s[bad].max(initial=off_s))
    return np.inf if last_s >= until_s and recording.script.duration_s > until_s else last_s
