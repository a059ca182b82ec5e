"""Uploads: whatever a browser, or something else, sends as a form ends as whole files or none."""

import asyncio
import contextlib
import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from starlette.requests import Request

from pwmscope.desk import DeskError, Folder
from pwmscope.desk.folder import NO_RECORDINGS, receive, safe_name
from tests.desk.conftest import form_of

LETTERS = st.characters(exclude_categories=["Cs"])
FILES = st.lists(
    st.tuples(st.text(LETTERS, min_size=1, max_size=40), st.binary(max_size=300)), max_size=4
)


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path / "desk")


def sent(kind, body, pieces=7, *, length=None, ends=True):
    """A request whose body comes in pieces."""
    size = max(1, len(body) // pieces + 1)
    messages = [
        {"type": "http.request", "body": body[at : at + size], "more_body": True}
        for at in range(0, len(body), size)
    ]
    last = {"type": "http.request", "body": b"", "more_body": False}
    messages.append(last if ends else {"type": "http.disconnect"})
    told = [(b"content-type", kind.encode("latin-1", "replace"))]
    if length is not None:
        told.append((b"content-length", str(length).encode()))
    scope = {"type": "http", "method": "POST", "path": "/upload", "headers": told}

    async def come():
        return messages.pop(0)

    return Request(scope, come)


def held(folder):
    return {
        path.name: path.read_bytes()
        for path in folder.path.iterdir()
        if path.is_file() and path.name != "desk.json"
    }


@settings(max_examples=150)
@given(files=FILES, pieces=st.integers(1, 40))
def test_every_file_of_a_form_arrives_byte_for_byte(files, pieces):
    home = Path(tempfile.mkdtemp())
    folder = Folder(home / "desk")
    files = [(name.replace('"', "").replace("\r", "").replace("\n", ""), c) for name, c in files]
    files = [(name, content) for name, content in files if name and not name.endswith("\\")]
    try:
        taken = asyncio.run(receive(sent(*form_of(files), pieces), folder))
        assert len(taken) == len(files)
        arrived = held(folder)
        for (_, content), (name, _) in zip(files, taken, strict=True):
            assert arrived[name] == content
            assert Path(name).suffix.lower() not in NO_RECORDINGS - {".toml"}
        assert sum(is_new for _, is_new in taken) == len(arrived)
    finally:
        shutil.rmtree(home)


@settings(max_examples=150)
@given(files=FILES, at=st.integers(0, 2000), put=st.binary(max_size=8), ends=st.booleans())
def test_a_damaged_form_leaves_whole_files_or_none(files, at, put, ends):
    """Bytes cut out, put in or left off: no half file, nothing outside, one sentence."""
    home = Path(tempfile.mkdtemp())
    folder = Folder(home / "desk")
    kind, body = form_of(files)
    at = min(at, len(body))
    try:
        with contextlib.suppress(DeskError):
            asyncio.run(receive(sent(kind, body[:at] + put + body[at + 3 :], ends=ends), folder))
        assert [path.name for path in home.iterdir()] == ["desk"]
        assert not list(folder.path.glob("*.part"))
    finally:
        shutil.rmtree(home)


@given(st.text(LETTERS, max_size=300))
def test_a_safe_name_is_one_plain_name_and_stays_so(asked):
    name = safe_name(asked)
    assert name == Path(name).name == safe_name(name)
    assert not name.startswith(".")
    assert name.isprintable()
    assert len(name.encode()) <= 140


def test_the_same_file_again_is_taken_once_and_another_of_its_name_beside_it(folder):
    def take(content):
        return asyncio.run(receive(sent(*form_of([("a.csv.gz", content)])), folder))

    assert take(b"one") == [("a.csv.gz", True)]
    assert take(b"one") == [("a.csv.gz", False)]
    assert take(b"two") == [("a-2.csv.gz", True)]
    assert take(b"two") == [("a-2.csv.gz", False)]
    assert held(folder) == {"a.csv.gz": b"one", "a-2.csv.gz": b"two"}


def test_a_full_disk_is_told_before_anything_is_read(folder, monkeypatch):
    usage = shutil.disk_usage(folder.path)
    monkeypatch.setattr(shutil, "disk_usage", lambda _: usage._replace(free=65 << 20))
    with pytest.raises(DeskError, match="too little room") as refused:
        asyncio.run(receive(sent("multipart/form-data; boundary=x", b"", length=2 << 20), folder))
    assert refused.value.status == 507
    assert held(folder) == {}


def test_a_disk_that_fills_up_meanwhile_leaves_no_part(folder, monkeypatch):
    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pwmscope.desk.folder.os.fsync", full)
    with pytest.raises(DeskError, match="disk is full"):
        asyncio.run(receive(sent(*form_of([("a.csv", b"abc")])), folder))
    assert held(folder) == {}


def test_an_upload_has_a_limit_whatever_length_it_states(folder):
    kind, body = form_of([("a.csv", bytes(5000))])
    for length in (None, len(body), 10):
        with pytest.raises(DeskError, match="1000"):
            asyncio.run(receive(sent(kind, body, length=length), folder, most=1000))
    assert held(folder) == {}


@pytest.mark.parametrize("kind", ["", "text/plain", "multipart/form-data", "multipart/mixed; b=x"])
def test_what_is_no_form_with_files_is_refused(folder, kind):
    with pytest.raises(DeskError, match="no form"):
        asyncio.run(receive(sent(kind, b"abc"), folder))


def test_a_folder_that_is_read_only_is_told(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(DeskError, match="cannot be written"):
        Folder(tmp_path / "file")


def test_hints_are_remembered_by_shape(folder):
    for name in ("a.csv", "b.csv"):
        (folder.path / name).write_text("RX1,RX2\n0,1\n")
    (folder.path / "c.csv").write_text("time,RX1\n0,1\n")
    folder.remember_hints("a.csv", {"rate": "1MHz"})
    assert folder.hints_for("b.csv") == {"rate": "1MHz"}
    assert folder.hints_for("c.csv") == {}
    folder.remember_hints("a.csv", {})
    assert folder.hints_for("b.csv") == {}
