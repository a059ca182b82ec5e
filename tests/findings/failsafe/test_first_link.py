"""The first link: what runs after the transmitter is on and before its link is shown never meets.

Recordings are written as edges, by what receiver, transmitter and hands do.
"""

from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from loss_drill import OUT, PS, REST, check

from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe.first_link import FIRST_LINK
from pwmscope.findings.failsafe.losses import Output
from pwmscope.findings.failsafe.watched import (
    _linked_s,
)
from pwmscope.findings.segmentation import find_dwells
from pwmscope.model import HazardKind
from pwmscope.pulses import decode, find_frames

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
    the first loss, as (time, width). ``later_s`` is how long the link takes at later returns, and
    ``wakes_s`` when an output sends its first pulse where it does later than the others.
    """

    preset: dict = field(default_factory=lambda: dict(PRESET))
    own: dict = field(default_factory=dict)
    hands: dict = field(default_factory=lambda: dict(HANDS))
    link_s: dict = field(default_factory=dict)
    later_s: tuple = (8.0,)
    power_s: float = 0.5
    wakes_s: dict = field(default_factory=dict)
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
        behind_s = from_s - min(self.link_s.values(), default=LINK_S)
        for k in range(self.losses):
            found.append((from_s, off_s))
            on_s = off_s + 4.0 + 0.13 * k
            from_s = on_s + self.later_s[k % len(self.later_s)] + max(behind_s, 0.0)
            off_s = on_s + max(self.later_s) + 6.0
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
        at_s = at_s[at_s >= self.wakes_s.get(line, 0.0)]
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


def told(boot, *names, is_marked=True):
    """Each line's verdict, and the lines of which a hazard is told."""
    capture, stated = boot.capture(*names), {}
    if not is_marked:
        lines = {name: line for name, line in capture.lines.items() if name != "tx-on"}
        capture = Capture(lines, capture.end_ps, 1e6, "boot.csv")
        stated = {"off_at_s": [(off_s, 0.01) for _, off_s in boot.spans("RX1")[:-1]]}
    found = check(capture, **stated)
    hazards = {line for h in found.hazards if h.kind is HazardKind.FIRST_LINK for line in h.lines}
    return {line.line: line.verdict for line in found.lines}, hazards


RESTS = dict(REST)
OFF_REST = {"RX1": [(0.0, 1700.0), (13.0, 1700.0), (13.2, 1500.0)],
            "RX2": [(0.0, 1400.0), (14.0, 1400.0), (14.2, 1500.0)]}  # fmt: skip
RAMPS = {name: runs(name, 6.0, 8.0, 1650.0, 20) for name in DRIVES}


def weapon(*spans, frames=0):
    return {"RX3": [point for a, b in spans for point in runs("RX3", a, b, 1650.0, frames)]}


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 6, 15])
@pytest.mark.parametrize("line", ["RX1", "RX3"])
@pytest.mark.parametrize("later_s", [2.0, 8.0])
def test_what_leaves_its_preset_while_others_stand_on_theirs_had_no_link(frames, line, later_s):
    own = {line: runs(line, 6.0, 8.0, 1650.0, frames)}
    verdicts, _ = told(Boot(own=own, later_s=(later_s,)))
    assert verdicts == {name: OPEN if name == line else MEETS for name in REST}


UNSAFE = {
    "until the link": Boot(own=weapon((6.0, 12.0), frames=3), later_s=(2.0,)),
    "silent at first": Boot(power_s=5.0, own=weapon((7.0, 9.0))),
    "silent at first, smoothly": Boot(power_s=5.0, own=weapon((7.0, 9.0), frames=3)),
    "from its first pulse": Boot(
        power_s=5.0, own={"RX3": [(5.0, 1650.0), (7.0, 1650.0), (7.000001, 1009.0)]}
    ),
    "sticks off rest": Boot(preset=RESTS, own=weapon((6.0, 8.0)), hands={**HANDS, **OFF_REST}),
    "sticks off rest, smoothly": Boot(
        preset=RESTS, own=weapon((6.0, 8.0), frames=3), hands={**HANDS, **OFF_REST}
    ),
    "a receiver that links later": Boot(
        frame_s={"RX3": 0.0220014}, link_s={"RX3": 14.0}, own=weapon((12.0, 13.0), frames=1)
    ),
    "such a receiver, smoothly": Boot(
        frame_s={"RX3": 0.0220014}, link_s={"RX3": 14.0}, own=weapon((12.0, 13.0), frames=15)
    ),
    "one frame": Boot(own=weapon((10.97, 10.985))),
    "the frame before the link": Boot(own=weapon((10.99, 11.005))),
    "a preset of its own alone": Boot(
        preset={**RESTS, "RX3": 1009.0}, own=weapon((6.0, 8.0), frames=3), later_s=(2.0,)
    ),
    "such a preset, until the link": Boot(
        preset={**RESTS, "RX3": 1009.0}, own=weapon((6.0, 12.0), frames=3), later_s=(2.0,)
    ),
    "a recording that begins as it boots": Boot(on_s=0.0, own=weapon((6.0, 8.0), frames=3)),
}


@pytest.mark.parametrize("kind", UNSAFE)
def test_a_weapon_that_runs_before_its_first_link_never_meets(kind):
    verdicts, _ = told(UNSAFE[kind])
    assert verdicts == {"RX1": MEETS, "RX2": MEETS, "RX3": OPEN}


@pytest.mark.parametrize("leap", [False, True])
def test_drives_that_go_and_return_together_had_no_link(leap):
    own = {name: runs(name, 6.0, 8.0, 1650.0) for name in DRIVES} if leap else RAMPS
    verdicts, _ = told(Boot(own=own))
    assert verdicts == {"RX1": OPEN, "RX2": OPEN, "RX3": MEETS}


def test_start_up_widths_that_set_a_weapon_going_are_a_hazard():
    _, hazards = told(Boot(stale_s=1.0, stale={"RX1": 1500.0, "RX2": 1500.0, "RX3": 1600.0}))
    assert hazards == {"RX3"}


BOTH = {**HANDS, "RX2": stir("RX2", 13.0, 1320.0)}
LINKED = dict.fromkeys(REST, -1.0)
SAFE = {
    "sticks one after another": Boot(),
    "presets are the rests": Boot(preset=RESTS),
    "silent until the link": Boot(power_s=LINK_S),
    "sticks off rest": Boot(preset=RESTS, hands={**HANDS, **OFF_REST}),
    "a receiver that links later": Boot(frame_s={"RX3": 0.0220014}, link_s={"RX3": 14.0}),
    "a weapon on a switch": Boot(hands={**HANDS, "RX3": flick("RX3", 17.0, 18.0, 1600.0)}),
    "the switch first, after a step": Boot(
        hands={"RX3": flick("RX3", 13.0, 14.0, 1600.0), "RX1": HANDS["RX2"]}
    ),
    "the weapon alone": Boot(preset=RESTS, hands={"RX3": HANDS["RX3"]}),
    "both drives at once": Boot(preset=RESTS, hands=BOTH),
    "linked from the start": Boot(on_s=0.0, link_s=LINKED),
    "linked from the start, a switch first": Boot(
        preset=RESTS, on_s=0.0, link_s=LINKED, hands={"RX3": flick("RX3", 13.0, 14.0, 1600.0)}
    ),
}


@pytest.mark.parametrize("kind", SAFE)
def test_what_rests_until_a_hand_moves_it_over_the_link_meets(kind):
    assert set(told(SAFE[kind])[0].values()) == {MEETS}


def test_what_never_ran_is_not_looked_at():
    found = check(Boot(hands={}, losses=1).capture())
    names = {f.name for line in found.lines for own in line.recordings for f in own.losses.findings}
    assert names
    assert FIRST_LINK not in names


def test_a_switch_that_is_thrown_first_is_asked_to_wait_for_a_stick():
    hands = {"RX3": flick("RX3", 13.0, 14.0, 1600.0), "RX1": stir("RX1", 15.0, 1700.0)}
    verdicts, _ = told(Boot(preset=RESTS, hands=hands))
    assert verdicts == {"RX1": MEETS, "RX2": MEETS, "RX3": OPEN}


@pytest.mark.parametrize("kind", UNSAFE)
def test_a_line_that_is_left_out_shows_no_link(kind):
    """Less known: another line, or all others, are not recorded."""
    for names in (("RX1", "RX3"), ("RX2", "RX3")):
        verdicts, _ = told(UNSAFE[kind], *names)
        assert verdicts["RX3"] is not MEETS, names


AWAKE = Boot(wakes_s=dict.fromkeys(DRIVES, LINK_S), later_s=(2.0,))


@pytest.mark.parametrize("until_s", [8.0, LINK_S])
@pytest.mark.parametrize("frames", [0, 3, 15])
@pytest.mark.parametrize("is_marked", [True, False])
@pytest.mark.parametrize("preset_us", [REST["RX3"], PRESET["RX3"]])
def test_what_runs_before_silent_outputs_begin_had_no_link(until_s, frames, is_marked, preset_us):
    way_s = 0.02 * frames
    own = [(6.0 - way_s - 1e-6, preset_us), (6.0, 1650.0), (until_s - way_s, 1650.0),
           (until_s + 1e-6, preset_us)]  # fmt: skip
    boot = replace(AWAKE, own={"RX3": own}, preset={**PRESET, "RX3": preset_us})
    assert told(boot, is_marked=is_marked)[0] == {"RX1": MEETS, "RX2": MEETS, "RX3": OPEN}


def test_drives_that_go_and_return_while_another_output_is_silent_had_no_link():
    """They move as one stick's mix does; a link would have brought the weapon's pulses too."""
    own = {name: stir(name, 6.0, 1650.0, 2.0) for name in DRIVES}
    boot = Boot(own=own, preset=RESTS, wakes_s={"RX3": LINK_S}, later_s=(2.0,))
    assert told(boot)[0] == {"RX1": OPEN, "RX2": OPEN, "RX3": MEETS}


@pytest.mark.parametrize("frames", [2, 3, 5])
def test_outputs_that_leave_their_presets_over_some_frames_show_the_link(frames):
    """A weapon goes and returns as by a hand; two other outputs leave at the link, 3 s later."""
    slewed = {name: [(LINK_S - 0.02 * frames, PRESET[name] + step_us), (LINK_S, REST[name])]
              for name, step_us in (("RX1", 12.0), ("RX2", -12.0))}  # fmt: skip
    preset = {"RX1": PRESET["RX1"] + 12.0, "RX2": PRESET["RX2"] - 12.0, "RX3": REST["RX3"]}
    quiet = Boot(preset=preset, own=slewed, later_s=(2.0,))
    assert set(told(quiet)[0].values()) == {MEETS}
    own = {**slewed, "RX3": stir("RX3", 6.0, 1650.0, 2.0)}
    assert told(replace(quiet, own=own))[0] == {"RX1": MEETS, "RX2": MEETS, "RX3": OPEN}


def test_a_safe_boot_at_stated_times_meets_where_silent_outputs_begin_at_the_link():
    assert set(told(AWAKE, is_marked=False)[0].values()) == {MEETS}


@pytest.mark.parametrize("frames", [0, 15])
@pytest.mark.parametrize("line", ["RX1", "RX3"])
def test_a_common_step_to_widths_of_the_transmitter_is_not_yet_the_link(line, frames):
    """All step together at 5 s and again at the link; one runs between."""
    own = {name: [(5.0, PRESET[name] - 12.0), (5.000001, PRESET[name] + 6.0)] for name in REST}
    assert set(told(Boot(own=own))[0].values()) == {MEETS}
    way_s, level_us = 0.02 * frames, own[line][1][1]
    own[line] = [*own[line], (7.0 - way_s - 1e-6, level_us), (7.0, 1800.0), (9.0, 1800.0),
                 (9.0 + way_s + 1e-6, level_us)]  # fmt: skip
    assert told(Boot(own=own))[0] == {name: OPEN if name == line else MEETS for name in REST}


@pytest.mark.parametrize("frames", [1, 2, 4])
def test_a_leap_of_a_few_frames_over_the_link_is_no_hand(frames):
    leap = [(12.0, REST["RX3"]), (12.000001, 1700.0), (12.0 + 0.02 * frames, 1700.0),
            (12.000001 + 0.02 * frames, REST["RX3"])]  # fmt: skip
    early = {**HANDS, "RX3": [*leap, *HANDS["RX3"]]}
    assert told(Boot(hands=early))[0] == {"RX1": MEETS, "RX2": MEETS, "RX3": OPEN}


def test_a_drive_on_a_stick_that_steps_there_and_back_over_the_link_is_no_hand():
    rest_us = REST["RX1"]
    step = [(11.4, rest_us), (11.400001, 1900.0), (12.4, 1900.0), (12.400001, rest_us)]
    boot = Boot(hands={**HANDS, "RX1": [*step, *HANDS["RX1"]]})
    assert told(boot)[0] == {"RX1": OPEN, "RX2": MEETS, "RX3": MEETS}


@pytest.mark.parametrize(
    ("later_s", "verdict"),
    [((6.0, 6.1, 6.2), OPEN), ((5.1, 6.0, 7.0), MEETS), ((3.8, 3.9, 4.0), MEETS)],
)
def test_a_hand_sooner_than_slow_returns_by_more_than_they_differ_had_no_link(later_s, verdict):
    """Nothing shows the link, and the weapon goes there and back 3.5 s after the switch."""
    boot = Boot(
        preset=RESTS,
        link_s=dict.fromkeys(REST, 6.3),
        hands={**HANDS, "RX3": stir("RX3", 6.5, 1600.0)},
        later_s=later_s,
    )
    assert told(boot)[0] == {"RX1": MEETS, "RX2": MEETS, "RX3": verdict}


@pytest.mark.parametrize("seed", [14, 23])
def test_jitter_that_looks_like_a_lone_step_is_no_link(seed):
    assert set(told(Boot(preset=RESTS, jitter_us=2.5, seed=seed))[0].values()) == {MEETS}


# --- before the first link ---

SENT = Boot(losses=4)
"""Four losses, presets 7 to 9 us beside rest, which the receiver sends before the link as well."""


@pytest.mark.parametrize("boots_s", [0.5, 8.0])
def test_what_is_sent_before_the_link_is_no_place_of_a_stick(boots_s):
    """Who records the pulses before the link learns no less than who finds the line silent."""
    link_s = dict.fromkeys(REST, ON_S + boots_s)
    sent = replace(SENT, link_s=link_s, later_s=(boots_s,))
    silent = replace(sent, power_s=ON_S + boots_s)
    assert set(told(sent)[0].values()) == {MEETS}
    assert told(sent)[0] == told(silent)[0]


@pytest.mark.parametrize("power_s", [0.5, LINK_S])
def test_presets_at_the_sticks_rest_stay_open_whatever_came_before_the_link(power_s):
    verdicts, _ = told(replace(SENT, preset=RESTS, power_s=power_s))
    assert set(verdicts.values()) == {OPEN}


def output_of(boot):
    table = decode(boot.capture("RX1"))["RX1"]
    return Output(table, find_dwells(table, find_frames(table)), 2e4)


def test_a_rest_that_a_hand_left_smoothly_is_a_place_of_the_stick():
    """Preset and rest are 1500 us; RX1 rests nowhere else, as it is trimmed to 1508 us by hand.

    What the line did at 1500 us from the link on was its stick's, so a switch to 1500 us is no
    width of the receiver's own.
    """
    assert _linked_s(output_of(Boot(preset=RESTS)), ON_S, 3.0) == ON_S
    assert _linked_s(output_of(Boot()), ON_S, 3.0) == pytest.approx(LINK_S, abs=0.03)


def test_a_device_that_the_receiver_runs_before_the_link_is_a_hazard():
    boot = Boot(preset={**PRESET, "RX3": 1900.0}, losses=1)
    found = check(boot.capture())
    (weapon,) = (line for line in found.lines if line.line == "RX3")
    assert weapon.verdict is Verdict.DOES_NOT_MEET
    (hazard,) = (h for h in found.hazards if h.kind is HazardKind.UNLINKED)
    assert (hazard.lines, round(hazard.width_us)) == (("RX3",), 1900)
    assert hazard.at_s == pytest.approx(0.5137, abs=0.03)
    assert not [h for h in check(Boot(losses=1).capture()).hazards if h.kind is hazard.kind]


def test_a_weapon_that_is_up_as_the_link_first_comes_alone_is_a_hazard():
    """The throttle is half up at the first link; no other output leaves its preset then."""
    up = {"RX3": [(0.0, 1600.0), (14.0, 1600.0), (14.3, 1000.0)]}
    capture = Boot(preset=RESTS, hands=up, losses=2).capture()
    (hazard,) = (h for h in check(capture).hazards if h.kind is HazardKind.UNLINKED)
    assert (hazard.lines, round(hazard.width_us)) == (("RX3",), 1600)
    assert hazard.at_s == pytest.approx(LINK_S, abs=0.05)
    # A switch that is thrown over a link that a stick has shown is none.
    late = Boot(preset=RESTS, hands={**HANDS, "RX3": flick("RX3", 17.0, 18.0, 1600.0)}, losses=2)
    kinds = {hazard.kind for hazard in check(late.capture()).hazards}
    assert HazardKind.UNLINKED not in kinds
