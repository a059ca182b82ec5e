"""Order and skew: given outputs that start like this, this order and these offsets are found."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.findings.receivers import (
    DEFINITIONS,
    Start,
    examine_order,
    pair,
    usual_offset,
)
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

INTERVAL_US = 1 / 24
FRAMES = 1500


def line(name, rise_us, width_us, interval_us=INTERVAL_US):
    fall_us = rise_us + width_us
    rise_us = np.ceil(rise_us / interval_us) * interval_us
    fall_us = np.ceil(fall_us / interval_us) * interval_us
    table = PulseTable(
        name,
        rise_us / 1e6,
        fall_us - rise_us,
        np.append(np.diff(rise_us), np.nan),
        np.zeros(rise_us.size, np.uint8),
        inverted=False,
        convention=STANDARD_SERVO,
        sample_interval_us=interval_us,
    )
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)


def clock(frames=FRAMES, period_us=20_000.0, jitter_us=3.0):
    jitter = np.random.default_rng(1).normal(0, jitter_us, frames)
    return 1_000.0 + period_us * np.arange(frames) + jitter


def moving(i, frames=FRAMES):
    return 1500 + 400 * np.sin(np.arange(frames) / (40 + 9 * i))


def still(i, frames=FRAMES):
    return np.full(frames, 1500.0 + 3 * i)


def outputs(starts_us, width=moving):
    return {f"RX{i + 1}": line(f"RX{i + 1}", start, width(i)) for i, start in enumerate(starts_us)}


def chain(count, gap_us=0.3, width=moving):
    starts = [clock()]
    for i in range(count - 1):
        starts.append(starts[-1] + width(i) + gap_us)
    return outputs(starts, width)


def named(order, name):
    return [finding for finding in order.findings if finding.name == name]


def test_outputs_that_start_together():
    order = examine_order(outputs([clock() + 2.4 * i for i in range(4)]))
    (receiver,) = order.receivers
    assert receiver.lines == ("RX1", "RX2", "RX3", "RX4")
    assert receiver.start is Start.TOGETHER
    assert receiver.begins_clearly
    for i, skew in enumerate(receiver.skews):
        assert skew.skew_us.count == FRAMES
        assert skew.skew_us.mean == pytest.approx(2.4 * i, abs=2 * skew.uncertainty_us)
        assert skew.skew_us.max - skew.skew_us.min <= 2 * INTERVAL_US
    assert receiver.pause_us.min > 17_900


def test_outputs_that_start_one_after_another_do_not_jitter():
    order = examine_order(chain(4))
    (receiver,) = order.receivers
    assert receiver.start is Start.CHAIN
    for link in receiver.links:
        assert link.slope == pytest.approx(1.0, abs=0.001)
        assert link.gap_us.mean == pytest.approx(0.3, abs=INTERVAL_US)
        assert link.gap_us.std < INTERVAL_US
    assert receiver.skews[1].skew_us.std > 250
    (told,) = named(order, "start of outputs")
    assert told.value == "one after another"
    for finding in named(order, "skew"):
        assert "That is no jitter" in finding.sentence
        assert "(slope 1.000)" in finding.sentence


def test_outputs_at_fixed_times():
    order = examine_order(outputs([clock() + 2_500.0 * i for i in range(4)]))
    (receiver,) = order.receivers
    assert receiver.start is Start.SLOTS
    assert all(abs(link.slope) < 0.01 for link in receiver.links)
    assert receiver.skews[3].skew_us.mean == pytest.approx(7_500, abs=0.1)
    assert "That is no jitter" not in named(order, "skew")[0].sentence


def test_outputs_in_two_banks_start_in_different_ways():
    first, second = clock(), clock() + moving(0) + 0.5
    order = examine_order(outputs([first, first + 1.0, second + 10, second + 11]))
    (receiver,) = order.receivers
    kinds = [link.start for link in receiver.links]
    assert kinds[0] is Start.TOGETHER
    assert kinds[2] is Start.TOGETHER
    assert receiver.start is not Start.TOGETHER


def test_the_frame_begins_after_its_longest_pause_whatever_the_files_order():
    records = chain(4)
    turned = {name: records[name] for name in ("RX3", "RX4", "RX1", "RX2")}
    order = examine_order(turned)
    assert order.receivers[0].lines == ("RX1", "RX2", "RX3", "RX4")
    assert order.receivers[0].begins_clearly
    assert named(order, "order of channels")[0].value == "RX1, RX2, RX3, RX4"


def test_without_a_pause_that_stands_out_the_order_begins_with_the_first_line():
    starts = [clock() + 5_000.0 * i for i in (2, 3, 0, 1)]
    order = examine_order(outputs(starts, still))
    (receiver,) = order.receivers
    assert not receiver.begins_clearly
    assert receiver.lines == ("RX1", "RX2", "RX3", "RX4")
    assert "No pause tells where the frame begins" in named(order, "order of channels")[0].sentence


def test_starts_too_near_to_tell_apart_are_joined_by_a_plus():
    order = examine_order(outputs([clock(), clock(), clock() + 5.0]))
    assert named(order, "order of channels")[0].value == "RX1 + RX2, RX3"


def test_widths_that_stand_still_leave_the_kind_of_start_open():
    order = examine_order(chain(3, width=still))
    assert order.receivers[0].start is None
    (told,) = named(order, "start of outputs")
    assert told.verdict.value == "not shown"
    assert "did not move enough" in told.sentence
    assert "weapon removed" in told.sentence


def test_a_still_channel_in_a_moving_chain_goes_with_the_chain():
    def width(i):
        return still(i) if i == 1 else moving(i)

    assert examine_order(chain(4, width=width)).receivers[0].start is Start.CHAIN


def test_sampling_alone_does_not_feign_a_slope():
    """Start and width share an edge; at a coarse rate its error must not look like a chain."""
    jitter = np.random.default_rng(2).normal(0, 0.4, (3, FRAMES))
    starts = [clock() + 2_500.25 * i for i in range(3)]
    records = {
        f"RX{i}": line(f"RX{i}", start, 1500.3 + jitter[i], interval_us=1.0)
        for i, start in enumerate(starts)
    }
    order = examine_order(records)
    assert all(link.slope is None for link in order.receivers[0].links)


def test_a_spoilt_edge_hides_neither_chain_nor_slope():
    records = chain(3)
    record = records["RX2"]
    rise_s = record.table.rise_s.copy()
    rise_s[[100, 500, 900]] += 1500e-6
    records["RX2"] = replace(record, table=replace(record.table, rise_s=rise_s))
    (receiver,) = examine_order(records).receivers
    assert receiver.start is Start.CHAIN
    assert receiver.links[0].slope == pytest.approx(1.0, abs=0.01)


def test_evidence_names_the_rows():
    order = examine_order(outputs([clock(), clock() + 2.4]))
    (skew,) = named(order, "skew")
    (span,) = skew.evidence
    assert (span.first, span.last, span.pulses) == (0, FRAMES - 1, FRAMES)
    assert skew.uncertainty < 0.1
    assert all(finding.verdict is None for finding in order.findings)


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_lines_show_nothing(count):
    order = examine_order(outputs([clock()] * count))
    assert order.receivers == ()
    assert [finding.name for finding in order.findings] == [
        "receivers", "order of channels", "start of outputs", "skew",
    ]  # fmt: skip
    assert {finding.verdict.value for finding in order.findings} == {"not shown"}
    assert all(finding.sentence for finding in order.findings)


@pytest.mark.parametrize("frames", [0, 1, 2, 3, 7, 8, 9])
def test_a_handful_of_frames_gives_an_answer_or_a_reason(frames):
    start = clock(frames)
    widths = np.full(frames, 1500.0)
    records = {name: line(name, start + at, widths) for name, at in (("A", 0.0), ("B", 3.0))}
    for finding in examine_order(records).findings:
        assert finding.sentence


def test_every_finding_has_its_definition():
    names = {definition.name for definition in DEFINITIONS}
    assert {f.name for f in examine_order(chain(2)).findings} == names


@given(
    count=st.integers(1, 60),
    missing=st.sets(st.integers(0, 59), max_size=8),
    offset_us=st.floats(0.0, 30_000.0),
    moves_us=st.floats(0.0, 9_000.0),
    seed=st.integers(0, 99),
)
def test_every_pulse_is_paired_with_the_one_nearest_to_its_usual_place(
    count, missing, offset_us, moves_us, seed
):
    """Pulse by pulse, as `pair` says it; most of them keep step, some are not there."""
    draws = np.random.default_rng(seed)
    reference_s = 0.02 * np.arange(count)
    other_s = reference_s + offset_us / 1e6 + draws.uniform(-1.0, 1.0, count) * moves_us / 1e6
    other_s = np.sort(np.delete(other_s, [at for at in missing if at < count]))
    found = pair(reference_s, other_s, offset_us, 20_000.0)
    off_s = np.abs(other_s[None, :] - (reference_s + offset_us / 1e6)[:, None])
    if not other_s.size:
        assert (found == -1).all()
        return
    nearest = off_s.argmin(axis=1)
    least_s = off_s.min(axis=1)
    for frame, at in enumerate(found.tolist()):
        rivals = [k for k in (frame - 1, frame + 1) if 0 <= k < count]
        beaten = any(nearest[k] == nearest[frame] and least_s[k] < least_s[frame] for k in rivals)
        if at >= 0:
            assert at == nearest[frame]
            assert least_s[frame] < 0.01
            assert not beaten
        elif least_s[frame] < 0.01:
            assert any(nearest[k] == nearest[frame] for k in rivals)


def test_a_pulse_that_two_frames_are_nearest_to_is_measured_as_itself():
    """Places 0, 0 and 2 end as far from their first as a run of three does."""
    found = pair(np.array([0.0, 0.02, 0.04]), np.array([0.0105, 0.0302, 0.041]), 0.0, 20_000.0)
    assert found.tolist() == [-1, 0, 2]


def test_a_pulse_is_not_paired_twice():
    reference_s = np.array([0.0, 0.006, 0.02])
    assert pair(reference_s, np.array([0.0051, 0.0201]), 0.0, 20_000.0).tolist() == [-1, 0, 1]
    assert pair(reference_s, np.zeros(0), 0.0, 20_000.0).tolist() == [-1, -1, -1]


@given(offset=st.floats(0, 19_999), jitter=st.floats(0, 50), seed=st.integers(0, 99))
def test_the_usual_offset_is_found_anywhere_in_the_frame(offset, jitter, seed):
    rng = np.random.default_rng(seed)
    reference_s = 0.02 * np.arange(1, 200)
    other_s = np.sort(reference_s + (offset + rng.normal(0, jitter, reference_s.size)) / 1e6)
    found, concentration = usual_offset(reference_s, other_s, 20_000.0)
    away = (found - offset + 10_000) % 20_000 - 10_000
    assert abs(away) <= jitter + 1e-6
    assert concentration > 0.99
