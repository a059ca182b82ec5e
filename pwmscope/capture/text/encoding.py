"""The text of a file: its encoding, its head, and a plain UTF-8 file of it to scan."""

from __future__ import annotations

import codecs
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from pwmscope.capture.reader.unpack import HEAD_BYTES, find_packing, open_bytes, read_head, reading
from pwmscope.errors import CaptureError

_BLOCK: Final = 1 << 20
_WIDE: Final = ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))


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

    UTF-16 text and zip members are copied to a temporary file in UTF-8, which
    is deleted at the end of the ``with`` block; other files are used as they are.
    """
    source = str(path)
    start = read_head(path)
    wide = next((name for bom, name in _WIDE if start.startswith(bom)), None)
    if wide is None and find_packing(path) != "zip":
        yield Text(path, source, _decode_head(start, source), ())
        return
    said = "The zip file was unpacked" if wide is None else "The UTF-16 text was rewritten as UTF-8"
    said += ", in a temporary file that is deleted again."
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "text"
        with reading(path):
            _copy(path, copy, wide)
        yield Text(copy, source, _decode_head(read_head(copy), source), (said,))


def _copy(path: Path, copy: Path, encoding: str | None) -> None:
    with open_bytes(path) as packed, copy.open("wb") as out:
        if encoding is None:
            shutil.copyfileobj(packed, out, _BLOCK)
            return
        packed.read(2)  # the byte order mark
        decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
        while block := packed.read(_BLOCK):
            out.write(decoder.decode(block).encode("utf-8"))
        out.write(decoder.decode(b"", final=True).encode("utf-8"))


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
    try:
        return head.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise CaptureError(
            source,
            f"byte 0x{head[error.start]:02x} is not UTF-8 text",
            "export the recording as CSV in UTF-8",
            row=head[: error.start].count(b"\n") + 1,
        ) from None
