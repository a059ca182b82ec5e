"""The vectorised decoder against a slow one that walks edge by edge.

Source: the definitions in pwmscope's public docstrings (`Flag`, `PulseTable`,
`Convention`; pulse duration and period after IEEE Std 181), implemented a
second time: times are whole picoseconds and exact fractions, nothing is a
vector, no code is shared. It was drafted without sight of the first decoder.
Hypothesis searches for an edge list on which the two differ.

Where the docstrings leave room, the draft and the first decoder differed in
places; these readings were settled then and are held now:

- a pulse that is a glitch is not also foreign or outside; one that is foreign
  is also outside; a bridged pulse, whose own ends are in doubt, is never
  outside, but is foreign where its length is;
- the width of a cut pulse is not known, so it is neither glitch nor foreign nor
  outside, and one cut by the end marks a frame with its leading edge only if
  what was seen of it lies within the accepted range;
- a bridged pulse marks a frame whose instant is in doubt, so the period that
  would end at it is as unknown as the one that would begin at it; glitches and
  foreign pulses mark no frame, and periods run past them;
- "by more than one sample interval" allows one picosecond more, the rounding
  of the instants.
"""

import dataclasses
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pwmscope import STANDARD_SERVO, Flag, Line
from pwmscope.pulses import decode_line

PS_PER_US = 1_000_000
ROUNDING_US = Fraction(1, PS_PER_US)


@dataclass
class Stretch:
    """A time during which the line stays at its active level, bridged gaps included."""

    start_ps: int
    end_ps: int
    cut_at_start: bool = False
    cut_at_end: bool = False
    notched: bool = False


@dataclass
class SlowPulse:
    rise_ps: int
    width_us: Fraction | None
    flags: Flag
    period_us: Fraction | None = None


def gather_stretches(edges_ps, initial_level, duration_ps, active, glitch_us):
    """Walk along the line and gather its active stretches, bridging short gaps."""
    found = []
    level = initial_level
    under_way = Stretch(0, 0, cut_at_start=True) if level == active else None
    for edge_ps in edges_ps:
        level = 1 - level
        if level != active:
            under_way.end_ps = edge_ps
            found.append(under_way)
            under_way = None
        elif found and Fraction(edge_ps - found[-1].end_ps, PS_PER_US) < glitch_us:
            under_way = found.pop()
            under_way.notched = True
        else:
            under_way = Stretch(edge_ps, edge_ps)
    if under_way is not None:
        under_way.end_ps = duration_ps
        under_way.cut_at_end = True
        found.append(under_way)
    return found


def judge_stretch(stretch, convention, interval_us):
    """Measure one stretch and say what is special about it."""
    flags = Flag.NOTCHED if stretch.notched else Flag(0)
    if stretch.cut_at_start or stretch.cut_at_end:
        return SlowPulse(stretch.start_ps, None, flags | Flag.CUT)
    width_us = Fraction(stretch.end_ps - stretch.start_ps, PS_PER_US)
    if width_us < Fraction(convention.glitch_us):
        return SlowPulse(stretch.start_ps, width_us, flags | Flag.GLITCH)
    if not convention.accepted_low_us <= width_us <= convention.accepted_high_us:
        flags |= Flag.FOREIGN
    slack_us = Fraction(interval_us or 0) + ROUNDING_US
    short_us = Fraction(convention.low_us) - width_us
    long_us = width_us - Fraction(convention.high_us)
    if not stretch.notched and (short_us > slack_us or long_us > slack_us):
        flags |= Flag.OUTSIDE
    return SlowPulse(stretch.start_ps, width_us, flags)


def decode_slowly(line, duration_ps, interval_us, convention, active):
    edges_ps = [int(edge_ps) for edge_ps in line.edges_ps]
    stretches = gather_stretches(
        edges_ps, line.initial_level, duration_ps, active, Fraction(convention.glitch_us)
    )
    pulses = []
    earlier = None
    for stretch in stretches:
        pulse = judge_stretch(stretch, convention, interval_us)
        pulses.append(pulse)
        if stretch.cut_at_start or pulse.flags & (Flag.GLITCH | Flag.FOREIGN):
            continue
        seen_us = Fraction(stretch.end_ps - stretch.start_ps, PS_PER_US)
        if stretch.cut_at_end and not (
            convention.accepted_low_us <= seen_us <= convention.accepted_high_us
        ):
            continue
        if earlier is not None and not stretch.notched:
            earlier.period_us = Fraction(pulse.rise_ps - earlier.rise_ps, PS_PER_US)
        earlier = None if stretch.notched else pulse
    return pulses


def floats(values):
    """Exact values as the nearest float64; nothing as NaN."""
    return np.array([np.nan if value is None else float(value) for value in values], float)


def assert_same(line, duration_ps, interval_us, convention):
    """Decode both ways, at the polarity that pwmscope chose, and compare every column."""
    fast = decode_line(line, duration_ps, interval_us, convention)
    active = 0 if fast.inverted else 1
    slow = decode_slowly(line, duration_ps, interval_us, convention, active)
    flags = [Flag(int(flags)) for flags in fast.flags]
    assert flags == [pulse.flags for pulse in slow]
    rises_s = floats(Fraction(pulse.rise_ps, 10**12) for pulse in slow)
    np.testing.assert_array_equal(fast.rise_s, rises_s)
    np.testing.assert_array_equal(fast.width_us, floats(pulse.width_us for pulse in slow))
    np.testing.assert_array_equal(fast.period_us, floats(pulse.period_us for pulse in slow))
    return fast


LIMITS_US = (100, 750, 1000, 1500, 2000, 2250)
GAPS_PS = st.one_of(
    st.integers(1, 30_000_000_000),
    st.integers(1, 200_000_000),
    st.integers(700_000_000, 2_300_000_000),
    st.builds(
        lambda limit_us, off_ps: limit_us * PS_PER_US + off_ps,
        st.sampled_from(LIMITS_US),
        st.sampled_from((-1_000_001, -1_000_000, -999_999, -2, 0, 2, 999_999, 1_000_000)),
    ),
)
"""Time between two edges: anything, short, servo-like, or at the brink of a limit."""
INTERVALS_US = st.sampled_from((None, 1.0, 0.25, 1 / 24, 0.01))
CONVENTIONS = st.sampled_from(
    (
        STANDARD_SERVO,
        dataclasses.replace(STANDARD_SERVO, glitch_us=3.0, accepted_low_us=400.0),
        dataclasses.replace(STANDARD_SERVO, glitch_us=1000.0, low_us=1200.0),
    )
)


@settings(max_examples=400)
@given(
    gaps_ps=st.lists(GAPS_PS, max_size=40),
    tail_ps=st.integers(0, 3_000_000_000),
    initial_level=st.integers(0, 1),
    interval_us=INTERVALS_US,
    convention=CONVENTIONS,
)
@example([], 1, 0, 1.0, STANDARD_SERVO)
@example([], 1, 1, 1.0, STANDARD_SERVO)
@example([1_500_000_000], 0, 1, None, STANDARD_SERVO)
@example([1_500_000_000], 0, 0, None, STANDARD_SERVO)
def test_any_edges_are_decoded_alike(gaps_ps, tail_ps, initial_level, interval_us, convention):
    """The docstrings' definitions, on edges without any order in them."""
    edges_ps = np.cumsum(np.array(gaps_ps, np.int64), dtype=np.int64)
    duration_ps = (int(edges_ps[-1]) if gaps_ps else 0) + tail_ps
    assert_same(Line("RX1", edges_ps, initial_level), duration_ps, interval_us, convention)


@pytest.mark.parametrize("limit_us", LIMITS_US)
@pytest.mark.parametrize("beyond_us", [-1, 0, 1])
def test_every_brink_is_judged_alike(limit_us, beyond_us):
    """The docstrings' "shorter than", "outside" and "by more than", at and beside each limit."""
    for off_ps in (-2, 0, 2):
        brink_ps = (limit_us + beyond_us) * PS_PER_US + off_ps
        # A pulse, a pause and a notch of this length, each between ordinary pulses.
        gaps_ps = [5_000_000_000, 1_500_000_000, 18_500_000_000, brink_ps, 18_500_000_000]
        gaps_ps += [1_500_000_000, brink_ps, 1_500_000_000, 18_500_000_000, 1_500_000_000]
        edges_ps = np.cumsum(np.array(gaps_ps, np.int64))
        duration_ps = int(edges_ps[-1]) + 1_000_000_000
        assert_same(Line("RX1", edges_ps, 0), duration_ps, 1.0, STANDARD_SERVO)


@dataclass(frozen=True)
class Train:
    """A servo pulse train as edges, over a time span that may cut its first and last pulse."""

    edges_ps: tuple
    initial_level: int
    duration_ps: int
    whole_pulses: int


@st.composite
def trains(draw, *, dirt):
    """Draw a pulse train; with dirt also spikes, notches, foreign widths and lost frames."""
    widths_ps = st.integers(900_000_000, 2_100_000_000)
    if dirt:
        widths_ps |= st.integers(2_000_000, 4_000_000_000)
    period_ps = draw(st.integers(12_000_000_000, 22_000_000_000))
    toggles, whole = [], 0
    rise_ps = 0
    for width_ps in draw(st.lists(widths_ps, min_size=5, max_size=15)):
        rise_ps += period_ps + draw(st.integers(-5_000_000, 5_000_000))
        kind = draw(st.sampled_from(("clean", "spike", "notch", "lost"))) if dirt else "clean"
        if kind == "lost":
            continue
        toggles += [rise_ps, rise_ps + width_ps]
        whole += 1
        spot_ps = draw(st.integers(1, 99))
        length_ps = draw(st.integers(10_000, 140_000_000))
        if kind == "spike":
            start_ps = rise_ps + width_ps + spot_ps * 80_000_000
            toggles += [start_ps, start_ps + length_ps]
        if kind == "notch":
            start_ps = rise_ps + width_ps * spot_ps // 100
            toggles += [start_ps, start_ps + length_ps]
    start_ps = draw(st.sampled_from((0, *[edge + 300_000_000 for edge in toggles[:1]])))
    end_ps = max(toggles, default=rise_ps) + draw(st.sampled_from((-200_000_000, 0, 3_000_000_000)))
    end_ps = max(end_ps, start_ps + 1)
    # Toggling twice at one instant is no change; the level at the start counts what came before.
    instants = sorted(edge for edge in set(toggles) if toggles.count(edge) % 2)
    initial_level = sum(edge <= start_ps for edge in instants) % 2
    inside = tuple(edge - start_ps for edge in instants if start_ps < edge <= end_ps)
    return Train(inside, initial_level, end_ps - start_ps, whole - 2)


def line_of(train, idle_level):
    edges_ps = np.array(train.edges_ps, np.int64)
    return Line("RX1", edges_ps, train.initial_level ^ idle_level)


@settings(max_examples=300)
@given(train=trains(dirt=True), idle_level=st.integers(0, 1), interval_us=INTERVALS_US)
def test_dirty_servo_trains_are_decoded_alike(train, idle_level, interval_us):
    """The docstrings' definitions, on trains with spikes, notches, cuts and lost frames."""
    line = line_of(train, idle_level)
    assert_same(line, train.duration_ps, interval_us, STANDARD_SERVO)


@settings(max_examples=150)
@given(train=trains(dirt=False), interval_us=INTERVALS_US)
def test_a_clean_train_reads_the_same_upside_down(train, interval_us):
    """Common practice: pulses are high on most receivers and low on some; both are found."""
    upright = assert_same(line_of(train, 0), train.duration_ps, interval_us, STANDARD_SERVO)
    turned = assert_same(line_of(train, 1), train.duration_ps, interval_us, STANDARD_SERVO)
    assert (upright.inverted, turned.inverted) == (False, True)
    assert np.count_nonzero(upright.measured) >= train.whole_pulses
    for column in ("rise_s", "width_us", "period_us", "flags"):
        np.testing.assert_array_equal(getattr(upright, column), getattr(turned, column))
