"""The house: lint, format, types, and the order in which packages may import one another."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
ORDER = ("model", "capture", "pulses", "bench", "findings", "advice", "report", "synth", "cli")
BELOW_ALL = {"errors", "output"}
MODULES = sorted((ROOT / "pwmscope").rglob("*.py"))


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
    run("mypy", "--strict", "pwmscope")


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_package_imports_only_those_above_it(module):
    home = module.relative_to(ROOT / "pwmscope").parts[0]
    if home not in ORDER:
        return
    allowed = {*ORDER[: ORDER.index(home) + 1], *BELOW_ALL}
    for node in ast.walk(ast.parse(module.read_text())):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("pwmscope."):
            target = node.module.split(".")[1]
            assert target in allowed, f"{module.name} imports pwmscope.{target}"


def test_shipped_captures_are_small():
    for path in (ROOT / "captures").rglob("*"):
        assert path.stat().st_size < 2_000_000, path.name
