"""The whole clip beside its sources as the survey saw them: coarse, and some times a second.

Full pictures are compared in windows (`expected`). Between them the tiles that the survey kept of
each recording, from a decode before anything was planned, must be those of the finished clip. What
is painted over, put in place of another picture or shown at another time is seen by that,
but not what is much smaller than a tile. By verify's own reading of the plan.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.tiles import TILES, tile_means
from pipeline.media.frame import Picture, reduce_rgb
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Piece, Plan
from pipeline.model.release import Check
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.moments import SAME_S
from pipeline.stages.verifying.result import make_check

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

    def __init__(self, plan: Plan, series: Sequence[Series], edge_inset_px: float) -> None:
        """series: of each source of the plan, as the survey measured them."""
        self._plan, self._inset_px = plan, edge_inset_px
        self._kept = [_Tiles(s["tiles_time_s"], s["tiles"]) for s in series]
        self._size = (plan.height_px, plan.width_px)
        self._edge_px = _EDGE_PX + 1.5 * plan.height_px / ROWS_PX  # what a small pixel spreads
        self._lit: tuple[tuple[int, int], NDArray[np.bool_]] | None = None
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
        rgb = reduce_rgb(picture.frame, ROWS_PX, self._plan.matrix, thinned=True)
        shown = tile_means(self._of_source(rgb, piece.source))
        off = np.abs(shown.astype(np.int16) - kept.tiles[near])[counts]
        if float(off.max()) > self._worst:
            self._worst, self._worst_s = float(off.max()), time_s

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
        return make_check("picture as surveyed throughout", self._worst, LIMIT, unit,
                          self._worst <= LIMIT)  # fmt: skip


def _over(start: float, stop: float) -> slice:
    """Whole numbers that a stretch touches, none below 0."""
    return slice(max(0, math.floor(start)), max(0, math.ceil(stop)))
