"""Losses told by the outputs alone, restarts, and power-up: given these pulses, this."""

import numpy as np
import pytest

from pwmscope import PwmscopeError
from pwmscope.findings.failsafe import Known, quiet_limit_s
from pwmscope.findings.failsafe.losses import (
    Output,
    find_quiet_spells,
    inferred_losses,
    is_return,
    restarts,
    stated_losses,
)
from pwmscope.findings.segmentation.record import find_dwells
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

FRAME_S = 0.02
END_S = 20.0


def output(*points, gaps=(), end_s=END_S, frame_s=FRAME_S, noise_us=0.3):
    rise_s = np.arange(0.004, end_s - 0.01, frame_s)
    for begin_s, until_s in gaps:
        rise_s = rise_s[(rise_s < begin_s) | (rise_s >= until_s)]
    width_us = np.interp(rise_s, *np.array(points).T)
    width_us = width_us + np.random.default_rng(2).normal(0.0, noise_us, rise_s.size)
    flags = np.zeros(rise_s.size, np.uint8)
    period_us = np.append(np.diff(rise_s) * 1e6, np.nan)
    table = PulseTable("RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, 1.0)
    return Output(table, find_dwells(table, find_frames(table)), frame_s * 1e6)


IDLE = ((0.0, 1500.0), (20.0, 1500.0))


def jumps(begin_s=6.0, end_s=12.0, out_us=1700.0, rest_us=1500.0, back_us=None):
    """A stick up until a jump to the preset, and at once where it is on the return."""
    back_us = out_us if back_us is None else back_us
    return output(
        (0.0, rest_us), (3.0, rest_us), (3.4, out_us), (begin_s - 0.01, out_us), (begin_s, rest_us),
        (end_s - 0.01, rest_us), (end_s, back_us), (END_S, back_us),
    )  # fmt: skip


@pytest.mark.parametrize(("usual_us", "limit_s"), [(20_000, 0.2), (40_000, 0.2), (50_000, 0.25)])
def test_quiet_is_a_fifth_of_a_second_or_five_frames(usual_us, limit_s):
    assert quiet_limit_s(usual_us) == pytest.approx(limit_s)


def spells(**outputs):
    return [
        (pytest.approx(s.start_s, abs=0.03), pytest.approx(s.back_s, abs=0.03), set(s.lines))
        for s in find_quiet_spells(outputs, END_S)
    ]


def test_lines_that_are_quiet_at_once_are_one_spell_until_the_first_is_back():
    one, two = output(*IDLE, gaps=[(5.0, 8.0)]), output(*IDLE, gaps=[(5.5, 7.0)])
    assert spells(RX1=one, RX2=two) == [(5.0, 7.0, {"RX1", "RX2"})]
    later = output(*IDLE, gaps=[(8.5, 9.0)])
    assert spells(RX1=one, RX2=later) == [(5.0, 8.0, {"RX1"}), (8.5, 9.0, {"RX2"})]
    assert spells(RX1=output(*IDLE, gaps=[(5.0, 5.17)])) == []
    assert spells(RX1=output(*IDLE, gaps=[(15.0, 30.0)])) == [(15.0, END_S, {"RX1"})]


def test_all_lines_quiet_are_a_loss_from_the_last_moment_that_a_stick_was_followed():
    outputs = {name: output((0.0, 1500.0), (3.0, 1500.0), (3.4, 1700.0), (20.0, 1700.0),
                            gaps=[(6.0, 9.0)]) for name in ("RX1", "RX2")}  # fmt: skip
    (loss,) = inferred_losses(outputs, END_S)
    assert (loss.lost_s, loss.back_s) == pytest.approx((6.004, 9.004), abs=0.002)
    assert (loss.moment.known, loss.came_back) == (Known.INFERRED, True)
    assert loss.earliest_s == pytest.approx(3.5, abs=0.15)
    assert loss.lines == {"RX1", "RX2"}
    assert "no output had moved since 3." in loss.sentence


def test_a_lone_quiet_line_may_be_a_loose_wire():
    outputs = {"RX1": output(*IDLE, gaps=[(6.0, 9.0)]), "RX2": output(*IDLE)}
    (loss,) = inferred_losses(outputs, END_S)
    assert loss.lines == {"RX1"}
    assert "a loose wire looks the same" in loss.sentence
    (only,) = inferred_losses({"RX1": outputs["RX1"]}, END_S)
    assert "loose wire" not in only.sentence


def test_a_second_loss_cannot_have_begun_before_the_first_was_over():
    outputs = {name: output(*IDLE, gaps=[(5.0, 6.0), (8.0, 9.0)]) for name in ("RX1", "RX2")}
    first, second = inferred_losses(outputs, END_S)
    assert first.earliest_s == pytest.approx(0.004, abs=0.01)
    assert second.earliest_s == pytest.approx(first.back_s)


def test_pulses_that_stay_away_did_not_come_back():
    outputs = {name: output(*IDLE, gaps=[(15.0, 30.0)]) for name in ("RX1", "RX2")}
    (loss,) = inferred_losses(outputs, END_S)
    assert (loss.back_s, loss.came_back) == (END_S, False)


def test_outputs_that_jump_together_twice_were_lost_between():
    outputs = {"RX1": jumps(), "RX2": jumps(out_us=1300.0)}
    (loss,) = inferred_losses(outputs, END_S)
    assert (loss.lost_s, loss.back_s) == pytest.approx((6.004, 12.004), abs=0.025)
    assert "outputs jumped together at 6.0" in loss.sentence
    assert "RX1, RX2 jumped again" in loss.sentence
    assert loss.earliest_s == pytest.approx(3.5, abs=0.15)


@pytest.mark.parametrize(("later_s", "found"), [(0.0, 1), (0.04, 0)])
def test_they_jump_in_one_frame(later_s, found):
    outputs = {"RX1": jumps(), "RX2": jumps(6.0 + later_s, out_us=1300.0)}
    assert len(inferred_losses(outputs, END_S)) == found


@pytest.mark.parametrize(("end_s", "found"), [(6.6, 1), (6.42, 0)])
def test_they_stand_for_half_a_second(end_s, found):
    outputs = {"RX1": jumps(end_s=end_s), "RX2": jumps(end_s=end_s, out_us=1300.0)}
    assert len(inferred_losses(outputs, END_S)) == found


def test_one_line_alone_or_a_small_step_is_no_loss():
    assert inferred_losses({"RX1": jumps(), "RX2": output(*IDLE)}, END_S) == ()
    small = {"RX1": jumps(out_us=1538.0), "RX2": jumps(out_us=1462.0)}
    assert inferred_losses(small, END_S) == ()
    assert len(inferred_losses({"RX1": jumps(out_us=1545.0), "RX2": jumps(out_us=1455.0)}, END_S))


def test_without_a_jump_back_they_may_have_been_moved_by_one_switch():
    outputs = {"RX1": jumps(back_us=1500.0), "RX2": jumps(out_us=1300.0, back_us=1500.0)}
    assert inferred_losses(outputs, END_S) == ()


def test_a_jump_within_a_silence_is_no_loss_of_its_own():
    outputs = {"RX1": output(*IDLE, gaps=[(5.0, 8.0)]), "RX2": output(*IDLE, gaps=[(5.0, 8.0)])}
    assert len(inferred_losses(outputs, END_S)) == 1


# --- restarts ---

QUIET = {name: output(*IDLE, gaps=[(6.0, 7.0)]) for name in ("RX1", "RX2")}


def marked(lost_s, back_s, late_s=0.0):
    (loss,) = stated_losses([(lost_s, 0.0)], ["RX1", "RX2"], 0.0, END_S)
    return loss.__class__(lost_s, back_s, True, loss.moment.__class__(
        Known.MARKED, 0.0, None, late_s), loss.lines, "")  # fmt: skip


def test_all_lines_quiet_while_the_transmitter_is_on_are_a_restart():
    (found,) = restarts(QUIET, (), 0.0, END_S)
    assert (found.lost_s, found.back_s) == pytest.approx((6.004, 7.004), abs=0.002)
    assert found.is_restart
    assert found.came_back
    assert "All lines went quiet at 6.0" in found.sentence
    assert "The line went quiet" in restarts({"RX1": QUIET["RX1"]}, (), 0.0, END_S)[0].sentence


@pytest.mark.parametrize(
    ("losses", "linked_s", "count"),
    [
        ((), 6.5, 0),
        ((), 6.0, 1),
        ((marked(5.0, 9.0),), 0.0, 0),
        ((marked(5.0, 5.9),), 0.0, 1),
        ((marked(8.0, 9.0),), 0.0, 1),
        ((marked(6.19, 9.0),), 0.0, 0),
        ((marked(6.25, 9.0),), 0.0, 1),
        ((marked(6.4, 9.0, late_s=0.3),), 0.0, 0),
    ],
)
def test_a_silence_of_a_loss_or_before_the_link_is_none(losses, linked_s, count):
    assert len(restarts(QUIET, losses, linked_s, END_S)) == count


def test_a_silence_that_begins_as_a_loss_is_over_is_a_restart():
    begin_s = restarts(QUIET, (), 0.0, END_S)[0].lost_s
    assert len(restarts(QUIET, (marked(5.0, begin_s),), 0.0, END_S)) == 1
    assert restarts(QUIET, (marked(5.0, begin_s + 1e-6),), 0.0, END_S) == ()
    assert len(restarts(QUIET, (), begin_s, END_S)) == 1


def test_one_quiet_line_is_no_restart_and_a_loss_ends_it():
    assert restarts({**QUIET, "RX3": output(*IDLE)}, (), 0.0, END_S) == ()
    (found,) = restarts(QUIET, (marked(6.5, 9.0),), 0.0, END_S)
    assert found.back_s == 6.5
    lasting = {name: output(*IDLE, gaps=[(15.0, 30.0)]) for name in ("RX1", "RX2")}
    assert not restarts(lasting, (), 0.0, END_S)[0].came_back


# --- the return from a marked loss, told from another loss ---


def lost_and_back(held_us, preset_us=1500.0, back_us=None, moved_s=None):
    """A stick up, ramped to its preset until 8 s, up again, and let go at once at 9 s."""
    back_us = held_us if back_us is None else back_us
    late = () if moved_s is None else ((moved_s - 0.01, preset_us), (moved_s, preset_us + 80.0))
    last_us = preset_us if moved_s is None else preset_us + 80.0
    return output(
        (0.0, 1500.0), (2.0, 1500.0), (2.4, held_us), (3.6, held_us), (4.0, preset_us), *late,
        (7.99, last_us), (8.0, back_us), (8.99, back_us), (9.0, 1500.0), (END_S, 1500.0),
    )  # fmt: skip


def told_as_return(loss=None, **outputs):
    seen = [own for own in inferred_losses(outputs, END_S, least_back=2) if own.lost_s > 7.0]
    assert len(seen) == 1
    return is_return(seen[0], [marked(3.4, 7.2)] if loss is None else loss, outputs)


def test_the_jump_back_to_held_sticks_is_a_return_and_no_loss_of_its_own():
    """Hands that let go of both sticks at once later make it look like one."""
    one, two = lost_and_back(1700.0), lost_and_back(1320.0)
    assert told_as_return(RX1=one, RX2=two)
    assert told_as_return(RX1=one, RX2=two, RX3=output(*IDLE))


def unmoved(to_us=1900.0):
    """A stick at rest throughout, and its output elsewhere for a second."""
    return output(
        (0.0, 1500.0), (7.99, 1500.0), (8.0, to_us), (8.99, to_us), (9.0, 1500.0), (END_S, 1500.0)
    )


def starts_again(from_s):
    """A stick up whose pulses stop with the loss, and come again a frame before the others jump."""
    return output(
        (0.0, 1500.0), (2.0, 1500.0), (2.4, 1700.0), (7.97, 1700.0), (7.98, 1400.0),
        (8.99, 1400.0), (9.0, 1500.0), (END_S, 1500.0), gaps=[(from_s, 7.975)],
    )  # fmt: skip


def test_a_jump_to_widths_of_the_transmitters_own_is_a_return_as_well():
    """Some transmitters first send old or other widths; no second loss puts outputs elsewhere."""
    one, two = lost_and_back(1700.0), lost_and_back(1320.0)
    assert told_as_return(RX1=one, RX2=lost_and_back(1320.0, back_us=1900.0))
    assert told_as_return(RX1=one, RX2=lost_and_back(1320.0, back_us=1371.0))
    assert told_as_return(RX1=one, RX2=two, RX3=unmoved())


def test_pulses_that_begin_again_show_the_return_as_a_jump_does():
    one, two = lost_and_back(1700.0), lost_and_back(1320.0)
    (seen,) = inferred_losses({"RX1": one, "RX2": two}, END_S, least_back=2)
    for from_s, told in ((3.8, True), (7.4, False)):
        outputs = {"RX1": one, "RX2": unmoved(), "RX3": starts_again(from_s)}
        assert is_return(seen, [marked(3.4, 7.2)], outputs) is told


def test_a_jump_of_outputs_that_the_loss_did_not_move_may_be_a_loss():
    one, two = lost_and_back(1700.0), lost_and_back(1320.0)
    assert not told_as_return(RX1=one, RX2=unmoved())
    assert not told_as_return(RX1=unmoved(), RX2=unmoved(1100.0))
    # Moved by no more than a twentieth of the span.
    assert not told_as_return(RX1=one, RX2=lost_and_back(1549.0, back_us=1900.0))
    assert told_as_return(RX1=one, RX2=lost_and_back(1551.0, back_us=1900.0))
    assert not told_as_return([], RX1=one, RX2=two)
    # The transmitter came on only later, or a loss lies between.
    assert not told_as_return([marked(3.4, 8.1)], RX1=one, RX2=two)
    assert not told_as_return([marked(3.4, 5.0), marked(6.0, 7.2)], RX1=one, RX2=two)


def test_an_output_that_changed_after_the_transmitter_was_on_is_no_witness():
    one = lost_and_back(1700.0)
    assert not told_as_return(RX1=one, RX2=lost_and_back(1320.0, moved_s=7.5))
    assert told_as_return(RX1=one, RX2=lost_and_back(1320.0, moved_s=6.0))


# --- stated times ---


def test_stated_losses_last_to_the_next():
    first, second = stated_losses([(9.0, 0.1), (4.0, 0.05)], ["RX1"], 0.0, END_S)
    assert (first.lost_s, first.back_s) == (4.0, 8.9)
    assert (second.earliest_s, second.latest_s, second.back_s) == pytest.approx((8.9, 9.1, 20.0))
    assert not first.came_back
    assert first.sentence == "Stated: the transmitter went off at 4 s, within 0.05 s."


@pytest.mark.parametrize("time_s", [0.0, 20.0, -1.0, 21.0])
def test_a_time_outside_the_recording_is_refused(time_s):
    with pytest.raises(PwmscopeError, match="lies outside the recording, which is from 0 to 20 s"):
        stated_losses([(time_s, 0.1)], ["RX1"], 0.0, END_S)


@pytest.mark.parametrize(("next_s", "same"), [(4.15, True), (4.16, False)])
def test_two_times_that_may_be_one_are_refused(next_s, same):
    times = [(4.0, 0.05), (next_s, 0.1 + 1e-9 * same)]
    if same:
        with pytest.raises(PwmscopeError, match="the same within their uncertainty"):
            stated_losses(times, ["RX1"], 0.0, END_S)
    else:
        assert len(stated_losses(times, ["RX1"], 0.0, END_S)) == 2
