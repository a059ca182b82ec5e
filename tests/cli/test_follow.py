"""`pwmscope follow`: a stream, a pipe, a file that grows; the findings at the end."""

import gzip
import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

from tests.pulses.test_live import dump_of

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = CAPTURES / "bench.toml"
DRILL = gzip.decompress((CAPTURES / "drill.csv.gz").read_bytes())
COMMAND = [sys.executable, "-m", "pwmscope", "follow"]


def follow(*words, given=None):
    done = subprocess.run(
        [*COMMAND, *map(str, words)], input=given, capture_output=True, check=False, timeout=120
    )
    assert not done.stderr, done.stderr
    return done.returncode, done.stdout.decode()


def test_standard_input_is_told_as_it_comes_and_ends_with_the_findings():
    code, said = follow("-", "--sheet", SHEET, given=DRILL)
    assert code == 0
    assert said.count("signal lost") == said.count("back, ") == 10
    assert "RX3 (weapon ESC, turns one way): commanded to stand still at 1000 us, 0.9" in said
    assert "FAILSAFE meets, 10 of 10, slowest 0.98 s" in said
    assert "meets" not in said.partition("FAILSAFE")[0]  # live tells states, no verdict
    assert "standard input" in said


def test_a_named_pipe_is_followed_and_without_a_marker_says_what_it_cannot_see(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writing = threading.Thread(target=pipe.write_bytes, args=(DRILL,))
    writing.start()
    code, said = follow(pipe)
    writing.join()
    assert code == 0
    assert said.startswith("There is no marker line")
    assert "cannot be seen live" in said
    assert "drill" not in said


def test_a_file_that_grows_is_followed_until_it_stops(tmp_path):
    path = tmp_path / "growing.csv"
    cut = DRILL.index(b"\n", 200_000) + 7  # in the middle of a row
    path.write_bytes(DRILL[:cut])
    words = [*COMMAND, str(path), "--sheet", str(SHEET), "--json", "--idle", "1.5"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        told = []
        for line in process.stdout:
            told.append(json.loads(line))
            if len(told) == 3:
                with path.open("ab") as out:
                    out.write(DRILL[cut:])
                written_s = time.monotonic()
        assert process.wait() == 0
    assert time.monotonic() - written_s > 1.4
    assert sum(said.get("event", {}).get("what") == "signal lost" for said in told) == 10
    last = [said for said in told if "lines" in said][-1]
    assert {line["line"] for line in last["lines"]} == {"RX1", "RX2", "RX3", "RX4"}


def test_a_value_change_dump_is_followed_and_silence_of_its_lines_is_said(tmp_path):
    """A dump has nothing to say while no line changes; both causes are named."""
    dump = dump_of(gzip.decompress((CAPTURES / "pulses-stop.csv.gz").read_bytes()))
    path, cut = tmp_path / "a.vcd", dump.index(b"\n#", len(dump) // 2)
    path.write_bytes(dump[:cut])
    words = [*COMMAND, str(path), "--idle", "1.5"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        said = [process.stdout.readline()]
        while "Nothing comes" not in said[-1]:
            said.append(process.stdout.readline())
        with path.open("ab") as out:
            out.write(dump[cut:])
        said.append(process.stdout.read())
    assert "signal lost" in "".join(said)
    assert "FAILSAFE" in said[-1]


def test_bad_input_gives_a_sentence_and_exit_code_2(tmp_path):
    done = subprocess.run(
        [*COMMAND, str(tmp_path / "none.csv")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    packed = subprocess.run(
        [*COMMAND, str(CAPTURES / "drill.csv.gz"), "--idle", "0.1"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert packed.returncode == 2
    assert "packed with gzip cannot be followed" in packed.stderr
