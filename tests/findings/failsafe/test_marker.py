"""The marker line: what its levels mean, when it shows a loss, how late it may be."""

import numpy as np
import pytest
from loss_drill import REST, Drill, preset, sheet_of

from pwmscope import PwmscopeError
from pwmscope.bench import Marker
from pwmscope.capture import Line
from pwmscope.findings.failsafe import Polarity, listen_to, marked_losses, reference_of
from pwmscope.findings.failsafe.losses import Output
from pwmscope.findings.failsafe.marker import find_polarity, smooth_moves
from pwmscope.findings.segmentation import find_dwells
from pwmscope.pulses import STANDARD_SERVO, PulseTable, find_frames

FRAME_S = 0.02


def marker(*times_s, initial_level=1):
    return Line("tx-on", np.rint(np.array(times_s) * 1e12).astype(np.int64), initial_level)


def read(*times_s, end_s=9.0, initial_level=1, **more):
    return marked_losses(marker(*times_s, initial_level=initial_level), end_s, ["RX1"], **more)


def spans(marks):
    return [(round(loss.lost_s, 6), round(loss.back_s, 6)) for loss in marks.losses]


# --- held levels ---


@pytest.mark.parametrize(
    ("times_s", "found"),
    [
        ((2.0, 2.0501), [(2.0, 2.0501)]),
        ((0.01, 0.2), [(0.01, 0.2)]),  # the level at the start counts however soon it ends
        ((2.0, 8.94), [(2.0, 8.94)]),
        ((2.0, 5.0, 8.951), [(2.0, 5.0)]),
        ((2.0, 5.0, 8.949), [(2.0, 5.0), (8.949, 9.0)]),
    ],
)
def test_a_level_counts_that_was_held_for_50_ms(times_s, found):
    assert spans(read(*times_s)) == found


def test_a_level_that_was_not_held_is_none():
    with pytest.raises(PwmscopeError, match="changes 2 times but never holds another level"):
        read(2.0, 2.0499)


def test_a_recording_may_begin_later_than_the_first_row():
    marks = read(3.0, 6.0, start_s=2.0)
    assert marks.linked_s == 2.0
    assert spans(marks) == [(3.0, 6.0)]


def test_a_loss_that_lasts_to_the_end_did_not_come_back():
    last = read(2.0, 4.0, 6.0).losses[-1]
    assert (last.lost_s, last.back_s, last.came_back) == (6.0, 9.0, False)
    assert read(2.0, 4.0, 6.0).losses[0].came_back


def test_it_begins_as_early_as_it_may_and_ends_as_early_as_it_may():
    (loss,) = read(2.0, 5.0, late_s=0.3, interval_us=2.0).losses
    assert (loss.earliest_s, loss.lost_s, loss.latest_s) == (pytest.approx(1.699998), 2.0, 2.0)
    assert loss.back_s == pytest.approx(4.7)
    (loss,) = read(2.0, 5.0, late_s=0.1, back_late_s=0.3).losses
    assert loss.back_s == pytest.approx(4.7)
    (loss,) = read(2.0, 2.2, late_s=0.3).losses
    assert loss.back_s == 2.0
    (loss,) = read(2.0, late_s=0.3).losses
    assert loss.back_s == 9.0


def test_a_marked_loss_is_told_with_its_doubt():
    (loss,) = read(2.0, 5.0, late_s=0.3, interval_us=2.0).losses
    assert loss.sentence.startswith("Line tx-on marks the loss at 2.000 s")
    assert "within a sample of 2 us" in loss.sentence
    assert "up to 0.3 s earlier" in loss.sentence
    (loss,) = read(2.0, 5.0).losses
    assert loss.sentence == "Line tx-on marks the loss at 2.000 s."
    assert loss.is_return_shown
    assert loss.lines == {"RX1"}


def test_a_recording_that_begins_off_has_its_first_link_later():
    marks = read(2.0, 5.0, 7.0, initial_level=0, on_level=1)
    assert (marks.linked_s, marks.on_level, marks.polarity) == (2.0, 1, Polarity.STATED)
    assert spans(marks) == [(5.0, 7.0)]


def test_without_anything_stated_or_shown_the_level_at_the_start_is_assumed_to_mean_on():
    for level in (0, 1):
        marks = read(2.0, 5.0, initial_level=level)
        assert (marks.on_level, marks.polarity) == (level, Polarity.ASSUMED)


# --- polarity, by smooth movements ---


def output_of(*points, end_s=20.0):
    """An output whose width goes along points of time and width."""
    rise_s = np.arange(0.004, end_s, FRAME_S)
    width_us = np.interp(rise_s, *np.array(points).T)
    flags = np.zeros(rise_s.size, np.uint8)
    period_us = np.append(np.diff(rise_s) * 1e6, np.nan)
    table = PulseTable("RX1", rise_s, width_us, period_us, flags, False, STANDARD_SERVO, 1.0)
    return Output(table, find_dwells(table, find_frames(table)), FRAME_S * 1e6)


def waves(*times_s, took_s=0.3, far_us=200.0):
    """Movements at some times, up and down in turn."""
    points, level_us = [(0.0, 1500.0)], 1500.0
    for k, time_s in enumerate(times_s):
        points.append((time_s, level_us))
        level_us = 1500.0 + far_us * (k % 2 == 0)
        points.append((time_s + took_s, level_us))
    return output_of(*points, (20.0, level_us))


@pytest.mark.parametrize(
    ("took_s", "far_us", "count"),
    [(0.3, 200.0, 1), (0.3, 45.0, 1), (0.3, 38.0, 0), (4.8, 200.0, 1), (5.2, 200.0, 0),
     (0.001, 200.0, 0)],
)  # fmt: skip
def test_a_smooth_movement_goes_far_enough_and_takes_as_long_as_a_hand(took_s, far_us, count):
    begin_s, end_s = smooth_moves(waves(3.0, took_s=took_s, far_us=far_us))
    assert begin_s.size == count
    if count:
        assert begin_s.item() == pytest.approx(3.0, abs=0.15)
        assert end_s.item() == pytest.approx(3.0 + took_s, abs=0.15)


def test_an_output_that_never_moves_has_none():
    assert smooth_moves(output_of((0.0, 1500.0), (20.0, 1500.0)))[0].size == 0


BEGIN_S, LEVEL = np.array([0.0, 10.0]), np.array([1, 0])


def polarity(*times_s, stated=None, level=LEVEL, more=()):
    outputs = {"RX1": waves(*times_s)} | {f"RX{k + 2}": out for k, out in enumerate(more)}
    return find_polarity(BEGIN_S, level, stated, outputs)


def test_three_movements_on_one_level_and_none_on_the_other_show_which_means_on():
    assert polarity(1.0, 3.0, 5.0) == (1, Polarity.SHOWN)
    assert polarity(12.0, 14.0, 16.0) == (0, Polarity.SHOWN)
    assert polarity(1.0, 3.0) == (1, Polarity.ASSUMED)
    assert polarity(1.0, 3.0, 5.0, 13.0) == (1, Polarity.ASSUMED)
    assert polarity(1.0, 3.0, more=[waves(5.0)]) == (1, Polarity.SHOWN)


@pytest.mark.parametrize(("time_s", "found"), [(10.55, 0), (10.4, 1)])
def test_a_movement_just_after_a_change_counts_for_neither_level(time_s, found):
    told = polarity(time_s, 13.0, 15.0)
    assert told == ((0, Polarity.SHOWN) if found == 0 else (1, Polarity.ASSUMED))


def test_a_movement_across_a_change_counts_for_neither_level():
    assert polarity(3.0, 5.0, 9.85) == (1, Polarity.ASSUMED)
    assert polarity(3.0, 5.0, 9.5) == (1, Polarity.SHOWN)


def test_at_the_very_start_a_movement_counts():
    assert polarity(0.45, 3.0, 5.0) == (1, Polarity.SHOWN)


def test_a_stated_level_is_contradicted_by_a_line_that_follows_twice_only_at_the_other():
    assert polarity(12.0, 14.0, stated=1) == (1, Polarity.CONTRADICTED)
    assert polarity(12.0, 14.0, stated=0) == (0, Polarity.STATED)
    assert polarity(12.0, stated=1) == (1, Polarity.STATED)
    assert polarity(2.0, 12.0, 14.0, stated=1) == (1, Polarity.STATED)
    # Presets may be reached by ramps: one of each of two lines contradicts nothing.
    assert polarity(12.0, stated=1, more=[waves(12.0)]) == (1, Polarity.STATED)


def test_which_polarities_are_known():
    assert [p for p in Polarity if p.is_known] == [Polarity.STATED, Polarity.SHOWN]


# --- how the moments are told ---

CAPTURE = Drill(losses=1).capture()


@pytest.mark.parametrize(
    ("off_line", "told", "found"),
    [
        (None, Marker("tx-on", None), ("tx-on", None, None, 0.3)),
        (None, Marker("tx-on", "low", "switch"), ("tx-on", 0, "switch", 0.0)),
        (None, Marker("tx-on", "high", "switch", 0.02), ("tx-on", 1, "switch", 0.02)),
        (None, Marker("tx-on", "high", "button"), ("tx-on", 1, "button", 0.3)),
        (None, Marker("other", "high", "button"), (None, None, None, 0.0)),
        ("tx-on", None, ("tx-on", None, None, 0.3)),
        ("tx-on=low", None, ("tx-on", 0, None, 0.3)),
        ("tx-on=high", Marker("tx-on", "low", "switch", 0.0), ("tx-on", 1, "switch", 0.0)),
        ("RX1=high", Marker("tx-on", "low", "switch", 0.0), ("RX1", 1, None, 0.3)),
    ],
)
def test_a_person_goes_before_the_sheet_and_the_sheet_fills_in(off_line, told, found):
    sheet = None if told is None else sheet_of(marker=told)
    reference = reference_of(CAPTURE, off_line, (), sheet)
    assert (reference.line, reference.on_level, reference.kind, reference.late_s) == found
    assert reference.is_asked == (off_line is not None)


def test_a_marker_may_be_given_as_an_object():
    reference = reference_of(CAPTURE, Marker("tx-on", "high", "switch", 0.02), (), None)
    assert (reference.line, reference.on_level, reference.late_s) == ("tx-on", 1, 0.02)
    assert reference.is_asked


def test_stated_times_need_no_marker_and_stand_beside_none():
    reference = reference_of(CAPTURE, None, [(3.0, 0.05)], None)
    assert (reference.line, reference.off_at_s, reference.late_s) == (None, ((3.0, 0.05),), 0.0)
    with pytest.raises(PwmscopeError, match="give one of them"):
        reference_of(CAPTURE, "tx-on", [(3.0, 0.05)], None)


@pytest.mark.parametrize(
    ("off_line", "words"),
    [
        ("RX9", "There is no line 'RX9'"),
        ("RX9=high", "There is no line 'RX9=high'"),
        ("tx-on=up", "write `off_line=tx-on=high`"),
        ("tx-on=", "write `off_line=tx-on=high`"),
    ],
)
def test_a_line_or_level_that_is_not_there_is_refused(off_line, words):
    with pytest.raises(PwmscopeError, match=words):
        reference_of(CAPTURE, off_line, (), None)


# --- what is said of it ---


def said(drill=None, **marker_keys):
    told = Marker("tx-on", **{"on": None} | marker_keys)
    capture = (Drill(losses=2) if drill is None else drill).capture()
    return listen_to(capture, sheet=sheet_of(marker=told)).found


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"on": "high", "kind": "switch"}, ("as stated", "is stated as the switch itself")),
        ({"on": "high", "kind": "button"}, ("as stated", "push-button; it may change up to 0.3 s")),
        ({"on": "high"}, ("as stated", "of no stated kind and counts as a button")),
        ({"kind": "switch"}, ("as the outputs show", "switch itself")),
    ],
)
def test_how_the_marker_is_read_is_said(keys, words):
    heard = said(Drill(losses=3), **keys)
    assert heard.said[0].startswith("Line tx-on is the marker: high")
    for word, sentence in zip(words, heard.said, strict=True):
        assert word in sentence


def test_a_marker_of_the_sheet_that_is_on_throughout_marks_no_loss():
    drill = Drill({n: preset(w) for n, w in REST.items()}, losses=0)
    heard = said(drill, on="high", kind="switch")
    assert heard.said == ("Line tx-on, the bench sheet's marker, shows on throughout.",)
    assert heard.polarity is Polarity.ASSUMED
    assert all(own.events == () for own in heard.line_losses.values())
    with pytest.raises(PwmscopeError, match="never changes"):
        listen_to(drill.capture(), off_line="tx-on=high")
    with pytest.raises(PwmscopeError, match="never changes"):
        said(drill, on="low", kind="switch")
