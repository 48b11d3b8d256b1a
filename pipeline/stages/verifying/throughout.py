"""The clip beside its sources as the survey saw them: coarse, and some times a second.

Full pictures are compared in windows (`expected`). Between them, and where a recording is gone, the
tiles that the survey kept of it, from a decode before anything was planned, must be those of the
finished clip. What is painted over, put in place of another picture or shown at another time is
seen by that, but not what is much smaller than a tile. By verify's own reading of the plan.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.strokes import Strokes
from pipeline.analysis.tiles import TILES, tile_means
from pipeline.media.frame import Picture
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Piece, Plan
from pipeline.model.release import Check
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.moments import SAME_S
from pipeline.stages.verifying.result import make_check

NAME = "picture as surveyed throughout"
STROKE_LEVELS = 4.0  # of RGB to one L* of a stroke
LIMIT = 14.0  # levels of RGB, mean of a tile; right clips reach 5 at 1080 rows, 9 at 240 noisy ones
ROWS_PX = 120
_EDGE_PX = 4.0
_COARSER = 4  # of the mask
_LIT = 0.99

Series = Mapping[str, NDArray[Any]]


@dataclass(frozen=True)
class _Tiles:
    time_s: NDArray[np.float64]
    tiles: NDArray[np.uint8]


class Throughout:
    """Folds the pictures of the finished file, in order."""

    def __init__(
        self,
        plan: Plan,
        series: Sequence[Series],
        edge_inset_px: float,
        strokes: Callable[[float], Strokes | None],
        coarse: float,
    ) -> None:
        """series: of each source of the plan, as the survey measured them.

        strokes: of the mark at a time of the clip, to some pixels. coarse: of the coding.
        """
        self._plan, self._inset_px = plan, edge_inset_px
        self._strokes, self._limit = strokes, LIMIT * coarse
        self._stroke_levels = STROKE_LEVELS * plan.mark.band_high if plan.mark else 0.0
        self._kept = [_Tiles(s["tiles_time_s"], s["tiles"]) for s in series]
        self._size = (plan.height_px, plan.width_px)
        self._edge_px = _EDGE_PX + 1.5 * plan.height_px / ROWS_PX  # what a small pixel spreads
        self._to_rgb = _to_rgb(plan.matrix)
        self._lit: tuple[tuple[int, int], NDArray[np.bool_]] | None = None
        self._inked: tuple[Strokes, int, NDArray[np.float64]] | None = None
        self._worst = self._worst_s = 0.0
        self._seen: list[float] = []

    def look(self, picture: Picture) -> None:
        time_s = picture.time_s
        number = reading.piece_number(self._plan, time_s)
        piece = self._plan.pieces[number]
        if piece.kind != "play" or time_s < piece.out_start_s + piece.fade_s:
            return
        source_s = reading.source_time(piece, time_s)
        kept = self._kept[piece.source]
        near = bisect_left(kept.time_s, source_s - SAME_S)
        if near >= kept.time_s.size or kept.time_s[near] > source_s + SAME_S:
            return
        if any(r.source == piece.source and r.start_s <= source_s < r.stop_s
               for r in self._plan.restorations):  # fmt: skip
            return
        self._seen.append(time_s)
        counts = self._counting(piece, source_s)
        if not counts.any():
            return
        shown = tile_means(self._of_source(self._small_rgb(picture), piece.source))
        wanted = kept.tiles[near] * np.array(self._plan.sources[piece.source].gain)
        off = np.abs(shown - np.minimum(wanted, 255)).max(axis=2)
        left = off - self._by_mark(time_s, piece.source)
        worst = float(left[counts].max())
        if worst > self._worst:
            self._worst, self._worst_s = worst, time_s

    def _small_rgb(self, picture: Picture) -> NDArray[np.uint8]:
        """The picture as the survey's are, RGB of at most ROWS_PX rows: of high ones every third
        row is enough for the means of tiles."""
        import cv2

        y, u, v = picture.planes()
        step = max(1, -(-y.shape[0] // ROWS_PX))
        size = y.shape[1] // step, y.shape[0] // step
        thin = 3 if step % 3 == 0 else 1
        half = 2 if u.shape[0] >= 4 * size[1] else 1
        luma = y[thin // 2 : size[1] * step : thin, : size[0] * step]
        small = [
            cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in (luma, u[::half], v[::half])
        ]
        return np.asarray(cv2.transform(cv2.merge(small), self._to_rgb), np.uint8)

    def _by_mark(self, time_s: float, number: int) -> NDArray[np.float64]:
        """Levels by which the mark may change the mean of each tile."""
        strokes, source = self._strokes(time_s), self._plan.sources[number]
        if strokes is None:
            return np.zeros(TILES)
        if self._inked is not None and self._inked[0] is strokes and self._inked[1] == number:
            return self._inked[2]
        scale, dx, dy = source.moved
        high, wide = (scale * v / n for v, n in
                      zip((source.height_px, source.width_px), TILES, strict=True))  # fmt: skip
        row = np.floor((strokes.row + 0.5 - dy) / high).astype(np.intp)
        col = np.floor((strokes.col + 0.5 - dx) / wide).astype(np.intp)
        on = (row >= 0) & (row < TILES[0]) & (col >= 0) & (col < TILES[1])
        tile = (row * TILES[1] + col)[on]
        inked = np.bincount(tile, np.abs(strokes.weight[on]), TILES[0] * TILES[1])
        levels = np.asarray(self._stroke_levels * inked.reshape(TILES) / (high * wide))
        self._inked = strokes, number, levels
        return levels

    def _of_source(self, rgb: NDArray[Any], source: int) -> NDArray[Any]:
        """What a (smaller) picture of the clip shows of the source's whole picture, else 0."""
        import cv2

        scale, dx, dy = self._plan.sources[source].moved
        wide, high = (scale * v for v in (self._plan.sources[source].width_px,
                                          self._plan.sources[source].height_px))  # fmt: skip
        smaller = rgb.shape[0] / self._size[0]
        cols, rows = (max(4, round(v * smaller / n)) * n
                      for v, n in zip((wide, high), TILES[::-1], strict=True))  # fmt: skip
        across, down = wide * smaller / cols, high * smaller / rows
        # Centres of pixels lie at +0.5 here, at 0 there.
        way = np.array([[across, 0, dx * smaller + across / 2 - 0.5],
                        [0, down, dy * smaller + down / 2 - 0.5]])  # fmt: skip
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(rgb, way, (cols, rows), flags=flags)

    def _counting(self, piece: Piece, source_s: float) -> NDArray[np.bool_]:
        """Tiles of the source that are wholly seen in the clip at a moment, under no box."""
        source = self._plan.sources[piece.source]
        span = reading.field_of(source, source_s)
        key = (piece.source, id(span))
        if self._lit is None or self._lit[0] != key:
            self._lit = key, self._wholly_lit(piece.source, span)
        counts = self._lit[1]
        boxes = reading.own_boxes(self._plan, piece.source, source_s)
        if boxes:
            counts = counts.copy()
        scale, dx, dy = source.moved
        for box in boxes:
            edge_px = self._edge_px
            high, wide = (
                scale * v / n
                for v, n in zip((source.height_px, source.width_px), TILES, strict=True)
            )
            counts[
                _over((box.top - dy - edge_px) / high, (box.bottom - dy + edge_px) / high),
                _over((box.left - dx - edge_px) / wide, (box.right - dx + edge_px) / wide),
            ] = False
        return counts

    def _wholly_lit(self, number: int, span: FieldSpan) -> NDArray[np.bool_]:
        import cv2

        source = self._plan.sources[number]
        moved = tuple(v / _COARSER for v in source.moved)
        size = self._size[0] // _COARSER, self._size[1] // _COARSER
        coarse = source.model_copy(update={"moved": moved})
        lit = reading.Lit(coarse, span, size, self._inset_px)
        mask = lit.within(-self._edge_px / _COARSER).astype(np.float32)
        share = cv2.resize(self._of_source(mask, number), TILES[::-1], interpolation=cv2.INTER_AREA)
        return np.asarray(share >= _LIT, bool)

    def check(self) -> Check:
        at = f", at {self._worst_s:.2f} s" if self._worst else ""
        unit = f"levels in the worst tile of {len(self._seen)} pictures{at}"
        return make_check(NAME, self._worst, self._limit, unit, self._worst <= self._limit)


def _to_rgb(matrix: str) -> NDArray[np.float32]:
    """(3, 4) from Y, Cb, Cr of limited range to RGB of full range: ITU-R BT.601 and BT.709, 2.5."""
    red, blue = (0.299, 0.114) if matrix == "bt601" else (0.2126, 0.0722)
    green = 1 - red - blue
    of_red, of_blue = 2 * (1 - red), 2 * (1 - blue)
    rows = np.array([[1, 0, of_red], [1, -of_blue * blue / green, -of_red * red / green],
                     [1, of_blue, 0]])  # fmt: skip
    rows = rows * np.array([255 / 219, 255 / 224, 255 / 224])
    return np.column_stack([rows, -rows @ [16, 128, 128]]).astype(np.float32)


def _over(start: float, stop: float) -> slice:
    """Whole numbers that a stretch touches, none below 0."""
    return slice(max(0, math.floor(start)), max(0, math.ceil(stop)))
