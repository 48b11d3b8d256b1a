"""Lettering and faces left in the finished picture."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.identity.letter_placed import STEP_S, Place
from pipeline.analysis.identity.overlays import DOUBTED
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.model.survey import Face, Lettering
from pipeline.model.time import Span, merge_spans, subtract_spans, times
from pipeline.model.timeline import Timeline
from pipeline.stages import detectors
from pipeline.stages.judged import beside, judged
from pipeline.stages.placed import mark_boxes, out_fields, words_boxes
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.marked import Marked
from pipeline.stages.verifying.result import Verifying, make_check

SAMPLE_S = 0.5


def search_of(
    recording: Recording, plan: Plan, coverage: NDArray[np.float32], options: Options
) -> detectors.Feed | None:
    """Lettering and faces in the finished file, looked for more densely than by the survey."""
    wanted = options.anonymity
    if not detectors.wanted(wanted):
        return None
    boxes = mark_boxes(plan, coverage)
    return detectors.Feed(
        recording,
        out_fields(plan),
        wanted,
        samples_per_s=wanted.verify_samples_per_s,
        ignore=[*boxes, *words_boxes(plan, boxes)],
        stop_s=plan.duration_s,
        placed=list(placed_marks(plan, coverage)),
    )


def placed_marks(plan: Plan, coverage: NDArray[np.float32]) -> Iterator[Place]:
    """Where the plan has the marks, moment by moment, in pixels of the finished clip."""
    if plan.mark is None:
        return
    marked, aspect = Marked(plan, coverage), coverage.shape[-1] / coverage.shape[-2]
    # Its strokes are moved about by so much at most, and coding blurs them a little.
    pad = 3 * plan.mark.warp_px * plan.height_px / 1080 + 2
    for piece, start_s, stop_s in _shown(plan):
        source_s = reading.source_time(piece, (start_s + stop_s) / 2)
        shown = [(c.source, c.start_s, c.moved) for c in piece.compared] or [
            (piece.source, source_s, plan.sources[piece.source].moved)
        ]
        for number, source_s, moved in shown:
            source = plan.sources[number].model_copy(update={"moved": moved})
            field = reading.in_clip(source, reading.field_of(source, source_s))
            r_px = field.radius_px
            for p in marked.places(number, source_s):
                wide_px = p.width_ratio * r_px
                yield Place(
                    start_s, stop_s, field.center_x_px + p.x * r_px, field.center_y_px + p.y * r_px,
                    wide_px + 2 * pad, wide_px / aspect + 2 * pad, p.angle_deg,
                )  # fmt: skip


def _shown(plan: Plan) -> Iterator[tuple[Piece, float, float]]:
    """Pieces with a mark, in steps of the clip; one that fades out is there a little longer."""
    for piece, after in zip(plan.pieces, [*plan.pieces[1:], None], strict=True):
        if piece.kind not in ("play", "freeze") and not piece.compared:
            continue
        longer_s = piece.length_s + (after.fade_s if after is not None else 0.0)
        steps = max(1, math.ceil(longer_s / STEP_S - 1e-6))
        for start_s in (piece.out_start_s + STEP_S * k for k in range(steps)):
            yield piece, start_s, start_s + STEP_S


def identity_checks(
    search: detectors.Feed, plan: Plan, options: Options, result: Verifying
) -> list[Check]:
    """What was found in the pictures handed over, without what a person let through."""
    wanted = options.anonymity
    letters, faces = search.finish()
    letters = [x for x in letters if not let_through(plan, "lettering", x)]
    doubted = merge_spans((x.start_s, x.stop_s) for x in letters if x.confidence <= DOUBTED)
    if doubted:
        result.told.append(
            f"in the finished clip something looks a little like lettering at {times(doubted)}:"
            " look there"
        )
    letters = [x for x in letters if x.confidence > DOUBTED]
    faces = [x for x in faces if not let_through(plan, "face", x)]
    result.missed = [*letters, *faces]
    checks = []
    if wanted.lettering and detectors.text_available():
        at = f", first at {letters[0].start_s:.1f} s" if letters else ""
        said = beside(len(letters), judged(plan.overruled, "lettering"))
        checks.append(make_check("lettering in the picture", said, 0, "places" + at, not letters))
    if wanted.faces:
        at = f", first at {faces[0].start_s:.1f} s" if faces else ""
        said = beside(len(faces), judged(plan.overruled, "face"))
        checks.append(make_check("faces in the picture", said, 0, "spans" + at, not faces))
    return checks


def let_through(plan: Plan, what: str, found: Lettering | Face) -> bool:
    """True if a person rejected exactly this: the box holds its middle, all of the time."""
    x = found.box_px[0] + found.box_px[2] / 2
    y = found.box_px[1] + found.box_px[3] / 2
    timeline = Timeline(pieces=plan.pieces)
    shown: list[Span] = []
    for r in plan.overruled:
        if r.what != what or r.box_px is None:
            continue
        left, top, wide, high = plan.placement(r.source).box(r.box_px)
        if 0 <= x - left <= wide and 0 <= y - top <= high:
            shown += timeline.clip_of_source(r.source, [(r.start_s, r.stop_s)])
    # Seen between two samples of the finished file: the ends lie up to a sample outside.
    reach = [(s.start_s - SAMPLE_S, s.stop_s + SAMPLE_S) for s in shown]
    return not subtract_spans([(found.start_s, found.stop_s)], reach)
