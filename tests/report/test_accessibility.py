"""Every page that is written, held against the rules of axe-core.

Source: axe-core 4.4.3 (Deque; the Python package ``axe-core-python`` holds its script), rules of
WCAG 2.0 and 2.1, levels A and AA, and its best practices, run in headless Chromium.
"""

import importlib.util
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.cli import main

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = CAPTURES / "bench.toml"
AXE = Path(importlib.util.find_spec("axe_core_python").origin).parent / "axe.min.js"


def run(*words):
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code in {0, 1}, result.output


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    drill, preset = CAPTURES / "drill.csv.gz", CAPTURES / "preset.csv.gz"
    run("report", drill, preset, "--sheet", SHEET, "-o", folder / "reports")
    run("compare", preset, drill, "--sheet", SHEET, "-o", folder / "compared.html")
    run("plan", "--sheet", SHEET, "--card", folder / "plan.html")
    sweep = CAPTURES / "clean-sweep.csv"
    run("calibrate", sweep, "--sheet", SHEET, "-o", folder / "settings.html")
    register = folder / "club.sqlite"
    run("log", "add", preset, "--sheet", SHEET, "--register", register)
    run("log", "day", folder / "day.html", "--register", register)
    return folder


def broken_rules(page):
    page.value(AXE.read_text(encoding="utf-8") + ";0")
    return page.value(
        "axe.run().then(found => found.violations.map("
        "rule => `${rule.id}: ${rule.nodes[0].html.slice(0, 120)}`))"
    )


@pytest.mark.parametrize(
    "name",
    [
        "reports/index.html", "reports/drill/report.html", "compared.html", "plan.html",
        "settings.html", "day.html",
    ],
)  # fmt: skip
def test_a_page_breaks_no_rule(page, pages, name):
    path = pages / name
    assert path.exists(), sorted(str(p.relative_to(pages)) for p in pages.rglob("*.html"))
    page.ask("Page.navigate", url=path.as_uri())
    page.wait_for(path)
    assert broken_rules(page) == []


def test_a_page_that_breaks_one_is_found_out(page, tmp_path):
    path = tmp_path / "bad.html"
    path.write_text("<!DOCTYPE html><html><title>bad</title><img src='x.png'><p>words</html>")
    page.ask("Page.navigate", url=path.as_uri())
    page.wait_for(path)
    assert any(rule.startswith("image-alt") for rule in broken_rules(page))
