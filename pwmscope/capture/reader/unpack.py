"""The bytes of a file: unpacked on the way, copied from a pipe, and how far reading has come."""

from __future__ import annotations

import atexit
import contextlib
import csv
import datetime
import gzip
import importlib
import lzma
import os
import re
import shutil
import stat
import sys
import tempfile
import threading
import zipfile
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import TYPE_CHECKING, Any, BinaryIO, Final, Literal, Protocol, TypeAlias, TypeVar, cast

from pwmscope.errors import CaptureError, plain_text

if TYPE_CHECKING:
    from python_calamine import CalamineSheet

Item = TypeVar("Item")
HEAD_BYTES: Final = 65_536

Packing: TypeAlias = Literal["plain", "gzip", "zstd", "zip"]

_MAGIC: Final[tuple[tuple[bytes, Packing], ...]] = (
    (b"\x1f\x8b", "gzip"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "zip"),
)
NAME_OF: Final = {"gzip": "gzip", "zstd": "Zstandard", "zip": "zip", "plain": "file's"}


_NAMES: ContextVar[Mapping[Path, str]] = ContextVar("names", default=MappingProxyType({}))


class Observer(Protocol):
    """Whoever wants to know how far reading has come."""

    def __call__(self, done: int, total: int | None, unit: str) -> None:
        """Take note."""


_observer: ContextVar[Observer | None] = ContextVar("observer", default=None)


@contextmanager
def observed_by(observer: Observer) -> Iterator[None]:
    """Let an observer watch all reading inside the block.

    >>> with observed_by(lambda done, total, unit: print(f"{done} of {total} {unit}")):
    ...     list(watched(["ab", "cde"], 5, len, "bytes"))
    0 of 5 bytes
    2 of 5 bytes
    5 of 5 bytes
    ['ab', 'cde']
    """
    token = _observer.set(observer)
    try:
        yield
    finally:
        _observer.reset(token)


def report(done: int, total: int | None, unit: str) -> None:
    """Tell the observer, if there is one, how far reading has come."""
    observer = _observer.get()
    if observer is not None:
        observer(done, total, unit)


def watched(
    items: Iterable[Item],
    total: int | None,
    amount: Callable[[Item], int],
    unit: str = "rows",
    *,
    done: int = 0,
) -> Iterator[Item]:
    """Pass items on and tell the observer after each how far reading has come."""
    report(done, total, unit)
    for item in items:
        yield item
        done += amount(item)
        report(done, total, unit)


_ERRORS: Final = 2
_PANIC: Final = re.compile(
    rb"\n?thread '[^\n]*panicked at .*?(?:note: run with `RUST_BACKTRACE[^\n]*\n|\Z)", re.DOTALL
)
_lock: Final = threading.Lock()
_depth = 0


@contextmanager
def unprinted() -> Iterator[None]:
    """Let nothing that a panicking thread prints through; all else passes.

    Nothing is done where the error output is a terminal, on which progress is shown.
    """
    global _depth  # noqa: PLW0603
    with _lock:
        _depth += 1
        is_outermost = _depth == 1 and not _is_terminal()
    try:
        if is_outermost:
            with _filtered():
                yield
        else:
            yield
    finally:
        with _lock:
            _depth -= 1


def _is_terminal() -> bool:
    try:
        return os.isatty(_ERRORS)
    except OSError:
        return True  # there is no error output to keep clean


@contextmanager
def _filtered() -> Iterator[None]:
    try:
        kept = os.dup(_ERRORS)
        reads, writes = os.pipe()
    except OSError:
        yield
        return
    _flush()
    os.dup2(writes, _ERRORS)
    os.close(writes)
    passing = threading.Thread(target=_pass_on, args=(reads, kept), daemon=True)
    passing.start()
    try:
        yield
    finally:
        _flush()
        os.dup2(kept, _ERRORS)
        passing.join()
        os.close(reads)
        os.close(kept)


def _flush() -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        sys.stderr.flush()


def _pass_on(reads: int, kept: int) -> None:
    held = b""
    while chunk := os.read(reads, 1 << 16):
        held += chunk
        if b"thread '" not in held:
            _write_plain(kept, held)
            held = b""
    _write_plain(kept, _PANIC.sub(b"", held))


def _write_plain(kept: int, data: bytes) -> None:
    with contextlib.suppress(OSError):
        while data:
            data = data[os.write(kept, data) :]


@contextmanager
def called(path: Path, name: str) -> Iterator[None]:
    """Let sentences made inside the block call a temporary file by another name."""
    token = _NAMES.set({**_NAMES.get(), path: name})
    try:
        yield
    finally:
        _NAMES.reset(token)


_ALWAYS: Final[dict[Path, str]] = {}
"""What temporary files are called that last as long as the program."""


def name_of(path: Path) -> str:
    """Tell what a file is called in sentences: its path, unless it stands for something else.

    >>> with called(Path("/tmp/x"), "standard input"):
    ...     name_of(Path("/tmp/x")), name_of(Path("bench.csv"))
    ('standard input', 'bench.csv')
    """
    return _NAMES.get().get(path) or _ALWAYS.get(path, str(path))


MAX_UNPACKED_BYTES: Final = 64 << 30
"""A packed file that is copied may grow to 64 GiB, or half of what the disk has left."""
_ALLOWED: ContextVar[float | None] = ContextVar("allowed", default=None)


@contextmanager
def unpacking_at_most(max_gib: float | None) -> Iterator[None]:
    """Let files inside the block grow to so many GiB, whatever the bounds are otherwise."""
    token = _ALLOWED.set(max_gib)
    try:
        yield
    finally:
        _ALLOWED.reset(token)


def max_bytes(usual: int) -> int:
    """Tell how far a file may grow: as a person allows, or a usual bound."""
    allowed = _ALLOWED.get()
    return usual if allowed is None else int(allowed * 2**30)


def too_large(source: str, what: str, most: int) -> CaptureError:
    """Refuse a file that grows beyond a bound."""
    return CaptureError(
        source,
        f"{what} more than {most / 2**30:.3g} GiB",
        "unpack and split it, or allow more with `max_gib`",
    )


class _Bounded:
    """A stream of bytes that ends with one sentence where it grows beyond all recordings."""

    def __init__(self, file: BinaryIO, path: Path) -> None:
        free = shutil.disk_usage(tempfile.gettempdir()).free
        # What is there is taken as it comes, so that an interrupt is heeded between pieces.
        self._take = getattr(file, "read1", file.read)
        self._path = path
        self._most = max_bytes(min(MAX_UNPACKED_BYTES, free // 2))
        self._left = self._most

    def read(self, size: int = -1) -> bytes:
        """Read some bytes."""
        piece: bytes = self._take(size)
        self._left -= len(piece)
        if self._left < 0:
            raise too_large(name_of(self._path), "it holds", self._most)
        return piece


def bounded(file: BinaryIO, path: Path) -> BinaryIO:
    """Bound what a packed file may unpack to."""
    return cast("BinaryIO", _Bounded(file, path))


def is_workbook(path: Path) -> bool:
    """Say whether a zip file is a spreadsheet's workbook."""
    with reading(path):
        if find_packing(path) != "zip":
            return False
        with zipfile.ZipFile(path) as archive:
            return "xl/workbook.xml" in archive.namelist()


def find_packing(path: Path) -> Packing:
    """Tell from a file's first bytes how it is packed."""
    with path.open("rb") as file:
        return packing_of(file.read(4))


def packing_of(head: bytes) -> Packing:
    """Tell from first bytes how they are packed."""
    return next((packing for magic, packing in _MAGIC if head.startswith(magic)), "plain")


def open_bytes(path: Path) -> BinaryIO:
    """Open a file for reading its bytes from the start, unpacked if it is packed.

    Damage further in shows while reading; `reading` turns it into a `CaptureError`.
    """
    with reading(path):
        packing = find_packing(path)
        if packing == "gzip":
            return cast("BinaryIO", gzip.open(path))
        if packing == "zstd":
            return cast("BinaryIO", _zstd().open(path))
        if packing == "zip":
            with zipfile.ZipFile(path) as archive:
                member = _only_member(archive, name_of(path))
                # The member's stream keeps the archive's file open until it is closed itself.
                return cast("BinaryIO", archive.open(member))
        return path.open("rb")


def _zstd() -> ModuleType:
    # In the standard library from Python 3.14 on; only such files need it.
    name = "compression.zstd" if sys.version_info >= (3, 14) else "backports.zstd"
    return importlib.import_module(name)


def _only_member(archive: zipfile.ZipFile, source: str) -> zipfile.ZipInfo:
    members = [
        member
        for member in archive.infolist()
        if member.filename and not member.is_dir() and not _is_systems_own(member.filename)
    ]
    if len(members) == 1:
        return members[0]
    if not members:
        raise CaptureError(
            source, "the zip file holds no file", "pack the recording again, or unpack it"
        )
    names = ", ".join(member.filename[:60] for member in members[:5])
    more = f" and {len(members) - 5} more" if len(members) > 5 else ""
    raise CaptureError(
        source,
        f"the zip file holds {len(members)} files ({names}{more}), expected one recording",
        "unpack it and name one of them",
    )


def _is_systems_own(name: str) -> bool:
    """Whether an archive's member was put there by an operating system, not by a person."""
    parts = name.replace("\\", "/").split("/")
    hidden = any(part.startswith(".") or part == "__MACOSX" for part in parts)
    return hidden or parts[-1].lower() in {"thumbs.db", "desktop.ini", "ehthumbs.db"}


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn what can go wrong while a file's bytes are read into one sentence.

    >>> with reading(Path("nowhere.csv")):
    ...     Path("nowhere.csv").open("rb")
    Traceback (most recent call last):
    pwmscope.errors.CaptureError: nowhere.csv: there is no such file; check the name and folder.
    """
    source = name_of(path)
    try:
        yield
    except FileNotFoundError:
        raise CaptureError(source, "there is no such file", "check the name and folder") from None
    except IsADirectoryError:
        raise CaptureError(
            source, "this is a folder, expected a file", "name one recording inside it"
        ) from None
    except PermissionError:
        raise CaptureError(
            source, "the file may not be read", "give yourself read permission, or copy it"
        ) from None
    except Exception as error:
        # The names in a damaged zip file's directory may be no text.
        is_name = isinstance(error, UnicodeDecodeError) and find_packing(path) == "zip"
        if not (is_name or is_damage(error)):
            raise
        raise CaptureError(
            source, _format_damage(error, path), "export or copy the file again"
        ) from None


def is_damage(error: Exception) -> bool:
    """Whether an error says that a file's bytes are not as they were written."""
    packed = (EOFError, zlib.error, lzma.LZMAError, zipfile.BadZipFile, NotImplementedError)
    if isinstance(error, (*packed, OSError)):
        return True
    # An encrypted zip member shows as RuntimeError; ZstdError is known by its name, so that
    # its module need not be loaded.
    is_locked = isinstance(error, RuntimeError) and "encrypted" in str(error)
    return is_locked or type(error).__name__ == "ZstdError"


def _format_damage(error: Exception, path: Path) -> str:
    if isinstance(error, NotImplementedError | RuntimeError):
        is_unknown = isinstance(error, NotImplementedError)
        why = "its method is not known" if is_unknown else "it is encrypted"
        return f"the zip file cannot be unpacked: {why}"
    if isinstance(error, OSError) and error.strerror is not None:
        return f"the file cannot be read ({error.strerror})"
    return f"the {NAME_OF[find_packing(path)]} data are damaged or cut short"


def read_head(path: Path, size: int = HEAD_BYTES) -> bytes:
    """Read the first bytes of a file, unpacked."""
    pieces: list[bytes] = []
    left = size
    with reading(path), open_bytes(path) as file:
        while left > 0 and (piece := file.read(left)):
            pieces.append(piece)
            left -= len(piece)
    if not pieces:
        raise CaptureError(
            name_of(path),
            "the file is empty",
            "export the recording again, as CSV with digital levels",
        )
    return b"".join(pieces)


STANDARD_INPUT: Final = "-"
"""How a person names the standard input."""
_PIPE_BLOCK: Final = 1 << 20


def is_pipe(path: Path) -> bool:
    """Say whether a path's bytes can be read once only."""
    if str(path) == STANDARD_INPUT:
        return True
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError):
        return False  # whoever opens it will say what is wrong
    return stat.S_ISFIFO(mode) or stat.S_ISCHR(mode) or stat.S_ISSOCK(mode)


def kept_copy(path: Path) -> Path:
    """Give a file that lasts as long as the program: the path itself, or a pipe's copy."""
    if not is_pipe(path):
        return path
    folder = Path(tempfile.mkdtemp(prefix="pwmscope-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    name = _name_of_pipe(path)
    copy = folder / Path(name).name
    _fill(copy, path, name)
    _ALWAYS[copy] = name
    return copy


def _name_of_pipe(path: Path) -> str:
    return "standard input" if str(path) == STANDARD_INPUT else str(path)


def _fill(copy: Path, path: Path, name: str) -> None:
    with called(copy, name), called(path, name), reading(path), copy.open("wb") as out:
        is_input = str(path) == STANDARD_INPUT
        with contextlib.nullcontext(sys.stdin.buffer) if is_input else path.open("rb") as file:
            shutil.copyfileobj(bounded(file, copy), out, _PIPE_BLOCK)


@contextmanager
def settled(path: Path) -> Iterator[Path]:
    """Give a file that can be read again and again: the path itself, or a pipe's copy.

    The copy is deleted at the end of the ``with`` block; sentences call it by its own name.
    A file whose name is no UTF-8 is reached by a link that parsers can open.
    """
    if not is_pipe(path):
        with _utf_8_named(path) as file:
            yield file
        return
    name = _name_of_pipe(path)
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "recording"
        _fill(copy, path, name)
        with called(copy, name), called(path, name):
            yield copy


@contextmanager
def _utf_8_named(path: Path) -> Iterator[Path]:
    try:
        str(path).encode()
    except UnicodeEncodeError:
        if path.exists():
            with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
                link = Path(folder) / "recording"
                link.symlink_to(path.absolute())
                with called(link, plain_text(str(path))):
                    yield link
            return
    yield path


MAX_WORKBOOK_BYTES: Final = 2 << 30
"""A workbook's sheets may unpack to 2 GiB."""
_DIGITS: Final = 15
"""A spreadsheet keeps and shows 15 digits."""


@contextmanager
def first_table(path: Path) -> Iterator[Path]:
    """Write the first sheet that holds a table to a temporary text table."""
    source = name_of(path)
    with reading(path), zipfile.ZipFile(path) as archive:
        size = sum(member.file_size for member in archive.infolist())
    if size > max_bytes(MAX_WORKBOOK_BYTES):
        raise too_large(source, "the workbook holds", max_bytes(MAX_WORKBOOK_BYTES))
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "table"
        _write(_sheet_with_table(path, source), copy)
        with called(copy, source):
            yield copy


def _sheet_with_table(path: Path, source: str) -> CalamineSheet:
    try:
        import python_calamine  # noqa: PLC0415
    except ImportError:
        raise CaptureError(
            source,
            "this is a workbook, and the package that reads them is not installed",
            "install pwmscope[xlsx], or save the recording as CSV",
        ) from None
    try:
        book = python_calamine.load_workbook(str(path))
        for name in book.sheet_names:
            sheet = book.get_sheet_by_name(name)
            if sheet.total_height > 1 and sheet.total_width > 0:
                return sheet
    except (python_calamine.CalamineError, OSError, ValueError):
        raise CaptureError(
            source, "the workbook is damaged", "save it again, or save the recording as CSV"
        ) from None
    raise CaptureError(source, "no sheet of the workbook holds a table", "save the recording again")


def _write(sheet: CalamineSheet, copy: Path) -> None:
    with copy.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        for row in sheet.iter_rows():
            writer.writerow([_text(cell) for cell in row])


def _text(cell: Any) -> str:  # noqa: ANN401
    """Write a cell as a text table would: numbers to 15 digits, instants by ISO 8601."""
    if isinstance(cell, bool):
        return "1" if cell else "0"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else f"{cell:.{_DIGITS}g}"
    if isinstance(cell, datetime.datetime):
        return cell.isoformat(" ")
    if isinstance(cell, datetime.time):
        return cell.isoformat()
    if isinstance(cell, datetime.timedelta):
        return f"{cell.total_seconds():.6f}"
    return " ".join(str(cell).split())
