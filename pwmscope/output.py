"""Writing a result so that it is there whole or not at all."""

from __future__ import annotations

import gzip
import stat
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import BinaryIO

from pwmscope.errors import OutputError

_protected: set[tuple[int, int]] = set()
"""Files that a command reads, by device and number: nothing is written over them."""


def protect(path: Path) -> None:
    """Let nothing be written over a file that is being read, whatever it is called."""
    try:
        status = path.stat()
    except (OSError, ValueError):
        return  # whoever opens it will say what is wrong
    _protected.add((status.st_dev, status.st_ino))


def refuse_to_overwrite(path: Path, *, replace: bool) -> None:
    """Raise OutputError where a file is in the way and may not be replaced."""
    if path.exists():
        status = path.stat()
        if (status.st_dev, status.st_ino) in _protected and stat.S_ISREG(status.st_mode):
            raise OutputError(f"{path} is the recording itself; give another name.")
    if path.exists() and not replace:
        raise OutputError(f"{path} is already there; give `replace=True` to write it anew.")


def make_folder(folder: Path) -> None:
    """Make a folder, with those above it, if it is not there."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{folder}: the folder cannot be made ({error.strerror or error}); name another one."
        ) from error


def write_text(path: Path, text: str, *, replace: bool) -> None:
    """Write a text file in UTF-8, whole or not at all."""
    refuse_to_overwrite(path, replace=replace)

    def fill(out: BinaryIO) -> None:
        out.write(text.encode())

    replace_file(path, fill)


def replace_file(path: Path, fill: Callable[[BinaryIO], None], *, gzipped: bool = False) -> None:
    """Write a whole file beside its place and put it there at once."""
    part = _part_of(path)
    with _told(path), _removed_on_failure(part):
        with part.open("xb") as raw:
            if gzipped:
                with gzip.GzipFile("", "wb", 9, raw, mtime=0) as packed:
                    fill(packed)  # type: ignore[arg-type]
            else:
                fill(raw)
        part.replace(path)


def _part_of(path: Path) -> Path:
    """Name a file that is not whole yet, as no other one is named."""
    return path.with_name(f".{path.name[:80]}.{uuid.uuid4().hex}.part")


def write_files(contents: Mapping[Path, bytes], *, replace: bool) -> None:
    """Write several files that belong together; none takes its place before all are whole."""
    for path in contents:
        refuse_to_overwrite(path, replace=replace)
    parts = {path: _part_of(path) for path in contents}
    with ExitStack() as parts_of_all:
        for path, part in parts.items():
            parts_of_all.enter_context(_told(path))
            parts_of_all.enter_context(_removed_on_failure(part))
            with part.open("xb") as out:
                out.write(contents[path])
        _swap(parts)


def _swap(parts: Mapping[Path, Path]) -> None:
    """Put files that are whole in their places; where one cannot be put, leave all as they were."""
    aside: dict[Path, Path | None] = {}
    try:
        for path, part in parts.items():
            aside[path] = _part_of(path) if path.is_file() else None
            if (old := aside[path]) is not None:
                path.replace(old)
            part.replace(path)
    except BaseException:
        for path, old in aside.items():
            if old is not None and old.exists():
                old.replace(path)
            elif old is None and not parts[path].exists():
                path.unlink(missing_ok=True)
        raise
    for old in filter(None, aside.values()):
        old.unlink()


@contextmanager
def _told(path: Path) -> Iterator[None]:
    """Say a failure to write as one sentence."""
    try:
        yield
    except OSError as error:
        raise OutputError(
            f"{path}: the file cannot be written ({error.strerror or error}); "
            "check that the folder exists, may be written to, and has room."
        ) from error


@contextmanager
def _removed_on_failure(part: Path) -> Iterator[None]:
    try:
        yield
    except BaseException:
        part.unlink(missing_ok=True)
        raise
