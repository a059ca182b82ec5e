"""Pipes, odd names, endless lines, bombs, full disks: one short sentence, nothing left behind."""

import gzip
import io
import os
import subprocess
import sys
import tempfile
import threading
import tracemalloc
import zipfile
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import pwmscope
from pwmscope import load
from pwmscope.capture.reader import unpack
from pwmscope.cli import main
from pwmscope.errors import PwmscopeError

TABLE = "time_us,RX1\n" + "".join(
    f"{20_000 * n + at},{v}\n" for n in range(40) for at, v in ((0, 1), (1500, 0))
)
COMMAND = (sys.executable, "-m", "pwmscope")


def run(*arguments, given=None, **others):
    """Run the command as a person does."""
    return subprocess.run(
        [*COMMAND, *map(os.fspath, arguments)], input=given, capture_output=True, check=False,
        timeout=120, **others,
    )  # fmt: skip


def run_here(*arguments):
    """Run the command in this process, where neither pipes nor bytes of names are asked of it."""
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def sentence(path, **hints):
    """The one sentence that refuses a file; it is short and can be printed anywhere."""
    with pytest.raises(PwmscopeError) as told:
        load(path, **hints)
    text = str(told.value)
    assert len(text) < 400
    assert text.isprintable()
    assert "Traceback" not in text
    assert "polars" not in text.lower()
    return text


def write(tmp_path, content, name="recording.csv"):
    file = tmp_path / name
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return file


@pytest.fixture
def own_temporary(tmp_path, monkeypatch):
    """A folder for temporary files, which must be empty in the end."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))
    yield folder
    assert list(folder.iterdir()) == []


# --- what can be read once only ---


@pytest.mark.usefixtures("own_temporary")
def test_a_named_pipe_is_read_once_under_its_own_name(tmp_path):
    pipe = tmp_path / "bench.pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_text, args=(TABLE,))
    writer.start()
    capture = load(pipe)
    writer.join()
    assert capture.source == str(pipe)
    assert capture.lines["RX1"].edges_ps.size == 79


@pytest.mark.parametrize("packing", [bytes, gzip.compress])
def test_the_standard_input_is_measured_like_a_file(tmp_path, packing):
    piped = run("measure", "-", "--json", "-", given=packing(TABLE.encode()))
    file = run_here("measure", write(tmp_path, TABLE), "--json", "-")
    assert piped.returncode == file.exit_code == 0, piped.stderr
    assert b'"standard input"' in piped.stdout
    assert len(piped.stdout.splitlines()) == len(file.stdout.splitlines())


def test_an_empty_standard_input_is_told_in_one_sentence():
    told = run("measure", "-", given=b"")
    assert told.returncode == 2
    assert b"standard input: the file is empty" in told.stderr


@pytest.mark.parametrize("target", ["/dev/full", "closed"])
def test_an_output_that_takes_nothing_is_told_and_no_traceback_comes(tmp_path, target):
    file = write(tmp_path, TABLE)
    if target == "closed":
        reads, writes = os.pipe()
        os.close(reads)
    else:
        writes = os.open("/dev/full", os.O_WRONLY)
    process = subprocess.run(
        [*COMMAND, "measure", str(file)], stdout=writes, stderr=subprocess.PIPE, check=False,
        timeout=120,
    )  # fmt: skip
    os.close(writes)
    assert process.returncode not in (0, 1)
    assert b"Traceback" not in process.stderr
    assert len(process.stderr) < 400


# --- names ---


@pytest.mark.usefixtures("own_temporary")
def test_a_name_that_is_no_utf_8_is_opened_and_printed_as_an_escape(tmp_path):
    path = Path(os.fsdecode(os.fsencode(tmp_path) + b"/b\xff\x1b[2Jnch.csv"))
    path.write_text(TABLE)
    capture = load(path)
    assert capture.source.endswith("b\\xff\\x1b[2Jnch.csv")
    assert capture.lines["RX1"].edges_ps.size == 79
    path.write_text("RX1\n0\n1\n")
    assert "b\\xff\\x1b[2Jnch.csv: the rows carry no time" in sentence(path)


def test_such_a_name_goes_through_the_command_and_its_data(tmp_path):
    path = os.fsencode(tmp_path) + b"/b\xffnch.csv"
    Path(os.fsdecode(path)).write_text(TABLE)
    told = subprocess.run(
        [*map(os.fsencode, COMMAND), b"measure", path, b"--json", b"-"],
        capture_output=True, check=False, timeout=120,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr
    assert b"b\\\\xffnch.csv" in told.stdout


# --- what has no end ---


ENDLESS = {
    "a line": b"time_us,RX1\n0,0\n1," + b"8" * (3 << 20) + b"\n2,1\n",
    "a first line": b"x" * (3 << 20),
    "digits of a time": b"time_us,RX1\n0,0\n" + b"9" * 5000 + b",1\n",
    "an exponent": b"time_us,RX1\n0,0\n1e999999999,1\n2,0\n",
    "a quote": b'time_us,RX1\n0,"0\n' + b"1,0\n" * 1000,
    "delimiters": b"time_us,RX1\n" + b"," * 100_000 + b"\n0,1\n",
    "zeros": bytes(2 << 20),
    "a dump's name": b"$timescale 1 us $end\n$var wire 1 ! " + b"a" * (2 << 20) + b" $end\n",
    "a dump's time": b"$timescale 1 us $end\n$var wire 1 ! a $end\n$enddefinitions $end\n#"
    + b"9" * (2 << 20) + b"\n0!\n#2\n1!\n",
}  # fmt: skip


@pytest.mark.parametrize("packing", [bytes, gzip.compress], ids=["plain", "gzip"])
@pytest.mark.parametrize("what", ENDLESS)
@pytest.mark.usefixtures("own_temporary")
def test_what_has_no_end_is_refused_in_little_memory(tmp_path, capfd, what, packing):
    file = write(tmp_path, packing(ENDLESS[what]))
    tracemalloc.start()
    sentence(file)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 128 << 20
    assert capfd.readouterr().err == ""  # no thread of a parser printed its panic


def test_endless_decimals_are_read_to_a_picosecond(tmp_path):
    file = write(tmp_path, "time_us,RX1\n0,0\n1." + "3" * 5000 + ",1\n2,0\n")
    assert load(file).lines["RX1"].edges_ps.tolist() == [1_333_333, 2_000_000]


RANGES = ["[1000000000:0]", "[0:999999999999999999999]", "[-5:3]", "[7:x]", "[99999:0]"]


@pytest.mark.parametrize("size", [8, 10**9])
@pytest.mark.parametrize("bits", RANGES)
def test_the_range_of_a_dumps_vector_is_checked_before_it_is_built(tmp_path, bits, size):
    text = (
        f"$timescale 1 us $end\n$var wire {size} ! bus {bits} $end\n$var wire 1 # a $end\n"
        "$enddefinitions $end\n#0\nb0 !\n0#\n#10\n1#\n#20\nb101 !\n0#\n"
    )
    file = write(tmp_path, text)
    tracemalloc.start()
    try:
        capture = load(file, lines="a")
    except PwmscopeError as error:
        assert len(str(error)) < 400  # noqa: PT017 - reading the line that is sound is right too
    else:
        np.testing.assert_array_equal(capture.lines["a"].edges_ps, [10**7, 2 * 10**7])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 64 << 20


# --- bombs ---


@pytest.fixture
def tight(monkeypatch):
    monkeypatch.setattr(unpack, "MAX_UNPACKED_BYTES", 100)


def zipped(text):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("recording.csv", text)
    return out.getvalue()


@pytest.mark.usefixtures("tight", "own_temporary")
@pytest.mark.parametrize(
    "packed",
    [zipped(TABLE), gzip.compress(TABLE.encode("utf-16"))],
    ids=["zip", "gzip that is copied"],
)
def test_a_bomb_is_bounded_and_an_argument_raises_the_bound(tmp_path, packed):
    file = write(tmp_path, packed)
    assert "GiB; unpack and split it, or allow more with `max_gib`" in sentence(file)
    assert load(file, max_gib=1).lines["RX1"].edges_ps.size == 79


def test_the_option_raises_the_bound_of_what_comes_through_a_pipe():
    told = run("measure", "-", "--max-gib", "0.0000001", given=TABLE.encode())
    assert told.returncode == 2
    assert b"standard input: it holds more than" in told.stderr
    assert b"allow more with --max-gib" in told.stderr
    assert run("measure", "-", "--max-gib", "1", given=TABLE.encode()).returncode == 0


PIECES = {"a line": (b"8", "a line is longer than"), "blank lines": (b"\n", "of blank lines found")}


@pytest.mark.parametrize("what", PIECES)
def test_what_unpacks_without_end_below_the_first_rows_is_refused_in_little_memory(tmp_path, what):
    """2 000 rows, then 64 MiB of one byte, 64 KiB when packed; less than that is held."""
    byte, told = PIECES[what]
    rows = "time_us,RX1\n" + "".join(f"{10 * k},{k % 2}\n" for k in range(2000))
    file = write(tmp_path, gzip.compress(rows.encode() + byte * (64 << 20), 1))
    code = (
        "import resource, sys, pwmscope\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "try: pwmscope.load(sys.argv[1])\n"
        "except pwmscope.PwmscopeError as error: print(error)\n"
        "print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) // 1024)\n"
    )
    done = subprocess.run([sys.executable, "-c", code, str(file)], capture_output=True, text=True,
                          check=True, timeout=120)  # fmt: skip
    sentence, grown_mib = done.stdout.splitlines()
    assert told in sentence
    assert int(grown_mib) < 200  # polars itself takes most of it


@pytest.mark.parametrize("wrong", [0, -1, float("inf"), float("nan"), "much"])
def test_a_bound_that_is_none_is_refused(tmp_path, wrong):
    assert "max_gib" in sentence(write(tmp_path, TABLE), max_gib=wrong)


# --- what is written ---


def test_data_never_go_over_the_recording_under_any_name(tmp_path):
    file = write(tmp_path, TABLE)
    (tmp_path / "other.csv").hardlink_to(file)
    (tmp_path / "link.csv").symlink_to(file)
    for name in ("recording.csv", "other.csv", "link.csv"):
        told = run_here("measure", file, "--json", tmp_path / name, "--replace")
        assert told.exit_code == 2, told.stdout
        assert "is the recording itself" in told.stderr
    assert file.read_text() == TABLE


def test_a_report_that_cannot_be_written_leaves_the_old_one_whole(tmp_path):
    """The folder of results is changed whole or not at all; no part of a file stays behind."""
    file, folder = write(tmp_path, TABLE), tmp_path / "report"
    pwmscope.analyse(file).report(folder)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    blocked = folder / "report.pdf"
    blocked.unlink()
    blocked.mkdir()
    (blocked / "mine.txt").write_text("kept")
    told = run_here("report", file, "-o", folder, "--replace")
    assert told.exit_code == 2
    assert isinstance(told.exception, SystemExit)  # it is told, and no traceback comes
    after = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    assert after == {name: data for name, data in before.items() if name != "report.pdf"}
    assert (blocked / "mine.txt").read_text() == "kept"


DUMP = "$timescale 1 ns $end $var wire 1 ! a $end $enddefinitions $end\n"
FAR = "sample,A\n" + "".join(f"{n}0000000000000,{n % 2}\n" for n in range(9))
ROWS = "".join(f"{10 * n},{n // 150 % 2},0.0,{n % 3}.5 V\n" for n in range(400))


@pytest.mark.parametrize(
    ("content", "hints", "told"),
    [
        (ROWS.replace("10,", "10V,", 1), {"time_unit": "us"}, "row 2"),
        (ROWS.replace("1.5 V", "1.5 VV", 1), {"time_unit": "us"}, "1.5 VV"),
        (ROWS.replace("0.5 V", "1e308 V"), {"time_unit": "us"}, "1e308 V"),
        ("A,B\n" + "0,1\n1,0\n" * 2000, {"rate": 1e-9}, "106 days"),
        (FAR, {"rate": 1}, "106 days"),
        (DUMP + "#0\n1!\u2028x\n#5\n", {}, "\\u2028"),
    ],
)  # fmt: skip
def test_what_the_fuzzer_found_is_refused_in_one_sentence(tmp_path, content, hints, told):
    name = "a.vcd" if content.startswith("$") else "a.csv"
    assert told in sentence(write(tmp_path, content, name), **hints)


def test_voltages_beyond_all_measure_are_read_without_a_warning(tmp_path, recwarn):
    rows = ROWS.replace("0.5 V", "9e99 V")
    load(write(tmp_path, "time_us,A,B,C\n" + rows))
    assert not recwarn.list


def test_a_parser_that_panics_prints_nothing(tmp_path, capfd):
    rows = "".join(f'"{10 * n}","{n // 150 % 2}"\n' for n in range(400))
    sentence(write(tmp_path, '"time_us","A"\n' + rows.replace('"90"', '"' * 301 + "9", 1)))
    assert capfd.readouterr().err == ""
