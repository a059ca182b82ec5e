"""The three laws of the failsafe check, over drills and sheets that nobody chose.

In the order does not meet < not shown < meets: less known never scores better; one proven
failure governs; nothing recorded is dropped in silence. ``LAW_EXAMPLES=500`` in the environment
looks longer than a run of all tests may.
"""

import os
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from loss_drill import (
    REST,
    Drill,
    check,
    holds,
    preset,
    ramps,
    sheet_of,
    steps,
    stops,
    stops_then,
)

from pwmscope.bench import Marker
from pwmscope.capture.clip import clip
from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import LeftOutKind

MEETS, BREAKS = Verdict.MEETS, Verdict.DOES_NOT_MEET
RUNS = settings(
    max_examples=int(os.environ.get("LAW_EXAMPLES", "10")),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)

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
def drills(draw, losses=None):
    behave = {line: draw(behaviours(line)) for line in REST}
    if draw(st.booleans()):  # one receiver with one setting
        after_s = draw(delays)
        behave = {line: preset(rest + 7.0, after_s) for line, rest in REST.items()}
    late_s = draw(st.sampled_from([0.0, 0.0, 0.2]))
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


def meets(found):
    return found.verdict is MEETS


def per_loss(found):
    """The verdicts of each line's losses, by recording, line and time."""
    return {
        (rec.source, line.line, round(event.lost_s, 3)): event.verdict
        for line in found.lines
        for rec, event in line.losses
    }


def events(found):
    """Each line's losses, by recording, line and time."""
    return {
        (rec.source, line.line, round(event.lost_s, 3)): event
        for line in found.lines
        for rec, event in line.losses
    }


@given(drills(), sheets(), st.sampled_from(list(REST)))
@RUNS
def test_taking_a_line_away_never_yields_meets(drill, sheet, line):
    whole = check(drill, sheet=sheet)
    fewer = check(replace(drill, behave={k: v for k, v in drill.behave.items() if k != line}),
                  sheet=sheet)  # fmt: skip
    assert not meets(fewer)
    before, after = per_loss(whole), per_loss(fewer)
    for key, found in after.items():
        assert found is not MEETS or before[key] is MEETS or line_contradicts(whole, key, line)


def line_contradicts(whole, key, line):
    """Whether the line that was taken away is what kept another from meeting.

    The check does not meet without it all the same, since the sheet lists it.
    """
    event = next(
        e for ln in whole.lines if ln.line == key[1] for _, e in ln.losses
        if round(e.lost_s, 3) == key[2]
    )  # fmt: skip
    evidence = event.case.evidence
    return evidence.follows == line or evidence.alone_back or bool(evidence.leaps)


GAPS = (
    {"stop_us": None},
    {"no_pulses": None, "no_pulses_after_s": None},
    {"no_pulses_after_s": None},
)


@given(drills(), sheets(), st.sampled_from(list(REST)), st.sampled_from(GAPS))
@RUNS
def test_taking_a_sheet_entry_away_never_yields_meets(drill, sheet, line, gap):
    whole = check(drill, sheet=sheet)
    bare = replace(sheet, channels={**sheet.channels, line: replace(sheet.channels[line], **gap)})
    assert meets(whole) or not meets(check(drill, sheet=bare))
    gone = replace(sheet, channels={k: c for k, c in sheet.channels.items() if k != line})
    assert not meets(check(drill, sheet=gone))


@given(drills(), st.sampled_from(["on", "kind", "line"]))
@RUNS
def test_taking_an_entry_of_the_marker_away_never_yields_meets(drill, key):
    sheet = sheet_of()
    whole = check(drill, sheet=sheet)
    if key == "line":
        less = replace(sheet, marker=None)
        assert not meets(check(drill, sheet=less))
        return
    less = replace(sheet, marker=replace(sheet.marker, **{key: None}))
    assert meets(whole) or not meets(check(drill, sheet=less))


@given(drills(), st.sampled_from([0.0, 0.1, 0.3]), st.sampled_from([0.1, 0.4]))
@RUNS
def test_a_later_marker_never_yields_meets(drill, late_s, more_s):
    def found(value_s):
        marker = Marker("tx-on", "high", "button", value_s)
        return check(drill, sheet=sheet_of(marker=marker))

    before, after = events(found(late_s)), per_loss(found(late_s + more_s))
    better = {k for k, e in before.items() if after[k] is MEETS and e.verdict is not MEETS}
    # A marker that may be later explains delays that differ; else nothing gets better.
    assert [before[k].reason for k in better if "later than" not in before[k].reason] == []


@given(drills(losses=6), st.sampled_from([0.01, 0.05, 0.3]), st.sampled_from([0.1, 0.5, 1.4]))
@RUNS
def test_a_vaguer_time_never_yields_meets(drill, within_s, more_s):
    drill = replace(drill, marker=False)
    off_s = [span[0] for span in drill.spans]
    sharp = check(drill, off_at_s=[(t, within_s) for t in off_s])
    vague = check(drill, off_at_s=[(t, within_s + more_s) for t in off_s])
    # A pause that no sharply stated loss covers is one of its own, and lies within a vague one.
    before, after = per_loss(sharp), per_loss(vague)
    assert [key for key, told in after.items() if told is MEETS and before[key] is not MEETS] == []
    assert not meets(vague) or meets(sharp)


@given(drills())
@RUNS
def test_an_unknown_sampling_rate_never_meets(drill):
    assert not meets(check(replace(drill.capture(), sample_interval_ps=None)))


@given(drills(losses=5), st.integers(1, 4))
@RUNS
def test_taking_losses_away_makes_no_other_loss_meet(drill, kept):
    """A loss that shows nothing weighs while it is there; without it the others prove no more."""
    whole = per_loss(check(drill))
    until_s = drill.spans[kept][0] - 2.4
    fewer = check(clip(drill.capture(), None, until_s))
    assert any(left.kind is LeftOutKind.PART for left in fewer.left_out)
    for key, found in per_loss(fewer).items():
        event = next(
            e for line in fewer.lines if line.line == key[1] for _, e in line.losses
            if round(e.lost_s, 3) == key[2]
        )  # fmt: skip
        if found is MEETS and event.case.evidence.spread_s < 0.2:
            assert whole[key] is MEETS or whole_spread(drill, key) > 0.25


def whole_spread(drill, key):
    found = check(drill)
    return next(
        e.case.evidence.spread_s for line in found.lines if line.line == key[1]
        for _, e in line.losses if round(e.lost_s, 3) == key[2]
    )  # fmt: skip


@given(drills(losses=3), drills(losses=2), sheets())
@RUNS
def test_a_further_recording_never_hides_a_failure(first, second, sheet):
    first, second = replace(first, source="a.csv"), replace(second, source="b.csv")
    alone = [check(drill, sheet=sheet).verdict for drill in (first, second)]
    both = check(first, second, sheet=sheet)
    if BREAKS in alone:
        assert both.verdict is BREAKS
    assert not meets(both) or alone == [MEETS, MEETS]


@given(drills(losses=2), st.sampled_from(list(REST)))
@RUNS
def test_one_proven_failure_governs_whatever_else_is_missing(drill, line):
    """The failing line is whole; another is not recorded, not listed, or a recording is idle."""
    other = next(name for name in REST if name != line)
    jumps = {name: preset(rest + 7.0, 0.6) for name, rest in REST.items()}
    bad = replace(drill, behave={**jumps, line: holds}, stays_up=True)
    assert check(bad).lines[list(REST).index(line)].verdict is BREAKS
    sheet = sheet_of()
    channels = {k: c for k, c in sheet.channels.items() if k != other}
    assert check(bad, sheet=replace(sheet, channels=channels)).verdict is BREAKS
    fewer = {k: b for k, b in bad.behave.items() if k != other}
    assert check(replace(bad, behave=fewer)).verdict is BREAKS
    quiet = clip(replace(bad, source="quiet.csv").capture(), 0.0, 2.9)
    assert check(bad, quiet).verdict is BREAKS


@given(drills(losses=2), sheets())
@RUNS
def test_nothing_recorded_is_dropped_in_silence(drill, sheet):
    capture = drill.capture()
    found = check(capture, replace(capture, source="copy.csv"), sheet=sheet)
    assert [left.what for left in found.left_out] == ["copy.csv"]
    seen = {line.line for line in found.lines}
    assert seen == set(REST)
    for line in found.lines:
        counted = line.trials.meets + line.trials.fails + line.trials.not_shown
        assert counted == len([e for _, e in line.losses if not e.is_restart])
        assert counted >= drill.losses
    for line in found.lines:
        for _, event in line.losses:
            if event.verdict is MEETS:
                assert all(cause.refuted for cause in event.alternatives)


@pytest.mark.parametrize("frames", [1, 3])
def test_a_damaged_train_is_no_silence_and_never_meets(frames):
    """Frames of a sum train that could not be read lie in a loss: what they held is unknown."""
    drill = Drill({k: preset(v + 7.0) for k, v in REST.items()})
    found = check(drill)
    assert meets(found)
    event = found.lines[0].losses[0][1]
    case = event.case
    damaged = tuple((event.lost_s + k, event.lost_s + k + 0.1) for k in range(frames))
    from pwmscope.findings.failsafe.verdict import judge_loss  # noqa: PLC0415

    assert judge_loss(case)[0] is MEETS
    broken = replace(case, setting=replace(case.setting, damaged_s=damaged))
    assert judge_loss(broken)[0] is Verdict.NOT_SHOWN


def test_the_drills_reach_every_verdict():
    """The laws are tested on drills that meet, do not meet and show nothing."""
    rng = np.random.default_rng(7)
    seen = {check(Drill({k: preset(v + 7.0) for k, v in REST.items()})).verdict}
    for _ in range(3):
        after_s = float(rng.uniform(0.3, 2.6))
        seen.add(check(Drill({k: preset(v, after_s) for k, v in REST.items()}, losses=2)).verdict)
    seen.add(check(Drill(dict.fromkeys(REST, holds), losses=2)).verdict)
    assert seen == set(Verdict)
