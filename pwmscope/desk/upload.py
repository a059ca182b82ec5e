"""Taking uploaded files: streamed to the disk, none held in memory, each whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO, Final

from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from pwmscope.desk.folder import PART, DeskError, Folder

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

MAX_BYTES: Final = 64 << 30
MAX_FILES: Final = 200
_LOOK_EVERY: Final = 16 << 20
"""So many bytes are written between two looks at the room that is left."""
_BLOCK: Final = 1 << 20
_NOT_WHOLE: Final = "The upload broke off before it was whole; nothing of that file was kept."


class UploadError(DeskError):
    """An upload that cannot be taken, with the status to answer."""

    def __init__(self, sentence: str, status: int) -> None:
        super().__init__(sentence)
        self.status = status


async def receive(
    request: Request, folder: Folder, *, most: int = MAX_BYTES
) -> list[tuple[str, bool]]:
    """Take the files of a form; give each one's name in the folder, and whether it is new.

    Raises
    ------
    UploadError
        If the form is broken or too long, or the disk is full; files that came whole before stay.
    """
    kind, options = parse_options_header(request.headers.get("content-type", ""))
    boundary = options.get(b"boundary")
    if kind != b"multipart/form-data" or not boundary:
        raise UploadError("This is no form with files.", 400)
    stated = request.headers.get("content-length", "0")
    length = int(stated) if stated.isascii() and stated.isdigit() else 0
    if length > most:
        raise UploadError(f"The upload has {length} bytes; at most {most} are taken.", 413)
    taking = _Taking(folder, most)
    taking.refuse_if_full(length)
    try:
        parser = MultipartParser(boundary, taking.callbacks())
        block = bytearray()
        async for chunk in request.stream():
            taking.count(len(chunk))
            block += chunk
            if len(block) >= _BLOCK:  # beside the loop, which tells all pages how far it is
                await run_in_threadpool(parser.write, bytes(block))
                block.clear()
        await run_in_threadpool(parser.write, bytes(block))
        parser.finalize()
        if not taking.is_whole:
            raise UploadError(_NOT_WHOLE, 400)
    except (MultipartParseError, ClientDisconnect, UnicodeError):
        raise UploadError(_NOT_WHOLE, 400) from None
    except OSError as error:
        is_full = error.errno in {errno.ENOSPC, errno.EDQUOT}
        why = (
            "The disk is full; make room" if is_full else f"It cannot be written ({error.strerror})"
        )
        raise UploadError(f"{why}; nothing of that file was kept.", 507) from None
    finally:
        taking.drop()
    return taking.taken


class _Taking:
    """The files of one form as they come."""

    def __init__(self, folder: Folder, most: int) -> None:
        self.taken: list[tuple[str, bool]] = []
        self.is_whole = False
        self._folder, self._most = folder, most
        self._bytes = self._looked = 0
        self._header = self._value = b""
        self._asked: str | None = None
        self._out: BinaryIO | None = None
        self._part = Path()
        self._digest = hashlib.sha256()

    def callbacks(self) -> MultipartCallbacks:
        return {
            "on_part_begin": self._begin,
            "on_header_field": self._on_header,
            "on_header_value": self._on_value,
            "on_header_end": self._end_header,
            "on_headers_finished": self._open,
            "on_part_data": self._write,
            "on_part_end": self._close,
            "on_end": self._end,
        }

    def refuse_if_full(self, more: int) -> None:
        """Refuse what would not fit on the disk."""
        if more > self._folder.free_bytes():
            raise UploadError("The disk has too little room for this file; make room.", 507)

    def count(self, size: int) -> None:
        self._bytes += size
        if self._bytes > self._most:
            raise UploadError(f"The upload has more than {self._most} bytes.", 413)
        if self._bytes - self._looked > _LOOK_EVERY:
            self._looked = self._bytes
            self.refuse_if_full(0)

    def drop(self) -> None:
        """Throw away a file that is not whole."""
        if self._out is not None:
            self._out.close()
            with contextlib.suppress(OSError):
                self._part.unlink()
            self._out = None

    def _begin(self) -> None:
        self._asked, self._header, self._value = None, b"", b""

    def _on_header(self, data: bytes, start: int, end: int) -> None:
        self._header += data[start:end]

    def _on_value(self, data: bytes, start: int, end: int) -> None:
        self._value += data[start:end]

    def _end_header(self) -> None:
        if self._header.lower() == b"content-disposition":
            _, options = parse_options_header(self._value)
            name = options.get(b"filename")
            self._asked = None if name is None else name.decode("utf-8", "replace")
        self._header = self._value = b""

    def _open(self) -> None:
        if not self._asked:
            return
        if len(self.taken) >= MAX_FILES:
            raise UploadError(f"One upload takes at most {MAX_FILES} files.", 413)
        self._part = self._folder.path / f"upload-{uuid.uuid4().hex}{PART}"
        self._digest = hashlib.sha256()
        self._out = self._part.open("xb")

    def _write(self, data: bytes, start: int, end: int) -> None:
        if self._out is not None:
            piece = data[start:end]
            self._digest.update(piece)
            self._out.write(piece)

    def _close(self) -> None:
        if self._out is None or self._asked is None:
            return
        self._out.flush()
        os.fsync(self._out.fileno())
        self._out.close()
        self._out = None
        self.taken.append(self._folder.take(self._part, self._asked, self._digest.hexdigest()))

    def _end(self) -> None:
        self.is_whole = True
