"""Packed files give the same bytes as plain ones; damaged ones say so in one sentence."""

import gzip
import io
import zipfile

import pytest

from pwmscope import PwmscopeError, load
from pwmscope.capture.reader.unpack import _zstd, find_packing, open_bytes, read_head

TEXT = b"time_s,RX1\n" + b"".join(b"%d,%d\n" % (k, k % 2) for k in range(20_000))


def zipped(*members):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in members:
            archive.writestr(name, content)
    return out.getvalue()


PACKED = {
    "plain": TEXT,
    "gzip": gzip.compress(TEXT),
    "zstd": _zstd().compress(TEXT),
    "zip": zipped(("folder/", b""), ("folder/a.csv", TEXT)),
}


@pytest.mark.parametrize("packing", PACKED)
def test_every_packing_gives_the_bytes_back(tmp_path, packing):
    file = tmp_path / "recording"  # the name says nothing: the bytes decide
    file.write_bytes(PACKED[packing])
    assert find_packing(file) == packing
    with open_bytes(file) as unpacked:
        assert unpacked.read() == TEXT
    assert read_head(file) == TEXT[:65_536]
    assert read_head(file, 10) == TEXT[:10]


@pytest.mark.parametrize("packing", ["gzip", "zstd", "zip"])
def test_packed_data_cut_short_are_refused_with_one_sentence(tmp_path, packing):
    file = tmp_path / "cut"
    file.write_bytes(PACKED[packing][: len(PACKED[packing]) // 2])
    with pytest.raises(PwmscopeError, match="damaged or cut short; export or copy the file again"):
        read_head(file, len(TEXT))


def test_a_zip_file_with_two_members_names_them(tmp_path):
    file = tmp_path / "two.zip"
    file.write_bytes(zipped(("a.csv", TEXT), ("b.csv", TEXT)))
    with pytest.raises(PwmscopeError, match=r"2 files \(a\.csv, b\.csv\), expected one"):
        open_bytes(file)


def test_a_zip_file_with_no_member_is_refused(tmp_path):
    file = tmp_path / "none.zip"
    file.write_bytes(zipped())
    with pytest.raises(PwmscopeError, match="holds no file"):
        open_bytes(file)


def test_a_packed_file_of_nothing_is_empty(tmp_path):
    file = tmp_path / "nothing.gz"
    file.write_bytes(gzip.compress(b""))
    with pytest.raises(PwmscopeError, match="the file is empty"):
        read_head(file)


def test_a_zip_member_without_a_name_is_no_member(tmp_path):
    file = tmp_path / "a.zip"
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr(zipfile.ZipInfo("x"), "time_us,A\n0,0\n")
    data = file.read_bytes()
    file.write_bytes(data.replace(b"x", b"\x00"))
    with pytest.raises(PwmscopeError):
        load(file)
