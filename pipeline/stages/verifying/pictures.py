"""The pictures of the finished file, one decode for all checks of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.damage import DamageFold
from pipeline.media.frame import Picture
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.time_stamps import ReadReport, seekable
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.model.time import Span
from pipeline.model.timeline import pictures
from pipeline.stages import detectors
from pipeline.stages.damage import ShownDamage
from pipeline.stages.progress import Progress
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.verifying.compare import Compare
from pipeline.stages.verifying.identity import SAMPLE_S
from pipeline.stages.verifying.result import Verified, make_check
from pipeline.stages.verifying.surround import Surround

SAME_S = 0.005  # a picture keeps its time but for the ticks of the file
# Longer played parts are compared with their source in windows of WINDOW_S about every
# EVERY_S, each from a key frame on. In the finished file every picture is counted and all
# are decoded but those that no other depends on.
WHOLE_S, WINDOW_S, EVERY_S = 40.0, 2.5, 15.0


def expected_pictures(
    plan: Plan, media: Sequence[SourceMedia], options: Options, shown: ShownDamage
) -> Iterator[tuple[float, Piece, float, Picture, Blanker]]:
    """(out time, piece, source time, picture, blanker) of the played frames of all windows.

    Reads the sources anew, every picture: which of the finished file are decoded has nothing
    to do with which of the source no other depends on. `shown` is told of damage met.
    """
    for piece in plan.pieces:
        source = plan.sources[piece.source]
        if piece.kind != "play":
            continue
        blanker = Blanker(
            source, plan.width_px, plan.height_px, options.field.edge_inset_px,
            [r for r in plan.redactions if r.source == source.number],
        )  # fmt: skip
        shown_at = pictures(piece)
        here = Span(piece.start_s, shown_at.stop_s)
        whole = here.length_s <= WHOLE_S or not seekable(media[piece.source].recording)
        for window in [here] if whole else _windows(here):
            first_s, last_s = None, window.start_s
            watch = DamageFold()
            for picture in read_pictures(
                media[piece.source].path,
                media[piece.source].recording,
                start_s=window.start_s,
                stop_s=window.stop_s,
                from_key=whole is False,
                size_px=plan.placement(piece.source).picture_px,
                matrix=plan.matrix,
                double_rate=options.output.deinterlace == "double",
                report=ReadReport(watch=watch),
            ):
                first_s = picture.time_s if first_s is None else first_s
                last_s = picture.time_s
                if not whole and picture.time_s > first_s + WINDOW_S:
                    break
                out_s = shown_at.at(picture.time_s)
                if piece.fade_s and out_s < piece.out_start_s + piece.fade_s + SAMPLE_S / 10:
                    continue  # the picture before the cut still shows through
                yield out_s, piece, picture.time_s, picture, blanker
            if first_s is not None:
                seen = Span(max(here.start_s, first_s), last_s + 1e-3)
                shown.read(watch, media[piece.source].recording, piece, seen)


def _windows(span: Span) -> list[Span]:
    """Where a long played part is compared with its source."""
    count = int(np.ceil(span.length_s / EVERY_S)) + 1
    starts = np.linspace(span.start_s, span.stop_s - WINDOW_S, count)
    return [Span(float(s), span.stop_s) for s in starts]


def picture_checks(
    path: Path,
    recording: Recording,
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    result: Verified,
    search: detectors.Feed | None,
    progress: Progress,
) -> list[Check]:
    report = ReadReport()
    surround = Surround(plan, options.field.edge_inset_px)
    compare = Compare(plan, coverage, result)
    damaged = ShownDamage(plan)
    expected = expected_pictures(plan, media, options, damaged)
    wanted = next(expected, None)
    half_s = min(0.5 / max(plan.frame_rate_hz, 1.0), SAME_S)
    next_s = compared_s = 0.0
    reading = read_pictures(
        path, recording, report=report, skip_unreferenced=True, threads=options.machine.threads
    )
    for picture in prefetched(reading):
        if search is not None:
            search.step(picture)
        if picture.time_s + 1e-6 >= next_s:
            next_s = picture.time_s + SAMPLE_S
            surround.look(picture)
            progress("verify", picture.time_s, plan.duration_s)
        while wanted is not None and wanted[0] < picture.time_s - half_s:
            wanted = next(expected, None)  # its picture was left out, or came before a cut
        here = wanted is not None and abs(wanted[0] - picture.time_s) <= half_s
        if wanted is not None and here and picture.time_s + 1e-6 >= compared_s:
            compared_s = picture.time_s + SAMPLE_S
            compare.look(picture, *wanted[1:])
    for _ in expected:
        pass  # what is left of the windows is read for damage too
    return [
        make_check("picture damaged", report.damaged, 0, "packets", report.damaged == 0),
        damaged.check(),
        surround.check(),
        *compare.checks(options),
    ]
