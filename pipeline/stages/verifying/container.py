"""The finished file as a container: formats, lengths, tags, titles of chapters."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from pipeline.analysis.identity.texts import Leaving
from pipeline.media.container import open_media
from pipeline.media.tags import check_container
from pipeline.media.write import chapter_text
from pipeline.model.plan import Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.stages.texts import open_texts, shown_texts
from pipeline.stages.verifying.result import make_check
from pipeline.stages.verifying.text_track import text_track_check
from pipeline.store.texts import ConfirmedTexts

_CHAPTER_S = 0.05
_TITLE_BYTES = 255  # of a title in the short list of chapters, which has one byte for the length


def stream_checks(
    path: Path, recording: Recording, plan: Plan | None = None, *, signed: bool = False
) -> list[Check]:
    may = plan.text_track if plan else True
    titles = planned_title(plan) if plan else read_title
    checks = check_container(path, titles, captions=may, signed=signed)
    with closing(open_media(path)) as container:
        pictures, sounds = container.streams.video, container.streams.audio
        video = pictures[0]
        length_s = _end_s(container, video)
        sound_s = float((sounds[0].duration or 0) * sounds[0].time_base) if sounds else None
        codec, sound_codec = (
            video.codec_context.name,
            sounds[0].codec_context.name if sounds else "",
        )
        rate_hz = sounds[0].codec_context.sample_rate if sounds else None
    plain = codec == "h264" and recording.video.pixel_format == "yuv420p"
    said = f"{codec} {recording.video.pixel_format}"
    checks.append(make_check("picture format", said, "h264 yuv420p", "", plain))
    if sounds:
        good = sound_codec == "aac" and rate_hz == 48_000
        checks.append(
            make_check("sound format", f"{sound_codec} {rate_hz}", "aac 48000", "Hz", good)
        )
    if sound_s is not None:
        apart_s = abs(length_s - sound_s)
        limit_s = round(1.5 / max(recording.frame_rate_hz, 1) + 0.03, 3)
        checks.append(
            make_check("picture and sound end together", apart_s, limit_s, "s", apart_s <= limit_s)
        )
    if plan is not None:
        tagged = recording.video.matrix == plan.matrix and not recording.video.matrix_assumed
        checks.append(make_check("colour tags", recording.video.matrix, plan.matrix, "", tagged))
        size, planned = (f"{s.width_px} x {s.height_px}" for s in (recording, plan))
        checks.append(make_check("picture size", size, planned, "px as shown", size == planned))
        off_s = abs(length_s - plan.duration_s)
        limit_s = round(1.5 / max(plan.frame_rate_hz, 1), 3)
        checks.append(make_check("length as planned", off_s, limit_s, "s", off_s <= limit_s))
        checks.append(_chapters_check(path, plan))
        if plan.text_track:
            wanted = [(c.start_s, c.stop_s, c.text) for c in plan.captions]
            checks.append(text_track_check(path, wanted))
    return checks


def _end_s(container: Any, video: Any) -> float:
    """When the last picture ends: shown as long as pictures are on average, or as the header says.

    The header says what the writer was told; later than an average picture it is where the last
    one stands for longer. That no picture is missing before is asked elsewhere (`moments`). The
    length of a sample does not tell: with pictures in another order it may count a gap long past.
    """
    import av

    with suppress(av.error.FFmpegError):
        container.seek(max(0, (video.duration or 1) - 1), stream=video, backward=True)
    times = [p.pts for p in container.demux(video) if p.pts is not None]
    first = video.start_time or 0
    last = max(times, default=first)
    spacing = (last - first) / (video.frames - 1) if video.frames > 1 else video.duration or 0
    return float(max(last + spacing, first + (video.duration or 0)) * video.time_base)


def _chapters_check(path: Path, plan: Plan) -> Check:
    """Each chapter has its own title and begins where it should."""
    with closing(open_media(path)) as container:
        found = [
            (float(c["start"] * c["time_base"]), str(c["metadata"].get("title", "")))
            for c in container.chapters()
        ]
    wanted = [(c.start_s, chapter_text(c.title).strip()) for c in plan.chapters]
    right = len(found) == len(wanted)
    for (at_s, title), (wanted_s, planned) in zip(found, wanted, strict=False):
        cut = planned.encode()[:_TITLE_BYTES].decode("utf-8", "replace")
        right &= abs(at_s - wanted_s) <= _CHAPTER_S and title.strip() in (planned, cut)
    unit = "" if right else "titles and times beside the plan"
    return make_check("chapters", len(found), len(wanted), unit, right)


def planned_title(plan: Plan) -> Callable[[str], bool]:
    planned = {chapter_text(c.title).strip() for c in plan.chapters}
    cut = {title.encode()[:_TITLE_BYTES].decode("utf-8", "replace") for title in planned}
    return lambda title: title.strip() in planned | cut


def read_title(title: str) -> bool:
    """Of a file without its plan: words of the vocabulary, or confirmed by this user."""
    return not open_texts(shown_texts([Leaving("chapter", title)], ConfirmedTexts().known()))
