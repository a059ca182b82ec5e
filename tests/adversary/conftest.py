"""The adversary's modules lie beside their tests and import each other by name."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
