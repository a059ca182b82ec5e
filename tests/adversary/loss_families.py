"""Every alternative cause of what a record shows, each a change to a careful person's test.

The causes are crossed with the unsafe classes: the record could be taken for a failsafe that stops
in time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Literal
from zlib import crc32

import numpy as np
from loss_bench import (
    Accident,
    Damage,
    Kind,
    Output,
    Phase,
    Recording,
    Response,
    record,
)
from loss_classes import (
    safe_response,
)
from loss_drafts import (
    Draft,
    Test,
    base,
    hear,
    insert_time,
    leave_gaps,
    power_up_first,
    sheet_of,
    state_times,
    write_marker,
)

# The standard deviation of a time that a person keeps, as a share of it: a practised hand's (from
# memory; studies of tapping and of interval timing find 3 to 10 %), and never below 30 ms.
MIN_SCATTER = 0.05

# -------------------------------------------------------------------- alternative causes


def _human(rng: np.random.Generator, mean: float, sd: float, n: int) -> np.ndarray:
    return np.maximum(rng.normal(mean, sd, n), -0.3)


def hand_lets_go(d: Draft) -> None:
    """Hands let go round the switch-off, before the carrier dies, and take hold again later."""
    rng, script = d.rng, d.script
    n = len(script.planned)
    mean = float(rng.choice([rng.uniform(-0.2, 0.1), rng.uniform(0.1, 0.7)]))
    sd = max(float(rng.choice([0.03, 0.05, 0.15])), MIN_SCATTER * abs(mean))
    go = _human(rng, mean, sd, n)
    before = rng.random() < 0.75  # the carrier outlives the hand: a slow switch, slow packets
    all_at_once = rng.random() < 0.5
    again = float(rng.choice([rng.uniform(-0.4, 0.0), 0.0, rng.uniform(0.0, 0.4)]))
    for i, p in enumerate(script.planned):
        start = p.marked_off_s + float(go[i])
        packet = script.receivers[0].packet_s
        if before:
            p.dies_s = max(p.off_s, start + 0.05 + 2 * packet + float(rng.uniform(0.0, 0.15)))
        for moves in script.moves.values():
            late = 0.0 if all_at_once else float(rng.uniform(0, 0.06))
            moves.append((start + late, 0.0, float(rng.uniform(0.015, 0.1))))
        back = p.back_s + again + float(rng.normal(0, 0.05))
        for s, moves in script.moves.items():
            moves.append((back, p.held[s], float(rng.uniform(0.02, 0.1))))


def thumb_slips(d: Draft) -> None:
    """The thumb slips at switch-off; the stick is back while the transmitter is off."""
    rng, script = d.rng, d.script
    slow = rng.random() < 0.5
    if slow:
        r = script.receivers[0]
        r.packet_s = float(rng.uniform(0.05, 0.25))
        r.timeout_s = max(r.timeout_s, 1.5 * r.packet_s)
    which = rng.random() < 0.5
    for p in script.planned:
        p.dies_s = p.off_s + float(rng.uniform(0.08, 0.3))
        reach = p.dies_s - 1.2 * script.receivers[0].packet_s
        start = min(reach - 0.03, p.off_s + float(rng.uniform(-0.05, 0.1)))
        for i, (s, moves) in enumerate(script.moves.items()):
            if which and i:
                continue
            moves.append((start, 0.0, float(rng.uniform(0.001, 0.03))))
            middle = (p.dies_s + 0.02 + p.on_s) / 2
            moves.append((float(rng.uniform(p.dies_s + 0.02, middle)), p.held[s], 0.1))


def hand_moves(d: Draft) -> None:
    """Hands waggle all the time and happen to rest in the losses; or go on to waggle."""
    rng, script = d.rng, d.script
    rest = rng.random() < 0.6
    for p in script.planned:
        for s, moves in script.moves.items():
            t = p.off_s - 0.6
            end = p.off_s + float(rng.uniform(-0.1, 0.8)) if rest else p.back_s
            while t < end:
                moves.append(
                    (t, float(rng.uniform(-1, 1)) if s != "c" else float(rng.random()), 0.1)
                )
                t += float(rng.uniform(0.12, 0.4))
            moves.append((end + 0.02, 0.0 if rest else p.held[s], 0.06))
            moves.append((p.back_s - 0.1 + float(rng.uniform(0, 0.3)), p.held[s], 0.05))


def weapon_switch(d: Draft) -> None:
    """The driver flips the weapon switch off as he shuts down, and on again some time later."""
    rng, script = d.rng, d.script
    before = float(rng.choice([-0.1, 0.05, 0.25, rng.uniform(0.15, 0.9)]))
    sd = max(float(rng.choice([0.03, 0.06, 0.2])), MIN_SCATTER * before)
    after = float(rng.choice([rng.uniform(-0.3, 0.2), rng.uniform(0.2, 5.0)]))
    target = d.unsafe[int(rng.integers(len(d.unsafe)))] if d.unsafe else script.outputs[-1]
    target.mix = {"switch": next(iter(target.mix.values()))}
    script.moves["switch"] = []
    others = [o for o in script.outputs if o is not target]
    if rng.random() < 0.5:
        for p in script.planned:
            insert_time(script, p.back_s + 0.5, float(rng.uniform(0.5, 4.0)))
    if rng.random() < 0.7:
        for o in others:
            kind = str(rng.choice(["preset", "hold then preset", "stop"]))
            o.responses = (safe_response(kind, o, d.m[o.receiver], rng, d.margin_us),)
            o.chosen, o.unsafe_class = (), ""
            o.stops_without_pulses, o.runs_on_s = True, min(o.runs_on_s, 0.3)
    on = float(rng.uniform(0.4, 0.9))
    for i, p in enumerate(script.planned):
        p.held["switch"] = on
        flip = p.marked_off_s + before + float(rng.normal(0, sd))
        packet = script.receivers[target.receiver].packet_s
        p.dies_s = max(p.off_s, flip + 2.2 * packet + 0.02)
        until = (
            script.planned[i + 1].off_s - 0.7 if i + 1 < len(script.planned) else script.duration_s
        )
        if i == 0:
            script.moves["switch"].append((0.2, p.held["switch"], 1e-6))
        script.moves["switch"].append((flip, 0.0, 1e-6))
        again = min(p.back_s + after + float(rng.normal(0, sd)), until)
        script.moves["switch"].append((again, p.held["switch"], 1e-6))


def _level(rng: np.random.Generator) -> Literal["low", "high", "noise"]:
    """What a probe shows that is on no wire."""
    return ("low", "high", "noise")[int(rng.integers(3))]


def probe_off(d: Draft) -> None:
    """The probe comes off, or the signal plug of a device, at about the moment of loss."""
    rng, script = d.rng, d.script
    probe = rng.random() < 0.6
    mean = float(rng.uniform(0.0, 0.9 * d.limit_s))
    sd = max(float(rng.choice([0.03, 0.1, 0.3])), MIN_SCATTER * mean)
    lines = [o.name for o in (d.unsafe or script.outputs)]
    if rng.random() < 0.5:
        lines = lines[:1]
    again = float(rng.choice([-0.2, 0.0, 0.3]))
    level = str(rng.choice(["low", "low", "low", "high", "noise"]))
    for p in script.planned:
        start = p.off_s + max(0.0, float(rng.normal(mean, sd)))
        end = p.back_s + again + float(rng.normal(0, 0.1))
        for name in lines:
            script.accidents.append(
                Accident(name, start, max(end, start + 0.1), "probe" if probe else "plug", level)  # type: ignore[arg-type]
            )


def plug_by_habit(d: Draft) -> None:
    """The same person pulls the receiver's supply, or plugs, at about the same time each time."""
    rng, script = d.rng, d.script
    mean = float(rng.uniform(0.3, 0.95)) * d.limit_s
    sd = max(float(rng.choice([0.03, 0.08, 0.2])), MIN_SCATTER * mean)
    supply = rng.random() < 0.5
    again = float(rng.choice([-0.5, -0.1, 0.2]))
    for p in script.planned:
        start = p.off_s + max(0.05, float(rng.normal(mean, sd)))
        end = p.back_s + again + float(rng.normal(0, 0.05))
        if supply:
            for r in script.receivers:
                r.without_power.append((start, max(end, start + 0.1)))
        else:
            for o in d.unsafe or script.outputs:
                script.accidents.append(Accident(o.name, start, max(end, start + 0.1), "plug"))


def restarts(d: Draft) -> None:
    """The supply dips and the receiver starts again in the loss; without a link it is quiet."""
    rng, script = d.rng, d.script
    mean = float(rng.uniform(0.0, 0.8)) * d.limit_s
    sd = max(float(rng.choice([0.03, 0.1, 0.3])), MIN_SCATTER * mean)
    one_supply = rng.random() < 0.2  # one bench supply for transmitter and receiver
    for o in script.outputs:
        o.before_link = (Phase(0.0, Kind.SILENT),)
        if rng.random() < 0.4:
            low, high = o.stop_us
            inside = (max(low, 940) + high) / 2
            o.before_link = (
                Phase(0.0, Kind.SILENT),
                Phase(float(rng.uniform(0.05, 0.4)), Kind.WIDTH, inside),
            )
    for p in script.planned:
        start = p.off_s + max(0.0, float(rng.normal(mean, sd)))
        end = start + float(rng.uniform(0.02, 0.5))
        if one_supply:
            start, end = p.dies_s, p.on_s + float(rng.uniform(0.0, 0.1))
        for r in script.receivers:
            r.without_power.append((start, end))


def marker_unstated(d: Draft) -> None:
    """The sheet does not say which level means on; the record begins with the transmitter off."""
    d.polarity_stated = False
    _starts_off(d)


def marker_upside_down(d: Draft) -> None:
    """The sheet says the wrong level."""
    if d.rng.random() < 0.6:
        _starts_off(d)

    def turn(sheet: dict[str, Any]) -> None:
        on = sheet["marker"].get("on")
        if on:
            sheet["marker"]["on"] = "low" if on == "high" else "high"

    d.sheet_edits.append(turn)


def _starts_off(d: Draft) -> None:
    """Begin with a spell with the transmitter off; the sticks mostly rest while it is on."""
    rng, script = d.rng, d.script
    spell = float(rng.uniform(1.5, 4.0)) + d.limit_s
    # Spells with the transmitter on as long as the losses: either may be taken for the other.
    share = (0.9, 1.4) if rng.random() < 0.8 else (0.2, 0.8)
    insert_time(script, 0.25, d.limit_s * float(rng.uniform(*share)))
    for p in script.planned[:-1]:
        insert_time(script, p.back_s + 0.3, d.limit_s * float(rng.uniform(*share)))
    script.duration_s += d.limit_s
    insert_time(script, -1.0, spell)
    script.marker_starts_on = False
    script.marker.append((spell - float(rng.uniform(0.05, 0.4)), True))
    for o in script.outputs:
        if o.unsafe_class and o.responses:
            last = o.responses[0][-1]
            if last.kind in {Kind.WIDTH, Kind.WANDER} and rng.random() < 0.8:
                o.before_link = (replace(last, start_s=0.0, after_on=False),)
    if rng.random() < 0.6:
        # Nobody touches a stick while the transmitter is on.
        script.moves = {s: [] for s in script.moves}
        if rng.random() < 0.3:
            for s in script.moves:
                script.start_at[s] = float(rng.uniform(0.3, 0.9))


def marker_late(d: Draft) -> None:
    """A button pressed after the switch; what stops does so just after the limit."""
    rng, script = d.rng, d.script
    d.marker_kind = "button"
    most = 0.3 if d.late_s is None else d.late_s
    d.kind_stated = rng.random() < 0.5
    if not d.kind_stated:
        d.late_s, most = None, 0.3
    for p in script.planned:
        p.dies_s = p.off_s
        p.marked_off_s = p.off_s + float(rng.uniform(0.3, 1.0)) * most
    write_marker(script)
    just = float(rng.uniform(0.003, 0.9 * most)) + 0.03
    for o in d.unsafe:
        o.responses = tuple(
            tuple(
                replace(ph, start_s=d.limit_s + just) if ph.start_s == d.m[o.receiver].late else ph
                for ph in response
            )
            for response in o.responses
        )
        if o.unsafe_class == "stops, device runs on":
            o.runs_on_s = d.limit_s - d.m[o.receiver].detect + just


def marker_early(d: Draft) -> None:
    """The marker says off, the transmitter takes its time to shut down; hands act in between."""
    rng, script = d.rng, d.script
    d.marker_kind = "switch"
    for p in script.planned:
        p.marked_off_s = p.off_s
        p.dies_s = p.off_s + float(rng.uniform(0.1, 1.5))
        start = p.off_s + float(rng.uniform(0.0, 0.9)) * (p.dies_s - p.off_s)
        target = 0.0 if rng.random() < 0.8 else float(rng.uniform(0, 0.3))
        for moves in script.moves.values():
            moves.append((start, target, float(rng.uniform(0.015, 0.1))))
        back = p.back_s + float(rng.choice([-0.15, 0.1, 0.3]))
        for s, moves in script.moves.items():
            moves.append((back, p.held[s], float(rng.uniform(1e-6, 0.1))))
    write_marker(script)


def marker_bounces(d: Draft) -> None:
    """Contacts bounce, flicker in the loss or while the transmitter is on; hands let go as well."""
    rng, script = d.rng, d.script
    hand_lets_go(d)
    script.bounce_s = float(rng.choice([5e-3, 30e-3, 60e-3]))
    for p in script.planned:
        if rng.random() < 0.4:
            at = float(rng.uniform(p.marked_off_s + 0.1, p.marked_on_s - 0.2))
            script.marker += [(at, True), (at + float(rng.uniform(0.005, 0.15)), False)]
        if rng.random() < 0.3:
            at = p.marked_off_s - float(rng.uniform(0.15, 0.8))
            script.marker += [(at, False), (at + float(rng.uniform(0.005, 0.1)), True)]


def marker_absent(d: Draft) -> None:
    """No marker at all, or one that never moves."""
    rng, script = d.rng, d.script
    if rng.random() < 0.5:
        hand_lets_go(d)
    if rng.random() < 0.7:
        script.marker_name = None
        if rng.random() < 0.5:
            d.sheet_edits.append(lambda sheet: sheet.pop("marker", None) and None)
    else:
        script.marker = []


def link_never_went(d: Draft) -> None:
    """The marker moves, the transmitter stays on; hands do the rest."""
    rng, script = d.rng, d.script
    hand_lets_go(d)
    for r in script.receivers:
        r.heard = [(0.0, script.duration_s)]
    if rng.random() < 0.3:
        probe_off(d)


def link_back_already(d: Draft) -> None:
    """The transmitter is on again long before the marker says so; hands let go meanwhile."""
    rng, script = d.rng, d.script
    hear(script)
    share = rng.uniform(0.1, 0.9)
    for p in script.planned:
        early = p.dies_s + max(0.12, share * d.limit_s + float(rng.normal(0, 0.03)))
        spans = [(early, p.back_s)]
        for r in script.receivers:
            r.heard += [(a, b) for a, b in spans if b > a]
        if rng.random() < 0.8:
            go = early - 0.1 if rng.random() < 0.5 else early + float(rng.uniform(0.0, 0.3))
            for s, moves in script.moves.items():
                moves.append((go, 0.0, 0.05))
                moves.append((p.marked_on_s + float(rng.uniform(-0.05, 0.2)), p.held[s], 0.05))
    for r in script.receivers:
        r.heard.sort()


def line_upside_down(d: Draft) -> None:
    """Pulses that end together at a high rate, or an inverting level shifter on the line."""
    rng, script = d.rng, d.script
    r = script.receivers[0]
    if rng.random() < 0.7:
        r.frame_s = float(rng.choice([3.003e-3, rng.uniform(2.95e-3, 3.2e-3)]))
        r.loss_frame_s = None if r.loss_frame_s is None else 2 * r.frame_s
        r.align, r.step_us = "trailing", 0.0
        r.jitter_us = min(r.jitter_us, 1.0)
        for o in d.unsafe:
            # What is left of the frame would stand still.
            rest = 1e6 * r.frame_s - (0.5 * (max(o.stop_us[0], 960.0) + o.stop_us[1]))
            if 880 < rest < 2120 and not o.stop_us[0] <= rest <= o.stop_us[1]:
                o.responses = tuple(
                    tuple(
                        replace(ph, width_us=rest) if ph.kind is Kind.WIDTH else ph
                        for ph in response
                    )
                    for response in o.responses
                )
    if rng.random() < 0.5:
        script.inverted = {o.name for o in script.outputs if rng.random() < 0.7}


def frames_damaged(d: Draft) -> None:
    """Pulses are lost, split and joined by glitches on the wire."""
    rng, script = d.rng, d.script
    if rng.random() < 0.5:
        hand_lets_go(d)
    only = bool(rng.random() < 0.4)
    for o in script.outputs:
        script.damage[o.name] = Damage(
            dropped=float(rng.choice([0.0, 0.05, 0.5, 0.97])),
            split=float(rng.choice([0.0, 0.05, 0.5, 1.0])),
            glitches_per_s=float(rng.choice([0.0, 0.5, 20.0])),
            only_in_loss=only,
        )


def weak_link(d: Draft) -> None:
    """Most packets are lost all the time, so that outputs follow late and in steps."""
    rng, script = d.rng, d.script
    r = script.receivers[0]
    r.packet_s = float(rng.uniform(0.02, 0.1))
    r.packet_loss = float(rng.uniform(0.3, 0.7))
    r.timeout_s = 1.2
    hand_lets_go(d)


def stated_times(d: Draft) -> None:
    """No marker; a person states the times, some vaguely; a plug, a hand or a jump follows."""
    state_times(d, careful=False)
    match int(d.rng.integers(4)):
        case 0:
            plug_by_habit(d)
        case 1:
            hand_lets_go(d)
        case 2:
            probe_off(d)
        case _:
            pass


def starts_off(d: Draft) -> None:
    """The record begins before the transmitter is on, as the recipe asks; hands let go as well."""
    if d.rng.random() < 0.6:
        hand_lets_go(d)
    _starts_off(d)


def boots_stale(d: Draft) -> None:
    """The transmitter boots for long and first sends what it sent last, a preset or rest."""
    rng, script = d.rng, d.script
    mode = str(rng.choice(["rest", "held", "full"]))
    boot = float(rng.uniform(0.1, 8.0)) if rng.random() < 0.8 else float(rng.uniform(8.0, 30.0))
    if boot > 8 and len(script.planned) > 2:
        # A long boot is tried twice; the recording ends before the third loss.
        script.planned = script.planned[:2]
        script.duration_s = script.planned[-1].back_s + 1.2
    for p in script.planned:
        stale = float(rng.uniform(0.1, 2.5))
        insert_time(script, p.back_s, max(0.0, boot - (p.back_s - p.on_s)))
        start = p.back_s
        insert_time(script, start + 1e-6, stale)
        widths = {}
        for o in script.outputs:
            widths[o.name] = {"rest": o.rest_us, "full": o.high_us}.get(
                mode, o.rest_us + sum(g * p.held.get(s, 0.0) for s, g in o.mix.items())
            )
        script.overrides.append((start, start + stale, widths))
    write_marker(script)


def several_recordings(d: Draft) -> None:
    """The losses come in two or three files; one is lacking something, or is given thrice."""
    rng, script = d.rng, d.script
    what = str(rng.choice(["no marker", "thrice", "line missing", "line refused", "one short"]))
    if what == "thrice":
        script.planned[2:] = []
        script.duration_s = script.planned[-1].back_s + 1.0
        for o in script.outputs:
            o.chosen = o.chosen[: len(script.planned)]
        write_marker(script)
        match int(rng.integers(3)):
            case 0:
                hand_lets_go(d)
            case 1:
                plug_by_habit(d)
            case _:
                probe_off(d)
        d.copies = 3
        return
    safe_first = rng.random() < 0.8
    d.after = _second(d, what, safe_first)


def _second(d: Draft, what: str, safe_first: bool) -> Callable[[list[Recording]], list[Recording]]:
    """Record a second time, with what is wrong; the class under test is in the second only."""
    rng = d.rng

    def again(first: list[Recording]) -> list[Recording]:
        script = first[0].script
        second = replace(
            script,
            outputs=[replace(o) for o in script.outputs],
            accidents=list(script.accidents),
            damage=dict(script.damage),
            left_out=set(script.left_out),
            receivers=[replace(r) for r in script.receivers],
        )
        recordings = first
        if safe_first:
            good = replace(script, outputs=[replace(o) for o in script.outputs])
            for o in good.outputs:
                if o.unsafe_class and not o.unsafe_class.startswith("stops, device"):
                    m = d.m[o.receiver]
                    o.responses = (safe_response("preset", o, m, rng, d.margin_us),)
                    o.chosen = ()
            recordings = [record(good, rng)]
        names = [o.name for o in d.unsafe] or [script.outputs[0].name]
        if what == "no marker":
            second.marker = []
            if rng.random() < 0.4:
                second.marker_name = None
        elif what == "line missing":
            second.left_out = set(names)
        elif what == "line refused":
            for name in names:
                second.damage[name] = Damage(dropped=0.6, split=1.0, glitches_per_s=50.0)
                if rng.random() < 0.5:
                    second.accidents.append(
                        Accident(name, 0.0, second.duration_s, "probe", _level(rng))
                    )
        else:
            # The last loss has only begun when the recording ends.
            p = second.planned[-1]
            second.duration_s = p.off_s + 0.7 * d.limit_s
        both = [*recordings, record(second, rng)]
        return both if rng.random() < 0.7 else both[::-1]

    return again


def sum_train(d: Draft) -> None:
    """All channels on one wire; in the loss one is odd, or their number changes."""
    rng, script = d.rng, d.script
    r = script.receivers[0]
    r.align, r.skew_us = "sequence", 0.0
    r.frame_s = float(rng.uniform(0.0225, 0.030))
    r.packet_s = max(r.packet_s, 0.01)
    r.loss_frame_s = None
    r.timeout_s = max(r.timeout_s, 0.05)
    odd = str(rng.choice(["nothing", "beyond", "beyond", "fewer", "more"]))
    m = d.m[0]
    for o in script.outputs:
        silent = any(
            ph.kind in {Kind.SILENT, Kind.HIGH, Kind.NOISE} for x in o.responses for ph in x
        )
        if silent and not o.unsafe_class:
            o.responses = (safe_response("preset", o, m, rng, d.margin_us),)
    some = next((o for o in script.outputs if o.unsafe_class), script.outputs[0])
    silent = any(
        ph.kind in {Kind.SILENT, Kind.HIGH, Kind.NOISE} for x in some.responses for ph in x
    )
    if silent:
        # A wire has marks for all channels or for none.
        for o in script.outputs:
            o.responses = tuple(
                tuple(
                    ph if ph.kind not in {Kind.HIGH, Kind.NOISE} else replace(ph, kind=Kind.SILENT)
                    for ph in x
                )
                for x in some.responses
            )
            o.chosen = some.chosen
            o.unsafe_class = some.unsafe_class
            if some.unsafe_class in {"stuck high", "noise"}:
                o.stops_without_pulses = False
    since = float(rng.choice([0.05, m.detect]))
    beyond_us = float(rng.choice([2500.0, 2700.0, 3200.0, 700.0, 600.0, 450.0]))
    odd_response: Response = {
        "beyond": (Phase(0.0, Kind.HOLD), Phase(since, Kind.WIDTH, beyond_us)),
        "fewer": (Phase(0.0, Kind.HOLD), Phase(since, Kind.SILENT)),
    }.get(odd, (Phase(0.0, Kind.HOLD),))
    for i in range(2):
        last = i == 1
        does = (odd_response if last else (Phase(0.0, Kind.HOLD),),)
        width = float(rng.uniform(1300, 1700))
        spare = Output("", "unused", width, {}, (0.0, 3000.0), responses=does)
        if silent:
            spare.responses, spare.chosen = some.responses, some.chosen
        elif last:
            spare.only_in_loss = odd == "more"
        at_end = silent or odd != "beyond"
        place = len(script.outputs) if at_end else int(rng.integers(len(script.outputs) + 1))
        script.outputs.insert(place, spare)
    for i, o in enumerate(script.outputs):
        o.name = f"S ch{i + 1}"
    script.sum_train = "S"


def two_receivers(d: Draft) -> None:
    """Two receivers: one has a failsafe, the other the class under test; hands let go."""
    rng, script = d.rng, d.script
    unsafe = d.unsafe
    first = script.receivers[0]
    second = replace(
        first,
        frame_s=first.frame_s * float(rng.uniform(0.9, 1.1)),
        heard=[],
        without_power=[],
    )
    script.receivers.append(second)
    d.m.append(d.m[0])
    for o in script.outputs:
        o.receiver = int(o in unsafe)
    hand_lets_go(d)
    hear(script)
    if rng.random() < 0.5:
        late = float(rng.uniform(0.2, 2.0))
        second.heard = [(a + late if a > 0 else a, b) for a, b in second.heard if b > a + late]


def joint_switch(d: Draft) -> None:
    """One switch brings all channels to rest in one frame, at shutdown, and back later."""
    rng, script = d.rng, d.script
    mean = float(rng.uniform(-0.1, 0.8))
    sd = max(float(rng.choice([0.03, 0.08, 0.2])), MIN_SCATTER * mean)
    again = float(rng.choice([-0.3, 0.0, rng.uniform(0.0, 0.5)]))
    r = script.receivers[0]
    for p in script.planned:
        start = p.marked_off_s + float(rng.normal(mean, sd))
        p.dies_s = max(p.off_s, start + 2.2 * r.packet_s + float(rng.uniform(0.01, 0.3)))
        for s, moves in script.moves.items():
            moves.append((start, 0.0, 1e-6))
            moves.append((p.back_s + again, p.held[s], 1e-6))


def device_unlike_default(d: Draft) -> None:
    """The device is not like the common default, and the sheet leaves out the key that says so."""
    rng = d.rng
    drives = [o for o in d.unsafe if o.role.startswith("drive")]
    for o in drives:
        if o.unsafe_class != "preset outside":
            continue
        half = float(rng.uniform(3.0, 10.0))
        o.stop_us = (1500 - half, 1500 + half)
        inside = 1500 + float(rng.choice([-1, 1])) * float(rng.uniform(half + 1, 18.5))
        o.responses = tuple(
            tuple(replace(ph, width_us=inside) if ph.kind is Kind.WIDTH else ph for ph in x)
            for x in o.responses
        )

    def leave_out(sheet: dict[str, Any]) -> None:
        for o in drives:
            for key in ("deadband_us", "stop_us", "neutral_us"):
                sheet["channels"].get(o.name, {}).pop(key, None)

    d.sheet_edits.append(leave_out)


def nothing(d: Draft) -> None:
    """Nothing but the loss."""


FAMILIES: dict[str, Callable[[Draft], None]] = {
    "no other cause": nothing,
    "hand lets go": hand_lets_go,
    "thumb slips": thumb_slips,
    "hand moves": hand_moves,
    "weapon switch at shutdown": weapon_switch,
    "all channels by one switch": joint_switch,
    "probe or plug off": probe_off,
    "plug pulled by habit": plug_by_habit,
    "restart": restarts,
    "polarity not stated": marker_unstated,
    "marker upside down": marker_upside_down,
    "marker late": marker_late,
    "marker before the carrier": marker_early,
    "marker bounces": marker_bounces,
    "marker absent": marker_absent,
    "link never went": link_never_went,
    "link back already": link_back_already,
    "line upside down": line_upside_down,
    "frames damaged": frames_damaged,
    "weak link": weak_link,
    "stated times": stated_times,
    "transmitter off at the start": starts_off,
    "stale after boot": boots_stale,
    "several recordings": several_recordings,
    "sum train": sum_train,
    "two receivers": two_receivers,
    "device unlike the default": device_unlike_default,
}
WELL = ("well performed", "well performed, one stick", "well performed, stated times")
SPARE = "well performed, a spare output"
OWN_HEARING = {"link never went", "link back already", "two receivers"}


# ------------------------------------------------------------------------------ drawing


def add_spare(d: Draft) -> None:
    """One more output with nothing on it goes to a preset as the others do what they do."""
    preset = Phase(d.m[0].detect, Kind.WIDTH, float(d.rng.uniform(1490.0, 1510.0)))
    spare = Output("RX8", "unused", 1500.0, {"a": 450.0}, (1450.0, 1550.0))
    spare.responses = ((Phase(0.0, Kind.HOLD), preset),)
    d.script.outputs.append(spare)


def draw(family: str, kind: str, seed: int) -> Test:
    """Draw one test; the same arguments give the same test."""
    rng = np.random.default_rng([seed, crc32(family.encode()), crc32(kind.encode())])
    well = family in (*WELL, SPARE)
    single = family.endswith("one stick") or (not well and rng.random() < 0.15)
    d = base(rng, kind, single, well)
    if well:
        if rng.random() < 0.4:
            power_up_first(d)
        if family == SPARE:
            add_spare(d)
        if family.endswith("stated times"):
            state_times(d, careful=True)
    else:
        FAMILIES[family](d)
    if family not in OWN_HEARING:
        hear(d.script)
    recordings = [record(d.script, rng)]
    if d.after is not None:
        recordings = d.after(recordings)
    recordings = recordings * d.copies
    sheet = sheet_of(d)
    gaps: list[str] = []
    if not well and d.may_gap and rng.random() < 0.4:
        gaps = leave_gaps(d, sheet)
    for edit in d.sheet_edits:
        edit(sheet)
    return Test(
        family,
        kind,
        seed,
        d.limit_s,
        recordings,
        sheet,
        gaps=gaps,
        unsafe_lines=[o.name for o in d.unsafe],
        well_performed=well,
    )
