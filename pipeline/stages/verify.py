"""Verify: measure the finished file, and trust nothing the renderer said.

The file is decoded from start to end; the surround, the mark and the picture are compared
with the plan and its sources. `verify_alone` checks a file that has neither.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.damage import DamageFold
from pipeline.analysis.field.surround import (
    BLACK_LUMA,
    SURROUND_LIMIT,
    brightest_outside,
    outside_mask,
)
from pipeline.analysis.identity.texts import Leaving
from pipeline.media.probe import open_media, probe
from pipeline.media.read import (
    Picture,
    ReadReport,
    ahead,
    read_pictures,
    read_sound,
    seekable,
)
from pipeline.media.stems import Stem
from pipeline.media.write import chapter_text
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.model.survey import Face, Lettering
from pipeline.model.time import Span, subtract_spans
from pipeline.stages import detectors
from pipeline.stages.card import card_box
from pipeline.stages.damage import ShownDamage
from pipeline.stages.judged import beside, judged
from pipeline.stages.placed import mark_boxes, out_fields, words_boxes
from pipeline.stages.planning.levels import replaced_spans
from pipeline.stages.planning.picture import has_field, moved_field
from pipeline.stages.planning.pieces import goes_on
from pipeline.stages.render import Blanker, SourceMedia, _fit_height
from pipeline.stages.restore import RESTORED_WORDS, Restorer, words_box, words_shown
from pipeline.stages.survey import Progress, field_at, no_progress
from pipeline.stages.texts import open_texts, shown_texts
from pipeline.store.texts import ConfirmedTexts

SAMPLE_S = 0.5
LINGER_S = 2.5  # our own words stay this long in the search's average after they went
SAME_S = 0.005  # a picture keeps its time but for the ticks of the file
_TITLE_BYTES = 255  # of a title in the short list of chapters, which has one byte for the length
LUMA_LIMIT = 0.5
WORDS_LIMIT = 0.5  # correlation with the words as drawn; elsewhere it is near 0
LOUDNESS_LIMIT_LU = 0.2
QUIET_LIMIT_LU = 1.0
STEM_LIMIT_S = 0.5
# Longer played parts are compared with their source in windows of WINDOW_S about every
# EVERY_S, each from a key frame on. In the finished file every picture is counted and all
# are decoded but those that no other depends on.
WHOLE_S, WINDOW_S, EVERY_S = 40.0, 2.5, 15.0


@dataclass
class Verified:
    """Checks of a finished file, and series for the report."""

    checks: list[Check] = field(default_factory=list)
    visibility: list[tuple[float, float]] = field(default_factory=list)
    mark: Any = None
    loudness: Any = None
    ducking: Any = None
    fields: list[FieldSpan] = field(default_factory=list)
    missed: list[Lettering | Face] = field(default_factory=list)

    @property
    def passed(self) -> bool:
        return all(c.passed for c in self.checks)


def verify_release(
    path: Path,
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    *,
    stem: Stem | None,
    narration: Stem | None,
    voice_consent: bool,
    progress: Progress = no_progress,
) -> Verified:
    """All checks of a release: against its plan, its sources and the redacted stem."""
    result = Verified()
    recording = probe(path)
    result.checks += _stream_checks(path, recording, plan)
    with ExitStack() as stack:
        search = _search(recording, plan, coverage, options)
        if search is not None:
            stack.enter_context(search)
        result.checks += _picture_checks(path, recording, plan, media, coverage, options, result,
                                         search, progress)  # fmt: skip
        if search is not None:
            result.checks += _identity_checks(search, plan, options, result)
    wanted_lufs = _aimed_lufs(plan, stem, narration, options)
    result.checks += _sound_checks(
        path, recording, options, result, silent=plan.mix is None, wanted_lufs=wanted_lufs
    )
    result.checks += _stem_checks(stem, plan, voice_consent)
    result.checks += _live_checks(narration, plan, voice_consent)
    result.checks += _ducking_checks(stem, narration, plan, options, result)
    progress("verify", 1, 1)
    return result


def _check(name: str, measured: Any, limit: Any, unit: str, passed: bool) -> Check:
    if isinstance(measured, (float, np.floating)):
        measured = round(float(measured), 3)
    return Check(check=name, measured=measured, limit=limit, unit=unit, passed=bool(passed))


# --- container --------------------------------------------------------------------------


def _stream_checks(path: Path, recording: Recording, plan: Plan | None = None) -> list[Check]:
    from pipeline.media.tags import check_container

    checks = list(check_container(path, planned_title(plan) if plan else read_title))
    with closing(open_media(path)) as container:
        pictures, sounds = container.streams.video, container.streams.audio
        video = pictures[0]
        length_s = float((video.duration or 0) * video.time_base)
        sound_s = float((sounds[0].duration or 0) * sounds[0].time_base) if sounds else None
        codec, sound_codec = (
            video.codec_context.name,
            sounds[0].codec_context.name if sounds else "",
        )
        rate_hz = sounds[0].codec_context.sample_rate if sounds else None
    plain = codec == "h264" and recording.video.pixel_format == "yuv420p"
    said = f"{codec} {recording.video.pixel_format}"
    checks.append(_check("picture format", said, "h264 yuv420p", "", plain))
    if sounds:
        good = sound_codec == "aac" and rate_hz == 48_000
        checks.append(_check("sound format", f"{sound_codec} {rate_hz}", "aac 48000", "Hz", good))
    if sound_s is not None:
        apart_s = abs(length_s - sound_s)
        limit_s = round(1.5 / max(recording.frame_rate_hz, 1) + 0.03, 3)
        checks.append(
            _check("picture and sound end together", apart_s, limit_s, "s", apart_s <= limit_s)
        )
    if plan is not None:
        tagged = recording.video.matrix == plan.matrix and not recording.video.matrix_assumed
        checks.append(_check("colour tags", recording.video.matrix, plan.matrix, "", tagged))
        off_s = abs(length_s - plan.duration_s)
        limit_s = round(1.5 / max(plan.frame_rate_hz, 1), 3)
        checks.append(_check("length as planned", off_s, limit_s, "s", off_s <= limit_s))
        wanted = len(plan.chapters)
        checks.append(
            _check("chapters", recording.chapters, wanted, "", recording.chapters == wanted)
        )
    return checks


def planned_title(plan: Plan) -> Callable[[str], bool]:
    planned = {chapter_text(c.title).strip() for c in plan.chapters}
    cut = {title.encode()[:_TITLE_BYTES].decode("utf-8", "replace") for title in planned}
    return lambda title: title.strip() in planned | cut


def read_title(title: str) -> bool:
    """Of a file without its plan: words of the vocabulary, or confirmed by this user."""
    return not open_texts(shown_texts([Leaving("chapter", title)], ConfirmedTexts()))


# --- picture ----------------------------------------------------------------------------


def _expected(
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
        here = Span(piece.start_s, piece.start_s + piece.length_s)
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
                max_height_px=_fit_height(plan, source),
                matrix=plan.matrix,
                double_rate=options.output.deinterlace == "double",
                report=ReadReport(watch=watch),
            ):
                first_s = picture.time_s if first_s is None else first_s
                last_s = picture.time_s
                if not whole and picture.time_s > first_s + WINDOW_S:
                    break
                out_s = piece.out_start_s + picture.time_s - piece.start_s
                if piece.fade_s and out_s < piece.out_start_s + piece.fade_s + SAMPLE_S / 10:
                    continue  # the picture before the cut still shows through
                yield out_s, piece, picture.time_s, picture, blanker
            if first_s is not None:
                seen = Span(max(here.start_s, first_s), last_s + 1e-3)
                out_s = piece.out_start_s + seen.start_s - here.start_s
                shown.read(watch, media[piece.source].recording, piece.source, seen, out_s)


def _windows(span: Span) -> list[Span]:
    """Where a long played part is compared with its source."""
    count = int(np.ceil(span.length_s / EVERY_S)) + 1
    starts = np.linspace(span.start_s, span.stop_s - WINDOW_S, count)
    return [Span(float(s), span.stop_s) for s in starts]


def _picture_checks(
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
    surround = _Surround(plan, options.field.edge_inset_px)
    compare = _Compare(plan, coverage, result)
    damaged = ShownDamage(plan)
    expected = _expected(plan, media, options, damaged)
    wanted = next(expected, None)
    half_s = min(0.5 / max(plan.frame_rate_hz, 1.0), SAME_S)
    next_s = compared_s = 0.0
    reading = read_pictures(
        path, recording, report=report, skip_unreferenced=True, threads=options.machine.threads
    )
    for picture in ahead(reading):
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
        _check("picture damaged", report.damaged, 0, "packets", report.damaged == 0),
        damaged.check(),
        surround.check(),
        *compare.checks(options),
    ]


class _Surround:
    """The brightest and the most coloured pixel outside the field of the finished file."""

    def __init__(self, plan: Plan, edge_inset_px: float) -> None:
        self._plan, self._inset_px = plan, edge_inset_px
        self._worst, self._worst_s = 0.0, 0.0
        self._looked = 0
        self._masks: dict[int, tuple[FieldSpan, NDArray[np.uint8]]] = {}
        self._fielded = any(has_field(s.fields) for s in plan.sources)

    def look(self, picture: Picture) -> None:
        piece = piece_at(self._plan, picture.time_s)
        source = self._plan.sources[piece.source]
        planes = picture.planes()
        if not has_field(source.fields) and piece.kind not in ("black", "card"):
            return
        source_s = piece.start_s
        if piece.kind == "play":
            source_s += picture.time_s - piece.out_start_s
        outside = self._outside(source.fields, source_s, source.moved, planes[0].shape)
        if piece.kind in ("black", "card"):
            outside = outside_mask(None, *planes[0].shape)
        if piece.kind == "card":
            left, top, wide, high = card_box(self._plan.card, *planes[0].shape[::-1])
            pad = high // 2
            rows = slice(max(0, top - pad), top + high + pad)
            outside[rows, max(0, left - pad) : left + wide + pad] = 0
        value = brightest_outside(planes, outside)
        self._looked += 1
        if value > self._worst:
            self._worst, self._worst_s = value, picture.time_s

    def _outside(
        self,
        fields: Sequence[FieldSpan],
        source_s: float,
        moved: tuple[float, float, float],
        shape: tuple[int, ...],
    ) -> NDArray[np.uint8]:
        span = field_at(fields, source_s)
        key = id(span)
        if key not in self._masks:
            here = moved_field(span, moved)
            mask = outside_mask(here, shape[0], shape[1], self._inset_px * moved[0])
            self._masks[key] = (span, mask)
            if len(self._masks) > 8:
                self._masks.pop(next(iter(self._masks)))
        return self._masks[key][1]

    def check(self) -> Check:
        if not self._fielded:
            return _check("surround black", "no field, approved by a person", "", "", True)
        unit = "code values" + (f", at {self._worst_s:.1f} s" if self._worst else "")
        passed = self._looked > 0 and self._worst <= SURROUND_LIMIT
        return _check("surround black", self._worst, SURROUND_LIMIT, unit, passed)


class _Compare:
    """The finished picture against its source: the mark's visibility, and luma elsewhere."""

    def __init__(self, plan: Plan, coverage: NDArray[np.float32], result: Verified) -> None:
        import av

        from pipeline.analysis.mark.painter import VisibilityFold

        self._plan, self._coverage, self._result = plan, coverage, result
        low, high = (plan.mark.band_low, plan.mark.band_high) if plan.mark else (0.0, 1.0)
        self._fold = VisibilityFold(low, high)
        self._piece: Piece | None = None
        self._frame = av.VideoFrame(plan.width_px, plan.height_px, "yuv420p")
        self._painter: Any = None
        self._key: tuple[Any, ...] | None = None
        self._sum = self._count = 0.0
        self._restorers = {
            s.number: Restorer([r for r in plan.restorations if r.source == s.number])
            for s in plan.sources
        }
        self._marks = mark_boxes(plan, coverage)
        self._words: list[float] = []
        self._shots = shot_numbers(plan)

    def look(
        self, picture: Picture, piece: Piece, source_s: float, source: Picture, blanker: Blanker
    ) -> None:
        from pipeline.analysis.mark.painter import measure_visibility
        from pipeline.media.write import planes_of

        planes = planes_of(self._frame)
        blanker.copy(source.planes(), planes, source_s)
        if not blanker.lit(source_s):
            return
        shown = picture.planes()
        span = moved_field(blanker.field(source_s), self._plan.sources[piece.source].moved)
        restored = self._restorers[piece.source].apply(planes, source_s)
        inside = planes[0] > BLACK_LUMA
        if restored:
            x, y, wide, high = words_box(
                span, self._plan.width_px, self._plan.height_px, self._marks
            )
            self._words.append(words_shown(shown[0], RESTORED_WORDS, (x, y, wide, high)))
            inside[max(0, y - high) : y + 2 * high, max(0, x - high) : x + wide + high] = False
        if self._plan.mark is not None:
            painter = self._painter_for(span, self._shots[id(piece)])
            value = measure_visibility(
                planes[0], shown[0], painter, (planes[1], planes[2]), (shown[1], shown[2])
            )
            cut = self._piece is not None and piece is not self._piece
            self._piece = piece
            self._fold.step(picture.time_s, value, cut)
            if np.isfinite(value):
                self._result.visibility.append((round(picture.time_s, 3), round(value, 3)))
            inside[painter.strokes.row, painter.strokes.col] = False
        count = int(inside.sum())
        if count:
            self._sum += float(shown[0][inside].astype(np.int64).sum())
            self._sum -= float(planes[0][inside].astype(np.int64).sum())
            self._count += count

    def _painter_for(self, span: FieldSpan, shot: int) -> Any:
        from pipeline.analysis.mark.painter import MarkPainter

        key = (shot, span.center_x_px, span.center_y_px, span.radius_px, span.left_px, span.top_px,
               span.right_px, span.bottom_px)  # fmt: skip
        if self._painter is not None and key != self._key:
            self._painter.move(span, shot)
        elif self._painter is None:
            assert self._plan.mark is not None
            self._painter = MarkPainter(
                self._plan.mark, self._coverage, span, self._plan.height_px, self._plan.width_px,
                self._plan.matrix, full_range=False, shot=shot,
            )  # fmt: skip
        self._key = key
        return self._painter

    def checks(self, options: Options) -> list[Check]:
        checks = []
        if self._count:
            off = self._sum / self._count
            checks.append(
                _check("picture brightness kept", abs(off), LUMA_LIMIT, "levels",
                       abs(off) <= LUMA_LIMIT)
            )  # fmt: skip
        if self._plan.restorations:
            least = min(self._words, default=None)
            checks.append(
                _check("restored contrast is named in the picture", least, WORDS_LIMIT,
                       "correlation", least is None or least >= WORDS_LIMIT)
            )  # fmt: skip
        mark = self._plan.mark
        if mark is not None and self._result.visibility:
            summary = self._fold.finish()
            self._result.mark = summary
            share = summary.in_band_ratio
            checks.append(
                _check("mark visible inside its band", share, 0.9, "share of frames",
                       share is not None and share >= 0.9)
            )  # fmt: skip
        elif mark is not None:
            played = any(p.kind == "play" for p in self._plan.pieces)
            checks.append(_check("mark visible inside its band", None, 0.9, "share of frames",
                                 not played))  # fmt: skip
        return checks


def shot_numbers(plan: Plan) -> dict[int, int]:
    """Shot number of each piece (by identity), counted as the renderer counts them."""
    numbers: dict[int, int] = {}
    shot, previous = -1, None
    for piece in plan.pieces:
        joined = goes_on(previous, piece)
        if not joined:
            shot += 1
        numbers[id(piece)] = shot
        previous = piece
    return numbers


def piece_at(plan: Plan, out_s: float) -> Piece:
    """The piece shown at `out_s` of the clip."""
    found = plan.pieces[0]
    for piece in plan.pieces:
        if piece.out_start_s <= out_s + 1e-4:
            found = piece
    return found


def _search(
    recording: Recording, plan: Plan, coverage: NDArray[np.float32], options: Options
) -> detectors.Feed | None:
    """Lettering and faces in the finished file, looked for more densely than by the survey."""
    wanted = options.anonymity
    if not detectors.wanted(wanted):
        return None
    boxes = mark_boxes(plan, coverage)
    words = [(*place[:5], place[5] + LINGER_S) for place in words_boxes(plan, boxes)]
    return detectors.Feed(
        recording,
        out_fields(plan),
        wanted,
        samples_per_s=wanted.verify_samples_per_s,
        ignore=[*boxes, *words],
        stop_s=plan.duration_s,
    )


def _identity_checks(
    search: detectors.Feed, plan: Plan, options: Options, result: Verified
) -> list[Check]:
    """What was found in the pictures handed over, without what a person let through."""
    wanted = options.anonymity
    letters, faces = search.finish()
    letters = [x for x in letters if not _let_through(plan, "lettering", x)]
    faces = [x for x in faces if not _let_through(plan, "face", x)]
    result.missed = [*letters, *faces]
    checks = []
    if wanted.lettering and detectors.text_available():
        at = f", first at {letters[0].start_s:.1f} s" if letters else ""
        said = beside(len(letters), judged(plan.overruled, "lettering"))
        checks.append(_check("lettering in the picture", said, 0, "places" + at, not letters))
    if wanted.faces:
        at = f", first at {faces[0].start_s:.1f} s" if faces else ""
        said = beside(len(faces), judged(plan.overruled, "face"))
        checks.append(_check("faces in the picture", said, 0, "spans" + at, not faces))
    return checks


def _let_through(plan: Plan, what: str, found: Lettering | Face) -> bool:
    """True if a person rejected exactly this: the box holds its middle, all of the time."""
    x = found.box_px[0] + found.box_px[2] / 2
    y = found.box_px[1] + found.box_px[3] / 2
    shown: list[Span] = []
    for piece in plan.pieces:
        scale, dx, dy = plan.sources[piece.source].moved
        here = Span(piece.start_s, piece.start_s + piece.length_s)
        for r in plan.overruled:
            if r.what != what or r.source != piece.source or r.box_px is None:
                continue
            left, top = r.box_px[0] * scale + dx, r.box_px[1] * scale + dy
            inside = 0 <= x - left <= r.box_px[2] * scale and 0 <= y - top <= r.box_px[3] * scale
            if not inside:
                continue
            span = Span(r.start_s, r.stop_s)
            if piece.kind == "freeze" and span.start_s <= piece.start_s < span.stop_s:
                shown.append(Span(piece.out_start_s, piece.out_start_s + piece.length_s))
            overlap = here.overlap(span) if piece.kind == "play" else None
            if overlap is not None:
                shift = piece.out_start_s - piece.start_s
                shown.append(Span(overlap.start_s + shift, overlap.stop_s + shift))
    # Seen between two samples of the finished file: the ends lie up to a sample outside.
    reach = [(s.start_s - SAMPLE_S, s.stop_s + SAMPLE_S) for s in shown]
    return not subtract_spans([(found.start_s, found.stop_s)], reach)


# --- sound ------------------------------------------------------------------------------


def _sound_checks(
    path: Path,
    recording: Recording,
    options: Options,
    result: Verified,
    silent: bool = False,
    wanted_lufs: float | None = None,
) -> list[Check]:
    """wanted_lufs: what the peaks of the sound allow; the profile's loudness if left out."""
    from pipeline.analysis.sound.loudness import LoudnessFold

    if not recording.audio:
        return (
            [_check("sound", "none", "", "", silent)]
            if silent
            else [_check("sound", "none", "one stream", "", False)]
        )
    fold = LoudnessFold(min(2, recording.audio[0].channels))
    for block in read_sound(
        path, origin_s=recording.video.start_s, channels=min(2, recording.audio[0].channels)
    ):
        fold.step(block)
    measured = fold.finish()
    result.loudness = measured
    target, peak = options.output.loudness_lufs, options.output.true_peak_dbtp
    found = measured.integrated_lufs
    checks = []
    unit, below_lu = "LUFS", LOUDNESS_LIMIT_LU
    if wanted_lufs is not None and wanted_lufs < target - LOUDNESS_LIMIT_LU:
        # A few clicks make its loudness, and coding changes them: it may be a little quieter.
        target, unit = round(wanted_lufs, 1), "LUFS, as far as it may be raised"
        below_lu = QUIET_LIMIT_LU
    if found is None:
        checks.append(_check("loudness", "silent", target, unit, True))
    else:
        checks.append(
            _check(
                "loudness",
                found,
                target,
                unit,
                target - below_lu <= found <= target + LOUDNESS_LIMIT_LU,
            )
        )
    top = measured.true_peak_dbtp
    checks.append(
        _check("true peak", "silent" if top is None else top, peak, "dBTP",
               top is None or top <= peak + 0.05)
    )  # fmt: skip
    return checks


def _aimed_lufs(
    plan: Plan, stem: Stem | None, narration: Stem | None, options: Options
) -> float | None:
    """The loudness that the two tracks can be brought to, by the plan's gains."""
    from pipeline.analysis.sound.mix import aim, render_mix

    mix = plan.mix
    if mix is None or (stem is None and narration is None):
        return None

    def mixed() -> Iterator[NDArray[np.float32]]:
        behind, front = (s.blocks() if s is not None else None for s in (stem, narration))
        return render_mix(behind, front, mix, channels=plan.sound_channels)

    return aim(mix, mixed, plan.sound_channels)[0]


def _stem_checks(stem: Stem | None, plan: Plan, voice_consent: bool) -> list[Check]:
    """Speech left in the redacted procedure sound, heard without the narration."""
    from pipeline.analysis.sound import speech

    name = "speech left in the procedure sound"
    if stem is None:
        return [_check(name, "no procedure sound", 0, "s", True)]
    if voice_consent:
        return [_check(name, "consent covers voices", "", "", True)]
    fold = speech.SpeechFold(stem.channels, detectors=speech.room_detectors())
    for block in stem.blocks():
        fold.step(block)
    heard = fold.finish()
    overruled = replaced_spans(plan.pieces, plan.overruled)
    spoken = speech.narration_spans(heard, threshold=0.5, onset_pad_s=0, end_pad_s=0)
    unjudged = speech.unjudged_spans(heard, replaced_spans(plan.pieces, plan.redactions))
    who = judged(plan.overruled, "speech")
    return [
        _spans_check(name, subtract_spans(spoken, overruled), who),
        _spans_check(
            "procedure sound that cannot be judged", subtract_spans(unjudged, overruled), who
        ),
    ]


def _live_checks(narration: Stem | None, plan: Plan, voice_consent: bool) -> list[Check]:
    """Speech of a live microphone that nobody marked as the narrator's."""
    from pipeline.analysis.sound import speech

    if not plan.live or narration is None or voice_consent:
        return []
    fold = speech.SpeechFold(narration.channels, detectors=speech.room_detectors())
    for block in narration.blocks():
        fold.step(block)
    spoken = speech.narration_spans(fold.finish(), threshold=0.5, onset_pad_s=0, end_pad_s=0)
    marked = replaced_spans(plan.pieces, plan.overruled)
    who = judged(plan.overruled, "speech")
    return [_spans_check("live speech that nobody marked", subtract_spans(spoken, marked), who)]


def _spans_check(name: str, spans: Sequence[Span], judged_by: str = "") -> Check:
    """judged_by: what a person let through is said, and never counted as measured."""
    total_s = sum(s.length_s for s in spans)
    at = f", first at {spans[0].start_s:.1f} s" if spans else ""
    return _check(
        name, beside(round(total_s, 3), judged_by), STEM_LIMIT_S, "s" + at, total_s <= STEM_LIMIT_S
    )


def _ducking_checks(
    stem: Stem | None, narration: Stem | None, plan: Plan, options: Options, result: Verified
) -> list[Check]:
    """Depth of the narration over the background, on the two tracks after their gains."""
    from pipeline.analysis.sound.mix import DuckingFold, render_tracks, to_channels

    if stem is None or narration is None or plan.mix is None or not plan.narration:
        return []
    fold = DuckingFold(plan.sound_channels)
    for behind, front in render_tracks(
        stem.blocks(), narration.blocks(), plan.mix, plan.sound_channels
    ):
        fold.step(front, behind)
    for block in stem.blocks():
        fold.step_source(to_channels(block, plan.sound_channels))
    report = fold.finish(plan.mix.depth_lu, [Span(*s) for s in plan.narration])
    result.ducking = report
    share = report.share
    return [
        _check(
            f"narration {plan.mix.depth_lu:g} LU over background",
            share,
            0.95,
            "share of narrated windows",
            share is None or share >= 0.95,
        )
    ]
