"""The narration of a case, prepared: cleaned, split from the room, placed and measured.

All sound here is at 48 kHz, float32 (channel, sample), one channel.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound import loudness, speech, speech_spans
from pipeline.analysis.sound.drift import LEAST_S, find_drift, in_step
from pipeline.analysis.sound.live import live_available, split_live
from pipeline.analysis.sound.loudness import LoudnessFold
from pipeline.analysis.sound.narration import HumFold, cleaned, without_spans
from pipeline.analysis.sound.offset import OFFSET_LEAST_CONFIDENCE, EnvelopeFold, find_offset
from pipeline.analysis.sound.quality import (
    ClippedFold,
    NarrationQuality,
    levels_of_speech,
    quality_told,
    reverberation_s,
)
from pipeline.errors import InputError
from pipeline.media.captions import Cue, read_captions
from pipeline.media.guard import check_sound_apart
from pipeline.media.sound import only_channel, read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.model.time import Span
from pipeline.stages.harmed_narration import damaged_in_case, whole_sound
from pipeline.stages.intake import OpenedCase
from pipeline.stages.measure import source_inputs, source_media
from pipeline.stages.planning.given import NarrationInput
from pipeline.stages.planning.parts import case_axis
from pipeline.stages.progress import Progress
from pipeline.stages.rendering.given import NarrationMedia, SourceMedia
from pipeline.stages.scripted import caption_texts, captions_by_ear, is_script
from pipeline.stages.survey import Surveyed
from pipeline.store.work import writing


@dataclass(frozen=True)
class Narration:
    """What was measured of it, for the plan, and its sound, for the renderer."""

    measured: NarrationInput
    media: NarrationMedia


def measure_narration(
    opened: OpenedCase,
    surveyed: Sequence[Surveyed],
    speech_threshold: float,
    work: Path,
    progress: Progress,
) -> Narration | None:
    """Clean the narration, keep it as a stem, and measure its speech and levels.

    A narration file lies on its own axis. A narration channel or live narration is
    taken from the kept parts joined, so it lies in case time. The stems lie in `work`.
    None if the case has no narration. Raises InputError, OutputError.
    """
    wanted = opened.case.narration
    if wanted is None:
        return None
    warnings: list[str] = []
    progress("narration", 0, 1)
    raw, rest, harmed = _read(opened, surveyed, work, warnings)
    raw, offset_s, confidence, rate_ppm = _placed(opened, surveyed, raw, work, warnings)
    case_s = case_axis(opened.case, source_inputs(opened, surveyed)).case.stop_s
    if case_s and not -raw.length / 48_000 < offset_s < case_s:
        raise InputError(
            "The narration is heard at no moment of the recordings",
            f"it starts at {offset_s:g} s and is {raw.length / 48_000:.1f} s long, they end at"
            f" {case_s:.1f} s",
            "mend offset_s in the case.toml",
        )
    voice = _cleaned(raw, work)
    spans, power, quality = _levels(voice, raw, speech_threshold)
    raw.path.unlink()
    if not spans:
        warnings.append("no speech was found in the narration: nothing is ducked")
    if wanted.file is not None:
        warnings += quality_told(quality)
    captions = _captions(opened.captions, voice, spans, rate_ppm, warnings)
    progress("narration", 1, 1)
    measured = NarrationInput(
        duration_s=voice.length / 48_000,
        spans=spans,
        hop_power=power,
        offset_s=offset_s,
        rest_hop_power=_power(rest) if rest is not None else None,
        warnings=warnings,
        offset_confidence=confidence,
        rate_ppm=rate_ppm,
        damage=[Span(*(t / (1 + 1e-6 * rate_ppm) for t in span)) for span in harmed],
        captions=captions,
        caption_texts=caption_texts(opened.captions) if opened.captions else [],
    )
    return Narration(measured, NarrationMedia(voice, offset_s, rest))


def spoken_voice(
    opened: OpenedCase, surveyed: Sequence[Surveyed], speech_threshold: float, work: Path
) -> tuple[Stem, list[Span]]:
    """The narrator's cleaned voice on its own axis, and where it speaks.

    surveyed: needed only where the narration is no file. Raises InputError where it holds no
    sound, OutputError.
    """
    raw, _, _ = _read(opened, surveyed, work, [])
    voice = _cleaned(raw, work)
    spans, _, _ = _levels(voice, raw, speech_threshold)
    raw.path.unlink()
    return voice, spans


def _read(
    opened: OpenedCase, surveyed: Sequence[Surveyed], work: Path, warnings: list[str]
) -> tuple[Stem, Stem | None, list[Span]]:
    """(voice, the room beside it where it is live, what is damaged of it), on its own axis."""
    harmed: list[Span] = []
    raw = write_stem(work / "voice_raw.f32", 1, _narration_blocks(opened, surveyed, harmed))
    if not raw.length:
        raise InputError("The narration holds no sound", "", "give a recording of the voice")
    if harmed:
        # What was not read as it was written may be as loud as can be.
        silent = write_stem(work / "voice_whole.f32", 1, without_spans(raw.blocks(), harmed))
        raw.path.unlink()
        raw = silent
    rest = None
    if opened.case.narration is not None and opened.case.narration.live:
        raw, rest = _split_live(raw, work, warnings)
    return raw, rest, harmed


def _captions(
    path: Path | None, voice: Stem, spans: Sequence[Span], rate_ppm: float, warnings: list[str]
) -> list[Cue]:
    """The captions on the axis of the voice, which was brought into step."""
    if path is None:
        return []
    if is_script(path):
        return captions_by_ear(path, voice, spans, warnings)
    mended = 1 + 1e-6 * rate_ppm
    return [(a / mended, b / mended, text) for a, b, text in read_captions(path)]


def _placed(
    opened: OpenedCase,
    surveyed: Sequence[Surveyed],
    raw: Stem,
    work: Path,
    warnings: list[str],
) -> tuple[Stem, float, float | None, float]:
    """(sound in step, where it starts in case time, confidence if looked for, rate in ppm).

    A file that was recorded in the room is placed, and brought into step, by the sound that
    both heard; below the least confidence it starts at 0, with a warning.
    """
    wanted = opened.case.narration
    if wanted is None or wanted.file is None:
        return raw, 0.0, None, 0.0
    given_s = None if wanted.offset_s == "auto" else wanted.offset_s
    if wanted.rate_ppm != "auto":
        raw = _in_step(raw, wanted.rate_ppm, work)
        rate_ppm = wanted.rate_ppm
        if given_s is not None:
            return raw, given_s, None, rate_ppm
        offset_s, confidence = _offset(*_envelopes(opened, surveyed, raw), warnings)
        return raw, offset_s, confidence, rate_ppm
    long = raw.length >= LEAST_S * 48_000
    if given_s is not None and not long:
        return raw, given_s, None, 0.0
    heard, taken = _envelopes(opened, surveyed, raw)
    drift = find_drift(heard, taken, given_s) if long else None
    if drift is not None:
        raw = _in_step(raw, drift.rate_ppm, work)
        warnings.append(
            f"the narration is too long by {drift.rate_ppm:.0f} millionths, as the room sound"
            f" tells that it shares with the recording ({3.6e-3 * drift.rate_ppm:.2f} s in an"
            " hour): it was brought into step; listen to its end"
        )
        if given_s is None:
            heard, taken = _envelopes(opened, surveyed, raw)
    rate_ppm = drift.rate_ppm if drift is not None else 0.0
    if given_s is not None:
        return raw, given_s, None, rate_ppm
    offset_s, confidence = _offset(heard, taken, warnings)
    return raw, offset_s, confidence, rate_ppm


def _in_step(raw: Stem, rate_ppm: float, work: Path) -> Stem:
    if not rate_ppm:
        return raw
    made = write_stem(work / "voice_in_step.f32", 1, in_step(raw.blocks(), rate_ppm))
    raw.path.unlink()
    return made


def _envelopes(
    opened: OpenedCase, surveyed: Sequence[Surveyed], raw: Stem
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Band levels of the case's own sound and of the take."""
    heard, taken = EnvelopeFold(1), EnvelopeFold(1)
    for block in _case_blocks(opened, surveyed, 0):
        heard.step(block)
    for block in raw.blocks():
        taken.step(block)
    return heard.finish(), taken.finish()


def _offset(
    heard: NDArray[np.float32], taken: NDArray[np.float32], warnings: list[str]
) -> tuple[float, float]:
    """Where a take starts in case time by the room that both heard, and the confidence."""
    found = find_offset(heard, taken)
    confidence = round(found.confidence, 2)
    if found.confidence < OFFSET_LEAST_CONFIDENCE:
        warnings.append(
            "no offset of the narration is given, and the room is not heard in it well enough"
            f" to find one (confidence {confidence}): it starts at 0"
        )
        return 0.0, confidence
    warnings.append(
        f"the narration is placed at {found.offset_s:.2f} s by the room sound that it shares with"
        f" the recording (confidence {confidence}): listen to it"
    )
    return round(found.offset_s, 3), confidence


def _cleaned(raw: Stem, work: Path) -> Stem:
    """Without rumble and mains hum, faded in and out."""
    hum = HumFold(1)
    for block in raw.blocks():
        hum.step(block)
    return write_stem(work / "voice.f32", 1, cleaned(raw.blocks(), hum.finish(), raw.length))


def _split_live(raw: Stem, work: Path, warnings: list[str]) -> tuple[Stem, Stem | None]:
    """(voice, rest) of one microphone; (all of it, None) where splitting is not installed."""
    if not live_available():
        warnings.append(
            "live narration is not split from the room: install fieldstop[live] to duck the room"
        )
        return raw, None
    rest = Stem(work / "rest.f32", 1)
    with writing(), rest.path.open("wb") as file:

        def voices() -> Iterator[NDArray[np.float32]]:
            for voice, other in split_live(raw.blocks()):
                file.write(np.ascontiguousarray(other.T, np.float32).data)
                yield voice

        voice = write_stem(work / "voice_split.f32", 1, voices())
    raw.path.unlink()
    return voice, rest


def _levels(
    voice: Stem, raw: Stem, threshold: float
) -> tuple[list[Span], NDArray[np.float32], NarrationQuality]:
    """(speech, power per 100 ms) of the cleaned voice, and how well it was recorded."""
    fold, voices = loudness.LoudnessFold(voice.channels), speech.SpeechFold(voice.channels)
    falls = EnvelopeFold(voice.channels)
    for block in voice.blocks():
        for each in (fold, voices, falls):
            each.step(block)
    spans = list(speech_spans.narration_spans(voices.finish(), threshold))
    power = np.asarray(fold.finish().hop_power, np.float32)
    # Filters move peaks: what was clipped is seen in the sound as it was recorded.
    clipped = ClippedFold()
    for block in raw.blocks():
        clipped.step(block)
    clipped_s = clipped.finish()
    spoken_s = sum(s.length_s for s in spans)
    speech_lufs, over_noise_db = levels_of_speech(power, spans)
    quality = NarrationQuality(
        speech_lufs,
        over_noise_db,
        min(1.0, clipped_s / spoken_s) if spoken_s else 0.0,
        reverberation_s(falls.finish()),
    )
    return spans, power, quality


def _power(stem: Stem) -> NDArray[np.float32]:
    fold = LoudnessFold(stem.channels)
    for block in stem.blocks():
        fold.step(block)
    return np.asarray(fold.finish().hop_power, np.float32)


def _narration_blocks(
    opened: OpenedCase, surveyed: Sequence[Surveyed], harmed: list[Span]
) -> Iterator[NDArray[np.float32]]:
    """The narration as it was recorded; `harmed` gets where it is damaged, on its own axis."""
    if opened.narration is not None:
        check_sound_apart(opened.narration)
        yield from whole_sound(opened.narration, harmed)
        return
    narration = opened.case.narration
    channel = (narration.channel if narration is not None else None) or 0
    harmed += damaged_in_case(
        case_axis(opened.case, source_inputs(opened, surveyed)), [s.survey for s in surveyed]
    )
    yield from _case_blocks(opened, surveyed, channel)


def _case_blocks(
    opened: OpenedCase, surveyed: Sequence[Surveyed], channel: int
) -> Iterator[NDArray[np.float32]]:
    """The recordings' sound in case time, (1, n): one channel, or for 0 their mean."""
    sources = source_media(opened, surveyed)
    for kept in case_axis(opened.case, source_inputs(opened, surveyed)).kept:
        media = sources[kept.source]
        if not media.recording.audio:
            yield np.zeros((1, round(kept.in_case.length_s * 48_000)), np.float32)
            continue
        yield from _cut(
            only_channel(media.path, media.recording.video.start_s, channel, media.recording.jumps)
            if channel
            else _mono(media),
            round(kept.start_s * 48_000),
            round(kept.stop_s * 48_000),
        )


def _mono(media: SourceMedia) -> Iterator[NDArray[np.float32]]:
    return read_sound(
        media.path,
        origin_s=media.recording.video.start_s,
        channels=1,
        jumps=media.recording.jumps,
    )


def _cut(
    blocks: Iterator[NDArray[np.float32]], start: int, stop: int
) -> Iterator[NDArray[np.float32]]:
    """Samples [start, stop) of a stream, padded with silence if it ends early."""
    at = 0
    for block in blocks:
        first, last = max(start - at, 0), min(stop - at, block.shape[1])
        if last > first:
            yield block[:, first:last]
        at += block.shape[1]
        if at >= stop:
            return
    if at < stop:
        yield np.zeros((1, stop - max(at, start)), np.float32)
