"""The address of an OUT folder's page: the same after a restart, so that it can be kept.

Port and token lie in the private folder (mode 0600), which only its owner reads. Where the port
is taken by another program, a free one and a fresh token serve instead, for that run only:
whoever took the port may have been shown the old token by a browser that knocked there.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import secrets
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import UsageError
from pipeline.review.backend import Backend
from pipeline.review.serve.run import LOOPBACK, ReviewServer, free_port, is_free
from pipeline.store.work import atomic_write, output_error

_NAME, _LOCK = ".review.json", ".review.lock"
_TOKEN = re.compile(r"[A-Za-z0-9_-]{32,64}")


@dataclass(frozen=True)
class Link:
    """Where the page of a folder is served."""

    port: int
    token: str

    @property
    def address(self) -> str:
        return f"http://{LOOPBACK}:{self.port}/{self.token}/"


def new_token() -> str:
    """192 random bits, as text that can stand in an address."""
    return secrets.token_urlsafe(24)


def known_link(out: Path) -> Link | None:
    """What was kept for this folder; None if there is nothing, or if others could have seen it."""
    path = out / "private" / _NAME
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with open(handle, "rb") as file:
            about = os.fstat(handle)
            if about.st_uid != os.getuid() or about.st_mode & 0o077:
                return None
            data = json.loads(file.read(4096))
        port, token = data["port"], data["token"]
    except (OSError, ValueError, KeyError, TypeError):
        return None
    good = type(port) is int and 1024 <= port <= 65535 and isinstance(token, str)
    return Link(port, token) if good and _TOKEN.fullmatch(token) else None


def keep_link(out: Path, link: Link) -> None:
    """Raises OutputError."""
    data = {"schema": "fieldstop.review-link/1", "port": link.port, "token": link.token}
    atomic_write(out / "private" / _NAME, json.dumps(data), private=True)


@contextlib.contextmanager
def only_one(out: Path) -> Iterator[None]:
    """Holds the folder's page for this process. Raises UsageError if another one serves it."""
    import fcntl

    try:
        handle = os.open(out / "private" / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise output_error(error) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        link = known_link(out)
        raise UsageError(
            "The page of this folder is open already",
            "in another terminal",
            f"open {link.address}" if link else "use that one, or stop it with Ctrl-C",
        ) from None
    try:
        yield
    finally:
        os.close(handle)


def open_server(
    backend: Backend, *, port: int | None = None, by: str = "", new: bool = False
) -> tuple[ReviewServer, str]:
    """The page of `backend.root` at its kept address, and a note for the person, or "".

    port: None for the kept one, 0 for any free one of this run only. new: draw a new address.
    Raises OutputError where a port that was asked for cannot be used.
    """
    out = backend.root
    kept = None if new else known_link(out)
    if port == 0:
        return ReviewServer(backend, by=by), ""
    wanted = port or (kept.port if kept else free_port())
    if port is None and not is_free(wanted):
        server = ReviewServer(backend, by=by)
        return server, f"port {wanted} is taken by another program: this address is for now only"
    # Another port is another address: what is known of the old one opens nothing here.
    same = kept is not None and kept.port == wanted
    token = kept.token if kept is not None and same else new_token()
    server = ReviewServer(backend, port=wanted, by=by, token=token)
    keep_link(out, Link(server.port, token))
    return server, ""
