"""Ducking, the limiter, clean-up, alignment: measured on what is rendered."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_makers import (
    RATE_HZ,
    at_level,
    babble_like,
    coloured,
    ducking_depth,
    hum,
    procedure_noise,
    rms_db,
    slow,
    suction,
)

from pipeline.analysis.sound import live, offset, sound_pictures
from pipeline.analysis.sound import narration as narrator
from pipeline.analysis.sound.gain import gain_at
from pipeline.analysis.sound.limiter import (
    MOST_LIMITING_DB,
    LimiterReport,
    fit_gain,
    limit,
    reachable,
)
from pipeline.analysis.sound.loudness import Loudness, measure
from pipeline.analysis.sound.mix import plan_mix
from pipeline.analysis.sound.track_levels import TrackLevels
from pipeline.analysis.sound.tracks import render_mix, render_tracks, to_channels
from pipeline.errors import UsageError
from pipeline.model.mix import MixPlan
from pipeline.model.options import SoundOptions
from pipeline.model.time import Span, merge_spans


def blocks(sound: np.ndarray, size: int = 24000) -> list[np.ndarray]:
    sound = np.atleast_2d(sound).astype(np.float32)
    return [sound[:, at : at + size] for at in range(0, sound.shape[1], size)]


def spoken(seed: int, seconds: float, level_db: float = -26.0) -> tuple[np.ndarray, list[Span]]:
    """Syllabic sound in sentences with pauses of 0.3 to 4 s, and the sentences' spans."""
    rng = np.random.default_rng(seed)
    out = np.zeros(round(seconds * RATE_HZ), np.float32)
    spans, at = [], rng.uniform(1.2, 3.0)
    while True:
        length = rng.uniform(0.8, 5.0)
        if at + length > seconds - 0.5:
            return out, spans
        a = round(at * RATE_HZ)
        piece = at_level(babble_like(rng, round(length * RATE_HZ)), level_db + rng.uniform(-3, 3))
        out[a : a + piece.size] = piece
        spans.append(Span(at, at + length))
        at += length + (rng.uniform(0.3, 0.9) if rng.random() < 0.5 else rng.uniform(1.5, 4.0))


def planned(
    voice: np.ndarray | None,
    room: np.ndarray,
    spans: list[Span],
    options: SoundOptions | None = None,
    loudness_lufs: float = -18.0,
) -> MixPlan:
    duration_s = room.shape[-1] / RATE_HZ
    levels = None
    if voice is not None:
        levels = TrackLevels.of(measure(blocks(voice), 1), duration_s, twice=True)
    procedure = TrackLevels.of(measure(blocks(room), 1), duration_s, twice=True)
    return plan_mix(
        levels, procedure, spans, duration_s, options or SoundOptions(), loudness_lufs, -1.0
    )


def rendered(
    voice: np.ndarray | None, room: np.ndarray, plan: MixPlan
) -> tuple[np.ndarray, np.ndarray]:
    """(background, narration) after their gains, (2, n)."""
    pairs = list(
        render_tracks(blocks(room, 7000), blocks(voice, 9001) if voice is not None else None, plan)
    )
    return np.concatenate([a for a, _ in pairs], 1), np.concatenate([b for _, b in pairs], 1)


def scene(seed: int, seconds: float = 15.0) -> tuple[np.ndarray, np.ndarray, list[Span]]:
    rng = np.random.default_rng([seed, 1])
    voice, spans = spoken(seed, seconds)
    room = at_level(procedure_noise(rng, voice.size), rng.uniform(-40, -18))
    return voice, room, spans


@lru_cache(maxsize=4)
def case(seed: int) -> tuple[np.ndarray, np.ndarray, MixPlan, np.ndarray, np.ndarray]:
    """(voice, room, plan, background rendered, narration rendered) of a scene."""
    voice, room, spans = scene(seed)
    plan = planned(voice, room, spans, loudness_lufs=(-14.0, -18.0, -23.0)[seed % 3])
    return voice, room, plan, *rendered(voice, room, plan)


@pytest.mark.parametrize("seed", range(3))
def test_depth_holds_and_the_fall_is_complete_before_the_voice(seed: int) -> None:
    """15 LU over ambience: JAES 67(12) 2019; 95 % of narrated 400 ms windows."""
    _, room, plan, behind, front = case(seed)
    report = ducking_depth([front], [behind], 15.0, source=[np.stack([room, room])])
    assert report.windows > 100
    assert report.share is not None and report.share >= 0.95
    assert plan.expected.depth_share == pytest.approx(report.share, abs=0.04)
    assert all(lead >= 0.2 for lead in report.onset_lead_s)
    # By the plan itself: from 0.2 s before each narration the gain no longer falls by a ramp.
    for start, _ in plan.narrated:
        lead = gain_at(plan.background_gain, np.asarray([start - 0.21, start - 0.05, start]))
        assert lead[0] - lead[2] < 1.5


@pytest.mark.parametrize("seconds", [0.3, 1.2, 2.9])
def test_a_clip_shorter_than_the_holds_has_a_depth_too(seconds: float) -> None:
    front = 0.1 * np.random.default_rng(1).standard_normal((2, round(seconds * RATE_HZ)))
    report = ducking_depth([front], [0.01 * front], 15.0)
    assert report.share == 1.0


def test_accessible_depth_of_20() -> None:
    """WCAG 2.x success criterion 1.4.7: 20 dB."""
    voice, room, spans = scene(5, 12.0)
    plan = planned(voice, room, spans, SoundOptions(ducking_depth_lu=20.0))
    behind, front = rendered(voice, room, plan)
    report = ducking_depth([front], [behind], 20.0)
    assert report.share is not None and report.share >= 0.95


@pytest.mark.parametrize("seed", range(3))
def test_background_is_never_raised_and_comes_back(seed: int) -> None:
    plan = case(seed)[2]
    time_s = np.arange(0, plan.duration_s, 0.01)
    gain = gain_at(plan.background_gain, time_s)
    # Beside the one static gain of the mix.
    assert gain.max() <= plan.narration_static_db + 0.01
    # A second after a narration that has a long pause behind it, the gain is that of the gap.
    inside = np.zeros(time_s.size, bool)
    for start, stop in plan.narrated:
        inside |= (time_s >= start - 0.7) & (time_s <= stop + 0.8)
    assert gain[~inside].min() > gain[inside].mean() + 3.0


def test_quiet_background_is_left_alone() -> None:
    voice, spans = spoken(11, 20.0, -20.0)
    room = at_level(coloured(np.random.default_rng(11), voice.size, -4), -75.0)
    plan = planned(voice, room, spans)
    assert all(
        gain == pytest.approx(plan.narration_static_db, abs=0.01)
        for _, gain in plan.background_gain
    )


def test_background_between_narrations_sits_at_its_target() -> None:
    """Steady loud background: 8 LU below the narration between narrations."""
    voice, spans = spoken(12, 10.0)
    voice = np.concatenate([voice, np.zeros(12 * RATE_HZ, np.float32)])
    room = at_level(coloured(np.random.default_rng(12), voice.size, -2), -12.0)
    plan = planned(voice, room, spans)
    behind, front = rendered(voice, room, plan)
    narration = measure([front], 2).integrated_lufs
    gap = ducking_depth([front], [behind]).background_gap_lufs
    assert narration is not None and gap is not None
    assert narration - gap == pytest.approx(8.0, abs=0.7)


def test_short_pauses_stay_down_and_long_ones_do_not() -> None:
    room = at_level(coloured(np.random.default_rng(1), 20 * RATE_HZ, -2), -20.0)
    voice = np.zeros(20 * RATE_HZ, np.float32)
    spans = [Span(3.0, 5.0), Span(5.7, 8.0), Span(12.0, 14.0)]
    rng = np.random.default_rng(2)
    for start, stop in spans:
        count = round((stop - start) * RATE_HZ)
        voice[round(start * RATE_HZ) :][:count] = at_level(babble_like(rng, count), -24.0)
    plan = planned(voice, room, spans)
    gain = gain_at(plan.background_gain, np.asarray([1.0, 4.0, 5.35, 7.0, 10.0, 13.0, 18.0]))
    down, up = gain[[1, 2, 3, 5]], gain[[0, 4, 6]]
    assert up.min() > down.max() + 5.0


def test_a_burst_of_suction_between_narrations_is_held() -> None:
    """15 dB more suction becomes less than 8 dB more, and is down before it starts."""
    rng = np.random.default_rng(4)
    voice, _ = spoken(4, 30.0)
    voice[10 * RATE_HZ :] = 0
    spans = [Span(1.0, 10.0)]
    room = at_level(coloured(rng, voice.size, -3), -26.0)
    a, b = 18 * RATE_HZ, 21 * RATE_HZ
    room[a:b] *= np.float32(10 ** (15 / 20))
    plan = planned(voice, room, spans)
    behind, _ = rendered(voice, room, plan)
    before = rms_db(behind[:, 14 * RATE_HZ : 16 * RATE_HZ])
    burst = rms_db(behind[:, a:b])
    first = rms_db(behind[:, a : a + 4800])
    assert burst - before < 9.0
    assert first - before < 10.0


def test_expected_loudness_is_what_is_rendered() -> None:
    for seed in (0, 2):
        _, _, plan, behind, front = case(seed)
        mixed = measure([behind + front], 2).integrated_lufs
        assert mixed == pytest.approx(plan.loudness_lufs - plan.trim_db, abs=0.3)
        assert plan.expected.integrated_lufs == pytest.approx(mixed, abs=0.3)


def test_without_narration_and_without_background() -> None:
    room = case(2)[1]
    alone = planned(None, room, [])
    assert alone.narration_gain == [] and alone.narrated == []
    mixed = measure(render_mix(blocks(room), None, alone), 2).integrated_lufs
    assert mixed == pytest.approx(-18.0, abs=0.3)
    voice, spans = spoken(2, 10.0)
    only = planned(voice, np.zeros_like(voice), spans)
    assert any("silent" in warning for warning in only.warnings)
    mixed = measure(render_mix(None, blocks(voice), only), 2).integrated_lufs
    assert mixed == pytest.approx(-18.0, abs=0.3)
    nothing = planned(np.zeros_like(voice), np.zeros_like(voice), [])
    assert nothing.expected.integrated_lufs is None
    assert np.isfinite(next(iter(render_mix(None, None, nothing)))).all()


def test_narration_outside_the_picture_is_reported() -> None:
    voice, spans = spoken(3, 20.0)
    loud = measure(blocks(voice), 1)
    room = TrackLevels(np.full(150, 1e-5))
    late = TrackLevels.of(loud, 15.0, offset_s=8.0, twice=True)
    assert late.after_s > 3.0 and late.before_s == 0.0
    plan = plan_mix(late, room, spans, 15.0, SoundOptions(), -18.0, -1.0)
    assert any("longer than the picture" in w for w in plan.warnings)
    early = TrackLevels.of(loud, 40.0, offset_s=-6.0, twice=True)
    assert early.before_s > 1.0 and early.after_s == 0.0
    assert early.end_s == pytest.approx(14.0, abs=0.11)


@given(st.floats(-3, 12), st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_placing_a_track_keeps_its_energy(offset_s: float, seed: int) -> None:
    power = np.random.default_rng(seed).uniform(0, 1, 60)
    loud = Loudness(None, None, None, None, None, 1, power.astype(np.float32))
    placed = TrackLevels.of(loud, 30.0, offset_s)
    kept = power.sum() if offset_s >= 0 else None
    if kept is not None:
        assert placed.hop_power.sum() == pytest.approx(kept, rel=1e-5)
    first = int(np.floor(max(0.0, offset_s) / 0.1))
    assert placed.hop_power[: max(0, first)].sum() == pytest.approx(0, abs=1e-9)


def test_replaced_speech_is_planned_at_the_level_around_it() -> None:
    power = np.full(100, 1e-6)
    power[40:50] = 1e-2
    quiet = TrackLevels(power).without([(4.0, 5.0)])
    assert quiet.hop_power.max() == pytest.approx(1e-6)


@given(
    st.lists(
        st.tuples(st.floats(0, 60), st.floats(-40, 6)),
        min_size=1,
        max_size=8,
        unique_by=lambda k: k[0],
    ),
    st.lists(st.floats(-5, 70), min_size=1, max_size=20),
)
def test_gain_lies_between_its_keyframes(
    frames: list[tuple[float, float]], times: list[float]
) -> None:
    frames = sorted(frames)
    gain = gain_at(frames, np.asarray(times))
    levels = [level for _, level in frames]
    assert (gain >= min(levels) - 1e-9).all() and (gain <= max(levels) + 1e-9).all()


def test_channels_are_folded_by_bs775() -> None:
    """ITU-R BS.775-4, annex 4: L + 0.7071 C + 0.7071 Ls, no LFE."""
    block = np.zeros((6, 1), np.float32)
    for channel, (left, right) in enumerate(
        [(1, 0), (0, 1), (0.7071, 0.7071), (0, 0), (0.7071, 0), (0, 0.7071)]
    ):
        block[:] = 0
        block[channel] = 1
        np.testing.assert_allclose(to_channels(block, 2)[:, 0], [left, right], atol=1e-3)
    np.testing.assert_array_equal(to_channels(np.ones((1, 3), np.float32), 2), np.ones((2, 3)))


# ------------------------------------------------------------------------- limiter


def peaky(seed: int, seconds: float = 4.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    burst = 10 ** (slow(rng, count, 8) * 0.4)
    left = coloured(rng, count, -3)
    left = left / left.std() * 0.2 * burst
    return np.stack([left, left * 0.7 + 0.05 * rng.standard_normal(count)]).astype(np.float32)


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 500), st.floats(0, 18), st.floats(-6, -0.5), st.integers(50, 30000))
def test_true_peak_never_passes_the_ceiling(
    seed: int, gain_db: float, ceiling_dbtp: float, size: int
) -> None:
    sound = peaky(seed, 1.5)
    report = LimiterReport()
    out = np.concatenate(
        list(limit(blocks(sound, size), gain_db, ceiling_dbtp, report=report)), axis=1
    )
    assert out.shape == sound.shape
    peak = measure([out], 2).true_peak_dbtp
    assert peak is not None and peak <= ceiling_dbtp + 0.01
    assert report.total_s == pytest.approx(1.5, abs=0.01)


def test_true_peak_agrees_with_scipy_resampling() -> None:
    """scipy.signal.resample_poly, eight times, as an independent peak meter."""
    from scipy.signal import resample_poly

    out = np.concatenate(list(limit([peaky(3)], 12.0, -1.6)), axis=1)
    peak = 20 * np.log10(np.abs(resample_poly(out, 8, 1, axis=1)).max())
    assert peak <= -1.5


def test_quiet_sound_passes_sample_by_sample_in_time() -> None:
    sound = peaky(1) * np.float32(0.05)
    report = LimiterReport()
    out = np.concatenate(list(limit(blocks(sound, 999), 6.0, -1.0, report=report)), axis=1)
    np.testing.assert_allclose(out, sound * 10 ** (6 / 20), rtol=1e-5, atol=1e-9)
    assert report.max_reduction_db == 0.0 and report.reduced_s == 0.0


def test_a_single_peak_is_reduced_and_nothing_else() -> None:
    """One click of +6 dB over: down 5 ms before, back within half a second."""
    sound = np.full((1, 2 * RATE_HZ), 0.1, np.float32) * np.sin(np.arange(2 * RATE_HZ) / 9)
    sound = sound.astype(np.float32)
    at = RATE_HZ
    sound[0, at] = 1.78
    report = LimiterReport()
    out = np.concatenate(list(limit(blocks(sound, 4096), 0.0, -1.0, report=report)), axis=1)
    assert abs(out[0, at]) <= 10 ** (-1 / 20)
    assert report.max_reduction_db == pytest.approx(6.0, abs=0.4)
    early = at - round(0.006 * RATE_HZ)
    np.testing.assert_array_equal(out[0, :early], sound[0, :early])
    late = at + round(0.5 * RATE_HZ)
    np.testing.assert_array_equal(out[0, late:], sound[0, late:])


def test_gain_for_a_loudness_is_found_through_the_limiter() -> None:
    for seed, target in ((1, -14.0), (2, -18.0)):
        sound = peaky(seed, 4.0)
        fit = fit_gain(lambda s=sound: blocks(s), 2, target, -1.0)
        assert fit.reached and fit.passes <= 5
        out = np.concatenate(list(limit(blocks(sound), fit.gain_db, -1.6)), axis=1)
        found = measure([out], 2)
        assert found.integrated_lufs == pytest.approx(target, abs=0.05)
        assert found.true_peak_dbtp is not None and found.true_peak_dbtp <= -1.5
    silent = fit_gain(lambda: [np.zeros((2, RATE_HZ), np.float32)], 2, -14.0, -1.0)
    assert not silent.reached and silent.gain_db == 0.0


def test_loud_clicks_in_a_quiet_room_are_not_crushed_for_a_loudness() -> None:
    rng = np.random.default_rng(5)
    clicks = 0.001 * rng.standard_normal((2, 6 * RATE_HZ)).astype(np.float32)
    clicks[:, RATE_HZ // 2 :: RATE_HZ] = 0.7
    wanted, most_db = reachable(lambda: blocks(clicks), 2, -14.0, -1.0)
    assert wanted < -20.0
    report = LimiterReport()
    out = np.concatenate(list(limit(blocks(clicks), most_db, -1.6, report=report)), axis=1)
    assert report.max_reduction_db <= MOST_LIMITING_DB + 0.1
    assert measure([out], 2).integrated_lufs == pytest.approx(wanted, abs=0.05)
    # What reaches the loudness without that keeps it.
    even = (0.02 * rng.standard_normal((2, 4 * RATE_HZ))).astype(np.float32)
    assert reachable(lambda: blocks(even), 2, -14.0, -1.0)[0] == -14.0


# ------------------------------------------------------------- narration: clean-up


def test_rumble_goes_and_the_voice_stays() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    for hz, least, most in ((20.0, -80, -25), (120.0, -0.5, 0.1), (1000.0, -0.05, 0.05)):
        tone = np.sin(2 * np.pi * hz * t).astype(np.float32)[None]
        out = np.concatenate(list(narrator.cleaned(blocks(tone), None, t.size)), axis=1)
        change = rms_db(out[:, RATE_HZ : 3 * RATE_HZ]) - rms_db(tone)
        assert least <= change <= most


@pytest.mark.parametrize("mains_hz", [50.0, 60.0, 49.88])
def test_hum_is_found_at_the_mains_frequency_and_taken_out(mains_hz: float) -> None:
    rng = np.random.default_rng(3)
    voice, _ = spoken(3, 12.0)
    noise = at_level(coloured(rng, voice.size, -3), -70.0)
    buzz = at_level(hum(rng, voice.size, mains_hz), -42.0)
    fold = narrator.HumFold(1)
    for block in blocks(voice + noise + buzz, 7777):
        fold.step(block)
    found = fold.finish()
    assert found is not None and found.mains_hz == pytest.approx(mains_hz, abs=0.1)
    left = np.concatenate(list(narrator.cleaned(blocks(buzz), found, buzz.size)), axis=1)
    assert rms_db(left[:, RATE_HZ:-RATE_HZ]) < rms_db(buzz) - 15.0
    kept = np.concatenate(list(narrator.cleaned(blocks(voice), found, voice.size)), axis=1)
    assert rms_db(kept) == pytest.approx(rms_db(voice), abs=0.5)


def test_no_hum_is_found_where_there_is_none() -> None:
    voice, _ = spoken(6, 12.0)
    noise = at_level(coloured(np.random.default_rng(6), voice.size, -3), -60.0)
    fold = narrator.HumFold(1)
    for block in blocks(voice + noise):
        fold.step(block)
    assert fold.finish() is None


def test_start_and_stop_do_not_click() -> None:
    sound = np.full((1, RATE_HZ), 0.5, np.float32)
    out = np.concatenate(list(narrator.cleaned(blocks(sound, 1000), None, RATE_HZ)), axis=1)
    assert abs(out[0, 0]) < 0.01 and abs(out[0, -1]) < 0.01
    assert np.abs(np.diff(out[0])).max() < 0.01


# --------------------------------------------------------------- narration: offset


def envelope(sound: np.ndarray) -> np.ndarray:
    fold = offset.EnvelopeFold(1)
    for block in blocks(sound, 10_001):
        fold.step(block)
    return fold.finish()


@pytest.mark.parametrize("offset_s", [-2.321, 7.777])
def test_offset_is_found_by_the_room_that_both_heard(offset_s: float) -> None:
    rng = np.random.default_rng(int(abs(offset_s) * 100))
    room = suction(rng, 20 * RATE_HZ)
    start = round(offset_s * RATE_HZ)
    heard = np.roll(room, -start)[: 10 * RATE_HZ] * np.float32(0.2)
    if start < 0:
        heard[:-start] = 0
    take = heard + at_level(coloured(rng, heard.size, -3), rms_db(heard) - 6)
    voice, _ = spoken(5, 10.0)
    take = take + at_level(voice, rms_db(heard) + 3)
    found = offset.find_offset(envelope(room), envelope(take))
    assert found.offset_s == pytest.approx(offset_s, abs=0.01)
    assert found.confidence >= 0.5


def test_unrelated_sounds_give_no_confidence() -> None:
    a = suction(np.random.default_rng(1), 15 * RATE_HZ)
    voice, _ = spoken(2, 12.0)
    assert offset.find_offset(envelope(a), envelope(voice)).confidence < 0.4
    silent = np.zeros(5 * RATE_HZ)
    assert offset.find_offset(envelope(a), envelope(silent)).confidence == 0.0


# ----------------------------------------------------------------- narration: live


def test_live_split_adds_up_again() -> None:
    if not live.live_available():
        with pytest.raises(UsageError, match="Live narration"):
            live.LiveSplit(1)
        return
    voice, room, _ = scene(1, 6.0)
    sound = (voice + room)[None]
    parts = list(live.split_live(blocks(sound, 4321)))
    front = np.concatenate([a for a, _ in parts], axis=1)
    rest = np.concatenate([b for _, b in parts], axis=1)
    assert front.shape == sound.shape
    np.testing.assert_allclose(front + rest, sound, atol=1e-6)


def test_missing_splitter_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    with pytest.raises(UsageError, match="pip install"):
        live.LiveSplit(1)


# ------------------------------------------------------------------------ pictures


@pytest.mark.parametrize("late_s", [-0.3, 0.06])
def test_a_fall_that_reaches_into_the_first_syllable_has_a_lead_below_0(late_s: float) -> None:
    """The background falls by 20 dB within 0.1 s, ending `late_s` after the voice starts."""
    rng = np.random.default_rng(5)
    count = 8 * RATE_HZ
    time = np.arange(count) / RATE_HZ
    voice = np.where((time >= 4.0) & (time < 6.0), rng.normal(0, 0.1, count), 0.0)
    room = rng.normal(0, 0.05, count)
    fall = np.clip((time - (4.0 + late_s - 0.1)) / 0.1, 0, 1) * (time < 6.5)
    ducked = room * 10.0 ** (-fall)
    report = ducking_depth(
        *[[x[None].astype(np.float32)] for x in (voice, ducked)],
        source=[room[None].astype(np.float32)], channels=1,
    )  # fmt: skip
    assert report.onset_lead_s == [pytest.approx(-late_s, abs=0.045)]
    assert (report.onset_lead_s[0] < 0) == (late_s > 0)


def test_mel_picture_shows_a_tone_where_and_when_it_is() -> None:
    t = np.arange(4 * RATE_HZ) / RATE_HZ
    tone = (np.sin(2 * np.pi * 1000 * t) * (t > 2)).astype(np.float32)[None]
    fold = sound_pictures.MelPictureFold(40, t.size, sound_pictures.mel_bank())
    for block in blocks(tone, 5000):
        fold.step(block)
    picture = fold.finish()
    assert picture.shape == (64, 40)
    band, column = np.unravel_index(int(picture.argmax()), picture.shape)
    assert column > 20
    assert picture[:, :19].max() < -60
    # 1 kHz on the mel scale between 50 Hz and 12 kHz lies below the middle band.
    assert 10 < band < 32


@pytest.mark.slow
def test_mel_picture_is_that_of_librosa() -> None:
    """Against `librosa.feature.melspectrogram` and `power_to_db` (0.11) of the same frames."""
    import librosa

    count, columns, size = 3 * RATE_HZ, 12, 2048
    rng = np.random.default_rng(5)
    sound = (rng.standard_normal((2, count)) * np.abs(np.sin(np.arange(count) / 9000))).astype("f4")
    fold = sound_pictures.MelPictureFold(columns, count, sound_pictures.mel_bank())
    for block in blocks(sound, 7000):
        fold.step(block)
    frames = count // size
    power = librosa.feature.melspectrogram(
        y=sound.mean(axis=0)[: frames * size], sr=RATE_HZ, n_fft=size, hop_length=size,
        center=False, n_mels=64, fmin=50.0, fmax=12000.0,
    )  # fmt: skip
    column = np.floor((np.arange(frames) + 0.5) * size * columns / count)
    mean = np.stack([power[:, column == c].mean(axis=1) for c in range(columns)], axis=1)
    wanted = librosa.power_to_db(mean, ref=mean.max(), amin=1e-20, top_db=80.0)
    np.testing.assert_allclose(fold.finish(), wanted, atol=1e-3)


def test_merged_spans_of_the_plan_lie_inside_the_output() -> None:
    voice, room, spans = scene(8, 8.0)
    plan = planned(voice, room, [*spans, Span(7.0, 99.0)])
    assert plan.narrated == [tuple(s) for s in merge_spans(plan.narrated)]
    assert plan.narrated[-1][1] <= 8.0
    assert MixPlan.model_validate_json(plan.model_dump_json()) == plan
