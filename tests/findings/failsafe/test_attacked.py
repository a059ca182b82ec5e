"""What attackers found: given a recording that could be taken for a failsafe, no `meets`."""

import math
from dataclasses import dataclass, replace

import numpy as np
import pytest
from loss_drill import (
    OUT,
    PS,
    REST,
    Drill,
    check,
    device,
    holds,
    preset,
    sheet_of,
    stops,
    verdicts,
)

from pwmscope.bench import Marker, parse_sheet
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import Cause, Ground, LeftOutKind, LossClass
from pwmscope.findings.failsafe.coincidence import (
    same_clock,
)
from pwmscope.findings.failsafe.losses import Known, Loss, Moment, Output
from pwmscope.findings.failsafe.marker import Expectation, expectation_of
from pwmscope.findings.failsafe.watched import (
    Watched,
)
from pwmscope.model import HazardKind

MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN
OWN = {name: preset(rest + 7.0) for name, rest in REST.items()}


def grounds(found, line, cause):
    (own,) = (x for x in found.lines if x.line == line)
    return {a.ground for _, event in own.losses for a in event.alternatives if a.cause is cause}


# --- a marker that missed one loss ---


def without_mark(drill, k):
    """The recording, the marker's pulse of one loss missing."""
    capture = drill.capture()
    marker = capture.lines["tx-on"]
    edges_ps = np.delete(marker.edges_ps, [2 * k, 2 * k + 1])
    return replace(capture, lines={**capture.lines, "tx-on": replace(marker, edges_ps=edges_ps)})


@pytest.mark.parametrize("missed", [0, 6, 9])
@pytest.mark.parametrize(
    "behave", [OWN, {**OWN, "RX1": stops(0.6), "RX2": stops(0.6)}], ids=["preset", "stop"]
)
def test_a_loss_that_no_marker_shows_weighs(behave, missed):
    """Ten losses meet; what the outputs show of one that is not marked proves nothing."""
    drill = Drill(behave)
    assert check(drill).verdict is MEETS
    found = check(without_mark(drill, missed))
    assert set(verdicts(found).values()) == {"not shown"}
    assert sum(event.moment.known is Known.INFERRED for _, event in found.lines[0].losses) == 1


def holding_once(k):
    """RX3 goes to its preset, but holds in one loss."""
    out_us = 1500 if k == 0 else 1450

    def behave(since_s, held_us):
        return held_us if abs(held_us - out_us) < 1.0 or since_s < 0.6 else REST["RX3"] + 7.0

    return {**OWN, "RX3": behave}


def test_a_failure_governs_that_is_marked_whatever_other_mark_is_missing():
    drill = Drill(holding_once(6))
    assert check(drill).verdict is BREAKS
    found = check(without_mark(drill, 2))
    assert verdicts(found)["RX3"] == "does not meet"
    assert found.verdict is BREAKS


def test_a_failure_that_lost_its_mark_is_no_longer_proven_and_never_meets():
    found = check(without_mark(Drill(holding_once(6)), 6))
    assert found.verdict is OPEN


# --- a supply that goes off with the switch ---


def begun_anew(drill):
    """All lines as of a receiver that starts again in each loss: its frames begin anew."""
    capture = drill.capture()
    lines = dict(capture.lines)
    anew_ps = np.array([3, 11, 7, 17, 5, 13, 9, 2, 15, 6]) * 10**9
    for name in REST:
        edges_ps = lines[name].edges_ps
        silences = np.cumsum(np.diff(edges_ps, prepend=0) > 10**12)
        later_ps = np.append(0, np.cumsum(anew_ps - 9 * 10**9))[silences]
        lines[name] = replace(lines[name], edges_ps=edges_ps + later_ps)
    return replace(capture, lines=lines)


def test_a_relay_with_a_machines_delay_refutes_no_supply():
    """All pulses end 0.6 s after the switch within a frame; only the old beat would refute it."""
    stopped = Drill({name: stops(0.6) for name in REST})
    assert grounds(check(stopped), "RX1", Cause.SUPPLY) == {Ground.KEPT_BEAT}
    found = check(begun_anew(stopped))
    assert set(verdicts(found).values()) == {"not shown"}
    assert grounds(found, "RX1", Cause.SUPPLY) == {Ground.OPEN}


# --- two receivers ---


class _Table:
    sample_interval_us = 1.0

    def __init__(self, rise_s):
        self.rise_s = rise_s
        self.measured = np.ones(rise_s.size, dtype=bool)


def clocks(*periods_s, lasts_s=30.0, losses=()):
    """Which of lines of these frame periods keep one clock."""
    lines = [
        Watched(
            Output(_Table(np.arange(0.004 + 0.001 * k, lasts_s, period_s)), None, 1e6 * period_s),
            Expectation(), (), (), (), 4.0,
        )
        for k, period_s in enumerate(periods_s)
    ]  # fmt: skip
    return same_clock(lines, losses)


@pytest.mark.parametrize(
    ("ppm", "same"), [(0.0, True), (2.0, True), (5.0, False), (-5.0, False), (40.0, False)]
)
def test_lines_of_one_receiver_keep_one_frame_clock(ppm, same):
    """Crystals differ by several millionths; one clock differs from itself by none."""
    found = clocks(0.02, 0.02 * (1.0 + 1e-6 * ppm))
    assert found.tolist() == [[True, same], [same, True]]


def test_clocks_are_compared_where_it_is_longest_that_no_loss_came_between():
    loss = Loss(8.0, 11.0, True, Moment(Known.MARKED, 0.0, None), frozenset(), "")
    assert clocks(0.02, 0.02, losses=(loss,)).all()
    # A second is too short to tell crystals apart, and 20 frames are needed at all.
    assert clocks(0.02, 0.02 * (1 + 5e-6), lasts_s=0.9).all()
    assert not clocks(0.02, 0.02 * (1 + 1e-3), lasts_s=0.9)[0, 1]
    assert not clocks(0.02, 0.02, lasts_s=0.3)[0, 1]


def drifting(drill, line, ppm):
    """A line of a second receiver, whose clock is off by so many millionths."""
    capture = drill.capture()
    own = capture.lines[line]
    edges_ps = own.edges_ps + np.rint(own.edges_ps * (1e-6 * ppm)).astype(np.int64)
    return replace(capture, lines={**capture.lines, line: replace(own, edges_ps=edges_ps)})


@pytest.mark.parametrize(("ppm", "verdict"), [(0.0, "meets"), (30.0, "not shown")])
def test_an_output_is_no_witness_for_one_of_another_receiver(ppm, verdict):
    """RX1 and RX2 go to their own widths; RX3 to its stick's rest later, and unsteadily."""
    later_s = (1.1, 1.31, 1.18, 1.34, 1.25, 1.15, 1.33, 1.2, 1.29, 1.12)
    delay_s = dict(zip((1500, 1700, 1400, 1820, 1350, 1600, 1450, 1900, 1550, 1300), later_s,
                       strict=True))  # fmt: skip

    def behave(since_s, held_us):
        return REST["RX3"] if since_s >= delay_s[round(held_us)] else held_us

    found = check(drifting(Drill({**OWN, "RX3": behave}), "RX3", ppm))
    assert verdicts(found)["RX3"] == verdict
    assert verdicts(found)["RX1"] == "meets"


# --- plugs and thumbs on a cue ---


def reacting(rng, cue_s, scatter_s):
    """By loss: a reaction to a beep that long after the marker."""
    held = (1700, 1320, 1640, 1350, 1670, 1820, 1300, 1740, 1260, 1780)
    delays = cue_s + 0.3 + scatter_s * rng.standard_normal(10)
    return dict(zip(held, delays, strict=True))


def on_cue(cue_s, scatter_s, seed, gone):
    """All lines do the same at one moment of each loss, told by where RX1 is held."""
    delays = reacting(np.random.default_rng(seed), cue_s, scatter_s)
    drill = Drill()
    moments_s = [
        delays[round(float(np.interp(off, *drill.way("RX1"))))] for off, _, _ in drill.spans
    ]
    ways = {n: [float(np.interp(off, *drill.way(n))) for off, _, _ in drill.spans] for n in REST}

    def behave(name):
        at_s = {round(us, 3): s for us, s in zip(ways[name], moments_s, strict=True)}
        return lambda since_s, held_us: (
            gone[name] if since_s >= at_s[round(held_us, 3)] else held_us
        )

    return Drill({name: behave(name) for name in REST})


@pytest.mark.parametrize("cue_s", [0.3, 0.7, 1.1])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_plug_pulled_on_a_beep_is_not_told_from_a_receiver_that_stops(cue_s, seed):
    """The scatter is that of a reaction, 30 ms, however long after the marker the cue came."""
    found = check(on_cue(cue_s, 0.03, seed, dict.fromkeys(REST)))
    assert "meets" not in verdicts(found).values()
    assert Ground.MACHINE not in grounds(found, "RX1", Cause.UNPLUGGED)


@pytest.mark.parametrize("cue_s", [0.3, 0.7, 1.1])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_thumbs_let_go_on_a_beep_bear_no_witness_for_one_another(cue_s, seed):
    """All sticks jump to rest in one frame, with a reaction's scatter of 30 ms."""
    found = check(on_cue(cue_s, 0.03, seed, REST))
    assert "meets" not in verdicts(found).values()


# --- outputs between the switch and the link ---


def test_pulses_that_come_back_later_than_another_line_came_not_with_the_link():
    """RX2 and RX3 fell silent with RX1's preset; their probes were put back 0.3 s late."""
    capture = Drill({"RX1": OWN["RX1"], "RX2": stops(0.6), "RX3": stops(0.6)}).capture()
    assert set(verdicts(check(capture)).values()) == {"meets"}
    lines = dict(capture.lines)
    for name in ("RX2", "RX3"):
        edges_ps = lines[name].edges_ps
        again_ps = [round((s + 0.3) * 1e12) for _, _, s in Drill().spans]
        back_ps = [round((s - 0.2) * 1e12) for _, _, s in Drill().spans]
        off = np.zeros(edges_ps.size, dtype=bool)
        for low, high in zip(back_ps, again_ps, strict=True):
            first, end = np.searchsorted(edges_ps, (low, high))
            off[first - first % 2 : end + end % 2] = True
        lines[name] = replace(lines[name], edges_ps=edges_ps[~off])
    found = check(replace(capture, lines=lines))
    assert verdicts(found) == {"RX1": "meets", "RX2": "not shown", "RX3": "not shown"}
    assert Ground.NOT_BACK in grounds(found, "RX2", Cause.UNPLUGGED)


def test_a_pulse_or_two_far_beyond_both_widths_as_the_link_returns_are_a_leap():
    """Full speed for two frames before the held width: a transmitter that starts so looks alike."""
    capture = Drill(OWN).capture()
    edges_ps = capture.lines["RX3"].edges_ps.copy()
    for _, _, follows_s in Drill().spans:
        first = int(np.searchsorted(edges_ps, round(follows_s * 1e12)))
        first += first % 2
        edges_ps[first + 1] = edges_ps[first] + 2_000_000_000
        edges_ps[first + 3] = edges_ps[first + 2] + 2_000_000_000
    lines = {**capture.lines, "RX3": replace(capture.lines["RX3"], edges_ps=edges_ps)}
    found = check(replace(capture, lines=lines))
    assert verdicts(found) == {"RX1": "meets", "RX2": "meets", "RX3": "not shown"}
    assert grounds(found, "RX3", Cause.LEFT_EARLY) == {Ground.LEAPT}


def test_noise_on_another_line_is_no_stick_that_was_followed():
    """All outputs run after the switch is on and before the link is back; RX1's probe is off."""

    def behave(rest_us):
        return lambda since_s, held_us: (
            held_us if since_s < 0.6 else rest_us + 7.0 if since_s < 2.9 else 2000.0
        )

    drill = Drill({n: behave(w) for n, w in REST.items()}, lengths_s=(2.6,) * 10, searches_s=1.5)
    capture = drill.capture()
    assert "meets" not in verdicts(check(capture)).values()
    rng = np.random.default_rng(1)
    edges_ps = capture.lines["RX1"].edges_ps
    for off_s, _, follows_s in drill.spans:
        first, end = np.searchsorted(edges_ps, (round(off_s * 1e12), round(follows_s * 1e12)))
        first, end = first - first % 2, end + end % 2
        noise = np.sort(rng.integers(edges_ps[first], edges_ps[end], 5000) // 10**6 * 10**6)
        noise = np.unique(noise)
        noise = noise[: noise.size // 2 * 2]
        edges_ps = np.concatenate([edges_ps[:first], noise, edges_ps[end:]])
    lines = {**capture.lines, "RX1": replace(capture.lines["RX1"], edges_ps=edges_ps)}
    assert "meets" not in verdicts(check(replace(capture, lines=lines))).values()


# --- a line that is stuck for a moment, then quiet ---


@pytest.mark.parametrize(
    ("lasts_s", "behaviour", "verdict"),
    [(0.0, LossClass.PULSES_STOP, "meets"), (0.09, None, "not shown"),
     (1.8, LossClass.STUCK_HIGH, "does not meet")],
)  # fmt: skip
def test_a_level_longer_than_a_pulse_before_the_silence_is_no_end_of_pulses(
    lasts_s, behaviour, verdict
):
    """The receiver's pin is stuck high; the plug comes off a moment later, and the line is low."""
    drill = Drill({**OWN, "RX3": stops(0.6)}, lengths_s=(2.6,) * 10)
    capture = drill.capture()
    edges_ps = capture.lines["RX3"].edges_ps
    last_ps = edges_ps[np.flatnonzero(np.diff(edges_ps) > 10**12)]
    if lasts_s:
        stuck_ps = last_ps[:, None] + np.array([19 * 10**9, 19 * 10**9 + round(lasts_s * 1e12)])
        edges_ps = np.sort(np.concatenate([edges_ps, stuck_ps.ravel()]))
    lines = {**capture.lines, "RX3": replace(capture.lines["RX3"], edges_ps=edges_ps)}
    found = check(replace(capture, lines=lines))
    assert verdicts(found)["RX3"] == verdict
    assert {event.behaviour for _, event in found.lines[2].losses} == {behaviour}


# --- a line that is said to drive nothing ---


@pytest.mark.parametrize("behave", [holds, preset(1080.0), stops(1.95), preset(1007.0)])
def test_a_stick_that_follows_none_in_a_loss_is_named_and_weighs(behave):
    """It is an output of the receiver, and a device may be on it."""
    sheet = sheet_of()
    stick = replace(sheet.channels["RX3"], role="stick-throttle", stop_us=None, no_pulses=None,
                    no_pulses_after_s=None)  # fmt: skip
    sheet = replace(sheet, channels={**sheet.channels, "RX3": stick})
    found = check(Drill({**OWN, "RX3": behave}), sheet=sheet)
    assert verdicts(found) == {"RX1": "meets", "RX2": "meets", "RX3": None}
    assert found.verdict is OPEN
    (left,) = found.left_out
    assert (left.kind, left.what, left.weighs) == (LeftOutKind.STICK, "RX3", True)


@pytest.mark.parametrize(("behave", "level_us"), [(holds, 1500.0), (stops(0.6), None)])
def test_an_unused_line_is_named_with_the_width_that_it_carried(behave, level_us):
    sheet = sheet_of()
    unused = replace(sheet.channels["RX3"], role="unused", stop_us=None)
    sheet = replace(sheet, channels={**sheet.channels, "RX3": unused})
    (left,) = check(Drill({**OWN, "RX3": behave}), sheet=sheet).left_out
    assert (left.kind, left.weighs) == (LeftOutKind.UNUSED, False)
    assert left.level_us == (level_us and pytest.approx(level_us, abs=1.0))


# --- a neutral that nobody stated ---

STATED = """
[limits]
failsafe_s = 2.0
[marker]
line = "tx-on"
on = "high"
kind = "switch"
"""
DRIVE = """
[channels.{line}]
role = "{role}"
deadband_us = 60
{neutral}
no_pulses = "stops"
no_pulses_after_s = 0.2
"""
WEAPON = """
[channels.RX3]
role = "weapon"
stop_us = [900, 1030]
no_pulses = "stops"
no_pulses_after_s = 0.2
"""


def stated(neutral):
    text = STATED + WEAPON
    for line, role in (("RX1", "drive-left"), ("RX2", "drive-right")):
        text += DRIVE.format(line=line, role=role, neutral=neutral if line == "RX1" else
                             "neutral_us = 1500")  # fmt: skip
    return parse_sheet(text)


@pytest.mark.parametrize(
    ("neutral", "verdict"),
    [("neutral_us = 1500", "meets"), ("", "not shown"), ("neutral_us = 1560", "does not meet")],
)
def test_a_deadband_round_a_neutral_that_is_only_assumed_never_meets(neutral, verdict):
    """Taking the key away must not turn a failure, or what is not shown, into `meets`."""
    sheet = stated(neutral)
    found = check(Drill(OWN), sheet=sheet)
    assert verdicts(found) == {"RX1": verdict, "RX2": "meets", "RX3": "meets"}
    (drive,) = (line for line in found.lines if line.line == "RX1")
    assert ("Add neutral_us" in drive.sentence) is (neutral == "")
    assert [gap.key for gap in sheet.gaps] == (["channels.RX1.neutral_us"] if not neutral else [])


def test_an_assumed_neutral_is_not_asked_for_where_the_stop_is_stated():
    text = 'role = "drive-left"\nstop_us = [1470, 1530]\n'
    assert not expectation_of(parse_sheet(f"[channels.RX1]\n{text}"), "RX1").is_band_assumed
    one = 'role = "drive-left"\nstop_us = 1500\ndeadband_us = 60\n'
    assert not expectation_of(parse_sheet(f"[channels.RX1]\n{one}"), "RX1").is_band_assumed
    assert math.isfinite(parse_sheet(f"[channels.RX1]\n{one}").channels["RX1"].neutral_us)


# --- what a builder can add where the pulses of all lines end ---


def stops_of(drill, seed):
    """All lines stop within 80 ms of one another: too unlike for a machine, as a wall switch is."""
    rng = np.random.default_rng(seed)
    delays_s = 0.5 + 0.08 * rng.random(drill.losses)

    def behave(name):
        held_us = [round(float(np.interp(off, *drill.way(name))), 3) for off, _, _ in drill.spans]
        at_s = dict(zip(held_us, delays_s, strict=True))
        return lambda since_s, us: None if since_s >= at_s[round(us, 3)] else us

    return {name: behave(name) for name in REST}


def test_a_spare_output_with_a_preset_makes_stops_of_the_others_answerable():
    """It changes in their frame each time, and goes on: no plug, and no supply, does so."""
    drill = Drill()
    stop = stops_of(drill, 4)
    assert set(verdicts(check(replace(drill, behave=stop))).values()) == {"not shown"}
    sheet = sheet_of()
    spare = replace(sheet.channels["RX3"], role="unused", stop_us=None, no_pulses=None,
                    no_pulses_after_s=None)  # fmt: skip
    sheet = replace(sheet, channels={**sheet.channels, "RX3": spare})
    held_us = [round(float(np.interp(off, *drill.way("RX3"))), 3) for off, _, _ in drill.spans]

    def goes_on(since_s, us):
        return 1007.0 if stop["RX3"](since_s, us) is None else us

    assert len(set(held_us)) == drill.losses
    found = check(replace(drill, behave={**stop, "RX3": goes_on}), sheet=sheet)
    assert verdicts(found) == {"RX1": "meets", "RX2": "meets", "RX3": None}
    assert grounds(found, "RX1", Cause.UNPLUGGED) == {Ground.CHANGED_WITH}
    assert grounds(found, "RX1", Cause.SUPPLY) == {Ground.OTHER_WENT_ON}


@pytest.mark.parametrize(("losses", "spread_s"), [(10, 0.0), (25, 0.03)])
def test_stops_of_all_lines_are_not_shown_however_alike_their_delays(losses, spread_s):
    """A plug that was off in the silence, and put back before the link, hides what came between."""
    late_s = tuple(spread_s * k / 9 for k in (0, 9, 4, 7, 2, 5, 1, 8, 3, 6))
    stop = {n: stops(0.6) for n in REST}
    drill = Drill(stop, losses=losses, late_s=late_s)
    sheet = sheet_of(marker=Marker("tx-on", "high", "switch", 0.0))
    found = check(drill, sheet=sheet)
    assert set(verdicts(found).values()) == {"not shown"}
    assert grounds(found, "RX1", Cause.UNPLUGGED) == {Ground.ALL_ENDED}
    # An output that goes on, and jumps back with them, is what the plug did not carry.
    beside = check(replace(drill, behave={**stop, "RX3": OWN["RX3"]}), sheet=sheet)
    assert verdicts(beside) == dict.fromkeys(REST, "meets")


def test_pulses_that_come_again_before_the_link_show_no_stop():
    """The receiver runs on at full width while the plug of all lines is off."""
    off_s = dict(zip(OUT["RX1"], Drill().lengths_s, strict=True))

    def put_back(line):
        length_s = {us: off_s[OUT["RX1"][k]] for k, us in enumerate(OUT[line])}

        def behave(since_s, held_us):
            is_off = 0.6 <= since_s < length_s[round(held_us)] + 0.1
            return None if is_off else held_us

        return behave

    found = check(Drill({n: put_back(n) for n in REST}))
    assert set(verdicts(found).values()) == {"not shown"}


# --- a switch moved just before the pulses end ---


def test_a_weapon_switched_off_a_few_frames_before_its_pulses_end_shows_no_stop():
    """Its device would have run on for longer than the limit; a hand had stopped it before."""
    sheet = sheet_of()
    slow = replace(sheet.channels["RX3"], no_pulses_after_s=2.5)
    sheet = replace(sheet, channels={**sheet.channels, "RX3": slow})

    def switched(since_s, held_us):
        return None if since_s >= 0.6 else 1000.0 if since_s >= 0.5 else held_us

    found = check(Drill({**OWN, "RX3": switched}, losses=1), sheet=sheet)
    assert verdicts(found)["RX3"] == "not shown"
    (event,) = (event for _, event in found.lines[2].losses)
    assert event.case.evidence.entry.to_us == pytest.approx(1000.0, abs=2.0)
    plain = check(Drill({**OWN, "RX3": stops(0.6)}, losses=3), sheet=sheet)
    assert verdicts(plain)["RX3"] == "does not meet"


# --- words of the table of other causes ---


def test_a_line_that_holds_outside_its_stop_range_is_not_said_to_stand_inside_it():
    found = check(Drill({name: preset(REST[name]) for name in ("RX2", "RX3")} | {"RX1": holds}))
    for cause in (Cause.HELD, Cause.LEFT_EARLY):
        assert grounds(found, "RX1", cause) == {Ground.NEVER_IN}
    assert grounds(found, "RX2", Cause.LEFT_EARLY) == {Ground.STAYED}


@pytest.mark.parametrize("dropped", ["", "RX1", "RX2", "RX4"])
def test_what_leaves_in_one_frame_with_an_output_that_leaps_did_not_return(dropped):
    """Two outputs leave as the transmitter boots, one for its stick's own width; found by boots."""
    drill = Drill(searches_s=1.0)
    capture = drill.capture()
    lines = {**capture.lines, "RX4": replace(capture.lines["RX2"], name="RX4")}
    for line in ("RX2", "RX3"):
        rise_ps, fall_ps = lines[line].edges_ps[::2], lines[line].edges_ps[1::2].copy()
        for k, (_, on_s, follows_s) in enumerate(drill.spans):
            early = (rise_ps >= (on_s + 0.3) * PS) & (rise_ps < follows_s * PS)
            to_us = OUT["RX3"][k] if line == "RX3" else 1788.0
            fall_ps[early] = rise_ps[early] + round(to_us * 1e6)
        edges_ps = np.column_stack((rise_ps, fall_ps)).ravel()
        lines[line] = replace(lines[line], edges_ps=edges_ps)
    lines = {name: line for name, line in lines.items() if name != dropped}
    sheet = sheet_of()
    channels = {**sheet.channels, "RX4": replace(device("RX2"), line="RX4")}
    found = check(replace(capture, lines=lines), sheet=replace(sheet, channels=channels))
    told = verdicts(found)
    assert told["RX3"] == "not shown"
    if not dropped:
        assert (told["RX1"], told["RX4"]) == ("meets", "meets")


# --- widths from before the loss that come again before the link ---


@dataclass(frozen=True)
class Stale(Drill):
    """In the first losses the receiver goes on where it stopped, before its link comes.

    The sticks were laid down meanwhile, so that all outputs leap to their rest in one frame.
    """

    stale_s: float = 0.4
    times: int = 10
    searches_s: float = 1.5

    def way(self, line):
        at_s, width_us = Drill.way(self, line)
        for k, (off_s, on_s, follows_s) in enumerate(self.spans[: self.times]):
            own = (at_s > off_s) & (at_s < follows_s + 1.1)
            at_s, width_us = at_s[~own], width_us[~own]
            laid = [(on_s - 1.2, OUT[line][k % 10]), (on_s - 1.0, REST[line])]
            at_s = np.append(at_s, [time_s for time_s, _ in laid])
            width_us = np.append(width_us, [us for _, us in laid])
        order = np.argsort(at_s, kind="stable")
        return np.array([at_s[order], width_us[order]])

    def pulses(self, line):
        rise_s, width_us = Drill.pulses(self, line)
        for k, (_, _, follows_s) in enumerate(self.spans[: self.times]):
            stale = (rise_s >= follows_s - self.stale_s) & (rise_s < follows_s)
            width_us[stale] = OUT[line][k % 10]
        return rise_s, width_us


STALE = {name: preset(rest + 8.0) for name, rest in REST.items()}


@pytest.mark.parametrize("losses", [1, 10])
@pytest.mark.parametrize("stale_s", [0.06, 0.2, 1.2])
def test_outputs_that_leap_together_once_more_had_no_link_before(losses, stale_s):
    found = check(Stale(STALE, losses=losses, stale_s=stale_s))
    assert set(verdicts(found).values()) == {"not shown"}
    told = {line for h in found.hazards if h.kind is HazardKind.LEAP for line in h.lines}
    assert told == set(REST)


def test_one_loss_of_ten_in_which_they_do_so_is_enough_for_every_line():
    assert check(Stale(STALE, times=0)).verdict is MEETS
    found = check(Stale(STALE, times=1))
    assert set(verdicts(found).values()) == {"not shown"}


@dataclass(frozen=True)
class StaleTwo(Stale):
    """RX2 and RX3 go on where they stopped; RX1 keeps its preset until the link comes."""

    stale_s: float = 1.2
    laid: tuple = ("RX3",)

    def way(self, line):
        return Stale.way(self, line) if line in self.laid else Drill.way(self, line)

    def pulses(self, line):
        return Drill.pulses(self, line) if line == "RX1" else Stale.pulses(self, line)


@pytest.mark.parametrize("losses", [1, 10])
@pytest.mark.parametrize("laid", [("RX3",), ()], ids=["laid", "held"])
def test_two_outputs_that_go_on_vouch_for_nothing_while_a_third_has_its_preset(losses, laid):
    found = check(StaleTwo(STALE, losses=losses, laid=laid))
    assert verdicts(found) == {"RX1": "meets", "RX2": "not shown", "RX3": "not shown"}
    told = {line for h in found.hazards if h.kind is HazardKind.LEAP for line in h.lines}
    assert told == {"RX2", "RX3"}


@pytest.mark.parametrize(("times", "told"), [(1, "not shown"), (0, "meets")])
def test_a_switch_that_leaves_its_preset_as_they_leap_shows_that_the_link_came_then(times, told):
    """No stick moves RX1: its sheet calls it a servo. One loss of ten is enough."""
    sheet = sheet_of()
    servo = replace(device("RX1"), role="servo", stop_us=(1400.0, 1600.0))
    sheet = replace(sheet, channels={**sheet.channels, "RX1": servo})
    found = check(StaleTwo(STALE, times=times), sheet=sheet)
    assert verdicts(found) == {"RX1": "meets", "RX2": told, "RX3": told}


@dataclass(frozen=True)
class KillEarly(Stale):
    """RX3 holds its width; its kill channel RX2 gives it power before the link comes."""

    stale_s: float = 1.2
    laid: tuple = ("RX3",)

    def way(self, line):
        return Stale.way(self, line) if line in self.laid else Drill.way(self, line)

    def pulses(self, line):
        return Stale.pulses(self, line) if line == "RX2" else Drill.pulses(self, line)


def kill_sheet():
    sheet = sheet_of()
    kill = replace(device("RX2"), role="kill", neutral_us=None, guards=("RX3",))
    return replace(sheet, channels={**sheet.channels, "RX2": kill})


@pytest.mark.parametrize("laid", [("RX3",), ("RX1", "RX3")], ids=["held", "laid"])
def test_a_kill_channel_that_gives_power_before_the_link_covers_nothing(laid):
    """RX1 shows when the link comes: by a leap to its held stick, or by 8 us to its rest."""
    found = check(KillEarly({**STALE, "RX3": holds}, laid=laid), sheet=kill_sheet())
    assert verdicts(found) == {"RX1": "meets", "RX2": "not shown", "RX3": "not shown"}
    told = [h for h in found.hazards if h.kind is HazardKind.EARLY_POWER]
    assert [(h.lines, h.times) for h in told] == [(("RX3", "RX2"), 10)]
    assert "RX2 gives RX3 power again before the link is back" in told[0].sentence
    assert not any(h.kind is HazardKind.POWER for h in found.hazards)


def test_a_kill_channel_that_gives_power_with_the_link_covers_a_device_that_holds():
    found = check(KillEarly({**STALE, "RX3": holds}, times=0), sheet=kill_sheet())
    assert found.verdict is MEETS
    assert [h.lines for h in found.hazards if h.kind is HazardKind.POWER] == [("RX3", "RX2")]


def test_sticks_that_stay_up_from_before_the_first_loss_leap_no_more():
    """No stick is followed after the returns, and none leaps once more: nothing came early."""
    hands = {
        line: [(0.0, REST[line]), (0.5 + 0.5 * i, REST[line]), (0.8 + 0.5 * i, OUT[line][0])]
        for i, line in enumerate(REST)
    }
    assert check(Drill(STALE, hands=hands)).verdict is MEETS


def test_a_nudge_of_both_sticks_after_the_return_is_a_hands():
    """Two thumbs move both held sticks by 45 us in one frame, 0.5 s after the link is back."""

    class Nudged(Drill):
        def pulses(self, line):
            rise_s, width_us = Drill.pulses(self, line)
            for k, (_, _, follows_s) in enumerate(self.spans):
                held = (rise_s > follows_s + 0.5) & (rise_s < follows_s + 0.79)
                width_us[held] += 45.0 if OUT[line][k % 10] > REST[line] else -45.0
            return rise_s, width_us

    assert check(Nudged(STALE)).verdict is MEETS


def test_one_that_runs_before_the_link_and_leaps_with_it_says_nothing_of_the_others():
    """RX2 leaves its preset 0.8 s before the link, and leaps to its stick in the link's frame."""

    class Early(Drill):
        def pulses(self, line):
            rise_s, width_us = Drill.pulses(self, line)
            for _, _, follows_s in self.spans if line == "RX2" else ():
                width_us[(rise_s > follows_s - 0.8) & (rise_s < follows_s)] = 1890.0
            return rise_s, width_us

    skew_s = {"RX1": 0.0, "RX2": 0.0022, "RX3": 0.0044}
    found = check(Early(STALE, searches_s=1.5, skew_s=skew_s))
    assert verdicts(found) == {"RX1": "meets", "RX2": "not shown", "RX3": "meets"}
