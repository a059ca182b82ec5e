"""The timeline in a browser: driven by keys, wheel and fingers, it tells what was measured."""

import base64
import dataclasses
import hashlib
import re
import time
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.capture import Capture, Line, clip
from pwmscope.report.timeline import timeline_fragment

CAPTURES = Path(__file__).parents[2] / "captures"
POLICY = "default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{}'"
HOSTILE = ("</script><script>document.title='ran'</script>", "<img src=x onerror=alert(1)>")


def wrapped(findings, view_s=None):
    """A bare page round the timeline, as the report has one, opened on so much of it."""
    made = timeline_fragment(findings)
    view_s = view_s or (findings.capture.start_s, findings.capture.end_s)
    opened = re.sub(r'"view_s":\[[^]]*\]', f'"view_s":{list(view_s)}', made.html)
    made = dataclasses.replace(made, html=opened)
    digest = base64.b64encode(hashlib.sha256(made.script.encode()).digest()).decode()
    return (
        '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY.format(digest)}">'
        "<title>Timeline</title><style>body { margin: 0 auto; padding: 1.5rem 1.25rem; "
        "max-width: 62rem; color: #1b1f24; font: 1rem/1.5 Georgia, serif; }"
        f"{made.style}</style></head><body>{made.html}<script>{made.script}</script></body></html>"
    )


@pytest.fixture(scope="module")
def preset(tmp_path_factory):
    findings = pwmscope.examine(pwmscope.load(CAPTURES / "preset.csv.gz"), off_line="tx-on")
    path = tmp_path_factory.mktemp("page") / "timeline.html"
    path.write_text(wrapped(findings))
    return findings, path


def width_told(text):
    (width,) = re.findall(r"width ([\d.]+) us", text)
    return float(width)


def shown_s(text):
    return tuple(float(number) for number in re.findall(r"[\d.]+", text)[:2])


@pytest.mark.parametrize("lane", [0, 2])
def test_keys_lead_from_the_whole_recording_to_one_pulse_with_its_width(page, preset, lane):
    findings, path = preset
    table = list(findings.channels.values())[lane].table
    page.open(path).choose(lane)
    assert shown_s(page.text("shown")) == (0.0, findings.capture.end_s)
    page.press("+", 5)
    page.press("ArrowRight", 3)
    page.press("+", 6)
    told = page.text("reading")
    from_s, to_s = shown_s(page.text("shown"))
    assert to_s - from_s < 0.02
    begins_s = float(re.findall(r"begins at ([\d.]+) s", told)[0])
    row = int(np.abs(table.rise_s - begins_s).argmin())
    assert abs(table.rise_s[row] - begins_s) <= 5e-7
    assert width_told(told) == round(table.width_us[row], 3)
    assert page.complaints == []
    page.press("ArrowRight", shift=True)
    assert width_told(page.text("reading")) == round(table.width_us[row + 1], 3)
    page.press("ArrowLeft", 2, shift=True)
    assert width_told(page.text("reading")) == round(table.width_us[row - 1], 3)
    page.press("Home")
    assert shown_s(page.text("shown")) == (0.0, findings.capture.end_s)
    page.press("-", 3)
    assert shown_s(page.text("shown")) == (0.0, findings.capture.end_s)
    assert page.complaints == []


def test_the_tab_key_goes_from_panel_to_panel_and_the_text_follows(page, preset):
    findings, path = preset
    page.open(path).value("[...document.querySelectorAll('.timeline button')].pop().focus()")
    for line in findings.channels:
        page.press("Tab")
        assert page.text("reading").startswith(f"{line}, ")
        assert page.value("document.activeElement.className") == "timeline-panel"
        assert page.value("getComputedStyle(document.activeElement).outlineStyle") == "solid"


def test_n_and_p_go_from_loss_to_loss(page, preset):
    findings, path = preset
    (line, channel), *_ = findings.channels.items()
    page.open(path).choose(0)
    page.press("Home")
    page.press("p")
    first, second = (span.start_s for span in channel.loss_spans)
    from_s, to_s = shown_s(page.text("shown"))
    assert from_s < first < to_s < second
    assert page.text("reading").startswith(f"{line}, ")
    assert "signal lost" in page.text("reading")
    page.press("n")
    from_s, to_s = shown_s(page.text("shown"))
    assert from_s < second < to_s


def test_the_wheel_zooms_where_the_mouse_is_and_dragging_moves(page, preset):
    findings, path = preset
    page.open(path)
    left, top, width, height = page.canvas(1)
    spot = {"x": left + width * 0.75, "y": top + height / 2}
    wheel = {"type": "mouseWheel", "deltaX": 0, "deltaY": -200, **spot}
    page.value("document.activeElement.blur()")
    page.ask("Input.dispatchMouseEvent", **wheel)
    assert shown_s(page.text("shown")) == (0.0, findings.capture.end_s)
    page.value("window.scrollTo(0, 0)")
    page.choose(1)
    page.ask("Input.dispatchMouseEvent", type="mouseMoved", **spot)
    at_s = float(re.findall(r"[\d.]+(?= to)", page.text("reading"))[0])
    page.ask("Input.dispatchMouseEvent", **wheel)
    from_s, to_s = shown_s(page.text("shown"))
    assert 0 < from_s < at_s < to_s < findings.capture.end_s
    button = {"button": "left", "buttons": 1, "clickCount": 1}
    page.ask("Input.dispatchMouseEvent", type="mousePressed", **spot, **button)
    moved = {**spot, "x": spot["x"] + 100}
    page.ask("Input.dispatchMouseEvent", type="mouseMoved", **moved, **button)
    page.ask("Input.dispatchMouseEvent", type="mouseReleased", **moved, **button)
    after_s, end_s = shown_s(page.text("shown"))
    assert after_s < from_s
    assert end_s - after_s == pytest.approx(to_s - from_s, abs=0.02)
    assert page.complaints == []


def test_two_fingers_zoom_on_a_phone(page, preset):
    findings, path = preset
    page.open(path, 390, 800, mobile=True)
    page.ask("Emulation.setTouchEmulationEnabled", enabled=True, maxTouchPoints=2)
    page.value("document.querySelector('.timeline-panel').scrollIntoView({block: 'center'})")
    left, top, width, height = page.canvas(0)
    assert page.value("document.documentElement.scrollWidth") <= 390

    def fingers(*parts):
        return [{"x": left + width * part, "y": top + height / 2} for part in parts]

    page.ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=fingers(0.5, 0.6))
    page.ask("Input.dispatchTouchEvent", type="touchMove", touchPoints=fingers(0.4, 0.8))
    page.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
    from_s, to_s = shown_s(page.text("shown"))
    page.ask("Emulation.setTouchEmulationEnabled", enabled=False)
    assert to_s - from_s < findings.capture.end_s / 2
    assert page.complaints == []


def test_a_single_glitch_in_an_hour_is_drawn_at_every_zoom(page, tmp_path):
    """Ink in the row of glitches: one spike of 20 us in an hour, seen from all and from close."""
    rise_us = 1_000 + 20_000 * np.arange(180_000)
    spike_us = rise_us[123_456] + 9_000
    edges_us = np.sort(np.concatenate([rise_us, rise_us + 1500, [spike_us, spike_us + 20]]))
    line = Line("OUT", edges_us.astype(np.int64) * 1_000_000, 0)
    findings = pwmscope.examine(Capture({"OUT": line}, 3_600 * 10**12, 1e6, "made"))
    path = tmp_path / "hour.html"
    path.write_text(wrapped(findings))
    page.open(path).choose(0)
    ink = (
        "(() => { const c = document.querySelector('.timeline-panel canvas');"
        "const d = c.getContext('2d').getImageData(90, 108, c.width - 90, 13).data; let n = 0;"
        "for (let i = 0; i < d.length; i += 4) if (d[i] > 100 && d[i + 1] < 90 && d[i + 3] > 99)"
        " n += 1; return n; })()"
    )
    page.text("reading")
    assert page.value(ink) > 8
    page.press("n")
    for _ in range(8):
        assert "glitch, width 20.0 us" in page.text("reading")
        assert page.value(ink) > 8
        page.press("+")
    page.press("-", 30)
    assert page.value(ink) > 8
    assert page.complaints == []


def test_hostile_names_do_nothing(page, tmp_path):
    rise_us = 5_000 + 20_000 * np.arange(60)
    edges_ps = np.stack([rise_us, rise_us + 1520], axis=1).ravel().astype(np.int64) * 1_000_000
    lines = {name: Line(name, edges_ps, 0) for name in HOSTILE}
    findings = pwmscope.examine(Capture(lines, int(edges_ps[-1]) + 10**10, 1e6, "made"))
    path = tmp_path / "hostile.html"
    path.write_text(wrapped(findings))
    page.open(path).choose(1)
    assert page.text("reading").startswith(HOSTILE[1])
    assert page.value("document.title") == "Timeline"
    assert page.value("document.images.length") == 0
    assert page.complaints == []


def test_a_browser_that_cannot_unpack_says_where_the_same_is_shown(page, preset, tmp_path):
    _, path = preset
    broken = tmp_path / "broken.html"
    broken.write_text(path.read_text().replace('"rise":{"count":', '"rise":{"planes":9,"count":-'))
    page.ask("Page.navigate", url=broken.as_uri())
    deadline = time.monotonic() + 20
    while page.value("document.querySelector('.timeline-failed')?.hidden ?? true"):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    assert page.value("document.querySelector('.timeline-live').hidden")
    assert "pictures of each channel" in page.text("failed")


def test_a_pulse_is_drawn_with_its_true_edges(page, preset):
    """Upright ink half way between the levels stands where the pulse table has its edges."""
    findings, path = preset
    table = findings.channels["RX2"].table
    page.open(path).choose(1)
    page.press("+", 9)
    page.choose(0)
    from_s, to_s = shown_s(page.text("shown"))
    row = (
        "(() => { const c = document.querySelectorAll('.timeline-panel canvas')[1];"
        "const d = c.getContext('2d').getImageData(0, 80, c.width, 1).data;"
        "return [c.width, [...Array(c.width).keys()].filter(x => d[4 * x + 3] > 150 &&"
        " d[4 * x] < 90 && x > 80)]; })()"
    )
    width, columns = page.value(row)
    inside = (table.rise_s > from_s) & (table.rise_s + table.width_us / 1e6 < to_s)
    edges_s = np.stack([table.rise_s, table.rise_s + table.width_us / 1e6], 1)[inside].ravel()
    assert edges_s.size >= 4
    left, right = 78, width - 10
    expected = left + (edges_s - from_s) / (to_s - from_s) * (right - left)
    drawn = np.array(columns) + 0.5
    for x in expected:
        assert np.abs(drawn - x).min() <= 1.5
    assert len(columns) <= 3 * edges_s.size


def test_without_script_the_page_points_to_the_pictures(page, preset):
    _, path = preset
    page.ask("Emulation.setScriptExecutionDisabled", value=True)
    page.ask("Page.navigate", url=path.as_uri())
    time.sleep(0.3)
    page.ask("Emulation.setScriptExecutionDisabled", value=False)
    assert page.value("document.querySelector('.timeline-live').hidden")
    assert page.value("document.querySelector('.timeline noscript').offsetHeight") > 0
    assert "pictures of each channel" in page.value(
        "document.querySelector('.timeline noscript').textContent"
    )


def test_on_paper_the_pictures_stand_alone(page, preset):
    _, path = preset
    page.open(path)
    page.ask("Emulation.setEmulatedMedia", media="print")
    shown = page.value("getComputedStyle(document.querySelector('.timeline')).display")
    page.ask("Emulation.setEmulatedMedia", media="")
    assert shown == "none"


def test_a_part_of_a_recording_is_told_and_drawn_in_the_recordings_own_time(page, tmp_path):
    """Half an hour from half an hour on, seen whole: a line from one end to the other."""
    rise_us = 1_000 + 20_000 * np.arange(180_000)
    width_us = np.where(np.arange(180_000) % 1000 < 500, 1300, 1620)
    edges_us = np.stack([rise_us, rise_us + width_us], axis=1).ravel()
    whole = Capture(
        {"OUT": Line("OUT", edges_us.astype(np.int64) * 1_000_000, 0)}, 3_600 * 10**12, 1e6, "made"
    )
    findings = pwmscope.examine(clip(whole, 1800.0, 3600.0))
    path = tmp_path / "part.html"
    path.write_text(wrapped(findings))
    page.open(path).choose(0)
    assert shown_s(page.text("shown")) == (1800.0, 3600.0)
    inked = page.value(
        "(() => { const c = document.querySelector('.timeline-panel canvas');"
        "const d = c.getContext('2d').getImageData(0, 20, c.width, 108).data;"
        "const seen = new Set(); for (let i = 0; i < d.length; i += 4)"
        " if (d[i + 3] > 150 && d[i] < 90) seen.add((i / 4) % c.width);"
        "return seen.size / (c.width - 88); })()"
    )
    assert inked > 0.95
    page.press("+", 17)
    told_s = float(re.findall(r"begins at ([\d.]+) s", page.text("reading"))[0])
    row = int(np.abs(rise_us / 1e6 - told_s).argmin())
    assert abs(rise_us[row] / 1e6 - told_s) <= 5e-7
    assert width_told(page.text("reading")) == width_us[row]
