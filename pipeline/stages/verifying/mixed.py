"""The sound in the file beside the two tracks that were listened to, after the plan's gains.

What is in the file must be gain x (procedure stem + narration), each with its planned gain, and
nothing else. The gain common to both is the static one and the limiter's: it is fitted every few
milliseconds, which leaves what is foreign where it is (a hundredth of it is fitted away). What is
left over, less what coding leaves, is compared with the planned sound by half seconds and octaves
up to 15 kHz. What coding leaves is measured: the planned sound is coded alike, and decoded.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.media.write import code_sound
from pipeline.model.mix import Keyframe
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.stages.verifying.limiting import LIMITED_FROM, MOMENT, moments, pairs, raised
from pipeline.stages.verifying.result import make_check

RATE_HZ = 48_000
_LOW = 5  # of the octaves lie under 4 kHz
FOREIGN_LIMIT_DB, NOISY_LIMIT_DB = -17.0, -12.0
"""Left over beside the planned sound, in the worst octave of the worst half second. The second
where coding leaves much in all of the clip."""
HIGH_LIMIT_DB = 4.0
"""From 4 kHz on the encoder puts noise of its own in the place of what it is given, or one channel
in the place of two, now here, now there: twice the power may be left of what is right."""
_OVER_QUIET_DB = 8.0  # over what the quarter of the half seconds leave that leave least
_CODING = 3.0  # times what coding leaves is expected: it differs a little each time
_ALIKE_DB = 6.0  # in every octave, of two half seconds that are coded alike
GAIN_LIMIT_DB = 2.0
"""Of one track beside the other, from what the planned sound has after the same coding."""
LOWERED_LIMIT_DB = 12.0
"""How far the limiter may hold half a second down; more counts as left out."""
RAISED_LIMIT_DB = 1.0
_LEAST_KEPT = 0.5  # of a sound after coding; more than half is never noise of the encoder's own
BANDS_HZ = (
    (100, 250), (250, 500), (500, 1000), (1000, 2000), (2000, 4000), (4000, 8000), (8000, 15_000)
)  # fmt: skip
_FRAME, _FRAMES = 2048, 12  # samples of a frame, frames of a chunk; half of a frame overlaps
_CHUNK = _FRAMES * _FRAME // 2  # two chunks are the half second that is judged
_FIT = MOMENT  # samples that share a gain, 5 ms
_SPREAD = 3  # frames over which coding spreads a sudden sound
_SILENT_DBFS = -70.0
_FLOOR_DBFS = np.array([-46.0, -54.0, -57.0, -60.0, -60.0, -60.0, -46.0])
"""Of each octave: under it a sound is coded coarsely, and otherwise each time. It rises from 1 to
2 kHz downwards, by 3, 6 and 14 dB, and over 8 kHz by 14, as the threshold of hearing does by which
coders decide (Terhardt, "Calculating virtual pitch", Hearing Research 1, 1979; the formula from
memory)."""
_DROWNED_DB = np.array([-24.0] * _LOW + [-30.0] * 2)
"""Under the sum of all octaves an octave is coded coarsely."""
_HEARD_DB = -20.0  # a track under the other by more is not judged for its gain

Samples = NDArray[np.float32]
Values = NDArray[np.float64]


class MixedFold:
    """Takes the file's sound in order, (channel, sample) at 48 kHz from time 0 of the clip."""

    def __init__(
        self, plan: Plan, stem: Stem | None, narration: Stem | None, channels: int,
        audio_kbps: int, work: Path,
    ) -> None:  # fmt: skip
        """work: a folder for temporary files."""
        self._tracks = (stem, narration)
        self._work, self._kbps = work, audio_kbps
        self._limit_db = FOREIGN_LIMIT_DB
        mix = plan.mix
        self._gains: tuple[Sequence[Keyframe], ...] = (
            (mix.background_gain, mix.narration_gain) if mix is not None else ((), ())
        )
        self._length = round(plan.duration_s * RATE_HZ)
        self._channels = channels
        self._held = np.zeros((channels, 0), np.float32)
        self._start = 0
        self._tails = [np.zeros((channels, _FRAME // 2), np.float32)] * 3
        self._left: list[Values] = []  # (frame, band) of what is left over
        self._planned: list[Values] = []
        self._products: list[list[float]] = []  # of a chunk, see `_chunk`
        self._coded: list[list[float]] = []  # of the planned sound coded alike, with each track
        self._peaks: list[float] = []  # of the planned sound
        self._moments: list[Values] = []  # its peaks and powers, see `limiting.moments`
        self._fits: list[Values] = []  # gains of a chunk, see `_fit`
        self._window = np.hanning(_FRAME + 1)[:-1].astype(np.float32)
        hz = np.fft.rfftfreq(_FRAME, 1 / RATE_HZ)
        self._bands = [slice(*np.searchsorted(hz, band)) for band in BANDS_HZ]

    def step(self, block: Samples) -> None:
        self._held = np.concatenate([self._held, block], axis=1)
        while self._held.shape[1] >= _CHUNK and self._start < self._length:
            self._chunk(self._held[:, :_CHUNK])
            self._held = self._held[:, _CHUNK:]
            self._start += _CHUNK

    def _chunk(self, heard: Samples) -> None:
        behind, front = self._both(self._start)
        planned = behind + front
        pairs = [(heard, planned), (planned, planned), (heard, behind), (heard, front),
                 (behind, behind), (front, front), (behind, front), (heard, heard)]  # fmt: skip
        self._products.append([float(np.vdot(a, b)) for a, b in pairs])
        self._peaks.append(float(np.abs(planned).max()))
        self._moments.append(moments(planned))
        self._fits.append(_fit(planned, heard))
        self._left.append(self._framed(0, heard - _curve(self._fits[-1]) * planned))
        self._planned.append(self._framed(1, planned))

    def _framed(self, k: int, sound: Samples) -> Values:
        """Powers of a chunk of stream `k`, with what was left of the one before."""
        whole = np.concatenate([self._tails[k], sound], axis=1)
        self._tails[k] = sound[:, -_FRAME // 2 :]
        return self._powers(whole)

    def _coding(self, static: float) -> Values:
        """(frame, band) of what coding leaves of the planned sound at the gains that it has.

        Where the limiter is idle that is the static gain. A gain that fits a few milliseconds which
        were coded badly, at the end of a tone, was never planned, and is coded otherwise.
        """
        peaks = np.array(self._peaks)
        near = np.max([np.roll(np.pad(peaks, 2), k) for k in (-1, 0, 1, 2)], axis=0)[2:-2]
        idle = near * static < LIMITED_FROM if static > 0 else np.zeros(peaks.size, bool)

        def at_its_gains() -> Iterator[Samples]:
            for k, fit in enumerate(self._fits):
                behind, front = self._both(k * _CHUNK)
                yield (np.float32(static) if idle[k] else _curve(fit)) * (behind + front)

        wanted = write_stem(self._work / "wanted.f32", self._channels, at_its_gains())
        coded = self._work / "wanted.m4a"
        code_sound(wanted.path, coded, self._channels, self._kbps)
        powers: list[Values] = []
        held = np.zeros((self._channels, 0), np.float32)
        for block in read_sound(coded, channels=self._channels):
            held = np.concatenate([held, block], axis=1)
            while held.shape[1] >= _CHUNK and len(powers) < len(self._planned):
                heard = held[:, :_CHUNK]
                start = len(powers) * _CHUNK
                planned = wanted.read(start, _CHUNK)
                fitted = _curve(_fit(planned, heard)) * planned
                powers.append(self._framed(2, heard - fitted))
                tracks = self._both(start)
                pairs = [(heard, tracks[0]), (heard, tracks[1]), (planned, tracks[0] + tracks[1]),
                         (heard, heard), (planned, planned)]  # fmt: skip
                self._coded.append([float(np.vdot(a, b)) for a, b in pairs])
                held = held[:, _CHUNK:]
        nothing = np.zeros((_FRAMES, len(BANDS_HZ)))
        missing = len(self._planned) - len(powers)
        powers += [nothing] * missing
        self._coded += [[0.0] * 5] * missing
        wanted.path.unlink()
        coded.unlink()
        return np.concatenate(powers)

    def _both(self, start: int) -> tuple[Samples, Samples]:
        """Procedure and narration with their planned gains, of the chunk from sample `start` on."""
        (behind, by), (front, at) = zip(self._tracks, self._gains, strict=True)
        return self._track(behind, by, start), self._track(front, at, start)

    def _track(self, track: Stem | None, keyframes: Sequence[Keyframe], start: int) -> Samples:
        if track is None:
            return np.zeros((self._channels, _CHUNK), np.float32)
        sound = track.read(start, _CHUNK)
        if sound.shape[0] != self._channels:
            one = sound.mean(axis=0, keepdims=True)
            sound = np.repeat(one, self._channels, axis=0)
        at_s = (start + np.arange(0, _CHUNK + 48, 48)) / RATE_HZ
        points = 10 ** (planned_db(keyframes, at_s) / 20)
        curve = np.interp(np.arange(_CHUNK), np.arange(points.size) * 48, points)
        return sound * curve.astype(np.float32)

    def _powers(self, sound: Samples) -> Values:
        """Mean power of all channels by frame and band, (frame, band), full scale 1."""
        from scipy.fft import rfft

        frames = np.lib.stride_tricks.sliding_window_view(sound, _FRAME, axis=1)
        frames = frames[:, :: _FRAME // 2] * self._window
        power = np.square(np.abs(rfft(frames, axis=2))).mean(axis=0)
        scale = 2.0 / (_FRAME * float(np.square(self._window).sum()))
        powers = [power[:, b].sum(axis=1) * scale for b in self._bands]
        return np.asarray(np.stack(powers, axis=1), np.float64)

    def finish(self) -> list[Check]:
        """A file that ends too early counts as silent from there on."""
        missing = self._length + _CHUNK - self._start - self._held.shape[1]
        self.step(np.zeros((self._channels, max(0, missing)), np.float32))
        products = pairs(np.array(self._products))
        fh, pp, hb, hf, bb, ff, bf, hh = products.T
        peaks = np.array(self._peaks)
        peaks = np.maximum(peaks[:-1], peaks[1:]) if peaks.size > 1 else peaks
        silent = 10 ** (_SILENT_DBFS / 10)
        sounding = pp > silent * 2 * _CHUNK * self._channels
        heard, power = fh / np.maximum(pp, 1e-12), np.sqrt(hh / np.maximum(pp, 1e-12))
        # By power: where the encoder puts noise in the place of noise nothing is like the planned
        # sound, but it is as loud.
        coding = self._coding(_static(power[sounding], peaks[sounding]))
        coded_b, coded_f, wp, cc, ww = pairs(np.array(self._coded)).T
        power *= np.where(cc > 0, np.sqrt(ww / np.maximum(cc, 1e-12)), 1.0)  # what coding takes
        kept = np.clip((coded_b + coded_f) / np.maximum(wp, 1e-12), _LEAST_KEPT, 1.0)
        gains = heard / np.where(sounding, kept, 1.0)
        static = _static(power[sounding], peaks[sounding])
        if static <= 0:
            return self._said(0.0, 0.0, None, 0.0)
        near = self._near()
        foreign, whole = self._foreign_db(static, coding, near)
        usual_db = float(np.percentile(whole[sounding], 25)) if sounding.any() else -np.inf
        limit_db = float(np.clip(usual_db + _OVER_QUIET_DB, FOREIGN_LIMIT_DB, NOISY_LIMIT_DB))
        limits_db = np.full(len(BANDS_HZ), HIGH_LIMIT_DB)
        limits_db[:_LOW] = limit_db
        over = raised(np.stack([heard, power]), np.concatenate(self._moments, axis=1), sounding)
        most, least = (20 * np.log10(np.maximum(g, 1e-6)) for g in (gains / static, over))
        wrong = sounding & ((most < -LOWERED_LIMIT_DB) | (least > RAISED_LIMIT_DB))
        # A half second that is left out is as foreign as one that is something else.
        foreign[wrong] = np.maximum(foreign[wrong], 0.0)
        worst, octave = np.unravel_index(int((foreign - limits_db).argmax()), foreign.shape)
        self._limit_db = round(float(limits_db[octave]), 1)
        # Coding leaves out some of a faint track, or does not: between the two all is right.
        usual = np.nan_to_num(_balance_db(coded_b, coded_f, bb, ff, bf))
        balance = _balance_db(hb, hf, bb, ff, bf)
        balance = np.abs(balance - np.clip(balance, np.minimum(usual, 0), np.maximum(usual, 0)))
        known = np.isfinite(balance).any()
        apart = int(np.nanargmax(balance)) if known else 0
        return self._said(
            float(foreign[worst, octave]), int(worst) * _CHUNK / RATE_HZ,
            float(balance[apart]) if known else None, apart * _CHUNK / RATE_HZ,
        )  # fmt: skip

    def _near(self) -> Values:
        """(half second, octave) of what is planned; coding spreads a sudden sound in time."""
        return _half_seconds(_spread(np.concatenate(self._planned)))

    def _foreign_db(self, static: float, left: Values, near: Values) -> tuple[Values, Values]:
        """What is left over beside what is planned: less what coding leaves (`left`, by frame) in
        each octave of each half second, and all of it in the worst octave under 4 kHz."""
        whole, coding = _half_seconds(np.concatenate(self._left)), _half_seconds(_spread(left))
        foreign = np.maximum(whole - _CODING * _as_coarse(coding, near), 0)
        # Coding is coarse where an octave is drowned.
        drowned = near.sum(axis=1, keepdims=True) * 10 ** (_DROWNED_DB / 10)
        beside = np.maximum(static**2 * np.maximum(near, drowned), 10 ** (_FLOOR_DBFS / 10))
        less, all_of_it = (10 * np.log10((v + 1e-15) / beside) for v in (foreign, whole))
        return np.asarray(less), np.asarray(all_of_it[:, :_LOW].max(axis=1))

    def _said(
        self, foreign_db: float, at_s: float, off_db: float | None, off_s: float
    ) -> list[Check]:
        rows = [
            make_check("sound as mixed", foreign_db, self._limit_db,
                       f"dB left over in the worst half second, at {at_s:.1f} s",
                       foreign_db <= self._limit_db)
        ]  # fmt: skip
        if off_db is not None:
            rows.append(
                make_check("tracks at their planned gains", off_db, GAIN_LIMIT_DB,
                           f"dB, at {off_s:.1f} s", off_db <= GAIN_LIMIT_DB)
            )  # fmt: skip
        return rows


def _fit(planned: Samples, heard: Samples) -> Values:
    """Gains at which the planned sound of a chunk is heard, one for each _FIT samples."""
    bounds = np.arange(0, _CHUNK, _FIT)
    top = np.add.reduceat((heard * planned).sum(axis=0), bounds)
    low = np.add.reduceat(np.square(planned).sum(axis=0), bounds)
    top, low = (np.convolve(v, np.ones(3), "same") for v in (top, low))
    return np.asarray(np.maximum(top, 0) / np.maximum(low, 1e-9), np.float64)


def _curve(gains: Values) -> Samples:
    """Gain of every sample of a chunk."""
    at = np.arange(gains.size) * _FIT + _FIT / 2
    return np.interp(np.arange(_CHUNK), at, gains).astype(np.float32)


def _spread(powers: Values) -> Values:
    """The most of a frame and its neighbours, (frame, octave)."""
    from scipy.ndimage import maximum_filter1d

    return np.asarray(maximum_filter1d(powers, _SPREAD, axis=0, mode="nearest"), np.float64)


def _half_seconds(powers: Values) -> Values:
    """Mean powers of half seconds that overlap by half, from those of frames."""
    return pairs(powers.reshape(-1, _FRAMES, len(BANDS_HZ)).mean(axis=1)) / 2


def _as_coarse(coding: Values, planned: Values) -> Values:
    """What coding may leave of each half second: the most that it left of any that is like it.

    A coder puts noise of its own in the place of noise, or does not, from one half second to the
    next and otherwise each time; how coarse it may be hangs on the sound. Powers (half second,
    octave); alike are those in one cell of a grid of levels, of either of two. The octaves
    under and over 4 kHz are looked at apart.
    """
    levels = 10 * np.log10(planned + 1e-15)
    share = coding / (planned + 1e-15)
    most = share.copy()
    for part in (slice(_LOW), slice(_LOW, None)):
        for shift_db in (0.0, _ALIKE_DB / 2):
            cells = np.floor((levels[:, part] + shift_db) / _ALIKE_DB).astype(np.int64)
            _, which = np.unique(cells, axis=0, return_inverse=True)
            groups = np.zeros((int(which.max(initial=0)) + 1, cells.shape[1]))
            np.maximum.at(groups, which.ravel(), share[:, part])
            most[:, part] = np.maximum(most[:, part], groups[which.ravel()])
    return np.asarray(most * planned, np.float64)


def _static(gains: Values, peaks: Values) -> float:
    """The gain of the parts that the limiter leaves alone, or of the least lowered ones."""
    if not gains.size:
        return 1.0
    usual = float(np.median(gains))
    free = gains[peaks * usual < LIMITED_FROM]
    if free.size >= max(4, 0.2 * gains.size):
        return float(np.median(free))
    return float(np.percentile(gains, 80))


def planned_db(keyframes: Sequence[Keyframe], at_s: Values) -> Values:
    """Gain at rising times: half a cosine in dB from one keyframe to the next, level outside."""
    if not keyframes:
        return np.zeros(at_s.shape)
    times, levels = np.array(keyframes, float).T
    # On an axis on which the cosine is a straight line.
    place = np.interp(at_s, times, np.arange(times.size))
    whole = np.minimum(place.astype(int), max(0, times.size - 2))
    share = (1 - np.cos(np.pi * (place - whole))) / 2
    return np.asarray(levels[whole] + share * (levels[np.minimum(whole + 1, times.size - 1)]
                                               - levels[whole]))  # fmt: skip


def _balance_db(hb: Values, hf: Values, bb: Values, ff: Values, bf: Values) -> Values:
    """Gain of the procedure over that of the narration beside the plan, dB; NaN: not heard both.

    From the two gains that explain the sound best (least squares over each half second).
    """
    size = bb * ff - bf * bf
    loud = 10 ** (_SILENT_DBFS / 10) * 2 * _CHUNK
    near = 10 ** (_HEARD_DB / 10)
    both = (bb > loud) & (ff > loud) & (bb > near * ff) & (ff > near * bb) & (size > 0.1 * bb * ff)
    size = np.where(both, size, 1.0)
    behind, front = (hb * ff - hf * bf) / size, (hf * bb - hb * bf) / size
    least = 0.01 * np.maximum(np.maximum(np.abs(behind), np.abs(front)), 1e-9)
    out = 20 * np.log10(np.maximum(behind, least) / np.maximum(front, least))
    return np.where(both, out, np.nan)
