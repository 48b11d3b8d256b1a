"""One white balance and exposure for all recordings: a constant gain of each, by medians. Pure.

The median of red, green and blue over clear tissue is brought to the geometric mean of those of
all recordings, so that each moves as little as it can. A gain of the coded values: where
the transfer is a power of light, that is a gain of the light too (von Kries, per channel).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.masks import field_mask
from pipeline.analysis.tiles import TILES
from pipeline.model.field import FieldSpan, field_at
from pipeline.model.plan import Edit, Piece, PlannedSource
from pipeline.stages.clear_picture import OUTSIDE, Clearness, in_event
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.picture import has_field

Gain = tuple[float, float, float]
MOST = 2.0  # a recording further off than that is not of the same light, and is said
_DARKEST, _BRIGHTEST = 40, 230  # 8 bits: shadow and glints are no tissue
_LEAST_TILES = 200
_ACROSS_PX = 240  # of the mask of a field
_RIM_PX = 8.0  # of the source: there the picture is dim
_LIT = 0.99


def matched_sources(
    sources: Sequence[SourceInput],
    planned: Sequence[PlannedSource],
    pieces: Sequence[Piece],
    clearness: Mapping[int, Clearness],
    edits: Sequence[Edit],
    warnings: list[str],
) -> list[PlannedSource]:
    """The sources with their gains; photographs, and what cannot be matched, as they are."""
    seen: dict[int, list[NDArray[np.uint8]]] = {}
    for number, source in enumerate(sources):
        if not source.still:
            own = [p for p in pieces if p.source == number and p.kind == "play"]
            tissue = _tissue(source, planned[number], own, clearness[number], edits)
            seen.setdefault(source.recording_index, []).append(tissue)
    known = {k: np.concatenate(v) for k, v in seen.items()}
    medians = {k: np.median(v, axis=0) for k, v in known.items() if len(v) >= _LEAST_TILES}
    if len(medians) < 2:
        warnings.append("colour is not matched: clear tissue is seen in fewer than two recordings")
        return list(planned)
    target = np.exp(np.mean([np.log(m) for m in medians.values()], axis=0))
    gains = {k: target / m for k, m in medians.items()}
    far = [k for k, g in gains.items() if g.max() > MOST or g.min() < 1 / MOST]
    if far:
        warnings.append(f"colour is not matched: recording {far[0] + 1} is too far from the others")
        return list(planned)
    out = []
    for source, one in zip(sources, planned, strict=True):
        gain = gains.get(source.recording_index)
        if gain is not None and not source.still:
            red, green, blue = (round(float(g), 4) for g in gain)
            one = one.model_copy(update={"gain": (red, green, blue)})
        out.append(one)
    warnings += [f"colour and exposure matched: {line}" for line in gain_lines(out)]
    return out


def gain_lines(planned: Sequence[PlannedSource]) -> list[str]:
    """What was done to each recording, in a sentence."""
    gains = {s.recording: s.gain for s in planned if s.matched}
    return [
        f"recording {k + 1}: red x {r:.2f}, green x {g:.2f}, blue x {b:.2f}"
        for k, (r, g, b) in gains.items()
    ]


def _tissue(
    source: SourceInput,
    planned: PlannedSource,
    pieces: Sequence[Piece],
    clearness: Clearness,
    edits: Sequence[Edit],
) -> NDArray[np.uint8]:
    """RGB of tiles that show clear tissue in what is played, (tile, 3)."""
    found: list[NDArray[np.uint8]] = []
    masks: dict[int, NDArray[np.bool_]] = {}
    fielded = has_field(planned.fields)
    times = source.series.get("tiles_time_s", np.zeros(0))
    for time_s, tiles in zip(times, source.series.get("tiles", ()), strict=True):
        shown = any(p.start_s <= time_s < p.start_s + p.length_s for p in pieces)
        disturbed = in_event(edits, planned.number, float(time_s))
        outside = fielded and clearness.at(float(time_s))[0] == OUTSIDE
        if not shown or disturbed or outside:
            continue
        span = field_at(planned.fields, float(time_s))
        if id(span) not in masks:
            masks[id(span)] = _wholly_lit(planned, span)
        most = tiles.max(axis=2)
        found.append(tiles[masks[id(span)] & (most >= _DARKEST) & (most <= _BRIGHTEST)])
    return np.concatenate(found) if found else np.zeros((0, 3), np.uint8)


def _wholly_lit(planned: PlannedSource, span: FieldSpan) -> NDArray[np.bool_]:
    """(row, col) of the tiles that lie in the field."""
    import cv2

    if span.shape == "none" and has_field(planned.fields):
        return np.zeros(TILES, bool)
    scale = _ACROSS_PX / planned.width_px
    lit = field_mask(
        span, max(TILES[0], round(planned.height_px * scale)), _ACROSS_PX, inset_px=_RIM_PX,
        scale=scale,
    )  # fmt: skip
    share = cv2.resize(lit, TILES[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(share >= 255 * _LIT, bool)
