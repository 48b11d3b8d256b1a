"""Survey: everything that is measured in one source file, from one decode.

The pictures are decoded once; every measure is a fold over them (a
streaming accumulator: `step` takes a picture, `finish` gives the result). Small samples
of the pictures are spooled to disk, because the lens measures need the field,
which is known only at the end. Measures, then nothing: no decision is taken here.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import struct
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.events import find_events
from pipeline.errors import InputError
from pipeline.media.frame import reduce_rgb
from pipeline.media.guard import probe_apart
from pipeline.media.labels import label
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.probe import on_working_picture
from pipeline.media.sound import read_sound, without_channel
from pipeline.media.time_stamps import ReadReport, shift_at
from pipeline.model.document import Document
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.recording import Recording
from pipeline.model.survey import (
    Damage,
    Event,
    Face,
    Lettering,
    Speech,
    Survey,
    SurveyedRecording,
    TrackLoudness,
)
from pipeline.model.time import Span, format_time, merge_spans
from pipeline.stages.intake import SourceFile
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.proxy import COARSE_RATE_HZ, CoarseProxy
from pipeline.store.cache import Cache

if TYPE_CHECKING:
    from pipeline.stages.detectors import Feed

# One version a measure: raise it when its numbers change, so that caches lapse.
MEASURES = {"read": "4", "field": "4", "lens": "4", "sound": "3", "activity": "1", "prints": "1"}
DETECTORS = {"lettering": "3", "faces": "2"}
_NOT_LOOKED = "lettering in the field was not looked for: rapidocr is not installed"


@dataclass
class Surveyed:
    """A survey with its series and the recording it was made of.

    proxy: a small redacted copy of the pictures (MP4) until it is saved, then empty.
    outdated: copies made before must not be shown any more.
    """

    recording: Recording
    survey: Survey
    series: dict[str, NDArray[Any]]
    proxy: bytes = b""
    outdated: bool = False


class Spool:
    """Small pictures on disk, in order, uncompressed, with time stamps. Flat in memory."""

    def __init__(self, folder: Path) -> None:
        self._file = tempfile.TemporaryFile(dir=folder)  # noqa: SIM115 - closed by close()
        self.count = 0
        self._shape: tuple[int, ...] | None = None

    def add(self, time_s: float, rgb: NDArray[np.uint8]) -> None:
        """One picture, uint8 (row, col, 3). All are kept at the size of the first: one that was
        reduced in two steps can come out a little smaller."""
        import cv2

        self._shape = self._shape or rgb.shape
        if rgb.shape != self._shape:
            size = (self._shape[1], self._shape[0])
            rgb = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)
        self._file.write(struct.pack("<dII", time_s, *rgb.shape[:2]))
        self._file.write(np.ascontiguousarray(rgb).data)
        self.count += 1

    def samples(self) -> Iterator[tuple[float, NDArray[np.uint8]]]:
        self._file.seek(0)
        while True:
            head = self._file.read(16)
            if len(head) < 16:
                return
            time_s, rows, cols = struct.unpack("<dII", head)
            flat = np.frombuffer(self._file.read(rows * cols * 3), np.uint8)
            yield time_s, flat.reshape(rows, cols, 3)

    def close(self) -> None:
        with suppress(OSError):
            self._file.close()


class _Pace:
    """True about `rate_hz` times a second of picture time."""

    def __init__(self, rate_hz: float) -> None:
        self._step_s, self._next_s = 1 / rate_hz, 0.0

    def due(self, time_s: float) -> bool:
        if time_s + 1e-6 < self._next_s:
            return False
        self._next_s = max(self._next_s + self._step_s, time_s + 0.5 * self._step_s)
        return True


def survey_file(
    source: SourceFile,
    options: Options,
    work: Path,
    *,
    given_field: list[float] | None = None,
    narration_channel: int | None = None,
    progress: Progress = no_progress,
) -> Surveyed:
    """Measure one source file. `work`: a folder for temporary files.

    Raises InputError when the file cannot be used or is cut short.
    """
    from pipeline.stages import detectors

    recording = probe_apart(source.path, sha256=source.sha256)
    wanted = options.anonymity
    with contextlib.ExitStack() as stack:
        search = None
        if detectors.wanted(wanted):
            search = detectors.Feed(
                recording, None, wanted, samples_per_s=wanted.samples_per_s, late=False
            )
            stack.enter_context(search)
        return _measured(
            source, recording, options, work, given_field, narration_channel, search, progress
        )


def _measured(
    source: SourceFile,
    recording: Recording,
    options: Options,
    work: Path,
    given_field: list[float] | None,
    narration_channel: int | None,
    search: Feed | None,
    progress: Progress,
) -> Surveyed:
    """As `survey_file`. search: is handed every picture that is decoded."""
    from pipeline.analysis import damage
    from pipeline.analysis.field import track as field_measure
    from pipeline.analysis.identity import fingerprint
    from pipeline.analysis.lens.events import find_events
    from pipeline.analysis.lens.fold import LensFold
    from pipeline.analysis.mark.activity import ActivityFold

    fold = field_measure.FieldFold(recording.width_px, recording.height_px)
    spool = Spool(work)
    coarse = CoarseProxy(work, recording)
    coarse_pace = _Pace(COARSE_RATE_HZ)
    watch = damage.DamageFold()
    report = ReadReport(watch=watch)
    rows_px = max(fold.SAMPLE_MAX_ROWS_PX, LensFold.SAMPLE_MAX_ROWS_PX)
    small_rows_px = LensFold.SAMPLE_MAX_ROWS_PX
    field_pace = _Pace(fold.SAMPLE_RATE_HZ)
    lens_pace = _Pace(LensFold.SAMPLE_RATE_HZ)
    first_s: float | None = None
    last_told_s = 0.0
    try:
        # Every picture is decoded: one that no other depends on may be damaged too. One
        # thread, because what a decoder complains of belongs to the packet at hand.
        counted = recording.frame_rate_hz >= 20 and not recording.video.interlaced
        reading = read_pictures(source.path, recording, report=report)
        for picture in prefetched(reading):
            if first_s is None:
                first_s = picture.time_s
            time_s = picture.time_s
            if search is not None:
                search.step(picture)
            for_field, for_lens = field_pace.due(time_s), lens_pace.due(time_s)
            if for_field:
                rgb = reduce_rgb(picture.frame, rows_px, recording.video.matrix)
                fold.step(time_s, rgb)
                if for_lens:
                    spool.add(time_s, _shrink(rgb, small_rows_px))
            elif for_lens:
                rgb = reduce_rgb(picture.frame, small_rows_px, recording.video.matrix)
                spool.add(time_s, rgb)
            if coarse_pace.due(time_s):
                coarse.step(time_s, picture.frame)
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
        doubts = watch.finish()
        harmed = [
            Damage(what="picture", start_s=d.start_s, stop_s=d.stop_s, sign=d.sign)
            for d in damage.on_axis(doubts, partial(shift_at, recording.jumps), duration_s)
        ]
        warnings = _warnings(recording, report, duration_s, source, harmed)
        if given_field is not None:
            try:
                fields = [
                    field_measure.given_field(
                        on_working_picture(given_field, recording),
                        recording.width_px,
                        recording.height_px,
                        duration_s,
                    )
                ]
            except ValueError:
                raise InputError(
                    "The field given for a recording leaves no picture",
                    f"{label(source.path)}: {recording.width_px}x{recording.height_px} pixels",
                    "mend `field` in the case.toml",
                ) from None
        else:
            fields = fold.finish(duration_s)
        lens_fold = LensFold(fields, recording.width_px, recording.height_px)
        activity = ActivityFold(fields, recording.width_px, recording.height_px)
        activity_pace = _Pace(activity.SAMPLE_RATE_HZ)
        prints = fingerprint.PrintFold(fields, recording.width_px, recording.height_px)
        for time_s, rgb in spool.samples():
            lens_fold.step(time_s, rgb)
            prints.step(time_s, rgb)
            if activity_pace.due(time_s):
                activity.step(time_s, rgb)
    except BaseException:
        coarse.close()
        raise
    finally:
        spool.close()
    series: dict[str, NDArray[Any]] = dict(lens_fold.finish().series())
    events = find_events(series, fields, duration_s, options.lens.model_dump(), _pictures(harmed))
    series["print_time_s"], series["prints"] = prints.finish()
    series |= {f"activity_{name}": grid for name, grid in activity.finish().items()}
    speech, loudness = Speech(), None
    if recording.audio and not source.still:
        speech, loudness, sound = _survey_sound(
            source, recording, duration_s, narration_channel, warnings, harmed, progress
        )
        series |= sound
    lettering, faces, looked = _look(
        source, recording, fields, events, duration_s, options, warnings, search
    )
    progress("survey", 1, 1)
    survey = Survey(
        recording=SurveyedRecording(
            sha256=source.sha256,
            duration_s=duration_s,
            frame_rate_hz=rate_hz,
            width_px=recording.width_px,
            height_px=recording.height_px,
            frames=report.frames,
            variable_rate=report.variable_rate,
            warnings=recording.warnings,
        ),
        field=fields,
        events=events,
        damage=harmed,
        speech=speech,
        lettering=lettering,
        faces=faces,
        loudness=loudness,
        measured=MEASURES | looked,
        warnings=warnings,
    )
    return Surveyed(recording, survey, series, coarse.finish(survey, source.still, options))


def _looked(options: Options) -> dict[str, str]:
    """Which detectors look, with their versions; 'off' for one that does not."""
    from pipeline.stages import detectors

    wanted = options.anonymity
    on = {
        "lettering": wanted.lettering and detectors.text_available(),
        "faces": wanted.faces,
    }
    return {name: DETECTORS[name] if on[name] else "off" for name in on}


def _look(
    source: SourceFile,
    recording: Recording,
    fields: Sequence[FieldSpan],
    events: Sequence[Event],
    duration_s: float,
    options: Options,
    warnings: list[str],
    search: Feed | None = None,
) -> tuple[list[Lettering], list[Face], dict[str, str]]:
    """Lettering and faces, and which of the two were looked for ('off' where not).

    search: was handed the pictures before the field was known. Only what may lie outside the
    body, or has no field, is then read again, for faces.
    """
    from pipeline.stages import detectors

    wanted, looked = options.anonymity, _looked(options)
    if wanted.lettering and looked["lettering"] == "off":
        warnings.append(_NOT_LOOKED)
    margin_s = options.lens.out_of_body_margin_s
    outside = [
        (e.start_s - margin_s, e.stop_s + margin_s) for e in events if e.kind == "out_of_body"
    ]
    lettering: list[Lettering] = []
    faces: list[Face] = []
    spans = None
    if search is not None:
        lettering, faces = search.finish(fields, duration_s)
        without = [(f.start_s, f.stop_s) for f in fields if f.shape == "none"]
        spans = [(s.start_s, s.stop_s) for s in merge_spans([*outside, *without])]
        spans = [(max(0.0, a), min(b, duration_s)) for a, b in spans]
        if not wanted.faces or not spans:
            return lettering, faces, looked
        wanted = wanted.model_copy(update={"lettering": False})
    more_lettering, more_faces = detectors.look(
        source.path,
        recording,
        fields,
        outside,
        wanted,
        samples_per_s=wanted.samples_per_s,
        stop_s=duration_s,
        spans=spans,
    )
    return lettering + more_lettering, faces + more_faces, looked


def _shrink(rgb: NDArray[np.uint8], rows_px: int) -> NDArray[np.uint8]:
    import cv2

    height, width = rgb.shape[:2]
    if height <= rows_px:
        return rgb
    size = (max(2, round(width * rows_px / height)), rows_px)
    return np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


def _measured_time(report: ReadReport, recording: Recording) -> tuple[float, float]:
    """Frames per second and duration, measured. The last frame lasts as long as the usual one."""
    if report.frames > 1 and report.last_s > 0:
        rate_hz = (report.frames - 1) / report.last_s
    else:
        rate_hz = recording.frame_rate_hz or 25.0
    return round(rate_hz, 6), round(report.last_s + 1 / rate_hz, 6)


def _pictures(harmed: Sequence[Damage]) -> list[tuple[float, float]]:
    """Spans of damaged picture."""
    return [(d.start_s, d.stop_s) for d in harmed if d.what == "picture"]


def _warnings(
    recording: Recording,
    report: ReadReport,
    duration_s: float,
    source: SourceFile,
    harmed: Sequence[Damage],
) -> list[str]:
    """Raises InputError if much less was decoded than the header promises."""
    said: list[str] = []
    promised_s = recording.duration_s
    if (
        not source.still
        and promised_s > 0
        and duration_s < promised_s - max(1.0, 0.02 * promised_s)
    ):
        raise InputError(
            "A file is cut short",
            f"{label(source.path)}: {duration_s:.1f} s of {promised_s:.1f} s can be decoded",
            "copy it again from the recorder",
        )
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


def _survey_sound(
    source: SourceFile,
    recording: Recording,
    duration_s: float,
    narration_channel: int | None,
    warnings: list[str],
    harmed: list[Damage],
    progress: Progress,
) -> tuple[Speech, TrackLoudness | None, dict[str, NDArray[Any]]]:
    """Loudness and speech of the file's own sound, on the axis of its pictures.

    What of it could not be read is added to `harmed`.
    """
    from pipeline.analysis.sound import loudness, speech, speech_spans, voice_activity

    meter = loudness.LoudnessFold(2)
    voices = speech.SpeechFold(2, detectors=voice_activity.room_detectors())
    done = 0
    noisy: list[tuple[float, float]] = []
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
        block = block[:, : max(0, limit - done)]
        if not block.shape[1]:
            break
        meter.step(block)
        voices.step(block)
        done += block.shape[1]
        progress("sound", done / 48_000, duration_s)
    harmed += [
        Damage(
            what="sound", start_s=round(a, 6), stop_s=round(min(b, duration_s), 6),
            sign="cannot be decoded",
        )
        for a, b in merge_spans((Span(*s) for s in noisy), 0.2)
        if a < duration_s
    ]  # fmt: skip
    measured = meter.finish()
    heard = voices.finish()
    spans, undecided = speech_spans.room_speech_spans(heard)
    found = Speech(
        procedure=[(s.start_s, s.stop_s) for s in spans],
        sure=[(s.start_s, s.stop_s) for s in speech_spans.sure_speech_spans(heard)],
        undecided=[(s.start_s, s.stop_s) for s in undecided],
        undecided_why=[speech_spans.why_undecided(heard, (s.start_s, s.stop_s)) for s in undecided],
    )
    sound = {"sound_hop_power": np.asarray(measured.hop_power, np.float32)}
    return found, measured.track(), sound


def tidied_survey(survey: Survey) -> Survey:
    """The survey with lettering listed as a person would: see `analysis.identity.overlays`."""
    from pipeline.analysis.identity.overlays import tidied

    size = survey.recording.width_px, survey.recording.height_px
    found = tidied(survey.lettering, survey.field, *size)
    return survey.model_copy(update={"lettering": found})


def give_memory_back() -> None:
    """Hands freed memory to the system: glibc would keep what a survey needed at its end.

    Measured: 362 to 219 MB after a survey of ten minutes. Elsewhere it does nothing.
    """
    import ctypes

    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL("libc.so.6").malloc_trim(0)


def save_survey(surveyed: Surveyed, folder: Path, name: str = "survey") -> tuple[Path, Path]:
    """Write `survey.json` and `series.npz` (names with a number for further sources)."""
    from pipeline.store.work import atomic_write

    document = folder / f"{name}.json"
    arrays = folder / f"{name.replace('survey', 'series')}.npz"
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **surveyed.series)  # type: ignore[arg-type]
    atomic_write(document, surveyed.survey.to_json(), private=True)
    atomic_write(arrays, buffer.getvalue(), private=True)
    return document, arrays


# Series that had another name in files of earlier versions.
RENAMED_SERIES = {"veil_level": "veiling_luminance"}


def load_series(file: Path | io.BytesIO) -> dict[str, NDArray[Any]]:
    """The arrays of a `series.npz`, of whatever version, under the names of today."""
    with np.load(file, allow_pickle=False) as data:
        return {RENAMED_SERIES.get(key, key): data[key] for key in data.files}


def survey_key(
    source: SourceFile, given_field: list[float] | None, narration_channel: int | None
) -> str:
    """What a kept survey depends on, as a short text: content, measures, what was said of
    the file. The settings of events and detectors are not among it, see `settle`."""
    return json.dumps(
        {
            "sha256": source.sha256,
            "measures": MEASURES,
            "field": given_field,
            "still": source.still,
            "narration_channel": narration_channel,
        },
        sort_keys=True,
    )


def settle(
    kept: Surveyed, source: SourceFile, options: Options, cache: Cache, key: str
) -> Surveyed:
    """A kept survey as these settings have it, without decoding the pictures again.

    Events are found anew in the kept series. Lettering and faces are looked for again only
    where nothing is kept for their settings, or where other parts count as outside the body.
    key: of the survey in the cache.
    """
    old = kept.survey
    events = find_events(
        kept.series, old.field, old.recording.duration_s, options.lens.model_dump(),
        _pictures(old.damage),
    )  # fmt: skip
    name = _look_name(old.field, events, options)
    data = cache.get(key, name)
    look = _Look.model_validate_json(data) if data is not None else None
    if look is None:
        look = _Look()
        look.lettering, look.faces, look.looked = _look(
            source, kept.recording, old.field, events, old.recording.duration_s, options,
            look.warnings,
        )  # fmt: skip
        cache.put(key, {name: look.to_json().encode()})
    survey = old.model_copy(
        update={
            "events": events,
            "lettering": look.lettering,
            "faces": look.faces,
            "measured": MEASURES | look.looked,
            "warnings": [w for w in old.warnings if w != _NOT_LOOKED] + look.warnings,
        }
    )
    # The small copy has what was found blacked out.
    same = survey.model_copy(update={"warnings": old.warnings}) == old
    return Surveyed(
        kept.recording, survey, kept.series, kept.proxy if same else b"", outdated=not same
    )


def found_look(survey: Survey, options: Options) -> dict[str, bytes]:
    """What a fresh survey found of lettering and faces, as a file to keep for `settle`."""
    look = _Look(
        lettering=survey.lettering,
        faces=survey.faces,
        looked={k: v for k, v in survey.measured.items() if k in DETECTORS},
        warnings=[w for w in survey.warnings if w == _NOT_LOOKED],
    )
    return {_look_name(survey.field, survey.events, options): look.to_json().encode()}


class _Look(Document):
    """What the detectors found in one source, as kept in the cache."""

    lettering: list[Lettering] = []
    faces: list[Face] = []
    looked: dict[str, str] = {}
    warnings: list[str] = []


def _look_name(fields: Sequence[FieldSpan], events: Sequence[Event], options: Options) -> str:
    """File name by what lettering and faces depend on beside the content: detectors, their
    settings, the field, and what counts as outside the body."""
    outside = [(e.start_s, e.stop_s) for e in events if e.kind == "out_of_body"]
    values = {
        "detectors": _looked(options),
        "samples_per_s": options.anonymity.samples_per_s,
        "field": [f.model_dump(mode="json") for f in fields],
        "outside": outside,
        "margin": options.lens.out_of_body_margin_s if outside else None,
    }
    text = json.dumps(values, sort_keys=True)
    return f"look-{hashlib.sha256(text.encode()).hexdigest()[:16]}.json"
