"""Lettering and faces in sampled pictures: the fold that a process of its own runs.

It keeps boxes only, so what it hands back is small and can be pickled. The
process should end before encoding starts: the networks take about 350 MB.

What is skipped, and why that is safe enough:
- Lettering: the network looks at `text_regions` of each sample and, every
  `colours_every_s`, of its `odd_colours`, and at the whole picture every
  `whole_every_s`, at the first sample and whenever there is no scope field.
  `OverlayFold` sees every sample. Lettering that lies wholly in the surround is
  blanked anyway and is not looked for by the network.
- Faces: inside the body only the whole picture is looked at, every
  `faces_every_s`; with no scope field, or where the caller says `outside`,
  every sample is looked at, tiles too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, iou, overlap
from pipeline.analysis.faces import FaceDetector, merge_faces
from pipeline.analysis.lettering import (
    ODD_STEP,
    Box,
    OverlayFold,
    TextDetector,
    merge_lettering,
    odd_colours,
    text_regions,
)
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Face, Lettering

SAMPLE_RATE_HZ = 1.0
SURE_FACE = 0.75  # score of a face that needs no second look; common practice, no source
SAME_PLACE = 0.2  # intersection over union
_IGNORED_TIME = 0.3  # of an overlay's span; it is seen in blocks of samples
_IGNORED_SHARE = 0.6  # of a box, from which it is taken for what the caller put there


class Detectors:
    """Looks at samples in order of time; `finish` gives the spans.

    fields: the scope field over time, on the working picture. lettering, faces:
    what to look for. spacing_s: time between samples. threads: of the text
    network.
    """

    def __init__(
        self,
        fields: Sequence[FieldSpan],
        lettering: bool = True,
        faces: bool = True,
        spacing_s: float = 1.0,
        whole_every_s: float = 60.0,
        faces_every_s: float = 2.0,
        colours_every_s: float = 1.0,
        threads: int = 1,
    ) -> None:
        self.spacing_s = spacing_s
        self.whole_every_s = whole_every_s
        self.faces_every_s = faces_every_s
        self.colours_every_s = colours_every_s
        self._fields = sorted(fields, key=lambda f: f.start_s)
        self._text = TextDetector(threads=threads) if lettering else None
        self._overlays: OverlayFold | None = None
        self._near = FaceDetector(views="whole") if faces else None
        self._far = FaceDetector(views="tiles") if faces else None
        self._lines: list[tuple[float, list[Box]]] = []
        self._faces: list[tuple[float, list[Box]]] = []
        self._inside: list[bool] = []
        self._whole_s = self._colours_s = -np.inf
        self._face_s = -np.inf
        self._size = (0, 0)

    def step(self, time_s: float, rgb: NDArray[np.uint8], outside: bool = False) -> None:
        """One sample. rgb: uint8 (row, col, 3), the full working picture.

        outside: the picture may be outside the body.
        """
        import cv2

        self._size = (rgb.shape[1], rgb.shape[0])
        field = self._field_at(time_s)
        no_field = field is None or field.shape == "none"
        if self._text is not None:
            if self._overlays is None:
                self._overlays = OverlayFold(self._fields, *self._size)
            luma = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY), np.uint8)
            self._overlays.step(time_s, luma)
            if no_field or time_s - self._whole_s >= self.whole_every_s - 1e-6:
                self._whole_s = time_s
                boxes = self._text.boxes(rgb)
            else:
                boxes = self._text.boxes(rgb, text_regions(rgb, field))
            colours = time_s - self._colours_s >= self.colours_every_s - 1e-6
            self._colours_s = time_s if colours else self._colours_s
            for view in odd_colours(rgb, field) if colours else []:
                boxes += self._text.boxes(view, text_regions(view, field, ODD_STEP))
            self._lines.append((time_s, boxes))
        if self._near is not None and self._far is not None:
            everywhere = no_field or outside
            if everywhere or time_s - self._face_s >= self.faces_every_s - 1e-6:
                self._face_s = time_s
                detector = self._far if everywhere else self._near
                self._faces.append((time_s, detector.boxes(rgb)))
                self._inside.append(not everywhere)
                if any(box[4] < SURE_FACE for box in self._faces[-1][1]):
                    self._face_s = -np.inf  # look again at the next sample

    def finish(
        self, stop_s: float | None = None, ignore: Sequence[Sequence[float]] = ()
    ) -> tuple[list[Lettering], list[Face]]:
        """Spans with boxes to fill. stop_s: end of the file.

        ignore: places (x, y, width, height) of lettering that is meant to be
        there, such as the mark, or (x, y, width, height, start_s, stop_s) of what is
        meant to be there for a while: what lies mostly in them is left out.
        """
        width, height = self._size
        lines = [
            (time_s, [b for b in boxes if not _ignored(b, _now(ignore, time_s, time_s))])
            for time_s, boxes in self._lines
        ]
        overlays = self._overlays.finish() if self._overlays is not None else []
        overlays = [
            entry for entry in overlays
            if not _ignored(entry.box_px, _now(ignore, entry.start_s, entry.stop_s))
        ]  # fmt: skip
        lettering = merge_lettering(
            lines, self.spacing_s, overlays, self._fields, width, height, stop_s
        )
        spacing = max(self.spacing_s, self.faces_every_s)
        faces = confirmed(self._faces, self._inside)
        return lettering, merge_faces(faces, spacing, width, height, stop_s)

    def _field_at(self, time_s: float) -> FieldSpan | None:
        chosen = None
        for span in self._fields:
            if span.start_s <= time_s + 1e-6:
                chosen = span
        return chosen


def confirmed(
    looks: Sequence[tuple[float, list[Box]]], inside: Sequence[bool]
) -> list[tuple[float, list[Box]]]:
    """Looks without weak single hits inside the body.

    inside: for each look, whether the picture showed the scope field. There a rounded
    piece of tissue can pass for a face once: a hit below `SURE_FACE` counts only if the
    look before or after it has one at the same place. Elsewhere every hit counts.
    """
    out = []
    for k, (time_s, boxes) in enumerate(looks):
        near = [b for n in (k - 1, k + 1) if 0 <= n < len(looks) for b in looks[n][1]]
        kept = [
            box
            for box in boxes
            if not inside[k]
            or box[4] >= SURE_FACE
            or any(iou(box[:4], other[:4]) >= SAME_PLACE for other in near)
        ]
        out.append((time_s, kept))
    return out


def _now(ignore: Sequence[Sequence[float]], start_s: float, stop_s: float) -> list[Pixels]:
    """Places of lettering that is meant to be there for a good part of the span."""
    least_s = _IGNORED_TIME * (stop_s - start_s)
    return [
        (int(p[0]), int(p[1]), int(p[2]), int(p[3]))
        for p in ignore
        if len(p) == 4 or min(stop_s, p[5] + 0.1) - max(start_s, p[4] - 0.1) >= least_s
    ]


def _ignored(box: Sequence[float], ignore: Sequence[Pixels]) -> bool:
    inside = max((overlap(box[:4], place) for place in ignore), default=0.0)
    return inside > _IGNORED_SHARE * box[2] * box[3]


def detect(
    samples: Iterable[tuple[float, NDArray[np.uint8], bool]],
    fields: Sequence[FieldSpan],
    lettering: bool = True,
    faces: bool = True,
    spacing_s: float = 1.0,
    stop_s: float | None = None,
    ignore: Sequence[Sequence[float]] = (),
) -> tuple[list[Lettering], list[Face]]:
    """All of it for an iterable of (time_s, rgb, outside): the body of a child process.

    See `Detectors.step` for the arrays and `Detectors.finish` for what comes back.
    """
    import cv2

    cv2.setNumThreads(1)
    detectors = Detectors(fields, lettering, faces, spacing_s)
    for time_s, rgb, outside in samples:
        detectors.step(time_s, rgb, outside)
    return detectors.finish(stop_s, ignore)
