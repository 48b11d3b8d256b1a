"""Lettering and faces left in the finished picture."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.identity.overlays import DOUBTED
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.model.survey import Face, Lettering
from pipeline.model.time import Span, merge_spans, subtract_spans, times
from pipeline.model.timeline import Timeline
from pipeline.stages import detectors
from pipeline.stages.judged import beside, judged
from pipeline.stages.placed import mark_boxes, out_fields, words_boxes
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
    )


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
