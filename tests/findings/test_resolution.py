"""Resolution: given widths made in these steps, these steps are found, or said to be hidden."""

import math
import re

import numpy as np
import pytest

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.travel.resolution import (
    MAX_WIDTHS,
    RESOLUTION_DEFINITIONS,
    examine_resolution,
    find_step,
)
from pwmscope.model import Verdict
from pwmscope.pulses import STANDARD_SERVO, PulseTable, decode, find_frames
from pwmscope.synth import Channel, Dwell, Frame, Script, Sweep, Width, build

THERE_AND_BACK = (
    Dwell(1500, 2), Sweep(1993, 2.47), Dwell(1993, 1), Sweep(1003, 4.13), Dwell(1003, 1),
    Sweep(1500, 2.31), Dwell(1500, 1),
)  # fmt: skip
TO_STEPS = {
    4_000_000: (1.0, 2.5),
    24_000_000: (0.25, 0.5, 1.0, 2.0, 3.5),
    1_000_000: (3.5, 4.0, 8.0),
}


def record_of(table):
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)


def recorded(rate_hz, jitter_us, step_us, *, tick_us=0.0, seed=1, moves=THERE_AND_BACK):
    lasts_s = sum(getattr(m, "for_s", 0) + getattr(m, "over_s", 0) for m in moves)
    script = Script(
        lasts_s, rate_hz, seed, Frame(20_000, 1_234.5, 0.8), (Channel("RX1", tuple(moves)),),
        Width(jitter_us, step_us, tick_us),
    )  # fmt: skip
    return record_of(decode(build(script).capture)["RX1"])


def by_hand(seed):
    """Make some moves as a hand does: each one of two paces, mostly to an end and held there."""
    rng = np.random.default_rng(seed)
    moves, at_us = [Dwell(1500, 1.5)], 1500.0
    for end_us in rng.permutation([1010, 1990, 1200, 1750, 1400, 1900]):
        to_us = float(end_us + rng.uniform(-15, 15))
        half_us = at_us + (to_us - at_us) * rng.uniform(0.3, 0.7)
        moves += [Sweep(half_us, rng.uniform(0.6, 2)), Sweep(to_us, rng.uniform(0.6, 2))]
        moves.append(Dwell(to_us, rng.uniform(0.7, 1.5)))
        at_us = to_us
    return moves


def table_of(width_us, interval_us):
    width_us = np.asarray(width_us, dtype=float)
    rise_s = np.arange(width_us.size) * 0.02
    period_us = np.append(np.full(max(width_us.size - 1, 0), 2e4), np.nan)[: width_us.size]
    return PulseTable(
        "RX1", rise_s, width_us, period_us, np.zeros(width_us.size, np.uint8), inverted=False,
        convention=STANDARD_SERVO, sample_interval_us=interval_us,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("rate_hz", "step_us"), [(r, s) for r, all_ in TO_STEPS.items() for s in all_]
)
@pytest.mark.parametrize("part", [0.0, 0.15, 0.22])
def test_the_step_is_found_beneath_jitter_and_sampling(rate_hz, step_us, part):
    found = examine_resolution(recorded(rate_hz, part * step_us, step_us))
    assert abs(found.step_us - step_us) <= 2 * found.findings[0].uncertainty
    assert found.findings[0].uncertainty < 0.002 * step_us
    assert abs(found.findings[2].value - math.log2(1000 / step_us)) < 0.01
    of_travel = math.log2(990 / step_us)
    said = re.search(r"([0-9.]+) bits of the 9", found.findings[2].sentence)
    assert abs(float(said[1]) - of_travel) < 0.02
    assert [finding.verdict for finding in found.findings[::2]] == [None, None]


@pytest.mark.parametrize("jitter_us", [0.0, 0.3])
def test_a_timer_that_makes_even_the_jitter_in_steps_is_found(jitter_us):
    found = examine_resolution(recorded(24_000_000, jitter_us, 0.0, tick_us=0.5))
    if found.step_us is None:  # Jitter of one tick either way may hide a step of two.
        assert "coarser one" in found.findings[0].sentence
        return
    assert abs(found.step_us - 0.5) <= 2 * found.findings[0].uncertainty


@pytest.mark.parametrize("rate_hz", [1_000_000, 4_000_000, 24_000_000])
@pytest.mark.parametrize("jitter_us", [0.0, 0.2, 0.6])
def test_the_analysers_own_step_is_never_the_receivers(rate_hz, jitter_us):
    for seed in range(3):
        found = examine_resolution(recorded(rate_hz, jitter_us, 0.0, seed=seed))
        assert found.step_us is None
        assert found.findings[0].verdict is Verdict.NOT_SHOWN
        assert found.findings[0].sentence.startswith("The steps are finer than")
        assert found.finest_us >= 10 / 3 * 1e6 / rate_hz


@pytest.mark.parametrize("step_us", [0.25, 0.5, 1.0, 1.67, 2.0, 3.0])
def test_a_step_below_three_sample_intervals_leaves_no_image(step_us):
    found = examine_resolution(recorded(1_000_000, 0.1, step_us))
    assert found.step_us is None
    assert found.finest_us == pytest.approx(3.34, abs=0.05)


def test_what_is_said_to_show_does_show():
    shown = missed = 0
    for seed in range(25):
        for step_us in (1.0, 2.0):
            jitter_us = 0.2 + 0.02 * seed
            found = examine_resolution(
                recorded(24_000_000, jitter_us, step_us, seed=seed, moves=by_hand(seed))
            )
            if found.step_us is not None:
                assert abs(found.step_us - step_us) <= 3 * found.findings[0].uncertainty
                shown += 1
            elif found.finest_us <= step_us:
                missed += 1
    assert shown >= 15
    assert missed <= 2


@pytest.mark.parametrize("frames", [17, 33, 64, 97.3, 200])
@pytest.mark.parametrize("jitter_us", [0.0, 0.1, 0.3])
def test_the_pace_of_even_sweeps_is_no_step(frames, jitter_us):
    turns = np.arange(3000) / frames
    still = np.zeros(100)
    rng = np.random.default_rng(4)
    triangle = 400 * (2 * np.abs(2 * ((turns + 0.25) % 1) - 1) - 1)
    for swing_us in (triangle, 487 * np.sin(2 * np.pi * turns)):
        width_us = 1500 + np.concatenate([still, swing_us, still])
        width_us += rng.normal(0, jitter_us, width_us.size)
        for interval_us in (0.0104, 0.04, 0.25, 1.0):
            seen_us = np.floor(width_us / interval_us + rng.random(width_us.size)) * interval_us
            found = examine_resolution(record_of(table_of(seen_us, interval_us)))
            assert found.step_us is None


@pytest.mark.parametrize("step_us", [4.3, 7.0])
@pytest.mark.parametrize("jitter_us", [0.0, 0.3])
def test_a_testers_sweeps_that_rest_a_frame_in_their_middle_are_no_steps(step_us, jitter_us):
    """Up and down at one pace for minutes: all widths lie evenly, but for a kink on the way up."""
    rng = np.random.default_rng(6)
    up = 1010.0 + step_us * np.arange(int(980 / step_us))
    kink = np.concatenate([up[: up.size // 2], [up[up.size // 2]] * 2, up[up.size // 2 + 1 :]])
    half = np.full(100, 1500.0)
    width_us = np.concatenate([half, *([kink, up[::-1]] * 5), half])
    width_us += rng.normal(0, jitter_us, width_us.size)
    for interval_us in (0.0104, 0.25):
        seen_us = np.floor(width_us / interval_us + rng.random(width_us.size)) * interval_us
        found = examine_resolution(record_of(table_of(seen_us, interval_us)))
        assert found.step_us is None
        assert "a sweep without steps at so even a pace" in found.findings[0].sentence


@pytest.mark.parametrize("frames", [12, 30, 80])
def test_one_slow_stair_shows_the_step(frames):
    rng = np.random.default_rng(12)
    codes = np.arange(340, 410)
    width_us = np.concatenate([np.full(100, 1200.0), np.repeat(codes * 4.0, frames)])
    seen_us = np.floor((width_us + rng.normal(0, 0.3, width_us.size)) * 24 + 0.5) / 24
    found = examine_resolution(record_of(table_of(seen_us, 1 / 24)))
    assert abs(found.step_us - 4) <= 2 * found.findings[0].uncertainty


def test_codes_are_counted_where_noise_leaves_them_apart():
    record = recorded(24_000_000, 0.2, 8.0)
    found = examine_resolution(record)
    seen = record.table.width_us[record.rows]
    assert found.findings[1].value == np.unique(np.rint(seen / 8)).size


def test_codes_are_not_counted_in_noise():
    found = examine_resolution(recorded(24_000_000, 0.25, 1.0))
    assert found.findings[1].value is None
    assert "cannot be counted" in found.findings[1].sentence


@pytest.mark.parametrize(
    ("width_us", "interval_us", "reason"),
    [
        ([], 1.0, "not seen moving"),
        ([1500.0] * 200, 1.0, "not seen moving"),
        ([1500.0] * 200, None, "sample interval is not known"),
        (np.linspace(1000, 2000, 100), 1.0, "never stood still"),
        ([1500.0] * 60 + [1600.0, 1700.0, 1800.0] + [1900.0] * 60, 1.0, "moved too little"),
    ],
)
def test_what_hides_the_step_is_told(width_us, interval_us, reason):
    found = examine_resolution(record_of(table_of(width_us, interval_us)))
    assert found.step_us is None
    for finding in found.findings:
        assert finding.verdict is Verdict.NOT_SHOWN
        assert reason in finding.sentence


def test_a_long_record_is_thinned_move_by_move():
    rng = np.random.default_rng(7)
    parts = [np.full(60, 1500.0)]
    for _ in range(150):
        low_us, high_us = rng.uniform(1000, 1100), rng.uniform(1900, 2000)
        up = np.linspace(low_us, high_us, int(rng.integers(400, 900)))
        parts += [up, np.full(40, high_us), np.linspace(high_us, low_us, 500), np.full(40, low_us)]
    width_us = np.rint(np.concatenate(parts) / 2) * 2 + rng.normal(0, 0.3, sum(map(len, parts)))
    record = record_of(table_of(width_us, 1e-3))
    found = examine_resolution(record)
    assert abs(found.step_us - 2) <= 2 * found.findings[0].uncertainty
    assert 0 < found.findings[0].evidence[0].pulses <= MAX_WIDTHS < width_us.size


def test_pure_noise_passes_for_a_lattice_as_rarely_as_stated():
    rng = np.random.default_rng(11)
    owner = np.arange(300) // 60
    found = [
        find_step(
            rng.uniform(1000, 2000, 300), owner, np.zeros(5), interval_us=0.04, jitter_us=0.1,
            span_us=1000.0,
        ).found
        for _ in range(250)
    ]  # fmt: skip
    # 1e-5 of 250: two or more would come by chance in less than 0.001 % of cases.
    assert sum(lattice is not None for lattice in found) < 2


@pytest.mark.parametrize(("share", "is_told"), [(1.0, True), (0.15, False)])
def test_interrupts_do_not_excuse_a_weak_lattice(share, is_told):
    """Two in a hundred are up to 70 us late: 5 us RMS, but most widths would lie on their steps."""
    rng = np.random.default_rng(8)
    late_us = rng.uniform(0, 70, 4000) * (rng.random(4000) < 0.02)
    jitter_us = rng.normal(0, 0.1, 4000) + late_us
    made_us = rng.uniform(1000, 2000, 2000)
    on_step = np.arange(2000) % 100 < 100 * share
    made_us[on_step] = np.rint(made_us[on_step] / 5.0) * 5.0
    found = find_step(
        made_us + jitter_us[:2000], np.arange(2000) // 50, np.zeros(40), interval_us=0.04,
        jitter_us=float(jitter_us.std()), span_us=1000.0, scatter_us=jitter_us[2000:],
    ).found  # fmt: skip
    assert (found is not None) is is_told
    assert found is None or found.step_us == pytest.approx(5.0, abs=0.01)


@pytest.mark.parametrize("step_us", [None, 6.0])
def test_jitter_with_a_rhythm_makes_no_step_of_even_sweeps(step_us):
    """A sinusoid of 2.7 us, three frames long: without the hold's rhythm 4.14 us are found."""
    frame = np.arange(6 * 240)
    owner = frame // 240
    pace_us = np.array([4, -4, 4.1, -4.1, 3.2, -3.6])
    made_us = np.array([1010, 1990, 1005, 1993, 1100, 1950])[owner] + pace_us[owner] * (frame % 240)
    if step_us is not None:
        made_us = np.rint(made_us / step_us) * step_us
    rhythm_us = 2.7 * np.sin(2 * np.pi * 0.33 * frame)
    width_us = np.rint((made_us + rhythm_us) * 24) / 24
    search = find_step(
        width_us, owner, pace_us, interval_us=1 / 24, jitter_us=1.9, span_us=1000.0,
        scatter_us=rhythm_us[:300], run_us=rhythm_us[:300],
    )  # fmt: skip
    if step_us is None:
        assert search.found is None
        assert search.is_rhythm or search.is_image
    else:
        assert search.found is not None
        assert search.found.step_us == pytest.approx(step_us, abs=0.002)


@pytest.mark.parametrize("half_us", [3, 4, 6, 12])
@pytest.mark.parametrize("jitter_us", [0.3, 0.45, 0.55])
def test_widths_that_crowd_do_not_pass_for_a_coarser_step(half_us, jitter_us):
    # Ten in eleven lie close to neutral, and so are in phase at any coarse step.
    rng = np.random.default_rng(3)
    made_us = np.concatenate(
        [rng.uniform(1500 - half_us, 1500 + half_us, 4000), rng.uniform(1400, 1600, 400)]
    )
    width_us = np.rint(made_us / 2) * 2 + rng.normal(0, jitter_us, made_us.size)
    owner = np.arange(width_us.size) // 100
    found = find_step(
        width_us, owner, np.zeros(44), interval_us=0.01, jitter_us=jitter_us, span_us=1000.0
    ).found
    assert found is None or abs(found.step_us - 2) <= 4 * found.uncertainty_us
    assert found is not None or jitter_us > 0.3


def test_every_finding_is_defined():
    names = [finding.name for finding in examine_resolution(record_of(table_of([], 1.0))).findings]
    assert names == [definition.name for definition in RESOLUTION_DEFINITIONS]
