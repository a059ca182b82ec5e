"""Travel: given these endpoints and this neutral, this travel, asymmetry and number of turns."""

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.travel import DEFINITIONS, examine_travel
from pwmscope.findings.travel.levels import find_moves, turning_points
from pwmscope.model import Span, Verdict
from pwmscope.pulses import STANDARD_SERVO, Flag, PulseTable, decode, find_frames
from pwmscope.synth import Channel, Dwell, Frame, Script, Sweep, Width, build

RATES = [1_000_000, 24_000_000]


def record_of(table, losses=()):
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), losses, COMMON_PRACTICE)


def recorded(moves, rate_hz=24_000_000, jitter_us=0.3, seed=1):
    moves = tuple(moves)
    lasts_s = sum(getattr(m, "for_s", 0) + getattr(m, "over_s", 0) for m in moves)
    script = Script(
        lasts_s, rate_hz, seed, Frame(20_000, 1_234.5, 0.8), (Channel("RX1", moves),),
        Width(jitter_us),
    )  # fmt: skip
    return record_of(decode(build(script).capture)["RX1"])


def table_of(width_us, interval_us=0.04, flags=None):
    width_us = np.asarray(width_us, dtype=float)
    rise_s = np.arange(width_us.size) * 0.02
    return PulseTable(
        "RX1", rise_s, width_us, np.append(np.full(max(width_us.size - 1, 0), 2e4), np.nan)[
            : width_us.size], np.zeros(width_us.size, np.uint8) if flags is None else flags,
        inverted=False, convention=STANDARD_SERVO, sample_interval_us=interval_us,
    )  # fmt: skip


def to_both_ends(low_us, neutral_us, high_us):
    return [
        Dwell(neutral_us, 3), Sweep(high_us, 1.7), Dwell(high_us, 1.5), Sweep(low_us, 2.9),
        Dwell(low_us, 1.5), Sweep(neutral_us, 1.4), Dwell(neutral_us, 2),
    ]  # fmt: skip


def by_name(findings):
    return {finding.name: finding for finding in findings}


@pytest.mark.parametrize("rate_hz", RATES)
@pytest.mark.parametrize(
    ("low_us", "neutral_us", "high_us"), [(1012, 1500, 1988), (1003.3, 1511.7, 1990)]
)
def test_the_travel_covers_its_truth(low_us, neutral_us, high_us, rate_hz):
    travel = examine_travel(recorded(to_both_ends(low_us, neutral_us, high_us), rate_hz))
    told = by_name(travel.findings)
    for name, true_us in (
        ("travel", high_us - low_us),
        ("asymmetry", high_us + low_us - 2 * neutral_us),
    ):
        assert abs(told[name].value - true_us) <= 2 * told[name].uncertainty
        assert told[name].uncertainty < 1.5 * (1e6 / rate_hz) + 0.12
    differs = "No difference between" not in told["asymmetry"].sentence
    assert differs is (neutral_us != 1500)
    assert told["reversals"].value == 2
    assert told["travel"].verdict is None
    below, above = re.search(r"([0-9.]+) ± \S+ us below neutral and ([0-9.]+)",
                             told["travel"].sentence).groups()  # fmt: skip
    assert float(below) == pytest.approx(neutral_us - low_us, abs=1e6 / rate_hz + 0.2)
    assert float(above) == pytest.approx(high_us - neutral_us, abs=1e6 / rate_hz + 0.2)
    share = 200 * told["asymmetry"].value / (float(above) + float(below))
    said = re.search(r"([-+0-9.]+) % of the travel", told["asymmetry"].sentence)
    assert abs(float(said[1])) == pytest.approx(abs(share), abs=0.02)


def test_the_longer_side_is_named():
    shorter_above = by_name(examine_travel(recorded(to_both_ends(1000, 1520, 1980))).findings)
    assert shorter_above["asymmetry"].sentence.startswith("Below neutral the width goes 60.")
    shorter_below = by_name(examine_travel(recorded(to_both_ends(1060, 1500, 2000))).findings)
    assert shorter_below["asymmetry"].sentence.startswith("Above neutral the width goes 60.")
    even = by_name(examine_travel(recorded(to_both_ends(1000, 1500, 2000))).findings)
    assert even["asymmetry"].sentence.startswith("No difference between the two sides")


def test_asymmetry_is_not_judged_without_a_sample_interval():
    width = np.concatenate([np.full(60, 1500.0), np.full(60, 2000.0), np.full(60, 1020.0)])
    travel = examine_travel(record_of(table_of(width, interval_us=None)))
    assert by_name(travel.findings)["asymmetry"].value == pytest.approx(20)
    assert "not known" in by_name(travel.findings)["asymmetry"].sentence


def test_neutral_is_the_dwell_nearest_to_the_mark():
    moves = [Dwell(1500, 4), Sweep(1570, 0.5), Dwell(1570, 1.5), Sweep(1000, 1), Dwell(1000, 1),
             Sweep(1500, 1), Dwell(1500, 3)]  # fmt: skip
    record = recorded(moves)
    assert examine_travel(record).neutral.width_us == pytest.approx(1500, abs=0.5)
    assert examine_travel(record, 1560.0).neutral.width_us == pytest.approx(1570, abs=0.5)
    assert examine_travel(record, 1520.0).neutral.width_us == pytest.approx(1500, abs=0.5)
    far = examine_travel(record, 1750.0)
    assert far.neutral is None
    assert far.reasons["neutral"] == "The stick never stood within 100 us of 1750 us."


def test_one_side_is_told_where_the_other_was_never_held():
    record = recorded(
        [Dwell(1500, 3), Sweep(1980, 1), Dwell(1980, 2), Sweep(1500, 1), Dwell(1500, 1)]
    )
    told = by_name(examine_travel(record).findings)
    assert told["travel"].verdict is Verdict.NOT_SHOWN
    assert "never held at its low end" in told["travel"].sentence
    assert "480.0" in told["travel"].sentence
    assert told["asymmetry"].verdict is Verdict.NOT_SHOWN


@pytest.mark.parametrize("jitter_us", [0.0, 0.5, 4.0])
def test_jitter_and_trims_turn_nothing_round(jitter_us):
    rng = np.random.default_rng(3)
    moves = [Dwell(1500, 1)]
    for end_us in (1900, 1100, 1950, 1300):
        for _ in range(5):  # a hand that wavers by 15 us on its way
            moves += [Sweep(end_us + rng.uniform(-15, 15), 0.2), Sweep(end_us, 0.1)]
        moves.append(Dwell(end_us, 0.8))
    found = examine_travel(recorded(moves, jitter_us=jitter_us))
    assert by_name(found.findings)["reversals"].value == 3
    assert len(by_name(found.findings)["reversals"].evidence) == 3


def test_turns_without_a_dwell_count_and_are_located():
    there_and_back = np.concatenate([np.linspace(1100, 1900, 80), np.linspace(1890, 1110, 79)])
    record = record_of(table_of(np.tile(there_and_back, 4)))
    travel = examine_travel(record)
    assert by_name(travel.findings)["reversals"].value == 7
    tops = travel.moves.turn_us[1:-1]
    assert np.isin(np.rint(tops), [1100, 1110, 1890, 1900]).all()
    assert len(travel.moves) == 8


def test_moves_end_at_dwells_losses_and_turns():
    width = np.concatenate([
        np.full(60, 1500.0), np.linspace(1500, 1900, 40), np.full(60, 1900.0),
        np.linspace(1900, 1100, 60), np.linspace(1100, 1500, 40), np.full(60, 1500.0),
    ])  # fmt: skip
    whole = find_moves(record_of(table_of(width)))
    assert [tuple(x) for x in np.stack([whole.before, whole.after], 1)] == [
        (0, 1),
        (1, -1),
        (-1, 2),
    ]
    lost = find_moves(record_of(table_of(width), (Span(1.5, 1.6),)))
    assert [tuple(x) for x in np.stack([lost.before, lost.after], 1)][:2] == [(0, -1), (-1, 1)]
    in_loss = (lost.row * 0.02 >= 1.5) & (lost.row * 0.02 < 1.6)
    assert not in_loss.any()
    assert (np.diff(lost.row) > 0).all()


@pytest.mark.parametrize(
    ("width", "flags"),
    [([], 0), ([1500], 0), ([1500, 1600], 0), ([1500] * 3, 0), ([1500] * 400, 0),
     ([20] * 50, Flag.GLITCH), ([np.nan], Flag.CUT)],
)  # fmt: skip
@pytest.mark.parametrize("interval_us", [None, 1.0])
def test_too_little_to_tell_is_told(width, flags, interval_us):
    record = record_of(table_of(width, interval_us, np.full(len(width), int(flags), np.uint8)))
    told = by_name(examine_travel(record).findings)
    for name in ("travel", "asymmetry"):
        assert told[name].verdict is Verdict.NOT_SHOWN
        assert told[name].sentence.endswith(".")
    assert told["reversals"].verdict is Verdict.NOT_SHOWN or told["reversals"].value == 0


def test_every_finding_is_defined():
    names = [f.name for f in examine_travel(recorded(to_both_ends(1000, 1500, 2000))).findings]
    assert names == [definition.name for definition in DEFINITIONS]


def one_by_one(values, least):
    """Follow the values one by one; a turn counts once they came back by ``least``."""
    low = high = 0
    turns, way = [], 0
    for at, value in enumerate(values):
        if way <= 0 and value < values[low]:
            low = at
        if way >= 0 and value > values[high]:
            high = at
        if way <= 0 and value - values[low] >= least and at > low:
            turns.append(low)
            way, high = 1, at
        elif way >= 0 and values[high] - value >= least and at > high:
            turns.append(high)
            way, low = -1, at
    if way:
        turns.append(high if way > 0 else low)
    return turns


@given(st.lists(st.integers(0, 30), max_size=80), st.integers(1, 20))
def test_turning_points_are_those_found_one_by_one(values, least):
    values = np.array(values, dtype=float)
    found = turning_points(values, float(least))
    assert values[found].tolist() == [values[at] for at in one_by_one(values, least)]
    assert (np.diff(found) > 0).all()


def test_toggling_and_swelling_widths_take_few_passes():
    toggling = np.tile([1500.0, 1501.0], 200_000)
    assert turning_points(toggling, 50.0).size == 0
    swelling = 1500 + np.linspace(0, 60, 4000) * np.tile([1.0, -1.0], 2000)
    assert turning_points(swelling, 50.0).size > 2000
