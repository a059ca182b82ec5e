"""The bytes of a file, unpacked on the way if it is a gzip, Zstandard or zip file."""

from __future__ import annotations

import gzip
import importlib
import lzma
import shutil
import sys
import tempfile
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path
from types import MappingProxyType, ModuleType
from typing import BinaryIO, Final, Literal, TypeAlias, cast

from pwmscope.errors import CaptureError

HEAD_BYTES: Final = 65_536

Packing: TypeAlias = Literal["plain", "gzip", "zstd", "zip"]

_MAGIC: Final[tuple[tuple[bytes, Packing], ...]] = (
    (b"\x1f\x8b", "gzip"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "zip"),
)
_NAME_OF: Final = {"gzip": "gzip", "zstd": "Zstandard", "zip": "zip", "plain": "file's"}


_NAMES: ContextVar[Mapping[Path, str]] = ContextVar("names", default=MappingProxyType({}))


@contextmanager
def called(path: Path, name: str) -> Iterator[None]:
    """Let sentences made inside the block call a temporary file by another name."""
    token = _NAMES.set({**_NAMES.get(), path: name})
    try:
        yield
    finally:
        _NAMES.reset(token)


_ALWAYS: Final[dict[Path, str]] = {}


def call_always(path: Path, name: str) -> None:
    """Call a temporary file by another name from now on."""
    _ALWAYS[path] = name


def name_of(path: Path) -> str:
    """Tell what a file is called in sentences: its path, unless it stands for something else.

    Examples
    --------
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
        start = file.read(4)
    return next((packing for magic, packing in _MAGIC if start.startswith(magic)), "plain")


def open_bytes(path: Path) -> BinaryIO:
    """Open a file for reading its bytes from the start, unpacked if it is packed.

    Notes
    -----
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
        if not member.is_dir() and not _is_systems_own(member.filename)
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

    Examples
    --------
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
        if not _is_damage(error):
            raise
        raise CaptureError(
            source, _format_damage(error, path), "export or copy the file again"
        ) from None


def _is_damage(error: Exception) -> bool:
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
    return f"the {_NAME_OF[find_packing(path)]} data are damaged or cut short"


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
