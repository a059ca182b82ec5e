"""Freshness: given frames that repeat the width before, they are found while the stick moves."""

import json
from pathlib import Path

import numpy as np
import pytest

from pwmscope import examine, load
from pwmscope.capture import Capture, Line
from pwmscope.findings.comparison import compare
from pwmscope.findings.freshness import (
    DEFINITIONS,
    SHARED_DEFINITIONS,
    format_share,
    share_interval,
)
from pwmscope.model import Verdict

CAPTURES = Path(__file__).parents[2] / "captures"
PERIOD_US, FIRST_US, FRAMES = 20_000, 3_000, 1500


def swing(frames=FRAMES, period=90, size_us=400.0):
    """A stick that swings smoothly, never at the same place in two neighbouring frames."""
    return 1500.0 + size_us * np.sin(2.0 * np.pi * np.arange(frames) / period)


def repeated(path_us, stale):
    """The same, where some frames repeat the width before."""
    stale = np.asarray(stale, bool)
    return path_us[np.maximum.accumulate(np.where(stale, 0, np.arange(path_us.size)))]


def recording(
    jitter_us=0.3, seed=1, source="an example", period_us=PERIOD_US, grid_us=0.25, **widths_us
):
    rng = np.random.default_rng(seed)
    lines = {}
    for at, (name, width_us) in enumerate(widths_us.items()):
        rise = FIRST_US + 50.0 * at + period_us * np.arange(width_us.size)
        made = width_us + rng.normal(0.0, jitter_us, width_us.size)
        edges = np.stack([rise, rise + made], axis=1).ravel()
        lines[name] = Line(
            name, np.ceil(edges / grid_us).astype(np.int64) * round(grid_us * 1e6), 0
        )
    size = max(width_us.size for width_us in widths_us.values())
    return Capture(lines, (FIRST_US + period_us * size) * 1_000_000, grid_us * 1e6, source)


def stale_runs(*runs):
    stale = np.zeros(FRAMES, bool)
    for first, count in runs:
        stale[first : first + count] = True
    return stale


RUNS = ((137, 1), (225, 3), (400, 7), (492, 2), (765, 4), (990, 1))


@pytest.fixture(scope="module")
def frozen():
    widths_us = repeated(swing(), stale_runs(*RUNS))
    return examine(recording(RX1=widths_us, RX2=np.full(FRAMES, 1500.0)))


def test_each_freeze_is_found_where_it_is(frozen):
    found = frozen["RX1"].freshness.renewals
    first = np.rint((found.start_s * 1e6 - FIRST_US) / PERIOD_US).astype(int)
    assert list(zip(first, found.frames - 1, strict=True)) == list(RUNS)


def test_the_share_and_the_longest_are_told_with_intervals(frozen):
    share, rate, longest = frozen["RX1"].freshness.findings
    told = frozen["RX1"].freshness
    assert share.value == pytest.approx(100.0 * told.fresh / (told.fresh + told.stale))
    assert share.interval[0] < 100.0 * (1.0 - 18 / FRAMES) < share.interval[1]
    assert rate.interval[0] < rate.value < rate.interval[1]
    assert longest.value == pytest.approx(7 * PERIOD_US / 1e3, abs=0.01)
    assert longest.interval == pytest.approx((140 - 15.52, 140 + 15.52), abs=0.02)
    assert all(finding.verdict is None for finding in (share, rate, longest))  # no limit stated


def test_a_resting_stick_is_not_shown_with_both_causes(frozen):
    for finding in frozen["RX2"].freshness.findings:
        assert finding.verdict is Verdict.NOT_SHOWN
        assert "stick rested or the link was frozen" in finding.sentence


def test_a_slow_stick_in_coarse_steps_is_not_shown_with_both_causes():
    slow_us = np.round(swing(period=1400, size_us=80.0) / 4.0) * 4.0
    freshness = examine(recording(RX1=slow_us))["RX1"].freshness
    assert freshness.renewals.first.size == 0
    assert freshness.findings[0].value is None
    assert "steps up to" in freshness.findings[0].sentence
    assert "repeated width look alike" in freshness.findings[0].sentence


def test_coarse_steps_of_a_fast_stick_freeze_nothing():
    freshness = examine(recording(RX1=np.round(swing() / 4.0) * 4.0))["RX1"].freshness
    assert freshness.share == 1.0
    assert freshness.stale == 0


def test_a_stick_that_is_let_go_freezes_nothing():
    # Pushed, held for half a second, let go: the spring takes it home in two frames.
    path_us = np.concatenate(
        [
            np.concatenate(
                [np.linspace(1500, 1800, 12), np.full(25, 1800), [1650, 1530], np.full(26, 1500)]
            )
            for _ in range(20)
        ]
    )
    freshness = examine(recording(RX1=path_us))["RX1"].freshness
    assert freshness.renewals.first.size == 0


def test_freezes_that_lines_share_are_the_links():
    stale = stale_runs(*RUNS)
    both = examine(recording(RX1=repeated(swing(), stale), RX2=repeated(swing(period=70), stale)))
    shared = both.shared_freezes
    assert shared.shared == shared.witnessed > 4
    assert "the link or the receiver" in shared.findings[0].sentence


def test_a_freeze_of_one_line_alone_is_told_apart():
    alone = examine(recording(RX1=repeated(swing(), stale_runs(*RUNS)), RX2=swing(period=70)))
    shared = alone.shared_freezes
    assert shared.shared == 0
    assert set(shared.alone) == {"RX1"}
    assert "Alone" in shared.findings[0].sentence


def test_regular_renewals_are_the_links_own_rhythm():
    moving_us = np.concatenate([np.full(90, 1500.0), swing(period=180)])
    every_third = repeated(moving_us, np.arange(moving_us.size) % 3 != 0)
    freshness = examine(recording(RX1=every_third))["RX1"].freshness
    assert freshness.renewals.every == 3.0
    assert freshness.share == 1.0
    assert "less often than the output repeats" in freshness.findings[0].sentence


def test_a_comparison_of_a_fresh_and_a_stale_link_says_the_difference():
    rng = np.random.default_rng(3)
    stale = rng.random(FRAMES) < 0.22
    stale[500:522] = True  # a freeze of 0.45 s and more
    one = examine(recording(source="fresh.csv", RX1=swing()))
    other = examine(recording(source="stale.csv", RX1=repeated(swing(), stale)))
    differing = {row.name for row in compare([one, other]).rows if row.is_different}
    assert {"fresh frames", "freezes", "longest freeze"} <= differing


def test_missing_frames_are_never_called_the_links_health():
    by_name = {each.name: each.meaning for each in (*DEFINITIONS, *SHARED_DEFINITIONS)}
    assert "It is not the number of missing frames" in by_name["fresh frames"]


@pytest.mark.parametrize("line", ["RX1", "RX2", "RX3"])
def test_the_shipped_fault_hunt_holds_what_its_truth_says(line):
    truth = json.loads((CAPTURES / "fault-hunt.truth.json").read_text())["frames"]["stale"]
    found = examine(load(CAPTURES / "fault-hunt.csv.gz"))[line].freshness.renewals
    runs = {(run["at_s"], run["frames"]) for run in truth}
    for start_s, frames in zip(found.start_s, found.frames - 1, strict=True):
        assert any(abs(at - start_s) < 1e-4 and count == frames for at, count in runs)
    assert found.first.size > 0.55 * len(runs)  # the others come where the stick turns round


def test_an_interval_widens_where_repeats_come_in_bursts():
    alone, bursts = share_interval(90, 10, 1.0), share_interval(90, 10, 5.0)
    assert bursts[0] < alone[0] < 0.9 < alone[1] < bursts[1]


def test_a_share_reads_whole_only_where_it_is():
    assert format_share(99.97) == "99.9 %"


def test_a_dial_turned_from_notch_to_notch_freezes_nothing():
    # Notches of 60 us, one in some 0.1 s, and 25 ms from one to the next, between frames of 7 ms.
    rng = np.random.default_rng(5)
    turned_s = np.cumsum(rng.gamma(6.0, 0.1 / 6.0, 800))
    notch = np.abs((np.arange(800) + 7) % 28 - 14) - 7.0
    at_s = np.arange(9000) * 0.007
    turns_s = np.stack([turned_s, turned_s + 0.025], axis=1).ravel()[:-1]
    width_us = 1500.0 + 60.0 * np.interp(at_s, turns_s, np.repeat(notch, 2)[1:])
    width_us = np.round(width_us / 2.0) * 2.0
    freshness = examine(recording(0.0, period_us=7_000, RX1=width_us))["RX1"].freshness
    assert freshness.share is None
    assert freshness.renewals.first.size == 0


def test_a_slow_sweep_in_noise_freezes_nothing():
    slow_us = 1500.0 + 400.0 * np.sin(2.0 * np.pi * np.arange(9000) / 620.0 + 0.3)
    freshness = examine(recording(1.6, period_us=7_000, grid_us=2.0, RX1=slow_us))["RX1"].freshness
    assert freshness.renewals.first.size == 0


def test_long_freezes_of_a_link_that_sends_by_turns_hide_no_turns():
    stale = np.arange(4000) % 2 > 0
    for at, first in enumerate(range(100, 3900, 200)):
        stale[first : first + 16 + 2 * (at % 5)] = True
    path_us = repeated(swing(4000, period=180), stale)
    freshness = examine(recording(RX1=path_us))["RX1"].freshness
    assert freshness.renewals.every == 2.0
    assert freshness.share == pytest.approx(0.9, abs=0.05)
    assert freshness.findings[0].interval[0] < 90.0 < freshness.findings[0].interval[1]
