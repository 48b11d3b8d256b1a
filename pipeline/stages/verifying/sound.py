"""The finished sound: loudness, speech that was left, the depth of the narration."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound import speech, speech_spans, voice_activity
from pipeline.analysis.sound.depth import DuckingFold
from pipeline.analysis.sound.loudness import LoudnessFold, gate_doubt_lu
from pipeline.analysis.sound.mix import aim
from pipeline.analysis.sound.second_meter import SecondMeter
from pipeline.analysis.sound.tracks import render_mix, render_tracks, to_channels
from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.model.survey import Voice
from pipeline.model.time import Span, subtract_spans
from pipeline.stages.judged import beside, judged
from pipeline.stages.planning.levels import replaced_spans
from pipeline.stages.verifying.mixed import MixedFold
from pipeline.stages.verifying.result import Verifying, make_check

LOUDNESS_LIMIT_LU = 0.2
METERS_LIMIT_LU = 0.2
"""Between two meters: EBU Tech 3341 allows each 0.1 LU."""
QUIET_LIMIT_LU = 1.0
STEM_LIMIT_S = 0.5
SECOND_PHASE_S = speech.HOP_S / 2
_STEM_HZ = 48_000


def sound_checks(
    path: Path,
    recording: Recording,
    options: Options,
    result: Verifying,
    silent: bool = False,
    wanted_lufs: float | None = None,
    mixed: MixedFold | None = None,
) -> list[Check]:
    """wanted_lufs: what the peaks of the sound allow; the profile's loudness if left out.

    mixed: what should be heard; left out where no plan says it.
    """
    if not recording.audio:
        return (
            [make_check("sound", "none", "", "", silent)]
            if silent
            else [make_check("sound", "none", "one stream", "", False)]
        )
    channels = min(2, recording.audio[0].channels)
    fold, second = LoudnessFold(channels), SecondMeter(channels)
    for block in read_sound(path, origin_s=recording.video.start_s, channels=channels):
        fold.step(block)
        second.step(block)
        if mixed is not None:
            mixed.step(block)
    measured = fold.finish()
    apart_lu = second.finish(measured.hop_power)
    result.loudness = measured
    target, peak = options.output.loudness_lufs, options.output.true_peak_dbtp
    found = measured.integrated_lufs
    checks = []
    # Where blocks lie at the gate, coding decides which count: it may measure less, never more.
    highest_lufs = target + LOUDNESS_LIMIT_LU
    unit, below_lu = "LUFS", max(LOUDNESS_LIMIT_LU, gate_doubt_lu(measured.hop_power))
    if wanted_lufs is not None and wanted_lufs < target - LOUDNESS_LIMIT_LU:
        # A few clicks make its loudness, and coding changes them: it may be a little quieter.
        target, unit = round(wanted_lufs, 1), "LUFS, as far as it may be raised"
        below_lu = max(QUIET_LIMIT_LU, below_lu)
    if found is None:
        checks.append(make_check("loudness", "silent", target, unit, True))
    else:
        checks.append(
            make_check(
                "loudness",
                found,
                target,
                unit,
                target - below_lu <= found <= highest_lufs,
            )
        )
    checks.append(
        make_check(
            "two meters of loudness agree", "silent" if apart_lu is None else apart_lu,
            METERS_LIMIT_LU, "LU apart in the worst minute",
            apart_lu is None or apart_lu <= METERS_LIMIT_LU,
        )
    )  # fmt: skip
    top = measured.true_peak_dbtp
    checks.append(
        make_check("true peak", "silent" if top is None else top, peak, "dBTP",
               top is None or top <= peak + 0.05)
    )  # fmt: skip
    return checks + (mixed.finish() if mixed is not None else [])


def aimed_lufs(
    plan: Plan, stem: Stem | None, narration: Stem | None, options: Options
) -> float | None:
    """The loudness that the two tracks can be brought to, by the plan's gains."""
    mix = plan.mix
    if mix is None or (stem is None and narration is None):
        return None

    def mixed() -> Iterator[NDArray[np.float32]]:
        behind, front = (s.blocks() if s is not None else None for s in (stem, narration))
        return render_mix(behind, front, mix, channels=plan.sound_channels)

    return aim(mix, mixed, plan.sound_channels)[0]


def stem_checks(
    stem: Stem | None, plan: Plan, voice_consent: bool, result: Verifying | None = None
) -> list[Check]:
    """Speech left in the redacted procedure sound, heard without the narration.

    result: takes the spans in which some was heard, to be replaced in another round.
    """
    name = "speech left in the procedure sound"
    if stem is None:
        return [make_check(name, "no procedure sound", 0, "s", True)]
    if voice_consent:
        return [make_check(name, "consent covers voices", "", "", True)]
    left, unjudged = _left_over(stem, plan)
    who = judged(plan.overruled, "speech")
    if result is not None:
        result.missed += _to_be_replaced(left, plan)
    return [
        _spans_check(name, left, who),
        _spans_check("procedure sound that cannot be judged", unjudged, who),
    ]


def voices_left(stem: Stem | None, plan: Plan, voice_consent: bool) -> list[Voice]:
    """What `stem_checks` would withhold a clip for and another round can replace; empty if none."""
    if stem is None or voice_consent:
        return []
    left, _ = _left_over(stem, plan)
    return _to_be_replaced(left, plan) if _too_long(left) else []


def _left_over(stem: Stem, plan: Plan) -> tuple[list[Span], list[Span]]:
    """Spans of speech, and of sound that cannot be judged, that no person let through."""
    heard = _heard_apart(stem)
    overruled = replaced_spans(plan.pieces, plan.overruled)
    spoken, _ = speech_spans.room_speech_spans(heard, pad_s=0)  # by the survey's thresholds
    unjudged = speech_spans.unjudged_spans(heard, replaced_spans(plan.pieces, plan.redactions))
    return subtract_spans(spoken, overruled), subtract_spans(unjudged, overruled)


def _to_be_replaced(left: Sequence[Span], plan: Plan) -> list[Voice]:
    """In clip time. Of a live microphone none: there a person marks the narrator."""
    return [] if plan.live else [Voice(start_s=s.start_s, stop_s=s.stop_s) for s in left]


def _too_long(spans: Sequence[Span]) -> bool:
    return sum(s.length_s for s in spans) > STEM_LIMIT_S


def _heard_apart(track: Stem) -> speech.SpeechSeries:
    """Scores along a track by another look than the survey's: the detectors' windows lie half a
    window beside its own, so that none holds the same samples.
    """
    fold = speech.SpeechFold(track.channels, detectors=voice_activity.room_detectors())
    fold.step(np.zeros((track.channels, round(SECOND_PHASE_S * _STEM_HZ)), np.float32))
    for block in track.blocks():
        fold.step(block)
    return fold.finish()


def live_checks(narration: Stem | None, plan: Plan, voice_consent: bool) -> list[Check]:
    """Speech of a live microphone that nobody marked as the narrator's."""
    if not plan.live or narration is None or voice_consent:
        return []
    heard = _heard_apart(narration)
    spoken = speech_spans.narration_spans(heard, threshold=0.5, onset_pad_s=0, end_pad_s=0)
    marked = replaced_spans(plan.pieces, plan.overruled)
    who = judged(plan.overruled, "speech")
    return [_spans_check("live speech that nobody marked", subtract_spans(spoken, marked), who)]


def _spans_check(name: str, spans: Sequence[Span], judged_by: str = "") -> Check:
    """judged_by: what a person let through is said, and never counted as measured."""
    total_s = sum(s.length_s for s in spans)
    at = f", first at {spans[0].start_s:.1f} s" if spans else ""
    return make_check(
        name, beside(round(total_s, 3), judged_by), STEM_LIMIT_S, "s" + at, not _too_long(spans)
    )


def ducking_checks(
    stem: Stem | None, narration: Stem | None, plan: Plan, options: Options, result: Verifying
) -> list[Check]:
    """Depth of the narration over the background, on the two tracks after their gains."""
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
        make_check(
            f"narration {plan.mix.depth_lu:g} LU over background",
            share,
            0.95,
            "share of narrated windows",
            share is None or share >= 0.95,
        )
    ]
