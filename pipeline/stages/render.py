"""Render: obey a frozen plan. Writes temporary files only.

Pictures: decoded planes in, everything outside the field black, boxes filled,
the mark blended into the planes, H.264 out. Sound: the procedure with speech
replaced (the stem that verify listens to), narration, ducking, loudness.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.media.read import (
    Picture,
    ReadReport,
    ahead,
    read_pictures,
    read_sound,
    without_channel,
)
from pipeline.media.stems import Stem, write_stem
from pipeline.media.write import PictureWriter, finish, planes_of
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan, PlannedSource, Redaction
from pipeline.model.recording import Recording
from pipeline.model.time import Span, format_time
from pipeline.stages.card import draw_card
from pipeline.stages.draft import paint_draft
from pipeline.stages.placed import mark_boxes
from pipeline.stages.planning.picture import has_field, moved_field
from pipeline.stages.planning.pieces import goes_on, sound_start_s
from pipeline.stages.restore import RESTORED_WORDS, Restorer, draw_words, words_box
from pipeline.stages.survey import Progress, field_at, no_progress

RATE_HZ = 48_000
EDGE_S = 0.01
CODED_TOLERANCE_LU = 0.06
CODING_TRIES = 6
CODED_MOST_DB = 0.5  # what coding took may be given back
BLACK = (16, 128, 128)


@dataclass
class Rendered:
    """What was made: files in the work folder and what was measured while making them."""

    path: Path
    stem: Stem | None
    narration: Stem | None
    mix: Stem | None
    visibility: list[tuple[float, float]] = field(default_factory=list)
    frames: int = 0
    limited: dict[str, float] = field(default_factory=dict)
    gain_db: float = 0.0
    damage: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class SourceMedia:
    """Where a planned source lies and what it is."""

    path: Path
    recording: Recording
    still: bool


def render(
    plan: Plan,
    media: Sequence[SourceMedia],
    narration: NarrationMedia | None,
    coverage: NDArray[np.float32],
    options: Options,
    work: Path,
    *,
    draft: bool = False,
    progress: Progress = no_progress,
) -> Rendered:
    """Make the clip in `work`. `draft`: half size, with DRAFT across it.

    Raises OutputError when the disk is full, InputError when a source changed.
    """
    from pipeline.analysis.sound.limiter import AAC_MARGIN_DB
    from pipeline.analysis.sound.mix import aim

    pictures = work / "pictures.mkv"
    damage: list[str] = []
    visibility, frames = render_pictures(
        plan, media, coverage, options, pictures, draft=draft, damage=damage, progress=progress
    )
    sound = render_sound(plan, media, narration, options, work, progress=progress)
    target = work / "clip.mp4"
    margin_db = AAC_MARGIN_DB
    wanted_lufs, most_db = options.output.loudness_lufs, 40.0
    if sound.raw is not None and plan.mix is not None:
        wanted_lufs, most_db = aim(plan.mix, sound.raw.blocks, sound.raw.channels)
    gain_db: float | None = None
    tried = work / "tried.mp4"
    best = math.inf
    for _ in range(CODING_TRIES):
        if sound.raw is not None:
            sound.mix, sound.gain_db, sound.limited = to_loudness(
                sound.raw, wanted_lufs, most_db, options, work, gain_db, margin_db
            )
        finish(
            pictures,
            sound.mix.path if sound.mix else None,
            tried,
            matrix=plan.matrix,
            chapters=[(c.start_s, c.stop_s, c.title) for c in plan.chapters],
            audio_kbps=options.output.audio_kbps,
            sound_channels=plan.sound_channels,
            work=work,
        )
        over_db, short_lu = 0.0, 0.0
        if sound.raw is not None:
            measured = loudness_of(tried, plan.sound_channels)
            if measured.true_peak_dbtp is not None:
                over_db = max(0.0, measured.true_peak_dbtp - options.output.true_peak_dbtp)
            if measured.integrated_lufs is not None:
                short_lu = wanted_lufs - measured.integrated_lufs
        # Coding raises peaks, and changes the level of noise by up to a quarter of a
        # decibel, differently at each gain: keep the best of a few tries.
        error = abs(short_lu) + 100 * over_db
        if error < best:
            best = error
            tried.replace(target)
        if error <= CODED_TOLERANCE_LU:
            break
        margin_db += over_db + 0.1 if over_db else 0.0
        gain_db = min(sound.gain_db + 0.6 * short_lu, most_db + CODED_MOST_DB)
    if sound.raw is not None:
        sound.raw.path.unlink()
    pictures.unlink()
    return Rendered(
        path=target,
        stem=sound.procedure,
        narration=sound.narration,
        mix=sound.mix,
        visibility=visibility,
        frames=frames,
        limited=sound.limited,
        gain_db=sound.gain_db,
        damage=damage,
    )


# --- pictures ---------------------------------------------------------------------------


class Blanker:
    """Copies the lit picture of one source into black frames, and fills boxes.

    Works on uint8 planes (row, col): luma full size, chroma half size.
    """

    def __init__(
        self, source: PlannedSource, width_px: int, height_px: int, inset_px: float,
        redactions: Sequence[Redaction],
    ) -> None:  # fmt: skip
        self._source = source
        self._size = (width_px, height_px)
        self._inset_px = inset_px
        self._boxes = [r for r in redactions if r.box_px is not None]
        self._made_for: int | None = None
        self._masks: tuple[NDArray[np.uint8], NDArray[np.uint8]] | None = None
        self._fielded = has_field(source.fields)

    def field(self, time_s: float) -> FieldSpan:
        return field_at(self._source.fields, time_s)

    def lit(self, time_s: float) -> bool:
        """False where a recording with a field shows none: the whole picture is black then."""
        return not (self._fielded and self.field(time_s).shape == "none")

    def copy(
        self,
        planes: Sequence[NDArray[np.uint8]],
        into: Sequence[NDArray[np.uint8]],
        time_s: float,
    ) -> None:
        """`into` is filled with black, then with what may be seen of `planes`."""
        import cv2

        for plane, level in zip(into, BLACK, strict=True):
            plane[:] = level
        if not self.lit(time_s):
            return
        span = self.field(time_s)
        if id(span) != self._made_for:
            self._masks = self._make(span, planes[0].shape)
            self._made_for = id(span)
        assert self._masks is not None
        _, dx, dy = self._source.moved
        for number, (source, target) in enumerate(zip(planes, into, strict=True)):
            half = 1 if number == 0 else 2
            x, y = int(dx) // half, int(dy) // half
            rows, cols = source.shape
            cv2.copyTo(
                source, self._masks[0 if number == 0 else 1], target[y : y + rows, x : x + cols]
            )
        self.cover(into, time_s)

    def cover(self, into: Sequence[NDArray[np.uint8]], time_s: float) -> None:
        """Fills the boxes of that time."""
        for box in self._boxes:
            if box.start_s <= time_s < box.stop_s and box.box_px is not None:
                self._fill(box.box_px, into)

    def _make(
        self, span: FieldSpan, shape: tuple[int, ...]
    ) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
        from pipeline.analysis.field.track import field_mask

        rows, cols = shape
        scale = self._source.moved[0]
        if not self._fielded:
            return (
                np.full((rows, cols), 255, np.uint8),
                np.full((rows // 2, cols // 2), 255, np.uint8),
            )
        inset = self._inset_px
        luma = field_mask(span, rows, cols, inset_px=inset, scale=scale)
        # Chroma is shared by four pixels: only where all four are lit.
        four = luma[: rows // 2 * 2, : cols // 2 * 2].reshape(rows // 2, 2, cols // 2, 2)
        return luma, np.ascontiguousarray(four.min(axis=(1, 3)))

    def _fill(self, box: tuple[int, int, int, int], into: Sequence[NDArray[np.uint8]]) -> None:
        scale, dx, dy = self._source.moved
        x0, y0 = box[0] * scale + dx, box[1] * scale + dy
        x1, y1 = x0 + box[2] * scale, y0 + box[3] * scale
        left, top = max(0, int(x0) // 2 * 2), max(0, int(y0) // 2 * 2)
        right, bottom = int(np.ceil(x1 / 2)) * 2, int(np.ceil(y1 / 2)) * 2
        for number, (plane, level) in enumerate(zip(into, BLACK, strict=True)):
            half = 1 if number == 0 else 2
            plane[top // half : bottom // half, left // half : right // half] = level


def render_pictures(
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    target: Path,
    *,
    draft: bool = False,
    damage: list[str] | None = None,
    progress: Progress = no_progress,
) -> tuple[list[tuple[float, float]], int]:
    """Encode the pictures of the plan to `target`.

    damage: gets a sentence for every part in which packets could not be decoded.
    Returns the visibility of the mark as painted (out time, L*) and the frame count.
    """
    width, height = plan.width_px, plan.height_px
    writer = PictureWriter(
        target,
        width // 4 * 2 if draft else width,
        height // 4 * 2 if draft else height,
        plan.frame_rate_hz,
        plan.matrix,
        crf=30 if draft else options.output.crf,
        preset=options.output.x264_preset,
        threads=options.machine.threads,
    )
    visibility: list[tuple[float, float]] = []
    told_s = 0.0
    try:
        for shown in compose(plan, media, coverage, options, damage):
            if shown.visibility is not None:
                visibility.append((round(shown.time_s, 6), round(shown.visibility, 3)))
            frame = _draft_of(shown.frame, writer, shown.time_s) if draft else shown.frame
            writer.write(frame, shown.time_s)
            if shown.time_s - told_s > 0.5:
                told_s = shown.time_s
                progress("render", told_s, plan.duration_s)
        writer.close()
    except BaseException:
        writer.abandon()
        raise
    progress("render", 1, 1)
    return visibility, writer.frames


@dataclass(frozen=True)
class Shown:
    """A composed frame at its time in the clip; its visibility where the mark was painted."""

    time_s: float
    frame: Any
    source: int
    source_s: float
    visibility: float | None


def compose(
    plan: Plan,
    media: Sequence[SourceMedia],
    coverage: NDArray[np.float32],
    options: Options,
    damage: list[str] | None = None,
) -> Iterator[Shown]:
    """The frames of the clip before encoding: blanked, redacted, marked yuv420p frames."""
    import av

    width, height = plan.width_px, plan.height_px
    blankers = [
        Blanker(
            s, width, height, options.field.edge_inset_px,
            [r for r in plan.redactions if r.source == s.number],
        )
        for s in plan.sources
    ]  # fmt: skip
    painter = _Painter(plan, coverage)
    restorers = [
        Restorer([r for r in plan.restorations if r.source == s.number]) for s in plan.sources
    ]
    marks = mark_boxes(plan, coverage)
    previous: Piece | None = None
    left: list[NDArray[np.uint8]] | None = None  # the last picture before a cut, without mark
    left_field: FieldSpan | None = None
    for piece in plan.pieces:
        source = plan.sources[piece.source]
        blanker = blankers[piece.source]
        joined = goes_on(previous, piece)
        if not joined:
            painter.new_shot()
        first = True
        fading = left if piece.fade_s else None
        left = None
        leaves = _fades_next(plan, piece)
        late_s = piece.start_s + (piece.length_s - 0.5 if piece.kind == "play" else -1.0)
        for time_s, picture in _piece_pictures(piece, plan, media, options, damage):
            frame = av.VideoFrame(width, height, "yuv420p")
            planes = planes_of(frame)
            # A held picture is blanked for the moment that the plan chose.
            source_s = picture.time_s if picture and piece.kind == "play" else piece.start_s
            seen = None
            if picture is None or piece.kind == "black":
                for plane, level in zip(planes, BLACK, strict=True):
                    plane[:] = level
                if piece.kind == "card":
                    draw_card(planes, plan.card)
            else:
                blanker.copy(picture.planes(), planes, source_s)
                if picture.time_s != source_s:
                    blanker.cover(planes, picture.time_s)  # a held picture's own boxes
                if blanker.lit(source_s):
                    span = moved_field(blanker.field(source_s), source.moved)
                    restored = restorers[piece.source].apply(planes, source_s)
                    share = 1 - (time_s - piece.out_start_s) / max(piece.fade_s, 1e-6)
                    if fading is not None and share > 0 and left_field == span:
                        _blend(planes, fading, share)
                    if leaves and source_s > late_s:
                        left, left_field = [p.copy() for p in planes], span
                    seen = painter.paint(span, planes, time_s, cut=first and not joined)
                    if restored:
                        box = words_box(span, width, height, marks)
                        draw_words(planes, RESTORED_WORDS, box)
            first = False
            yield Shown(time_s, frame, piece.source, source_s, seen)
        previous = piece


def _fades_next(plan: Plan, piece: Piece) -> bool:
    """True if the piece after this one fades over its last picture."""
    number = next(n for n, p in enumerate(plan.pieces) if p is piece)
    return number + 1 < len(plan.pieces) and plan.pieces[number + 1].fade_s > 0


def _blend(
    planes: Sequence[NDArray[np.uint8]], before: Sequence[NDArray[np.uint8]], share: float
) -> None:
    """`share` (0..1) of the picture before, in place."""
    import cv2

    for plane, old in zip(planes, before, strict=True):
        cv2.addWeighted(old, share, plane, 1 - share, 0, plane)


def _told_damage(report: ReadReport, piece: Piece, media: SourceMedia) -> list[str]:
    """A sentence where packets of a played part could not be decoded.

    What lies before the part is left out: decoding after a seek begins in mid-air.
    """
    stop_s = piece.start_s + piece.length_s
    spans = [
        f"{format_time(a)} to {format_time(b)}"
        for a, b in report.damaged_spans(media.recording.jumps)
        if b >= piece.start_s and a < stop_s
    ]
    if not spans:
        return []
    where = ", ".join(spans[:10]) + (" and more" if len(spans) > 10 else "")
    return [
        f"damaged packets in the picture of recording {piece.source + 1}, at {where}: look there"
    ]


def _piece_pictures(
    piece: Piece,
    plan: Plan,
    media: Sequence[SourceMedia],
    options: Options,
    damage: list[str] | None = None,
) -> Iterator[tuple[float, Picture | None]]:
    """(out time, picture) of one piece; a held or black picture is repeated."""
    source = media[piece.source]
    limit = _fit_height(plan, plan.sources[piece.source])
    stop_s = piece.start_s + piece.length_s
    if piece.kind == "play":
        empty = True
        report = ReadReport()
        reading = read_pictures(
            source.path,
            source.recording,
            report=report,
            start_s=piece.start_s,
            stop_s=stop_s,
            max_height_px=limit,
            matrix=plan.matrix,
            double_rate=options.output.deinterlace == "double",
            threads=options.machine.threads,
        )
        for picture in ahead(reading):
            out_s = piece.out_start_s + max(0.0, picture.time_s - piece.start_s)
            yield (0.0 if empty and piece.out_start_s == 0 else out_s), picture
            empty = False
            stood, stood_s = picture, out_s
        if damage is not None:
            damage += _told_damage(report, piece, source)
        # Damaged at its end: the last picture stands until the part ends.
        step_s = 1 / max(plan.frame_rate_hz, 1.0)
        end_s = piece.out_start_s + piece.length_s - step_s
        if not empty and end_s - stood_s > 1.5 * step_s:
            yield end_s, stood
        return
    held: Picture | None = None
    if piece.kind == "freeze":
        last = None
        for picture in read_pictures(
            source.path,
            source.recording,
            start_s=max(0.0, piece.start_s - 1.0),
            stop_s=piece.start_s + 1e-4,
            max_height_px=limit,
            matrix=plan.matrix,
            threads=options.machine.threads,
        ):
            last = picture
        held = last
    count = max(1, round(piece.length_s * plan.frame_rate_hz))
    for number in range(count):
        yield piece.out_start_s + number * piece.length_s / count, held


def _fit_height(plan: Plan, source: PlannedSource) -> int | None:
    scale = source.moved[0]
    return None if scale == 1.0 else max(2, round(source.height_px * scale / 2) * 2)


class _Painter:
    """The mark over the whole clip: one painter, moved when the field moves."""

    def __init__(self, plan: Plan, coverage: NDArray[np.float32]) -> None:
        self._plan, self._coverage = plan, coverage
        self._painter: Any = None
        self._field: FieldSpan | None = None
        self._shot = -1

    def new_shot(self) -> None:
        self._shot += 1
        self._painter = None

    def paint(
        self, span: FieldSpan, planes: Sequence[NDArray[np.uint8]], time_s: float, cut: bool
    ) -> float | None:
        from pipeline.analysis.mark.painter import MarkPainter

        if self._plan.mark is None:
            return None
        if self._painter is None:
            self._painter = MarkPainter(
                self._plan.mark,
                self._coverage,
                span,
                self._plan.height_px,
                self._plan.width_px,
                self._plan.matrix,
                full_range=False,
                shot=self._shot,
            )
        elif self._field is not None and _geometry(self._field) != _geometry(span):
            self._painter.move(span)
        self._field = span
        return float(self._painter.paint(planes[0], planes[1], planes[2], time_s, cut=cut))


def _geometry(span: FieldSpan) -> tuple[float, ...]:
    return (span.center_x_px, span.center_y_px, span.radius_px, span.left_px, span.top_px,
            span.right_px, span.bottom_px)  # fmt: skip


def _draft_of(frame: Any, writer: PictureWriter, time_s: float) -> Any:
    small = frame.reformat(width=writer.width_px, height=writer.height_px, format="yuv420p")
    small.make_writable()
    paint_draft(planes_of(small)[0], time_s)
    return small


# --- sound ------------------------------------------------------------------------------


@dataclass(frozen=True)
class NarrationMedia:
    """The cleaned narration, mono, on its own axis.

    rest: the room's part of a live microphone on the same axis; None if there is none.
    """

    voice: Stem
    offset_s: float
    rest: Stem | None = None


@dataclass
class _Sound:
    procedure: Stem | None
    narration: Stem | None
    raw: Stem | None
    mix: Stem | None = None
    limited: dict[str, float] = field(default_factory=dict)
    gain_db: float = 0.0


def render_sound(
    plan: Plan,
    media: Sequence[SourceMedia],
    narration: NarrationMedia | None,
    options: Options,
    work: Path,
    *,
    progress: Progress = no_progress,
) -> _Sound:
    """Make the redacted procedure stem, the narration stem and the mix, on the clip's axis."""
    length = round(plan.duration_s * RATE_HZ)
    if plan.live:
        # One microphone: what is left beside the voice is the room, speech included.
        rest = narration.rest if narration is not None else None
        procedure = on_clip_axis(plan, rest, 0.0, work / "procedure.f32", length) if rest else None
    else:
        procedure = procedure_stem(plan, media, work, length)
    voice = None
    if narration is not None:
        voice = on_clip_axis(
            plan, narration.voice, narration.offset_s, work / "narration.f32", length,
            plan.voice_heard,
        )  # fmt: skip
    if plan.mix is None or (procedure is None and voice is None):
        return _Sound(procedure, voice, None)
    progress("mix", 0, 1)
    raw = write_stem(
        work / "mix.f32",
        plan.sound_channels,
        _mixed(plan, procedure, voice),
        length,
    )
    progress("mix", 1, 1)
    return _Sound(procedure, voice, raw)


def _mixed(plan: Plan, procedure: Stem | None, voice: Stem | None) -> Iterator[NDArray[np.float32]]:
    from pipeline.analysis.sound.mix import render_mix

    assert plan.mix is not None
    return render_mix(
        procedure.blocks() if procedure else None,
        voice.blocks() if voice else None,
        plan.mix,
        channels=plan.sound_channels,
    )


def loudness_of(path: Path, channels: int) -> Any:
    """Loudness of the sound of a finished file (`analysis.sound.loudness.Loudness`)."""
    from pipeline.analysis.sound.loudness import LoudnessFold

    fold = LoudnessFold(channels)
    for block in read_sound(path, channels=channels):
        fold.step(block)
    return fold.finish()


def to_loudness(
    raw: Stem,
    loudness_lufs: float,
    most_db: float,
    options: Options,
    work: Path,
    gain_db: float | None,
    margin_db: float,
) -> tuple[Stem, float, dict[str, float]]:
    """Bring the mix to its loudness below the true peak: static gain and a limiter.

    gain_db: None finds it by measuring, at most most_db; else it is taken as it is.
    """
    from pipeline.analysis.sound.limiter import LimiterReport, fit_gain, limit

    peak = options.output.true_peak_dbtp
    if gain_db is None:
        fit = fit_gain(
            raw.blocks,
            raw.channels,
            loudness_lufs,
            peak,
            margin_db=margin_db,
            most_passes=6,
            limits_db=(-60.0, most_db),
        )
        gain_db = fit.gain_db
    report = LimiterReport()
    made = write_stem(
        work / "sound.f32",
        raw.channels,
        limit(raw.blocks(), gain_db, peak - margin_db, report=report),
        raw.length,
    )
    limited = {
        key: round(float(value), 4)
        for key, value in vars(report).items()
        if isinstance(value, (int, float))
    }
    return made, gain_db, limited


def procedure_stem(
    plan: Plan, media: Sequence[SourceMedia], work: Path, length: int
) -> Stem | None:
    """The procedure sound of the clip with speech replaced, before any ducking."""
    used = {p.source for p in plan.pieces}
    redacted: dict[int, Stem] = {}
    for number in sorted(used):
        source = plan.sources[number]
        if source.has_sound:
            redacted[number] = _redacted_source(plan, media[number], source, work)
    if not redacted:
        return None
    stem = write_stem(work / "procedure.f32", 2, _procedure_blocks(plan, redacted), length)
    for part in redacted.values():
        part.path.unlink(missing_ok=True)
    return stem


def _redacted_source(plan: Plan, media: SourceMedia, source: PlannedSource, work: Path) -> Stem:
    from pipeline.analysis.sound.redact import replace_speech

    length = round(source.duration_s * RATE_HZ)
    raw = write_stem(
        work / f"source{source.number}.f32",
        2,
        procedure_sound(media, plan),
        length,
    )
    spans = [
        Span(r.start_s, r.stop_s)
        for r in plan.redactions
        if r.of_sound and r.source == source.number
    ]
    if not spans:
        return raw
    seed = int(source.sha256[:8], 16)
    made = write_stem(
        work / f"redacted{source.number}.f32",
        2,
        replace_speech(lambda a, b: raw.read(a, b - a), length, spans, seed, RATE_HZ),
        length,
    )
    raw.path.unlink()
    return made


def procedure_sound(media: SourceMedia, plan: Plan) -> Iterator[NDArray[np.float32]]:
    """The room's sound of one source, stereo, without the channel that holds the narration."""
    channel, recording = plan.narration_channel, media.recording
    if channel is None:
        yield from read_sound(media.path, origin_s=recording.video.start_s, jumps=recording.jumps)
        return
    yield from without_channel(media.path, recording.video.start_s, channel, recording.jumps)


def _procedure_blocks(plan: Plan, stems: dict[int, Stem]) -> Iterator[NDArray[np.float32]]:
    def read(piece: Piece, start: int, count: int) -> NDArray[np.float32]:
        if piece.source not in stems or not piece.sound:
            return np.zeros((2, count), np.float32)
        first = round(sound_start_s(piece, plan.pieces) * RATE_HZ)
        return stems[piece.source].read(first + start, count)

    yield from _gathered(plan, 2, read)


def _gathered(
    plan: Plan, channels: int, read: Callable[[Piece, int, int], NDArray[np.float32]]
) -> Iterator[NDArray[np.float32]]:
    """Sound of the pieces one after the other; short fades where they do not join."""
    edge = round(EDGE_S * RATE_HZ)
    ramp = (0.5 - 0.5 * np.cos(np.pi * (np.arange(edge) + 0.5) / edge)).astype(np.float32)
    joins = [False, *(_sound_joins(a, b, plan) for a, b in pairwise(plan.pieces)), False]
    for number, piece in enumerate(plan.pieces):
        first = round(piece.out_start_s * RATE_HZ)
        total = round((piece.out_start_s + piece.length_s) * RATE_HZ) - first
        at = 0
        while at < total:
            count = min(RATE_HZ, total - at)
            block = read(piece, at, count)
            if not joins[number] and at < edge:
                size = min(edge - at, count)
                block[:, :size] *= ramp[at : at + size]
            if not joins[number + 1] and at + count > total - edge:
                index = np.arange(max(0, total - edge - at), count)
                block[:, index] *= ramp[np.clip(total - 1 - (at + index), 0, edge - 1)]
            yield block
            at += count


def _sound_joins(a: Piece, b: Piece, plan: Plan) -> bool:
    if a.source != b.source or a.sound != b.sound:
        # Parts of a split recording are joined without a gap.
        one, two = plan.sources[a.source], plan.sources[b.source]
        return (
            one.recording == two.recording
            and a.kind == b.kind == "play"
            and a.start_s + a.length_s >= one.duration_s - 0.05
            and b.start_s <= 0.05
        )
    return abs(sound_start_s(a, plan.pieces) + a.length_s - sound_start_s(b, plan.pieces)) < 2e-3


def on_clip_axis(
    plan: Plan, stem: Stem, offset_s: float, target: Path, length: int,
    heard: tuple[float, float] | None = None,
) -> Stem:  # fmt: skip
    """A mono stem in case time (starting at `offset_s`) moved to the clip's axis.

    What an edit cuts out of case time is cut here too. heard: the part of clip time outside
    which it is silent.
    """
    from pipeline.analysis.sound.voice_cut import faded

    shift = round(offset_s * RATE_HZ)

    def blocks() -> Iterator[NDArray[np.float32]]:
        for piece in plan.pieces:
            first = round(piece.out_start_s * RATE_HZ)
            total = round((piece.out_start_s + piece.length_s) * RATE_HZ) - first
            start = round(piece.case_start_s * RATE_HZ) - shift
            for at in range(0, total, RATE_HZ):
                block = stem.read(start + at, min(RATE_HZ, total - at))
                yield (
                    block if heard is None else faded(block, (first + at) / RATE_HZ, RATE_HZ, heard)
                )

    return write_stem(target, stem.channels, blocks(), length)
