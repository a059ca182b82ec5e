"""CPU of examining four channels of 40 s, beside the same at an earlier commit.

    python tests/benchmarks/examine.py [--against 7ac9821] [--rounds 5]

Both run side by side from a git worktree of their own, turn by turn, each time in a fresh process.
It prints the least CPU time of the first call (with what it imports) and of a later one, and exits
with 1 where either takes more than 60 % of the earlier commit's.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
CAPTURE = ROOT / "captures" / "clean-sweep.csv"
AGAINST = "7ac9821"
MOST = 0.6
RUN = """
import json, sys, time
sys.path.insert(0, sys.argv[1])
import pwmscope
assert pwmscope.__file__.startswith(sys.argv[1]), pwmscope.__file__
capture = pwmscope.load(sys.argv[2])
took = []
for _ in range(6):
    began = time.process_time()
    pwmscope.examine(capture)
    took.append(time.process_time() - began)
print(json.dumps([took[0], min(took[1:])]))
"""


def measure(root: Path) -> list[float]:
    """Time one fresh process: the first call and the best of five more, in CPU seconds."""
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(root), str(CAPTURE)],
        capture_output=True, text=True, check=True, cwd=root,
    )  # fmt: skip
    return list(json.loads(done.stdout))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--against", default=AGAINST)
    parser.add_argument("--rounds", type=int, default=5)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder, "base")
        git = ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "-q", "--detach", str(base), asked.against], check=True)
        try:
            times = [(measure(base), measure(ROOT)) for _ in range(asked.rounds)]
        finally:
            subprocess.run([*git, "remove", "--force", str(base)], check=True)
    parts = []
    for nth, what in enumerate(("first call, imports included", "a later call")):
        before, now = (min(pair[which][nth] for pair in times) for which in (0, 1))
        parts.append(now / before)
        print(f"{what}: {asked.against} {before:.3f} s, now {now:.3f} s, {now / before:.0%}")
    return int(max(parts) > MOST)


if __name__ == "__main__":
    sys.exit(main())
