"""The text of a file: its encoding, line ends and head, and a plain UTF-8 file of it to scan."""

from __future__ import annotations

import codecs
import functools
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, Final

from pwmscope.capture.reader.unpack import (
    HEAD_BYTES,
    bounded,
    find_packing,
    name_of,
    open_bytes,
    read_head,
    reading,
)
from pwmscope.capture.text.dialect import split, tight
from pwmscope.capture.text.layout import Layout
from pwmscope.capture.text.remarks import Sweeper
from pwmscope.errors import CaptureError

_BLOCK: Final = 1 << 20
MAX_LINE_BYTES: Final = 1 << 20
"""No line is longer than this; a file that is one endless line is refused at once."""
_MARKS: Final = ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_PROBES: Final = 64


@dataclass(frozen=True, slots=True)
class Text:
    """A text file that can be scanned."""

    path: Path  # A file of the same text in UTF-8, plain, gzip or Zstandard
    source: str  # The name of the file that the person gave, for messages
    head: str  # Its first lines
    assumptions: tuple[str, ...]  # What was done to it, each a plain sentence

    def more(self, size: int = 1 << 20) -> str:
        """Read a longer head, 1 MiB unless told."""
        return _decode_head(read_head(self.path, size), self.source, size)


@contextmanager
def open_text(path: Path) -> Iterator[Text]:
    """Make a file's text ready to be scanned.

    Text in UTF-16 or Windows-1252, lines that end in a carriage return alone, and zip
    members are copied to a temporary file in UTF-8, which is deleted at the end of the
    ``with`` block; other files are used as they are.
    """
    source = name_of(path)
    start = read_head(path)
    encoding = _encoding_of(start, source)
    ends = _line_ends(start, encoding)
    is_zip = find_packing(path) == "zip"
    if encoding == "utf-8" and not ends and not is_zip:
        first_lines = _decode_head(start, source)
        _refuse_endless(path, source)
        yield Text(path, source, first_lines, ())
        return
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "text"
        with reading(path):
            _copy(path, copy, encoding, lone_returns=ends)
        _refuse_endless(copy, source)
        said = _said(encoding, lone_returns=ends, is_zip=is_zip)
        yield Text(copy, source, _decode_head(read_head(copy), source), (said,))


@contextmanager
def rewritten(text: Text) -> Iterator[Text]:
    """Copy a text whose later bytes are no UTF-8 after all, read as Windows-1252."""
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "text"
        with reading(text.path):
            _copy(text.path, copy, "cp1252", lone_returns=False)
        said = _said("cp1252", lone_returns=False, is_zip=False)
        head = _decode_head(read_head(copy), text.source)
        yield replace(text, path=copy, head=head, assumptions=(*text.assumptions, said))


@contextmanager
def swept(text: Text, layout: Layout) -> Iterator[tuple[Text, Layout]]:
    """Copy a table without the remarks among and below its rows; all rows keep their line."""
    refuse_endless_packed(text.path, text.source)
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "text"
        sweeper = Sweeper(len(layout.columns), layout.skip_lines)
        in_pairs, any_quotes = True, False
        with reading(text.path), open_bytes(text.path) as packed, copy.open("wb") as out:
            decoded = (_decoded(line) for line in packed)
            pairs = ((line, split(line, layout.delimiter)) for line in decoded)
            for line in sweeper.swept(pairs):
                quotes = line.count('"')
                in_pairs, any_quotes = in_pairs and quotes % 2 == 0, any_quotes or quotes > 0
                out.write(tight(line, layout.delimiter).encode() + b"\n")
        count = sweeper.left_out
        said: tuple[str, ...] = ()
        if count:
            lines = "line is no row and was" if count == 1 else "lines are no rows and were"
            said = (f"{count} {lines} left out: remarks among or below the rows.",)
        yield (
            replace(text, path=copy, assumptions=(*text.assumptions, *said)),
            replace(
                layout, is_loose=True, has_remarks=False,
                is_quoted=layout.is_quoted or (any_quotes and in_pairs),
            ),
        )  # fmt: skip


def _decoded(line: bytes) -> str:
    return line.rstrip(b"\r\n").decode("utf-8", "replace")


def _encoding_of(head: bytes, source: str) -> str:
    """Tell in which encoding a text is, from its mark or its first bytes."""
    for mark, name in _MARKS:
        if head.startswith(mark):
            return name
    if b"\x00" in head:
        return _unmarked_wide(head) or "utf-8"  # which is refused by its place
    return "utf-8" if _is_utf_8(head) else _single_bytes(head, source)


def _is_utf_8(head: bytes) -> bool:
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        decoder.decode(head)  # a letter may be cut at the head's end
    except UnicodeDecodeError:
        return False
    return True


def _unmarked_wide(head: bytes) -> str | None:
    """Tell UTF-16 without its mark by the zero bytes of every plain letter."""
    half = max(1, len(head) // 2)
    low, high = head[1::2].count(0) / half, head[0::2].count(0) / half
    if low > 0.9 and high == 0:
        return "utf-16-le"
    return "utf-16-be" if high > 0.9 and low == 0 else None


def _single_bytes(head: bytes, source: str) -> str:
    """Take bytes that are no UTF-8 for Windows-1252, unless they are no text at all."""
    controls = sum(head.count(bytes([code])) for code in (*range(1, 9), *range(14, 27), 127))
    if controls * 50 > len(head):
        at = next(i for i, code in enumerate(head) if code < 9 or 14 <= code < 27 or code > 126)
        raise CaptureError(
            source,
            f"byte 0x{head[at]:02x} found, expected text",
            "export the recording as CSV in UTF-8",
            row=head[:at].count(b"\n") + 1,
        )
    return "cp1252"


def _line_ends(head: bytes, encoding: str) -> bool:
    """Whether lines end in a carriage return alone."""
    wide = encoding.startswith("utf-16")
    text = head.decode(encoding, "replace") if wide else head.decode("latin-1")
    alone = text.count("\r") - text.count("\r\n")
    return alone > 0 and alone > text.count("\n")


def _said(encoding: str, *, lone_returns: bool, is_zip: bool) -> str:
    said = []
    if is_zip:
        said.append("the zip file was unpacked")
    if encoding.startswith("utf-16"):
        said.append("the UTF-16 text was rewritten as UTF-8")
    elif encoding != "utf-8":
        said.append("the text is no UTF-8 and was read as Windows-1252")
    if lone_returns:
        said.append("lines end in a carriage return alone")
    sentence = ", and ".join(said)
    return f"{sentence[0].upper()}{sentence[1:]}, in a temporary file that is deleted again."


def _copy(path: Path, copy: Path, encoding: str, *, lone_returns: bool) -> None:
    with open_bytes(path) as packed, copy.open("wb") as out:
        limited = bounded(packed, path)
        if encoding == "utf-8" and not lone_returns:
            shutil.copyfileobj(limited, out, _BLOCK)
            return
        _transcode(limited, out, encoding, lone_returns=lone_returns)


def _transcode(packed: BinaryIO, out: BinaryIO, encoding: str, *, lone_returns: bool) -> None:
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    is_first, held = True, ""
    while True:
        block = packed.read(_BLOCK)
        text = held + decoder.decode(block, final=not block)
        held = ""
        if is_first:
            text, is_first = text.removeprefix("\ufeff"), False
        if lone_returns:
            if block and text.endswith("\r"):
                text, held = text[:-1], "\r"  # its line feed may follow
            text = text.replace("\r\n", "\n").replace("\r", "\n")
        out.write(text.encode("utf-8", "replace"))
        if not block:
            return


def _refuse_endless(path: Path, source: str) -> None:
    """Refuse a file with a line of more than 1 MiB, by its head and by probes further on."""
    head = read_head(path, MAX_LINE_BYTES)
    if len(head) == MAX_LINE_BYTES and b"\n" not in head:
        raise _endless(source)
    if find_packing(path) != "plain":
        return
    size = path.stat().st_size
    step = max(MAX_LINE_BYTES, size // _PROBES)
    with path.open("rb") as file:
        for at in range(step, size - MAX_LINE_BYTES, step):
            file.seek(at)
            # A longer line than the step hides from no probe.
            if b"\n" not in file.read(8192) and b"\n" not in file.read(MAX_LINE_BYTES):
                raise _endless(source)


def refuse_endless_packed(path: Path, source: str) -> None:
    """Refuse a packed file with a line, or a run of blank lines, of more than 1 MiB."""
    if find_packing(path) != "plain":
        status = path.stat()
        _look_through(path, source, status.st_size, status.st_mtime_ns)


@functools.lru_cache(maxsize=16)
def _look_through(path: Path, source: str, _size: int, _changed_ns: int) -> None:
    since_end = blank = 0
    with reading(path), open_bytes(path) as file:
        while block := file.read(_BLOCK):
            first, last = block.find(b"\n"), block.rfind(b"\n")
            if since_end + (len(block) if first < 0 else first) > MAX_LINE_BYTES:
                raise _endless(source)
            since_end = since_end + len(block) if last < 0 else len(block) - last - 1
            blank = blank + len(block) if not block.strip(b"\r\n") else 0
            if blank > MAX_LINE_BYTES:
                raise CaptureError(
                    source, "more than 1 MiB of blank lines found", "export the recording again"
                )


def _endless(source: str) -> CaptureError:
    return CaptureError(
        source,
        f"a line is longer than {MAX_LINE_BYTES // 1024} KiB",
        "export the recording as CSV, one row a line",
    )


def _decode_head(head: bytes, source: str, size: int = HEAD_BYTES) -> str:
    """Decode the first bytes of a file, cut at the last whole line."""
    if b"\x00" in head:
        row = head[: head.index(b"\x00")].count(b"\n") + 1
        raise CaptureError(
            source,
            "zero bytes found, expected text",
            "this is not a CSV file, export the recording as CSV",
            row=row,
        )
    if len(head) == size and b"\n" in head:
        head = head[: head.rindex(b"\n") + 1]
    return head.decode("utf-8", "replace").removeprefix("\ufeff")
