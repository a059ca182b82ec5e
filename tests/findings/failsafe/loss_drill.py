"""A bench for loss drills, at the level of edges: receiver, two or more sticks, a marker, a sheet.

It shares nothing with `pwmscope.synth`: a frame is written as two edges, by the rules that a
test gives. Times are in seconds, widths in microseconds.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from pwmscope.bench import BenchChannel, BenchSheet, Marker
from pwmscope.capture import Capture, Line
from pwmscope.findings.failsafe import check_failsafe, listen_to

PS = 10**12
REST = {"RX1": 1500.0, "RX2": 1500.0, "RX3": 1000.0}
ROLES = {"RX1": "drive-left", "RX2": "drive-right", "RX3": "weapon"}
OUT = {
    "RX1": (1700, 1320, 1640, 1350, 1670, 1820, 1300, 1740, 1260, 1780),
    "RX2": (1350, 1640, 1290, 1710, 1800, 1230, 1690, 1310, 1760, 1400),
    "RX3": (1500, 1700, 1400, 1820, 1350, 1600, 1450, 1900, 1550, 1300),
}
LENGTHS_S = (2.6, 3.4, 4.1, 2.9, 5.0, 3.7, 2.7, 4.4, 3.1, 3.9)


def holds(_since_s, held_us):
    return held_us


def preset(width_us, after_s=0.6):
    return lambda since_s, held_us: width_us if since_s >= after_s else held_us


def stops(after_s=0.6):
    return lambda since_s, held_us: None if since_s >= after_s else held_us


def stops_then(width_us, after_s=0.4, silent_s=0.5):
    def behave(since_s, held_us):
        if since_s < after_s:
            return held_us
        return None if since_s < after_s + silent_s else width_us

    return behave


def ramps(width_us, after_s=0.4, over_s=0.6):
    def behave(since_s, held_us):
        part = min(max((since_s - after_s) / over_s, 0.0), 1.0)
        return held_us + part * (width_us - held_us)

    return behave


def steps(*levels):
    """Go to each width in turn: (seconds since the loss, width)."""

    def behave(since_s, held_us):
        reached = [width_us for from_s, width_us in levels if since_s >= from_s]
        return reached[-1] if reached else held_us

    return behave


@dataclass(frozen=True)
class Drill:
    """A drill of losses.

    ``behave`` gives each line's width by the seconds since the loss and the held width; None
    for no pulse. ``hands`` gives each stick's way as (time, width) points; by default it is
    raised before each loss, RX1's first, and let go well after its return. ``skew_s`` is how much
    later than the frame a line's pulses begin.
    """

    behave: dict = field(default_factory=lambda: {n: preset(w) for n, w in REST.items()})
    losses: int = 10
    lengths_s: tuple = LENGTHS_S
    frame_s: float = 0.02
    searches_s: float = 0.3
    jitter_us: float = 0.3
    interval_us: float = 1.0
    hands: dict | None = None
    lost_frame_s: float | None = None
    late_s: tuple = (0.0,) * 10
    bounce: bool = False
    marker: bool = True
    upside_down: bool = False
    stays_up: bool = True
    skew_s: dict = field(default_factory=dict)
    seed: int = 3
    source: str = "drill.csv"

    @property
    def spans(self):
        """Off, on and follows of each loss."""
        told, time_s = [], 3.0
        for k in range(self.losses):
            off_s = time_s + 0.0137 * k
            on_s = off_s + self.lengths_s[k % 10]
            told.append((off_s, on_s, on_s + self.searches_s))
            time_s = on_s + self.searches_s + 3.5
        return told

    @property
    def end_s(self):
        return self.spans[-1][2] + 3.0 if self.losses else 6.0

    def way(self, line):
        """A stick's way, as points of time and width."""
        if self.hands is not None and line in self.hands:
            return np.array(self.hands[line]).T
        early_s = 0.5 * list(REST).index(line)
        way = [(0.0, REST[line])]
        for k, (off_s, _, follows_s) in enumerate(self.spans):
            out_us = OUT[line][k % 10]
            up_s = off_s - 2.2 + early_s
            down_s = follows_s + 0.8 if self.stays_up else off_s + 1.2
            way += [(up_s, REST[line]), (up_s + 0.3, out_us), (down_s, out_us)]
            way += [(down_s + 0.2, REST[line])]
        return np.array(way).T

    def pulses(self, line):
        """Leading edges and widths of a line; its receiver's timer counts from the last packet."""
        rng = np.random.default_rng(self.seed)
        packet_s = rng.uniform(-0.008, 0.0, max(self.losses, 1))
        behave, way = self.behave[line], self.way(line)
        rise, width, time_s = [], [], 0.004
        for k, (off_s, _, follows_s) in enumerate([*self.spans, (self.end_s - 0.01, 0.0, 0.0)]):
            own_s = np.arange(time_s, off_s, self.frame_s)
            rise.append(own_s)
            width.append(np.interp(own_s, *way))
            if k == self.losses:
                break
            time_s = own_s[-1] + self.frame_s if own_s.size else time_s
            held_us = float(np.interp(off_s, *way))
            lost, asked = [], []
            while time_s < follows_s:
                since_s = time_s - off_s + packet_s[k]
                width_us = behave(since_s, held_us)
                if width_us is not None:
                    lost.append(time_s)
                    asked.append(width_us)
                is_slow = self.lost_frame_s is not None and since_s > 0.3
                time_s += self.lost_frame_s if is_slow else self.frame_s
            rise.append(np.array(lost))
            width.append(np.array(asked))
        rise_s, width_us = np.concatenate(rise), np.concatenate(width)
        rise_s = rise_s + self.skew_s.get(line, 0.0)
        return rise_s, width_us + rng.normal(0.0, self.jitter_us, width_us.size)

    def capture(self):
        lines = {}
        for name in self.behave:
            rise_s, width_us = self.pulses(name)
            step = self.interval_us
            begin = np.round(rise_s * 1e6 / step) * step
            end = np.round((rise_s * 1e6 + width_us) / step) * step
            edges_ps = np.rint(np.stack([begin, end], axis=1).ravel() * 1e6).astype(np.int64)
            lines[name] = Line(name, edges_ps, 0)
        if self.marker:
            lines["tx-on"] = Line("tx-on", self.marker_edges_ps(), int(not self.upside_down))
        return Capture(lines, round(self.end_s * PS), self.interval_us * 1e6, self.source)

    def marker_edges_ps(self):
        edges = []
        for k, (off_s, on_s, _) in enumerate(self.spans):
            for time_s in (off_s + self.late_s[k % 10], on_s + self.late_s[k % 10]):
                shakes = (0.0, 0.0011, 0.0023) if self.bounce else (0.0,)
                edges += [round((time_s + s) * 1e6) for s in shakes]
        return np.array(edges, np.int64) * 10**6


def device(line, **changes):
    neutral_us = None if ROLES[line] == "weapon" else 1500.0
    stop_us = (900.0, 1030.0) if ROLES[line] == "weapon" else (1470.0, 1530.0)
    channel = BenchChannel(
        line, ROLES[line], "", 1000.0, neutral_us, 2000.0, None, "stops", stop_us, None,
        no_pulses_after_s=0.2,
    )  # fmt: skip
    return replace(channel, **changes)


def sheet_of(*lines, marker=None, limit_s=2.0, **changes):
    marker = Marker("tx-on", "high", "switch") if marker is None else marker
    channels = {line: device(line, **changes) for line in lines or REST}
    return BenchSheet("bench", "", "", limit_s, "", marker or None, channels)


def check(*drills, sheet=None, **options):
    """Check drills, or recordings, together."""
    sheet = sheet_of() if sheet is None else sheet
    captures = [drill.capture() if isinstance(drill, Drill) else drill for drill in drills]
    heard = [listen_to(capture, sheet=sheet, **options) for capture in captures]
    return check_failsafe(heard, sheet, sheet.limits)


def verdicts(found):
    return {line.line: line.verdict and line.verdict.value for line in found.lines}
