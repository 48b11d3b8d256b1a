"""The small copy of a source that the review page plays: blanked and redacted like a release.

A coarse one (3 pictures a second) looks on while the survey decodes and is finished after the
decision, so that a case can be looked through at once. The page makes a copy with every
picture later, in the background, for stepping frame by frame.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

from pipeline.analysis.identity.overlays import COVER_PAD_S
from pipeline.media.frame import Picture, plane_view
from pipeline.media.write import planes_of
from pipeline.model.options import Options
from pipeline.model.placement import Placement
from pipeline.model.plan import Redaction
from pipeline.model.recording import Recording
from pipeline.model.survey import Face, Lettering, Survey
from pipeline.stages.planning.picture import planned_source
from pipeline.stages.planning.redactions import parts_of
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.spool import Pace

ROWS_PX = 270
COARSE_RATE_HZ = 3.0
_TIME_BASE = 90_000
_WRITING = (OSError,)  # PyAV's errors of writing are OSErrors too


def proxy_name(sha256: str, *, full: bool = False) -> str:
    """Name of the copy in the private folder; `full`: the one with every picture."""
    return f"proxy-{sha256[:8]}{'-full' if full else ''}.mp4"


def copy_name(survey: Survey, options: Options) -> str:
    """Name of the coarse copy in the cache, by all that it covers."""
    covered = [
        [f.model_dump(mode="json") for f in survey.field],
        [r.model_dump(mode="json") for r in found_redactions(survey)],
        options.field.edge_inset_px,
    ]
    return f"copy-{hashlib.sha256(json.dumps(covered).encode()).hexdigest()[:16]}.mp4"


def proxy_size(recording: Recording) -> tuple[int, int]:
    """Columns and rows, both even, of a copy at most ROWS_PX high; a whole part of the
    source's rows where that is possible, which is quick to average.
    """
    part = -(-recording.height_px // ROWS_PX)
    rows = max(2, recording.height_px // part // 2 * 2)
    return max(2, recording.width_px // part // 2 * 2), rows


def shrunk(frame: Any, cols: int, rows: int) -> Any:
    """A smaller yuv420p frame by averaging the planes (ten times as fast as the scaler)."""
    import av
    import cv2

    out = av.VideoFrame(cols, rows, "yuv420p")
    for source, target in zip(frame.planes[:3], planes_of(out), strict=True):
        rows, cols = target.shape
        plane = plane_view(source)
        part = min(plane.shape[0] // rows, plane.shape[1] // cols)
        if part >= 1:  # whole parts are averaged fast; less than one part of the edge is left out
            plane = plane[: part * rows, : part * cols]
        target[:] = cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA)
    return out


class SmallVideo:
    """Writes small pictures with their time stamps: H.264 with a key frame every `every`."""

    def __init__(self, path: Path, size: tuple[int, int], *, quality: int, every: int) -> None:
        import av

        self._box = av.open(str(path), "w", format="mp4", options={"movflags": "faststart"})
        stream = self._box.add_stream("libx264", rate=_TIME_BASE)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        stream.options = {
            "preset": "ultrafast", "crf": str(quality), "g": str(every), "bf": "0",
            "threads": "1", "fflags": "bitexact",
        }  # fmt: skip
        stream.codec_context.time_base = Fraction(1, _TIME_BASE)
        self._stream: Any = stream

    def add(self, time_s: float, frame: Any) -> None:
        frame.pts, frame.time_base = round(time_s * _TIME_BASE), Fraction(1, _TIME_BASE)
        frame.pict_type = 0
        for packet in self._stream.encode(frame):
            self._box.mux(packet)

    def close(self) -> None:
        """Ends the file; a file without a picture is left unfinished."""
        for packet in self._stream.encode():
            self._box.mux(packet)
        self._box.close()

    def abandon(self) -> None:
        with contextlib.suppress(Exception):
            self._box.close()


def found_redactions(survey: Survey, source: int = 0) -> list[Redaction]:
    """What the survey alone says must be covered inside the field."""
    rows: list[tuple[Literal["lettering", "face"], Lettering | Face]] = []
    rows += [("lettering", x) for x in survey.lettering if x.where == "field"]
    rows += [("face", x) for x in survey.faces]
    return [
        Redaction(
            what=what,
            source=source,
            start_s=max(0.0, item.start_s - COVER_PAD_S),
            stop_s=item.stop_s + COVER_PAD_S,
            box_px=item.box_px,
            parts=parts_of(item, survey.recording.duration_s),
            reason="found",
            origin="survey",
        )
        for what, item in rows
    ]


def write_proxy(
    target: Path,
    pictures: Iterable[tuple[float, Any]],
    recording: Recording,
    survey: Survey,
    still: bool,
    options: Options,
    redactions: Sequence[Redaction],
    *,
    every: int = 6,
) -> None:
    """Blanks and redacts pictures (time_s, av.VideoFrame of any size) into a small video."""
    import av

    cols, rows = proxy_size(recording)
    place = Placement.fitted((recording.width_px, recording.height_px), (cols, rows))
    source = planned_source(0, recording, survey, still, 0, options, place)
    blanker = Blanker(source, cols, rows, options.field.edge_inset_px, redactions)
    video = SmallVideo(target, (cols, rows), quality=26, every=every)
    try:
        for time_s, frame in pictures:
            if (frame.width, frame.height) != (cols, rows):
                frame = shrunk(frame, cols, rows)
            shown = av.VideoFrame(cols, rows, "yuv420p")
            blanker.copy(planes_of(frame), planes_of(shown), time_s)
            video.add(time_s, shown)
        video.close()
    except BaseException:
        video.abandon()
        raise


class CoarseProxy:
    """Small pictures of the survey's decode, held as a video until the survey knows the field.

    The held video shows everything: it lies in the work folder, which is gone after the run.
    """

    def __init__(self, work: Path, recording: Recording) -> None:
        name = recording.sha256[:12]
        self._held, self._done = work / f"held-{name}.mp4", work / f"coarse-{name}.mp4"
        self._recording = recording
        self._cols, self._rows = proxy_size(recording)
        self._pace = Pace(COARSE_RATE_HZ)
        self._video: SmallVideo | None = SmallVideo(
            self._held, (self._cols, self._rows), quality=23, every=30
        )

    def step(self, picture: Picture) -> None:
        """Is offered every picture of a decode; takes about COARSE_RATE_HZ a second."""
        if self._video is None or not self._pace.due(picture.time_s):
            return
        try:
            self._video.add(picture.time_s, shrunk(picture.frame, self._cols, self._rows))
        except _WRITING:
            self.close()  # a case can be surveyed without it; a full disk is told elsewhere

    def finish(self, survey: Survey, still: bool, options: Options) -> bytes:
        """The blanked and redacted copy; empty if it could not be written."""
        import av

        if self._video is None:
            return b""
        try:
            self._video.close()
            self._video = None
            with av.open(str(self._held)) as box:
                pictures = ((float(f.time or 0.0), f) for f in box.decode(video=0))
                write_proxy(
                    self._done, pictures, self._recording, survey, still, options,
                    found_redactions(survey), every=2,
                )  # fmt: skip
            return self._done.read_bytes()
        except _WRITING:
            return b""
        finally:
            self.close()

    def close(self) -> None:
        """Removes what was held."""
        if self._video is not None:
            self._video.abandon()
            self._video = None
        for path in (self._held, self._done):
            path.unlink(missing_ok=True)
