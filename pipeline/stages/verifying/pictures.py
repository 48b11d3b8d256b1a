"""The pictures of the finished file, one decode for all checks of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.media.container import open_media
from pipeline.media.frame import Picture
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.time_stamps import ReadReport
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.stages.damage import ShownDamage
from pipeline.stages.progress import Progress
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.captioned import Captioned
from pipeline.stages.verifying.coding import coarseness
from pipeline.stages.verifying.compare import Compare
from pipeline.stages.verifying.compared import ComparedCards
from pipeline.stages.verifying.expected import ExpectedPictures
from pipeline.stages.verifying.moments import times_check
from pipeline.stages.verifying.result import Verifying, make_check
from pipeline.stages.verifying.surround import Boxes, Surround
from pipeline.stages.verifying.throughout import Series, Throughout

_TOLD_S = 0.5
Onlooker = Callable[[Picture], None]


def picture_checks(
    path: Path,
    recording: Recording,
    plan: Plan,
    media: Sequence[SourceMedia] | None,
    coverage: NDArray[np.float32],
    options: Options,
    result: Verifying,
    onlookers: Sequence[Onlooker],
    progress: Progress,
    series: Sequence[Series] | None = None,
) -> list[Check]:
    """media: the recordings; None where they are not here: what needs them is not checked.
    series: of each, as the survey measured it; None where that is not kept.

    onlookers: are handed every picture of the one decode, for another purpose.
    """
    report = ReadReport()
    coarse = coarseness(options.output.crf)
    surround = Surround(plan, options.field.edge_inset_px, coarse)
    compare = Compare(plan, coverage, result, options.output.crf)
    boxes = Boxes(plan, compare.ink, coarse)
    captioned = None
    if plan.drawn is not None:
        captioned = Captioned(plan, plan.drawn, options.captions.font, coarse)
    damaged = ShownDamage(plan)
    expected = None if media is None else ExpectedPictures(plan, media, options, damaged)
    compared = None
    if media is not None:
        compared = ComparedCards(plan, media, coverage, options)
    throughout = None
    kept = series is not None and all("tiles" in s for s in series)
    if series is not None and kept and (expected is None or expected.in_windows):
        throughout = Throughout(plan, series, options.field.edge_inset_px, compare.near_strokes,
                                coarse)  # fmt: skip
    told_s = 0.0
    reading_file = read_pictures(
        path, recording, report=report, threads=options.machine.threads,
        size_px=(plan.width_px, plan.height_px),
    )  # fmt: skip
    for picture in prefetched(reading_file):
        for onlooker in onlookers:
            onlooker(picture)
        time_s, shown = picture.time_s, picture.planes()
        surround.look(time_s, shown)
        boxes.look(time_s, shown)
        if captioned is not None:
            captioned.look(time_s, shown)
        wanted = expected.at(time_s) if expected is not None else None
        if wanted is not None:
            compare.look(time_s, wanted, shown, picture.between)
        elif (piece := plan.pieces[number := reading.piece_number(plan, time_s)]).compared:
            if compared is not None:
                compared.look(number, time_s, shown)
        elif piece.kind == "card":
            compare.card(time_s, shown)
        elif piece.kind == "play":
            if throughout is not None:
                throughout.look(picture)
            if expected is not None and not picture.between:
                compare.alone(time_s, shown)
        if time_s >= told_s:
            told_s = time_s + _TOLD_S
            progress("verify", time_s, plan.duration_s)
    whole = make_check("picture damaged", report.damaged, 0, "packets", report.damaged == 0)
    black = [*surround.checks(), *boxes.checks()]
    if captioned is not None:
        black += captioned.checks(surround.under_captions_px)
    black += [throughout.check()] if throughout is not None else []
    if expected is None:
        return [whole, *black, *compare.card_checks()]
    expected.finish()
    stamps_s = _stamps_s(path, recording, report)
    return [
        whole,
        damaged.check(),
        *black,
        times_check(plan, stamps_s, expected.times, expected.parts),
        *compare.checks(),
        *(compared.checks() if compared is not None else []),
    ]


def _stamps_s(path: Path, recording: Recording, report: ReadReport) -> list[float]:
    """Times of all packets of pictures, decoded or not."""
    with closing(open_media(path)) as container:
        base = container.streams.video[0].time_base
    return [float(stamp * base) - recording.video.start_s for stamp in report.packets]
