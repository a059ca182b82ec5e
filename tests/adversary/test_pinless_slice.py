"""A fixed slice of the study of boards without pins; the whole study is `pinless_study.py`.

Given a rotor, a marker and a supply, a motor that runs on never meets, one that stops mostly does,
and whatever is taken away makes no device meet.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pwmscope
from pwmscope.bench import parse_sheet
from pwmscope.findings.failsafe import Cause
from pwmscope.model import HazardKind

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary.pinless_study import Draft, ask, draft, perform, sheet_text, study, verdict_of

LESS = ({"sensor": True}, {"marker": True}, {"kind": True}, {"marks": True}, {"device": True})
FEW = settings(max_examples=5, deadline=None, derandomize=True, database=None)
GOOD = Draft(losses=8, react_s=0.4)


def test_no_motor_that_runs_on_meets_and_most_that_stop_do() -> None:
    told = study(range(24))
    assert told["draws"] == 24
    assert told["false meets"] == 0
    assert told["false failures"] == 0
    meets, open_ = (told[f"well performed, safe: {v}"] for v in ("meets", "not shown"))
    assert meets >= 3 * open_
    assert told["well performed, unsafe: does not meet"] >= 2


@FEW
@given(seed=st.integers(0, 500), left_out=st.sampled_from(LESS))
def test_a_sheet_that_says_less_never_makes_it_meet(seed: int, left_out: dict[str, bool]) -> None:
    made = draft("well performed", seed, unsafe=False)
    assert verdict_of(ask(made, perform(made, seed), **left_out)) != "meets"


@FEW
@given(seed=st.integers(0, 500), line=st.sampled_from(("D6", "tx-on")))
def test_a_line_taken_away_never_makes_it_meet(seed: int, line: str) -> None:
    made = draft("well performed", seed, unsafe=False)
    assert verdict_of(ask(made, perform(made, seed), (line,))) != "meets"


def test_its_supply_or_another_output_must_show_that_it_kept_its_power() -> None:
    take = perform(GOOD, 3)
    assert verdict_of(ask(GOOD, take)) == "meets"
    assert verdict_of(ask(GOOD, take, ("V5",))) == "not shown"


@pytest.mark.parametrize(("family", "is_told"), [("well performed", True), ("thumb slips", False)])
def test_a_motor_that_turns_as_the_link_is_back_is_a_hazard(family: str, is_told: bool) -> None:
    """A stick that is held until then turns it as soon each time; one that is pushed later not."""
    made = draft(family, 6, unsafe=False)
    hazards = [h for h in ask(made, perform(made, 6)).hazards if h.kind is HazardKind.STICK_HELD]
    assert [(h.lines, h.times, h.width_us) for h in hazards] == (
        [(("M1",), made.losses, None)] if is_told else []
    )


@FEW
@given(seed=st.integers(0, 500), beside=st.sampled_from(("supply", "spare", "nothing")))
def test_a_motor_that_keeps_turning_does_not_meet_whatever_else_is_open(
    seed: int, beside: str
) -> None:
    made = draft("well performed", seed, unsafe=True)
    made.board, made.beside = "holds", beside
    analysis = ask(made, perform(made, seed))
    assert verdict_of(analysis) == "does not meet"
    assert analysis.failsafe.verdict.value == "does not meet"
    assert "M1" in str([action.sentence for action in analysis.actions])


@pytest.mark.parametrize("board", ["starts again", "starts in the loss", "runs before the link"])
def test_a_motor_that_begins_to_turn_without_a_link_does_not_meet(board: str) -> None:
    made = Draft(board=board, losses=4)
    assert verdict_of(ask(made, perform(made, 8))) == "does not meet"


def test_times_are_those_of_the_rotor() -> None:
    made = Draft(losses=8, react_s=0.5, down_s=0.1, top_hz=20.0)
    take = perform(made, 5)
    (line,) = (own for own in ask(made, take).failsafe.lines if own.line == "M1")
    slow_s = [event.stop.slow_s for _, event in line.rotor_losses]
    assert len(slow_s) == len(take.slow_s) == 8
    for told, true_s in zip(slow_s, take.slow_s, strict=True):
        assert told is not None
        assert told[0] - 0.1 <= true_s <= told[1]
    # The switch, then the boot: the bench lets it run again 0.6 s after.
    again_s = [event.again_s for _, event in line.rotor_losses]
    assert np.median([s for s in again_s if s is not None]) == pytest.approx(0.65, abs=0.1)


def open_causes(analysis):
    """The other causes that some loss of M1 leaves open, and the verdicts of its losses."""
    (line,) = (own for own in analysis.failsafe.lines if own.line == "M1")
    events = [event for _, event in line.rotor_losses]
    causes = {a.cause for event in events for a in event.alternatives if not a.refuted}
    return causes, {event.verdict.value for event in events}


@pytest.mark.parametrize(
    ("changes", "cause"),
    [
        ({"link_goes": False, "hold": "lets go", "scatter_s": 0.06}, Cause.HAND),
        ({"pushes": "never"}, Cause.REVERSED_MARKER),
        ({"before": "let go"}, Cause.HELD),
        ({"power": "relay"}, Cause.SUPPLY),
        ({"off_more_s": -0.3}, Cause.BACK_EARLY),
    ],
)
def test_one_other_cause_that_is_left_open_keeps_every_loss_from_meeting(changes, cause) -> None:
    assert open_causes(ask(GOOD, perform(GOOD, 3))) == (set(), {"meets"})
    made = replace(GOOD, **changes)
    causes, verdicts = open_causes(ask(made, perform(made, 3)))
    assert cause in causes
    assert verdicts == {"not shown"}


def test_a_second_supply_that_sags_in_the_losses_is_not_made_good_by_one_that_holds() -> None:
    take, sheet = perform(GOOD, 3), sheet_text(GOOD)
    second = '[channels.V9]\nrole = "supply"\ntrips_v = 4.5\n'
    marker_ps, is_on = take.edges["tx-on"]
    offs_ps = marker_ps[is_on ^ 1 :: 2]
    sag_ps = np.stack([offs_ps + 2 * 10**11, offs_ps + 3 * 10**11], axis=1).ravel()
    for edges_ps, left, told in (
        (sag_ps[:0], set(), "meets"),
        (sag_ps, {Cause.SUPPLY}, "not shown"),
    ):
        lines = take.edges | {"V9": (edges_ps, 1)}
        capture = pwmscope.Capture(
            {name: pwmscope.Line(name, *held) for name, held in lines.items()},
            round(take.duration_s * 1e12), 1e6, "two supplies",
        )  # fmt: skip
        found = pwmscope.analyse(capture, sheet=parse_sheet(sheet + second))
        assert open_causes(found) == (left, {told})


def test_a_rotor_that_starts_only_while_the_marker_says_off_contradicts_it() -> None:
    made = replace(GOOD, says="low")
    assert verdict_of(ask(made, perform(made, 3))) == "not shown"


def test_without_the_kind_of_its_marker_no_loss_meets() -> None:
    _, verdicts = open_causes(ask(GOOD, perform(GOOD, 3), kind=True))
    assert verdicts == {"not shown"}


def test_a_throttle_cut_for_a_marker_does_not_show_that_the_link_went() -> None:
    made = Draft(hold="lets go", hand_s=0.03, scatter_s=0.004, link_goes=False)
    assert verdict_of(ask(made, perform(made, 4))) == "not shown"


def test_marks_that_end_at_full_speed_each_time_may_be_those_of_a_sensor_switched_off() -> None:
    take = perform(GOOD, 3)
    changes_ps, level = take.edges["tx-on"]
    marks_ps = take.edges["D6"][0].reshape(-1, 2)
    for off_ps, on_ps in changes_ps[1 - level :].reshape(-1, 2):
        gone = (marks_ps[:, 0] > off_ps + 0.38e12) & (marks_ps[:, 0] < on_ps)
        marks_ps = marks_ps[~gone]
    take.edges["D6"] = (marks_ps.ravel(), 0)
    assert verdict_of(ask(GOOD, take)) == "not shown"


def test_a_rotor_that_turns_sooner_than_any_return_may_have_run_before_the_link() -> None:
    made = Draft(losses=8, react_s=0.4, boot_s=1.0)
    take = perform(made, 3)
    changes_ps = take.edges["tx-on"][0]
    begun_ps = int(take.edges["D6"][0][0])
    told = []
    for sooner_s in (1.5, 0.3):
        first_on = [begun_ps - round(sooner_s * 1e12)]
        own = changes_ps[changes_ps > begun_ps]
        take.edges["tx-on"] = (np.concatenate([first_on, own]), 0)
        told.append(verdict_of(ask(made, take)))
    assert told == ["meets", "not shown"]
