"""Sweeps: given how a stick was swept, steps back and the curve that were put in are found."""

import re

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.travel import examine_travel
from pwmscope.findings.travel.sweep import SWEEP_DEFINITIONS, Shape, examine_sweeps, fit_sweep
from pwmscope.model import Verdict
from pwmscope.pulses import STANDARD_SERVO, PulseTable, decode, find_frames
from pwmscope.synth import Channel, Dwell, Frame, Script, Sweep, Width, build

RATES = [1_000_000, 24_000_000]


def examined(table):
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
    return examine_sweeps(record, examine_travel(record))


def recorded(moves, rate_hz=24_000_000, jitter_us=0.25, step_us=1.0, seed=1):
    lasts_s = sum(getattr(m, "for_s", 0) + getattr(m, "over_s", 0) for m in moves)
    script = Script(
        lasts_s, rate_hz, seed, Frame(20_000, 1_234.5, 0.8), (Channel("RX1", tuple(moves)),),
        Width(jitter_us, step_us),
    )  # fmt: skip
    return decode(build(script).capture)["RX1"]


def swept(expo, *, times=6, uneven=0.0, seed=2, neutral_us=1500.0, pieces=60):
    """Sweep from end to end at a pace as even as the hand, through an expo curve."""
    rng = np.random.default_rng(seed)
    moves, way = [Dwell(neutral_us, 2), Sweep(neutral_us - 490, 2), Dwell(neutral_us - 490, 1)], 1
    for _ in range(times):
        u = np.linspace(-1, 1, pieces + 1)
        first, second = uneven * rng.normal(size=2)
        stick = u + 0.5 * first * (1 - u**2) + second * (u**3 - u)
        width_us = neutral_us + way * 490 * ((1 - expo) * stick + expo * stick**3)
        piece_s = 4 * rng.uniform(0.8, 1.25) / pieces
        moves += [Sweep(float(to_us), piece_s) for to_us in width_us[1:]]
        moves.append(Dwell(neutral_us + way * 490, 1))
        way = -way
    return moves


def table_of(width_us, interval_us=0.04):
    width_us = np.asarray(width_us, dtype=float)
    rise_s = np.arange(width_us.size) * 0.02
    period_us = np.append(np.full(max(width_us.size - 1, 0), 2e4), np.nan)[: width_us.size]
    return PulseTable(
        "RX1", rise_s, width_us, period_us, np.zeros(width_us.size, np.uint8), inverted=False,
        convention=STANDARD_SERVO, sample_interval_us=interval_us,
    )  # fmt: skip


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("expo", [-0.2, 0.15, 0.3, 0.6])
def test_the_curve_covers_its_truth(rate_hz, expo):
    found = examined(recorded(swept(expo), rate_hz)).curve
    if expo < 0.0:  # A hand that is fastest in the middle makes the same of a straight channel.
        assert found.finding.value is None
        assert "look alike" in found.finding.sentence
        return
    assert found.finding.value == Shape.SOFTER
    # Sixty straight pieces stand for the curve: 0.002 at most.
    assert found.interval[0] - 0.002 <= expo <= found.interval[1] + 0.002
    assert "looks the same" in found.finding.sentence
    assert len(found.fits) == 6


@pytest.mark.parametrize("rate_hz", RATES)
def test_a_straight_line_is_told(rate_hz):
    found = examined(recorded(swept(0.0, neutral_us=1511.0), rate_hz)).curve
    assert found.finding.value == Shape.LINEAR
    assert found.interval[0] - 0.001 <= 0.0 <= found.interval[1] + 0.001
    assert found.finding.sentence.startswith("The width follows the stick in a straight line")


def test_a_hand_of_uneven_pace_is_given_no_curve():
    shapes = [
        examined(recorded(swept(0.0, uneven=0.35, seed=seed))).curve.finding.value
        for seed in range(12)
    ]
    assert shapes.count(None) + shapes.count(Shape.LINEAR) >= 11


def test_a_curve_one_way_only_is_not_shown():
    ways = [(1, 0.4), (-1, -0.4)] * 3
    moves = [Dwell(1500, 2), Sweep(1010, 2), Dwell(1010, 1)]
    u = np.linspace(-1, 1, 61)[1:]
    for way, expo in ways:
        width_us = 1500 + way * 490 * ((1 - expo) * u + expo * u**3)
        moves += [Sweep(float(to_us), 4 / 60) for to_us in width_us]
        moves.append(Dwell(1500 + way * 490, 1))
    found = examined(recorded(moves)).curve
    assert found.finding.value is None
    assert "look alike" in found.finding.sentence


def test_a_hand_that_sets_off_and_stops_softly_is_given_no_curve():
    """A bell-shaped pace on a straight channel bends the width as a sharper channel does."""
    eased = 0.5 - 0.5 * np.cos(np.pi * np.linspace(0.0, 1.0, 61)[1:])
    moves = [Dwell(1500, 2), Sweep(1010, 2), Dwell(1010, 1)]
    for way in (1, -1) * 3:
        moves += [Sweep(1500 + way * 490 * float(2 * e - 1), 2 / 60) for e in eased]
        moves.append(Dwell(1500 + way * 490, 1))
    found = examined(recorded(moves)).curve
    assert found.finding.value is None
    assert found.finding.verdict is Verdict.NOT_SHOWN


@pytest.mark.parametrize("seed", range(3))
def test_a_hand_that_minds_the_detent_is_given_no_curve(seed):
    """A straight channel; the hand slows down at neutral, each time by another amount."""
    rng = np.random.default_rng(seed)
    moves, way = [Dwell(1500, 2), Sweep(1010, 2), Dwell(1010, 1)], 1
    for _ in range(8):
        stick = np.linspace(-1, 1, 81)
        slow = 0.4 + 0.08 * rng.standard_normal()
        pace = 1 - slow * np.exp(-((stick[1:] - 1 / 80) ** 2) / 0.06)
        moves += [
            Sweep(1500 + way * 490 * float(to), float(3 / 80 / fast))
            for to, fast in zip(stick[1:], pace, strict=True)
        ]
        moves.append(Dwell(1500 + way * 490, 1))
        way = -way
    found = examined(recorded(moves)).curve
    assert found.finding.value is None
    assert "a hand that slows down at neutral" in found.finding.sentence


@pytest.mark.parametrize(
    ("moves", "reason"),
    [
        (swept(0.3, times=3), "2 up, 1 down"),
        ([Dwell(1500, 3), Sweep(2000, 2), Dwell(2000, 1)], "never held at its low end"),
        ([Dwell(1000, 3), Sweep(2000, 2), Dwell(2000, 1)], "never stood within"),
        ([Dwell(1500, 3)], "never held at its low end"),
    ],
)
def test_why_no_curve_is_shown(moves, reason):
    found = examined(recorded(moves)).curve
    assert found.finding.verdict is Verdict.NOT_SHOWN
    assert reason in found.finding.sentence
    assert "Sweep the stick evenly" in found.finding.sentence


@pytest.mark.parametrize("rate_hz", RATES)
def test_even_sweeps_go_one_way(rate_hz):
    found = examined(recorded(swept(0.3), rate_hz))
    assert (found.count, found.steps_back, found.findings[0].value) == (7, 0, 0.0)
    assert "never steps back by more than" in found.findings[0].sentence


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize("back_us", [10.0, 25.0])
def test_steps_back_are_counted_measured_and_timed(rate_hz, back_us):
    moves = [Dwell(1500, 2)]
    at_s = 2.0
    backs_s = []
    for end_us in (1900, 1100):
        start_us = moves[-1].dwell_us
        half_us = (start_us + end_us) / 2
        way = 1 if end_us > start_us else -1
        moves += [Sweep(half_us, 2), Sweep(half_us - way * back_us, 0.1)]
        moves += [Sweep(end_us, 2), Dwell(end_us, 1)]
        backs_s.append(at_s + 2.1)
        at_s += 5.1
    found = examined(recorded(moves, rate_hz, jitter_us=0.1, step_us=0.0))
    assert (found.count, found.steps_back) == (2, 2)
    finding = found.findings[0]
    # The turn lies between two frames, one fifth of the step back from the nearest at most.
    assert abs(found.findings[0].value - back_us) <= 2 * finding.uncertainty + 0.25 * back_us
    seen_s = [span.start_s for span in finding.evidence]
    assert seen_s == pytest.approx(backs_s, abs=0.03)
    assert "steps back 2 times in 2 sweeps" in finding.sentence


def test_what_goes_back_by_more_than_a_throw_is_a_turn():
    moves = [Dwell(1500, 2), Sweep(1800, 2), Sweep(1700, 1), Sweep(1900, 2), Dwell(1900, 1)]
    found = examined(recorded(moves))
    assert (found.count, found.steps_back) == (3, 0)


def test_noise_does_not_step_back():
    rng = np.random.default_rng(9)
    for std_us in (0.2, 1.0, 3.0):
        parts = [np.full(100, 1500.0), np.linspace(1500, 1900, 2000), np.full(100, 1900.0)]
        width_us = np.concatenate(parts)
        found = examined(table_of(width_us + rng.normal(0, std_us, width_us.size)))
        assert found.steps_back == 0
        limit = re.search(r"more than ([0-9.]+) us", found.findings[0].sentence)
        assert float(limit[1]) == pytest.approx(8 * std_us, rel=0.15)


@pytest.mark.parametrize("width_us", [[], [1500.0], [1500.0] * 200, [1000.0] * 50 + [2000.0] * 50])
def test_without_a_sweep_nothing_is_shown(width_us):
    found = examined(table_of(width_us))
    assert found.findings[0].value is None
    assert [finding.verdict for finding in found.findings] == [Verdict.NOT_SHOWN] * 2
    assert "No sweep" in found.findings[0].sentence


def test_a_sweep_without_neutral_has_no_fit():
    time_s = np.linspace(0, 2, 100)
    assert fit_sweep(time_s, 200 + 100 * time_s, 500.0, 1) is None
    assert fit_sweep(time_s, -500 + 500 * time_s, 500.0, -1) is None


def test_every_finding_is_defined():
    names = [finding.name for finding in examined(table_of([])).findings]
    assert names == [definition.name for definition in SWEEP_DEFINITIONS]
