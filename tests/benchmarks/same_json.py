"""JSON of all shipped captures beside that of an earlier commit.

    python tests/benchmarks/same_json.py [--against 7ac9821] [--within 1e-3]

It runs `measure --json`, and with the bench sheets `failsafe --json`, at both commits. It prints
each field that is gone or new, how many values of which field differ, and every verdict that does,
and exits with 1 where a field of schema 1 is gone. Numbers count as the same within a part of
themselves; sentences are not compared.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
AGAINST = "7ac9821"
CAPTURES = {
    "clean-sweep.csv": "bench.toml",
    "noisy-link.csv.gz": "bench.toml",
    "holds-last.csv.gz": "bench.toml",
    "pulses-stop.csv.gz": "bench.toml",
    "preset.csv.gz": "bench.toml",
    "drill.csv.gz": "bench.toml",
    "unmixed-drive.csv.gz": "unmixed-drive.toml",
}
WORDS = {"sentence", "reason", "reasons", "notes", "assumptions", "limit", "source", "known_from"}


def documents(root: Path, capture: str, sheet: str) -> dict[str, Any]:
    """Run the commands of a commit on a capture."""
    found = {}
    rate = ["--rate", "500kHz"] if capture.startswith("noisy") else []
    for words in (["measure"], ["measure", "--sheet", sheet], ["failsafe", "--sheet", sheet]):
        command = [sys.executable, "-m", "pwmscope", *words, capture, *rate, "--json", "-"]
        done = subprocess.run(
            command, cwd=root / "captures", env={"PYTHONPATH": str(root)},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        if done.returncode == 2:
            raise SystemExit(f"{root}: {' '.join(words)} {capture}: {done.stderr}")
        found[" ".join(words)] = json.loads(done.stdout)
    return found


def leaves(node: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """List all values with their paths; findings are found by their names."""
    if isinstance(node, dict):
        for key, value in node.items():
            yield from leaves(value, f"{path}.{key}")
    elif isinstance(node, list):
        seen: Counter[object] = Counter()
        for nth, value in enumerate(node):
            name = value.get("name", nth) if isinstance(value, dict) else nth
            seen[name] += 1
            if seen[name] > 1:  # such as the skew of another pair of lines
                name = f"{name} {seen[name]}"
            yield from leaves(value, f"{path}[{name}]")
    else:
        yield path, node


def fields(node: Any, path: str = "") -> set[str]:
    """List the keys with their paths, without lines and places in lists."""
    if isinstance(node, dict):
        named = path.endswith((".channels", ".notes", ".reasons"))
        inner = [(f"{path}.*" if named else f"{path}.{key}", value) for key, value in node.items()]
        return {name for name, _ in inner}.union(*(fields(value, name) for name, value in inner))
    if isinstance(node, list):
        return set().union(*(fields(value, f"{path}[]") for value in node)) if node else set()
    return set()


def is_same(before: Any, now: Any, within: float) -> bool:
    if isinstance(before, float | int) and isinstance(now, float | int):
        return math.isclose(before, now, rel_tol=within, abs_tol=1e-9)
    return bool(before == now)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--against", default=AGAINST)
    parser.add_argument("--within", type=float, default=1e-3)
    parser.add_argument("--all", action="store_true", help="list every value that differs")
    asked = parser.parse_args()
    different: Counter[str] = Counter()
    listed: list[str] = []
    gone: set[str] = set()
    new: set[str] = set()
    compared = 0
    with tempfile.TemporaryDirectory() as folder:
        base = Path(folder, "base")
        git = ["git", "-C", str(ROOT), "worktree"]
        subprocess.run([*git, "add", "-q", "--detach", str(base), asked.against], check=True)
        try:
            for capture, sheet in CAPTURES.items():
                before, now = (documents(root, capture, sheet) for root in (base, ROOT))
                for words, document in before.items():
                    gone |= {f"{words}: {name}" for name in fields(document) - fields(now[words])}
                    new |= {f"{words}: {name}" for name in fields(now[words]) - fields(document)}
                    values = dict(leaves(now[words]))
                    for path, value in leaves(document):
                        if path in values and not WORDS & set(path.replace("[", ".").split(".")):
                            compared += 1
                            if not is_same(value, values[path], asked.within):
                                said = f"{capture}, {words}: {path} {value} -> {values[path]}"
                                different[re.sub(r"channels\.[^.]+", "channels.*", path)] += 1
                                if path.endswith((".verdict", ".class")) or asked.all:
                                    listed.append(said)
        finally:
            subprocess.run([*git, "remove", "--force", str(base)], check=True)
    for heading, names in (("Gone", sorted(gone)), ("New", sorted(new))):
        print(f"{heading}: {len(names)}", *names, sep="\n  ")
    counts = [f"{count} {path}" for path, count in different.most_common()]
    kinds = [line for line in counts if ".evidence[" not in line]
    print(f"Different: {different.total()} of {compared} values", *kinds, sep="\n  ")
    print(f"Verdicts and classes that differ: {len(listed)}", *listed, sep="\n  ")
    return int(bool(gone))


if __name__ == "__main__":
    sys.exit(main())
