"""Lettering and faces: the fold that a process of its own runs over the decoded pictures.

It keeps boxes only, so what it hands back is small and can be pickled. The
process should end before encoding starts: the networks take about 350 MB.

- Lettering: every decoded picture is looked at (`letter_watch`). Lettering that lies wholly in
  the surround is blanked anyway; the box around the field is what is looked at.
- Faces: every decoded picture is looked at cheaply, closely where something is new
  (`face_watch`); everywhere where there is no scope field or the caller says `outside`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, iou, overlap, union, widened
from pipeline.analysis.identity.face_watch import FaceWatch
from pipeline.analysis.identity.faces import merge_faces
from pipeline.analysis.identity.letter_placed import Placed
from pipeline.analysis.identity.letter_spans import told_apart
from pipeline.analysis.identity.letter_views import Planes, scaled
from pipeline.analysis.identity.letter_watch import LetterWatch, Sight
from pipeline.analysis.identity.lettering import field_box, merge_lettering
from pipeline.analysis.identity.overlays import DOUBTED
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Face, Lettering

_IGNORED_TIME = 0.3  # of a span of lettering
_IGNORED_SHARE = 0.6  # of a box, from which it is taken for what the caller put there
_MARK = 0.25  # of the picture: a larger place is not a mark's words
_LETTER = 0.08  # of the picture's height: hardly a face that the network knows is as small
LINGER_S = 2.5  # words that the caller put there stay this long in averages after they went
_LIT = 48.0  # code values of luma from which a cell is lit
_LIT_CELLS = (48, 27)
_LIT_KEPT = 0.998  # a picture; what was as bright as can be is forgotten after half a minute
_MARGIN_S = 0.25  # lettering is filled this long before its first and after its last look


@dataclass(frozen=True)
class Shown:
    """A decoded picture: planes of yuv420p (uint8, limited range), and all of it as RGB, uint8
    (row, col, 3), made when asked for. outside: it may be outside the body."""

    time_s: float
    planes: Planes
    rgb: Callable[[], NDArray[np.uint8]]
    outside: bool = False


class Detectors:
    """Looks at the pictures in order of time; `finish` gives the spans.

    fields: the scope field over time, on the working picture; None where it is not known yet:
    then it is looked at what is lit, and faces as inside the body. lettering, faces:
    what to look for. spacing_s: time between pictures in which faces are looked for where there
    is no field. matrix: of the colours. late: the second search, of other pictures at another
    size than the first. threads: of the networks. placed: lettering that was put into the
    picture (`letter_placed.Place`): what lies beside it is judged.
    """

    def __init__(
        self,
        fields: Sequence[FieldSpan] | None,
        lettering: bool = True,
        faces: bool = True,
        spacing_s: float = 1.0,
        matrix: str = "bt709",
        late: bool = False,
        faces_every_s: float = 2.0,
        threads: int = 1,
        placed: Sequence[Sequence[float]] = (),
    ) -> None:
        self.spacing_s = spacing_s
        self.faces_every_s = faces_every_s
        self._lit = LitBox() if fields is None else None
        self._fields = sorted(fields or [], key=lambda f: f.start_s)
        self._letters = LetterWatch(matrix, late, threads, Placed(placed)) if lettering else None
        self._faces = FaceWatch(spacing_s, faces_every_s) if faces else None
        self._size = (0, 0)

    def step(self, shown: Shown) -> None:
        """A picture, times rising."""
        time_s = shown.time_s
        height, width = shown.planes[0].shape
        self._size = (width, height)
        field = self._field_at(time_s)
        lit = self._lit.step(shown.planes[0]) if self._lit is not None else None
        box = lit or field_box(field, width, height)
        if self._letters is not None:
            self._letters.step(time_s, shown.planes, box)
        if self._faces is not None:
            without = lit is None and (field is None or field.shape == "none")
            self._faces.step(time_s, shown.planes, shown.rgb, box, without or shown.outside)

    def finish(
        self,
        stop_s: float | None = None,
        ignore: Sequence[Sequence[float]] = (),
        fields: Sequence[FieldSpan] | None = None,
    ) -> tuple[list[Lettering], list[Face]]:
        """Spans with boxes to fill, and of confidence `DOUBTED` those that hardly need any. stop_s:
        end of the file. fields: if known only now.

        ignore: places (x, y, width, height) of lettering that is meant to be
        there, such as the mark, or (x, y, width, height, start_s, stop_s) of what is
        meant to be there for a while: what lies mostly in them is left out. So is a letter that
        passes for a face, of the latter, and of the former where it is as small as a letter.
        """
        width, height = self._size
        words = [p for p in ignore if len(p) == 6]
        marks = [
            (int(p[0]), int(p[1]), int(p[2]), int(p[3]))
            for p in ignore
            if len(p) == 4 and p[2] * p[3] <= _MARK * width * height
        ]
        ignore = [(*p[:5], p[5] + LINGER_S) if len(p) == 6 else p for p in ignore]
        if self._letters is not None and self._letters.placed:
            ignore = [p for p in ignore if len(p) == 6]  # known better than by a box for all time
        sights = [] if self._letters is None else [
            s for s in self._letters.sights
            if not _ignored(s.box, _now(ignore, s.since_s, s.time_s))
        ]  # fmt: skip
        lettering = []
        for some, sure in zip(told_apart(sights), (True, False), strict=True):
            some = [self._with_hidden(s) for s in some]
            spans = merge_lettering(
                some, _MARGIN_S, fields or self._fields, width, height, stop_s
            )
            lettering += [
                s if sure else s.model_copy(update={"confidence": DOUBTED}) for s in spans
            ]
        spacing = max(self.spacing_s, self.faces_every_s)
        if self._faces is None:
            return lettering, []

        def left_out(box: Sequence[float], time_s: float) -> bool:
            small = max(box[2:4]) <= _LETTER * height
            return _ignored(box, [*_shown_at(words, time_s), *(marks if small else [])])

        faces = self._faces.seen(left_out)
        return lettering, merge_faces(faces, spacing, width, height, stop_s)

    def _with_hidden(self, sight: Sight) -> Sight:
        """With what of a line may lie under what was placed: there nothing is seen."""
        if self._letters is None or not self._letters.placed:
            return sight
        boxes = sight.parts or (sight.box,)
        hidden = self._letters.placed.hidden(sight.since_s, sight.time_s, boxes)
        if not hidden:
            return sight
        return replace(sight, box=reduce(union, hidden, sight.box), parts=(*boxes, *hidden))

    def _field_at(self, time_s: float) -> FieldSpan | None:
        known = bisect_right(self._fields, time_s + 1e-6, key=lambda f: f.start_s)
        return self._fields[known - 1] if known else None


class LitBox:
    """The box around what was lit lately, where nothing is known of the field."""

    def __init__(self) -> None:
        self._most: NDArray[np.float32] | None = None
        self._box: Pixels | None = None

    def step(self, luma: NDArray[np.uint8]) -> Pixels:
        """luma: uint8 (row, col) of the next picture. x, y, width, height in pixels, a little
        wider than what is lit; it stays while what is lit fills most of it."""
        height, width = luma.shape
        cells = scaled(luma, _LIT_CELLS).astype(np.float32)
        self._most = cells if self._most is None else np.maximum(_LIT_KEPT * self._most, cells)
        rows, cols = np.nonzero(self._most > _LIT)
        if not len(rows):
            return self._box or (0, 0, width, height)
        wide, high = width / _LIT_CELLS[0], height / _LIT_CELLS[1]
        lit = (
            cols.min() * wide, rows.min() * high, (np.ptp(cols) + 1) * wide,
            (np.ptp(rows) + 1) * high,
        )  # fmt: skip
        box, old = widened(lit, 0, 0, width, height), self._box
        if old is None or overlap(old, box) < 0.999 * box[2] * box[3] or iou(old, box) < 0.6:
            # Wider than it must be by a cell, so that it does not change with every step.
            self._box = widened(box, wide, high, width, height)
        assert self._box is not None
        return self._box


def _now(ignore: Sequence[Sequence[float]], start_s: float, stop_s: float) -> list[Pixels]:
    """Places of lettering that is meant to be there for a good part of the span of a look, or at
    its end: an average shows what has just come."""
    least_s = _IGNORED_TIME * (stop_s - start_s)
    return [
        (int(p[0]), int(p[1]), int(p[2]), int(p[3]))
        for p in ignore
        if len(p) == 4
        or start_s <= p[4] <= stop_s + 0.1 <= p[5] + 0.2
        or min(stop_s, p[5] + 0.1) - max(start_s, p[4] - 0.1) >= least_s
    ]


def _shown_at(words: Sequence[Sequence[float]], time_s: float) -> list[Pixels]:
    """Places of words that stand in the picture at that time."""
    return [(int(p[0]), int(p[1]), int(p[2]), int(p[3])) for p in words if p[4] <= time_s < p[5]]


def _ignored(box: Sequence[float], ignore: Sequence[Pixels]) -> bool:
    inside = max((overlap(box[:4], place) for place in ignore), default=0.0)
    return inside > _IGNORED_SHARE * box[2] * box[3]


def detect(
    pictures: Iterable[Shown],
    fields: Sequence[FieldSpan] | None,
    lettering: bool = True,
    faces: bool = True,
    spacing_s: float = 1.0,
    ignore: Sequence[Sequence[float]] = (),
    matrix: str = "bt709",
    late: bool = False,
    placed: Sequence[Sequence[float]] = (),
    ending: Callable[[], tuple[float | None, Sequence[FieldSpan] | None]] = lambda: (None, None),
) -> tuple[list[Lettering], list[Face]]:
    """All of it for the pictures of one file: the body of a child process.

    ending: asked after the last picture for the end of the file in seconds, and the fields if
    they were not known. See `Detectors` for the rest and `Detectors.finish` for what comes back.
    """
    import cv2

    cv2.setNumThreads(1)
    detectors = Detectors(fields, lettering, faces, spacing_s, matrix, late, placed=placed)
    for shown in pictures:
        detectors.step(shown)
    stop_s, known = ending()
    return detectors.finish(stop_s, ignore, known)
