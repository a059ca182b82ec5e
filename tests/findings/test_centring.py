"""Centring: given how a stick comes back to neutral, this spread, hysteresis and deadband."""

import math

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.travel import examine_travel
from pwmscope.findings.travel.centring import CENTRING_DEFINITIONS, examine_centring, welch
from pwmscope.model import Span, Verdict
from pwmscope.pulses import decode, find_frames
from pwmscope.synth import Channel, Dwell, Frame, Script, Sweep, Width, build

RATES = [1_000_000, 24_000_000]


def examined(moves, rate_hz=24_000_000, jitter_us=0.25, *, seed=1, losses=()):
    lasts_s = sum(getattr(m, "for_s", 0) + getattr(m, "over_s", 0) for m in moves)
    script = Script(
        lasts_s, rate_hz, seed, Frame(20_000, 1_234.5, 0.8), (Channel("RX1", tuple(moves)),),
        Width(jitter_us),
    )  # fmt: skip
    table = decode(build(script).capture)["RX1"]
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), losses, COMMON_PRACTICE)
    return examine_centring(record, examine_travel(record))


def returns(from_below_us, from_above_us):
    moves = [Dwell(1500, 2)]
    for below_us, above_us in zip(from_below_us, from_above_us, strict=True):
        moves += [Sweep(1950, 0.5), Dwell(1950, 0.8), Sweep(above_us, 0.3), Dwell(above_us, 1.5)]
        moves += [Sweep(1050, 0.5), Dwell(1050, 0.8), Sweep(below_us, 0.3), Dwell(below_us, 1.5)]
    return moves


def crossings(kind, flat_us, *, times=4, pace_us_per_s=80.0, seed=5):
    """Sweep slowly through neutral, where the width stands still for a while."""
    rng = np.random.default_rng(seed)
    moves, way = [Dwell(1500, 2), Sweep(1200, 3), Dwell(1200, 1)], 1
    for _ in range(times):
        pace = pace_us_per_s * rng.uniform(0.8, 1.25)
        half_us = flat_us / 2 if kind == "with steps" else 0.0
        stands_s = rng.uniform(0.1, 1.4) if kind == "pauses" else flat_us / pace
        moves.append(Sweep(1500 - way * half_us, (300 - half_us) / pace))
        if stands_s:
            moves.append(Dwell(1500, stands_s))
        if half_us:
            moves.append(Dwell(1500 + way * half_us, 0.001))
        moves += [Sweep(1500 + way * 300, (300 - half_us) / pace), Dwell(1500 + way * 300, 1)]
        way = -way
    return moves


def test_a_stay_whose_width_wandered_is_one_stay():
    """From above the width rests at 1500 us for 4 s, then at 1500.6: two dwells, one stay.

    The middle half holds as much of both: 0.3 us. A stick moved by so little looks the same,
    so the interval reaches to the first dwell's 0 us.
    """
    moves = [Dwell(1500, 2)]
    for _ in range(4):
        moves += [Sweep(1950, 0.5), Dwell(1950, 0.8), Sweep(1500, 0.3), Dwell(1500, 4)]
        moves += [Dwell(1500.6, 4), Sweep(1050, 0.5), Dwell(1050, 0.8), Sweep(1500, 0.3)]
        moves += [Dwell(1500, 3)]
    found = examined(moves)
    assert (found.below.count, found.above.count) == (4, 4)
    told = next(finding for finding in found.findings if finding.name == "hysteresis")
    assert told.value == pytest.approx(0.3, abs=0.06)
    low_us, high_us = told.interval
    assert low_us < 0.06
    assert high_us > 0.3


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("apart_us", [0.0, 2.0, 14.0])
def test_hysteresis_covers_its_truth(rate_hz, apart_us):
    rng = np.random.default_rng(13)
    below_us = 1500 - apart_us / 2 + rng.normal(0, 0.3, 6)
    above_us = 1500 + apart_us / 2 + rng.normal(0, 0.3, 6)
    found = examined(returns(below_us, above_us), rate_hz)
    assert (found.below.count, found.above.count) == (6, 6)
    # What was drawn, not what it was drawn from: how well that is covered is tested below.
    drawn_us = above_us.mean() - below_us.mean()
    low_us, high_us = found.hysteresis.interval_us
    assert low_us <= drawn_us <= high_us
    assert abs(found.hysteresis.us - drawn_us) <= 0.1 + 1e6 / rate_hz
    assert found.hysteresis.significant is (apart_us > 0)
    assert found.hysteresis.us == pytest.approx(found.above.mean_us - found.below.mean_us)
    drawn_std_us = math.hypot(below_us.std(ddof=1), above_us.std(ddof=1)) / math.sqrt(2)
    # Jitter of 0.3 us leaves the mean of a stay 0.05 us or so beside what was drawn.
    assert abs(found.findings[0].value - drawn_std_us) <= 0.05 + 0.5e6 / rate_hz
    for finding, true_us in zip(found.findings, (drawn_std_us, drawn_us), strict=False):
        assert finding.interval[0] - 0.05 <= true_us <= finding.interval[1] + 0.05
    assert low_us <= found.findings[1].interval[0] <= found.findings[1].interval[1] <= high_us
    # Every return is named as evidence.
    assert [len(finding.evidence) for finding in found.findings[:2]] == [12, 12]


def test_the_95_percent_interval_of_a_difference_covers_it_in_95_percent():
    rng = np.random.default_rng(14)
    covered = significant = 0
    for _ in range(2000):
        found = welch(rng.normal(1.0, 0.3, 5), rng.normal(0.0, 0.9, 8), 0.0)
        covered += found.interval_us[0] <= 1.0 <= found.interval_us[1]
        significant += welch(rng.normal(0, 0.3, 5), rng.normal(0, 0.9, 8), 0.0).significant
    assert 0.93 <= covered / 2000 <= 0.97
    assert 0.03 <= significant / 2000 <= 0.07


def test_a_difference_that_sampling_could_make_is_not_significant():
    # All returns alike to a tenth of a microsecond, and so is the error that 1 MS/s makes of them.
    found = examined(returns([1500.0] * 4, [1500.4] * 4), 1_000_000, jitter_us=0.0)
    assert not found.hysteresis.significant
    assert found.hysteresis.uncertainty_us >= 1 / np.sqrt(3)


def test_hysteresis_the_other_way_round_is_lower():
    found = examined(returns([1503.0, 1503.3, 1502.8], [1499.0, 1499.2, 1498.7]))
    assert found.hysteresis.us == pytest.approx(-4.07, abs=0.3)
    assert "lower from above than from below" in found.findings[1].sentence


def test_returns_from_one_side_only_are_not_enough():
    moves = [Dwell(1500, 2)]
    for _ in range(4):
        moves += [Sweep(1950, 0.5), Dwell(1950, 0.8), Sweep(1500, 0.3), Dwell(1500, 1.5)]
    moves += [Sweep(1050, 0.5), Dwell(1050, 0.8), Sweep(1500, 0.3), Dwell(1500, 1.5)]
    found = examined(moves)
    assert (found.below.count, found.above.count) == (1, 4)
    assert found.hysteresis is None
    for finding in found.findings[:2]:
        assert finding.verdict is Verdict.NOT_SHOWN
        assert "once from below and 4 times from above" in finding.sentence
        assert "move the stick to one end, let it go" in finding.sentence


def test_a_return_without_a_stop_at_the_end_counts_and_a_nudge_does_not():
    moves = [Dwell(1500, 2)]
    for end_us in (1900, 1100, 1900, 1100):
        moves += [Sweep(end_us, 0.5), Sweep(1500, 0.5), Dwell(1500, 1.2)]
        moves += [Sweep(1515, 0.2), Dwell(1515, 0.8), Sweep(1500, 0.2), Dwell(1500, 1.2)]
    found = examined(moves)
    assert (found.below.count, found.above.count) == (2, 2)


def test_a_stay_after_a_signal_loss_is_no_return():
    moves = returns([1500.0] * 3, [1500.0] * 3)
    whole = examined(moves)
    # The second way back from above, until neutral is reached.
    lost = examined(moves, losses=(Span(2 + 6.2 + 1.4, 2 + 6.2 + 1.6),))
    assert (whole.above.count, lost.above.count) == (3, 2)
    assert lost.below.count == 3


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("kind", ["with steps", "without steps"])
@pytest.mark.parametrize("flat_us", [26.0, 40.0])
def test_a_flat_covers_its_truth(rate_hz, kind, flat_us):
    found = examined(crossings(kind, flat_us), rate_hz, jitter_us=0.1).flat
    assert abs(found.deadband_us - flat_us) <= 2 * found.uncertainty_us
    assert found.uncertainty_us < 1.5
    step_us = flat_us / 2 if kind == "with steps" else 0.0
    assert len(found.crossings) >= 3
    for crossing in found.crossings:
        assert crossing.before_us == pytest.approx(step_us, abs=1.5)
        assert crossing.behind_us == pytest.approx(step_us, abs=1.5)
        assert crossing.flat_s == pytest.approx(flat_us / 80.0, rel=0.35)
    assert found.finding.value == found.deadband_us


def test_sweeps_without_a_flat_bound_it():
    found = examined(crossings("none", 0.0)).flat
    assert found.deadband_us == 0.0
    low_us, high_us = found.finding.interval
    assert low_us == 0.0
    assert 5 < high_us < 20
    just_seen = examined(crossings("with steps", 1.3 * high_us)).flat
    assert just_seen.deadband_us == pytest.approx(1.3 * high_us, abs=3)


@pytest.mark.parametrize("seed", range(4))
def test_a_hand_that_pauses_is_no_deadband(seed):
    found = examined(crossings("pauses", 30.0, seed=seed)).flat
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert "A deadband and a pausing hand look alike" in found.finding.sentence


@pytest.mark.parametrize("seed", range(4))
def test_pauses_as_alike_as_a_hand_makes_them_are_no_deadband(seed):
    """A third of a second at neutral each time, give or take a fifth of that."""
    rng = np.random.default_rng(seed)
    moves, way = [Dwell(1500, 2), Sweep(1200, 3), Dwell(1200, 1)], 1
    for _ in range(6):
        moves += [Sweep(1500, 3.5), Dwell(1500, 0.35 * (1 + 0.2 * rng.standard_normal()))]
        moves += [Sweep(1500 + way * 300, 3.5), Dwell(1500 + way * 300, 1)]
        way = -way
    found = examined(moves).flat
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert "A deadband and a pausing hand look alike" in found.finding.sentence


@pytest.mark.parametrize("expo", [0.3, 0.5])
def test_a_flat_under_expo_is_not_told_too_wide(expo):
    """Expo is slow round neutral: 30 us of stick there last as long as 45 to 60 us elsewhere."""
    dead = 30.0 / 490.0 / (1.0 - expo)  # of half the stick's way, 30 us of width beside it
    moves, way = [Dwell(1500, 2), Sweep(1010, 2), Dwell(1010, 1)], 1
    for _ in range(6):
        stick = np.linspace(-1, 1, 201)
        s = np.sign(stick) * np.maximum(np.abs(stick) - dead / 2, 0.0) / (1 - dead / 2)
        width_us = 1500 + way * 490 * ((1 - expo) * s + expo * s**3)
        moves += [Sweep(float(to_us), 5.0 / 200) for to_us in width_us[1:]]
        moves.append(Dwell(1500 + way * 490, 1))
        way = -way
    found = examined(moves, jitter_us=0.1).flat
    true_us = dead * 490 * (1 - expo) / (1 - dead / 2)
    if found.finding.value is None:
        assert "A deadband, expo and a hand that slows down look alike" in found.finding.sentence
    else:
        assert found.finding.value <= 1.1 * true_us


@pytest.mark.parametrize(
    ("moves", "reason"),
    [
        ([Dwell(1500, 5)], "No slow, even sweep goes through neutral"),
        (crossings("none", 0.0, times=1), "Only one slow, even sweep goes through neutral"),
        (crossings("none", 0.0, times=6, pace_us_per_s=700.0), "too fast"),
        ([Dwell(1000, 3), Sweep(2000, 3), Dwell(2000, 2)], "never stood within"),
    ],
)
def test_why_no_flat_is_shown(moves, reason):
    found = examined(moves).flat
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert reason in found.finding.sentence


def test_every_finding_is_defined():
    names = [finding.name for finding in examined([Dwell(1500, 5)]).findings]
    assert names == [definition.name for definition in CENTRING_DEFINITIONS]
