"""Pictures decoded in a thread of their own, a few before they are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from queue import Empty, Full, Queue
from threading import Event, Thread, get_ident
from time import monotonic

from pipeline.errors import InputError
from pipeline.media.frame import Picture

STALL_S = 120.0
beats: dict[int, float] = {}  # when each reading thread last got a packet


def prefetched(pictures: Iterator[Picture], depth: int = 4) -> Iterator[Picture]:
    """The same pictures, decoded in a thread of its own up to `depth` before they are wanted.

    One decoding thread beside the work costs less processor time than the decoder's own
    threads, and takes no longer. An error of the reading comes out here. A decoder that
    gets no further for `STALL_S` is given up: InputError.
    """
    queue: Queue[Picture | BaseException | None] = Queue(depth)
    stopped = Event()

    def put(item: Picture | BaseException | None) -> bool:
        while not stopped.is_set():
            try:
                queue.put(item, timeout=0.2)
                return True
            except Full:
                continue
        return False

    def read() -> None:
        beats[get_ident()] = monotonic()
        try:
            for picture in pictures:
                if not put(picture):
                    return
            put(None)
        except BaseException as error:  # handed to the consumer
            put(error)
        finally:
            beats.pop(get_ident(), None)

    thread = Thread(target=read, daemon=True)
    thread.start()
    try:
        while True:
            try:
                item = queue.get(timeout=STALL_S / 4)
            except Empty:
                last = beats.get(thread.ident or 0)
                if last is not None and monotonic() - last > STALL_S and queue.empty():
                    raise InputError(
                        "A file cannot be decoded: its decoder got stuck",
                        f"no progress for {STALL_S:.0f} s",
                        "copy it again from the recorder, or convert it",
                    ) from None
                continue
            if item is None:
                return
            if isinstance(item, BaseException):
                raise item
            yield item
    finally:
        stopped.set()
        thread.join(timeout=5)
