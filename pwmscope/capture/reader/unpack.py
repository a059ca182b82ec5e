"""The bytes of a file, unpacked on the way if it is a gzip, Zstandard or zip file."""

from __future__ import annotations

import gzip
import importlib
import lzma
import sys
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType
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
                member = _only_member(archive, str(path))
                # The member's stream keeps the archive's file open until it is closed itself.
                return cast("BinaryIO", archive.open(member))
        return path.open("rb")


def _zstd() -> ModuleType:
    # In the standard library from Python 3.14 on; only such files need it.
    name = "compression.zstd" if sys.version_info >= (3, 14) else "backports.zstd"
    return importlib.import_module(name)


def _only_member(archive: zipfile.ZipFile, source: str) -> zipfile.ZipInfo:
    members = [member for member in archive.infolist() if not member.is_dir()]
    if len(members) == 1:
        return members[0]
    if not members:
        raise CaptureError(
            source, "the zip file holds no file", "pack the recording again, or unpack it"
        )
    names = ", ".join(member.filename for member in members[:5])
    more = f" and {len(members) - 5} more" if len(members) > 5 else ""
    raise CaptureError(
        source,
        f"the zip file holds {len(members)} files ({names}{more}), expected one recording",
        "unpack it and name one of them",
    )


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
    source = str(path)
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
        ) from (None)


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
        return f"the zip file cannot be unpacked ({str(error).rstrip('.')})"
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
            str(path), "the file is empty", "export the recording again, as CSV with digital levels"
        )
    return b"".join(pieces)
