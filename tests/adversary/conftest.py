"""Siblings import one another by name; what is not reached yet is listed, and may only shrink.

A case of ``not_reached.toml`` is expected to fail, strictly: once the product is mended the case
passes, the run fails, and the case has to be taken off the list.
"""

import sys
import tomllib
from pathlib import Path

import pytest

HERE = Path(__file__).parent
if str(HERE) not in sys.path:
    sys.path.insert(0, str(HERE))


def pytest_collection_modifyitems(items):
    listed = tomllib.loads((HERE / "not_reached.toml").read_text(encoding="utf-8"))
    reasons = {
        f"{file}::{case}": one["reason"]
        for file, groups in listed.items()
        for one in groups
        for case in one["cases"]
    }
    for item in items:
        if item.path.parent == HERE:
            reason = reasons.get(f"{item.path.stem}::{item.name}")
            if reason is not None:
                item.add_marker(pytest.mark.xfail(reason=reason, strict=True))
