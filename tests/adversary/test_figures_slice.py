"""A fixed slice of the figures' study, and hand-computed cases of the generator's own truth.

Given these recordings with this known truth, this must be found; the whole study is a command
(`adversary.figures_study`).
The rules of the slice are those of FIGURES.md, with the room that so few
recordings need: a share breaks a rule only where its 99.9 % Clopper-Pearson bound does.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))

from adversary import figures_judge, figures_mixing, figures_rest, figures_study
from adversary.figures_truth import Dwells, clock_figures, inner, middle
from adversary.signal_bench import (
    JITTERS,
    MOVING,
    Analyser,
    Pulses,
    Script,
    Transmitter,
    jitter,
    lagging,
    pace,
    receive,
)
from adversary.signal_drive import MIX, SWAP, Chain

SEED = 20
SLICE = [(rate, kind) for rate in (1e6, 24e6) for kind in ("none", "gauss", "sine", "interrupt")]


# --- the slice: what pwmscope says ------------------------------------------------------------


@pytest.fixture(scope="module")
def kept() -> list[dict[str, Any]]:
    return [figures_study.one(rate, kind, SEED, n) for rate, kind in SLICE for n in range(5)]


def at_least(good: int, of: int, share: float) -> bool:
    """Whether so many of so many do not refute a share, at 99.9 %."""
    return figures_judge.upper(good, of) >= share


@pytest.mark.parametrize("figure", figures_judge.FIGURES)
def test_intervals_hold_the_truth(kept: list[dict[str, Any]], figure: str) -> None:
    inside = [x for cell in figures_judge.gather(kept)[figure].values() for x in cell.inside]
    assert inside, "no interval was stated"
    assert at_least(sum(inside), len(inside), 0.93), f"{sum(inside)} of {len(inside)} hold"


@pytest.mark.parametrize("figure", figures_judge.FIGURES)
def test_figures_are_told(kept: list[dict[str, Any]], figure: str) -> None:
    cells = figures_judge.gather(kept)[figure].values()
    told, wanted = sum(cell.told for cell in cells), sum(cell.wanted for cell in cells)
    assert at_least(told, wanted, figures_judge.MIN_TOLD.get(figure, 0.95))


def test_no_verdict_is_wrong(kept: list[dict[str, Any]]) -> None:
    rows, _ = figures_judge.verdicts(kept, figures_judge.gather(kept))
    assert all("| 0 (" in row for row in rows), "\n".join(rows)


def test_no_jitter_is_invented(kept: list[dict[str, Any]]) -> None:
    checks = figures_judge.invented(kept)
    assert all(check.passed for check in checks), "\n".join(check.row() for check in checks)


def test_nothing_is_misread(kept: list[dict[str, Any]]) -> None:
    checks = figures_judge.misread(kept)
    assert all(check.passed for check in checks), "\n".join(check.row() for check in checks)


def test_steps_deadbands_and_curves_are_right(kept: list[dict[str, Any]]) -> None:
    rows, passed = figures_judge.statements(kept)
    assert passed, "\n".join(rows)


@pytest.mark.parametrize("number", range(1, 9))
def test_mixing_advice_drives_right_where_it_points(number: int) -> None:
    outcome, about = figures_mixing.judge(14, number)
    assert outcome in ("right", "no advice"), about


@pytest.mark.parametrize("number", [34, 38, 79, 91])
def test_a_weapon_that_rests_at_half_speed_is_never_called_right(number: int) -> None:
    outcome, about = figures_rest.judge(14, number, planned=False)
    assert about["rest_us"] > figures_rest.STOPS_US
    assert not outcome.startswith("WRONG"), about


@pytest.mark.parametrize("number", range(3))
def test_with_a_plan_neither(number: int) -> None:
    outcome, about = figures_rest.judge(SEED, number, planned=True)
    assert not outcome.startswith(("WRONG", "refused")), about


# --- the generator's own truth ----------------------------------------------------------------


def test_a_hand_is_where_its_script_says() -> None:
    script = Script(1.0)
    script.move(1.0, 0.5, "even", "high", 2.0)
    script.move(0.0, 1.0, "minimum-jerk", "neutral", 1.0)
    hand = script.hand()
    position, held = hand.at(np.array([0.5, 1.25, 1.5, 3.4, 4.0, 4.6]))
    # 0.25 s of 0.5 s gone: half way; a minimum-jerk move is half way at half its time
    assert position == pytest.approx([0.0, 0.5, 1.0, 1.0, 0.5, 0.0])
    assert held.tolist() == [0, MOVING, 1, 1, MOVING, 2]
    assert hand.end_s == pytest.approx(5.5)
    assert [hand.kind[1], hand.side[1], hand.side[2]] == ["high", -1, 1]


@pytest.mark.parametrize("name", ["even", "minimum-jerk", "bell", "eased", "let go"])
def test_every_pace_begins_at_0_and_ends_at_1(name: str) -> None:
    assert pace(name, np.array([0.0, 1.0])) == pytest.approx([0.0, 1.0])


def test_widths_of_a_transmitter_by_hand() -> None:
    sender = Transmitter(low_us=-400, high_us=500, trim_us=10, expo=0.5, deadband=0.2)
    # s = (0.55 - 0.1) / 0.9 = 0.5; 0.5 * 0.5 + 0.5 * 0.125 = 0.3125
    assert sender.widths(np.array([0.05, 0.55, -0.55, 1.0])) == pytest.approx(
        [1510.0, 1510 + 0.3125 * 500, 1510 - 0.3125 * 400, 2010.0]
    )
    # 0.2 of the stick, times 450 us (1 - 0.5) / 0.9
    assert sender.deadband_us() == pytest.approx(0.2 * 450 * 0.5 / 0.9)
    stepped = Transmitter(step_us=4.0, phase_us=1.0).widths(np.array([0.0, 0.01]))
    assert stepped.tolist() == [1501.0, 1505.0]  # 1500 and 1505, to the nearest of 1497, 1501, 1505


def test_pooled_deviation_and_levels_by_hand() -> None:
    width = np.array([1.0, 3.0, 99.0, 10.0, 14.0])
    held = np.array([0, 0, MOVING, 2, 2])
    dwells = Dwells(width, held)
    # (1 + 1 + 4 + 4) / (1 + 1) = 5
    assert dwells.rms() == pytest.approx(np.sqrt(5.0))
    assert dwells.over(np.array([True, True])) == pytest.approx(7.0)


def test_clock_figures_by_hand() -> None:
    # periods 10, 11, 9; changes 1, -2; line 0.1 + 10.1 n, off by -0.1, -0.2, 0.7, -0.4
    assert clock_figures(np.array([0.0, 10.0, 21.0, 30.0])) == pytest.approx(
        {
            "frame period": 10.0,
            "period jitter": 1.0,
            "cycle-to-cycle jitter": np.sqrt(2.5),
            "time interval error": np.sqrt(0.70 / 2),
        }
    )


def test_trimming_and_middle_halves_by_hand() -> None:
    held = np.array([MOVING] * 3 + [5] * 20)
    assert np.flatnonzero(inner(held) & (held == 5)).tolist() == list(
        range(7, 19)
    )  # 2 + 2 off each end
    assert np.flatnonzero(middle(held) & (held == 5)).tolist() == list(range(8, 18))


def test_an_analyser_times_an_edge_by_the_first_sample_after_it() -> None:
    sampler = Analyser(1e6, 0.0, 0.0)
    edges_ps, rise, width = sampler.sample(np.array([10.2]), np.array([1500.5]))
    assert (edges_ps[1] - edges_ps[0]) / 1e6 == pytest.approx(1500.0)  # samples 11 and 1511
    assert width.tolist() == [1500.0]
    assert rise[0] - 10.2 == pytest.approx(1.8)  # its sample, and the one by which time starts
    fast = Analyser(1e6, 100.0, 0.0)
    assert fast.sample(np.array([0.5]), np.array([1e6]))[2][0] == pytest.approx(1_000_100.0)


@pytest.mark.parametrize("kind", [kind for kind in JITTERS if kind not in ("none", "interrupt")])
def test_jitter_has_the_rms_asked_for(kind: str) -> None:
    values = np.concatenate([jitter(kind, 4000, 2.0, np.random.default_rng(n)) for n in range(20)])
    assert values.std() == pytest.approx(2.0, rel=0.05)


def lines_of(*, sequential: bool) -> list[Pulses]:
    hand = Script(5.0).hand()
    frames = 1_000.0 + 20_000.0 * np.arange(100)
    return receive(
        [hand, hand],
        [Transmitter(), Transmitter(trim_us=100.0)],
        frames,
        np.random.default_rng(1),
        kind="gauss",
        width_rms_us=1.0,
        start_rms_us=2.0,
        sequential=sequential,
        apart_us=7.0,
    )


def test_the_next_pulse_of_a_sequential_receiver_starts_where_the_one_before_ends() -> None:
    first, second = lines_of(sequential=True)
    assert second.rise_us - first.fall_us == pytest.approx(np.full(100, 7.0))
    parallel = lines_of(sequential=False)
    assert (parallel[1].rise_us - parallel[0].rise_us).mean() == pytest.approx(7.0, abs=1.2)


def test_a_buffered_device_carries_an_older_pulse() -> None:
    source, _ = lines_of(sequential=False)
    device = lagging(
        source,
        np.random.default_rng(2),
        waits_for="end",
        late_us=300.0,
        gain=-0.5,
        period_us=20_000.0,
        buffered=2,
    )
    n = device.carried
    assert n[0] == 0
    assert device.rise_us == pytest.approx(source.fall_us[n + 2] + 300.0)
    assert device.width_us == pytest.approx(1500.0 - 0.5 * (source.width_us[n] - 1500.0))


def test_what_drives_right() -> None:
    assert Chain(transmitter_mixes=True).drives_right()
    assert Chain(has_converter=True, converter_mixes=True).drives_right()
    assert not Chain().drives_right()
    assert not Chain(
        transmitter_mixes=True, has_converter=True, converter_mixes=True
    ).drives_right()
    assert not Chain(transmitter_mixes=True, plugs=SWAP).drives_right()
    assert (MIX @ MIX).tolist() == [[2.0, 0.0], [0.0, 2.0]]


def test_the_place_of_the_mixing_matters_where_channels_are_swapped() -> None:
    swapped = Chain(channels=SWAP)
    assert swapped.changed(transmitter_mixes=True, plugs=SWAP).drives_right()
    in_converter = swapped.changed(has_converter=True, converter_mixes=True)
    assert not in_converter.changed(plugs=SWAP).drives_right()  # spins the wrong way
    assert not in_converter.drives_right()
    assert in_converter.changed(channels=np.eye(2)).drives_right()


def test_what_counts_as_a_wrong_statement() -> None:
    truth = {"step": 2.0, "deadband_us": 30.0, "expo": 0.3}
    assert figures_judge.wrong_step(truth, [1.0, 0.99, 1.01])
    assert not figures_judge.wrong_step(truth, [2.001, 2.0, 2.002])
    assert figures_judge.wrong_deadband(truth, [51.5, 50.0, 53.0])
    assert not figures_judge.wrong_deadband(truth, [0.0, 0.0, 35.0])  # none of 35 us or more
    assert figures_judge.wrong_curve(truth, ["curved, sharper round neutral", None, None])
    assert not figures_judge.wrong_curve(truth, ["curved, softer round neutral", None, None])
