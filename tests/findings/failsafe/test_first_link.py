"""The first link: what runs after the transmitter is on and before its link is shown never meets.

Recordings are written as edges, by what receiver, transmitter and hands do.
"""

from dataclasses import dataclass, field

import numpy as np
from loss_drill import OUT, PS, REST, check

from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict
from pwmscope.model import HazardKind

MEETS, OPEN = Verdict.MEETS, Verdict.NOT_SHOWN
ON_S, LINK_S, OFF_S = 3.0, 11.0, 23.0
"""The transmitter is first on, its link comes 8 s later, and the first loss begins."""
HELD_S = 0.5
PRESET = {"RX1": 1507.0, "RX2": 1493.0, "RX3": 1009.0}
DRIVES = ("RX1", "RX2")


def runs(line, from_s, until_s, to_us, frames=0):
    """An output leaves its preset by itself and goes back, with so many frames on the way."""
    way_s = 0.02 * frames
    return [(from_s - way_s - 1e-6, PRESET[line]), (from_s, to_us), (until_s, to_us),
            (until_s + way_s + 1e-6, PRESET[line])]  # fmt: skip


def stir(line, from_s, to_us, lasts_s=1.0):
    """A hand moves a stick there and back, each within 0.2 s."""
    rest_us = REST[line]
    return [(from_s, rest_us), (from_s + 0.2, to_us), (from_s + lasts_s, to_us),
            (from_s + lasts_s + 0.2, rest_us)]  # fmt: skip


def flick(line, from_s, until_s, to_us):
    """A hand throws a switch, and back."""
    rest_us = REST[line]
    return [(from_s, rest_us), (from_s + 1e-6, to_us), (until_s, to_us), (until_s + 1e-6, rest_us)]


HANDS = {"RX1": stir("RX1", 13.0, 1700.0), "RX2": stir("RX2", 15.0, 1320.0),
         "RX3": stir("RX3", 17.0, 1600.0)}  # fmt: skip


@dataclass(frozen=True)
class Boot:
    """A recording from the receiver's power on, with ten losses.

    ``own`` gives what an output does by itself before its link, and ``hands`` what sticks do before
    the first loss, as (time, width). ``later_s`` is how long the link takes at later returns.
    """

    preset: dict = field(default_factory=lambda: dict(PRESET))
    own: dict = field(default_factory=dict)
    hands: dict = field(default_factory=lambda: dict(HANDS))
    link_s: dict = field(default_factory=dict)
    later_s: tuple = (8.0,)
    power_s: float = 0.5
    frame_s: dict = field(default_factory=dict)
    usual_s: float = 0.02
    slot_s: float = 0.0022
    losses: int = 10
    on_s: float = ON_S
    stale_s: float = 0.0
    stale: dict = field(default_factory=dict)
    jitter_us: float = 0.3
    seed: int = 1

    def spans(self, line):
        """When this line is linked: from, to."""
        found, from_s, off_s = [], self.link_s.get(line, LINK_S), OFF_S
        for k in range(self.losses):
            found.append((from_s, off_s))
            later_s = self.later_s[k % len(self.later_s)]
            from_s = (
                off_s + 4.0 + 0.13 * k + later_s + max(self.link_s.get(line, LINK_S) - LINK_S, 0.0)
            )
            off_s = off_s + 4.0 + 0.13 * k + max(self.later_s) + 6.0
        return [*found, (from_s, np.inf)]

    def way(self, line):
        rest_us = REST[line]
        early_s = 0.4 * list(REST).index(line)
        way = [*self.hands.get(line, [(0.0, rest_us)])]
        for k, ((_, off_s), (back_s, _)) in enumerate(
            zip(self.spans(line), self.spans(line)[1:], strict=False)
        ):
            way += [(off_s - 2.0 + early_s, way[-1][1]), (off_s - 1.7 + early_s, OUT[line][k])]
            way += [(back_s + 1.2 + early_s, OUT[line][k]), (back_s + 1.5 + early_s, rest_us)]
        return np.array(way).T

    def line(self, line):
        rng = np.random.default_rng([self.seed, list(REST).index(line)])
        spans, frame_s = self.spans(line), self.frame_s.get(line, self.usual_s)
        end_s = spans[-1][0] + 5.0
        slot_s = self.slot_s * list(REST).index(line)
        at_s = np.arange(self.power_s + 0.0137, end_s - 0.02, frame_s)
        place = np.searchsorted([b for a, b in spans], at_s, side="right")
        begun_s, lost_s = np.array(spans)[:, 0][place], np.array([-1e9, *[b for _, b in spans]])
        live = at_s >= begun_s
        held_us = np.interp(np.minimum(at_s, lost_s[place]), *self.way(line))
        preset_us = np.full(at_s.size, self.preset[line])
        if line in self.own:
            first = place == 0
            preset_us[first] = np.interp(at_s[first], *np.array(self.own[line]).T)
        width_us = np.where(
            live, np.interp(at_s, *self.way(line)),
            np.where(at_s - lost_s[place] < HELD_S, held_us, preset_us),
        )  # fmt: skip
        stale = (place == 0) & live & (at_s < begun_s + self.stale_s)
        width_us = np.where(stale, self.stale.get(line, 0.0), width_us)
        width_us += rng.normal(0.0, self.jitter_us, width_us.size)
        rise_us = np.round(1e6 * (at_s + slot_s))
        edges_ps = np.column_stack((rise_us, np.round(rise_us + width_us))).ravel() * 1e6
        return Line(line, edges_ps.astype(np.int64), 0)

    def capture(self, *names):
        lines = {name: self.line(name) for name in names or REST}
        spans = self.spans("RX1")
        switch_s = [self.on_s]
        for k, (_, off_s) in enumerate(spans[:-1]):
            switch_s += [off_s, off_s + 4.0 + 0.13 * k]
        marker_ps = np.rint(np.array(switch_s) * 1e6).astype(np.int64) * 10**6
        if self.on_s <= 0.0:
            marker_ps = marker_ps[1:]
        lines["tx-on"] = Line("tx-on", marker_ps, int(self.on_s <= 0.0))
        return Capture(lines, round((spans[-1][0] + 5.0) * PS), 1e6, "boot.csv")


def told(boot, *names, sheet=None):
    """Each line's verdict, and the lines of which a hazard is told."""
    found = check(boot.capture(*names), sheet=sheet)
    hazards = {line for h in found.hazards if h.kind is HazardKind.FIRST_LINK for line in h.lines}
    return {line.line: line.verdict for line in found.lines}, hazards
