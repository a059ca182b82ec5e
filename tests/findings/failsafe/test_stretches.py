"""Stretches around a loss: given these pulses, what stands, moves, wanders or is quiet."""

import numpy as np
import pytest

from pwmscope.findings.failsafe import Known, Loss
from pwmscope.findings.failsafe.losses import Moment
from pwmscope.findings.failsafe.segments import Kind, Tolerance, find_parts, find_stretches
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable

S, M, W, Q = Kind.STANDS, Kind.MOVES, Kind.WANDERS, Kind.QUIET
FRAME_S = 0.02
TOLERANCE = Tolerance(1.0, 9.0, 1.0, 1.0, FRAME_S, 0.2)


def parts(width_us, *, frame_s=FRAME_S, rise_s=None, parted=(), turns=(), tolerance=TOLERANCE):
    """Kinds, lengths and jumps of the parts of a series."""
    width_us = np.asarray(width_us, float)
    rise_s = frame_s * np.arange(width_us.size) if rise_s is None else np.asarray(rise_s)
    is_parted = np.zeros(width_us.size, dtype=bool)
    is_parted[[0, *parted]] = True
    is_turn = np.zeros(width_us.size, dtype=bool)
    is_turn[list(turns)] = True
    found = find_parts(rise_s, width_us, is_parted, is_turn, tolerance)
    kinds = [
        "S" if s else ("M" if m else "W") for s, m in zip(found.stands, found.smooth, strict=True)
    ]
    return list(zip(kinds, found.count.tolist(), found.jumped.tolist(), strict=True)), found


def told(*args, **more):
    return parts(*args, **more)[0]


def level(count, width_us):
    return [width_us] * count


# --- standing ---


@pytest.mark.parametrize(("count", "kind"), [(6, "S"), (5, "M")])
def test_six_pulses_at_one_level_stand(count, kind):
    series = level(20, 1700.0) + level(count, 1500.0) + [1400.0, 1300.0, 1200.0, 1100.0]
    assert ("S", count, True) in told(series) if kind == "S" else told(series)[0][1] == 20
    assert (len(told(series)) == 3) is (kind == "S")


@pytest.mark.parametrize(("range_us", "stands"), [(9.0, True), (9.1, False)])
def test_a_window_stands_that_ranges_over_no_more_than_one_level(range_us, stands):
    series = [1500.0, 1500.0 + range_us] * 3
    assert (told(series) == [("S", 6, False)]) is stands


@pytest.mark.parametrize(("step_us", "stands"), [(3.76, True), (3.78, False)])
def test_the_means_of_its_halves_agree_within_four_deviations(step_us, stands):
    """4 * 1 us * sqrt(2 / 3) + half a sample of 1 us = 3.766 us."""
    series = level(3, 1500.0) + level(3, 1500.0 + step_us)
    assert (told(series)[0][0] == "S") is stands


def test_windows_that_overlap_are_one_stretch_and_a_step_parts_two():
    series = level(30, 1700.0) + level(30, 1500.0)
    kinds, found = parts(series)
    assert kinds == [("S", 30, False), ("S", 30, True)]
    assert found.level_us.tolist() == [1700.0, 1500.0]
    assert found.pace_us.tolist() == [0.0, 0.0]
    assert found.first.tolist() == [0, 30]


@pytest.mark.parametrize(("per_pulse_us", "kind"), [(0.1, "S"), (0.4, "M")])
def test_what_drifts_as_a_whole_moves_although_each_window_stands(per_pulse_us, kind):
    series = 1500.0 + per_pulse_us * np.arange(60)
    assert [part[0] for part in told(series)] == [kind]


def test_what_goes_slowly_away_and_comes_back_does_not_stand():
    """Each window stands, and both ends lie at one level: a stick raised, then a ramp to rest."""
    up, down = 1500.0 + 0.5 * np.arange(60), 1530.0 - 0.25 * np.arange(120)
    series = np.concatenate([level(30, 1500.0), up, level(40, 1530.0), down, level(60, 1500.0)])
    kinds, found = parts(series)
    assert [kind for kind, _, _ in kinds] == ["S", "M", "S", "M", "S"]
    assert found.level_us[[0, 2, 4]] == pytest.approx([1500.0, 1530.0, 1500.0], abs=3.0)


@pytest.mark.parametrize(("away_us", "kinds"), [(8.9, ["S"]), (9.2, ["S", "M", "S"])])
def test_an_excursion_within_one_level_still_stands(away_us, kinds):
    """Means of six pulses that range over 9 us are one level."""
    there = np.linspace(0.0, away_us, 40)
    series = 1500.0 + np.concatenate([np.zeros(8), there, level(8, away_us), there[::-1]])
    assert ([kind for kind, _, _ in told(series)] == ["S"]) is (kinds == ["S"])


def test_a_slow_drift_between_two_stands_is_cut_out_through_longer_windows():
    series = np.concatenate(
        [np.full(200, 1500.0), 1500.0 + 0.5 * np.arange(1, 121), np.full(200, 1560.0)]
    )
    kinds = told(series)
    assert [kind for kind, _, _ in kinds] == ["S", "M", "S"]
    assert kinds[1][1] == pytest.approx(120, abs=30)
    assert not kinds[2][2]


def test_a_pause_parts_what_stands():
    series = level(20, 1500.0)
    assert told(series, parted=[10]) == [("S", 10, False), ("S", 10, False)]
    assert told(level(10, 1700.0) + level(10, 1500.0), parted=[10])[1] == ("S", 10, False)


def test_fewer_pulses_than_a_window_are_no_stand():
    assert [part[0] for part in told(level(3, 1500.0))] != ["S"]


def test_a_few_pulses_beside_a_stand_at_its_level_belong_to_it():
    """Two of them after a pause: too few to stand alone."""
    series = level(20, 1500.0) + level(3, 1503.0)
    assert [part[0] for part in told(series, parted=[20])] == ["S", "S"]
    away = level(20, 1500.0) + level(3, 1510.0)
    assert [part[0] for part in told(away, parted=[20])] == ["S", "M"]


# --- jumps ---


def stepped(took_s, *, frame_s=FRAME_S, later_s=FRAME_S, between=()):
    """Ten pulses at 1700 us, perhaps some between, and ten at 1500 us that begin so much later."""
    begin_s = frame_s * np.arange(10)
    last_s = begin_s[-1] + took_s
    on_way = begin_s[-1] + took_s * np.arange(1, len(between) + 1) / (len(between) + 1)
    rise_s = np.concatenate([begin_s, on_way, last_s + later_s * np.arange(10)])
    widths_us = level(10, 1700.0) + list(between) + level(10, 1500.0)
    return told(widths_us, rise_s=rise_s)[-1]


@pytest.mark.parametrize(("took_s", "jumped"), [(0.0639, True), (0.0641, False)])
def test_two_frames_may_be_missing_where_the_width_jumps(took_s, jumped):
    """Up to 3.2 frames of 20 ms."""
    assert stepped(took_s) == ("S", 10, jumped)


@pytest.mark.parametrize(("took_s", "jumped"), [(0.0749, True), (0.0751, False)])
def test_frames_that_are_slower_on_either_side_are_the_next_up_to_half_as_long_again(
    took_s, jumped
):
    assert stepped(took_s, later_s=0.05)[2] is jumped
    assert stepped(took_s, frame_s=0.05)[2] is jumped


@pytest.mark.parametrize(("took_s", "jumped"), [(0.1299, True), (0.1301, False)])
def test_frames_that_slow_down_are_followed_up_to_a_period(took_s, jumped):
    assert stepped(took_s, later_s=0.1)[2] is jumped


def test_levels_within_the_range_do_not_jump():
    series = level(10, 1500.0) + level(10, 1508.9)
    assert all(not jumped for _, _, jumped in told(series))
    assert told(level(10, 1500.0) + level(10, 1509.2))[-1][2]


@pytest.mark.parametrize(("frame_s", "jumped"), [(0.0149, True), (0.0151, False)])
def test_a_pulse_on_the_way_is_a_jump_still_where_no_hand_is_so_fast(frame_s, jumped):
    """Two frames of up to 15 ms: 30 ms."""
    tolerance = Tolerance(1.0, 9.0, 1.0, 1.0, frame_s, 0.2)
    series = [*level(10, 1700.0), 1600.0, *level(10, 1500.0)]
    found = told(series, frame_s=frame_s, tolerance=tolerance)
    assert found[-1] == ("S", 10, jumped)
    assert found[1][1] == 1


def test_it_is_none_where_a_frame_is_missing_on_the_way():
    """A frame of 5 ms, and 7.6 ms of two of them: one is missing."""
    tolerance = Tolerance(1.0, 9.0, 1.0, 1.0, 0.005, 0.2)
    series = [*level(10, 1700.0), 1600.0, *level(10, 1500.0)]
    rise_s = 0.005 * np.arange(21.0)
    for late_s, jumped in ((0.0024, True), (0.0026, False)):
        shifted_s = rise_s + late_s * (np.arange(21) >= 11)
        assert told(series, rise_s=shifted_s, tolerance=tolerance)[-1][2] is jumped


# --- movement ---


def test_a_hand_moves_on_in_one_direction_and_noise_does_not():
    up = 1500.0 + 12.0 * np.arange(30)
    assert told(up) == [("M", 30, False)]
    rng = np.random.default_rng(4)
    assert told(1500.0 + rng.normal(0.0, 60.0, 200))[0][0] == "W"
    zigzag = 1500.0 + 50.0 * (np.arange(60) % 2)
    assert told(zigzag)[0][0] == "W"


def test_a_stick_that_sweeps_there_and_back_is_smooth():
    time_s = FRAME_S * np.arange(200)
    kinds = told(1500.0 + 300.0 * np.sin(2.5 * time_s))
    assert {kind for kind, _, _ in kinds} == {"M", "S"}  # it stands where it turns
    assert sum(count for kind, count, _ in kinds if kind == "M") > 150


@pytest.mark.parametrize(("widths_us", "kind"), [
    ([1600.0, 1550.0], "M"),
    ([1600.0, 1650.0], "W"),
    ([1600.0, 1550.0, 1600.0], "W"),
])  # fmt: skip
def test_in_a_few_pulses_all_steps_must_agree_those_in_and_out_included(widths_us, kind):
    series = level(20, 1700.0) + widths_us + level(20, 1500.0)
    assert told(series)[1][0] == kind


def test_steps_within_the_noise_do_not_count():
    """Three deviations of 1 us."""
    series = [*level(20, 1700.0), 1650.0, 1652.9, 1600.0, *level(20, 1500.0)]
    assert told(series)[1][0] == "M"
    series[21] = 1653.1
    assert told(series)[1][0] == "W"


# --- around losses ---


def table_of(rise_s, width_us, flags=None, interval_us=1.0):
    rise_s, width_us = np.asarray(rise_s, float), np.asarray(width_us, float)
    flags = np.zeros(rise_s.size, np.uint8) if flags is None else np.asarray(flags, np.uint8)
    period_us = np.append(np.diff(rise_s) * 1e6, np.nan)
    return PulseTable("RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, interval_us)


def loss_at(lost_s, back_s):
    return Loss(lost_s, back_s, True, Moment(Known.MARKED, 0.0, None), frozenset({"RX1"}), "")


LOSS = loss_at(10.0, 14.0)


def around(*points, losses=(LOSS,), noise_us=0.3, end_s=20.0, gaps=(), stray=(), **more):
    """Widths along points of time and width, with pauses."""
    rise_s = np.arange(0.004, end_s - 0.01, FRAME_S)
    for begin_s, until_s in gaps:
        rise_s = rise_s[(rise_s < begin_s) | (rise_s >= until_s)]
    width_us = np.interp(rise_s, *np.array(points).T)
    for time_s, value_us in stray:
        width_us[np.searchsorted(rise_s, time_s)] = value_us
    width_us += np.random.default_rng(2).normal(0.0, noise_us, rise_s.size)
    table = table_of(rise_s, width_us, **more)
    return find_stretches(table, FRAME_S * 1e6, losses, 0.0, end_s)


GOOD = ((0.0, 1700.0), (10.59, 1700.0), (10.6, 1500.0), (14.29, 1500.0), (14.3, 1700.0),
        (20.0, 1700.0))  # fmt: skip


def test_a_preset_is_three_stands_that_jump():
    (own,) = around(*GOOD).around
    assert [(s.kind, s.jumped) for s in own] == [(S, False), (S, True), (S, True)]
    assert [s.level_us for s in own] == pytest.approx([1700.0, 1500.0, 1700.0], abs=0.5)
    assert own[1].start_s == pytest.approx(10.604)
    assert own[1].end_s == pytest.approx(14.284)
    assert own[0].end_s == pytest.approx(10.584)
    assert own[1].pulses == 185
    assert not own[1].is_movement


def test_it_is_looked_at_from_half_a_second_before():
    (own,) = around(*GOOD).around
    assert own[0].start_s == pytest.approx(9.5, abs=0.03)


def test_and_up_to_forty_seconds_after_the_return():
    far = ((0.0, 1500.0), (58.99, 1500.0), (59.0, 1700.0), (80.0, 1700.0))
    (own,) = around(*far, losses=(loss_at(10.0, 20.0),), end_s=80.0).around
    assert [s.kind for s in own] == [S, S]
    (own,) = around(*far, losses=(loss_at(10.0, 18.9),), end_s=80.0).around
    assert len(own) == 1
    assert own[0].end_s == pytest.approx(58.9, abs=0.05)


def test_neighbouring_losses_bound_it():
    two = (loss_at(10.0, 11.0), loss_at(11.3, 13.0))
    first, second = around(*GOOD, losses=two).around
    assert first[-1].end_s == pytest.approx(second[0].end_s)
    assert second[0].start_s >= 10.6
    assert second[0].level_us == pytest.approx(1500.0, abs=0.5)


def test_a_pause_of_more_than_a_fifth_of_a_second_is_quiet():
    (own,) = around(*GOOD, gaps=[(11.0, 11.5)]).around
    assert [s.kind for s in own] == [S, S, Q, S, S]
    pause = own[2]
    assert pause.start_s == pytest.approx(10.984 + FRAME_S)
    assert pause.end_s == pytest.approx(11.504)
    assert (pause.pulses, pause.jumped, pause.is_movement) == (0, False, False)
    assert np.isnan([pause.first_us, pause.last_us, pause.level_us, pause.pace_us]).all()
    (own,) = around(*GOOD, gaps=[(11.0, 11.17)]).around
    assert Q not in [s.kind for s in own]


def test_pulses_that_never_come_back_are_quiet_to_the_end():
    (own,) = around(*GOOD, gaps=[(10.6, 30.0)]).around
    assert [s.kind for s in own] == [S, Q]
    assert own[-1].end_s == 20.0


def test_a_line_without_pulses_is_quiet_throughout():
    (own,) = around(*GOOD, gaps=[(0.0, 30.0)]).around
    assert [(s.kind, s.start_s, s.end_s) for s in own] == [(Q, 0.0, 20.0)]


def test_pulses_that_begin_late_were_quiet_before():
    (own,) = around(*GOOD, gaps=[(0.0, 12.0)]).around
    assert [s.kind for s in own] == [Q, S, S]
    assert own[0].start_s == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("off_us", "strays"), [(20.0, True), (14.0, False)])
def test_a_single_width_away_from_its_neighbours_is_set_aside(off_us, strays):
    """By more than 1.5 % of the span; a nearer one parts the stretch, since it may be real."""
    (own,) = around(*GOOD, stray=[(12.0, 1500.0 + off_us)]).around
    assert (len(own) == 3) is strays


def test_a_hand_on_the_stick_moves_and_an_undriven_width_wanders():
    hand = ((0.0, 1700.0), (11.0, 1700.0), (11.5, 1500.0), (20.0, 1500.0))
    (own,) = around(*hand).around
    assert [s.kind for s in own] == [S, M, S]
    assert own[1].is_movement
    assert own[1].start_s == pytest.approx(11.0, abs=0.06)
    assert own[1].end_s == pytest.approx(11.5, abs=0.06)
    rng = np.random.default_rng(9)
    wild = [(12.0 + FRAME_S * k, float(w)) for k, w in enumerate(rng.uniform(1100, 1900, 60))]
    (own,) = around((0.0, 1700.0), (11.99, 1700.0), *wild, (13.3, 1700.0), (20.0, 1700.0)).around
    assert W in [s.kind for s in own]


def test_what_counts_as_one_level_is_eight_deviations_and_a_sample():
    tolerance = around(*GOOD, noise_us=1.0).tolerance
    assert tolerance.noise_us == pytest.approx(1.0, rel=0.15)
    assert tolerance.range_us == 8.0 * tolerance.noise_us + 1.0
    assert (tolerance.interval_us, tolerance.step_us, tolerance.gap_s) == (1.0, 1.0, 0.2)
    assert tolerance.frame_s == FRAME_S


def test_noise_is_bounded_by_the_sampling_and_by_what_may_be_movement():
    fine = around(*GOOD, noise_us=0.0, interval_us=None).tolerance
    assert fine.noise_us == pytest.approx(0.05)
    assert fine.interval_us == 0.0
    rough = around(*GOOD, noise_us=40.0).tolerance
    assert rough.noise_us == 8.0
    coarse = around(*GOOD, noise_us=0.0, interval_us=10.0).tolerance
    assert coarse.noise_us == pytest.approx(10.0 / np.sqrt(6.0), rel=0.5)


def test_noise_is_taken_from_outside_the_losses():
    wild = np.random.default_rng(3).normal(1500.0, 60.0, 170)
    points = [(10.6 + FRAME_S * k, float(w)) for k, w in enumerate(wild)]
    table = around((0.0, 1700.0), (10.59, 1700.0), *points, (14.29, 1700.0), (20.0, 1700.0),
                   noise_us=1.0)  # fmt: skip
    assert table.tolerance.noise_us == pytest.approx(1.0, rel=0.3)


def test_odd_pulses_are_left_out():
    rise_s = np.arange(0.004, 19.9, FRAME_S)
    width_us = np.where(rise_s < 10.6, 1700.0, 1500.0)
    flags = np.zeros(rise_s.size, np.uint8)
    odd = np.searchsorted(rise_s, 12.0)
    width_us[odd], flags[odd] = 300.0, Flag.GLITCH
    found = find_stretches(table_of(rise_s, width_us, flags), 2e4, (LOSS,), 0.0, 20.0)
    assert [s.kind for s in found.around[0]] == [S, S]


def test_without_a_loss_there_is_nothing_around_it():
    assert around(*GOOD, losses=()).around == ()
