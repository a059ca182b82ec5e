"""Tests as a careful person performs them: a plan, hands, a marker, receivers, a bench sheet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from loss_bench import (
    Kind,
    Output,
    Phase,
    Planned,
    Receiver,
    Recording,
    Script,
)
from loss_classes import (
    MORE_SAFE,
    SAFE,
    UNSAFE,
    Moments,
    fit_device,
    fit_receiver,
    moments,
    safe_response,
    unsafe_response,
)

RATES = (1e5, 2.5e5, 5e5, 1e6, 2e6, 4e6, 8e6, 12e6, 24e6)


@dataclass
class Test:
    """One test: its recordings, its sheet, and how the product is to be asked."""

    __test__ = False

    family: str
    kind: str
    seed: int
    limit_s: float
    recordings: list[Recording]
    sheet: dict[str, Any]
    marker_stated: bool = True
    gaps: list[str] = field(default_factory=list)
    unsafe_lines: list[str] = field(default_factory=list)
    well_performed: bool = False


@dataclass
class Draft:
    """A test while it is being drawn."""

    rng: np.random.Generator
    limit_s: float
    script: Script
    m: list[Moments]
    margin_us: float
    kind: str
    polarity_stated: bool = True
    kind_stated: bool = True
    marker_kind: str = "switch"
    late_s: float | None = None
    split_at: list[float] = field(default_factory=list)
    copies: int = 1
    may_gap: bool = True
    sheet_edits: list[Callable[[dict[str, Any]], None]] = field(default_factory=list)
    after: Callable[[list[Recording]], list[Recording]] | None = None

    @property
    def unsafe(self) -> list[Output]:
        """The outputs that have the class under test."""
        return [o for o in self.script.outputs if o.unsafe_class]


# ------------------------------------------------------------------------ the base test


def _outputs(rng: np.random.Generator, single: bool, half_us: float) -> list[Output]:
    """Three or four outputs with their devices."""

    def half() -> float:
        return float(max(rng.uniform(25, 60), half_us))

    h = half()
    mixed = rng.random() < 0.3
    a, b = ("a", "a") if single else ("a", "b")
    sides = (1.0, 1.0 if rng.random() < 0.5 else -1.0)
    gain = 450.0
    left = {"a": gain} if not mixed or single else {"a": gain, "b": 120.0}
    right = {b: gain * sides[1]} if not mixed or single else {"a": gain, "b": -120.0}
    outputs = [
        Output("RX1", "drive-left", 1500.0, left, (1500 - h, 1500 + h)),
        Output("RX2", "drive-right", 1500.0, right, (1500 - h, 1500 + h)),
    ]
    weapon_half = float(max(rng.uniform(20, 50), half_us))
    weapon = Output(
        "RX3", "weapon", 1000.0, {a if single else "c": 900.0}, (0.0, 1000 + weapon_half),
        neutral_us=None,
    )  # fmt: skip
    outputs.append(weapon)
    if rng.random() < 0.4:
        middle = float(rng.uniform(1300, 1700))
        h = half()
        outputs.append(
            Output(
                "RX4", "servo", middle, {a if single else "d": 350.0}, (middle - h, middle + h),
                neutral_us=middle,
            )
        )  # fmt: skip
    for output in outputs:
        output.runs_on_s = float(rng.uniform(0.1, 0.35))
    if rng.random() < 0.3:
        outputs.pop(0 if len(outputs) > 3 else 1)
    return outputs


def _hold(rng: np.random.Generator, outputs: list[Output]) -> dict[str, float]:
    """Stick positions at which every output is well outside its stop range."""
    sticks = sorted({s for o in outputs for s in o.mix})
    for _ in range(200):
        held = {
            s: float(rng.uniform(0.25, 0.95) * (1 if s == "c" or rng.random() < 0.5 else -1))
            for s in sticks
        }
        widths = [o.rest_us + sum(g * held[s] for s, g in o.mix.items()) for o in outputs]
        if all(
            not (o.stop_us[0] - 75 < w < o.stop_us[1] + 75) and 880 < w < 2120
            for o, w in zip(outputs, widths, strict=True)
        ):
            return held
    raise AssertionError("no position holds every output outside")


def _analyser(rng: np.random.Generator) -> tuple[float, float, float]:
    """Sample interval, jitter, and half a stop range that leaves room for both."""
    rate = float(rng.choice(RATES))
    jitter = float(np.exp(rng.uniform(np.log(0.05), np.log(8.0))))
    return 1.0 / rate, jitter, 3.2e6 / rate + 5.2 * jitter + 5.0


def base(rng: np.random.Generator, kind: str, single: bool, careful: bool) -> Draft:
    """Draw a test as a careful person performs it, the responses included."""
    limit = float(rng.choice([1.0, 1.5, 2.0, 3.0] if careful else [1.0, 1.0, 1.5, 2.0]))
    sample, jitter, half = _analyser(rng)
    outputs = _outputs(rng, single, half)
    marker_kind = "switch" if rng.random() < 0.6 else "button"
    late_s = None if rng.random() < 0.6 else float(rng.choice([0.1, 0.2, 0.5]))
    marker_s = 0.0 if marker_kind == "switch" else (0.3 if late_s is None else late_s)
    number = 10 if careful or rng.random() < 0.7 else int(rng.integers(1, 6))
    late_by = (0.45, 1.3) if careful else (0.003, 1.2)
    needs = limit + (late_by[1] + 0.3 if kind.startswith("late") else 0.6)
    if careful:
        lasts = rng.uniform(max(2.0, needs), max(6.0, needs + 1), number)
    else:
        lasts = rng.uniform(needs, needs + 2.0, number)
    frame = float(np.exp(rng.uniform(np.log(5e-3), np.log(30e-3))))
    receiver = Receiver(
        frame_s=frame,
        packet_s=float(rng.choice([frame, rng.uniform(2e-3, 25e-3)])),
        packet_loss=float(rng.choice([0.0, 0.0, 0.01, 0.02 if careful else 0.05])),
        jitter_us=jitter,
        align=str(rng.choice(["together", "sequence"])) if frame > 0.012 else "together",  # type: ignore[arg-type]
        skew_us=float(rng.uniform(0.0, 300.0)),
        step_us=float(rng.choice([0.0, 0.5, 1.0])),
    )
    receiver.timeout_s = max(4 * receiver.packet_s, 0.045)
    fit_receiver(kind, receiver, rng)
    m = moments(rng, limit, late_by, float(lasts.min()) - 0.2, marker_s)
    m = replace(m, detect=max(m.detect, receiver.timeout_s * 1.05))
    m = replace(m, second=max(m.second, min(m.detect + 0.1, limit - 0.1)))
    planned, moves = _perform(rng, outputs, lasts, receiver)
    script = Script(
        duration_s=planned[-1].back_s + float(rng.uniform(1.0, 1.6)),
        planned=planned,
        outputs=outputs,
        receivers=[receiver],
        moves=moves,
        start_at={},
        marker=[],
        marker_on_level=int(rng.integers(0, 2)),
        bounce_s=float(rng.choice([0.0, 0.0, 2e-3, 15e-3])),
        sample_s=sample,
        clock_ppm=float(rng.uniform(-80, 80)),
    )
    draft = Draft(rng, limit, script, [m], half, kind, marker_kind=marker_kind, late_s=late_s)
    put_marker(draft, marker_s)
    _respond(draft, careful)
    return draft


def _perform(
    rng: np.random.Generator, outputs: list[Output], lasts: np.ndarray, receiver: Receiver
) -> tuple[list[Planned], dict[str, list[tuple[float, float, float]]]]:
    """Hold every stick, switch off, on, let go, and so again."""
    sticks = sorted({s for o in outputs for s in o.mix})
    moves: dict[str, list[tuple[float, float, float]]] = {s: [] for s in sticks}
    reacquires = float(
        rng.choice([0.0, rng.uniform(0.0, 0.3), rng.uniform(0.3, 3.0)], p=[0.4, 0.5, 0.1])
    )
    usual_boot = float(rng.uniform(0.1, 12.0) if rng.random() < 0.08 else rng.uniform(0.1, 1.2))
    planned: list[Planned] = []
    now = 0.3
    for last in lasts:
        held = _hold(rng, outputs)
        for s in sticks:
            moves[s].append(
                (now + float(rng.uniform(0, 0.15)), held[s], float(rng.uniform(0.05, 0.2)))
            )
        off = now + 0.35 + 0.4 + float(rng.uniform(0.0, 0.5)) + 2 * receiver.packet_s
        on = off + float(last)
        boot = usual_boot * float(rng.uniform(0.97, 1.03))
        back = on + boot + reacquires
        planned.append(Planned(off, off, on, back, held, off, on))
        let_go = back + float(rng.uniform(0.6, 1.0)) + 2 * receiver.packet_s
        for s in sticks:
            moves[s].append(
                (let_go + float(rng.uniform(0, 0.1)), 0.0, float(rng.uniform(0.04, 0.12)))
            )
        now = let_go + float(rng.uniform(0.4, 0.7))
    return planned, moves


def put_marker(draft: Draft, late_s: float) -> None:
    """Put the marker's changes where its kind puts them."""
    rng = draft.rng
    for p in draft.script.planned:
        if draft.marker_kind == "button":
            p.marked_off_s = p.off_s + float(rng.uniform(0.0, late_s))
            p.marked_on_s = p.on_s + float(rng.uniform(-0.1, 0.3))
        else:
            p.dies_s = p.off_s + float(rng.choice([0.0, rng.uniform(0.0, 0.05)]))
    write_marker(draft.script)


def write_marker(script: Script) -> None:
    script.marker = [
        event for p in script.planned for event in ((p.marked_off_s, False), (p.marked_on_s, True))
    ]


def hear(script: Script) -> None:
    """Every receiver hears the transmitter between the losses as they are planned now."""
    for receiver in script.receivers:
        starts = [script.first_heard_s, *(p.back_s for p in script.planned)]
        ends = [*(p.dies_s for p in script.planned), script.duration_s]
        receiver.heard = [(a, b) for a, b in zip(starts, ends, strict=True) if b > a]


def _respond(draft: Draft, careful: bool) -> None:
    """Give the outputs their responses: the class under test on all, on one, or on some losses."""
    rng, script, kind = draft.rng, draft.script, draft.kind
    n = len(script.planned)
    everyone = careful or kind in SAFE or rng.random() < 0.5
    chosen = set(range(len(script.outputs)))
    if not everyone:
        count = int(rng.integers(1, len(script.outputs)))
        chosen = set(rng.choice(len(script.outputs), count, replace=False).tolist())
    companion = str(rng.choice(["preset", "hold then preset", "stop"]))
    some = None
    if not careful and kind in UNSAFE and n > 2 and rng.random() < 0.2:
        some = rng.random(n) < rng.choice([0.15, 0.5])
        some[int(rng.integers(n))] = True
    for i, output in enumerate(script.outputs):
        m = draft.m[output.receiver]
        safe = safe_response(companion, output, m, rng, draft.margin_us)
        if i not in chosen:
            output.responses = (safe,)
            continue
        if kind in SAFE or kind in MORE_SAFE:
            output.responses = (safe_response(kind, output, m, rng, draft.margin_us),)
            continue
        output.unsafe_class = kind
        fit_device(kind, output, draft.limit_s, rng)
        bad = unsafe_response(kind, output, m, rng, draft.margin_us, far=careful)
        if some is not None and kind not in {"stops, device keeps going"}:
            output.responses = (bad, safe)
            output.chosen = tuple(int(not s) for s in some)
        else:
            output.responses = (bad,)


def insert_time(script: Script, at_s: float, by_s: float) -> None:
    """Everything at or after ``at_s`` happens later by ``by_s``."""

    def later(t: float) -> float:
        return t + by_s if t >= at_s else t

    for p in script.planned:
        for name in ("off_s", "dies_s", "on_s", "back_s", "marked_off_s", "marked_on_s"):
            setattr(p, name, later(getattr(p, name)))
    script.moves = {s: [(later(t), v, w) for t, v, w in m] for s, m in script.moves.items()}
    script.marker = [(later(t), on) for t, on in script.marker]
    script.overrides = [(later(a), later(b), w) for a, b, w in script.overrides]
    script.off_at_s = [(later(t), h) for t, h in script.off_at_s]
    for accident in script.accidents:
        accident.start_s, accident.end_s = later(accident.start_s), later(accident.end_s)
    for r in script.receivers:
        r.heard = [(later(a), later(b)) for a, b in r.heard]
        r.without_power = [(later(a), later(b)) for a, b in r.without_power]
    script.first_heard_s = later(script.first_heard_s)
    script.duration_s += by_s


def state_times(d: Draft, careful: bool) -> None:
    rng, script = d.rng, d.script
    half = float(rng.choice([0.005, 0.05, 0.05] if careful else [0.005, 0.05, 0.5, 0.5, 1.0]))
    step = 2 * half
    script.off_at_s = []
    for p in script.planned:
        stated = (
            step * round(p.dies_s / step)
            if rng.random() < 0.7
            else p.dies_s + rng.uniform(-half, half)
        )
        script.off_at_s.append((float(min(max(stated, 1e-3), script.duration_s - 1e-3)), half))
    script.marker_name = None
    d.sheet_edits.append(lambda sheet: sheet.pop("marker", None) and None)


def power_up_first(d: Draft) -> None:
    """The record begins before the transmitter is on, as the recipe asks; outputs stand still."""
    rng, script = d.rng, d.script
    spell = float(rng.uniform(1.0, 3.0))
    insert_time(script, -1.0, spell)
    script.marker_starts_on = False
    script.marker.append((spell - float(rng.uniform(0.05, 0.4)), True))
    if rng.random() < 0.4:
        for o in script.outputs:
            low, high = o.stop_us
            width = (max(low, 940.0) + high) / 2
            o.before_link = (Phase(0.0, Kind.SILENT), Phase(0.3, Kind.WIDTH, width))


# ------------------------------------------------------------------------------ the sheet


def sheet_of(d: Draft) -> dict[str, Any]:
    """The complete and true bench sheet."""
    script = d.script
    sheet: dict[str, Any] = {
        "robot": "Bramble",
        "limits": {"failsafe_s": d.limit_s, "rulebook": "an invented club's"},
        "marker": {"line": "tx-on"},
        "channels": {},
    }
    if d.polarity_stated:
        sheet["marker"]["on"] = "high" if script.marker_on_level else "low"
    if d.kind_stated:
        sheet["marker"]["kind"] = d.marker_kind
        if d.marker_kind == "button" and d.late_s is not None:
            sheet["marker"]["late_s"] = d.late_s
    for o in script.outputs:
        if o.role == "unused":
            sheet["channels"][o.name] = {"role": "unused"}
            continue
        channel: dict[str, Any] = {"role": o.role, "device": f"device on {o.name}"}
        low, high = o.stop_us
        if o.role == "weapon":
            channel["stop_us"] = [850.0, round(high, 3)]
        elif o.role != "servo" and d.rng.random() < 0.5:
            channel["deadband_us"] = round(high - low, 3)
        else:
            channel["stop_us"] = [round(low, 3), round(high, 3)]
        channel["low_us"], channel["high_us"] = o.low_us, o.high_us
        if o.neutral_us is not None:
            channel["neutral_us"] = round(o.neutral_us, 3)
        channel["no_pulses"] = "stops" if o.stops_without_pulses else "keeps going"
        if o.stops_without_pulses:
            channel["no_pulses_after_s"] = round(o.runs_on_s + 5e-4, 3)
        sheet["channels"][o.name] = channel
    return sheet


def leave_gaps(d: Draft, sheet: dict[str, Any]) -> list[str]:
    """Leave keys out at random; what a default would then say is no looser than the truth."""
    rng = d.rng
    gaps: list[str] = []
    for name in list(sheet["channels"]):
        channel = sheet["channels"][name]
        if channel["role"] == "unused":
            continue
        if rng.random() < 0.06 and len(sheet["channels"]) > 1:
            del sheet["channels"][name]
            gaps.append(f"{name} not listed")
            continue
        for key in ("no_pulses", "no_pulses_after_s", "low_us", "high_us", "device", "deadband_us"):
            if key in channel and rng.random() < 0.12:
                del channel[key]
                gaps.append(f"{name}.{key}")
                if key == "no_pulses":
                    channel.pop("no_pulses_after_s", None)
        if "stop_us" in channel and rng.random() < 0.12:
            del channel["stop_us"]
            gaps.append(f"{name}.stop_us")
    marker = sheet.get("marker")
    if marker:
        if "kind" in marker and marker.get("late_s", 0.0) <= 0.3 and rng.random() < 0.1:
            marker.pop("kind")
            marker.pop("late_s", None)
            gaps.append("marker.kind")
        if "on" in marker and rng.random() < 0.1:
            del marker["on"]
            gaps.append("marker.on")
    if rng.random() < 0.05:
        sheet["channels"]["RX9"] = {"role": "drive-left", "no_pulses": "stops"}
        gaps.append("RX9 not recorded")
    return gaps
