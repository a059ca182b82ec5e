"""The benches that tests of the supply stand on."""

import importlib.util
import sys
from pathlib import Path

for name, path in (
    ("loss_drill", Path(__file__).parents[1] / "failsafe" / "loss_drill.py"),
    ("supply_bench", Path(__file__).with_name("bench.py")),
):
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
