"""The bench of two outputs and two sticks, for advice."""

import importlib.util
from pathlib import Path

import pytest

PLACE = Path(__file__).parents[1] / "findings" / "mixing" / "conftest.py"


@pytest.fixture(scope="session")
def make_bench():
    spec = importlib.util.spec_from_file_location("mixing_bench", PLACE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Bench
