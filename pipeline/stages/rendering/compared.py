"""A card with two pictures: each blanked, with its boxes and its mark, and its words below."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.mark.painter import MarkPainter
from pipeline.media.pictures import read_pictures
from pipeline.model.field import field_at
from pipeline.model.options import Options
from pipeline.model.plan import Compared, Piece, Plan
from pipeline.stages.card import strip_boxes
from pipeline.stages.rendering.blanking import BLACK, Blanker
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.rendering.reading import Reader, piece_pictures
from pipeline.stages.restore import draw_words


class ComparedCard:
    """Made once for its piece, drawn for every picture of it. shot: counted as of the mark."""

    def __init__(
        self,
        plan: Plan,
        piece: Piece,
        media: Sequence[SourceMedia],
        coverage: NDArray[np.float32],
        options: Options,
        shot: int,
        read: Reader = read_pictures,
    ) -> None:
        self._piece, self._boxes = piece, strip_boxes(piece.compared)
        self._still = _black(plan)
        self._painters: list[MarkPainter] = []
        half = plan.width_px // 4 * 2
        for number, shown in enumerate(piece.compared):
            planes = _black(plan)
            placed = _placed(plan, shown)
            _copy(placed, shown, media, options, planes, read)
            for plane, other, part in zip(self._still, planes, (half, half // 2, half // 2),
                                          strict=True):  # fmt: skip
                at = slice(number * part, (number + 1) * part)
                plane[:, at] = other[:, at]
            source = placed.sources[shown.source]
            if plan.mark is not None:
                place = source.placement(plan.width_px, plan.height_px)
                self._painters.append(
                    MarkPainter(
                        plan.mark, coverage, place.field(field_at(source.fields, shown.start_s)),
                        plan.height_px, plan.width_px, plan.matrix, full_range=False, shot=shot,
                        source=shown.source, time_s=shown.start_s,
                    )
                )  # fmt: skip
        self._first = True

    def draw(self, planes: Sequence[NDArray[np.uint8]], time_s: float) -> None:
        """All of the picture at a time of the clip: Y, U and V (row, col), in place."""
        for plane, still in zip(planes, self._still, strict=True):
            plane[:] = still
        for painter in self._painters:
            painter.paint(planes[0], planes[1], planes[2], time_s, cut=self._first)
        for shown, box in zip(self._piece.compared, self._boxes, strict=True):
            draw_words(planes, shown.words, box)
        self._first = False


def _placed(plan: Plan, shown: Compared) -> Plan:
    """The plan with that source where it lies on the card."""
    sources = [
        s.model_copy(update={"moved": shown.moved}) if s.number == shown.source else s
        for s in plan.sources
    ]
    return plan.model_copy(update={"sources": sources})


def _copy(
    placed: Plan,
    shown: Compared,
    media: Sequence[SourceMedia],
    options: Options,
    into: Sequence[NDArray[np.uint8]],
    read: Reader,
) -> None:
    source = placed.sources[shown.source]
    held = Piece(kind="freeze", source=shown.source, start_s=shown.start_s, length_s=0.01,
                 case_start_s=0.0, out_start_s=0.0)  # fmt: skip
    blanker = Blanker(
        source, placed.width_px, placed.height_px, options.field.edge_inset_px,
        [r for r in placed.redactions if r.source == shown.source],
    )  # fmt: skip
    for _, picture in piece_pictures(held, placed, media, options, None, read):
        if picture is not None:
            blanker.copy(picture.planes(), into, shown.start_s)
            if picture.time_s != shown.start_s:
                blanker.cover(into, picture.time_s)  # the boxes of the picture itself
            blanker.match(into, shown.start_s, placed.matrix)
        return


def _black(plan: Plan) -> list[NDArray[np.uint8]]:
    rows, cols = plan.height_px, plan.width_px
    half = rows // 2, cols // 2
    return [np.full(s, v, np.uint8) for s, v in zip(((rows, cols), half, half), BLACK, strict=True)]
