"""A rotor that obeys the pulses of its device, and the drills that it is watched in."""

import importlib.util
import sys
from pathlib import Path

for name, path in (
    ("loss_drill", Path(__file__).parents[1] / "failsafe" / "loss_drill.py"),
    ("rotor", Path(__file__).with_name("rotor.py")),
):
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
