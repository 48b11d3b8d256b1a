"""Loudness against EBU Tech 3341 and 3342, pyloudnorm and ffmpeg's ebur128."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.analysis.sound import loudness
from pipeline.analysis.sound.loudness import LoudnessFold, TruePeakFold, k_weighting_sos, measure

RATE_HZ = 48000


def tone(
    pieces: list[tuple[float | list[float], float]], channels: int = 2, hz: float = 1000.0
) -> np.ndarray:
    """Sine of (peak dBFS, seconds) pieces, (channel, n) float32; a list gives each channel's."""
    total = sum(round(length * RATE_HZ) for _, length in pieces)
    wave = np.sin(2 * np.pi * hz * np.arange(total) / RATE_HZ)
    gain = np.concatenate(
        [
            np.repeat(
                10.0 ** (np.broadcast_to(np.asarray(level, float), (channels,))[:, None] / 20),
                round(length * RATE_HZ),
                axis=1,
            )
            for level, length in pieces
        ],
        axis=1,
    )
    return (wave * gain).astype(np.float32)


def loud(samples: np.ndarray, block: int = 5000, **options: bool) -> loudness.Loudness:
    blocks = (samples[:, at : at + block] for at in range(0, samples.shape[1], block))
    return measure(blocks, samples.shape[0], RATE_HZ, **options)


def test_k_weighting_is_the_table_of_bs1770() -> None:
    """ITU-R BS.1770-5 annex 1, tables 1 and 2 (coefficients for 48 kHz)."""
    shelf = [1.53512485958697, -2.69169618940638, 1.19839281085285, 1.0, -1.69065929318241,
             0.73248077421585]
    high_pass = [1.0, -2.0, 1.0, 1.0, -1.99004745483398, 0.99007225036621]
    np.testing.assert_allclose(k_weighting_sos(RATE_HZ), [shelf, high_pass], atol=1e-8)


# EBU Tech 3341, table 1 (minimum requirements test signals), tolerance +-0.1 LU.
TECH_3341: dict[str, tuple[list[tuple[float | list[float], float]], int, float]] = {
    "1": ([(-23, 20)], 2, -23),
    "2": ([(-33, 20)], 2, -33),
    "3": ([(-36, 10), (-23, 60), (-36, 10)], 2, -23),
    "4": ([(-72, 10), (-36, 10), (-23, 60), (-36, 10), (-72, 10)], 2, -23),
    "5": ([(-26, 20), (-20, 20.1), (-26, 20)], 2, -23),
    "6": ([([-28, -28, -24, -30, -30], 20)], 5, -23),
}


@pytest.mark.parametrize("case", TECH_3341)
def test_tech_3341_integrated(case: str) -> None:
    pieces, channels, expected = TECH_3341[case]
    found = loud(tone(pieces, channels)).integrated_lufs
    assert found == pytest.approx(expected, abs=0.1)


@pytest.mark.parametrize("case", ["1", "2"])
def test_tech_3341_steady_tone_reads_alike_on_all_scales(case: str) -> None:
    pieces, channels, expected = TECH_3341[case]
    found = loud(tone(pieces, channels))
    assert found.momentary_max_lufs == pytest.approx(expected, abs=0.1)
    assert found.short_term_max_lufs == pytest.approx(expected, abs=0.1)


def test_tech_3341_case_9_short_term_is_constant() -> None:
    """EBU Tech 3341 case 9: (-20 1.34 s, -30 1.66 s) x 5; S = -23 +-0.1 after 3 s."""
    found = loud(tone([(-20, 1.34), (-30, 1.66)] * 5))
    series = loudness.lufs(np.convolve(found.hop_power, np.full(30, 1 / 30), "valid"))
    assert np.abs(series[1:] + 23).max() < 0.1
    assert found.short_term_max_lufs == pytest.approx(-23, abs=0.1)


@pytest.mark.parametrize("i", range(20))
def test_tech_3341_case_10_short_term_max(i: int) -> None:
    """EBU Tech 3341 case 10: silence 0.15 i s, -23 dBFS 3 s, silence 1 s: max S = -23 +-0.1."""
    found = loud(tone([(-300, 0.15 * i), (-23, 3), (-300, 1)]))
    assert found.short_term_max_lufs == pytest.approx(-23, abs=0.1)


def test_tech_3341_case_12_momentary_is_constant() -> None:
    """EBU Tech 3341 case 12: (-20 0.18 s, -30 0.22 s) x 25; M = -23 +-0.1 after 1 s."""
    found = loud(tone([(-20, 0.18), (-30, 0.22)] * 25))
    assert np.abs(loudness.momentary_lufs(found.hop_power)[6:] + 23).max() < 0.1
    assert found.momentary_max_lufs == pytest.approx(-23, abs=0.1)


@pytest.mark.parametrize("i", [0, 3, 7, 11, 19])
def test_tech_3341_case_13_momentary_max(i: int) -> None:
    """EBU Tech 3341 case 13: silence 0.02 i s, -23 dBFS 0.4 s, silence 1 s: max M = -23 +-0.1."""
    found = loud(tone([(-300, 0.02 * i), (-23, 0.4), (-300, 1)]))
    assert found.momentary_max_lufs == pytest.approx(-23, abs=0.1)


# EBU Tech 3341 cases 15 to 19: (case, sample rate over frequency, amplitude, phase, dBTP).
TRUE_PEAK = [
    (15, 4, 0.50, 0.0, -6.0),
    (16, 4, 0.50, 45.0, -6.0),
    (17, 6, 0.50, 60.0, -6.0),
    (18, 8, 0.50, 67.5, -6.0),
    (19, 4, 1.41, 45.0, 3.0),
]


@pytest.mark.parametrize(("case", "over", "amplitude", "phase", "expected"), TRUE_PEAK)
def test_tech_3341_true_peak(
    case: int, over: int, amplitude: float, phase: float, expected: float
) -> None:
    """Tolerance +0.2/-0.4 dB. The tone fades in: a hard start is a click of its own."""
    n = np.arange(RATE_HZ)
    wave = amplitude * np.sin(2 * np.pi * n / over + np.deg2rad(phase))
    wave *= np.clip(np.minimum(n, n[::-1]) / 4800, 0, 1)
    found = loud(np.stack([wave, wave]).astype(np.float32)).true_peak_dbtp
    assert found is not None
    assert -0.4 <= found - expected <= 0.2


# EBU Tech 3342, table 1: levels of 20 s each, loudness range +-1 LU.
TECH_3342 = {
    "1": ([-20, -30], 10.0),
    "2": ([-20, -15], 5.0),
    "3": ([-40, -20], 20.0),
    "4": ([-50, -35, -20, -35, -50], 15.0),
}


@pytest.mark.parametrize("case", TECH_3342)
def test_tech_3342_loudness_range(case: str) -> None:
    levels, expected = TECH_3342[case]
    found = loud(tone([(level, 20.0) for level in levels])).range_lu
    assert found == pytest.approx(expected, abs=1.0)


def programme(seed: int, seconds: float = 12.0) -> np.ndarray:
    """Stereo noise bursts and tones that exercise both gates, (2, n)."""
    rng = np.random.default_rng(seed)
    count = round(seconds * RATE_HZ)
    level = np.repeat(rng.uniform(-60, -8, 24), count // 24 + 1)[:count]
    left = rng.standard_normal(count) * 10 ** (level / 20)
    right = 0.5 * left + 0.3 * rng.standard_normal(count) * 10 ** (np.roll(level, 9000) / 20)
    return np.clip(np.stack([left, right]) * 0.5, -1, 1).astype(np.float32)


@pytest.mark.parametrize("seed", range(3))
def test_agrees_with_pyloudnorm(seed: int) -> None:
    import pyloudnorm

    samples = programme(seed)
    theirs = pyloudnorm.Meter(RATE_HZ).integrated_loudness(samples.T.astype(float))
    assert loud(samples).integrated_lufs == pytest.approx(theirs, abs=0.1)


@pytest.mark.parametrize("seed", range(4, 6))
def test_agrees_with_ffmpeg(seed: int, tmp_path: Path) -> None:
    """ffmpeg's ebur128: integrated to 0.1 LU, range to 0.5 LU, true peak to 0.2 dB."""
    import imageio_ffmpeg
    import soundfile

    samples = programme(seed, 30.0)
    path = tmp_path / "sound.wav"
    soundfile.write(path, samples.T, RATE_HZ, subtype="FLOAT")
    said = subprocess.run(
        [imageio_ffmpeg.get_ffmpeg_exe(), "-hide_banner", "-nostats", "-i", str(path),
         "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True, text=True, check=True,
    ).stderr
    summary = said[said.rindex("Summary:"):]

    def value(label: str) -> float:
        match = re.search(label + r":\s+(-?[\d.]+)", summary)
        assert match is not None
        return float(match.group(1))

    found = loud(samples)
    assert found.integrated_lufs == pytest.approx(value("I"), abs=0.1)
    # ffmpeg takes the range from a histogram and counts windows that are not yet full.
    assert found.range_lu == pytest.approx(value("LRA"), abs=0.5)
    assert found.true_peak_dbtp == pytest.approx(value("Peak"), abs=0.2)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000), sizes=st.lists(st.integers(0, 30_000), min_size=1, max_size=9))
def test_block_sizes_change_nothing(seed: int, sizes: list[int]) -> None:
    samples = programme(seed, 4.0)
    whole = loud(samples, samples.shape[1])
    fold = LoudnessFold(2)
    at = 0
    for size in sizes:
        fold.step(samples[:, at : at + size])
        at += size
    fold.step(samples[:, at:])
    pieces = fold.finish()
    np.testing.assert_allclose(pieces.hop_power, whole.hop_power, rtol=1e-4, atol=1e-12)
    assert pieces.true_peak_dbtp == pytest.approx(whole.true_peak_dbtp, abs=1e-4)
    assert pieces.integrated_lufs == pytest.approx(whole.integrated_lufs, abs=1e-4)


@settings(max_examples=8, deadline=None)
@given(seed=st.integers(0, 1000), gain_db=st.floats(-20, 12))
def test_gain_moves_every_measure_alike(seed: int, gain_db: float) -> None:
    noise = np.random.default_rng(seed).standard_normal((2, 5 * RATE_HZ))
    samples = (noise * np.linspace(0.02, 0.2, 5 * RATE_HZ)).astype(np.float32)
    factor = np.float32(10 ** (gain_db / 20))
    a, b = loud(samples), loud(samples * factor)
    assert a.integrated_lufs is not None and b.integrated_lufs is not None
    assert b.integrated_lufs - a.integrated_lufs == pytest.approx(gain_db, abs=0.02)
    assert b.true_peak_dbtp - a.true_peak_dbtp == pytest.approx(gain_db, abs=1e-3)


def test_dual_mono_counts_twice() -> None:
    """The same channel on two loudspeakers is 3.01 LU louder than on one (BS.1770-5, eq. 2)."""
    one = programme(9)[:1]
    as_mono = loud(one).integrated_lufs
    as_dual = loud(one, dual_mono=True).integrated_lufs
    as_stereo = loud(np.repeat(one, 2, axis=0)).integrated_lufs
    assert as_mono is not None
    # Close to, not exactly, 3.01: the absolute gate.
    assert as_dual == pytest.approx(as_stereo, abs=1e-6)
    assert as_dual == pytest.approx(as_mono + 3.01, abs=0.05)


def test_lfe_is_left_out_and_surrounds_weigh_more() -> None:
    quiet = -300.0
    lfe = loud(tone([([quiet] * 3 + [-20, quiet, quiet], 3)], 6)).integrated_lufs
    side = loud(tone([([quiet] * 4 + [-20, quiet], 3)], 6)).integrated_lufs
    front = loud(tone([([-20] + [quiet] * 5, 3)], 6)).integrated_lufs
    assert lfe is None
    assert side == pytest.approx(front + 1.5, abs=0.02)


def test_silence_and_broken_samples_are_unknown_not_numbers() -> None:
    silent = loud(np.zeros((2, RATE_HZ), np.float32))
    assert silent.integrated_lufs is None and silent.true_peak_dbtp is None
    assert silent.range_lu is None and silent.momentary_max_lufs is None
    assert loud(np.zeros((1, 0), np.float32)).hop_power.size == 0
    samples = programme(3, 2.0)
    spoilt = samples.copy()
    spoilt[0, 1000] = np.nan
    spoilt[1, 5000] = np.inf
    found = loud(spoilt)
    assert found.integrated_lufs == pytest.approx(loud(samples).integrated_lufs, abs=0.1)
    assert found.true_peak_dbtp is not None and np.isfinite(found.true_peak_dbtp)


def test_wrong_shape_is_refused() -> None:
    fold = LoudnessFold(2)
    with pytest.raises(ValueError, match="expected"):
        fold.step(np.zeros((1, 48000), np.float32))


def test_true_peak_between_blocks_is_found() -> None:
    """A peak between two samples that lie in different blocks."""
    n = np.arange(2000)
    wave = (0.5 * np.sin(2 * np.pi * n / 4 + np.pi / 4)).astype(np.float32)[None]
    whole, pieces = TruePeakFold(1), TruePeakFold(1)
    whole.step(wave)
    for at in range(0, 2000, 7):
        pieces.step(wave[:, at : at + 7])
    assert pieces.finish() == pytest.approx(whole.finish(), rel=1e-6)
