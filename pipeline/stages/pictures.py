"""Redacted still pictures for reports: blanked like a release, without a mark."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.media.frame import jpeg
from pipeline.media.pictures import read_pictures
from pipeline.media.write import planes_of
from pipeline.model.field import FieldSpan
from pipeline.model.placement import Placement
from pipeline.stages.planning.picture import planned_source
from pipeline.stages.proxy import found_redactions
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.values import CaseResult

ROWS_PX = 360


def redacted_jpegs(
    run: CaseResult,
    number: int,
    times_s: Sequence[float],
    rows_px: int = ROWS_PX,
) -> list[tuple[float, bytes, FieldSpan]]:
    """(time, JPEG, field in full-size pixels) of source `number` at about these times.

    Everything outside the field and every found box is black. Times without a decodable
    picture are left out.
    """
    import av

    surveyed, media = run.surveyed[number], run.media[number]
    recording = media.recording
    size = recording.width_px, recording.height_px
    source = planned_source(
        number, surveyed.recording, surveyed.survey, media.still, 0, run.options,
        Placement(size, size),
    )  # fmt: skip
    redactions = found_redactions(surveyed.survey, number)
    if run.plan is not None:
        redactions = [r for r in run.plan.redactions if r.source == number]
    blanker = Blanker(
        source, recording.width_px, recording.height_px, run.options.field.edge_inset_px, redactions
    )
    out = []
    for time_s in times_s:
        step_s = 1 / max(surveyed.survey.recording.frame_rate_hz, 1.0)
        picture = next(
            iter(read_pictures(media.path, recording, start_s=max(0.0, time_s - step_s))),
            None,
        )
        if picture is None:
            continue
        frame = av.VideoFrame(recording.width_px, recording.height_px, "yuv420p")
        blanker.copy(picture.planes(), planes_of(frame), picture.time_s)
        out.append(
            (picture.time_s, jpeg(frame, rows_px, recording.video.matrix),
             blanker.field(picture.time_s))
        )  # fmt: skip
    return out
