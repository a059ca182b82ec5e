"""States of the link: given this recording of a guided plan, each device is told so in each."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from loss_drill import PS, REST, check, preset, sheet_of

import pwmscope
from pwmscope.bench import make_plan, parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import LinkState, link_states
from pwmscope.model import HazardKind
from pwmscope.report.failsafe import failsafe_json

MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN
UP = {"RX1": 1700.0, "RX2": 1320.0, "RX3": 1600.0}
FRAME_S = 0.02
LINK_S = 0.3
# Until when, the transmitter's switch, whether the receiver has power, whether sticks are up.
GUIDED = (
    (0.5, False, False, False), (4.0, False, True, False), (7.0, True, True, False),
    *((7.0 + 11.0 * k + end, on, True, up) for k in range(10) for end, on, up in (
        (2.0, True, False), (4.0, True, True), (8.0 + 0.21 * (k * k % 7), False, True),
        (10.0, True, True), (11.0, True, False),
    )),
    (119.0, True, True, True), (123.0, False, True, True), (125.0, False, False, True),
    (129.0, False, True, True), (131.0, True, True, True), (135.0, False, True, True),
    (138.0, False, True, False), (143.0, True, True, False),
)  # fmt: skip


def guided(before=None, restarted=None, soon=None, spans=GUIDED):
    """A recording of these states; a line's width before the link, and after a restart.

    ``soon`` gives the width by the seconds since a loss and the width held, where the link had
    been there for less than 2.5 s.
    """
    before, restarted = before or {}, restarted or {}
    lines = {}
    for name, rest_us in REST.items():
        rng = np.random.default_rng(len(name) + int(rest_us))
        put = preset(rest_us + 7.0, 0.5)
        hasty = (soon or {}).get(name, put)
        rows, time_s, at = [], 0.004, 0
        linked_s = lost_s = on_s = None
        was_on = was_powered = False
        ever, held_us, again = False, rest_us, False
        while time_s < spans[-1][0] - 0.02:
            while spans[at][0] <= time_s:
                at += 1
            _, on, powered, up = spans[at]
            if on and not was_on:
                on_s = time_s
            if powered and not was_powered:
                time_s += 0.0113
                ever, again = False, was_on is False and linked_s is not None
            if was_on and not on:
                lost_s, link_lasted_s = time_s, time_s - (linked_s or 0.0)
            was_on, was_powered = on, powered
            width_us = None
            if powered and on and time_s - on_s >= LINK_S:
                linked_s = time_s if not ever or lost_s is not None else linked_s
                ever, lost_s, again = True, None, False
                width_us = held_us = UP[name] if up else rest_us
            elif powered and ever:
                since_s = time_s - lost_s if lost_s is not None else 0.0
                width_us = (hasty if link_lasted_s < 2.5 else put)(since_s, held_us)
            elif powered:
                width_us = restarted.get(name, rest_us + 7.0) if again else before.get(name)
            if width_us is not None:
                rows.append((time_s, time_s + 1e-6 * (width_us + rng.normal(0, 0.3))))
            time_s += FRAME_S
        edges_ps = np.rint(np.array(rows).ravel() * 1e6).astype(np.int64) * 10**6
        lines[name] = Line(name, edges_ps, 0)
    switch = [row[1] for row in spans]
    moves_s = [spans[k - 1][0] for k in range(1, len(spans)) if switch[k] != switch[k - 1]]
    marker_ps = np.rint(np.array(moves_s) * 1e6).astype(np.int64) * 10**6
    lines["tx-on"] = Line("tx-on", marker_ps, int(switch[0]))
    return Capture(lines, round(spans[-1][0] * PS), 1e6, "guided.csv")


def told(*captures, sheet=None):
    found = check(*captures, sheet=sheet)
    return {(cell.state, cell.line): cell for cell in link_states(found)}


def verdicts_of(cells, state):
    return [cells[state, line].verdict for line in REST]


@pytest.fixture(scope="module")
def good():
    return told(guided(before={name: rest + 7.0 for name, rest in REST.items()}))


def test_one_guided_recording_shows_every_state(good):
    for state in LinkState:
        wanted = None if state is LinkState.BACK_STICKS_UP else MEETS
        assert verdicts_of(good, state) == [wanted] * 3, state
        assert all(good[state, line].seen for line in REST)
    assert good[LinkState.LOST, "RX3"].seen == 11
    assert good[LinkState.LOST_SOON, "RX3"].seen == 1
    assert good[LinkState.RESTARTED, "RX3"].seen == 1


def test_a_state_that_no_recording_holds_is_not_shown():
    cells = told(guided(spans=GUIDED[2:-8]))
    for state in (LinkState.LOST_SOON, LinkState.RESTARTED, LinkState.BACK_AT_REST):
        assert [cells[state, line].seen for line in REST] == [0] * 3
        assert verdicts_of(cells, state) == [OPEN] * 3
    # Its first frames come late, and nothing marks that time.
    assert verdicts_of(cells, LinkState.NEVER_LINKED) == [OPEN] * 3
    assert verdicts_of(cells, LinkState.LOST) == [MEETS] * 3


def test_presets_that_come_later_are_told_where_the_link_was_lost_soon():
    cells = told(guided(soon={"RX3": lambda _s, held_us: held_us}))
    assert cells[LinkState.LOST_SOON, "RX3"].verdict is BREAKS
    assert cells[LinkState.LOST_SOON, "RX1"].verdict is MEETS


@pytest.mark.parametrize(
    ("width_us", "verdict"), [(1600.0, BREAKS), (None, MEETS), (1004.0, MEETS)]
)
def test_a_receiver_that_restarts_without_the_link(width_us, verdict):
    cells = told(guided(restarted={"RX3": width_us}))
    assert cells[LinkState.RESTARTED, "RX3"].verdict is verdict
    assert cells[LinkState.RESTARTED, "RX1"].verdict is MEETS


def test_a_receiver_that_stays_silent_after_a_restart_looks_like_a_plug_that_came_off():
    cells = told(guided(restarted=dict.fromkeys(REST)))
    assert verdicts_of(cells, LinkState.RESTARTED) == [OPEN] * 3
    assert cells[LinkState.RESTARTED, "RX3"].seen == 0


def test_a_weapon_that_runs_before_the_link():
    cells = told(guided(before={"RX1": 1507.0, "RX2": 1507.0, "RX3": 1600.0}))
    assert verdicts_of(cells, LinkState.NEVER_LINKED) == [MEETS, MEETS, BREAKS]


def test_the_matrix_is_of_devices_on_a_sheet_alone():
    found = check(guided())
    assert link_states(found)
    assert link_states(replace(found, sheet=None)) == ()


ORDER = (BREAKS, OPEN, MEETS)


def poorer(sheet):
    """The sheet without one entry each."""
    yield replace(sheet, marker=replace(sheet.marker, on=None))
    yield replace(sheet, marker=None)
    for name, channel in sheet.channels.items():
        yield replace(sheet, channels={n: c for n, c in sheet.channels.items() if n != name})
        for change in ({"no_pulses": None, "no_pulses_after_s": None}, {"stop_us": None}):
            yield replace(sheet, channels={**sheet.channels, name: replace(channel, **change)})


def test_less_known_never_scores_better_in_any_state(good):
    """By sheet entries, lines, sampling, and the recording's parts."""
    capture = guided(before={name: rest + 7.0 for name, rest in REST.items()},
                     restarted={"RX3": 1600.0})  # fmt: skip
    whole = told(capture)
    cases = [(capture, sheet) for sheet in poorer(sheet_of())]
    cases += [
        (replace(capture, lines={n: x for n, x in capture.lines.items() if n != name}), sheet_of())
        for name in capture.lines
    ]
    cases.append((replace(capture, sample_interval_ps=None), sheet_of()))
    for own, sheet in cases:
        for key, cell in told(own, sheet=sheet).items():
            if cell.verdict is MEETS:
                assert whole[key].verdict is MEETS, key


def test_the_plan_guides_each_state():
    sheet = parse_sheet(
        '[marker]\nline = "tx-on"\non = "high"\nkind = "switch"\n[transmitter]\nboot_s = 5\n'
        '[channels.RX1]\nrole = "drive-left"\n[channels.RX3]\nrole = "weapon"\n'
    )
    usual, plan = make_plan(sheet, losses=0), make_plan(sheet, losses=0, states=True)
    own = plan.steps[len(usual.steps) :]
    assert [step.transmitter_on for step in own] == [True, False, False, True, False, False, True]
    assert [bool(step.sticks) for step in own] == [True, True, True, True, True, False, False]
    assert any("power" in step.hands for step in own)
    # The second loss begins within seconds of the link, the boot aside.
    assert own[3].seconds - sheet.transmitter.boot_s <= 3.0
    assert all(step.seconds > sheet.failsafe_s for step in own if not step.transmitter_on
               and step.sticks)  # fmt: skip


def test_a_transmitter_that_refuses_sticks_up_gets_them_at_rest():
    sheet = parse_sheet(
        '[transmitter]\nstarts_with_sticks_up = false\n[channels.RX3]\nrole = "weapon"\n'
    )
    plan = make_plan(sheet, losses=0, states=True)
    turned_on = [b for a, b in zip(plan.steps, plan.steps[1:], strict=False)
                 if b.transmitter_on and not a.transmitter_on]  # fmt: skip
    assert turned_on
    assert all(step.is_at_rest for step in turned_on)


# --- leaps as the link first comes, and of a few frames as it is back ---


def leaping(capture, line, from_s, until_s, to_us):
    """The recording, a line's pulses between two instants made so wide."""
    own = capture.lines[line]
    rise_ps, fall_ps = own.edges_ps[::2], own.edges_ps[1::2].copy()
    wide = (rise_ps >= from_s * PS) & (rise_ps < until_s * PS)
    fall_ps[wide] = rise_ps[wide] + round(to_us * 1e6)
    edges_ps = np.column_stack((rise_ps, fall_ps)).ravel()
    return replace(capture, lines={**capture.lines, line: replace(own, edges_ps=edges_ps)})


@pytest.mark.parametrize(
    ("from_s", "until_s", "told_of"),
    [
        # As the link comes at 4.33 s, the others step from their presets to their rests by 7 us.
        (4.33, 4.80, True),
        # A few frames after they step, sooner than a hand answers.
        (4.41, 4.80, True),
        # While the transmitter boots, before any output shows the link.
        (4.05, 4.20, True),
        # Alone, after the link was seen to come: a switch that a hand moved looks the same.
        (4.60, 5.20, False),
        # Of one frame and of four, with the others as the link comes.
        (4.33, 4.34, True),
        (4.33, 4.40, True),
        # Alone and of a few frames: a glitch looks the same.
        (4.05, 4.10, False),
    ],
)
def test_a_weapon_that_leaps_alone_up_to_the_first_link_is_a_hazard(from_s, until_s, told_of):
    before = {name: rest + 7.0 for name, rest in REST.items()}
    found = check(leaping(guided(before=before, spans=GUIDED[:8]), "RX3", from_s, until_s, 1650.0))
    first = [h for h in found.hazards if h.kind is HazardKind.FIRST_LINK and "RX3" in h.lines]
    assert [from_s <= h.at_s < until_s for h in first] == ([True] if told_of else [])


@pytest.mark.parametrize(
    ("from_s", "until_s", "lines", "verdict"),
    [
        # The transmitter is on at 4 s. At 4.33 s the others step from their presets to their rests.
        (4.05, 4.20, ["RX3"], OPEN),
        (4.20, 4.33, ["RX3"], OPEN),
        (4.33, 4.80, ["RX3"], MEETS),
        # Two outputs leap together, sooner than the link comes after any loss.
        (4.05, 4.10, ["RX1", "RX3"], OPEN),
    ],
)
def test_a_weapon_that_runs_while_the_transmitter_first_boots_may_have_no_link(
    from_s, until_s, lines, verdict
):
    capture = guided(before={name: rest + 7.0 for name, rest in REST.items()}, spans=GUIDED[:-8])
    for line in lines:
        capture = leaping(capture, line, from_s, until_s, 1650.0)
    found = check(capture)
    assert {line.line: line.verdict for line in found.lines} == {
        line: verdict if line in lines else MEETS for line in REST
    }
    assert told(capture)[LinkState.NEVER_LINKED, "RX3"].verdict is verdict
    assert json.loads(failsafe_json(found))["verdict"] == found.verdict.value
    # Less known: its output alone, and no loss but the first.
    alone = {name: capture.lines[name] for name in ("RX3", "tx-on")}
    end_ps = round(17.9 * PS)
    cut = {
        name: replace(line, edges_ps=line.edges_ps[line.edges_ps < end_ps])
        for name, line in capture.lines.items()
    }
    short = replace(capture, lines=cut, duration_ps=end_ps)
    assert check(replace(capture, lines=alone)).verdict is not MEETS
    assert check(short).verdict is not MEETS or verdict is MEETS


@pytest.mark.parametrize(("until_s", "verdict"), [(6.4, OPEN), (6.9, MEETS)])
def test_what_stays_as_a_stick_is_seen_to_move_was_a_switch(until_s, verdict):
    """No output shows the link by a step: another stick moves from 6.5 s on."""
    capture = leaping(guided(before=REST, spans=GUIDED[:-8]), "RX3", 6.0, until_s, 1650.0)
    own = capture.lines["RX1"]
    edges_ps = own.edges_ps.copy()
    way_us = np.interp(edges_ps[::2] / PS, [6.5, 6.8, 7.2, 7.5], [0.0, 200.0, 200.0, 0.0])
    edges_ps[1::2] += np.rint(way_us * 1e6).astype(np.int64)
    capture = replace(capture, lines={**capture.lines, "RX1": replace(own, edges_ps=edges_ps)})
    weapon = next(line for line in check(capture).lines if line.line == "RX3")
    assert weapon.verdict is verdict


@pytest.mark.parametrize(
    ("from_s", "ways_us", "told_of"),
    [
        # Seconds after the link has come at 4.33 s, as a quick thumb moves a stick.
        (5.5, (80.0, 170.0, 250.0), []),
        (5.5, (60.0, 140.0), []),
        # As the link comes, and before: a receiver may go to a held stick so.
        (4.33, (80.0, 170.0, 250.0), ["RX1", "RX2"]),
        (4.05, (80.0, 170.0, 250.0), ["RX1", "RX2"]),
        # Further in one frame than a stick goes, or further first than then, or to and fro.
        (5.5, (260.0, 330.0), ["RX1", "RX2"]),
        (5.5, (160.0, 210.0, 250.0), ["RX1", "RX2"]),
        (5.5, (120.0, 80.0, 250.0), ["RX1", "RX2"]),
        (5.5, (250.0,), ["RX1", "RX2"]),
    ],
)
def test_a_stick_that_moves_two_drives_after_the_link_is_no_leap(from_s, ways_us, told_of):
    capture = guided(before={n: rest + 7.0 for n, rest in REST.items()}, spans=GUIDED[:8])
    for line, sign in (("RX1", 1.0), ("RX2", -1.0)):
        for k, way_us in enumerate(ways_us):
            begin_s = from_s + FRAME_S * k
            end_s = from_s + 0.6 if k == len(ways_us) - 1 else begin_s + FRAME_S
            capture = leaping(capture, line, begin_s, end_s, REST[line] + sign * way_us)
    hazards = [h for h in check(capture).hazards if h.kind is HazardKind.FIRST_LINK]
    assert sorted(line for h in hazards for line in h.lines) == told_of


def test_a_weapon_that_leaps_every_second_frame_as_the_link_comes_is_a_hazard():
    before = {name: rest + 7.0 for name, rest in REST.items()}
    found = guided(before=before, spans=GUIDED[:8])
    for k in range(3):
        found = leaping(found, "RX3", 4.33 + 0.04 * k, 4.345 + 0.04 * k, 1650.0)
    told = [h for h in check(found).hazards if h.kind is HazardKind.FIRST_LINK]
    assert [h.at_s < 4.35 for h in told if "RX3" in h.lines] == [True]


def test_a_weapon_that_leaps_before_the_others_jump_together_is_a_hazard():
    """On a receiver of its own it is back first; found by a study of boots."""
    before = {name: rest + (0.0 if name == "RX3" else 200.0) for name, rest in REST.items()}
    found = check(leaping(guided(before=before, spans=GUIDED[:8]), "RX3", 4.05, 4.80, 1650.0))
    first = [h for h in found.hazards if h.kind is HazardKind.FIRST_LINK and "RX3" in h.lines]
    assert [4.05 <= h.at_s < 4.1 for h in first] == [True]


@pytest.mark.parametrize(("from_s", "is_loss"), [(4.33, False), (7.33, True)])
def test_widths_sent_first_at_the_first_link_are_no_loss(from_s, is_loss):
    """Outputs that stood since before the marker's first on go to where no loss puts them."""
    before = {name: rest + 7.0 for name, rest in REST.items()}
    capture = guided(before=before, spans=GUIDED[:8])
    for line, to_us in (("RX1", 1700.0), ("RX3", 1650.0)):
        capture = leaping(capture, line, from_s, from_s + 1.2, to_us)
    found = check(capture)
    events = [event for line in found.lines for _, event in line.losses]
    assert events
    assert any(not event.is_marked for event in events) is is_loss


@pytest.mark.parametrize("frames", [1, 2])
def test_a_short_leap_as_the_link_is_back_is_not_left_out(good, frames):
    """The last return finds the sticks at rest; each return there but this stood still."""
    assert good[LinkState.BACK_AT_REST, "RX3"].verdict is MEETS
    capture = guided(before={name: rest + 7.0 for name, rest in REST.items()})
    cells = told(leaping(capture, "RX3", 138.3, 138.3 + frames * FRAME_S, 1650.0))
    assert cells[LinkState.BACK_AT_REST, "RX3"].verdict is OPEN
    assert cells[LinkState.BACK_AT_REST, "RX1"].verdict is MEETS


def test_a_device_without_a_pin_is_told_by_its_rotor():
    """The shipped board stops ten times out of ten; its sticks at the return are not recorded."""
    captures = Path(__file__).parents[3] / "captures"
    board = pwmscope.analyse(captures / "one-board.csv.gz", sheet=captures / "one-board.toml")
    cells = {cell.state: cell for cell in link_states(board.failsafe)}
    lost = cells.pop(LinkState.LOST)
    assert (lost.verdict, lost.seen) == (Verdict.MEETS, 10)
    assert {cell.verdict for cell in cells.values()} == {Verdict.NOT_SHOWN}
