"""What several tests of the failsafe check share: a drill that meets, checked once."""

import importlib.util
import sys
from pathlib import Path

import pytest

spec = importlib.util.spec_from_file_location(
    "loss_drill", Path(__file__).with_name("loss_drill.py")
)
drill = importlib.util.module_from_spec(spec)
sys.modules.setdefault("loss_drill", drill)
spec.loader.exec_module(drill)


@pytest.fixture(scope="session")
def good():
    """Ten losses of a receiver that goes to its presets after 0.6 s, checked once."""
    return drill.check(drill.Drill())
