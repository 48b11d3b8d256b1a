"""The surround of the finished file is black."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.surround import SURROUND_LIMIT, brightest_outside, outside_mask
from pipeline.media.frame import Picture
from pipeline.model.field import FieldSpan, field_at
from pipeline.model.placement import Placement
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.model.timeline import Timeline, picture_time
from pipeline.stages.card import card_box
from pipeline.stages.planning.picture import has_field
from pipeline.stages.verifying.result import make_check


class Surround:
    """The brightest and the most coloured pixel outside the field of the finished file."""

    def __init__(self, plan: Plan, edge_inset_px: float) -> None:
        self._plan, self._inset_px = plan, edge_inset_px
        self._timeline = Timeline(pieces=plan.pieces)
        self._worst, self._worst_s = 0.0, 0.0
        self._looked = 0
        self._masks: dict[int, tuple[FieldSpan, NDArray[np.uint8]]] = {}
        self._fielded = any(has_field(s.fields) for s in plan.sources)

    def look(self, picture: Picture) -> None:
        piece = self._timeline.piece_at_clip(picture.time_s)
        source = self._plan.sources[piece.source]
        planes = picture.planes()
        if not has_field(source.fields) and piece.kind not in ("black", "card"):
            return
        source_s = picture_time(piece, picture.time_s)
        outside = self._outside(
            source.fields, source_s, self._plan.placement(piece.source), planes[0].shape
        )
        if piece.kind in ("black", "card"):
            outside = outside_mask(None, *planes[0].shape)
        if piece.kind == "card":
            left, top, wide, high = card_box(piece.words, *planes[0].shape[::-1])
            pad = high // 2
            rows = slice(max(0, top - pad), top + high + pad)
            outside[rows, max(0, left - pad) : left + wide + pad] = 0
        value = brightest_outside(planes, outside)
        self._looked += 1
        if value > self._worst:
            self._worst, self._worst_s = value, picture.time_s

    def _outside(
        self,
        fields: Sequence[FieldSpan],
        source_s: float,
        placement: Placement,
        shape: tuple[int, ...],
    ) -> NDArray[np.uint8]:
        span = field_at(fields, source_s)
        key = id(span)
        if key not in self._masks:
            here = placement.field(span)
            mask = outside_mask(here, shape[0], shape[1], self._inset_px * placement.scale)
            self._masks[key] = (span, mask)
            if len(self._masks) > 8:
                self._masks.pop(next(iter(self._masks)))
        return self._masks[key][1]

    def check(self) -> Check:
        if not self._fielded:
            return make_check("surround black", "no field, approved by a person", "", "", True)
        unit = "code values" + (f", at {self._worst_s:.1f} s" if self._worst else "")
        passed = self._looked > 0 and self._worst <= SURROUND_LIMIT
        return make_check("surround black", self._worst, SURROUND_LIMIT, unit, passed)
