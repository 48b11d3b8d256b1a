"""A short loop without sound from a released clip: for where a clip is offered, beside a poster.

Its pictures are those of the released file, coded once more; nothing is shown that the clip
does not show. It is read back before it is put beside the clip.
"""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import NeedsPerson
from pipeline.media.frame import plane_view
from pipeline.media.write import PictureWriter, finish
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.time import Span, round_s
from pipeline.stages.released import ReleasedClip
from pipeline.stages.verifying.coding import coarseness
from pipeline.stages.verifying.preview import pictures_in, preview_checks
from pipeline.stages.verifying.surround import Surround
from pipeline.store.work import atomic_path, temp_path

PREVIEW_S, LEAST_S = 5.0, 1.0


def preview_span(plan: Plan) -> Span | None:
    """Clip time of the loop: about the poster's picture, of one piece that plays, no fade.

    None where less than a second of the case plays there.
    """
    for piece in plan.pieces:
        start_s, stop_s = piece.out_start_s + piece.fade_s, piece.out_start_s + piece.length_s
        if piece.kind == "play" and piece.out_start_s <= plan.poster_s < stop_s:
            if stop_s - start_s < LEAST_S:
                return None
            first_s = min(max(plan.poster_s - PREVIEW_S / 2, start_s), stop_s - PREVIEW_S)
            first_s = max(first_s, start_s)
            return Span(round_s(first_s), round_s(min(first_s + PREVIEW_S, stop_s)))
    return None


def make_preview(released: ReleasedClip, options: Options) -> tuple[Path, Span] | None:
    """Write `-preview.mp4` beside the clip; its path and the part of the clip that it shows.

    None where the clip has no part for it. Raises OutputError, and NeedsPerson where a check
    of it does not pass: then nothing is written.
    """
    plan = released.clip.plan
    span = preview_span(plan)
    if span is None:
        return None
    target = released.beside("-preview.mp4")
    with atomic_path(target) as temp:
        raw = temp_path(temp.with_suffix(".raw.mp4"))
        try:
            _encode(released.file, plan, span, options, raw)
            finish(raw, None, temp, end_s=span.length_s, matrix=plan.matrix, work=temp.parent)
        finally:
            raw.unlink(missing_ok=True)
        coarse = coarseness(options.output.crf)
        surround = Surround(plan, options.field.edge_inset_px, coarse)
        checks = preview_checks(temp, released.file, span, coarse, surround)
        failed = [c for c in checks if not c.passed]
        if failed:
            raise NeedsPerson("The preview is withheld: a check of it did not pass",
                              f"{failed[0].check}: {failed[0].measured} {failed[0].unit}".strip(),
                              "make the clip again", code="check")  # fmt: skip
    return target, span


def _encode(file: Path, plan: Plan, span: Span, options: Options, target: Path) -> None:
    writer = PictureWriter(
        target, plan.width_px, plan.height_px, plan.frame_rate_hz, plan.matrix,
        crf=options.output.crf, preset=options.output.x264_preset,
        threads=options.machine.threads,
    )  # fmt: skip
    try:
        first_s: float | None = None
        for picture in pictures_in(file, span):
            first_s = picture.time_s if first_s is None else first_s
            frame = writer.new_frame()
            for plane, read in zip(frame.planes, picture.planes(), strict=True):
                plane_view(plane)[:] = read
            writer.write(frame, picture.time_s - first_s)
        writer.close()
    except BaseException:
        writer.abandon()
        raise
