"""Glitches: given these faults on a line, each is found as what it is, where it is."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from pwmscope.bench import COMMON_PRACTICE
from pwmscope.capture import Line
from pwmscope.findings.glitches import (
    DEFINITIONS,
    GlitchKind,
    examine_glitches,
    poisson_interval_per_minute,
)
from pwmscope.findings.segmentation import Record, find_dwells
from pwmscope.findings.timing import examine_timing
from pwmscope.model import Span
from pwmscope.pulses import decode_line, find_frames
from pwmscope.synth import Channel, Dwell, Frame, Script, build
from pwmscope.synth import Glitches as Spikes

FRAMES, PERIOD_US, FIRST_US = 300, 20_000, 4_000
DURATION_S = 6.0


def pulses(frames=FRAMES):
    """Levels as (begin, end) in whole microseconds."""
    begin = FIRST_US + PERIOD_US * np.arange(frames)
    return np.stack([begin, begin + 1500], axis=1)


def record_of(highs, losses=(), *, inverted=False, duration_s=DURATION_S):
    edges = np.sort(np.asarray(highs, dtype=np.int64).reshape(-1, 2), axis=0).ravel()
    edges = edges[edges <= round(duration_s * 1e6)] * 1_000_000
    line = Line("RX1", edges, int(inverted))
    table = decode_line(line, round(duration_s * 1e12), 1.0)
    frames = find_frames(table)
    return Record(table, frames, find_dwells(table, frames), losses, COMMON_PRACTICE)


def examine(highs, losses=(), **options):
    return examine_glitches(record_of(highs, losses, **options), Span(0.0, DURATION_S))


def counts(glitches):
    return {found.kind: found.count for found in glitches.kinds if found.count}


def times(glitches, kind):
    return next(found for found in glitches.kinds if found.kind is kind).moments.start_s


def at(frame, after_us=0):
    return (FIRST_US + frame * PERIOD_US + after_us) / 1e6


def test_a_clean_line_has_none():
    glitches = examine(pulses())
    assert glitches.count == 0
    (finding,) = glitches.findings
    assert finding.value == 0.0
    assert finding.verdict is None
    assert finding.interval == (0.0, pytest.approx(36.9, abs=0.1))  # 3.69 events in 6 s
    assert "No glitch in 6 s" in finding.sentence
    assert [found.kind for found in glitches.kinds] == list(GlitchKind)


def test_a_runt_pulse():
    glitches = examine(np.vstack([pulses(), [[at(50) * 1e6 + 9_000, at(50) * 1e6 + 9_040]]]))
    assert counts(glitches) == {GlitchKind.RUNT: 1}
    assert times(glitches, GlitchKind.RUNT) == pytest.approx([at(50, 9_000)])


def test_a_notch():
    highs = pulses()
    begin = highs[80, 0]
    split = [[begin, begin + 600], [begin + 630, begin + 1500]]
    glitches = examine(np.vstack([np.delete(highs, 80, axis=0), split]))
    assert counts(glitches) == {GlitchKind.NOTCH: 1}
    assert times(glitches, GlitchKind.NOTCH) == pytest.approx([at(80)])


def test_missing_pulses_are_timed_where_they_ought_to_be():
    glitches = examine(np.delete(pulses(), [40, 90, 91], axis=0))
    assert counts(glitches) == {GlitchKind.MISSING: 3}
    assert times(glitches, GlitchKind.MISSING) == pytest.approx([at(40), at(90), at(91)])


@pytest.mark.parametrize("after_us", [3_000, 6_000, 10_000, 13_000, 16_000, 18_000])
@pytest.mark.parametrize("width_us", [1500, 400, 1800])
def test_a_pulse_too_many_anywhere_in_the_frame_is_one_double_pulse(after_us, width_us):
    if after_us + width_us > 19_800:
        return
    extra = [[at(60) * 1e6 + after_us, at(60) * 1e6 + after_us + width_us]]
    assert counts(examine(np.vstack([pulses(), extra]))) == {GlitchKind.DOUBLE: 1}


def test_two_pulses_too_many_in_one_frame_are_two():
    begin = at(60) * 1e6
    extra = [[begin + 5_000, begin + 6_500], [begin + 11_000, begin + 12_500]]
    assert counts(examine(np.vstack([pulses(), extra]))) == {GlitchKind.DOUBLE: 2}


def test_a_runt_between_two_pulses_is_no_double_pulse():
    begin = at(60) * 1e6
    glitches = examine(np.vstack([pulses(), [[begin + 10_000, begin + 10_050]]]))
    assert counts(glitches) == {GlitchKind.RUNT: 1}


def test_stuck_high():
    highs = np.delete(pulses(), slice(100, 105), axis=0)
    stuck = [[at(100) * 1e6, at(104) * 1e6 + 1_500]]
    glitches = examine(np.vstack([highs, stuck]))
    assert counts(glitches) == {GlitchKind.STUCK_HIGH: 1}
    assert times(glitches, GlitchKind.STUCK_HIGH) == pytest.approx([at(100)])


def test_stuck_high_to_the_end_of_the_recording():
    highs = pulses()[:250]
    glitches = examine(np.vstack([highs, [[at(250) * 1e6, 7_000_000]]]))
    assert counts(glitches) == {GlitchKind.STUCK_HIGH: 1}
    assert glitches.findings[0].evidence[0].end_s == DURATION_S


def test_stuck_low():
    glitches = examine(np.delete(pulses(), slice(100, 105), axis=0))
    assert counts(glitches) == {GlitchKind.STUCK_LOW: 1}
    assert times(glitches, GlitchKind.STUCK_LOW) == pytest.approx([at(100)])


def test_stuck_low_to_the_end_of_the_recording():
    assert counts(examine(pulses()[:290])) == {GlitchKind.STUCK_LOW: 1}


def test_a_line_that_pulses_low_is_stuck_at_the_other_level():
    highs = np.delete(pulses(), slice(100, 105), axis=0)
    silent = examine(highs, inverted=True)
    assert counts(silent) == {GlitchKind.STUCK_HIGH: 1}
    assert silent.findings[0].evidence[0].pulses == 2
    long = examine(np.vstack([highs, [[at(100) * 1e6, at(104) * 1e6]]]), inverted=True)
    assert counts(long) == {GlitchKind.STUCK_LOW: 1}


@pytest.mark.parametrize("width_us", [300, 2_600, 9_000, 30_000])
def test_a_foreign_width_in_place_of_a_pulse_leaves_none_missing(width_us):
    highs = pulses()
    covered = 1 + (width_us + 1_500) // PERIOD_US
    kept = np.delete(highs, slice(70, 70 + covered), axis=0)
    glitches = examine(np.vstack([kept, [[highs[70, 0], highs[70, 0] + width_us]]]))
    assert counts(glitches) == {GlitchKind.FOREIGN: 1}
    assert times(glitches, GlitchKind.FOREIGN) == pytest.approx([at(70)])


def test_a_stray_width():
    highs = pulses()
    highs[77, 1] += 220
    glitches = examine(highs)
    assert counts(glitches) == {GlitchKind.STRAY: 1}
    assert times(glitches, GlitchKind.STRAY) == pytest.approx([at(77)])


def test_two_stray_widths_in_a_row_on_a_sweep():
    highs = pulses()
    highs[:, 1] += np.arange(FRAMES)
    highs[77:79, 1] -= [300, 280]
    assert counts(examine(highs)) == {GlitchKind.STRAY: 2}


def test_the_turning_points_of_a_fast_stick_are_no_stray_widths():
    highs = pulses()
    place = np.arange(FRAMES) % 40
    highs[:, 1] += 23 * np.minimum(place, 40 - place) - 300
    record = record_of(highs)
    assert counts(examine_glitches(record, Span(0.0, DURATION_S))) == {}


def test_stray_widths_near_both_ends_of_the_recording():
    highs = pulses()
    highs[[1, 298], 1] += 220
    assert counts(examine(highs)) == {GlitchKind.STRAY: 2}


def test_what_happens_while_the_signal_is_lost_is_counted_apart():
    highs = np.delete(pulses(), slice(100, 200), axis=0)
    runt = [[at(150) * 1e6, at(150) * 1e6 + 30], [at(20) * 1e6 + 8_000, at(20) * 1e6 + 8_020]]
    loss = Span(at(100) - 0.001, at(199))
    glitches = examine(np.vstack([highs, runt]), (loss,))
    assert counts(glitches) == {GlitchKind.RUNT: 1}
    assert glitches.observed_s == pytest.approx(6.0 - (loss.end_s - loss.start_s))
    sentence = glitches.findings[0].sentence
    assert "1 runt pulse more while the signal was lost" in sentence
    assert "outside signal loss" in sentence


def test_the_recording_may_begin_inside_a_pulse():
    highs = pulses() - FIRST_US - 1_200
    line = Line("RX1", np.append(300, highs[1:].ravel()).astype(np.int64) * 1_000_000, 1)
    table = decode_line(line, 6_000_000_000_000, 1.0)
    frames = find_frames(table)
    cut = Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
    assert counts(examine_glitches(cut, Span(0.0, DURATION_S))) == {}


def test_at_most_twenty_spans_are_evidence_but_all_are_kept():
    begin = pulses()[:60, 0]
    runts = np.stack([begin + 9_000, begin + 9_050], axis=1)
    glitches = examine(np.vstack([pulses(), runts]))
    (finding,) = glitches.findings
    assert len(finding.evidence) == 20
    assert glitches.time_s.size == 60
    assert finding.value == pytest.approx(600.0)
    assert finding.evidence[0].first == finding.evidence[0].last == 1
    assert (np.diff([span.start_s for span in finding.evidence]) > 0).all()


def test_the_count_agrees_with_the_finding_on_clean_pulses():
    highs = np.delete(pulses(), [30, 60, 61], axis=0)
    highs = np.vstack([highs, [[at(9) * 1e6 + 9_000, at(9) * 1e6 + 9_040]]])
    timing = examine_timing(record_of(highs))
    found = counts(examine(highs))
    assert found[GlitchKind.MISSING] == timing.missing_frames == 3
    assert found[GlitchKind.RUNT] == timing.glitches == 1


def test_every_spike_of_a_synthetic_receiver_is_found():
    spikes = Spikes(per_minute=120.0, shortest_us=3.0, longest_us=60.0)
    script = Script(
        60.0, 1_000_000, 5, Frame(20_000, jitter_us=5.0, dropout_probability=0.02),
        (Channel("RX1", (Dwell(1500, 60),)),), glitches=spikes,
    )  # fmt: skip
    recording = build(script)
    truth, capture = recording.truth, recording.capture
    table = decode_line(capture.lines["RX1"], capture.duration_ps, 1.0)
    frames = find_frames(table)
    record = Record(table, frames, find_dwells(table, frames), (), COMMON_PRACTICE)
    found = examine_glitches(record, Span(0.0, capture.end_s))
    assert counts(found)[GlitchKind.RUNT] == truth.channels["RX1"].glitch_rise_ps.size
    missing = np.flatnonzero(truth.frames.missing)
    own = truth.channels["RX1"].frame
    inside = (missing > own[0]) & (missing < own[-1])
    assert counts(found)[GlitchKind.MISSING] == np.count_nonzero(inside)
    due_s = truth.frames.start_ps[missing[inside]] / 1e12
    assert np.abs(times(found, GlitchKind.MISSING) - due_s).max() < 50e-6


@pytest.mark.parametrize("count", [0, 1, 2, 3, 10, 250, 40_000])
def test_the_interval_is_garwoods(count):
    """Garwood 1936, by scipy.stats.chi2; its ends are where Poisson tails are 2.5 %."""
    low, high = poisson_interval_per_minute(count, 30.0)
    lower = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert low == pytest.approx(2 * lower, rel=1e-9)
    assert high == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2), rel=1e-9)
    assert stats.poisson.cdf(count, high / 2) == pytest.approx(0.025, rel=1e-6)
    if count:
        assert stats.poisson.sf(count - 1, low / 2) == pytest.approx(0.025, rel=1e-6)


@pytest.mark.parametrize("frames", [0, 1, 2, 3])
def test_a_handful_of_pulses_gives_an_answer_or_a_reason(frames):
    (finding,) = examine(pulses(frames)).findings
    assert finding.sentence
    assert (finding.value is None) == (frames < 2)


def test_nothing_but_spikes_or_lost_time_is_not_shown():
    begin = np.arange(50) * 20_000 + 100
    spikes = np.stack([begin, begin + 20], axis=1)
    assert examine(spikes).findings[0].verdict.value == "not shown"
    whole = examine(pulses(), (Span(0.0, 6.0),))
    assert whole.findings[0].verdict.value == "not shown"
    assert "lost all the time" in whole.findings[0].sentence


def test_the_finding_has_its_definition():
    assert {d.name for d in DEFINITIONS} == {f.name for f in examine(pulses()).findings}


@given(data=st.data())
def test_faults_of_every_kind_are_counted_together(data):
    """Faults in frames far apart do not disturb one another."""
    slots = data.draw(st.permutations(range(10, 290, 10)))
    draw = st.integers(0, 4)
    wanted = {kind: data.draw(draw) for kind in (GlitchKind.RUNT, GlitchKind.MISSING,
              GlitchKind.DOUBLE, GlitchKind.FOREIGN, GlitchKind.STRAY)}  # fmt: skip
    highs, extra, dropped, place = pulses(), [], [], iter(slots)
    for kind, count in wanted.items():
        for _ in range(count):
            frame = next(place)
            begin = highs[frame, 0]
            if kind is GlitchKind.RUNT:
                extra.append([begin + 9_000, begin + 9_000 + data.draw(st.integers(1, 99))])
            elif kind is GlitchKind.MISSING:
                dropped.append(frame)
            elif kind is GlitchKind.DOUBLE:
                after = data.draw(st.integers(1_700, 17_000))
                extra.append([begin + after, begin + after + 1_000])
            else:
                highs[frame, 1] += 1_500 if kind is GlitchKind.FOREIGN else 300
    glitches = examine(np.vstack([np.delete(highs, dropped, axis=0), *([extra] if extra else [])]))
    assert counts(glitches) == {kind: count for kind, count in wanted.items() if count}
