"""Every finding is defined, and what is printed about it is what the docs say."""

import importlib.util
import io
from pathlib import Path

import pytest
from rich.console import Console

from pwmscope import examine, load
from pwmscope.errors import HintError
from pwmscope.findings import definitions
from pwmscope.report.terminal import print_explanations

ROOT = Path(__file__).parents[2]
CAPTURES = ["clean-sweep.csv", "holds-last.csv.gz", "preset.csv.gz", "unmixed-drive.csv.gz"]


@pytest.fixture(scope="module")
def sweep():
    return examine(load(ROOT / "captures" / "clean-sweep.csv"))


def printed(findings, *names):
    console = Console(width=100, file=io.StringIO(), color_system=None)
    print_explanations(findings, names, console)
    return console.file.getvalue()


@pytest.mark.parametrize("name", CAPTURES)
def test_every_finding_has_a_definition(name):
    findings = examine(load(ROOT / "captures" / name))
    told = {f.name for c in findings.channels.values() for f in c.findings}
    told |= {f.name for f in findings.recording_findings}
    assert told <= set(definitions())


def test_every_definition_is_complete():
    for definition in definitions().values():
        assert definition.meaning.endswith("."), definition.name
        assert definition.formula, definition.name
        assert definition.source, definition.name


def test_the_page_of_findings_is_made_from_them():
    place = ROOT / "docs" / "make_findings.py"
    spec = importlib.util.spec_from_file_location("make_findings", place)
    make = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(make)
    assert make.PAGE.read_text(encoding="utf-8") == make.text(), "run docs/make_findings.py"
    assert make.GLOSSARY_PAGE.read_text(encoding="utf-8") == make.glossary()


def test_neutral_is_explained_with_the_pulses_it_rests_on(sweep):
    text = " ".join(printed(sweep, "Neutral").split())
    definition = definitions()["neutral"]
    assert " ".join(definition.formula.split()) in text
    assert " ".join(definition.source.split()) in text
    level = sweep.channels["RX2"].travel.neutral
    first = level.visits[0]
    assert f"rows {first.first} to {first.last} of the line's pulse table" in text
    table = sweep.channels["RX2"].table
    used_us = table.width_us[first.first : first.last + 1]
    assert f"mean {used_us.mean():.3f} us" in text


def test_everything_is_explained_at_once(sweep):
    text = printed(sweep, "all")
    for name in definitions():
        assert name in text.splitlines()


def test_an_unknown_finding_is_refused_with_those_nearest_to_it(sweep):
    with pytest.raises(HintError, match=r"no finding 'neutrl'. Did you mean 'neutral'"):
        printed(sweep, "neutrl")
    with pytest.raises(HintError, match=r"no finding 'jit'. Did you mean .*'width jitter'"):
        printed(sweep, "jit")
    with pytest.raises(HintError, match=r"no finding 'xyzzy'. There are: frame period, "):
        printed(sweep, "xyzzy")


def test_a_finding_is_explained_without_a_recording():
    text = " ".join(printed(None, "neutral").split())
    assert " ".join(definitions()["neutral"].formula.split()) in text
    assert "RX1" not in text
