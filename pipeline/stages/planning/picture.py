"""Where each source lies in the output picture, and the field it is blanked with."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.analysis.field.masks import safest_span
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.placement import Box, Placement
from pipeline.model.plan import PlannedSource
from pipeline.model.recording import Recording
from pipeline.model.survey import Survey
from pipeline.stages.planning.captioned import NATIVE, enlarged, off_captions

Size = tuple[int, int]
_ASPECTS = {"16:9": 16 / 9, "1:1": 1.0, "9:16": 9 / 16}


def output_size(
    recording: Recording, survey: Survey, options: Options, captions: bool = False
) -> Size:
    """(width, height) of the clip, from its first recording and the field of that.

    captions: room is left for them.
    """
    limit = options.output.max_height_px
    aspect = _ASPECTS.get(options.form.aspect)
    width, height = float(recording.width_px), float(recording.height_px)
    if aspect is not None:
        _, _, wide, high = _shown_box(recording, believed_fields(survey, options), options)
        width = max(wide, high * aspect)
        if captions:
            width = enlarged(width, high, aspect, options)
        height = width / aspect
    if height <= limit:
        return _even(width), _even(height)
    return _even(width * limit / height), limit // 2 * 2


def _even(length_px: float) -> int:
    return max(2, round(length_px / 2) * 2)


def _shown_box(recording: Recording, fields: Sequence[FieldSpan], options: Options) -> Box:
    """(x, y, width, height) of what a form is cut around: the field wherever it goes, with its
    margin; the whole picture where there is none."""
    x, y, wide, high = field_box(recording, fields)
    pad = options.form.margin_ratio * max(wide, high) if has_field(fields) else 0.0
    return x - pad, y - pad, wide + 2 * pad, high + 2 * pad


def field_box(recording: Recording | PlannedSource, fields: Sequence[FieldSpan]) -> Box:
    """(x, y, width, height) of the field wherever it goes; the whole picture without one."""
    boxes = [f.lit_box for f in fields if f.shape != "none"]
    if not boxes:
        return 0.0, 0.0, recording.width_px, recording.height_px
    left, top, right, bottom = zip(*boxes, strict=True)
    x, y = min(left), min(top)
    return x, y, max(right) - x, max(bottom) - y


def placed(
    recording: Recording, survey: Survey, options: Options, size: Size, captions: bool = False
) -> Placement:
    """Where the picture of a recording lies in the clip's.

    In the shape of the source: all of it, as large as it fits. In another form: the field in
    the middle, as large as it fits, whatever its size was, so that sides can be compared.
    captions: it is moved off them. Raises UsageError where they have no room.
    """
    base = _placed(recording, survey, options, size)
    if not captions:
        return base
    fields = believed_fields(survey, options)
    form = options.form.aspect != "source"
    high_px = _shown_box(recording, fields, options)[3] if form else None
    return off_captions(base, field_box(recording, fields), options, high_px)


def _placed(recording: Recording, survey: Survey, options: Options, size: Size) -> Placement:
    source = recording.width_px, recording.height_px
    if options.form.aspect == "source":
        return Placement.fitted(source, size)
    left, top, wide, high = _shown_box(recording, believed_fields(survey, options), options)
    scale = min(size[0] / wide, size[1] / high)
    if abs(scale - 1) < NATIVE:
        scale = 1.0
    offset = [
        2.0 * round((whole / 2 - scale * (at + length / 2)) / 2)
        for whole, at, length in ((size[0], left, wide), (size[1], top, high))
    ]
    return Placement(source, size, scale, (offset[0], offset[1]))


def planned_source(
    number: int,
    recording: Recording,
    survey: Survey,
    still: bool,
    recording_index: int,
    options: Options,
    placement: Placement,
) -> PlannedSource:
    """A source as it will be blanked, in a picture in which it lies as `placement` says."""
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
        fields=believed_fields(survey, options),
        moved=(placement.scale, *placement.offset_px),
    )


def believed_fields(survey: Survey, options: Options) -> list[FieldSpan]:
    """The field as it is acted on: one that is not sure is replaced by the safest one."""
    believed: list[FieldSpan] = []
    for span in survey.field:
        if span.confidence >= options.field.sure or span.shape == "none":
            believed.append(span)
        else:
            safe = safest_span([span])
            believed.append(
                safe.model_copy(update={"start_s": span.start_s, "stop_s": span.stop_s})
            )
    return believed


def has_field(fields: Sequence[FieldSpan]) -> bool:
    """True if the recording shows a scope field at any time."""
    return any(f.shape != "none" for f in fields)
