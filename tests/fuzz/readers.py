"""Coverage-guided fuzzing of the readers, as a command of its own.

    .venv/bin/pip install atheris && .venv/bin/python tests/fuzz/readers.py -runs=20000

Starts from the zoo (captures/zoo). Each case is written to a file, loaded and examined within
1 GiB of memory; anything but a capture or a PwmscopeError ends the run with the case that did
it. Options are libFuzzer's: -runs, -max_total_time, -timeout, -rss_limit_mb.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["pwmscope"]):
    import pwmscope
    import pwmscope.capture.columnar
    import pwmscope.capture.vcd.dump
    import pwmscope.findings

ZOO = Path(__file__).parents[2] / "captures" / "zoo"
ENDINGS = (".csv", ".vcd", ".parquet", ".csv.gz", ".csv.zip", ".txt")


def one_case(data: bytes) -> None:
    """Load and examine one file; its first byte chooses the name's ending and the hints."""
    if not data:
        return
    ending = ENDINGS[data[0] % len(ENDINGS)]
    hints = {"rate": "20kHz"} if data[0] & 0x80 else {}
    file = SCRATCH / f"case{ending}"
    file.write_bytes(data[1:])
    try:
        pwmscope.examine(pwmscope.load(file, **hints))
    except pwmscope.PwmscopeError as error:
        if "\n" in str(error):
            raise AssertionError("an error of more than one line") from error


def main() -> None:
    """Run libFuzzer from the zoo."""
    seeds = SCRATCH / "seeds"
    seeds.mkdir()
    for path in ZOO.iterdir():
        if path.suffix not in {".py", ".md"} and path.is_file():
            which = next((i for i, end in enumerate(ENDINGS) if path.name.endswith(end)), 0)
            (seeds / path.name).write_bytes(bytes([which]) + path.read_bytes()[:20_000])
    defaults = [
        "-max_len=20000",
        "-timeout=20",
        "-rss_limit_mb=1024",
        f"-artifact_prefix={SCRATCH}{os.sep}",
    ]
    atheris.Setup([sys.argv[0], *defaults, *sys.argv[1:], str(seeds)], one_case)
    atheris.Fuzz()


if __name__ == "__main__":
    SCRATCH = Path(tempfile.mkdtemp(prefix="pwmscope-fuzz-"))
    main()
