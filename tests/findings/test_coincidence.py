"""Coincidence: given glitches on several lines, this is said of what they have in common."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.glitches import (
    COINCIDENCE_DEFINITIONS,
    Glitches,
    _openers,
    examine_coincidence,
    examine_glitches,
    expected_shared,
)
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.model import Span
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

FRAMES, DURATION_S = 500, 10.0


def record(name, missing=(), skew_us=0.0):
    kept = np.setdiff1d(np.arange(FRAMES), missing)
    rise_s = (1_000 + 20_000 * kept + skew_us) / 1e6
    table = PulseTable(
        name,
        rise_s,
        np.full(rise_s.size, 1500.0),
        np.append(np.diff(rise_s) * 1e6, np.nan),
        np.zeros(rise_s.size, np.uint8),
        inverted=False,
        convention=STANDARD_SERVO,
        sample_interval_us=0.1,
    )
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)


def examine(missing, receivers=(), skew_us=1_800.0):
    records = {
        name: record(name, gone, i * skew_us) for i, (name, gone) in enumerate(missing.items())
    }
    glitches = {
        name: examine_glitches(found, Span(0.0, DURATION_S)) for name, found in records.items()
    }
    return examine_coincidence(glitches, records, receivers)


def sentence(found):
    (finding,) = found.findings
    return finding.sentence


def test_all_at_once_is_the_link_or_the_supply():
    gone = [40, 90, 91, 200, 333]
    found = examine({f"RX{i}": gone for i in range(4)})
    assert found.findings[0].value == 5
    assert found.patterns[0].is_common
    assert found.expected == 0.0
    assert "5 struck all 4 lines at once: the link or the supply" in sentence(found)
    assert found.findings[0].value == 5.0
    assert found.time_s == pytest.approx([(1_000 + 20_000 * frame) / 1e6 for frame in gone])


def test_one_line_only_is_its_wire_or_plug():
    found = examine({"RX1": [], "RX2": [40, 90, 200], "RX3": []})
    assert found.findings[0].value == 0
    assert "3 struck RX2 alone: that wire or its plug" in sentence(found)


def test_two_of_four_share_something():
    gone = [40, 90, 200, 333]
    found = examine({"RX1": [], "RX2": gone, "RX3": [*gone, 460], "RX4": []})
    assert [(p.lines, p.count) for p in found.patterns] == [(("RX2", "RX3"), 4), (("RX3",), 1)]
    assert "4 struck RX2 and RX3 at once: what those share" in sentence(found)
    assert "1 struck RX3 alone" in sentence(found)


def test_all_lines_of_one_receiver():
    gone = [40, 90, 200, 333]
    lines = {"RX1": [], "RX2": gone, "RX3": gone, "RX4": []}
    found = examine(lines, (("RX1", "RX4"), ("RX2", "RX3")))
    assert "all the lines of one receiver: its link or its supply" in sentence(found)


def test_each_line_on_its_own_is_told_by_line():
    found = examine({"RX1": [10, 60, 110], "RX2": [30, 85], "RX3": [140, 250]})
    assert found.findings[0].value == 0
    assert "7 struck one line only (3 on RX1, 2 on RX2 and 2 on RX3)" in sentence(found)


def test_shared_moments_that_chance_gives_are_not_blamed_on_anything():
    rng = np.random.default_rng(4)
    lines = {f"RX{i}": np.sort(rng.choice(np.arange(1, 499), 60, replace=False)) for i in range(3)}
    found = examine(lines)
    assert found.findings[0].value > 5
    assert not any(pattern.is_common for pattern in found.patterns)
    assert "which may be chance" in sentence(found)
    assert "supply" not in sentence(found)


def test_a_common_cause_is_seen_among_glitches_of_the_lines_own():
    """As with dropped frames on a noisy link: the shared ones must not hide behind the rates."""
    rng = np.random.default_rng(4)
    common = np.arange(20, 480, 20)
    lines = {
        f"RX{i}": np.union1d(common, rng.choice(np.arange(1, 499), 9, replace=False))
        for i in range(4)
    }
    found = examine(lines)
    assert found.patterns[0].lines == ("RX0", "RX1", "RX2", "RX3")
    assert found.patterns[0].count >= common.size - 1
    assert "struck all 4 lines at once: the link or the supply" in sentence(found)
    assert found.expected < 2.5


def test_two_lines_are_both():
    found = examine({"RX1": [40, 90, 200], "RX2": [40, 90, 200]})
    assert "3 struck both lines at once" in sentence(found)


def test_no_glitch_at_all():
    found = examine({"RX1": [], "RX2": []})
    assert found.findings[0].value == 0.0
    assert sentence(found) == "No line has a glitch, so none come together."


@pytest.mark.parametrize("lines", [{}, {"RX1": [40, 90]}])
def test_one_line_has_nothing_to_compare_with(lines):
    assert examine(lines).findings[0].verdict.value == "not shown"


def test_twenty_moments_are_evidence():
    gone = list(range(10, 400, 10))
    found = examine({"RX1": gone, "RX2": gone})
    assert len(found.findings[0].evidence) == 20
    assert found.time_s.size == found.findings[0].value == len(gone)


def test_the_finding_has_its_definition():
    assert [d.name for d in COINCIDENCE_DEFINITIONS] == [
        f.name for f in examine({"A": [], "B": []}).findings
    ]


@pytest.mark.parametrize("rates", [(0.3, 0.1), (0.5, 0.5, 0.5), (2.0, 0.5, 1.0, 0.1), (20.0, 8.0)])
def test_the_expected_number_is_what_independent_lines_give(rates):
    """Monte Carlo of Poisson processes, through the same gathering into moments."""
    rng = np.random.default_rng(7)
    watched_s, window_s, shared = 400.0, 0.019, []
    blank = record("RX")
    for _ in range(60):
        glitches = {
            f"RX{i}": Glitches(
                "RX", watched_s, (), np.sort(rng.uniform(0, watched_s, rng.poisson(rate * 400))), ()
            )
            for i, rate in enumerate(rates)
        }
        found = examine_coincidence(glitches, dict.fromkeys(glitches, blank))
        shared.append(found.findings[0].value)
    doubt = np.std(shared, ddof=1) / np.sqrt(len(shared)) + 0.05
    expected = expected_shared(np.array(rates), window_s, watched_s)
    assert np.mean(shared) == pytest.approx(expected, abs=4 * doubt)
    assert found.expected == pytest.approx(expected, rel=0.2)


@given(st.lists(st.integers(0, 3_000), max_size=80), st.integers(1, 60))
def test_moments_are_those_of_a_walk_from_one_to_the_next(times, window):
    time_s = np.sort(np.array(times, dtype=float))
    expected, end = [], -np.inf
    for i, moment in enumerate(time_s):
        if moment >= end:
            expected.append(i)
            end = moment + window
    assert _openers(time_s, float(window)).tolist() == expected


def test_the_chance_of_a_pattern_is_that_of_as_many_or_more():
    # Three moments of two lines meet: the Poisson tail from 3 on, by scipy's distribution.
    missing = {"RX1": [40, 90, 200, 260, 300, 410], "RX2": [40, 90, 200, 150, 330, 470]}
    both = next(p for p in examine(missing).patterns if len(p.lines) == 2)
    assert both.count == 3
    assert both.expected > 0.0
    assert both.chance == pytest.approx(float(poisson.sf(2, both.expected)), rel=1e-9)
