"""Lettering and faces in sampled pictures: the fold that a process of its own runs.

It keeps boxes only, so what it hands back is small and can be pickled. The
process should end before encoding starts: the networks take about 350 MB.

What is skipped, and why that is safe enough:
- Lettering: the network looks at `text_regions` of each sample, and at the whole
  picture every `whole_every_s`, at the first sample and whenever there is no
  scope field. Lettering outside the field is blanked and not looked for.
- Faces: inside the body only the whole picture is looked at, every
  `faces_every_s`; with no scope field, or where the caller says `outside`,
  every sample is looked at, tiles too.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.faces import FaceDetector, merge_faces
from pipeline.analysis.lettering import Box, TextDetector, merge_lettering, text_regions
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Face, Lettering

Sample = tuple[float, "NDArray[np.uint8]", "FieldSpan | None", bool]


class Detectors:
    """Looks at samples in order of time; `finish` gives the spans.

    lettering, faces: what to look for. spacing_s: time between samples.
    threads: of the text network.
    """

    def __init__(
        self,
        lettering: bool = True,
        faces: bool = True,
        spacing_s: float = 1.0,
        whole_every_s: float = 30.0,
        faces_every_s: float = 2.0,
        threads: int = 1,
    ) -> None:
        self.spacing_s = spacing_s
        self.whole_every_s = whole_every_s
        self.faces_every_s = faces_every_s
        self._text = TextDetector(threads=threads) if lettering else None
        self._near = FaceDetector(views="whole") if faces else None
        self._far = FaceDetector(views="tiles") if faces else None
        self._lines: list[tuple[float, list[Box]]] = []
        self._faces: list[tuple[float, list[Box]]] = []
        self._whole_s = -np.inf
        self._face_s = -np.inf
        self._size = (0, 0)

    def step(
        self,
        time_s: float,
        rgb: NDArray[np.uint8],
        field: FieldSpan | None = None,
        outside: bool = False,
    ) -> None:
        """One sample. rgb: uint8 (row, col, 3), the full working picture.

        field: the scope field at that time; None if unknown. outside: the
        picture may be outside the body.
        """
        self._size = (rgb.shape[1], rgb.shape[0])
        no_field = field is None or field.shape == "none"
        if self._text is not None:
            if no_field or time_s - self._whole_s >= self.whole_every_s - 1e-6:
                self._whole_s = time_s
                boxes = self._text.boxes(rgb)
            else:
                boxes = self._text.boxes(rgb, text_regions(rgb, field))
            self._lines.append((time_s, boxes))
        if self._near is not None and self._far is not None:
            everywhere = no_field or outside
            if everywhere or time_s - self._face_s >= self.faces_every_s - 1e-6:
                self._face_s = time_s
                detector = self._far if everywhere else self._near
                self._faces.append((time_s, detector.boxes(rgb)))

    def finish(
        self,
        overlays: Sequence[Lettering] = (),
        fields: Sequence[FieldSpan] = (),
        stop_s: float | None = None,
    ) -> tuple[list[Lettering], list[Face]]:
        """Spans with boxes to fill. overlays: of `OverlayFold.finish`. stop_s: end of the file."""
        width, height = self._size
        lettering = merge_lettering(
            self._lines, self.spacing_s, overlays, fields, width, height, stop_s
        )
        spacing = max(self.spacing_s, self.faces_every_s)
        return lettering, merge_faces(self._faces, spacing, width, height, stop_s)


def detect(
    samples: Iterable[Sample],
    lettering: bool = True,
    faces: bool = True,
    spacing_s: float = 1.0,
    fields: Sequence[FieldSpan] = (),
    overlays: Sequence[Lettering] = (),
    stop_s: float | None = None,
) -> tuple[list[Lettering], list[Face]]:
    """All of it for an iterable of (time_s, rgb, field, outside): the body of a child process."""
    import cv2

    cv2.setNumThreads(1)
    detectors = Detectors(lettering, faces, spacing_s)
    for time_s, rgb, field, outside in samples:
        detectors.step(time_s, rgb, field, outside)
    return detectors.finish(overlays, fields, stop_s)
