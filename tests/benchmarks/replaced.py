"""What replaces speech, listened to: do the detectors hear speech in it, does a person hear it?

    python tests/benchmarks/replaced.py [--part dev|held] [--repeats 1] [--seed N] [--kinds pump]

Scenes of speech_kept.py (every kind, and wide, two at once, a plain room, a tone that goes on) with
speech at 0, -5 and -10 dB and without, from recordings of 8 or 16 kHz, at 48 kHz as in a clip.
Printed of each kind, after one round: seconds replaced, in which the detectors and the verdict hear
speech again; how far third octaves lie from the nearest half second beside the span, and such half
seconds from each other (median, dB); the step of the level at the ends; the same distances of the
lines of tones that stand in the sound beside the span. Then as `make` goes on: what is heard in the
whole sound after rounds 1, 2 and 3, and how many would be withheld.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, median_filter

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from kept_sounds import KINDS, ONLY_HELD, RATE_HZ, Rng, Sound, logdraw, pink, unit  # noqa: E402
from speech_kept import HOP, SECONDS, VOICES, covered, mixed, scene  # noqa: E402
from verdict_teach import two  # noqa: E402, F401  (it adds two kinds)

from pipeline.analysis.sound.redact import replace_speech  # noqa: E402
from pipeline.analysis.sound.speech import HOP_S, SpeechFold, SpeechSeries  # noqa: E402
from pipeline.analysis.sound.speech_spans import room_speech_spans  # noqa: E402
from pipeline.analysis.sound.voice_activity import room_detectors  # noqa: E402
from pipeline.model.time import Span, merge_spans, total_s  # noqa: E402
from pipeline.stages.verifying.sound import SECOND_PHASE_S, STEM_LIMIT_S  # noqa: E402

CLIP_HZ = 48000
ROUNDS = 3
NEAR = ("strange", "own", "steps", "tones", "own tones")
Spans = Sequence[tuple[float, float]]


def plain_room(rng: Rng, count: int) -> Sound:
    return pink(rng, count, rng.uniform(0.3, 1.2))


def tone(rng: Rng, count: int) -> Sound:
    """An alarm that nobody turns off, or the hum of a machine, in suction."""
    hz, at = logdraw(rng, 80, 1200), np.arange(count) / RATE_HZ
    parts = [np.sin(2 * np.pi * hz * k * at + rng.uniform(0, 6)) / k ** rng.uniform(0.5, 1.5)
             for k in range(1, 7) if hz * k < 7000]  # fmt: skip
    return unit(np.sum(parts, axis=0)) * logdraw(rng, 0.2, 2) + unit(KINDS["suction"](rng, count))


KINDS.update(room=plain_room, tone=tone)


def heard(sound: NDArray[np.float32], later_s: float = 0.0) -> SpeechSeries:
    fold = SpeechFold(1, CLIP_HZ, room_detectors())
    fold.step(np.zeros((1, round(later_s * CLIP_HZ)), np.float32))
    fold.step(sound[None])
    return fold.finish()


def replaced(sound: NDArray[np.float32], spans: Spans) -> NDArray[np.float32]:
    parts = replace_speech(lambda a, b: sound[None, a:b], sound.size, spans, 5, CLIP_HZ)
    return np.concatenate(list(parts), axis=1)[0]


def colours(sound: NDArray[np.float32], start_s: float, stop_s: float) -> list[Sound]:
    """Levels in dB of the third octaves of half seconds."""
    piece, size = sound[round(max(0, start_s) * CLIP_HZ) : round(stop_s * CLIP_HZ)], CLIP_HZ // 2
    hz = np.fft.rfftfreq(4096, 1 / CLIP_HZ)
    edges = 63 * 2 ** (np.arange(22) / 3)
    out = []
    for at in range(0, piece.size - size + 1, size):
        frames = np.lib.stride_tricks.sliding_window_view(piece[at : at + size], 4096)[::2048]
        power = np.square(np.abs(np.fft.rfft(frames * np.hanning(4096), axis=1))).mean(axis=0)
        bands = [power[(hz >= a) & (hz < b)].sum() for a, b in pairwise(edges)]
        out.append(10 * np.log10(np.asarray(bands) + 1e-9))
    return out


def lines(sound: NDArray[np.float32], start_s: float, stop_s: float) -> list[Sound]:
    """Levels in dB of half seconds, 1 Hz apart, from 30 Hz to 8 kHz."""
    first, last, size = round(start_s * CLIP_HZ), round(stop_s * CLIP_HZ), CLIP_HZ // 2
    pieces = [sound[at : at + size] * np.hanning(size) for at in range(first, last - size, size)]
    return [20 * np.log10(np.abs(np.fft.rfft(p, CLIP_HZ))[30:8000] + 1e-6) for p in pieces]


def of_tones(inside: list[Sound], beside: list[Sound]) -> list[list[float]]:
    """How far lines that stand beside a span are from what they are there: in it, and there.

    A line stands if it lies 20 dB over the median around it, and 12 dB over it in every piece.
    """
    if not inside or len(beside) < 4:
        return [[], []]
    usual = np.median(beside, axis=0)
    floor = median_filter(usual, 121, mode="nearest")
    peak = (usual == maximum_filter1d(usual, 9)) & (usual > floor + 20)
    at = np.flatnonzero(peak & (np.min(beside, axis=0) > floor + 12))
    return [[float(np.abs(x - usual)[at].mean()) for x in those] if at.size else []
            for those in (inside, beside)]  # fmt: skip


def as_nothing(sound: NDArray[np.float32], spans: Spans) -> list[list[float]]:
    """Distances of what was put in, of the sound beside it, and steps at the ends, dB."""
    strange, own, steps, tones, own_tones = [], [], [], [], []

    def rms_db(start_s: float) -> float:
        piece = sound[round(start_s * CLIP_HZ) : round((start_s + 0.04) * CLIP_HZ)]
        return float(10 * np.log10(np.mean(np.square(piece)) + 1e-12))

    for k, (start, stop) in enumerate(spans):
        low = spans[k - 1][1] if k else 0.0
        high = spans[k + 1][0] if k + 1 < len(spans) else SECONDS
        beside = colours(sound, max(low, start - 2) + 0.05, start - 0.05)
        beside += colours(sound, stop + 0.05, min(high, stop + 2) - 0.05)
        if len(beside) < 2:
            continue
        fine = lines(sound, max(low, start - 2) + 0.05, start - 0.05)
        fine += lines(sound, stop + 0.05, min(high, stop + 2) - 0.05)
        for all_of, some in zip((tones, own_tones), of_tones(
                lines(sound, start + 0.05, stop - 0.05), fine), strict=True):  # fmt: skip
            all_of += some
        apart = [[float(np.abs(a - b).mean()) for b in beside] for a in beside]
        own += [min(row[:k] + row[k + 1 :]) for k, row in enumerate(apart)]
        for one in colours(sound, start + 0.05, stop - 0.05):
            strange.append(min(float(np.abs(one - b).mean()) for b in beside))
        if start - low > 0.2:
            steps.append(abs(rms_db(start) - rms_db(start - 0.07)))
        if high - stop > 0.2:
            steps.append(abs(rms_db(stop - 0.04) - rms_db(stop + 0.03)))
    return [strange, own, steps, tones, own_tones]


def listened(sound: NDArray[np.float32], active: NDArray[np.bool_], row: dict[str, list]) -> None:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], active, [0]]).astype(np.int8)))
    true = zip(edges[::2] * HOP_S, edges[1::2] * HOP_S, strict=True)
    spans = merge_spans([Span(*one).padded(0.25, SECONDS) for one in true], 0.8)
    if spans:
        out = replaced(sound, spans)
        again = room_speech_spans(heard(out, SECOND_PHASE_S), pad_s=0)[0]
        inside = covered(spans, active.size)
        row["texture"].append(inside.sum() * HOP_S)
        row["heard in it"].append((covered(again, active.size) & inside).sum() * HOP_S)
        for name, values in zip(NEAR, as_nothing(out, spans), strict=True):
            row[name] += values
    speech, undecided = room_speech_spans(heard(sound))
    spans = merge_spans([*speech, *undecided])
    for number in range(ROUNDS):
        again = room_speech_spans(heard(replaced(sound, spans), SECOND_PHASE_S), pad_s=0)[0]
        row[f"left {number}"].append(total_s(again))
        later = [Span(a - SECOND_PHASE_S, b - SECOND_PHASE_S).padded(0.25, SECONDS)
                 for a, b in again]  # fmt: skip
        if total_s(again) > STEM_LIMIT_S and number < ROUNDS - 1:
            spans = merge_spans([*spans, *later])
        elif number < ROUNDS - 1:
            row[f"left {ROUNDS - 1}"].append(0.0)
            break
    hit = covered(spans, active.size)
    row["hit"].append((hit & active).sum())
    row["spoken"].append(active.sum())
    row["replaced" if active.any() else "without speech"].append(hit.mean())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--part", choices=["dev", "held"], default="dev")
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kinds", nargs="+", help="these only")
    options = parser.parse_args()
    held = options.part == "held"
    kinds = [k for k in KINDS if held or k not in ONLY_HELD]
    everything: dict[str, list] = defaultdict(list)
    with tempfile.TemporaryDirectory() as name:
        for number, kind in enumerate(kinds):
            if kind not in (options.kinds or kinds):
                continue
            rng = np.random.default_rng([options.seed, held, number, 20])
            row: dict[str, list] = defaultdict(list)
            for k in range(options.repeats):
                for snr_db in (0.0, -5.0, -10.0, None):
                    how = str(rng.choice(VOICES))
                    if snr_db is None:
                        sound = scene(rng, kind)
                        active = np.zeros(sound.size // HOP, bool)
                    else:
                        sound, active = mixed(rng, kind, how, snr_db, options.part, Path(name))
                    if k % 2:
                        sound = soxr.resample(soxr.resample(sound, RATE_HZ, 8000), 8000, RATE_HZ)
                    sound = sound * min(1.0, 0.98 / np.abs(sound).max())
                    wide = soxr.resample(sound, RATE_HZ, CLIP_HZ).astype(np.float32)
                    listened(wide, active, row)
            for key, values in row.items():
                everything[key] += values
            said(kind, row)
    said("all", everything)
    print(f"{time.process_time():.0f} s of processor time")


def said(kind: str, row: dict[str, list]) -> None:
    left = [np.asarray(row[f"left {k}"]) for k in range(ROUNDS)]
    near = [float(np.median(row[name])) if row[name] else np.nan
            for name in NEAR]  # fmt: skip
    print(
        f"{kind:10s} heard {np.sum(row['heard in it']):6.2f} of {np.sum(row['texture']):5.0f} s"
        f" | dB {near[0]:4.1f} own {near[1]:4.1f} step {near[2]:4.1f}"
        f" tones {near[3]:4.1f} own {near[4]:4.1f}"
        f" | left {' '.join(f'{values.sum():5.1f}' for values in left)} s, withheld"
        f" {(left[-1] > STEM_LIMIT_S).sum()} of {left[0].size} | replaced"
        f" {np.mean(row['replaced']):.3f}, without speech {np.mean(row['without speech']):.3f},"
        f" recall {np.sum(row['hit']) / max(1, np.sum(row['spoken'])):.4f}",
        flush=True,
    )


if __name__ == "__main__":
    main()
