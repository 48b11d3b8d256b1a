"""Speech in the procedure sound is replaced: its samples are deleted and a texture put there.

Turning down does not help (a copy 40 dB down still scores STOI 1.000), nor does
reversing. The texture is noise with the spectrum, level and channel likeness of the
nearest speech-free sound of the same recording: the median spectrum of its STFT, random
phase, overlap-add; its frames are half as uneven as noise is, in which our detectors hear a
syllable now and then. It is made of averages, so not even speech that no detector found in
the reference could be understood in it. Its level begins and ends as that of the sound beside
it, and moves as far as that does, at random and slower than syllables. Tones of a machine that
stand on both sides go on through it (`steady_tones`). The STFT is numpy's: librosa's would load
numba into the process that renders, which was measured to cost 135 MB and a second.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.steady_tones import Tone, carried, in_both, standing, without
from pipeline.model.time import merge_spans

Samples = NDArray[np.float32]
Read = Callable[[int, int], Samples]

_FFT = 2048
_HOP = _FFT // 4
_AS_LOUD = 1.077  # what evening the frames takes off, measured over 40 s
_REFERENCE_S = 2.0  # as much speech-free sound as is looked at on each side
_ENOUGH_S = 0.5  # the nearest gap that gives this much is not mixed with one further away
_LEAST_S = 0.25  # less than this is no reference
_SEARCH_S = 60.0  # and no further away than this
_GUARD_S = 0.05  # not used beside a span: the ends of words
_FADE_S = 0.03  # cross-fade, outside the span
_EDGE_S, _GLIDE_S = 0.3, 0.25  # the level beside a span, and how soon it is left behind
_EDGE_DB = (-24.0, 3.0)  # over the texture's own; a loud end is not drawn into the span
_MOVE_S, _MOST_MOVES_DB = 0.7, 5.0  # from one turn of the level to the next; how far it moves
_MOVES_S = 1.0  # less reference does not tell how it moves
_FAINT_DBFS = -78.0  # noise where there is no speech-free sound at all
_BLOCK_S = 1.0


@dataclass(frozen=True)
class _Texture:
    """What noise must look like: (channel, bin) magnitudes, (channel, channel) mixing.

    edge_db: level right beside the span over that of the texture. moves_db: how far it moves.
    """

    magnitude: NDArray[np.float64]
    mixing: NDArray[np.float64]
    edge_db: float = 0.0
    moves_db: float = 0.0


def replace_speech(
    read: Read,
    length: int,
    spans: Iterable[tuple[float, float]],
    seed: int,
    rate_hz: int = 48000,
) -> Iterator[Samples]:
    """The redacted sound as blocks (channel, n) float32, `length` samples in all.

    read(start, stop) gives samples [start, stop) as (channel, stop - start); it is asked
    in nearly rising order, at most a minute around the place that is put out.
    spans: (start_s, stop_s) to replace. No sample inside a span reaches the output, nor
    the analysis that shapes the texture. Cross-fades of 30 ms lie outside the spans.
    seed: makes the noise repeatable. Where no speech-free sound lies within a minute,
    faint noise stands in.
    """
    edges = _sample_spans(spans, length, rate_hz)
    if length <= 0:
        return
    fade = round(_FADE_S * rate_hz)
    block = round(_BLOCK_S * rate_hz)
    position = 0
    for number, (start, stop) in enumerate(edges):
        before = edges[number - 1][1] if number else 0
        after = edges[number + 1][0] if number + 1 < len(edges) else length
        fade_in = min(fade, (start - before) // 2)
        fade_out = min(fade, (after - stop) // 2)
        yield from _copied(read, position, start - fade_in, block)
        beside = [_beside(read, edges, number, side, length, rate_hz) for side in (-1, 1)]
        tones = _tones(beside, rate_hz)
        left, right = (_reference(*beside[k], [pair[k] for pair in tones], side, rate_hz)
                       for k, side in enumerate((-1, 1)))  # fmt: skip
        channels = read(min(start, length - 1), min(start, length - 1) + 1).shape[0]
        total = fade_in + stop - start + fade_out
        rng = np.random.default_rng([seed, start])
        noise = _noise(left, right, total, channels, rng)
        level = _level(left, right, total, rate_hz, np.random.default_rng([seed, start, 1]))
        at = 0
        for piece in _blocks_of(noise, total, block):
            piece *= level[at : at + piece.shape[1]]
            tone = _carried(tones, at - fade_in, piece, stop - start, rate_hz)
            yield _blended(read, piece, tone, start - fade_in, at, total, fade_in, fade_out)
            at += piece.shape[1]
        position = stop + fade_out
    yield from _copied(read, position, length, block)


def _sample_spans(
    spans: Iterable[tuple[float, float]], length: int, rate_hz: int
) -> list[tuple[int, int]]:
    """Spans as sample ranges that cover them, cut to the sound; slivers between them joined."""
    out = []
    for span in merge_spans(spans, 2 * _GUARD_S):
        start = max(0, int(np.floor(span.start_s * rate_hz + 1e-6)))
        stop = min(length, int(np.ceil(span.stop_s * rate_hz - 1e-6)))
        if stop > start:
            out.append((start, stop))
    return out


def _copied(read: Read, start: int, stop: int, block: int) -> Iterator[Samples]:
    for at in range(start, stop, block):
        yield np.asarray(read(at, min(stop, at + block)), dtype=np.float32)


def _blended(
    read: Read,
    piece: Samples,
    tone: Samples,
    origin: int,
    at: int,
    total: int,
    fade_in: int,
    fade_out: int,
) -> Samples:
    """A piece of texture with its tones; in the fades only, cross-faded with the sound."""
    out = piece + tone
    count = piece.shape[1]
    for first, last, rising in ((0, fade_in, True), (total - fade_out, total, False)):
        a, b = max(at, first), min(at + count, last)
        if b <= a:
            continue
        share = (np.arange(a, b) - first + 0.5) / (last - first)
        angle = (share if rising else 1.0 - share) * np.pi / 2
        sound = np.asarray(read(origin + a, origin + b), dtype=np.float32)
        # Equal power: texture and sound are not alike. Their tones are: what the sound has left.
        here = slice(a - at, b - at)
        out[:, here] = piece[:, here] * np.sin(angle) + sound * np.cos(angle)
        out[:, here] += tone[:, here] * (1 - np.cos(angle))
    return np.asarray(out, dtype=np.float32)


def _tones(beside: Sequence[tuple[list[Samples], bool]], rate_hz: int) -> list[tuple[Tone, Tone]]:
    """Tones that stand right before and right after a span."""
    if not all(touches for _, touches in beside):
        return []
    left, right = (pieces[0] for pieces, _ in beside)
    before = standing(left, rate_hz, -1)
    return in_both(before, standing(right, rate_hz, 1)) if before else []


def _carried(
    tones: Sequence[tuple[Tone, Tone]], at: int, like: Samples, span: int, rate_hz: int
) -> Samples:
    """The tones from `at` after the start of a span, both in samples, as many as `like` has."""
    if not tones:
        return np.zeros_like(like)
    guard = round(_GUARD_S * rate_hz)
    first, gap = guard + at, span + 2 * guard
    return carried(tones, gap, first, first + like.shape[1], rate_hz).astype(np.float32)


def _beside(
    read: Read,
    edges: Sequence[tuple[int, int]],
    number: int,
    side: int,
    length: int,
    rate_hz: int,
) -> tuple[list[Samples], bool]:
    """The nearest speech-free sound on one side of a span; if its first piece lies beside it."""
    guard, least = round(_GUARD_S * rate_hz), max(_FFT, round(_LEAST_S * rate_hz))
    wanted, furthest = round(_REFERENCE_S * rate_hz), round(_SEARCH_S * rate_hz)
    enough = round(_ENOUGH_S * rate_hz)
    here = edges[number][0] if side < 0 else edges[number][1]
    pieces: list[Samples] = []
    have, touches = 0, False
    k = number
    while 0 <= k < len(edges) and have < enough:
        if side < 0:
            low = edges[k - 1][1] if k else 0
            high = edges[k][0]
        else:
            low = edges[k][1]
            high = edges[k + 1][0] if k + 1 < len(edges) else length
        a = low + (guard if low > 0 else 0)
        b = high - (guard if high < length else 0)
        if abs((b if side < 0 else a) - here) > furthest:
            break
        if b - a >= least:
            take = min(b - a, wanted - have)
            piece = read(b - take, b) if side < 0 else read(a, a + take)
            if take >= _FFT:
                pieces.append(np.asarray(piece, dtype=np.float32))
                have += take
                touches = touches or k == number
        k += side
    return pieces, touches


def _reference(
    pieces: list[Samples], touches: bool, tones: Sequence[Tone], side: int, rate_hz: int
) -> _Texture | None:
    """Texture of one side of a span without the tones that are carried, None if there is none."""
    if tones and touches:
        pieces = [without(pieces[0], tones, rate_hz, side).astype(np.float32), *pieces[1:]]
    return _texture(pieces, side, rate_hz) if pieces else None


def _texture(pieces: Sequence[Samples], side: int, rate_hz: int) -> _Texture:
    """Of pieces, the nearest first; side: -1 if they lie before the span."""
    power = np.concatenate([_stft_power(p) for p in pieces], axis=1)
    moves_db = 0.0
    if sum(p.shape[1] for p in pieces) >= _MOVES_S * rate_hz:
        moves_db = min(float(_slow_db(power.sum(axis=(0, 2)), rate_hz).std()), _MOST_MOVES_DB)
    # The median over time leaves knocks and beeps out of the spectrum; the level is that of
    # the frames without the loudest tenth, and no more than what moves so far has over its median
    # (lognormal): a room between beeps is not as loud as they are.
    shape = np.maximum(_smoothed(np.median(power, axis=1)), 1e-20)
    near = _stft_power(pieces[0]).sum(axis=(0, 2))[::side]
    near = near[: max(1, round(_EDGE_S * rate_hz / (_FFT // 4)))]
    frames = np.sort(power.sum(axis=2), axis=1)
    kept = frames[:, : max(1, round(0.9 * frames.shape[1]))].mean(axis=1)
    most = np.median(frames, axis=1) * np.exp(np.square(moves_db * np.log(10) / 10) / 2)
    kept = np.minimum(kept, most)
    shape *= (kept / shape.sum(axis=1))[:, None]
    window_power = float(np.square(np.hanning(_FFT + 1)[:-1]).sum())
    magnitude = np.sqrt(shape / window_power)
    sound = np.concatenate(pieces, axis=1).astype(np.float64)
    scale = np.sqrt(np.mean(np.square(sound), axis=1) + 1e-20)
    likeness = (sound / scale[:, None]) @ (sound / scale[:, None]).T / sound.shape[1]
    # Cholesky of the correlation: noise of one channel appears in the other as it did.
    likeness = 0.999 * likeness + 0.001 * np.eye(likeness.shape[0])
    likeness /= np.sqrt(np.outer(np.diag(likeness), np.diag(likeness)))
    values, vectors = np.linalg.eigh(likeness)
    mixing = vectors @ np.diag(np.sqrt(np.maximum(values, 0.0))) @ vectors.T
    near = np.sort(near)[: max(1, round(0.9 * near.size))]
    edge = 10 * np.log10((near.mean() + 1e-20) / (kept.sum() + 1e-20))
    return _Texture(magnitude, mixing, float(np.clip(edge, *_EDGE_DB)), moves_db)


def _slow_db(frames: NDArray[np.float64], rate_hz: int) -> NDArray[np.float64]:
    """Level in dB of frames' power as it moves slower than syllables do."""
    from scipy.ndimage import median_filter

    size = max(1, round(_EDGE_S * rate_hz / (_FFT // 4)))
    return np.asarray(10 * np.log10(median_filter(frames, size, mode="nearest") + 1e-12))


def _level(
    left: _Texture | None,
    right: _Texture | None,
    total: int,
    rate_hz: int,
    rng: np.random.Generator,
) -> Samples:
    """Gain (sample,) of the texture over a span."""
    first, last = left or right, right or left
    if first is None or last is None:
        return np.ones(total, np.float32)
    at_s = np.arange(total, dtype=np.float32) / rate_hz
    before = np.exp(-at_s / _GLIDE_S)
    after = before[::-1]
    # At its ends the level is known; between them it wanders as that of the sound around does.
    turns = rng.standard_normal(int(total / rate_hz / _MOVE_S) + 2)
    share = at_s / _MOVE_S
    whole = share.astype(np.int64)
    bend = (1 - np.cos(np.pi * (share - whole))) / 2
    wander = turns[whole] * (1 - bend) + turns[whole + 1] * bend
    wander_db = (first.moves_db + last.moves_db) / 2 * wander
    wander_db -= 10 * np.log10(np.mean(10 ** (wander_db / 10)))  # its power stays
    edges_db = (first.edge_db if left else 0.0) * before + (last.edge_db if right else 0.0) * after
    known = np.minimum(1.0, before + after)
    return np.asarray(10 ** ((edges_db + (1 - known) * wander_db) / 20), np.float32)


def _stft_power(sound: Samples) -> NDArray[np.float64]:
    """Power of Hann-windowed frames, (channel, frame, bin); whole frames only."""
    frames = np.lib.stride_tricks.sliding_window_view(sound, _FFT, axis=1)[:, :: _FFT // 4]
    return np.square(np.abs(np.fft.rfft(frames * np.hanning(_FFT + 1)[:-1], axis=2)))


def _smoothed(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power over frequency, averaged over three bins, which evens out a short reference."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(power, 3, axis=1, mode="nearest"), dtype=np.float64)


def _noise(
    left: _Texture | None,
    right: _Texture | None,
    total: int,
    channels: int,
    rng: np.random.Generator,
) -> Iterator[Samples]:
    """Endless noise (channel, _HOP) that goes from the left texture to the right over `total`."""
    faint = np.full((channels, _FFT // 2 + 1), 10.0 ** (_FAINT_DBFS / 20.0))
    plain = _Texture(faint, np.eye(channels))
    left = left or right or plain
    right = right or left
    window = np.sqrt(np.hanning(_FFT + 1)[:-1] * 2 * _HOP / _FFT)  # its squares add up to 1
    usual = np.sqrt(np.square(window).sum())
    white = rng.standard_normal((channels, _FFT))
    tail = np.zeros((channels, _FFT))
    frame = -_FFT // _HOP
    while True:
        share = min(1.0, max(0.0, frame * _HOP / max(1, total)))
        magnitude = left.magnitude ** (1 - share) * np.maximum(right.magnitude, 1e-9) ** share
        mixing = left.mixing if share < 0.5 else right.mixing
        spectrum = np.fft.rfft(mixing @ white * window, axis=1)
        # Half as uneven (in dB) as noise, which swells and fades as syllables do.
        spectrum *= _AS_LOUD * magnitude * np.sqrt(usual / (np.abs(spectrum) + 1e-12))
        tail += np.fft.irfft(spectrum, _FFT, axis=1) * window
        if frame >= 0:
            yield tail[:, :_HOP].astype(np.float32)
        tail = np.pad(tail[:, _HOP:], ((0, 0), (0, _HOP)))
        white = np.concatenate([white[:, _HOP:], rng.standard_normal((channels, _HOP))], axis=1)
        frame += 1


def _blocks_of(noise: Iterator[Samples], total: int, block: int) -> Iterator[Samples]:
    """`total` samples of the noise in blocks of about `block`."""
    done, pieces, held = 0, [], 0
    while done < total:
        piece = next(noise)[:, : total - done]
        done += piece.shape[1]
        pieces.append(piece)
        held += piece.shape[1]
        if held >= block or done >= total:
            yield np.concatenate(pieces, axis=1)
            pieces, held = [], 0
