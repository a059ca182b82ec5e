"""The sampling interval that change times give away."""

import itertools

import numpy as np
import pytest

from pwmscope import load
from pwmscope.capture.reader.hints import (
    RATES_HZ,
    Hints,
    find_interval_ps,
    find_listed_interval,
    parse_rate,
)
from pwmscope.errors import HintError


def ticks(seed, count=200):
    return np.cumsum(np.random.default_rng(seed).integers(30, 90_000, count))


@pytest.mark.parametrize("rate_hz", [100e3, 500e3, 1e6, 4e6, 12e6, 24e6, 25e6, 48e6, 100e6])
@pytest.mark.parametrize("resolution_ps", [1, 100])
def test_a_clocked_analyser_gives_its_rate_away(rate_hz, resolution_ps):
    times = np.round(ticks(7) * 1e12 / rate_hz / resolution_ps).astype(np.int64) * resolution_ps
    assert find_interval_ps([times], resolution_ps) == pytest.approx(1e12 / rate_hz, rel=1e-9)


@pytest.mark.parametrize("seed", range(20))
def test_times_without_a_lattice_give_no_interval(seed):
    times = np.random.default_rng(seed).integers(0, 10**13, 40)
    assert find_interval_ps([np.sort(times)], 1) is None


@pytest.mark.parametrize(
    ("rate_hz", "resolution_ps"), [(24e6, 10**4), (2e6, 10**5), (240e3, 10**6)]
)
@pytest.mark.parametrize("rounded", [np.round, np.floor])
def test_an_interval_of_a_few_printed_digits_shows_in_many_times(rate_hz, resolution_ps, rounded):
    times = (rounded(ticks(3) * 1e12 / rate_hz / resolution_ps)).astype(np.int64) * resolution_ps
    assert find_interval_ps([times], resolution_ps) == pytest.approx(1e12 / rate_hz, rel=1e-9)
    few = times[: 20 if rate_hz != 2e6 else 19]
    assert find_interval_ps([few], resolution_ps) is None  # chance would do it as well


def test_an_interval_of_no_known_rate_shows_as_common_divisor():
    assert find_interval_ps([ticks(5) * 7_000_000], 1000) == 7_000_000


def test_a_long_list_is_tried_in_part_and_checked_in_full():
    times = np.cumsum(np.random.default_rng(1).integers(30, 90_000, 50_000)) * 1_000_000
    assert find_interval_ps([times], 1) == 1_000_000
    times[33_333] += 250_000  # one change between the ticks
    assert find_interval_ps([times], 1) == 250_000
    times[33_333] += 7
    assert find_interval_ps([times], 1) is None


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("count", [30, 9_000, 50_000])
@pytest.mark.parametrize("spoilt", [False, True])
def test_a_list_in_parts_shows_what_it_shows_in_one(seed, count, spoilt):
    draws = np.random.default_rng(seed)
    times = np.cumsum(draws.integers(30, 90_000, count)) * 1_000_000
    times[-1] += 250_000 * spoilt
    parts = np.split(times, np.sort(draws.integers(0, count + 1, 7)))  # some of them empty
    found = find_listed_interval(parts, 1, None, Hints.of(), "a.csv")
    assert found[0] == (250_000 if spoilt else 1_000_000) == find_interval_ps([times], 1)
    assert f"All {count} changes lie on ticks" in found[1]


def servo_edges_s(draws, count=400):
    """Rises and falls of four lines that follow each other in a frame, the widths on the move."""
    width_us = 1500 + 400 * np.sin(np.arange(count)[:, None] / np.array([7.0, 11.0, 17.0, 23.0]))
    width_us += draws.normal(0, 0.3, width_us.shape)
    begins_us = 18_000.37 * np.arange(count)[:, None] + np.cumsum(width_us + 20, axis=1)
    return np.sort(np.concatenate([begins_us, begins_us + width_us], axis=None)) * 1e-6


def printed(times_s, rate_hz, decimals):
    """Picoseconds, as a clocked analyser prints them: the next sample, to so many decimals."""
    sampled_s = np.ceil(times_s * rate_hz) / rate_hz
    return np.round(np.round(sampled_s * 10**decimals) * 10.0 ** (12 - decimals)).astype(np.int64)


@pytest.mark.parametrize(
    ("rate_hz", "decimals", "expected_ps"),
    [
        (1e6, 6, 1e6),  # one printed digit: ticks of it show nothing finer
        (24e6, 6, 1e6),  # sampled more finely, and printed so
        (2e6, 6, 1e6),
        (2e6, 7, 5e5),
        (1e6, 9, 1e6),
        (24e6, 7, 1e5),
        (24e6, 9, 1e12 / 24e6),
        (100e3, 5, 1e7),
    ],
)
def test_times_without_coarser_ticks_are_known_to_one_printed_digit(rate_hz, decimals, expected_ps):
    times = printed(servo_edges_s(np.random.default_rng(5)), rate_hz, decimals)
    parts = np.split(times, [100, 1000])
    found = find_listed_interval(parts, 10 ** (12 - decimals), None, Hints.of(), "a.csv")
    assert found[0] == pytest.approx(expected_ps, rel=1e-9)
    shown = found[0] > 10 ** (12 - decimals)
    assert found[1].source == ("data" if shown else "convention")
    assert found[1].changed_by == ("rate",)


@pytest.mark.parametrize("rate_hz", [7e6, 44_100.0, 3.7e3])
def test_ticks_of_no_known_rate_are_bounded_and_not_taken_for_the_printed_digit(rate_hz):
    times = printed(servo_edges_s(np.random.default_rng(6)), rate_hz, 9 if rate_hz > 1e6 else 6)
    resolution_ps = 10**3 if rate_hz > 1e6 else 10**6
    found_ps, said = find_listed_interval([times], resolution_ps, None, Hints.of(), "a.csv")
    assert 1e12 / rate_hz <= found_ps <= 1e12 / rate_hz + 4 * resolution_ps
    assert "at most" in said


def test_times_of_six_significant_digits_are_known_as_their_coarsest():
    times_s = servo_edges_s(np.random.default_rng(7), 4000)
    times = np.array([round(float(f"{each:.6g}") * 1e12) for each in times_s])
    assert find_listed_interval([times], 10**6, None, Hints.of(), "a.csv")[0] == 1e8


@pytest.mark.parametrize("seed", range(5))
def test_a_coarser_print_never_claims_finer_times(seed):
    times_s = servo_edges_s(np.random.default_rng(seed))
    for rate_hz in (3e3, 1e6, 1.25e6, 2e6, 12e6, 24e6, 100e6):
        found = [
            find_listed_interval(
                [printed(times_s, rate_hz, decimals)], 10 ** (12 - decimals), None, Hints.of(), ""
            )[0]
            for decimals in (12, 9, 8, 7, 6, 5)
        ]
        assert all(a <= b * 1.001 for a, b in itertools.pairwise(found)), rate_hz
        assert found[0] >= 0.999e12 / rate_hz


@pytest.mark.parametrize(
    ("rate", "decimals"), [("24Hz", 9), ("100MHz", 9), ("24kHz", 6), ("1kHz", 6)]
)
def test_a_rate_that_the_times_refute_is_refused(rate, decimals):
    times = printed(servo_edges_s(np.random.default_rng(8)), 12e6, decimals)
    shown = "show 12 MS/s" if decimals == 9 else "show 500 kS/s or faster"
    with pytest.raises(HintError, match=rf"a.csv: the times {shown} but `rate` says .*; mend"):
        find_listed_interval(
            [times], 10 ** (12 - decimals), parse_rate(rate), Hints.of(rate=rate), "a.csv"
        )
    found = find_listed_interval([times], 10 ** (12 - decimals), 12e6, Hints.of(rate="12MHz"), "")
    assert found[0] == pytest.approx(1e12 / 12e6)


@pytest.mark.parametrize(("rate", "is_so"), [("500kHz", False), ("700kHz", False), ("1MHz", True),
                                             ("2MHz", True), ("24MHz", True)])  # fmt: skip
def test_a_rate_on_whose_ticks_the_changes_do_not_lie_is_refused(rate, is_so):
    """Changes at odd and even microseconds are none of an analyser that samples every 2 us."""
    times = printed(servo_edges_s(np.random.default_rng(11)), 1e6, 6)
    assert {*(times // 10**6 % 2).tolist()} == {0, 1}
    hints = Hints.of(rate=rate)
    if is_so:
        assert find_listed_interval([times], 10**6, hints.rate_hz, hints, "a.csv")[0] < 1.1e6
    else:
        with pytest.raises(HintError, match=r"a.csv: the changes do not lie on ticks .* apart"):
            find_listed_interval([times], 10**6, hints.rate_hz, hints, "a.csv")


def test_a_level_listed_at_time_0_is_no_change_that_refutes_a_rate(tmp_path):
    times_s = 0.1234567 + printed(servo_edges_s(np.random.default_rng(12)), 500e3, 6)[:400] * 1e-12
    rows = [f"{time:.7f},RX1,{1 - n % 2}" for n, time in enumerate(times_s)]
    file = tmp_path / "a.csv"
    file.write_text("time_s,line,level\n0.0000000,RX1,0\n" + "\n".join(rows) + "\n")
    assert load(file, rate="500kHz").sample_interval_ps == 2e6


def test_a_source_of_a_slower_clock_does_not_refute_the_analysers_rate():
    """Edges of an 8 MHz controller at 100 MS/s lie 120 or 130 ns apart, near its own ticks."""
    edges_s = np.rint(servo_edges_s(np.random.default_rng(9)) * 8e6) / 8e6
    times = printed(edges_s, 100e6, 8)
    assert find_listed_interval([times], 10**4, None, Hints.of(), "")[0] == pytest.approx(125e3)
    found = find_listed_interval([times], 10**4, 100e6, Hints.of(rate="100MHz"), "a.csv")
    assert found[0] == pytest.approx(1e4)


def test_changes_beside_the_ticks_are_not_said_to_lie_on_them():
    """A source of a 2 us clock at 100 MS/s: its edges lie on its ticks or one sample beside."""
    draws = np.random.default_rng(10)
    ticks_ps = 2_000_000 * np.cumsum(draws.integers(700, 9000, 2000))
    on = find_listed_interval([ticks_ps], 10**4, None, Hints.of(), "a.csv")
    assert on[0] == 2e6
    assert "changes lie on ticks 2 us apart" in on[1]
    sampled_ps = ticks_ps + 10_000 * draws.integers(0, 2, ticks_ps.size)
    beside = find_listed_interval([sampled_ps], 10**4, None, Hints.of(), "a.csv")
    assert beside[0] == 2e6  # a coarser interval claims no more than a finer one
    assert "changes lie within 10 ns of ticks 2 us apart" in beside[1]
    assert beside[1].source == "convention"
    other = np.sort(sampled_ps + 20_000 * draws.integers(0, 2, ticks_ps.size))
    assert find_listed_interval([other], 10**4, None, Hints.of(), "a.csv")[0] < 2e6


def test_few_changes_are_not_enough():
    assert find_interval_ps([np.arange(19) * 1_000_000], 1) is None


def test_candidate_rates_are_in_order():
    assert list(RATES_HZ) == sorted(RATES_HZ)
