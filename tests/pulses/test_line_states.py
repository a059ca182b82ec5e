"""Lines without pulses: given a level that lasts or edges without frames, what and from when."""

import numpy as np
import pytest

from pwmscope.capture import PS_PER_S, Line
from pwmscope.pulses import LineState, find_line_states


def pulses_s(start_s, end_s, *, period_s=0.02, width_s=0.0015, jitter_s=10e-6, seed=1):
    """Edges of a driven line between two instants, whole pulses only."""
    rises = np.arange(start_s, end_s - width_s, period_s)
    rises = rises + np.random.default_rng(seed).normal(0.0, jitter_s, rises.size)
    return np.stack([rises, rises + width_s], axis=1).ravel()


def random_s(start_s, end_s, *, per_s=2000.0, seed=2):
    """Edges of an undriven line: any instant is as likely as another; an even number of them."""
    rng = np.random.default_rng(seed)
    edges = np.sort(rng.uniform(start_s, end_s, rng.poisson(per_s * (end_s - start_s))))
    return np.unique(edges)[: edges.size // 2 * 2]


def hum_s(start_s, end_s, hertz=50.0):
    """Edges of an undriven line that follows the mains, high half of the time."""
    return pulses_s(start_s, end_s, period_s=1 / hertz, width_s=0.5 / hertz, jitter_s=50e-6)


def line_of(*parts_s, level=0):
    edges = np.concatenate([np.atleast_1d(part) for part in parts_s])
    return Line("RX1", np.rint(edges * PS_PER_S).astype(np.int64), level)


def told(line, start_s=0.0, end_s=4.0):
    return find_line_states(line, start_s, end_s)


def test_pulses_that_come_are_no_state():
    assert told(line_of(pulses_s(0.005, 4.0))) == ()


def test_pulses_that_stop_leave_the_line_stuck_low():
    states = told(line_of(pulses_s(0.005, 1.0), pulses_s(3.005, 4.0)))
    assert [(s.kind, s.level) for s in states] == [("stuck low", 0)]
    assert (states[0].since_s, states[0].until_s) == pytest.approx((0.9865, 3.005), abs=1e-4)


def test_a_pin_stuck_high_is_not_pulses_that_stop():
    states = told(line_of(pulses_s(0.005, 1.0), 1.2, 2.9, pulses_s(3.005, 4.0)))
    assert [(s.kind, s.level) for s in states] == [("stuck high", 1)]
    assert (states[0].since_s, states[0].until_s) == pytest.approx((1.2, 2.9))


@pytest.mark.parametrize("idle", [0, 1])
def test_an_inverted_line_tells_its_level_and_not_its_pulse(idle):
    states = told(line_of(pulses_s(0.005, 1.0), level=idle))
    assert [(s.kind, s.level) for s in states] == [(("stuck low", "stuck high")[idle], idle)]
    assert states[0].until_s == 4.0


def test_states_are_cut_at_the_ends_of_the_span():
    line = line_of(pulses_s(0.005, 1.0), pulses_s(3.005, 4.0))
    assert told(line, 1.5, 2.5) == (LineState("stuck low", 0, 1.5, 2.5),)
    assert told(line, 2.0, 2.0) == ()


@pytest.mark.parametrize("missing", [1, 5, 10])
def test_frames_that_are_missing_are_no_state(missing):
    states = told(line_of(pulses_s(0.005, 1.0), pulses_s(1.005 + 0.02 * missing, 4.0)))
    assert states == ()


def test_single_glitches_do_not_end_a_stuck_level():
    glitches = [1.3, 1.30002, 2.0, 2.00005]
    states = told(line_of(pulses_s(0.005, 1.0), glitches, pulses_s(3.005, 4.0)))
    assert [s.kind for s in states] == ["stuck low"]
    assert states[0].until_s - states[0].since_s == pytest.approx(2.0185, abs=1e-3)


@pytest.mark.parametrize("per_s", [100, 500, 2000, 20_000, 300_000])
@pytest.mark.parametrize("seed", range(5))
def test_random_edges_are_noise(per_s, seed):
    noise = random_s(1.0, 3.0, per_s=per_s, seed=seed)
    states = told(line_of(pulses_s(0.005, 1.0), noise, pulses_s(3.005, 4.0)))
    assert {s.kind for s in states} == {"noise"}
    covered = sum(s.until_s - s.since_s for s in states)
    assert covered == pytest.approx(2.0, abs=0.1)
    assert (states[0].since_s, states[-1].until_s) == pytest.approx((1.0, 3.0), abs=0.05)
    assert all(s.level is None for s in states)


@pytest.mark.parametrize("hertz", [50.0, 60.0])
def test_a_line_that_follows_the_mains_is_noise(hertz):
    states = told(line_of(pulses_s(0.005, 1.0), hum_s(1.1, 3.0, hertz), pulses_s(3.005, 4.0)))
    assert [s.kind for s in states] == ["noise"]


def test_noise_and_a_stuck_level_follow_one_another():
    line = line_of(pulses_s(0.005, 1.0), random_s(1.0, 2.0), pulses_s(3.005, 4.0))
    assert [s.kind for s in told(line)] == ["noise", "stuck low"]


@pytest.mark.parametrize(
    "driven",
    [
        pulses_s(0.005, 4.0, width_s=0.003),  # no servo takes it, but it is driven
        pulses_s(0.005, 4.0, period_s=0.0030),
        pulses_s(0.005, 4.0, jitter_s=60e-6),
        np.concatenate([pulses_s(0.005, 2.0), pulses_s(2.0, 4.0, period_s=0.04)]),
        np.sort(np.concatenate([pulses_s(0.005, 4.0), pulses_s(0.012, 4.0, width_s=40e-6)])),
        np.sort(np.concatenate([pulses_s(0.005, 4.0, period_s=0.031),
                                pulses_s(0.014, 4.0, period_s=0.031)])),  # 9 and 22 ms by turns
    ],
)  # fmt: skip
def test_a_driven_line_is_no_noise(driven):
    assert told(line_of(driven)) == ()


@pytest.mark.parametrize("seed", range(5))
def test_a_line_that_loses_a_third_of_its_frames_is_no_noise(seed):
    edges = pulses_s(0.005, 4.0).reshape(-1, 2)
    kept = edges[np.random.default_rng(seed).random(len(edges)) > 0.33].ravel()
    assert told(line_of(kept), 0.0, 3.9) == ()


def test_a_line_without_edges_is_stuck_throughout():
    for level, kind in enumerate(("stuck low", "stuck high")):
        line = Line("RX1", np.zeros(0, np.int64), level)
        assert told(line) == (LineState(kind, level, 0.0, 4.0),)
