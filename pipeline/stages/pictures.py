"""Redacted still pictures for reports: blanked like a release, without a mark."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pipeline.media.frame import Picture, jpeg
from pipeline.media.pictures import read_pictures
from pipeline.media.write import planes_of
from pipeline.model.field import FieldSpan
from pipeline.model.placement import Placement
from pipeline.model.time import merge_spans
from pipeline.stages.planning.picture import planned_source
from pipeline.stages.proxy import found_redactions
from pipeline.stages.rendering.blanking import Blanker
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.values import CaseResult

ROWS_PX = 360
_NEAR_S = 4.0  # a reading goes on to the next moment; further on a new one seeks its key frame
_AROUND_S = 1.0  # of a moment: every picture is decoded there


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
    step_s = 1 / max(surveyed.survey.recording.frame_rate_hz, 1.0)
    for picture in _pictures_at(media, [max(0.0, t - step_s) for t in times_s]):
        frame = av.VideoFrame(recording.width_px, recording.height_px, "yuv420p")
        blanker.copy(picture.planes(), planes_of(frame), picture.time_s)
        out.append(
            (picture.time_s, jpeg(frame, rows_px, recording.video.matrix),
             blanker.field(picture.time_s))
        )  # fmt: skip
    return out


def _pictures_at(media: SourceMedia, times_s: Sequence[float]) -> Iterator[Picture]:
    """The first picture from each moment on, where there is one. Times that rise by little are
    read in one go; on the way pictures that no other depends on are left out."""
    recording = media.recording
    sparse = recording.frame_rate_hz >= 20 and not (recording.video.interlaced or recording.jumps)
    groups: list[list[float]] = []
    for time_s in times_s:
        if not groups or not 0 <= time_s - groups[-1][-1] <= _NEAR_S:
            groups.append([])
        groups[-1].append(time_s)
    for group in groups:
        near = merge_spans((t - _AROUND_S, t + _AROUND_S) for t in group)
        reading = read_pictures(media.path, recording, start_s=group[0], whole=near,
                                skip_unreferenced=sparse)  # fmt: skip
        picture = next(reading, None)
        for time_s in group:
            while picture is not None and picture.time_s < time_s - 1e-9:
                picture = next(reading, None)
            if picture is not None:
                yield picture
