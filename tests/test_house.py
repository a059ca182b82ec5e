"""The house: lint, format, types, and the order in which packages may import one another."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.house_imports import circles, find_modules, folder_of, imports_of

TYPES_REPORT = "PWMSCOPE_TYPES_REPORT"
PATIENCE_S = 600
ROOT = Path(__file__).parents[1]
ORDER = (
    "errors", "output", "faces", "model", "capture", "pulses", "bench", "findings", "advice",
    "plot", "report", "synth", "analysis", "desk", "cli",
)  # fmt: skip
IN_A_CIRCLE = []
FOLDERS_IN_A_CIRCLE = []
NOT_YET_BY_FACE = [
    ("cli", "capture"),
    ("cli", "findings"),
    ("cli", "report"),
    ("report", "findings"),
]


def run(*words):
    done = subprocess.run(
        [sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_lint():
    run("ruff", "check", "--no-cache", ".")


def test_format():
    run("ruff", "format", "--no-cache", "--check", ".")


def test_types():
    """mypy in strict mode; in a run of everything it has been at work since the run began."""
    report = os.environ.get(TYPES_REPORT)
    if report is None:
        run("mypy", "--strict", "pwmscope", "docs/json_types.py")
        return
    told = ""
    for _ in range(PATIENCE_S * 10):
        told = Path(report).read_text("utf-8")
        if "\nmypy ended with " in told:
            break
        time.sleep(0.1)
    assert told.endswith("\nmypy ended with 0\n"), told or "mypy did not end"


@pytest.fixture(scope="module")
def imports():
    modules = find_modules()
    return [
        found for name, path in modules.items() for found in imports_of(name, path, modules)
    ], modules


def test_every_form_of_import_is_seen(tmp_path):
    box = tmp_path / "box"
    (box / "inner").mkdir(parents=True)
    for name in ("__init__", "a", "b", "c", "d", "e", "f", "inner/__init__", "inner/g"):
        (box / f"{name}.py").write_text("")
    (box / "inner" / "h.py").write_text(
        "import importlib\nfrom typing import TYPE_CHECKING\nimport box.a\n"
        "from box import b\nfrom ..c import x\nfrom . import g\n"
        "if TYPE_CHECKING:\n    from box.d import y\n"
        "def late():\n    from ..e import z\n    return importlib.import_module('box.f')\n"
    )
    modules = find_modules(tmp_path, "box")
    path = modules["box.inner.h"]
    seen = {found.target for found in imports_of("box.inner.h", path, modules, "box")}
    assert seen == {"box.a", "box.b", "box.c", "box.d", "box.e", "box.f", "box.inner.g"}


def test_circles_are_found():
    edges = {"a": {"b"}, "b": {"c"}, "c": {"b", "d"}, "d": {"e"}, "e": set()}
    assert circles(edges) == [("b", "c")]


def test_a_package_imports_only_those_above_it(imports):
    found, _modules = imports
    wrong = []
    for each in found:
        home, target = part_of(each.importer), part_of(each.target)
        if home in ORDER and target in ORDER and ORDER.index(target) > ORDER.index(home):
            wrong.append(f"{each.importer} line {each.line} imports {each.target}")
    assert not wrong


def test_no_modules_import_each_other_in_a_circle(imports):
    found, _modules = imports
    edges = {}
    for each in found:
        # The house's own face names its rooms by strings, and they never come back to it.
        if each.importer != "pwmscope":
            edges.setdefault(each.importer, set()).add(each.target)
    assert_only_known(in_circles(edges), IN_A_CIRCLE)


def test_no_folders_import_each_other_in_a_circle(imports):
    found, modules = imports
    edges = {}
    for each in found:
        home, target = folder_of(each.importer, modules), folder_of(each.target, modules)
        if home != target and "pwmscope" not in (home, target):
            edges.setdefault(home, set()).add(target)
    assert_only_known(in_circles(edges), FOLDERS_IN_A_CIRCLE)


def test_packages_import_each_other_by_their_faces(imports):
    found, modules = imports
    deep = set()
    for each in found:
        home, target = part_of(each.importer), part_of(each.target)
        is_face = modules[each.target].name == "__init__.py" or target in ORDER[:3]
        if home != target and home in ORDER and target in ORDER and not is_face:
            deep.add((home, target))
    assert_only_known(deep, NOT_YET_BY_FACE)


def in_circles(edges):
    return {name for circle in circles(edges) for name in circle}


def part_of(module):
    """The package below pwmscope that a module belongs to."""
    return module.split(".")[1] if "." in module else module


def assert_only_known(found, known):
    """Known exceptions may only become fewer: one that is gone must leave the list."""
    assert sorted(set(found) - set(known)) == [], "new ones"
    assert sorted(set(known) - set(found)) == [], "these are gone: take them off the list"


def test_shipped_captures_are_small():
    for path in (ROOT / "captures").rglob("*"):
        assert path.stat().st_size < 2_000_000, path.name
