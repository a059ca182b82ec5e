"""Serving the desk on this computer only."""

from __future__ import annotations

import contextlib
import errno
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Final

import uvicorn

from pwmscope.desk.app import make_app
from pwmscope.desk.folder import DeskError, Folder
from pwmscope.desk.trust import Guard

LOOPBACK: Final = "127.0.0.1"


def serve(path: Path, *, port: int, browser: bool, tell: Callable[[str], object]) -> None:
    """Serve the desk of a folder until it is interrupted.

    Parameters
    ----------
    path : Path
        The folder; made if it is not there.
    port : int
        Of this computer's own address; 0 takes any that is free.
    browser : bool
        Whether to open the browser.
    tell : callable
        Takes what is to be printed.

    Raises
    ------
    DeskError
        If the port is taken, or the folder cannot be written to.
    """
    folder = Folder(path)
    with contextlib.closing(_bound(port)) as bound:
        port = bound.getsockname()[1]
        token = secrets.token_urlsafe(24)
        address = f"http://{LOOPBACK}:{port}/?token={token}"
        config = uvicorn.Config(
            Guard(make_app(folder), port, token),
            log_level="critical", access_log=False, server_header=False, lifespan="on",
            timeout_graceful_shutdown=1, h11_max_incomplete_event_size=64 << 10, http="h11",
        )  # fmt: skip
        tell(f"The desk is open: {address}")
        tell(f"Its files are in {folder.path}. End it with Ctrl-C.")
        if browser:
            threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            uvicorn.Server(config).run(sockets=[bound])


def _bound(port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        bound.bind((LOOPBACK, port))
        bound.listen(128)
    except (OSError, OverflowError) as error:
        bound.close()
        is_taken = isinstance(error, OSError) and error.errno == errno.EADDRINUSE
        why = "is taken by another program" if is_taken else "cannot be opened"
        raise DeskError(
            f"Port {port} {why}; name another one with `port`, or 0 for any that is free."
        ) from None
    return bound
