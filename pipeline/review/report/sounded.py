"""Sound of a report: levels, depth under the narration, sound pictures, short players."""

from __future__ import annotations

import contextlib
import io
from collections.abc import Sequence
from importlib.metadata import version
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.depth import DuckingFold
from pipeline.analysis.sound.gain import gain_at
from pipeline.analysis.sound.loudness import LoudnessFold, momentary_lufs
from pipeline.analysis.sound.sound_pictures import (
    BANDS,
    FFT,
    RATE_HZ,
    MelPictureFold,
    mel_bank,
)
from pipeline.analysis.sound.tracks import render_tracks, to_channels
from pipeline.media.stems import Stem
from pipeline.model.survey import TrackLoudness
from pipeline.model.time import Span, merge_spans
from pipeline.review.report.data import (
    Player,
    SoundPicture,
    SoundReport,
)
from pipeline.review.report.named import recording_name
from pipeline.stages.planning.levels import replaced_spans
from pipeline.stages.room import NOT_TOLD
from pipeline.stages.values import CaseResult
from pipeline.store.cache import Cache

SHOWN_SPANS = 24
PLAYER_S = 8.0
PICTURE_COLUMNS = 900


def sound_report(run: CaseResult) -> SoundReport:

    plan, rendered = run.plan, run.rendered
    if plan is None or rendered is None or plan.mix is None:
        return SoundReport()
    tracks: dict[str, LoudnessFold] = {
        name: LoudnessFold(plan.sound_channels) for name in ("narration", "background", "mix")
    }
    ducking = run.verified.ducking if run.verified else None
    fold = None
    if ducking is None and rendered.narration is not None and plan.narration:
        fold = DuckingFold(plan.sound_channels)  # a draft is not verified
    for behind, front in render_tracks(
        rendered.stem.blocks() if rendered.stem else None,
        rendered.narration.blocks() if rendered.narration else None,
        plan.mix,
        plan.sound_channels,
    ):
        tracks["background"].step(behind)
        tracks["narration"].step(front)
        tracks["mix"].step(front + behind)
        if fold is not None:
            fold.step(front, behind)
    after = {name: track.finish() for name, track in tracks.items()}
    pictures, redacted = _heard_stems(run, fold)
    if fold is not None:
        ducking = fold.finish(plan.mix.depth_lu, [Span(*s) for s in plan.narration])
    front_lufs = momentary_lufs(after["narration"].hop_power)
    back_lufs = momentary_lufs(after["background"].hop_power)
    count = min(len(front_lufs), len(back_lufs))
    front_lufs, back_lufs = front_lufs[:count], back_lufs[:count]
    time_s = np.arange(count) * 0.1 + 0.2
    difference = np.full(count, np.nan)
    if ducking is not None and ducking.time_s.size:  # drawn is what was counted
        index = np.searchsorted(ducking.time_s, time_s).clip(0, ducking.time_s.size - 1)
        difference = np.asarray(ducking.depth_series_lu, np.float64)[index]
    numbers: list[tuple[str, float | str | None, str]] = []
    if ducking is not None:
        leads, releases = ducking.onset_lead_s, ducking.release_s
        numbers = [
            (f"Share of the narration at least {plan.mix.depth_lu:g} LU over the background",
             ducking.share, "of 1"),
            ("95 % of the narration stands over it by at least", ducking.p5_lu, "LU"),
            ("Where it is least, it stands over it by", ducking.least_lu, "LU"),
            *(
                [("Background between narrations", ducking.background_gap_lufs, "LUFS")]
                if ducking.background_gap_lufs is not None
                else []
            ),
            ("Times the background goes down for the voice", len(leads), ""),
        ]
        if leads:
            numbers += [
                ("It is down before the first word by, at least", min(leads), "s"),
                ("… in 95 % of the times, at least", float(np.percentile(leads, 5)), "s"),
            ]
        if releases:
            numbers.append(("It is back after, as a rule", float(np.median(releases)), "s"))
    if plan.narration_offset_confidence is not None:
        numbers += [
            ("Narration placed at", plan.narration_offset_s, "s"),
            ("… how sure that place is", plan.narration_offset_confidence, "of 1"),
        ]
    if plan.narration_rate_ppm:
        numbers.append(("Narration brought into step, it was too long by", plan.narration_rate_ppm,
                        "millionths"))  # fmt: skip
    if rendered.limited:
        limited = rendered.limited
        numbers += [
            ("The whole mix was raised by", rendered.gain_db, "dB"),
            ("Most that peaks were lowered by", limited.get("max_reduction_db"), "dB"),
            ("Time in which peaks were lowered", limited.get("reduced_s"), "s"),
            ("… by more than 3 dB", limited.get("strongly_reduced_s"), "s"),
        ]
        if aborted := limited.get("encoder_aborted"):
            numbers.append(("Coded anew, unheard, as the encoder ended itself over it", aborted,
                            "times"))  # fmt: skip
    loudness: list[Any] = [
        (
            f"Procedure, {recording_name(run.opened.case, run, n)}",
            s.survey.loudness,
            None,
        )
        for n, s in enumerate(run.surveyed)
        if s.survey.loudness is not None
    ]
    loudness.append(("Procedure in the clip", redacted, after["background"].track()))
    if rendered.narration is not None:
        before = LoudnessFold(1)
        for block in rendered.narration.blocks():
            before.step(block)
        loudness.append(("Narration", before.finish().track(), after["narration"].track()))
    final = run.verified.loudness.track() if run.verified and run.verified.loudness else None
    loudness.append(("Mix, then the finished file", after["mix"].track(), final))
    replaced = _replaced_spans(run)
    return SoundReport(
        time_s=time_s,
        narration_lufs=front_lufs,
        background_lufs=back_lufs,
        difference_lu=difference,
        difference_share=None if ducking is None else ducking.share,
        background_gain_db=gain_at(plan.mix.background_gain, time_s)
        if plan.mix.background_gain
        else np.zeros(count),
        narration_speech=plan.narration,
        procedure_speech=replaced["procedure_speech"],
        undecided=replaced["undecided"],
        overruled=replaced["overruled"],
        pictures=pictures,
        depth_lu=plan.mix.depth_lu,
        ducking=numbers,
        loudness=loudness,
    )


def _heard_stems(run: CaseResult, fold: Any) -> tuple[list[SoundPicture], TrackLoudness | None]:
    """Mel pictures of both tracks before their gains, and the redacted track's loudness.

    fold: a DuckingFold that still needs the background before its gain, or None.
    """

    plan, rendered = run.plan, run.rendered
    assert plan is not None and rendered is not None
    length = max(1, round(plan.duration_s * 48_000))
    out: list[SoundPicture] = []
    redacted: TrackLoudness | None = None
    bank = kept_bank(Cache(run.options.machine.cache_gb))
    for name, stem in (("Narration", rendered.narration), ("Procedure", rendered.stem)):
        if stem is None:
            continue
        picture = MelPictureFold(PICTURE_COLUMNS, length, bank)
        meter = LoudnessFold(plan.sound_channels)
        for block in stem.blocks():
            picture.step(block)
            if name == "Procedure":
                same = to_channels(block, plan.sound_channels)
                meter.step(same)
                if fold is not None:
                    fold.step_source(same)
        if name == "Procedure":
            redacted = meter.finish().track()
        out.append(SoundPicture(name, _mel_png(picture.finish()), plan.duration_s))
    return out, redacted


def kept_bank(cache: Cache) -> NDArray[np.float32]:
    """`mel_bank`, from the cache where it was made before; what lies there damaged is made anew."""
    key = f"mel bank, librosa {version('librosa')}, {BANDS} x {FFT} at {RATE_HZ}"
    kept = cache.get(key, "bank.npy")
    with contextlib.suppress(ValueError, EOFError, OSError):
        bank = np.load(io.BytesIO(kept or b""), allow_pickle=False)
        if bank.shape == (BANDS, FFT // 2 + 1) and bank.dtype == np.float32:
            return np.asarray(bank, np.float32)
    made, file = mel_bank(), io.BytesIO()
    np.save(file, made)
    cache.put(key, {"bank.npy": file.getvalue()})
    return made


def _mel_png(picture: np.ndarray[Any, Any]) -> bytes:
    """(band, column) in dB, -80..0, as a grey picture: ink where it sounds, low at the foot."""
    import cv2

    ink = np.clip((picture + 70.0) / 70.0, 0.0, 1.0)
    grey = (255 - 215 * ink[::-1]).astype(np.uint8)
    done, data = cv2.imencode(".png", grey)
    assert done
    return bytes(data)


def _replaced_spans(run: CaseResult) -> dict[str, list[Any]]:
    """Spans of the clip in which the procedure sound is replaced, by the reason, and kept ones."""

    plan = run.plan
    assert plan is not None
    told = {word: why for why, word in NOT_TOLD.items()}
    spoken = [r for r in plan.redactions if r.what == "speech" and r.reason not in told]
    out: list[tuple[float, float, str]] = []
    for word in NOT_TOLD.values():
        rows = [r for r in plan.redactions if r.what == "speech" and r.reason == word]
        out += [(s.start_s, s.stop_s, word) for s in replaced_spans(plan.pieces, rows)]
    return {
        "procedure_speech": [tuple(s) for s in replaced_spans(plan.pieces, spoken)],
        "undecided": sorted(out),
        "overruled": [tuple(s) for s in replaced_spans(plan.pieces, plan.overruled)],
    }


def players(run: CaseResult) -> list[Player]:
    """Redacted procedure and narration side by side untreated, and the mix, as Ogg."""
    plan, rendered = run.plan, run.rendered
    if plan is None or rendered is None or rendered.mix is None or not plan.narration:
        return []
    out = []
    for start, stop in _phrases(plan.narration)[:SHOWN_SPANS]:
        first = max(0.0, start - 1.0)
        last = min(plan.duration_s, stop + 1.0, first + PLAYER_S)
        a, count = round(first * 48_000), round((last - first) * 48_000)
        before = np.zeros((2, count), np.float32)
        for stem in (rendered.stem, rendered.narration):
            if stem is not None:
                before += _stereo(stem, a, count)
        after = _stereo(rendered.mix, a, count)
        out.append(Player((first, last), _ogg(before), _ogg(after)))
    return out


def _phrases(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Narrated spans; those less than 0.8 s apart are listened to as one."""
    return [(s.start_s, s.stop_s) for s in merge_spans(spans, 0.8)]


def _stereo(stem: Stem, start: int, count: int) -> np.ndarray[Any, Any]:
    block = stem.read(start, count)
    return np.repeat(block, 2, axis=0) if block.shape[0] == 1 else block


def _ogg(block: np.ndarray[Any, Any]) -> bytes:
    import soundfile

    buffer = io.BytesIO()
    peak = float(np.abs(block).max()) if block.size else 0.0
    soundfile.write(buffer, (block / max(1.0, peak)).T, 48_000, format="OGG", subtype="VORBIS")
    return buffer.getvalue()
