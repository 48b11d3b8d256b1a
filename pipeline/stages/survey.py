"""Survey: everything that is measured in one source file, from one decode.

The pictures are decoded once; every measure is a fold over them (`stages.measures`). Small
samples of the pictures are spooled to disk, because most measures need the field, which is
known only at the end. Measures, then nothing: no decision is taken here.
"""

from __future__ import annotations

import contextlib
import ctypes
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.masks import given_field as field_as_given
from pipeline.analysis.sound.clicks import overwritten_folds
from pipeline.errors import InputError
from pipeline.media.frame import Picture, reduce_rgb
from pipeline.media.labels import label
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.probe import on_working_picture
from pipeline.media.sound import read_sound, without_channel
from pipeline.media.time_stamps import ReadReport, shift_at
from pipeline.model.field import FieldSpan
from pipeline.model.findings import Findings
from pipeline.model.recording import Recording
from pipeline.model.survey import Damage, Survey, SurveyedRecording
from pipeline.model.time import Span, format_time, merge_spans
from pipeline.stages import measures
from pipeline.stages.intake import SourceFile
from pipeline.stages.measures.measure import Measured, PictureMeasure, Scene
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.spool import Pace, Spool, shrink
from pipeline.store.work import atomic_write

# A change of the documents or of the reading that no measure's own version tells.
_SHAPE = "3"


class Onlooker(Protocol):
    """Is handed every picture of the one decode, for another purpose than to measure."""

    def step(self, picture: Picture) -> None: ...


@dataclass(frozen=True)
class Surveyed:
    """A survey with its series, the recording it was made of and what is decided from it.

    copy: a small redacted copy of the pictures (MP4), or empty once it is saved.
    """

    recording: Recording
    survey: Survey
    series: Mapping[str, NDArray[Any]]
    findings: Findings = field(default_factory=Findings)
    copy: bytes = b""


@dataclass
class _Running:
    """A measure at work."""

    measure: PictureMeasure
    fold: Any
    pace: Pace

    @classmethod
    def start(cls, measure: PictureMeasure, scene: Scene) -> _Running:
        return cls(measure, measure.start(scene), Pace(measure.rate_hz))

    def offer(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        if self.pace.due(time_s):
            self.fold.step(time_s, rgb)


def survey_file(
    source: SourceFile,
    recording: Recording,
    work: Path,
    *,
    given_field: list[float] | None = None,
    narration_channel: int | None = None,
    onlookers: Sequence[Onlooker] = (),
    progress: Progress = no_progress,
) -> Surveyed:
    """Measure one source file. `work`: a folder for temporary files. onlookers: see there.

    Nothing is decided, and nobody looks for lettering and faces. Raises InputError when the
    file cannot be used or is cut short.
    """
    size = recording.width_px, recording.height_px
    early = [_Running.start(m, Scene(*size)) for m in measures.PICTURES if m.finds_field]
    late = [m for m in measures.PICTURES if not m.finds_field]
    rows_px = max(m.rows_px for m in measures.PICTURES)
    small_rows_px, late_pace = max(m.rows_px for m in late), Pace(max(m.rate_hz for m in late))
    watch = measures.READING.start()
    report = ReadReport(watch=watch)
    spool = Spool(work)
    last_told_s = 0.0
    try:
        # Every picture is decoded: one that no other depends on may be damaged too. One
        # thread, because what a decoder complains of belongs to the packet at hand.
        counted = recording.frame_rate_hz >= 20 and not recording.video.interlaced
        for picture in prefetched(read_pictures(source.path, recording, report=report)):
            time_s = picture.time_s
            for onlooker in onlookers:
                onlooker.step(picture)
            due, small = [r for r in early if r.pace.due(time_s)], late_pace.due(time_s)
            if due:
                rgb = reduce_rgb(picture.frame, rows_px, recording.video.matrix)
                for running in due:
                    running.fold.step(time_s, rgb)
                if small:
                    spool.add(time_s, shrink(rgb, small_rows_px))
            elif small:
                rgb = reduce_rgb(picture.frame, small_rows_px, recording.video.matrix)
                spool.add(time_s, rgb)
            if time_s - last_told_s > 1:
                last_told_s = time_s
                progress("survey", time_s, recording.duration_s)
        if not report.frames:
            raise InputError(
                "No picture of the file can be decoded", label(source.path), "copy it again"
            )
        if counted:
            report.count_packets(Fraction(recording.video.time_base), recording.video.start_s)
        recording = recording.model_copy(update={"jumps": report.jumps})
        rate_hz, duration_s = _measured_time(report, recording)
        shift_s = partial(shift_at, recording.jumps)
        found = [measures.READING.result(watch, shift_s, duration_s)]
        harmed: list[Damage] = found[0].survey["damage"]
        warnings = _warnings(recording, report, duration_s, source, harmed)
        if given_field is not None:
            found.append(_given(given_field, recording, duration_s, source))
        else:
            found += [r.measure.result(r.fold, duration_s) for r in early]
        fields: list[FieldSpan] = next(m.survey["field"] for m in found if "field" in m.survey)
        running_late = [_Running.start(m, Scene(*size, fields)) for m in late]
        for time_s, rgb in spool.samples():
            for running in running_late:
                running.offer(time_s, rgb)
        found += [r.measure.result(r.fold, duration_s) for r in running_late]
    finally:
        spool.close()
    sound: tuple[float, float] | None = None
    if recording.audio and not source.still:
        measured, stop_s = _measure_sound(
            source, recording, duration_s, narration_channel, warnings, harmed, progress
        )
        found += measured
        sound = round(recording.audio[0].start_s - recording.video.start_s, 6), round(stop_s, 6)
    _refuse_cut_short(recording, source, duration_s, sound[1] if sound else 0.0)
    progress("survey", 1, 1)
    values: dict[str, Any] = {}
    series: dict[str, NDArray[Any]] = {}
    for one in found:
        values |= one.survey
        series |= one.series
    survey = Survey(
        recording=SurveyedRecording(
            sha256=source.sha256,
            duration_s=duration_s,
            frame_rate_hz=rate_hz,
            width_px=recording.width_px,
            height_px=recording.height_px,
            frames=report.frames,
            variable_rate=report.variable_rate,
            sound_start_s=sound[0] if sound else None,
            sound_stop_s=sound[1] if sound else None,
            warnings=recording.warnings,
        ),
        measured=measures.versions(),
        warnings=warnings,
        **values,
    )
    return Surveyed(recording, survey, series)


def _given(
    given_field: list[float], recording: Recording, duration_s: float, source: SourceFile
) -> Measured:
    """The field that the case gives."""
    size = recording.width_px, recording.height_px
    try:
        span = field_as_given(on_working_picture(given_field, recording), *size, duration_s)
    except ValueError:
        raise InputError(
            "The field given for a recording leaves no picture",
            f"{label(source.path)}: {size[0]}x{size[1]} pixels",
            "mend `field` in the case.toml",
        ) from None
    return Measured(survey={"field": [span]})


def _measured_time(report: ReadReport, recording: Recording) -> tuple[float, float]:
    """Frames per second and duration, measured. The last frame lasts as long as the usual one."""
    if report.frames > 1 and report.last_s > 0:
        rate_hz = (report.frames - 1) / report.last_s
    else:
        rate_hz = recording.frame_rate_hz or 25.0
    return round(rate_hz, 6), round(report.last_s + 1 / rate_hz, 6)


def _refuse_cut_short(
    recording: Recording, source: SourceFile, duration_s: float, sound_s: float
) -> None:
    """Raises InputError if much less was decoded than the header promises.

    sound_s: where the sound ends. What a file says of its whole length may be meant of that.
    """
    promised_s = recording.duration_s
    reached_s = duration_s if recording.video.duration_s else max(duration_s, sound_s)
    if not source.still and reached_s < promised_s - max(1.0, 0.02 * promised_s):
        raise InputError(
            "A file is cut short",
            f"{label(source.path)}: {reached_s:.1f} s of {promised_s:.1f} s can be decoded",
            "copy it again from the recorder",
        )


def _warnings(
    recording: Recording,
    report: ReadReport,
    duration_s: float,
    source: SourceFile,
    harmed: Sequence[Damage],
) -> list[str]:
    """Raises InputError for a photograph that is damaged."""
    said: list[str] = []
    if source.still and harmed:
        raise InputError(
            "A photograph is damaged", f"{label(source.path)}: {harmed[0].sign}", "copy it again"
        )
    said += _told_damage(harmed)
    if report.lost_start_s > 0.1:
        said.append(
            f"the first {report.lost_start_s:.1f} s of a recording cannot be decoded and are"
            " left out"
        )
    for start_s, length_s in report.gaps[:20]:
        said.append(f"the time stamps jump by {length_s:.2f} s at {start_s:.2f} s")
    return said


def _told_damage(harmed: Sequence[Damage]) -> list[str]:
    """Where the picture is damaged, on the recording's axis."""
    spans = [f"{format_time(d.start_s)} to {format_time(d.stop_s)}" for d in harmed]
    if not spans:
        return []
    more = f" and {len(spans) - 10} more places" if len(spans) > 10 else ""
    return [f"the recording is damaged from {', '.join(spans[:10])}{more}: look at these parts"]


def _measure_sound(
    source: SourceFile,
    recording: Recording,
    duration_s: float,
    narration_channel: int | None,
    warnings: list[str],
    harmed: list[Damage],
    progress: Progress,
) -> tuple[list[Measured], float]:
    """The measures of the file's own sound, on the axis of its pictures, and where it ends there.

    What of it could not be read is added to `harmed`.
    """
    running = [(m, m.start()) for m in measures.SOUNDS]
    done = 0
    noisy: list[tuple[float, float]] = []
    # Bytes of PCM that were overwritten are sound to the decoder.
    silent = overwritten_folds(recording.audio[0].codec)
    limit = round(duration_s * 48_000)
    origin_s = recording.video.start_s
    if narration_channel is None:
        blocks = read_sound(
            source.path, origin_s=origin_s, note=warnings, jumps=recording.jumps, damage=noisy
        )
    else:
        blocks = without_channel(
            source.path, origin_s, narration_channel, recording.jumps, damage=noisy
        )
    for block in blocks:
        heard = block[:, : max(0, limit - done)]
        done += block.shape[1]
        if not heard.shape[1]:
            continue  # after the last picture: only its length is told
        for _, fold in running:
            fold.step(heard)
        for _, watch in silent:
            watch.step(heard)
        progress("sound", done / 48_000, duration_s)
    for sign, found in (
        ("cannot be decoded", noisy),
        *((sign, watch.finish()) for sign, watch in silent),
    ):
        harmed += [
            Damage(
                what="sound", start_s=round(a, 6), stop_s=round(min(b, duration_s), 6), sign=sign
            )
            for a, b in merge_spans((Span(*s) for s in found), 0.2)
            if a < duration_s
        ]
    return [m.result(fold) for m, fold in running], done / 48_000


def give_memory_back() -> None:
    """Hands freed memory to the system: glibc would keep what a survey needed at its end.

    Measured: 362 to 219 MB after a survey of ten minutes. Elsewhere it does nothing.
    """
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL("libc.so.6").malloc_trim(0)


def save_survey(surveyed: Surveyed, folder: Path, name: str = "survey") -> tuple[Path, Path]:
    """Write `survey.json`, `findings.json` and `series.npz` (with a number for further sources)."""
    document = folder / f"{name}.json"
    arrays = folder / f"{name.replace('survey', 'series')}.npz"
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **surveyed.series)  # type: ignore[arg-type]
    atomic_write(arrays, buffer.getvalue(), private=True)
    decided = folder / f"{name.replace('survey', 'findings')}.json"
    atomic_write(decided, surveyed.findings.to_json(), private=True)
    atomic_write(document, surveyed.survey.to_json(), private=True)
    return document, arrays


# Series that had another name in files of earlier versions.
RENAMED_SERIES = {"veil_level": "veiling_luminance"}


def load_series(file: Path | io.BytesIO) -> dict[str, NDArray[Any]]:
    """The arrays of a `series.npz`, of whatever version, under the names of today.

    Raises OSError where it cannot be read, ValueError where it is damaged or cut short.
    """
    try:
        with np.load(file, allow_pickle=False) as data:
            return {RENAMED_SERIES.get(key, key): data[key] for key in data.files}
    except OSError:
        raise
    except Exception as wrong:  # what is wrong may end numpy or zipfile wherever they read it
        raise ValueError("what was measured is damaged") from wrong


def survey_key(
    source: SourceFile, given_field: list[float] | None, narration_channel: int | None
) -> str:
    """What kept measures depend on, as a short text: content, their versions, what was said of
    the file. No setting is among it."""
    return json.dumps(
        {
            "sha256": source.sha256,
            "shape": _SHAPE,
            "measures": measures.versions(),
            "field": given_field,
            "still": source.still,
            "narration_channel": narration_channel,
        },
        sort_keys=True,
    )
