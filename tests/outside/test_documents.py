"""Page, PDF, Markdown and JSON, read back by programs that pwmscope did not make."""

import functools
import hashlib
import html
import json
import re
import subprocess
from collections import Counter
from pathlib import Path

import html5lib
import jsonschema
import numpy as np
import pytest
from markdown_it import MarkdownIt
from referencing import Registry, Resource

import pwmscope
from pwmscope.capture import Capture, Line
from pwmscope.findings import Finding
from pwmscope.report.folder import entry_of, write_index, write_report
from pwmscope.report.sentences import channel_sentence, format_value

ROOT = Path(__file__).parents[2]
SHA256 = hashlib.sha256((ROOT / "captures" / "preset.csv.gz").read_bytes()).hexdigest()
NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")
HOSTILE = (
    "<script>alert(1)</script>", "../../etc/passwd", "x" * 10_000, "\u05d0\u05d1\u05d2 (1)",
    "\u202egnorw\u0000\u001b[31m\n\ud800", "| a | [b](c) |", "#panic(\"ran\")", "$ 1/0 $", "",
)  # fmt: skip


@pytest.fixture(scope="module")
def preset(tmp_path_factory):
    """A report on a robot whose lifter goes on after the loss, with its bench sheet."""
    captures = ROOT / "captures"
    analysis = pwmscope.analyse(captures / "preset.csv.gz", sheet=captures / "bench.toml")
    folder = tmp_path_factory.mktemp("preset")
    return analysis.findings[0], analysis.failsafe, write_report(analysis, folder)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    rise_us = 5_000 + 20_000 * np.arange(60)
    edges_us = np.stack([rise_us, rise_us + 1520], axis=1).ravel()
    lines = {name: Line(name, edges_us.astype(np.int64) * 1_000_000, 0) for name in HOSTILE}
    analysis = pwmscope.analyse(Capture(lines, 12 * 10**11, 1e6, "/home/me/<b>\u202ex</b>.csv"))
    return analysis.findings[0], write_report(analysis, tmp_path_factory.mktemp("hostile"))


def spaced(text):
    return re.sub(r"\s+", " ", text)


@functools.cache
def page_text(path):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(path.read_text())
    return spaced(" ".join(tree.find("body").itertext()))


@functools.cache
def pdf_text(path, require_program, *options):
    """Read a PDF's words in the order in which they stand in the file."""
    command = [require_program("pdftotext"), "-raw", "-enc", "UTF-8", *options, str(path), "-"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stderr == ""
    return spaced(done.stdout)


@functools.cache
def markdown_text(path):
    page = MarkdownIt("commonmark").enable("table").render(path.read_text())
    return spaced(html.unescape(re.sub(r"<[^>]*>", " ", page)))


def test_all_four_tell_every_finding_with_the_same_numbers(preset, require_program):
    """HTML by html5lib, PDF by pdftotext, Markdown by markdown-it, each against the JSON."""
    _, _, written = preset
    data = json.loads(written.data.read_text())
    texts = {
        "HTML": page_text(written.page),
        "PDF": pdf_text(written.pdf, require_program),
        "Markdown": markdown_text(written.markdown),
    }
    told = 0
    for channel in data["channels"].values():
        for found in (*channel["findings"], *data["recording"]):
            finding = Finding(
                found["name"], found["value"], found["unit"], found["uncertainty"],
                found["limit"], None, (), found["sentence"],
                tuple(found["interval"]) if found["interval"] else None,
            )  # fmt: skip
            for form, text in texts.items():
                for said in (format_value(finding), finding.sentence, finding.limit):
                    if form != "PDF" or said is not finding.sentence:
                        assert said in text, f"{form}: {said}"
            told += 1
    assert told > 100


def numbers_of_page(path):
    """Numbers of a page's words and of its pictures' words for those who cannot see them."""
    tree = html5lib.HTMLParser(namespaceHTMLElements=False).parse(path.read_text())
    alts = [image.attrib["alt"] for image in tree.iter("img")]
    for drawn in list(tree.iter("{http://www.w3.org/2000/svg}svg")):
        alts.append(drawn.attrib.get("aria-label", ""))
        for part in list(drawn):
            drawn.remove(part)
    return Counter(NUMBER.findall(spaced(" ".join([*tree.find("body").itertext(), *alts]))))


def test_the_page_and_the_markdown_hold_the_same_numbers_as_often(preset):
    """Every number of the page's text, and no other, by html5lib and markdown-it."""
    _, _, written = preset
    page = numbers_of_page(written.page)
    labels = Counter(NUMBER.findall(" ".join(re.findall(
        r"Picture \d+ of channel \d+", markdown_text(written.markdown)
    ))))  # fmt: skip
    assert Counter(NUMBER.findall(markdown_text(written.markdown))) - labels == page
    assert page.total() > 1000


def test_the_pdf_holds_no_number_that_the_page_has_not(preset, require_program):
    """By pdftotext and html5lib: paper has less, and nothing else, but its own pages' numbers."""
    _, _, written = preset
    page = set(NUMBER.findall(page_text(written.page)))
    pages = {str(number) for number in range(1, 7)}
    assert set(NUMBER.findall(pdf_text(written.pdf, require_program))) <= page | pages


def test_the_pdf_is_short_and_begins_with_the_one_page_sheet(preset, require_program):
    """By pdftotext; the verdict of every device, what to do and who decides stand on page 1."""
    _, check, written = preset
    first = pdf_text(written.pdf, require_program, "-l", "1")
    assert "FAILSAFE does not meet" in first
    assert "safety officer decide" in first
    assert "Signature" in first
    for line in check.lines:
        assert line.device in first
    assert first.count("does not meet") >= 2
    assert first.count("not shown") >= 3


def test_each_page_of_the_pdf_names_file_hash_version_and_number(preset, require_program):
    """By pdftotext and pdfinfo."""
    _, _, written = preset
    told = subprocess.run(
        [require_program("pdfinfo"), str(written.pdf)], capture_output=True, text=True, check=True
    ).stdout
    pages = int(re.search(r"Pages:\s+(\d+)", told)[1])
    assert "A4" in told
    assert re.search(r"Tagged:\s+yes", told)
    assert re.search(r"JavaScript:\s+no", told)
    assert "CreationDate" not in told
    assert pages <= 6
    first = pdf_text(written.pdf, require_program, "-l", "1")
    for said in ("preset.csv.gz", f"SHA-256 {SHA256}", f"pwmscope {pwmscope.__version__}"):
        assert said in first
    for number in (2, pages):
        text = pdf_text(written.pdf, require_program, "-f", str(number), "-l", str(number))
        for said in (
            "preset.csv.gz", f"SHA-256 {SHA256}", f"page {number} of {pages}",
            f"pwmscope {pwmscope.__version__}",
        ):  # fmt: skip
            assert said in text


def test_the_pdf_has_a_bookmark_for_each_section(preset, require_program, tmp_path):
    """By pdftohtml."""
    _, _, written = preset
    subprocess.run(
        [require_program("pdftohtml"), "-xml", "-i", "-q", str(written.pdf), str(tmp_path / "out")],
        check=True,
    )
    outline = (tmp_path / "out.xml").read_text().partition("<outline>")[2]
    marks = [html.unescape(mark) for mark in re.findall(r"<item[^>]*>([^<]*)</item>", outline)]
    assert marks == [
        "Quince", "Devices, the worst first", "What to change or record next",
        "Quince: preset.csv.gz", "Pulse width over time", "What does not meet its limit",
        "What this recording does not show", "What to change", "Every figure", "Every loss",
        "The lines together", "The recording", "How it was measured", "What was assumed",
        "Who decides",
    ]  # fmt: skip


@pytest.mark.parametrize(("paper", "width_pt"), [("A4", 595), ("letter", 612)])
def test_the_page_prints_cleanly(preset, require_program, tmp_path, paper, width_pt):
    """By Chromium, read back by pdftotext: no script error, nothing beyond the margin."""
    findings, _, written = preset
    page, printed = tmp_path / "page.html", tmp_path / "printed.pdf"
    text = written.page.read_text()
    assert text.count("@page { margin: 15mm; }") == 1
    text = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
    page.write_text(text.replace("@page {", f"@page {{ size: {paper};"))
    flags = (
        "headless", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "disable-sync",
        "disable-background-networking", "disable-component-update", "enable-logging=stderr",
        f"user-data-dir={tmp_path / 'profile'}", "no-pdf-header-footer", f"print-to-pdf={printed}",
    )  # fmt: skip
    done = subprocess.run(
        [require_program("chromium"), *(f"--{flag}" for flag in flags), page.as_uri()],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert "CONSOLE" not in done.stderr
    boxes = subprocess.run(
        [require_program("pdftotext"), "-bbox", str(printed), "-"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    widths = {round(float(width)) for width in re.findall(r'<page width="([\d.]+)"', boxes)}
    assert widths == {width_pt}
    margin_pt = 15 / 25.4 * 72
    ends_pt = [float(end) for end in re.findall(r'xMax="([\d.]+)"', boxes)]
    assert len(ends_pt) > 3000
    assert max(ends_pt) <= width_pt - margin_pt + 1
    assert "FAILSAFE does not meet" in pdf_text(printed, require_program, "-l", "1")
    whole = pdf_text(printed, require_program)
    for channel in findings.channels.values():
        said = channel_sentence(channel)
        assert said[:1].upper() + said[1:] in whole


def test_the_pictures_in_the_pdf_are_vectors(preset, require_program):
    """By pdfimages, which finds no raster picture."""
    _, _, written = preset
    listed = subprocess.run(
        [require_program("pdfimages"), "-list", str(written.pdf)],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert len(listed.splitlines()) == 2


def test_the_json_follows_its_schemas(preset):
    """By jsonschema, JSON Schema draft 2020-12."""
    _, _, written = preset
    schemas = {
        name: json.loads((ROOT / "docs" / f"{name}.schema.json").read_text())
        for name in ("findings", "failsafe")
    }
    registry = Registry().with_resources(
        (f"{name}.schema.json", Resource.from_contents(schema)) for name, schema in schemas.items()
    )
    for path, name in ((written.data, "findings"), (written.check, "failsafe")):
        validator = jsonschema.Draft202012Validator(schemas[name], registry=registry)
        validator.validate(json.loads(path.read_text()))


def test_a_validator_has_nothing_to_say_about_the_pages(preset, hostile, require_program, tmp_path):
    """By HTML Tidy."""
    _, _, written = preset
    captures = ROOT / "captures"
    analysis = pwmscope.analyse(captures / "preset.csv.gz", sheet=captures / "bench.toml")
    index = write_index([entry_of("a.csv", analysis, written)], written.page.parent, replace=True)
    for path in (written.page, index, hostile[1].page):
        done = subprocess.run(
            [require_program("tidy"), "-quiet", "-errors", "-utf8", str(path)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert (done.returncode, done.stderr) == (0, "")


def test_hostile_names_come_through_shortened_and_do_nothing(hostile, require_program):
    """By html5lib, pdftotext and markdown-it."""
    _, written = hostile
    texts = (
        page_text(written.page),
        pdf_text(written.pdf, require_program),
        markdown_text(written.markdown),
    )
    for text in texts:
        for shown in ("<script>alert(1)</script>", "../../etc/passwd", "| a | [b](c) |",
                      '#panic("ran")', "$ 1/0 $", "x" * 27 + "…"):  # fmt: skip
            assert shown in text
        assert "x" * 41 not in text
        assert "\u202e" not in text
        assert "/home/me" not in text
    page = MarkdownIt("commonmark").enable("table").render(written.markdown.read_text())
    assert set(re.findall(r"<(\w+)", page)) <= {
        "h1", "h2", "p", "ul", "ol", "li", "strong", "em", "table", "thead", "tbody", "tr", "th",
        "td",
    }  # fmt: skip


def test_nine_channels_still_have_their_verdicts_on_the_first_page(hostile, require_program):
    """By pdftotext: a verdict for each, and in the pages after it every check by its name."""
    findings, written = hostile
    assert len(findings.channels) == len(HOSTILE) > 8
    first = pdf_text(written.pdf, require_program, "-l", "1")
    assert first.count("not shown") >= len(HOSTILE)
    whole = pdf_text(written.pdf, require_program)
    for channel in findings.channels.values():
        for finding in channel.judged:
            assert finding.name in whole
