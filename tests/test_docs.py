"""The pages: their outputs are what commands print, and the site builds without a warning."""

import importlib.util
import subprocess
import sys
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[1] / "docs"
PAGES = sorted(page for page in DOCS.glob("*.md") if "<!-- output:" in page.read_text("utf-8"))


@pytest.fixture(scope="module")
def make_outputs():
    spec = importlib.util.spec_from_file_location("make_outputs", DOCS / "make_outputs.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_every_output_in_a_page_is_what_the_command_prints(make_outputs, page):
    text = page.read_text(encoding="utf-8")
    assert make_outputs.with_outputs(text) == text, "run docs/make_outputs.py"


def test_a_page_that_was_typed_by_hand_is_found_out(make_outputs):
    asked = "<!-- output: look captures/clean-sweep.csv | 2 lines -->\n"
    made = make_outputs.with_outputs(asked)
    assert make_outputs.with_outputs(made) == made
    typed = made.replace("```text\n", "```text\nBy hand. ")
    assert make_outputs.with_outputs(typed) != typed


def test_the_site_builds_without_a_warning(tmp_path):
    """Sphinx with -W: a broken link, a page outside the index or a bad heading fails."""
    build = [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-b", "html"]
    done = subprocess.run(
        [*build, "-d", tmp_path / "trees", DOCS, tmp_path / "site"],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert {p.stem for p in DOCS.glob("*.md")} <= {
        p.stem for p in (tmp_path / "site").glob("*.html")
    }
