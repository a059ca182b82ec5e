"""Bad input: one sentence that says what, where and what to do."""

import gzip
import os
import stat
import zipfile

import pytest

from pwmscope import PwmscopeError, load

CASES = {
    "empty file": (b"", ["is empty", "export the recording again"]),
    "header only": (b"time_s,RX1\n", ["row 1", "no rows of data"]),
    "text in a level column": (
        b"time_s,RX1\n0,0\n1,1\n2,high?\n3,0\n",
        ["row 4", "column RX1", "'high?'", "expected 0 or 1"],
    ),
    "a level of 2": (b"time_s,RX1\n0,0\n1,2\n2,0\n", ["row 3", "column RX1", "'2'"]),
    "a missing level": (b"time_s,RX1\n0,0\n1,\n2,1\n3,0\n", ["row 3", "column RX1", "nothing"]),
    "a missing time": (b"time_s,RX1\n0,0\n,1\n2,1\n3,0\n", ["row 3", "column time_s", "nothing"]),
    "text in the time column": (
        b"time_s,RX1\n0,0\nsoon,1\n2,0\n",
        ["row 3", "column time_s", "'soon'", "time in s"],
    ),
    "a time beyond reach": (b"time_s,RX1\n0,0\n1e9,1\n2e9,0\n", ["row 3", "106 days"]),
    "time going backwards": (
        b"time_s,RX1\n0,0\n2,1\n1.5,0\n3,1\n",
        ["row 4", "time goes backwards by 500 ms"],
    ),
    "time standing still": (b"time_s,RX1\n1,0\n1,1\n1,0\n", ["every row has the same time"]),
    "one row only": (b"time_s,RX1\n0,0\n", ["1 row of data", "at least two"]),
    "one line of text only": (b"0.5,1\n", ["1 row of data", "at least two"]),
    "no edges": (b"time_s,RX1,RX2\n0,0,1\n1,0,1\n2,0,1\n", ["RX1, RX2", "changes level"]),
    "too many cells": (b"time_s,RX1\n0,0\n1,1,1\n2,0\n", ["row 3", "3 cells", "expected 2"]),
    "no level column": (b"time_s\n0\n1\n", ["row 1", "no column of levels"]),
    "two time columns": (b"time_s,t_ms,RX1\n0,0,0\n1,2,1\n", ["time_s and t_ms"]),
    "comments only": (b"# nothing\n\n# more\n", ["only comments"]),
    "a PNG picture": (b"\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR", ["zero bytes"]),
    "no text at all": (b"\x01\x02\x03\xf6\x05\x06\x07,0\n", ["row 1", "0x01", "expected text"]),
    "prose": (b"Dear diary,\ntoday I recorded\n", ["expected 0 or 1"]),
    "a damaged gzip file": (b"\x1f\x8b\x08\x00rubbish", ["gzip", "damaged"]),
}


@pytest.mark.parametrize("name", CASES)
def test_bad_file(tmp_path, name):
    content, expected = CASES[name]
    file = tmp_path / "bad.csv"
    file.write_bytes(content)
    with pytest.raises(PwmscopeError) as caught:
        load(file)
    message = str(caught.value)
    assert message.startswith(str(file))
    for words in expected:
        assert words in message
    assert "\n" not in message
    assert message.endswith(".")


def test_two_gigabytes_of_zero_bytes_are_refused_at_once(tmp_path):
    file = tmp_path / "zeros.csv"
    with file.open("wb") as out:
        out.truncate(2 * 1024**3)  # sparse: takes no room
    with pytest.raises(PwmscopeError, match="zero bytes found"):
        load(file)


def test_missing_file(tmp_path):
    with pytest.raises(PwmscopeError, match="there is no such file"):
        load(tmp_path / "nowhere.csv")


def test_folder(tmp_path):
    with pytest.raises(PwmscopeError, match="this is a folder, expected a file"):
        load(tmp_path)


def test_file_that_may_not_be_read(tmp_path, monkeypatch):
    file = tmp_path / "locked.csv"
    file.write_text("time_s,RX1\n0,0\n1,1\n")
    file.chmod(0)
    try:
        if os.access(file, os.R_OK):  # root reads anything, so the system's answer is staged
            opened = type(file).open

            def refuse(self, *args, **kwargs):
                if self == file and not stat.S_IMODE(self.stat().st_mode):
                    raise PermissionError(13, "Permission denied", str(self))
                return opened(self, *args, **kwargs)

            monkeypatch.setattr(type(file), "open", refuse)
        with pytest.raises(PwmscopeError, match="may not be read"):
            load(file)
    finally:
        file.chmod(0o600)


def test_gzip_cut_short(tmp_path):
    rows = "".join(f"{k},{k % 2}\n" for k in range(200_000))
    packed = gzip.compress(("time_us,RX1\n" + rows).encode())
    file = tmp_path / "cut.csv.gz"
    file.write_bytes(packed[: len(packed) // 2])
    with pytest.raises(PwmscopeError, match=r"cut\.csv\.gz"):
        load(file)


@pytest.mark.parametrize("find", [bytearray.find, bytearray.rfind])  # in its head, in the directory
def test_zip_with_a_name_that_is_no_text(tmp_path, find):
    file = tmp_path / "pit.zip"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("\u00f6ffnung.csv", "time_us,RX1\n0,0\n1500,1\n")
    packed = bytearray(file.read_bytes())
    packed[find(packed, "\u00f6".encode())] = 0xFF
    file.write_bytes(packed)
    with pytest.raises(PwmscopeError, match="the zip data are damaged"):
        load(file)


@pytest.mark.parametrize(
    ("rate", "words"),
    [("fast", "not understood"), ("0", "above 0"), ("-1MHz", "not understood"), ("1e30", "1 THz")],
)
def test_a_rate_that_is_none(tmp_path, rate, words):
    file = tmp_path / "a.csv"
    file.write_text("RX1\n0\n1\n0\n")
    with pytest.raises(PwmscopeError, match=words):
        load(file, rate=rate)


def test_samples_without_time_ask_for_the_rate(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("RX1\n0\n1\n0\n")
    with pytest.raises(PwmscopeError, match="rate='1MHz'"):
        load(file)


def test_a_rate_that_contradicts_the_time_column(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("time_us,RX1\n" + "".join(f"{k},{int(k > 50)}\n" for k in range(100)))
    with pytest.raises(PwmscopeError, match=r"show 1 MS/s but `rate` says 2 MS/s"):
        load(file, rate="2MHz")


def test_a_rate_without_its_unit(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("RX1\n0\n1\n0\n")
    with pytest.raises(PwmscopeError, match=r"'24' is 24 samples a second.*for example 24MHz"):
        load(file, rate="24")
    assert load(file, rate="24Hz").sample_interval_ps == pytest.approx(1e12 / 24)


def test_a_time_unit_that_is_none(tmp_path):
    file = tmp_path / "a.csv"
    file.write_text("time,RX1\n0,0\n1,1\n")
    with pytest.raises(PwmscopeError, match="use s, ms, us, ns, ps or"):
        load(file, time_unit="fortnight")


def test_more_than_64_lines(tmp_path):
    file = tmp_path / "a.csv"
    names = ",".join(f"L{k}" for k in range(65))
    file.write_text(f"time_s,{names}\n0{',0' * 65}\n1{',1' * 65}\n")
    with pytest.raises(PwmscopeError, match="at most 64 lines"):
        load(file)
