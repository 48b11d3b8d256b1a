"""Replaced speech: nothing of it is left, and the rest is untouched."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from hypothesis import given, settings
from hypothesis import strategies as st
from sound_makers import RATE_HZ, at_level, coloured, hum, procedure_noise, rms_db, suction

from pipeline.analysis.sound.redact import replace_speech
from pipeline.analysis.sound.speech import SpeechFold
from pipeline.analysis.sound.speech_spans import room_speech_spans

DATA = Path(__file__).parents[1] / "data"
FADE = round(0.03 * RATE_HZ)


def redacted(
    sound: np.ndarray, spans: list[tuple[float, float]], seed: int = 1
) -> np.ndarray:
    def read(start: int, stop: int) -> np.ndarray:
        assert 0 <= start <= stop <= sound.shape[1]
        return sound[:, start:stop]

    blocks = list(replace_speech(read, sound.shape[1], spans, seed, RATE_HZ))
    assert all(b.dtype == np.float32 for b in blocks)
    return np.concatenate(blocks, axis=1)


def spoken_scene(seed: int, snr_db: float) -> tuple[np.ndarray, np.ndarray, tuple[float, float]]:
    """(speech alone, speech in noise, span of the speech), (sample,) at 48 kHz."""
    rng = np.random.default_rng(seed)
    parts = []
    for number in (1, 2):
        samples, rate = soundfile.read(DATA / f"sentence_{number}.flac", dtype="float32")
        parts.append(at_level(soxr.resample(samples, rate, RATE_HZ), -26.0))
    speech = np.concatenate(parts)
    lead = np.zeros(3 * RATE_HZ, np.float32)
    voice = np.concatenate([lead, speech, lead])
    noise = at_level(procedure_noise(rng, voice.size), -26.0 - snr_db)
    return voice, voice + noise, (3.0, 3.0 + speech.size / RATE_HZ)


def test_words_cannot_be_understood_any_more() -> None:
    """pystoi: the published scale is 0..1; under 0.2 ESTOI nothing is understood (Jensen and
    Taal 2016 map their scale to words by a logistic curve; the limit is common practice)."""
    from pystoi import stoi

    for seed, snr_db in ((0, 15.0), (1, 0.0)):
        voice, mixed, span = spoken_scene(seed, snr_db)
        out = redacted(mixed[None], [span], seed)[0]
        a, b = round(span[0] * RATE_HZ), round(span[1] * RATE_HZ)
        before = stoi(voice[a:b], mixed[a:b], RATE_HZ, extended=True)
        after = stoi(voice[a:b], out[a:b], RATE_HZ, extended=True)
        assert before > 0.3
        assert after < 0.15
        # Turning down leaves everything to be understood: what this module must not do.
        assert stoi(voice[a:b], 0.01 * mixed[a:b], RATE_HZ) > 0.6


def test_the_detectors_find_nothing_in_the_texture() -> None:
    _, mixed, _ = spoken_scene(2, 10.0)
    sound = mixed[None]

    def speech(samples: np.ndarray) -> list[tuple[float, float]]:
        fold = SpeechFold(1, RATE_HZ, ("silero", "omni", "net"))
        fold.step(samples)
        return list(room_speech_spans(fold.finish())[0])

    found = speech(sound)
    assert found
    assert speech(redacted(sound, found)) == []


def test_no_sample_inside_a_span_is_used() -> None:
    rng = np.random.default_rng(3)
    sound = suction(rng, 20 * RATE_HZ, always=True)[None].repeat(2, axis=0) * np.float32(0.2)
    spans = [(0.0, 1.2), (6.0, 7.5), (7.55, 8.0), (13.0, 25.0)]
    other = sound.copy()
    for start, stop in spans:
        a, b = round(start * RATE_HZ), min(sound.shape[1], round(stop * RATE_HZ))
        other[:, a:b] = rng.standard_normal((2, b - a))
    np.testing.assert_array_equal(redacted(sound, spans), redacted(other, spans))


def test_outside_the_spans_and_their_fades_nothing_changes() -> None:
    rng = np.random.default_rng(4)
    sound = (rng.standard_normal((2, 10 * RATE_HZ)) * 0.1).astype(np.float32)
    out = redacted(sound, [(2.0, 3.0), (5.5, 7.25)])
    changed = (out != sound).any(axis=0)
    allowed = np.zeros(changed.size, bool)
    for start, stop in ((2.0, 3.0), (5.5, 7.25)):
        allowed[round(start * RATE_HZ) - FADE : round(stop * RATE_HZ) + FADE] = True
        assert changed[round(start * RATE_HZ) : round(stop * RATE_HZ)].all()
    assert not changed[~allowed].any()
    np.testing.assert_array_equal(redacted(sound, []), sound)


@pytest.mark.parametrize("kind", ["suction", "room", "hum"])
def test_texture_has_the_level_and_spectrum_of_the_sound_around(kind: str) -> None:
    """Octave bands within 3 dB (common practice, no source) of the sound that was there."""
    rng = np.random.default_rng(5)
    count = 16 * RATE_HZ
    sound = {
        "suction": lambda: at_level(suction(rng, count, always=True), -25.0),
        "room": lambda: at_level(coloured(rng, count, -5.0), -55.0),
        "hum": lambda: at_level(hum(rng, count, 50.0) + coloured(rng, count, -3) * 0.01, -40.0),
    }[kind]()[None]
    out = redacted(sound, [(5.0, 10.0)])
    inside = slice(round(5.2 * RATE_HZ), round(9.8 * RATE_HZ))
    assert rms_db(out[:, inside]) == pytest.approx(rms_db(sound[:, inside]), abs=2.0)
    window = np.hanning(inside.stop - inside.start)
    power_in = np.square(np.abs(np.fft.rfft(sound[0, inside] * window)))
    power_out = np.square(np.abs(np.fft.rfft(out[0, inside] * window)))
    hz = np.fft.rfftfreq(window.size, 1 / RATE_HZ)
    total = power_in.sum()
    for centre in (63, 125, 250, 500, 1000, 2000, 4000, 8000):
        band = (hz >= centre / 2**0.5) & (hz < centre * 2**0.5)
        if power_in[band].sum() < 1e-5 * total:
            continue  # nobody hears a band 50 dB down
        ratio = 10 * np.log10(power_out[band].sum() / power_in[band].sum())
        assert abs(ratio) < 3.0, centre


def test_channels_stay_as_alike_as_they_were() -> None:
    rng = np.random.default_rng(6)
    one = coloured(rng, 12 * RATE_HZ, -3)
    same = np.stack([one, one])
    out = redacted(same, [(4.0, 8.0)])
    assert np.corrcoef(out[:, 4 * RATE_HZ : 8 * RATE_HZ])[0, 1] > 0.99
    apart = np.stack([one, coloured(rng, 12 * RATE_HZ, -3)])
    out = redacted(apart, [(4.0, 8.0)])
    assert abs(np.corrcoef(out[:, 4 * RATE_HZ : 8 * RATE_HZ])[0, 1]) < 0.1


def test_a_knock_beside_the_speech_is_not_spread_over_it() -> None:
    rng = np.random.default_rng(7)
    sound = at_level(coloured(rng, 10 * RATE_HZ, -4), -55.0)
    sound[round(3.5 * RATE_HZ) : round(3.6 * RATE_HZ)] += 0.5 * np.sin(
        np.arange(round(0.1 * RATE_HZ)) * 0.05
    ).astype(np.float32)
    out = redacted(sound[None], [(4.0, 6.0)])
    inside = out[:, round(4.2 * RATE_HZ) : round(5.8 * RATE_HZ)]
    assert rms_db(inside) == pytest.approx(-55.0, abs=3.0)


@pytest.mark.parametrize("duty", [0.2, 0.35])
def test_the_room_between_beeps_is_not_as_loud_as_they_are(duty: float) -> None:
    """An alarm of 1 kHz over a room 30 dB below it, a fifth and a third of the time: the noise was
    19 and 24 dB louder than the room."""
    rng = np.random.default_rng(18)
    time_s = np.arange(14 * RATE_HZ) / RATE_HZ
    room = at_level(coloured(rng, time_s.size, -4), -55.0)
    beeps = np.sin(2000 * np.pi * time_s) * (time_s % 0.5 < 0.5 * duty) * 10 ** (-22 / 20)
    out = redacted((room + beeps)[None].astype(np.float32), [(5.0, 8.0)])
    inside = out[:, round(5.4 * RATE_HZ) : round(7.6 * RATE_HZ)]
    assert rms_db(inside) == pytest.approx(-55.0, abs=5.0)


def test_it_begins_and_ends_as_loud_as_the_sound_beside_it() -> None:
    """Suction that stopped .5 s before the words, and goes on after them."""
    rng = np.random.default_rng(15)
    sound = at_level(coloured(rng, 10 * RATE_HZ, -3), -28.0)
    sound[round(3.5 * RATE_HZ) : round(6.0 * RATE_HZ)] *= np.float32(10 ** (-20 / 20))
    out = redacted(sound[None], [(4.0, 6.0)])[0]

    def at(start_s: float) -> float:
        return rms_db(out[round(start_s * RATE_HZ) : round((start_s + 0.04) * RATE_HZ)])

    assert at(4.0) == pytest.approx(at(3.9), abs=4.0)
    assert at(5.96) == pytest.approx(at(6.05), abs=4.0)
    assert at(4.9) > at(3.9) + 8.0


@pytest.mark.parametrize("swing_db", [0.0, 8.0])
def test_it_moves_as_slowly_and_far_as_the_sound_around_it(swing_db: float) -> None:
    rng = np.random.default_rng(16)
    time_s = np.arange(24 * RATE_HZ) / RATE_HZ
    sound = at_level(coloured(rng, time_s.size, -3), -30.0)
    sound *= (10 ** (swing_db * np.sin(2 * np.pi * 0.6 * time_s) / 20)).astype(np.float32)
    out = redacted(sound[None], [(6.0, 18.0)])[0]
    inside = np.square(out[7 * RATE_HZ : 17 * RATE_HZ]).reshape(-1, round(0.25 * RATE_HZ))
    moves_db = float((10 * np.log10(inside.mean(axis=1))).std())
    assert moves_db < 1.0 if swing_db == 0 else 1.5 < moves_db < swing_db


@pytest.mark.parametrize("slope_db_octave", [-6.0, 0.0])
def test_the_noise_is_more_even_than_noise_and_never_repeats(slope_db_octave: float) -> None:
    """Gaussian noise in one band of one frame: the level in dB deviates by 5.57 (of an exponential
    power: 10 / ln 10 * pi / sqrt 6), which the detectors take for syllables now and then."""
    rng = np.random.default_rng(17)
    sound = at_level(coloured(rng, 26 * RATE_HZ, slope_db_octave), -40.0)[None]
    out = redacted(sound, [(3.0, 23.0)])[0]

    def uneven_db(piece: np.ndarray) -> float:
        frames = np.lib.stride_tricks.sliding_window_view(piece, 2048)[::1024]
        power = np.square(np.abs(np.fft.rfft(frames * np.hanning(2048), axis=1)))[:, 20:400]
        return float((10 * np.log10(power)).std(axis=0).mean())

    inside = out[4 * RATE_HZ : 22 * RATE_HZ]
    assert uneven_db(sound[0]) == pytest.approx(5.57, abs=0.3)
    assert uneven_db(inside) < 5.2
    spectrum = np.fft.rfft(inside, 2 * inside.size)
    likeness = np.fft.irfft(np.square(np.abs(spectrum / (np.abs(spectrum) ** 0.5 + 1e-9))))
    later = np.abs(likeness[RATE_HZ // 10 : inside.size // 2]) / likeness[0]
    assert later.max() < 0.02  # of the noise itself: .002 to .008; of a loop: nearly one


@pytest.mark.parametrize("seed", [0, 5])
def test_nobody_hears_speech_in_the_noise_put_into_a_plain_room(seed: int) -> None:
    """Of Gaussian noise in its place 1.4 and .7 s were taken for speech (seeds 0 and 5 of 8)."""
    sound = at_level(coloured(np.random.default_rng(seed), 20 * RATE_HZ, -4.5), -40.0)[None]
    fold = SpeechFold(1, RATE_HZ, ("silero", "omni", "net"))
    fold.step(redacted(sound, [(2.5, 17.5)], seed))
    heard = room_speech_spans(fold.finish(), pad_s=0)[0]
    assert sum(max(0.0, min(b, 17.5) - max(a, 2.5)) for a, b in heard) == 0.0


def test_the_nearest_gap_sets_the_level_not_a_louder_one_behind_it() -> None:
    """1 s of quiet room lies between two spans; suction 30 dB louder comes after the second."""
    rng = np.random.default_rng(12)
    sound = rng.normal(0, 1, (1, 12 * RATE_HZ)) * 10 ** (-50 / 20)
    sound[:, 8 * RATE_HZ :] *= 10 ** (30 / 20)
    out = redacted(sound.astype(np.float32), [(3.0, 5.0), (6.0, 8.0)])
    end = out[:, round(4.8 * RATE_HZ) : 5 * RATE_HZ]
    assert rms_db(end) == pytest.approx(-50, abs=2.0)


def test_no_speech_free_sound_gives_faint_noise() -> None:
    rng = np.random.default_rng(8)
    sound = rng.standard_normal((2, 3 * RATE_HZ)).astype(np.float32)
    out = redacted(sound, [(0.0, 5.0)])
    assert out.shape == sound.shape
    assert -84.0 < rms_db(out) < -72.0
    # Slivers between words are no reference either.
    spans = [(k * 0.3, k * 0.3 + 0.18) for k in range(10)]
    assert rms_db(redacted(sound, spans)[:, : round(0.15 * RATE_HZ)]) < -60.0


def test_the_seed_makes_it_repeatable() -> None:
    sound = (np.random.default_rng(9).standard_normal((1, 4 * RATE_HZ)) * 0.1).astype(np.float32)
    spans = [(1.0, 2.0)]
    np.testing.assert_array_equal(redacted(sound, spans, 5), redacted(sound, spans, 5))
    assert not np.array_equal(redacted(sound, spans, 5), redacted(sound, spans, 6))


def test_reads_stay_near_and_small() -> None:
    """Flat memory: no read is longer than a few seconds, none further than a minute off."""
    length = 240 * RATE_HZ
    asked: list[tuple[int, int]] = []
    done = 0

    def read(start: int, stop: int) -> np.ndarray:
        asked.append((start, stop))
        assert stop - start <= 3 * RATE_HZ
        assert abs(start - done) <= 120 * RATE_HZ
        return np.full((1, stop - start), 0.01, np.float32)

    for block in replace_speech(read, length, [(70.0, 180.0), (200.0, 201.0)], 1, RATE_HZ):
        assert block.shape[1] <= 2 * RATE_HZ
        done += block.shape[1]
    assert done == length and asked


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-1, 4), st.floats(0.0005, 2)).map(lambda p: (p[0], p[0] + p[1])),
        max_size=6,
    ),
    st.integers(1, 150_000),
)
def test_any_spans_give_the_same_length_and_clean_insides(
    spans: list[tuple[float, float]], length: int
) -> None:
    """A marker of 1000.0 inside the spans never comes out, whatever overlaps."""
    sound = np.full((1, length), 0.01, np.float32)
    for start, stop in spans:
        a = max(0, int(np.floor(start * RATE_HZ + 1e-6)))
        sound[:, a : max(0, int(np.ceil(stop * RATE_HZ - 1e-6)))] = 1000.0
    out = redacted(sound, spans)
    assert out.shape == sound.shape
    assert np.isfinite(out).all() and np.abs(out).max() < 10.0
