"""Where each source lies in the output picture, and the field it is blanked with."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
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
    from pipeline.analysis.field.track import safest_span

    believed: list[FieldSpan] = []
    for span in survey.field:
        if span.confidence >= options.field.sure or span.shape == "none":
            believed.append(span)
        else:
            safe = safest_span([span])
            believed.append(
                safe.model_copy(update={"start_s": span.start_s, "stop_s": span.stop_s})
            )
    scale = min(width_px / recording.width_px, height_px / recording.height_px)
    x_px = (width_px - recording.width_px * scale) / 2
    y_px = (height_px - recording.height_px * scale) / 2
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
        moved=(scale, x_px // 2 * 2, y_px // 2 * 2),
    )


def has_field(fields: Sequence[FieldSpan]) -> bool:
    """True if the recording shows a scope field at any time."""
    return any(f.shape != "none" for f in fields)


def moved_field(span: FieldSpan, moved: tuple[float, float, float]) -> FieldSpan:
    """The field in pixels of the output picture."""
    scale, dx, dy = moved
    if moved == (1.0, 0.0, 0.0):
        return span
    return span.model_copy(
        update={
            "center_x_px": span.center_x_px * scale + dx,
            "center_y_px": span.center_y_px * scale + dy,
            "radius_px": span.radius_px * scale,
            "left_px": span.left_px * scale + dx,
            "right_px": span.right_px * scale + dx,
            "top_px": span.top_px * scale + dy,
            "bottom_px": span.bottom_px * scale + dy,
            "outline_px": None
            if span.outline_px is None
            else [(x * scale + dx, y * scale + dy) for x, y in span.outline_px],
        }
    )


def moved_box(
    box: tuple[int, int, int, int], moved: tuple[float, float, float]
) -> tuple[float, float, float, float]:
    scale, dx, dy = moved
    x, y, w, h = box
    return x * scale + dx, y * scale + dy, w * scale, h * scale
