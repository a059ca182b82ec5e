"""What DEVELOPERS.md tells to do is done here, block by block, in a copy of the project."""

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house_imports import circles, find_modules, imports_of

ROOT = Path(__file__).parents[1]
BLOCK = re.compile(
    r"<!-- (?P<what>write|insert): (?P<path>\S+?)(?:, before `(?P<before>[^`\n]+)`)? -->\n"
    r"```(?:python|text)\n(?P<code>.*?)```\n",
    re.DOTALL,
)


def perform(section, root):
    """Write and insert what the blocks of a section say; return the files that are touched."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (told,) = re.findall(rf"^## {section}\n(.*?)^## ", text, re.DOTALL | re.MULTILINE)
    touched = []
    for block in BLOCK.finditer(told):
        path = root / block["path"]
        touched.append(block["path"])
        if block["what"] == "write":
            assert not path.exists(), path
            path.write_text(block["code"], encoding="utf-8")
        else:
            code = path.read_text(encoding="utf-8")
            assert code.count(block["before"]) == 1, block["before"]
            at = code.index(block["before"])
            path.write_text(code[:at] + block["code"] + code[at:], encoding="utf-8")
    return touched


@pytest.fixture
def project(tmp_path):
    shutil.copytree(ROOT / "pwmscope", tmp_path / "pwmscope")  # and what is compiled of it
    return tmp_path


def run(project, *words):
    """Run Python in the copy; its files come before the installed ones."""
    done = subprocess.run(
        [sys.executable, *words], cwd=project, env={**os.environ, "PYTHONPATH": str(project)},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr
    return done.stdout


def assert_no_circle(project):
    modules = find_modules(project)
    edges = {}
    for name, path in modules.items():
        if name != "pwmscope":
            edges[name] = {found.target for found in imports_of(name, path, modules)}
    assert circles(edges) == []


def test_a_reader_is_added_by_its_module_and_a_row(project):
    touched = perform("Adding a reader", project)
    assert touched == ["pwmscope/capture/pulse_log.py", "pwmscope/capture/formats.py"]
    log = project / "bench.log"
    log.write_text("PULSELOG\nRX1 1000 1501000\nRX2 2000 1502000\nRX1 21000000 22501000\n")
    told = run(
        project, "-c",
        "import pwmscope; c = pwmscope.load('bench.log', lines='RX1');"
        "print(list(c.lines), c.lines['RX1'].edges_ps.tolist())",
    )  # fmt: skip
    assert told == "['RX1'] [1000000, 1501000000, 21000000000, 22501000000]\n"
    assert "pulse log" in run(project, "-m", "pwmscope", "look", "bench.log")
    log.write_text("PULSELOG\nRX1 1000\n")
    told = run(
        project, "-c",
        "import pwmscope\ntry:\n    pwmscope.load('bench.log')\n"
        "except pwmscope.PwmscopeError as error:\n    print(error)",
    )  # fmt: skip
    assert "bench.log, row 2: the row is 'RX1 1000'; expected a name, a rise and a fall" in told
    assert_no_circle(project)


def test_an_analyser_is_added_by_its_module_and_a_row(project):
    touched = perform("Adding an analyser", project)
    assert set(touched) == {"pwmscope/findings/duty_factor.py", "pwmscope/findings/examine.py"}
    sweep = str(ROOT / "captures" / "clean-sweep.csv")
    document = json.loads(run(project, "-m", "pwmscope", "measure", sweep, "--json", "-"))
    found = {
        finding["name"]: finding
        for finding in document["channels"]["RX1"]["findings"]
    }  # fmt: skip
    channel = document["channels"]["RX1"]
    by_hand = 100.0 * channel["width_us"]["mean"] / channel["period_us"]["median"]
    assert found["duty factor"]["value"] == pytest.approx(by_hand, rel=0.01)
    assert found["duty factor"]["verdict"] is None
    # It is explained, as docs/findings.md explains it.
    words = ("measure", sweep, "--explain", "duty factor")
    assert "usual frame period" in " ".join(run(project, "-m", "pwmscope", *words).split())
    assert_no_circle(project)
