"""Where each source lies in the output picture, and the field it is blanked with."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.analysis.field.track import safest_span
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.placement import Placement
from pipeline.model.plan import PlannedSource
from pipeline.model.recording import Recording
from pipeline.model.survey import Survey


def output_size(recording: Recording, options: Options) -> tuple[int, int]:
    width, height = recording.width_px, recording.height_px
    limit = options.output.max_height_px
    if height > limit:
        width, height = max(2, round(width * limit / height / 2) * 2), limit // 2 * 2
    return width, height


def planned_source(
    number: int,
    recording: Recording,
    survey: Survey,
    still: bool,
    recording_index: int,
    options: Options,
    width_px: int,
    height_px: int,
) -> PlannedSource:
    """A source as it will be blanked and placed in a picture of width_px x height_px.

    A field that is not sure is replaced by the safest one.
    """
    believed: list[FieldSpan] = []
    for span in survey.field:
        if span.confidence >= options.field.sure or span.shape == "none":
            believed.append(span)
        else:
            safe = safest_span([span])
            believed.append(
                safe.model_copy(update={"start_s": span.start_s, "stop_s": span.stop_s})
            )
    placement = Placement.fitted((recording.width_px, recording.height_px), (width_px, height_px))
    return PlannedSource(
        number=number,
        sha256=survey.recording.sha256,
        recording=recording_index,
        still=still,
        duration_s=survey.recording.duration_s,
        width_px=recording.width_px,
        height_px=recording.height_px,
        frame_rate_hz=survey.recording.frame_rate_hz,
        has_sound=bool(recording.audio) and not still,
        fields=believed,
        moved=(placement.scale, *placement.offset_px),
    )


def has_field(fields: Sequence[FieldSpan]) -> bool:
    """True if the recording shows a scope field at any time."""
    return any(f.shape != "none" for f in fields)
