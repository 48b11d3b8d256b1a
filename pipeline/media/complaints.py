"""What a decoder complains of while it reads, by packet. Nothing of it is printed or kept."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

# Their decoders only warn of what they could not read.
WARNS = ("mjpeg", "mjpegb", "dvvideo")
_lock = Lock()
_users = 0


class Watch(Protocol):
    """Is told of every packet and picture that is read, in time stamps in seconds."""

    def packet(
        self, time_s: float | None, decode_s: float | None, key: bool, sign: str = ""
    ) -> None: ...

    def picture(self, time_s: float, corrupt: bool, luma: NDArray[np.uint8] | None) -> None: ...


@contextmanager
def listening() -> Iterator[None]:
    """While it lasts, `Heard` hears what libav says in the thread that calls it.

    Elsewhere the messages go nowhere: they may hold names and are of no use to people.
    """
    import av

    global _users
    quiet = logging.getLogger("libav")
    with _lock:
        _users += 1
        if _users == 1:
            quiet.addHandler(logging.NullHandler())
            quiet.propagate = False
            av.logging.set_skip_repeated(False)
            av.logging.set_level(av.logging.WARNING)
    try:
        yield
    finally:
        with _lock:
            _users -= 1
            if not _users:
                av.logging.set_level(None)


class Heard:
    """Calls the demuxer and one decoder, and knows whether they complained since `clear`."""

    def __init__(self, codec: str) -> None:
        self._codec = codec
        self.complained = False

    def __call__(self, function: Callable[..., Any], *arguments: Any) -> Any:
        """What `function` answers or raises. An error of anything counts, and a warning of a
        decoder that only warns."""
        import av

        with av.logging.Capture() as logs:
            try:
                return function(*arguments)
            finally:
                self.complained |= any(
                    level <= av.logging.ERROR or (name == self._codec and name in WARNS)
                    for level, name, _ in logs
                )

    def clear(self) -> None:
        self.complained = False
