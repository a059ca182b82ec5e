"""The page holds every finding, opens anywhere, and lets no name out of its place."""

import base64
import functools
import html
import io
import itertools
import re
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import html5lib
import numpy as np
import pytest
from PIL import Image

import pwmscope
from pwmscope.bench import CAUTIONS
from pwmscope.capture import Capture, Line
from pwmscope.report.composition import compose
from pwmscope.report.folder import document_page
from pwmscope.report.sentences import channel_sentence, format_value
from pwmscope.report.timeline import Timeline

CAPTURES = Path(__file__).parents[2] / "captures"
XHTML = "{http://www.w3.org/1999/xhtml}"
RECORDINGS = {
    "clean-sweep.csv": (None, None),
    "noisy-link.csv.gz": ("500kHz", None),
    "pulses-stop.csv.gz": (None, None),
    "preset.csv.gz": (None, "tx-on"),
}
HOSTILE = (
    "<script>alert(1)</script>",
    "<svg onload=document.title='ran'>",
    '"><img src=x onerror=alert(1)>',
    "../../etc/passwd",
    "..\\..\\windows",
    "x" * 10_000,
    "\u05d0\u05d1\u05d2 (1)",
    "\u202egnorw\u0000\u001b[31m\n\ud800",
    "{{ 7 * 7 }}{% raw %}",
    "$\\frac{",
)


@pytest.fixture(scope="module", params=RECORDINGS)
def recording(request):
    rate, off_line = RECORDINGS[request.param]
    analysis = pwmscope.analyse(
        CAPTURES / request.param, hints={"rate": rate} if rate else None, marker=off_line
    )
    return analysis.findings[0], page_text(analysis)


def page_text(analysis, timeline=None):
    """The page about the first recording of an analysis."""
    return document_page(compose(analysis), timeline=timeline)


@functools.cache
def small(names=("OUT",), pulses=60):
    rise_us = 5_000 + 20_000 * np.arange(pulses)
    edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    edges_ps = edges_us.astype(np.int64) * 1_000_000
    lines = {name: Line(name, edges_ps, 0) for name in names}
    return pwmscope.analyse(Capture(lines, int(edges_ps[-1]) + 10**10, 1e6, "bench/made here.csv"))


@functools.cache
def small_page(timeline=None):
    return page_text(small(), timeline=timeline)


@pytest.fixture(scope="module")
def hostile():
    """Hostile names on servo lines, on other lines, and on the marker line."""
    servo = small(HOSTILE).captures[0]
    marker = "\u0007<b>marker</b>\u05d0"
    lines = dict(servo.lines)
    lines[marker] = Line(marker, np.array([servo.duration_ps // 2], np.int64), 1)
    lines["<i>flat</i>\u0001"] = Line("<i>flat</i>\u0001", np.zeros(0, np.int64), 0)
    source = "/home/someone/<u>\u202efile\u0000</u>.csv"
    capture = Capture(lines, servo.duration_ps, 1e6, source)
    analysis = pwmscope.analyse(capture, marker=marker)
    return analysis, page_text(analysis)


@functools.lru_cache(maxsize=8)
def parsed(text):
    """The tree of a page, which the tests only look at."""
    return html5lib.HTMLParser(strict=True).parse(text)


@functools.lru_cache(maxsize=8)
def visible(text):
    """Words of the page's body, each stretch of white space as one space."""
    body = parsed(text).find(f"{XHTML}body")
    return re.sub(r"\s+", " ", "".join(body.itertext()))


def test_it_is_strict_html_with_one_heading_and_a_language(recording):
    _, text = recording
    tree = parsed(text)
    assert text.startswith("<!DOCTYPE html>")
    assert tree.attrib["lang"] == "en"
    assert len(list(tree.iter(f"{XHTML}h1"))) == 1
    identities = [node.attrib["id"] for node in tree.iter() if "id" in node.attrib]
    assert len(identities) == len(set(identities))
    links = [node.attrib["href"] for node in tree.iter(f"{XHTML}a")]
    assert links
    assert {link.removeprefix("#") for link in links} <= set(identities)


def test_headings_go_down_one_step_at_a_time(recording):
    _, text = recording
    levels = [int(node.tag[-1]) for node in parsed(text).iter() if re.search("}h[1-6]$", node.tag)]
    assert levels[0] == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


def test_tables_have_captions_and_scopes(recording):
    _, text = recording
    tables = list(parsed(text).iter(f"{XHTML}table"))
    assert tables
    for table in tables:
        assert "".join(table.find(f"{XHTML}caption").itertext()).strip()
        heads = list(table.iter(f"{XHTML}th"))
        assert heads
        assert all(head.attrib.get("scope") in {"row", "col"} for head in heads)


def test_it_refers_to_nothing_outside(recording):
    _, text = recording
    for svg in pictures_of(text):
        assert not re.findall(r"url\((?!#)|href=\"(?!#)", svg)
        assert "//" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", svg)
    assert "//" not in re.sub(r'src="data:[^"]*"|xmlns="http://www.w3.org/2000/svg"', "", text)
    tree = parsed(text)
    for node in tree.iter():
        assert node.tag not in {f"{XHTML}{name}" for name in ("script", "link", "iframe", "object")}
        for name in ("src", "href", "srcset", "action"):
            assert node.attrib.get(name, "#").startswith(("data:image/svg+xml;base64,", "#"))
    assert "url(" not in text
    assert "@import" not in text


def pictures_of(text):
    images = list(parsed(text).iter(f"{XHTML}img"))
    return [
        base64.b64decode(image.attrib["src"].partition("base64,")[2]).decode() for image in images
    ]


def test_three_pictures_a_channel_each_described(recording):
    findings, text = recording
    images = list(parsed(text).iter(f"{XHTML}img"))
    assert len(images) == 3 * len(findings.channels)
    assert all(len(image.attrib["alt"]) > 40 for image in images)
    for svg in pictures_of(text):
        assert ET.fromstring(svg).tag == "{http://www.w3.org/2000/svg}svg"


def test_every_finding_is_told_with_its_number_limit_and_verdict(recording):
    findings, text = recording
    sections = re.findall(r'id="channel-\d+-title".*?</details>', text, re.DOTALL)
    for channel, section in zip(findings.channels.values(), sections, strict=True):
        assert f"Channel <bdi>{channel.line}</bdi>" in section
        rows = section.split("<tr>")
        for finding in channel.findings:
            row = next(row for row in rows if f'<th scope="row">{finding.name}</th>' in row)
            told = html.unescape(row)
            assert format_value(finding) in told
            assert finding.limit in told
            assert finding.verdict is None or f"{finding.verdict.value}<" in told
            assert finding.sentence in told
        for event in channel.losses.events:
            assert event.sentence in html.unescape(section)
            for reason in event.reasons.values():
                assert reason in html.unescape(section)


def test_the_answer_comes_first_and_what_was_not_shown_is_folded(recording):
    findings, text = recording
    analysis_front = visible(text).partition("Pulse width over time")[0]
    assert re.search("(meet|not shown|does not meet)", analysis_front)
    said = visible(text)
    for channel in findings.channels.values():
        told = channel_sentence(channel)
        assert told[:1].upper() + told[1:] in said
        for finding in channel.findings:
            if finding.limit and finding.verdict.value != "meets":
                assert re.search(f"{finding.verdict.value} [^.]*{finding.name}", said)
    assert f"{findings.capture.duration_s:.3f} s recorded" in said
    assert f"pwmscope {pwmscope.__version__}" in said
    assert "safety officer" in said


def test_every_loss_stands_in_a_table(recording):
    findings, text = recording
    lost = {event.lost_s for c in findings.channels.values() for event in c.losses.events}
    (table,) = re.findall(r'<section id="losses".*?</section>', text, re.DOTALL) or [""]
    assert {f"{at_s:.3f} s" for at_s in lost} == set(re.findall(r">([\d.]+ s)</th>", table))


def test_it_says_how_and_under_which_assumptions_and_cautions(recording):
    findings, text = recording
    said = visible(text)
    for word in ("IEEE Std 181", "IEEE Std 2414", "JCGM 100", "√6", "Dwells", "k = 2"):
        assert word in said
    for sentence in (*findings.assumptions, *CAUTIONS):
        assert sentence in said
    assert re.findall(r"\bsafe\b", said, re.IGNORECASE) == []


def test_hostile_names_are_shown_and_do_nothing(hostile):
    _, text = hostile
    tree = parsed(text)
    assert {node.tag.removeprefix(XHTML) for node in tree.iter()}.isdisjoint(
        {"script", "i", "b", "u"}
    )
    assert all(not name.startswith("on") for node in tree.iter() for name in node.attrib)
    said = visible(text)
    assert "<script>alert(1)</script>" in said
    assert "{{ 7 * 7 }}" in said
    assert "../../etc/passwd" in said
    assert "someone" not in text


def test_hostile_names_are_shortened_and_lose_their_control_characters(hostile):
    _, text = hostile
    assert "x" * 50 not in text
    assert "x" * 27 + "…" + "x" * 12 in text
    allowed = "\n\u2068\u2069"
    assert [c for c in set(text) if not c.isprintable() and c not in allowed] == []
    assert text.count("\u2068") == text.count("\u2069") > 0
    written = re.sub(r'src="[^"]*"|<svg.*?</svg>', "", text)
    assert all(len(line) < 3_000 for line in written.splitlines())
    text.encode()


def test_lines_without_servo_pulses_say_why():
    flat = Line("idle", np.zeros(0, np.int64), 0)
    wave = Line("wave", np.arange(1, 200, dtype=np.int64) * 104_000_000, 1)
    analysis = pwmscope.analyse(Capture({"idle": flat, "wave": wave}, 10**12, 1e6, "made"))
    text = page_text(analysis)
    said = visible(text)
    for channel in analysis.findings[0].channels.values():
        assert channel.not_servo in said
    assert "The line never changes level, so there is nothing to draw." in said
    assert len(pictures_of(text)) == 1


FRAGMENT = Timeline(
    '<section aria-label="Timeline">'
    '<script type="application/json">{"width_us": [1500]}</script></section>',
    "section { color: inherit; }",
    'document.title = "drawn"',
)


def test_a_timeline_stands_after_the_answer_and_only_its_script_may_run():
    text = small_page(FRAGMENT)
    assert text.index('id="next"') < text.index(FRAGMENT.html) < text.index('id="channel-1"')
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1]
    # the hash by another program: printf %s 'document.title = "drawn"' | openssl dgst -sha256
    # -binary | base64
    assert policy.endswith("script-src 'sha256-2ixnXOR2JwL8XemHSdHE/1XAAkn5CbPMh6YFR9RGfSU='")
    assert "script-src" not in small_page()


@pytest.fixture(scope="module")
def browse(browser):
    """Open a file in a browser without a window; return what it printed and logged."""

    def opened(path, *options):
        return subprocess.run(
            [*browser("enable-logging=stderr", *options), path.as_uri()],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )

    return opened


def complaints(ran):
    return [line for line in ran.stderr.splitlines() if "CONSOLE" in line]


def test_the_console_check_hears_a_complaint(browse, tmp_path):
    bad = tmp_path / "bad.html"
    bad.write_text("<!DOCTYPE html><title>bad</title><script>nothing.there()</script>")
    assert complaints(browse(bad, "dump-dom"))


@pytest.mark.parametrize("width", [500, 1280])
def test_a_browser_shows_the_page_without_complaint(browse, tmp_path, width):
    path = tmp_path / "page.html"
    path.write_text(small_page())
    picture = tmp_path / "seen.png"
    ran = browse(path, f"screenshot={picture}", f"window-size={width},2600")
    assert complaints(ran) == []
    with Image.open(io.BytesIO(picture.read_bytes())) as seen:
        grey = np.asarray(seen.convert("L"))
    assert grey.shape == (2600, width)
    assert 0.005 < np.mean(grey < 128) < 0.4
    # ink in every eighth down to the folds, so that nothing is an empty frame
    assert all(np.any(part < 128) for part in np.array_split(grey[:1000], 8))


def test_a_browser_runs_nothing_from_hostile_names(browse, tmp_path, hostile):
    path = tmp_path / "page.html"
    path.write_text(hostile[1])
    ran = browse(path, "dump-dom")
    assert complaints(ran) == []
    assert "<title>Receiver outputs in" in ran.stdout
    assert "<title>ran" not in ran.stdout


def test_a_browser_runs_the_timeline_and_no_script_beside_it(browse, tmp_path):
    path = tmp_path / "page.html"
    path.write_text(small_page(FRAGMENT))
    ran = browse(path, "dump-dom")
    assert complaints(ran) == []
    assert "<title>drawn</title>" in ran.stdout
    other = FRAGMENT.script.replace("drawn", "other")
    path.write_text(small_page(FRAGMENT).replace(FRAGMENT.script, other))
    ran = browse(path, "dump-dom")
    assert len(complaints(ran)) == 1
    assert "<title>other" not in ran.stdout
