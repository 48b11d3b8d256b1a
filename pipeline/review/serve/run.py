"""The page on a port of the loopback address."""

from __future__ import annotations

import asyncio
import os
import secrets
import socket
import threading
import time
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from pipeline.errors import OutputError
from pipeline.review.backend import Backend
from pipeline.review.serve import bodies
from pipeline.review.serve.routes import Review

LOOPBACK = "127.0.0.1"
MAX_CONNECTIONS = 200
MAX_WAITING = 100  # connections from which no whole request came yet, or not the next one


def is_free(port: int) -> bool:
    """True if a port of the loopback address can be listened on."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as trial:
        trial.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            trial.bind((LOOPBACK, port))
        except OSError:
            return False
    return True


def free_port() -> int:
    """A random free port below those that the system hands out by itself."""
    for _ in range(200):
        port = 20000 + secrets.randbelow(12000)
        if is_free(port):
            return port
    raise OutputError("No port is free", "", "give one with --port")


class _Impatient(H11Protocol):
    """A connection that does not bring a whole request in time is closed, and before its time
    where too many wait: the one that waits longest, so that the page still answers."""

    _waiting: asyncio.TimerHandle | None = None

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self._look()
        waiting = [one for one in self.connections if isinstance(one, _Impatient) and one._waiting]
        if len(waiting) > MAX_WAITING:
            min(waiting, key=lambda one: one.until_s).give_up()

    @property
    def until_s(self) -> float:
        """When it is closed for want of a request, by the loop's clock."""
        return self._waiting.when() if self._waiting is not None else float("inf")

    def give_up(self) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        self.transport.abort()

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._waiting is not None:
            self._waiting.cancel()
        super().connection_lost(exc)

    def _look(self) -> None:
        working = self.cycle is not None and not self.cycle.response_complete
        if working and self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None
        elif not working and self._waiting is None:
            self._waiting = self.loop.call_later(bodies.REQUEST_S, self.transport.close)


class ReviewServer:
    """The page on a port of the loopback address (0: any free one), in a thread of its own.

    `address` is what the browser opens; it holds the token.
    """

    def __init__(
        self, backend: Backend, *, port: int = 0, by: str = "", token: str | None = None
    ) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        self.socket.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            self.socket.bind((LOOPBACK, port))
        except OSError as error:
            self.socket.close()
            raise OutputError(
                "The port cannot be used", os.strerror(error.errno or 0), "give another with --port"
            ) from error
        self.port = int(self.socket.getsockname()[1])
        self.token = token or secrets.token_urlsafe(24)
        self.review = Review(backend, self.token, by)
        hosts = frozenset(f"{name}:{self.port}" for name in (LOOPBACK, "localhost"))
        self.address = f"http://{LOOPBACK}:{self.port}/{self.token}/"
        self._server = uvicorn.Server(
            uvicorn.Config(
                self.review.app(hosts),
                http=_Impatient,
                limit_concurrency=MAX_CONNECTIONS,
                log_level="error",
                access_log=False,
                server_header=False,
                timeout_graceful_shutdown=3,
                lifespan="on",
            )
        )
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Serves in a thread; returns when the page can be opened."""
        self._thread = threading.Thread(target=self.run, name="review", daemon=True)
        self._thread.start()
        limit = time.monotonic() + 10
        while not self._server.started:
            if time.monotonic() > limit or not self._thread.is_alive():
                raise OutputError("The page could not be served", "", "try again")
            time.sleep(0.01)

    def run(self) -> None:
        """Serves until `stop`, or, in the main thread, until the process is interrupted."""
        asyncio.run(self._server.serve(sockets=[self.socket]))

    def stop(self) -> None:
        self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(15)
        self.socket.close()
