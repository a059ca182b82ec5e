"""axe-core, the rules that pages are held against: one version, from its npm package."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

VERSION = "4.14.1"
CACHE = Path(os.environ.get("XDG_CACHE_HOME", Path.home() / ".cache")) / f"axe-core-{VERSION}"
SCRIPT = CACHE / "node_modules" / "axe-core" / "axe.min.js"
RUN = (
    "axe.run({runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', "
    "'best-practice']}).then(found => found.violations.map("
    "rule => `${rule.id}: ${rule.nodes[0].html.slice(0, 120)}`))"
)
"""Gives the rules that a page breaks, each with the first place."""


def axe_script():
    """The script, installed by npm beside the project; told where that cannot be done."""
    if not SCRIPT.exists():
        npm = shutil.which("npm")
        if npm is None:
            reason = "npm is not in PATH, so no page was held against axe-core; install npm."
            if os.environ.get("CI") == "true":
                pytest.fail(reason)
            pytest.skip(reason)
        CACHE.mkdir(parents=True, exist_ok=True)
        command = [npm, "install", "--prefix", CACHE, "--no-save", "--ignore-scripts"]
        subprocess.run([*command, f"axe-core@{VERSION}"], check=True, timeout=300)
    text = SCRIPT.read_text(encoding="utf-8")
    assert f"axe v{VERSION}" in text
    return text
