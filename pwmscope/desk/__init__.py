"""The desk: the whole job as a local web page, on the public functions only."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from pwmscope.desk.folder import DeskError, Folder

if TYPE_CHECKING:
    from pwmscope.desk.server import serve

__all__ = ["DeskError", "Folder", "serve"]


def __getattr__(name: str) -> object:
    """Import what needs the extra ``desk`` when it is first used."""
    if name != "serve":
        raise AttributeError(f"module 'pwmscope.desk' has no attribute '{name}'")
    try:
        return importlib.import_module("pwmscope.desk.server").serve
    except ModuleNotFoundError as error:
        if (error.name or "").startswith("pwmscope"):
            raise
        raise DeskError(
            "The desk needs its web parts; install them: pip install 'pwmscope[desk]'."
        ) from None
