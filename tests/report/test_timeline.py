"""The timeline's data: nothing that is odd vanishes, and all of it fits and does no harm."""

import base64
import html
import itertools
import json
import re
import zlib
from pathlib import Path

import html5lib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

import pwmscope
from pwmscope.bench import load_sheet, parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.model import Span
from pwmscope.pulses import Flag
from pwmscope.report import timeline
from pwmscope.report.timeline import (
    FACTOR,
    MEASURED,
    build_pyramid,
    kept_spans,
    pack,
    tidy_bucket_s,
    timeline_fragment,
)

CAPTURES = Path(__file__).parents[2] / "captures"
HOSTILE = (
    "</script><script>alert(1)</script>",
    "<!--<script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% raw %}",
    "\u202egnorw\u0000\n\ud800",
    "x" * 10_000,
    "&lt;b&gt;",
)


def unpacked(packed):
    """Read packed numbers by their description."""
    if not packed["count"]:
        return np.zeros(0, np.int64)
    lanes = np.frombuffer(zlib.decompress(base64.b64decode(packed["text"])), np.uint8)
    planes = lanes.reshape(packed["planes"], packed["count"] - 1).astype(np.int64)
    folded = sum(plane * 256**k for k, plane in enumerate(planes))
    off = np.where(folded % 2, -(folded + 1) // 2, folded // 2)
    return np.cumsum(np.append(packed["first"], packed["step"] + off))


def data_of(timeline):
    (text,) = re.findall(
        r'<script type="application/json" id="timeline-data">(.*?)</script>', timeline.html, re.S
    )
    return json.loads(text)


def soaked(minutes, *, lines=8, seed=3, glitches=20):
    """Lines at 50 frames a second with jitter, moves, a gap and glitches; edges on samples."""
    rng = np.random.default_rng(seed)
    count = minutes * 3000
    made = {}
    for k in range(lines):
        rise_us = 1_000 + 2_200 * k + np.cumsum(20_000 + rng.normal(0, 0.3, count))
        width_us = 1500 + rng.normal(0, 0.5, count)
        width_us[:: max(1, count // 50)] += 300
        kept = np.ones(count, bool)
        kept[count // 2 : count // 2 + 200] = False
        spikes_us = rise_us[rng.choice(count - 1, glitches, replace=False)] + 9_000
        edges_us = np.concatenate(
            [rise_us[kept], rise_us[kept] + width_us[kept], spikes_us, spikes_us + 20]
        )
        edges_ps = np.rint(np.sort(edges_us) * 20).astype(np.int64) * 50_000
        made[f"OUT{k + 1}"] = Line(f"OUT{k + 1}", edges_ps, 0)
    return Capture(made, (minutes * 60 + 1) * 10**12, 50_000.0, "made here")


WIDTHS = hnp.arrays(np.int64, st.integers(0, 60), elements=st.integers(-(2**45), 2**45))


@given(WIDTHS)
def test_packed_numbers_come_back(values):
    assert np.array_equal(unpacked(pack(values)), values)


def test_packed_times_of_a_day_come_back_and_take_little_room():
    rng = np.random.default_rng(1)
    rise = np.cumsum(20_000_000 + rng.integers(-9, 10, 50_000))
    packed = pack(rise)
    assert np.array_equal(unpacked(packed), rise)
    assert len(packed["text"]) < 1.2 * rise.size


@given(data=st.data(), count=st.integers(1, 120))
def test_no_extreme_and_no_mark_vanishes_at_any_level(data, count):
    steps_s = data.draw(hnp.arrays(np.float64, count, elements=st.floats(0, 3)))
    since_s = np.cumsum(steps_s)
    width = data.draw(hnp.arrays(np.int64, count, elements=st.integers(0, 10**6)))
    marks = data.draw(hnp.arrays(np.uint8, count, elements=st.sampled_from([MEASURED, 2, 8, 144])))
    duration_s = float(since_s[-1]) + 1.0
    levels = build_pyramid(since_s, width, marks, 0.25, duration_s)
    measured = (marks & MEASURED) != 0
    for nth, level in enumerate(levels):
        assert level.bucket_s == 0.25 * FACTOR**nth
        assert level.marks.size * level.bucket_s >= duration_s
        place = np.minimum((since_s / level.bucket_s).astype(int), level.marks.size - 1)
        for bucket in range(level.marks.size):
            inside = place == bucket
            assert level.marks[bucket] == np.bitwise_or.reduce(marks[inside], initial=0)
            if (inside & measured).any():
                assert level.low[bucket] == width[inside & measured].min()
                assert level.high[bucket] == width[inside & measured].max()
    assert levels[-1].marks.size <= 300


@given(st.floats(1e-3, 1e7), st.integers(1, 20_000), st.floats(1e-4, 10))
def test_a_bucket_is_no_shorter_than_it_must_be_and_not_much_longer(duration_s, most, least_s):
    bucket_s = tidy_bucket_s(duration_s, most, least_s)
    wanted_s = max(duration_s / most, least_s)
    assert wanted_s <= bucket_s <= 2.5000001 * wanted_s


@given(
    st.lists(st.floats(0, 1000), max_size=30),
    st.lists(st.floats(0, 1000), max_size=200),
    st.integers(0, 60_000),
)
def test_kept_spans_fit_and_hold_every_moment_that_is_not_said_to_be_left_out(losses, strays, most):
    rise_s = np.arange(0.0, 1000.0, 0.02)
    moments = [np.unique(np.array(each, float)) for each in (losses, strays)]
    spans, reach_s, left_out = kept_spans(*moments, [rise_s], Span(0.0, 1000.0), most)
    kept = sum(int(((rise_s >= s.start_s) & (rise_s < s.end_s)).sum()) for s in spans)
    assert kept <= most
    assert all(one.end_s <= other.start_s for one, other in itertools.pairwise(spans))
    every = np.unique(np.concatenate(moments))
    outside = [m for m in every if not any(s.start_s <= m <= s.end_s for s in spans)]
    assert len(outside) <= left_out
    assert reach_s or not spans


@pytest.fixture(scope="module")
def noisy():
    return pwmscope.examine(pwmscope.load(CAPTURES / "noisy-link.csv.gz", rate="500kHz"))


def test_a_short_recording_is_whole_pulse_by_pulse(noisy):
    data = data_of(timeline_fragment(noisy))
    assert data["kept_s"] == [[0.0, noisy.capture.end_s]]
    for lane, channel in zip(data["lanes"], noisy.channels.values(), strict=True):
        table = channel.table
        rise_ps = lane["origin_ps"] + unpacked(lane["pulses"]["rise"]) * lane["unit_ps"]
        width_us = unpacked(lane["pulses"]["width"]) * lane["unit_ps"] / 1e6
        marks = unpacked(lane["pulses"]["marks"])
        assert np.allclose(rise_ps / 1e12, table.rise_s, rtol=0, atol=2e-12)
        known = np.isfinite(table.width_us)
        assert np.allclose(width_us[known], table.width_us[known], rtol=0, atol=2e-6)
        assert np.array_equal(marks & ~MEASURED, table.flags)
        assert np.array_equal((marks & MEASURED) != 0, table.measured)


def test_what_is_marked_is_what_was_found(noisy):
    data = data_of(timeline_fragment(noisy))
    for lane, channel in zip(data["lanes"], noisy.channels.values(), strict=True):
        convention = channel.table.convention
        assert lane["convention_us"] == [
            convention.low_us, convention.neutral_us, convention.high_us,
        ]  # fmt: skip
        spans = [(loss["start_s"], loss["end_s"]) for loss in lane["losses"]]
        assert np.allclose(
            np.array(spans).ravel(),
            [end for span in channel.loss_spans for end in (span.start_s, span.end_s)],
            atol=1e-6,
        )
        levels = {level["name"]: level["width_us"] for level in lane["levels"]}
        if channel.travel.neutral:
            assert levels["neutral"] == pytest.approx(channel.travel.neutral.width_us, abs=1e-3)
        else:
            assert "neutral" not in levels


def test_edges_between_samples_are_kept_to_the_nanosecond():
    capture = soaked(1, lines=1)
    line = capture.lines["OUT1"]
    shifted = Line("OUT1", line.edges_ps + np.arange(line.edges_ps.size) % 7 * 1_311, 0)
    findings = pwmscope.examine(Capture({"OUT1": shifted}, capture.duration_ps, 50_000.0, "made"))
    (lane,) = data_of(timeline_fragment(findings))["lanes"]
    assert lane["unit_ps"] == 1000.0
    table = findings.channels["OUT1"].table
    width_us = unpacked(lane["pulses"]["width"]) / 1e3
    assert np.abs(width_us - table.width_us).max() <= 0.0005001


def test_a_pulse_that_is_cut_is_as_long_as_it_was_seen():
    edges_ms = [1.2, *(20 * k + part for k in range(1, 200) for part in (0.0, 1.5)), 4000.0]
    line = Line("OUT", np.rint(np.array(edges_ms) * 1e9).astype(np.int64), 1)
    findings = pwmscope.examine(Capture({"OUT": line}, int(4000.7e9), 1e6, "made"))
    (lane,) = data_of(timeline_fragment(findings))["lanes"]
    width_us = unpacked(lane["pulses"]["width"]) * lane["unit_ps"] / 1e6
    marks = unpacked(lane["pulses"]["marks"])
    assert [bool(mark & Flag.CUT) for mark in marks[[0, 1, -1]]] == [True, False, True]
    assert width_us[[0, 1, -1]] == pytest.approx([1200.0, 1500.0, 700.0])


@pytest.fixture(scope="module")
def hour():
    return pwmscope.examine(soaked(60))


def test_an_hour_of_eight_lines_fits(hour):
    made = timeline_fragment(hour)
    assert sum(channel.pulses for channel in hour.channels.values()) > 1_400_000
    assert len(made.html) + len(made.script) + len(made.style) < 1_500_000


def test_an_hour_keeps_each_loss_each_glitch_and_each_extreme_pulse_by_pulse(hour):
    made = timeline_fragment(hour)
    data = data_of(made)
    assert "Views shorter than about 250 s show" in made.html
    for lane, channel in zip(data["lanes"], hour.channels.values(), strict=True):
        table = channel.table
        rise_s = (lane["origin_ps"] + unpacked(lane["pulses"]["rise"]) * lane["unit_ps"]) / 1e12
        marks = unpacked(lane["pulses"]["marks"])
        assert np.all(np.diff(rise_s) > 0)
        kept = np.round(rise_s, 9)
        assert np.count_nonzero(marks & Flag.GLITCH) == np.count_nonzero(table.has(Flag.GLITCH))
        assert np.isin(np.round(table.rise_s[table.has(Flag.GLITCH)], 9), kept).all()
        assert channel.loss_spans
        for span in channel.loss_spans:
            near = (table.rise_s > span.start_s - 1) & (table.rise_s < span.end_s + 1)
            assert np.isin(np.round(table.rise_s[near], 9), kept).all()
        finest = lane["pyramid"][0]
        assert finest["bucket_s"] == 0.25
        unit_us = lane["unit_ps"] / 1e6
        assert unpacked(finest["high"]).max() * unit_us == pytest.approx(
            table.width_us[table.measured].max()
        )


def test_glitches_without_number_are_marked_at_every_level_and_the_rest_is_said(monkeypatch):
    monkeypatch.setattr(timeline, "_KEPT", (2_000, 1_000, 0))
    findings = pwmscope.examine(soaked(5, lines=2, glitches=3_000))
    made = timeline_fragment(findings)
    assert re.search(r"Left out were [\d,]+ such moments", made.html)
    data = data_of(made)
    for lane, channel in zip(data["lanes"], findings.channels.values(), strict=True):
        assert unpacked(lane["pulses"]["rise"]).size <= 2_000
        glitch_s = channel.table.rise_s[channel.table.has(Flag.GLITCH)]
        assert glitch_s.size > 2_500
        for level in lane["pyramid"]:
            marks = unpacked(level["marks"])
            assert (marks[(glitch_s / level["bucket_s"]).astype(int)] & Flag.GLITCH).all()


def test_data_too_long_keep_fewer_pulses(monkeypatch):
    findings = pwmscope.examine(soaked(2, lines=2))
    whole = len(timeline_fragment(findings).html)
    monkeypatch.setattr(timeline, "MAX_DATA_LETTERS", whole // 2)
    monkeypatch.setattr(timeline, "_KEPT", (20_000, 4_000, 2_000, 0))
    made = timeline_fragment(findings)
    assert len(made.html) < whole // 2 + 6_000
    assert "do not all fit" in made.html


def test_hostile_names_stay_names():
    line = soaked(1, lines=1).lines["OUT1"]
    lines = {name: Line(name, line.edges_ps, 0) for name in HOSTILE}
    lines["<i>flat</i>"] = Line("<i>flat</i>", np.zeros(0, np.int64), 0)
    made = timeline_fragment(pwmscope.examine(Capture(lines, 61 * 10**12, 50_000.0, "made")))
    text = f"<!DOCTYPE html><title>t</title><body>{made.html}</body>"
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    assert len(list(tree.iter("script"))) == 1
    assert {node.tag for node in tree.iter()}.isdisjoint({"img", "i", "b"})
    assert all(not name.startswith("on") for node in tree.iter() for name in node.attrib)
    shown = ["".join(node.itertext()) for node in tree.iter("bdi")]
    assert shown[0] == HOSTILE[0]
    assert shown[-1] == "<i>flat</i>"
    assert max(map(len, shown)) <= 40
    script = next(tree.iter("script")).text
    assert re.findall(r"[<>&]", script) == []
    assert [lane["name"] for lane in json.loads(script)["lanes"]] == shown[:-1]
    assert html.escape(HOSTILE[0]) in made.html
    made.html.encode()


def test_it_refers_to_nothing_outside(noisy):
    made = timeline_fragment(noisy)
    told = re.sub(r'<script type="application/json".*?</script>', "", made.html, flags=re.S)
    for text in (told, made.style, made.script):
        assert re.findall(r"https?:|url\(|@import|\bfetch\b|XMLHttp|\bsrc=|\bhref=", text) == []
    assert "<noscript>" in made.html
    assert "</script" not in made.script
    assert timeline_fragment(noisy) == made


def test_no_servo_line_means_one_sentence_and_no_data():
    flat = Line("idle", np.zeros(0, np.int64), 0)
    made = timeline_fragment(pwmscope.examine(Capture({"idle": flat}, 10**12, 1e6, "made")))
    assert "No line carries servo pulses" in made.html
    assert "timeline-data" not in made.html


def opens_on(findings):
    return json.loads(re.search(r'"view_s":(\[[^]]*\])', timeline_fragment(findings).html)[1])


def test_it_opens_on_the_loss_that_decided():
    sheet = load_sheet("captures/bench.toml")
    findings = pwmscope.examine(pwmscope.load("captures/preset.csv.gz"), sheet=sheet)
    from_s, to_s = opens_on(findings)
    (failed,) = [e for e in findings["RX4"].losses.events if e.verdict == "does not meet"]
    assert from_s < failed.lost_s < failed.recovered_s < to_s < findings.capture.end_s


def test_it_opens_on_the_loss_that_the_finding_names():
    text = Path("captures/bench.toml").read_text(encoding="utf-8")
    sheet = parse_sheet(re.sub(r"(?m)^failsafe_s = .*$", "failsafe_s = 0.95", text))
    findings = pwmscope.examine(pwmscope.load("captures/drill.csv.gz"), sheet=sheet)
    named = [
        re.search(r"The loss at (\S+) s decides", channel.losses.finding.sentence)
        for channel in findings.servo.values()
    ]
    from_s, to_s = opens_on(findings)
    assert {channel.losses.finding.verdict for channel in findings.servo.values()} == {"not shown"}
    assert any(told and from_s < float(told[1]) < to_s for told in named)


def test_without_a_loss_it_opens_on_what_breaks_a_limit_or_on_everything():
    findings = pwmscope.examine(pwmscope.load("captures/clean-sweep.csv"))
    assert opens_on(findings) == [findings.capture.start_s, findings.capture.end_s]
