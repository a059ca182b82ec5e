"""Receivers: given lines on one or on several frame clocks, these belong together."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.receivers.common_clock import Step, chance_of, pulses_of
from pwmscope.findings.receivers.order import find_receivers
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.model import Span
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

INTERVAL_US = 1 / 24


def line(name, rise_us, width_us, interval_us=INTERVAL_US, losses=()):
    rise_us = np.ceil(np.asarray(rise_us) / interval_us) * interval_us
    width_us = np.broadcast_to(np.rint(width_us / interval_us) * interval_us, rise_us.shape)
    table = PulseTable(
        name,
        rise_us / 1e6,
        width_us.copy(),
        np.append(np.diff(rise_us), np.nan),
        np.zeros(rise_us.size, np.uint8),
        inverted=False,
        convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), losses, COMMON_PRACTICE)


def grid(frames, period_us=20_000.0, *, ppm=0.0, first_us=1_000.0, jitter_us=1.0, seed=1):
    starts = first_us + period_us * (1 + ppm * 1e-6) * np.arange(frames)
    return starts + np.random.default_rng(seed).normal(0, jitter_us, frames)


def receivers(**records):
    found = {name: pulses_of(name, record) for name, record in records.items()}
    return find_receivers(records, {n: p for n, p in found.items() if p is not None})


def test_two_receivers_a_few_ppm_apart():
    one, two = grid(1950), grid(1950, ppm=14.2, first_us=7_300, seed=2)
    found = receivers(
        RX1=line("RX1", one, 1500.0),
        RX5=line("RX5", two, 1500.0),
        RX2=line("RX2", one + 2.4, 1700.0),
        RX6=line("RX6", two + 5.0, 1700.0),
    )
    assert found.groups == (("RX1", "RX2"), ("RX5", "RX6"))
    apart = next(t for t in found.ties if t.step is Step.DRIFTS)
    assert apart.drift_us_per_s == pytest.approx(14.2, abs=4 * apart.uncertainty_us_per_s)
    assert apart.uncertainty_us_per_s < 0.05
    assert found.finding.value == "RX1, RX2; RX5, RX6"
    assert "2 receivers." in found.finding.sentence
    assert "drifts against RX1 by 14." in found.finding.sentence
    assert "RX1 and RX2 keep step within 0." in found.finding.sentence


@pytest.mark.parametrize("ppm", [-150.0, -30.0, -8.0, 3.0, 60.0])
def test_the_drift_is_found_whatever_its_size(ppm):
    one, two = grid(3000), grid(3000, ppm=ppm, first_us=9_000, seed=2)
    found = receivers(RX1=line("RX1", one, 1500.0), RX2=line("RX2", two, 1500.0))
    assert found.groups == (("RX1",), ("RX2",))
    (apart,) = found.ties
    assert apart.step is Step.DRIFTS
    assert apart.drift_us_per_s == pytest.approx(ppm, abs=5 * apart.uncertainty_us_per_s + 1e-3)


def test_a_drift_right_round_the_frame_is_found_from_the_periods():
    one, two = grid(30_000), grid(30_000, ppm=90.0, seed=2)  # 54 ms in 600 s
    found = receivers(RX1=line("RX1", one, 1500.0), RX2=line("RX2", two, 1500.0))
    assert found.ties[0].drift_us_per_s == pytest.approx(90.0, abs=3.0)
    assert "drifts against RX1 by 90" in found.finding.sentence


def test_another_frame_period_is_another_receiver():
    found = receivers(
        RX1=line("RX1", grid(500), 1500.0), RX2=line("RX2", grid(700, 14_000.0, seed=2), 1500.0)
    )
    assert found.groups == (("RX1",), ("RX2",))
    assert "RX2 has another frame period than RX1: 14.000 ms against 20.000 ms" in (
        found.finding.sentence
    )


def test_a_chain_with_moving_widths_is_one_receiver():
    """Each start depends on all widths before; only neighbours keep a steady distance."""
    start, records, t = grid(2000), {}, np.arange(2000)
    for i in range(5):
        width = 1500 + 400 * np.sin(t / (40 + 9 * i))
        records[f"RX{i}"] = line(f"RX{i}", start, width)
        start = start + width + 0.3
    shuffled = {name: records[name] for name in ("RX3", "RX0", "RX4", "RX2", "RX1")}
    found = receivers(**shuffled)
    assert found.groups == (("RX3", "RX0", "RX4", "RX2", "RX1"),)
    assert all(t.spread_us < 0.3 for t in found.ties)


def test_a_slow_sweep_of_the_pulse_before_is_no_drift():
    start = grid(2000)
    width = np.linspace(1000, 2000, 2000)
    found = receivers(RX1=line("RX1", start, width), RX2=line("RX2", start + width + 0.3, 1500.0))
    assert found.groups == (("RX1", "RX2"),)


def test_a_moving_channel_that_was_not_recorded_leaves_it_open():
    start, t = grid(600), np.arange(600)
    hidden = 1500 + 400 * np.sign(np.sin(t / 40))
    found = receivers(
        RX1=line("RX1", start, 1500.0), RX3=line("RX3", start + 1500 + hidden, 1500.0)
    )
    assert found.groups == (("RX1",), ("RX3",))
    assert "Whether RX3 belongs to another receiver is not shown" in found.finding.sentence
    assert found.finding.verdict.value == "not shown"
    assert "record for longer" in found.finding.sentence


def test_too_short_a_recording_leaves_it_open():
    one = grid(12)
    rough = np.random.default_rng(3).normal(0, 20, 12)
    found = receivers(RX1=line("RX1", one, 1500.0), RX2=line("RX2", one + 50 + rough, 1500.0))
    assert found.finding.verdict.value == "not shown"


def test_missing_frames_losses_and_strays_do_not_hide_a_common_clock():
    rng = np.random.default_rng(5)
    start = grid(3000, jitter_us=12.0)
    records = {}
    for i in range(4):
        kept = (rng.random(3000) > 0.05) & ~((start > 20e6) & (start < 31e6))
        rise = start[kept] + 2300.0 * i
        rise[rng.integers(0, rise.size, 5)] += 700.0
        lost = (Span(35.0, 36.0),) if i == 2 else ()
        records[f"RX{i}"] = line(f"RX{i}", rise, 1500.0, losses=lost)
    found = receivers(**records)
    assert len(found.groups) == 1
    assert all(t.spread_us < 1.0 for t in found.ties)


def test_a_line_with_too_few_frames_is_named():
    found = receivers(
        RX1=line("RX1", grid(300), 1500.0),
        RX2=line("RX2", grid(300) + 3, 1500.0),
        RX3=line("RX3", grid(4) + 3, 1500.0),
    )
    assert found.groups == (("RX1", "RX2"), ("RX3",))
    assert "Whether RX3 belongs to another receiver is not shown" in found.finding.sentence
    assert "At least one receiver" in found.finding.sentence


def test_lines_that_never_pulse_together_stay_apart():
    start = grid(400)
    found = receivers(
        RX1=line("RX1", start[:200], 1500.0), RX2=line("RX2", start[200:] + 3, 1500.0)
    )
    assert found.finding.verdict.value == "not shown"
    assert "frames" in found.finding.sentence


def test_one_line_or_none_has_nothing_to_compare():
    assert receivers(RX1=line("RX1", grid(300), 1500.0)).finding.verdict.value == "not shown"
    assert receivers().finding.verdict.value == "not shown"


def test_the_chance_of_unrelated_crystals_is_that_of_a_triangle():
    """JCGM 100, 4.3.9: the difference of two rectangular quantities is triangular."""
    rng = np.random.default_rng(1)
    drift_ppm = np.abs(rng.uniform(-100, 100, 400_000) - rng.uniform(-100, 100, 400_000))
    for bound_ppm in (0.5, 5.0, 60.0, 150.0):
        seen = np.mean(drift_ppm <= bound_ppm)
        doubt = np.sqrt(seen * (1 - seen) / drift_ppm.size)
        assert chance_of(bound_ppm) == pytest.approx(seen, abs=4 * doubt)


@given(
    ppm=st.sampled_from([0.0, 0.0, -6.0, 9.0, 40.0]),
    skew_us=st.floats(0, 19_000),
    jitter_us=st.floats(0, 10),
    seed=st.integers(0, 2**16),
)
def test_one_clock_is_never_taken_for_two_nor_two_for_one(ppm, skew_us, jitter_us, seed):
    start = grid(1500, jitter_us=jitter_us, seed=seed)
    own = start if ppm == 0.0 else grid(1500, ppm=ppm, jitter_us=jitter_us, seed=seed + 1)
    found = receivers(RX1=line("RX1", start, 1500.0), RX2=line("RX2", own + skew_us, 1500.0))
    expected = Step.KEEPS if ppm == 0.0 else Step.DRIFTS
    assert found.ties[0].step is expected
