"""Pictures of a recording around the last moment that was asked for, decoded once."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.media.frame import Picture
from pipeline.media.pictures import read_pictures
from pipeline.media.time_stamps import ReadReport
from pipeline.model.recording import Recording

KEPT_BYTES = 160_000_000  # 50 pictures of 1920 x 1080: some two seconds to step back through
AHEAD_S = 2.0  # so far the decoder goes on; beyond it a seek is quicker


class Reel:
    """Reads as `media.pictures.read_pictures` does, and goes on from where it was.

    A decoder has to begin at a key frame, often seconds before the moment that is wanted.
    Whoever steps through a recording picture by picture waits for that once. For one
    reader at a time.
    """

    def __init__(self, kept_bytes: int = KEPT_BYTES) -> None:
        self._most = kept_bytes
        self._of: tuple[Any, ...] = ()
        self._kept: deque[Picture] = deque()
        self._going: Iterator[Picture] = iter(())

    def read(
        self,
        path: Path,
        recording: Recording,
        *,
        start_s: float = 0.0,
        stop_s: float = float("inf"),
        size_px: tuple[int, int] | None = None,
        matrix: str | None = None,
        double_rate: bool = False,
        threads: int = 0,
        report: ReadReport | None = None,
    ) -> Iterator[Picture]:
        """Pictures in [start_s, stop_s), in order of time. report: nothing is told of damage
        that was met before. Raises InputError as `read_pictures` does."""
        of = (path, recording.sha256, size_px, matrix, double_rate)
        if of != self._of or not self._near(start_s):
            self._of, self._kept = of, deque()
            self._going = read_pictures(
                path, recording, report=report, start_s=start_s, from_key=True, size_px=size_px,
                matrix=matrix, double_rate=double_rate, threads=threads,
            )  # fmt: skip
        last_s = start_s - 2e-9
        while True:
            picture = next((p for p in self._kept if p.time_s > last_s), None) or self._next()
            if picture is None or picture.time_s >= stop_s:
                return
            if picture.time_s > last_s:
                last_s = picture.time_s
                yield picture

    def _near(self, time_s: float) -> bool:
        kept = self._kept
        return bool(kept) and kept[0].time_s <= time_s + 1e-9 <= kept[-1].time_s + AHEAD_S

    def _next(self) -> Picture | None:
        """One picture more; the oldest ones go."""
        picture = next(self._going, None)
        if picture is not None:
            self._kept.append(picture)
            each = sum(p.buffer_size for p in picture.frame.planes)
            while len(self._kept) > max(2, self._most // max(1, each)):
                self._kept.popleft()
        return picture
