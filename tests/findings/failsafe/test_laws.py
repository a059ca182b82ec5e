"""The three laws of the failsafe check, over drills and sheets that nobody chose.

In the order does not meet < not shown < meets: less known never scores better; one proven
failure governs; nothing recorded is dropped in silence. ``LAW_EXAMPLES=500`` in the environment
looks longer than a run of all tests may.
"""

import os
from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from loss_drill import (
    REST,
    Drill,
    check,
    device,
    holds,
    preset,
    ramps,
    sheet_of,
    steps,
    stops,
    stops_then,
)

from pwmscope.bench import Marker
from pwmscope.capture import Capture, Line, clip
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import Ground, LeftOutKind, check_failsafe, listen_to

MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN
RUNS = settings(
    max_examples=int(os.environ.get("LAW_EXAMPLES", "8")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
LIMIT_S = 2.0

delays = st.floats(0.05, 2.6).map(lambda value: round(value, 3))


@st.composite
def behaviours(draw, line):
    rest = REST[line] + draw(st.sampled_from([0.0, 0.0, 8.0, -11.0, 160.0]))
    after_s = draw(delays)
    return draw(
        st.sampled_from(
            [
                preset(rest, after_s),
                preset(rest, after_s),
                holds,
                stops(after_s),
                stops_then(rest, after_s, 0.4),
                ramps(rest, after_s, 0.5),
                steps((after_s, rest), (after_s + 0.4, rest + 6.0)),
            ]
        )
    )


@st.composite
def drills(draw, losses=None, late=(0.0, 0.0, 0.2)):
    behave = {line: draw(behaviours(line)) for line in REST}
    if draw(st.booleans()):  # one receiver with one setting
        after_s = draw(delays)
        behave = {line: preset(rest + 7.0, after_s) for line, rest in REST.items()}
    late_s = draw(st.sampled_from(late))
    return Drill(
        behave,
        losses=draw(st.integers(1, 10)) if losses is None else losses,
        frame_s=draw(st.sampled_from([0.007, 0.014, 0.02, 0.03])),
        searches_s=draw(st.sampled_from([0.2, 1.0])),
        jitter_us=draw(st.sampled_from([0.1, 2.0])),
        late_s=tuple(late_s * k / 9 for k in range(10)),
        stays_up=draw(st.booleans()),
        lost_frame_s=draw(st.sampled_from([None, None, 0.05])),
        seed=draw(st.integers(0, 99)),
    )


@st.composite
def sheets(draw):
    marker = Marker("tx-on", draw(st.sampled_from(["high", "high", None])), "switch")
    if draw(st.booleans()):
        marker = Marker("tx-on", "high", draw(st.sampled_from(["button", None])))
    return sheet_of(marker=marker)


lines = st.sampled_from(list(REST))


def meets(found):
    return found.verdict is MEETS


def events(found):
    """Each line's losses, by recording, line and place in order of time."""
    return {
        (rec.source, line.line, k): event
        for line in found.lines
        for rec in line.recordings
        for k, event in enumerate(e for e in rec.losses.events if not e.is_restart)
    }


def better(whole, less):
    """The losses that meet the limit only since something is not known any more."""
    before = events(whole)
    return [
        before[key]
        for key, event in events(less).items()
        if event.verdict is MEETS and before[key].verdict is not MEETS
    ]


def without(told, *names):
    return {name: value for name, value in told.items() if name not in names}


# --- less known never scores better ---


@given(drills(), sheets(), lines)
@RUNS
def test_taking_a_line_away_never_yields_meets(drill, sheet, line):
    """A line that contradicted the others is missed: the check does not meet without it."""
    whole = check(drill, sheet=sheet)
    fewer = check(replace(drill, behave=without(drill.behave, line)), sheet=sheet)
    assert not meets(fewer)
    for event in better(whole, fewer):
        evidence = event.case.evidence
        assert evidence.follows == line or evidence.alone_back or evidence.leaps


GAPS = (
    {"stop_us": None},
    {"no_pulses": None, "no_pulses_after_s": None},
    {"no_pulses_after_s": None},
)


@given(drills(), sheets(), lines, st.sampled_from(GAPS))
@RUNS
def test_taking_a_sheet_entry_away_never_yields_meets(drill, sheet, line, gap):
    whole = check(drill, sheet=sheet)
    bare = replace(sheet, channels={**sheet.channels, line: replace(sheet.channels[line], **gap)})
    less = check(drill, sheet=bare)
    assert better(whole, less) == []
    assert meets(whole) or not meets(less)
    gone = check(drill, sheet=replace(sheet, channels=without(sheet.channels, line)))
    assert not meets(gone)
    assert [left.what for left in gone.left_out if left.kind is LeftOutKind.UNLISTED] == [line]


@given(drills(), st.sampled_from(["on", "kind", "line", "wire"]))
@RUNS
def test_taking_an_entry_of_the_marker_away_never_yields_meets(drill, key):
    sheet = sheet_of()
    if key == "kind":  # "switch" says that the marker is exact, so here it is: what is false may go
        drill = replace(drill, late_s=(0.0,) * 10)
    if key == "line":
        assert not meets(check(drill, sheet=replace(sheet, marker=None)))
    elif key == "wire":
        assert not meets(check(replace(drill, marker=False), sheet=sheet))
    else:
        whole = check(drill, sheet=sheet)
        less = check(drill, sheet=replace(sheet, marker=replace(sheet.marker, **{key: None})))
        assert meets(whole) or not meets(less)
        assert better(whole, less) == []


def grounds(event):
    return {cause.ground for cause in event.alternatives if not cause.refuted}


PAUSED_LATE = Drill(
    {"RX1": preset(1500.0, 1.0), "RX2": preset(1500.0, 1.0), "RX3": stops_then(1000.0, 2.125, 0.4)},
    losses=4,
    frame_s=0.007,
    searches_s=0.2,
    lost_frame_s=0.05,
)
"""Of its last silence a late marker leaves open whether the return ended it."""


@example(PAUSED_LATE, 0.0, 0.4)
@given(drills(), st.sampled_from([0.0, 0.1, 0.3]), st.sampled_from([0.1, 0.4]))
@RUNS
def test_a_later_marker_never_yields_meets(drill, late_s, more_s):
    """But where the record contradicts a marker that was stated to be less late than it is.

    Delays differ by more than that, or an output still moves after it.
    """

    def found(value_s):
        return check(drill, sheet=sheet_of(marker=Marker("tx-on", "high", "button", value_s)))

    for event in better(found(late_s), found(late_s + more_s)):
        assert grounds(event) <= {Ground.SPREAD, Ground.FOLLOWS}, grounds(event)
        assert grounds(event)


@given(drills(losses=6), st.sampled_from([0.01, 0.05, 0.3]), st.sampled_from([0.1, 0.5, 1.4]))
@RUNS
def test_a_vaguer_time_never_yields_meets(drill, within_s, more_s):
    drill = replace(drill, marker=False)
    off_s = [span[0] for span in drill.spans]
    sharp = check(drill, off_at_s=[(t, within_s) for t in off_s])
    vague = check(drill, off_at_s=[(t, within_s + more_s) for t in off_s])
    # A pause that no sharply stated loss covers is one of its own, and lies within a vague one.
    before, after = by_time(sharp), by_time(vague)
    assert [key for key, told in after.items() if told is MEETS and before[key] is not MEETS] == []
    assert not meets(vague) or meets(sharp)


def by_time(found):
    return {
        (line.line, round(event.lost_s, 3)): event.verdict
        for line in found.lines
        for _, event in line.losses
    }


@given(drills(losses=6, late=(0.0,)))
@RUNS
def test_a_stated_time_shows_no_more_than_a_marker(drill):
    marked = check(drill)
    off_s = [span[0] for span in drill.spans]
    stated = check(replace(drill, marker=False), off_at_s=[(t, 0.05) for t in off_s])
    before, after = by_time(marked), by_time(stated)
    assert [key for key, told in after.items() if told is MEETS and before[key] is not MEETS] == []
    assert not meets(stated) or meets(marked)


@given(drills())
@RUNS
def test_an_unknown_sampling_rate_never_meets(drill):
    assert not meets(check(replace(drill.capture(), sample_interval_ps=None)))


@given(drills(losses=4), st.sampled_from([4.0, 10.0, 20.0]))
@RUNS
def test_coarser_sampling_breaks_no_limit_that_fine_sampling_meets_nor_the_reverse(drill, step_us):
    fine, coarse = events(check(drill)), events(check(replace(drill, interval_us=step_us)))
    for key, event in coarse.items():
        assert {event.verdict, fine[key].verdict} != {MEETS, BREAKS}


@given(drills(losses=4, late=(0.0,)), st.sampled_from([1.0, 10.0]))
@RUNS
def test_what_meets_at_any_sampling_rate_was_commanded_to_stand_still_in_time(drill, step_us):
    """By the drill's own truth: every width asked from the limit on is in the stop range."""
    for line in check(replace(drill, interval_us=step_us)).lines:
        low_us, high_us = device(line.line).stop_us
        for _, event in line.losses:
            if event.verdict is not MEETS:
                continue
            held_us = float(np.interp(event.lost_s, *drill.way(line.line)))
            asked = [drill.behave[line.line](s, held_us) for s in np.arange(LIMIT_S, 2.6, 0.02)]
            assert all(us is None or low_us <= us <= high_us for us in asked)


def test_coarser_sampling_never_shows_a_ramp_that_fine_sampling_does_not():
    """Three lines ramp to their rests within half a second; the marker is up to 0.2 s late."""
    late_s = tuple(0.2 * k / 9 for k in range(10))
    drill = Drill(
        {line: ramps(rest, 0.4, 0.5) for line, rest in REST.items()}, losses=6, frame_s=0.007,
        searches_s=1.0, jitter_us=0.1, late_s=late_s, stays_up=False, seed=39,
    )  # fmt: skip
    assert better(check(drill), check(replace(drill, interval_us=10.0))) == []


SLOW_FRAMES = Drill(
    {"RX1": ramps(1500.0, 2.254, 0.5), "RX2": preset(1500.0, 1.0), "RX3": preset(1000.0, 1.0)},
    losses=5, searches_s=1.0, jitter_us=2.0, lost_frame_s=0.05, stays_up=False, seed=26,
)  # fmt: skip
"""Frames last so long without the link that a ramp is seen to begin a frame earlier or later."""


@example(SLOW_FRAMES, 3)
@given(drills(losses=5), st.integers(1, 4))
@RUNS
def test_taking_losses_away_makes_no_other_loss_meet(drill, kept):
    """But where what was taken showed that the marker is later than stated."""
    whole = check(drill)
    until_s = drill.spans[kept][0] - 2.4
    fewer = check(clip(drill.capture(), None, until_s))
    assert [left.kind for left in fewer.left_out][:1] == [LeftOutKind.PART]
    for event in better(whole, fewer):
        assert grounds(event) == {Ground.SPREAD}


@given(drills(losses=2), drills(losses=2), sheets())
@RUNS
def test_a_recording_taken_away_or_added_makes_no_loss_meet_and_hides_no_failure(
    first, second, sheet
):
    first = replace(first, source="a.csv")
    second = replace(second, source="b.csv", seed=second.seed + 100)  # never the same again
    both = check(first, second, sheet=sheet)
    alone = [check(drill, sheet=sheet) for drill in (first, second)]
    assert not [event for own in alone for event in better(both, own)]
    if BREAKS in (own.verdict for own in alone):
        assert both.verdict is BREAKS
    elif meets(both):
        assert all(meets(own) for own in alone)


# --- one proven failure governs ---


MISSING = ("listed", "recorded", "loss", "bench", "entry", "copy", "long")


@given(drills(losses=2), lines, st.sets(st.sampled_from(MISSING), min_size=1))
@RUNS
def test_one_proven_failure_governs_whatever_else_is_missing(drill, line, missing):
    """The failing line is whole; of the rest any part is missing, useless or too short."""
    other, third = (name for name in REST if name != line)
    jumps = {name: preset(rest + 7.0, 0.6) for name, rest in REST.items()}
    bad = replace(drill, behave={**jumps, line: holds}, stays_up=True)
    sheet, further = sheet_of(), []
    if "listed" in missing:
        sheet = replace(sheet, channels=without(sheet.channels, other))
    if "recorded" in missing:
        bad = replace(bad, behave=without(bad.behave, other))
    if "entry" in missing:
        bare = replace(sheet.channels[third], stop_us=None, no_pulses=None, no_pulses_after_s=None)
        sheet = replace(sheet, channels={**sheet.channels, third: bare})
    if "loss" in missing:
        further.append(clip(replace(bad, source="quiet.csv").capture(), 0.0, 2.9))
    if "bench" in missing:
        again = replace(bad, seed=100, source="other.csv").capture()
        names = {f"CH{k}": own for k, own in enumerate(again.lines.values())}
        renamed = {name: replace(own, name=name) for name, own in names.items()}
        further.append(replace(again, lines=renamed))
    if "copy" in missing:
        further.append(replace(bad.capture(), source="copy.csv"))
    if "long" in missing:
        further.append(replace(bad, lengths_s=(1.0,) * 10, source="short.csv"))
    found = check(bad, *further, sheet=sheet)
    assert next(own for own in found.lines if own.line == line).verdict is BREAKS
    assert found.verdict is BREAKS
    assert check(*further[::-1], bad, sheet=sheet).verdict is BREAKS


# --- nothing recorded is dropped in silence ---


@given(drills(losses=2), sheets())
@RUNS
def test_every_line_and_loss_is_counted_and_a_copy_counts_once(drill, sheet):
    capture = drill.capture()
    once = check(capture, sheet=sheet)
    found = check(capture, replace(capture, source="copy.csv"), sheet=sheet)
    assert [(left.kind, left.what) for left in found.left_out] == [(LeftOutKind.TWICE, "copy.csv")]
    assert {line.line for line in found.lines} == set(REST)
    for line, own in zip(found.lines, once.lines, strict=True):
        assert (line.verdict, line.trials) == (own.verdict, own.trials)
        counted = line.trials.meets + line.trials.fails + line.trials.not_shown
        assert counted == len([e for _, e in line.losses if not e.is_restart])
        assert counted >= drill.losses
        for _, event in line.losses:
            if event.verdict is MEETS:
                assert all(cause.refuted for cause in event.alternatives)


@given(drills(losses=3), st.floats(0.0, 2.9))
@RUNS
def test_a_recording_without_a_loss_is_named_and_weighs(drill, until_s):
    quiet = clip(replace(drill, seed=100, source="quiet.csv").capture(), 0.0, until_s + 0.05)
    found = check(drill, quiet)
    useless = (LeftOutKind.NO_LOSS, LeftOutKind.NO_LINE)
    assert any(left.kind in useless and left.what == "quiet.csv" for left in found.left_out)
    assert not meets(found)


def train_of(drill, broken_s=()):
    """A drill as one sum train; the frames that begin soonest after some times lose a mark."""
    pulses = [drill.pulses(line) for line in REST]
    begin_us = pulses[0][0] * 1e6
    lengths_us = np.stack([width_us for _, width_us in pulses], axis=1)
    marks_us = begin_us[:, None] + np.pad(np.cumsum(lengths_us, axis=1), ((0, 0), (1, 0)))
    whole = np.ones(marks_us.shape, dtype=bool)
    whole[np.searchsorted(begin_us, np.array(broken_s) * 1e6), 2] = False
    marks_us = np.round(marks_us[whole])
    edges_us = np.stack([marks_us, marks_us + 300.0], axis=1).ravel()
    train = Line("PPM", np.rint(edges_us * 1e6).astype(np.int64), 0)
    told = {"PPM": train, "tx-on": drill.capture().lines["tx-on"]}
    return Capture(told, round(drill.end_s * 1e12), 1e6, "train.csv")


def check_train(drill, broken_s=()):
    sheet = sheet_of()
    names = [f"PPM ch{k + 1}" for k in range(len(REST))]
    devices = {
        name: replace(channel, line=name)
        for name, channel in zip(names, sheet.channels.values(), strict=True)
    }
    sheet = replace(sheet, channels=devices)
    return check_failsafe([listen_to(train_of(drill, broken_s), sheet=sheet)], sheet, sheet.limits)


PRESETS = Drill({line: preset(rest + 7.0) for line, rest in REST.items()}, losses=6)


def test_a_whole_sum_train_meets_also_where_a_frame_broke_outside_the_losses():
    assert meets(check_train(PRESETS))
    assert meets(check_train(PRESETS, [1.0]))


@given(st.lists(st.tuples(st.integers(0, 5), st.floats(0.0, 0.99)), min_size=1, max_size=3))
@RUNS
def test_a_damaged_frame_of_a_loss_leaves_that_loss_open_and_no_other(broken):
    spans = PRESETS.spans
    found = check_train(PRESETS, [spans[k][0] + part * 2.55 for k, part in broken])
    hit = {k for k, _ in broken}
    for line in found.lines:
        told = [event.verdict for _, event in line.losses]
        assert told == [OPEN if k in hit else MEETS for k in range(6)]
        assert grounds(line.losses[min(hit)][1]) == {Ground.BROKEN}
    assert found.verdict is OPEN


def test_the_drills_reach_every_verdict():
    """The laws are tested on drills that meet, do not meet and show nothing."""
    seen = {check(PRESETS).verdict}
    seen.add(check(replace(PRESETS, lengths_s=(1.0,) * 10, losses=2)).verdict)
    seen.add(check(Drill(dict.fromkeys(REST, holds), losses=2)).verdict)
    assert seen == set(Verdict)
