"""The pictures of a clip, composed one after the other and encoded."""

from __future__ import annotations

import math
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.media.pictures import read_pictures
from pipeline.media.write import PictureWriter, planes_of
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.timeline import goes_on
from pipeline.stages.card import draw_card
from pipeline.stages.draft import paint_draft
from pipeline.stages.drawn import draw_caption
from pipeline.stages.placed import mark_boxes
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.rendering.blanking import BLACK, Blanker
from pipeline.stages.rendering.coding import CodePainter
from pipeline.stages.rendering.compared import ComparedCard
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.rendering.painting import ClipPainter
from pipeline.stages.rendering.reading import Reader, piece_pictures
from pipeline.stages.restore import RESTORED_WORDS, Restorer, draw_ink, draw_words, words_box
from pipeline.stages.scale_bar import bar_ink


def render_pictures(
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    target: Path,
    *,
    draft: bool = False,
    damage: list[str] | None = None,
    progress: Progress = no_progress,
) -> tuple[list[tuple[float, float]], int]:
    """Encode the pictures of the plan to `target`.

    damage: gets a sentence for every part in which packets could not be decoded.
    Returns the visibility of the mark as painted (out time, L*) and the frame count.
    """
    width, height = plan.width_px, plan.height_px
    writer = PictureWriter(
        target,
        width // 4 * 2 if draft else width,
        height // 4 * 2 if draft else height,
        plan.frame_rate_hz,
        plan.matrix,
        crf=30 if draft else options.output.crf,
        preset=options.output.x264_preset,
        threads=options.machine.threads,
    )
    visibility: list[tuple[float, float]] = []
    told_s, before_s, keys_s = 0.0, -math.inf, _keys_s(plan)
    try:
        for shown in compose(plan, media, coverage, options, damage):
            if shown.visibility is not None:
                visibility.append((round(shown.time_s, 6), round(shown.visibility, 3)))
            frame = _draft_of(shown.frame, writer, shown.time_s) if draft else shown.frame
            key = any(before_s < at_s - 1e-6 <= shown.time_s for at_s in keys_s)
            before_s = shown.time_s
            writer.write(frame, shown.time_s, key)
            if shown.time_s - told_s > 0.5:
                told_s = shown.time_s
                progress("render", told_s, plan.duration_s)
        writer.close()
    except BaseException:
        writer.abandon()
        raise
    progress("render", 1, 1)
    return visibility, writer.frames


def _keys_s(plan: Plan) -> list[float]:
    """Where a picture of its own begins: the poster, which is then found at once, and each shot.

    Coarsely coded from the one before it, the first picture of a black card kept specks of tissue.
    """
    cuts = [
        piece.out_start_s
        for before, piece in pairwise(plan.pieces)
        if piece.kind != "freeze" and not piece.fade_s and not goes_on(before, piece)
    ]
    return [plan.poster_s, *cuts]


@dataclass(frozen=True)
class Shown:
    """A composed frame at its time in the clip; its visibility where the mark was painted."""

    time_s: float
    frame: Any
    source: int
    source_s: float
    visibility: float | None


def compose(
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    damage: list[str] | None = None,
    read: Reader = read_pictures,
) -> Generator[Shown, None, None]:
    """The frames of the clip before encoding: blanked, redacted, marked yuv420p frames."""
    import av

    width, height = plan.width_px, plan.height_px
    blankers = [
        Blanker(
            s, width, height, options.field.edge_inset_px,
            [r for r in plan.redactions if r.source == s.number],
        )
        for s in plan.sources
    ]  # fmt: skip
    painter, coder = ClipPainter(plan, coverage), CodePainter(plan)
    restorers = [
        Restorer([r for r in plan.restorations if r.source == s.number]) for s in plan.sources
    ]
    marks = mark_boxes(plan, coverage)
    previous: Piece | None = None
    left: list[NDArray[np.uint8]] | None = None  # the last picture before a cut, without mark
    left_field: FieldSpan | None = None
    for piece in plan.pieces:
        place = plan.placement(piece.source)
        blanker = blankers[piece.source]
        joined = goes_on(previous, piece)
        if not joined:
            painter.new_shot()
        first = True
        card: ComparedCard | None = None
        fading = left if piece.fade_s else None
        left = None
        leaves = _fades_next(plan, piece)
        late_s = piece.start_s + (piece.length_s - 0.5 if piece.kind == "play" else -1.0)
        for time_s, picture in piece_pictures(piece, plan, media, options, damage, read):
            frame = av.VideoFrame(width, height, "yuv420p")
            planes = planes_of(frame)
            # A held picture is blanked for the moment that the plan chose.
            source_s = picture.time_s if picture and piece.kind == "play" else piece.start_s
            seen = None
            if picture is None or piece.kind == "black":
                for plane, level in zip(planes, BLACK, strict=True):
                    plane[:] = level
                if piece.compared:
                    if card is None:
                        card = ComparedCard(plan, piece, media, coverage, options, painter.shot,
                                            read)  # fmt: skip
                    card.draw(planes, time_s)
                elif piece.kind == "card":
                    draw_card(planes, piece.words)
            else:
                blanker.copy(picture.planes(), planes, source_s)
                if picture.time_s != source_s:
                    blanker.cover(planes, picture.time_s)  # a held picture's own boxes
                if blanker.lit(source_s):
                    span = place.field(blanker.field(source_s))
                    restored = restorers[piece.source].apply(planes, source_s)
                    blanker.match(planes, source_s, plan.matrix)
                    share = 1 - (time_s - piece.out_start_s) / max(piece.fade_s, 1e-6)
                    faded = share > 0 and left_field == span
                    if fading is not None and faded:
                        _blend(planes, fading, share)
                    if leaves and source_s > late_s:
                        left, left_field = [p.copy() for p in planes], span
                    coded = coder.paint(planes[0], span, time_s, piece.source, blanker.lit_mask)
                    if coded and (fading is None or not faded):
                        blanker.cover(planes, source_s)
                        blanker.cover(planes, picture.time_s)
                    cut = first and not joined
                    seen = painter.paint(span, planes, time_s, cut, piece.source, source_s)
                    if restored:
                        box = words_box(span, width, height, marks)
                        draw_words(planes, RESTORED_WORDS, box)
            if piece.scale_bar is not None:
                draw_ink(planes, bar_ink(piece.scale_bar), *piece.scale_bar.box_px[:2])
            first = False
            if plan.drawn is not None and piece.kind != "card":
                draw_caption(planes, plan.drawn, time_s, options.captions.font)
            yield Shown(time_s, frame, piece.source, source_s, seen)
        previous = piece


def _fades_next(plan: Plan, piece: Piece) -> bool:
    """True if the piece after this one fades over its last picture."""
    number = next(n for n, p in enumerate(plan.pieces) if p is piece)
    return number + 1 < len(plan.pieces) and plan.pieces[number + 1].fade_s > 0


def _blend(
    planes: Sequence[NDArray[np.uint8]], before: Sequence[NDArray[np.uint8]], share: float
) -> None:
    """`share` (0..1) of the picture before, in place."""
    import cv2

    for plane, old in zip(planes, before, strict=True):
        cv2.addWeighted(old, share, plane, 1 - share, 0, plane)


def _draft_of(frame: Any, writer: PictureWriter, time_s: float) -> Any:
    small = frame.reformat(width=writer.width_px, height=writer.height_px, format="yuv420p")
    small.make_writable()
    paint_draft(planes_of(small)[0], time_s)
    return small
