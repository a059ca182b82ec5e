"""The desk's folder: safe names, what is remembered, what a recording became, and uploads."""

from __future__ import annotations

import contextlib
import errno
import gzip
import hashlib
import json
import os
import re
import shutil
import time
import unicodedata
import uuid
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import TYPE_CHECKING, Any, BinaryIO, Final

from python_multipart.exceptions import MultipartParseError
from python_multipart.multipart import MultipartParser, parse_options_header
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request

from pwmscope.errors import PwmscopeError
from pwmscope.output import make_folder, write_text

if TYPE_CHECKING:
    from python_multipart.multipart import MultipartCallbacks

REMEMBERED: Final = "desk.json"
RESULTS: Final = "results"
REGISTER: Final = "register.sqlite"
PART: Final = ".part"
SHEET: Final = ".toml"
PLAN: Final = ".plan.toml"
TEST: Final = ".test"
"""A file that lists recordings, one a line, which are judged as one test."""
NO_RECORDINGS: Final = frozenset(
    {SHEET, PART, ".sqlite", ".sqlite-journal", ".pdf", ".html", ".json", ".md", ".svg"}
)
"""Endings of files that are sheets, results or unfinished; all other files are recordings."""
RESERVE_BYTES: Final = 64 << 20
"""So much room stays free on the disk, for the results."""
MAX_NAME_BYTES: Final = 120
_PLAIN: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,80}")
_RESERVED: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)
_HEAD_BYTES: Final = 4096
_MAX_TEST: Final = 1 << 16
"""So many letters a test's list has at most."""
_ENDINGS: Final = re.compile(r"(?:\.[A-Za-z0-9]{1,8}){1,2}$")


class DeskError(PwmscopeError):
    """The desk cannot do what was asked; its text is one sentence."""


def safe_name(asked: str) -> str:
    r"""Make a file's name out of whatever a browser or a person calls a file.

    It has no folder, no leading dot, no control character and is short; letters of any
    language stay.

    >>> safe_name("../../etc/passwd"), safe_name("C:\\temp\\a b.csv"), safe_name("..")
    ('passwd', 'a b.csv', 'recording')
    >>> safe_name("<b>\U0001f916</b>.csv"), safe_name("con.csv")
    ('b.csv', 'recording-con.csv')
    """
    name = PureWindowsPath(PurePosixPath(asked.replace("\0", "")).name).name
    name = unicodedata.normalize("NFC", name)
    name = "".join(c if c.isalnum() or c in "._- ()" else "_" for c in name)
    ends = _ENDINGS.search(name)
    ending = ends[0] if ends and ends.start() else ""
    stem = re.sub(r"_+", "_", name[: len(name) - len(ending)]).strip(" ._-") or "recording"
    while len((stem + ending).encode()) > MAX_NAME_BYTES:
        stem = stem[:-1].strip(" ._-") or "recording"
    return f"recording-{stem}{ending}" if _RESERVED.match(stem + ending) else stem + ending


def key_of(name: str) -> str:
    """Name a recording in addresses and among the results: its own name where that is plain.

    >>> key_of("drill.csv.gz"), key_of("<b>.csv")
    ('drill.csv.gz', 'recording-acb68224')
    """
    if _PLAIN.fullmatch(name) and not _RESERVED.match(name):
        return name
    digest = hashlib.sha256(os.fsencode(name)).hexdigest()[:8]
    return f"recording-{digest}"


@dataclass(frozen=True, slots=True)
class Stamp:
    """By what a file is known to be the same as before."""

    size: int
    mtime_ns: int


class Folder:
    """The folder of one desk, and the files in it that the desk knows."""

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()
        try:
            make_folder(self.path / RESULTS)
            for part in (*self.path.glob(f"*{PART}"), *self.path.glob(f".*{PART}")):
                part.unlink()
            self.remember()
        except (OSError, PwmscopeError):
            raise DeskError(
                f"{path}: the folder cannot be written to; name one that can."
            ) from None

    def recordings(self) -> Iterator[tuple[str, Stamp]]:
        """List the files that may be recordings; links are not followed."""
        with os.scandir(self.path) as found:
            for entry in found:
                if entry.name.startswith(".") or Path(entry.name).suffix.lower() in NO_RECORDINGS:
                    continue
                with contextlib.suppress(OSError):  # gone in the meantime
                    if entry.is_file(follow_symlinks=False):
                        status = entry.stat(follow_symlinks=False)
                        yield entry.name, Stamp(status.st_size, status.st_mtime_ns)

    def sheets(self) -> list[str]:
        """List the names of the bench sheets."""
        return sorted(
            path.name
            for path in self.path.glob(f"*{SHEET}")
            if path.is_file() and not path.is_symlink() and not path.name.startswith(".")
            and not path.name.endswith(PLAN)
        )  # fmt: skip

    def sheet_path(self, name: str) -> Path:
        """Give the path of a bench sheet that is in the folder."""
        if name not in self.sheets():
            raise DeskError("There is no such bench sheet in the folder; choose another one.")
        return self.path / name

    def results(self, name: str) -> Path:
        """Give the folder of a recording's results; a link that leads elsewhere is refused."""
        place = self.path / RESULTS / key_of(name)
        if place.is_symlink() or place.parent.is_symlink():
            raise DeskError(f"{RESULTS}/{place.name} is a link; take it away.")
        return place

    def state(self, name: str) -> dict[str, Any]:
        """Read what was found in a recording; empty where nothing is known."""
        return _read_json(self.results(name) / "state.json")

    def remembered(self) -> dict[str, Any]:
        """Read what the desk remembers from one start to the next."""
        return _read_json(self.path / REMEMBERED)

    def remember(self, **facts: object) -> None:
        """Remember facts beside those that are remembered."""
        text = json.dumps({**self.remembered(), **facts}, indent=2, ensure_ascii=False)
        write_text(self.path / REMEMBERED, text + "\n", replace=True)

    @property
    def sheet(self) -> str:
        """The name of the bench sheet that new recordings are held against; empty without one."""
        known, sheets = self.remembered().get("sheet"), self.sheets()
        return known if known in sheets else (sheets[0] if sheets else "")

    def keep_plan(self, text: str) -> str:
        """Keep the plan by which the next recording of the robot is made; give its name."""
        stem = self.sheet.removesuffix(SHEET) or "bench"
        name, number = f"{stem}{PLAN}", 1
        while (place := self.path / name).exists() or place.is_symlink():
            if place.is_file() and not place.is_symlink() and place.read_bytes() == text.encode():
                break
            number += 1
            name = f"{stem}-{number}{PLAN}"
        else:
            write_text(place, text, replace=False)
        self.remember(plan={"name": name, "sheet": self.sheet, "at_s": time.time()})
        return name

    def plan_for(self, sheet: str, stamp: Stamp) -> str:
        """Give the plan by which a recording was made: the last, if it was kept before its end."""
        known = self.remembered().get("plan")
        if not isinstance(known, dict) or known.get("sheet") != sheet:
            return ""
        name, at_s = known.get("name"), known.get("at_s")
        is_before = isinstance(at_s, (int, float)) and at_s <= stamp.mtime_ns / 1e9
        return name if is_before and isinstance(name, str) and self.plan_path(name) else ""

    def plan_path(self, name: str) -> Path | None:
        """Give the path of a plan that is in the folder."""
        path = self.path / name
        is_plain = bool(name) and path.parent == self.path and name.endswith(PLAN)
        return path if is_plain and path.is_file() and not path.is_symlink() else None

    def keep_test(self, names: Sequence[str]) -> str:
        """Write the list of recordings that are judged as one test; give its name."""
        stem, number = self.sheet.removesuffix(SHEET) or "bench", 1
        while (place := self.path / f"{stem}-{number}{TEST}").exists() or place.is_symlink():
            number += 1
        write_text(place, "".join(f"{name}\n" for name in names), replace=False)
        return place.name

    def parts(self, name: str) -> list[str]:
        """List the recordings of a test."""
        if not name.endswith(TEST):
            return []
        with contextlib.suppress(OSError):
            with (self.path / name).open(encoding="utf-8", errors="replace") as file:
                text = file.read(_MAX_TEST + 1)
            if len(text) > _MAX_TEST:  # no name of it is left out in silence
                return []
            return list(dict.fromkeys(line.strip() for line in text.splitlines() if line.strip()))
        return []

    def hints_for(self, name: str) -> dict[str, str]:
        """Give the hints that the last file of this shape needed."""
        shapes = self.remembered().get("shapes")
        found = shapes.get(shape_of(self.path / name)) if isinstance(shapes, dict) else None
        return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}

    def remember_hints(self, name: str, hints: Mapping[str, str]) -> None:
        """Remember the hints that a file needed for the next of its shape; none forgets them."""
        shapes = self.remembered().get("shapes")
        shapes = shapes if isinstance(shapes, dict) else {}
        self.remember(shapes={**shapes, shape_of(self.path / name): dict(hints)})

    def free_bytes(self) -> int:
        """How much may still be written."""
        return shutil.disk_usage(self.path).free - RESERVE_BYTES

    def take(self, part: Path, asked: str, digest: str) -> tuple[str, bool]:
        """Put a whole file in its place under a safe name; the same file again is taken once.

        Returns its name, and whether it is new.
        """
        name = first = safe_name(asked)
        if Path(name).suffix.lower() in NO_RECORDINGS - {SHEET}:
            name = first = f"{name}.txt"
        number = 1
        while True:
            place = self.path / name
            try:
                os.link(part, place)
            except FileExistsError:
                if place.is_file() and not place.is_symlink() and _digest(place) == digest:
                    part.unlink()
                    return name, False
                number += 1
                ends = _ENDINGS.search(first)
                ending = ends[0] if ends and ends.start() else ""
                name = f"{first[: len(first) - len(ending)]}-{number}{ending}"
                continue
            except OSError:  # a file system without links
                if place.exists():
                    continue
                part.replace(place)
                return name, True
            part.unlink()
            return name, True


def shape_of(path: Path) -> str:
    r"""Say of what shape a file is: its ending and its first line, whatever the numbers.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "a.csv"
    ...     _ = path.write_text("RX1,RX2\n0,1\n")
    ...     shape_of(path)
    '.csv RX0,RX0'
    """
    try:
        with gzip.open(path) if path.suffix == ".gz" else path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except (OSError, EOFError):
        head = b""
    first = re.sub(r"\d+(?:\.\d+)?", "0", head.decode("utf-8", "replace").partition("\n")[0])
    line = "".join(c for c in first if c.isprintable())[:200]
    return f"{''.join(path.suffixes[-2:])} {line}"


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _read_json(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


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
