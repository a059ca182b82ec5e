"""Serving the desk on this computer only, to its browser, from the desk's own pages.

The rules follow the cheat sheets of the OWASP Cheat Sheet Series: cross-site request forgery
prevention, HTTP headers, content security policy, clickjacking defence, session management
(names from memory). Checking the Host header is what refuses DNS rebinding.
"""

from __future__ import annotations

import contextlib
import errno
import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable, Iterable
from http import HTTPStatus
from pathlib import Path
from typing import Final
from urllib.parse import parse_qs

import uvicorn
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from pwmscope.desk.app import make_app
from pwmscope.desk.folder import DeskError, Folder

LOOPBACK: Final = "127.0.0.1"


def serve(path: Path, *, port: int, browser: bool, tell: Callable[[str], object]) -> None:
    """Serve the desk of a folder until it is interrupted."""
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


MAX_FORM_BYTES: Final = 1 << 20
"""Of a request that is no upload."""
UPLOAD: Final = "/upload"
_SAFE: Final = ("GET", "HEAD")
_HEADERS: Final = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "x-frame-options": "DENY",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


class Guard:
    """Refuse what does not come from the desk's own pages, and send the headers that protect."""

    def __init__(self, app: ASGIApp, port: int, token: str) -> None:
        self._app, self._token = app, token
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        if port == 80:
            self._hosts |= {"127.0.0.1", "localhost"}
        self.cookie = f"desk-{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        refusal = self._refusal(scope)
        await (refusal or self._app)(scope, receive, guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0] not in self._hosts:
            return _refuse("This desk answers under its own address only.", 421)
        own = f"http://{hosts[0]}"
        origin = headers.get("origin")
        is_safe = scope["method"] in _SAFE
        if (origin is not None or not is_safe) and origin != own:
            return _refuse("This request does not come from the desk's own pages.")
        if headers.get("sec-fetch-site", "none") not in {"none", "same-origin"}:
            return _refuse("This request comes from another site.")
        entered = parse_qs(scope["query_string"].decode("latin-1")).get("token", [])
        if is_safe and entered and self._is_token(entered):
            answer = RedirectResponse(scope["path"], HTTPStatus.SEE_OTHER)
            answer.set_cookie(self.cookie, self._token, httponly=True, samesite="strict", path="/")
            return answer
        if not self._is_token(_cookies(headers, self.cookie)):
            return _refuse("Open the desk by the address that its command printed.")
        return None if is_safe else _too_long(scope["path"], headers)

    def _is_token(self, given: Iterable[str]) -> bool:
        return any(secrets.compare_digest(each.encode(), self._token.encode()) for each in given)


def _cookies(headers: Headers, name: str) -> list[str]:
    pairs = (pair.strip().partition("=") for pair in headers.get("cookie", "").split(";"))
    return [value for key, _, value in pairs if key == name]


def _too_long(path: str, headers: Headers) -> Response | None:
    """Refuse a form whose length is not stated or too much, before any of it is read."""
    if path == UPLOAD:
        return None
    stated = headers.get("content-length", "")
    if not stated.isascii() or not stated.isdigit():
        return _refuse("The length of this request is not stated.", HTTPStatus.LENGTH_REQUIRED)
    if int(stated) > MAX_FORM_BYTES:
        return _refuse("This request is too long.", HTTPStatus.REQUEST_ENTITY_TOO_LARGE)
    return None


def _refuse(sentence: str, status: int = HTTPStatus.FORBIDDEN) -> Response:
    return PlainTextResponse(f"{sentence}\n", status)
