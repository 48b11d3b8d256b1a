"""What is replaced where nobody speaks, and what is missed where somebody does: kept-apart scenes.

    python tests/benchmarks/speech_kept.py [--part dev|held] [--repeats 5] [--seed N]

The sounds of kept_sounds.py, each alone in a room; recorded speech (asterisk-core-sounds-*-g722 of
Debian, five languages), synthetic voices, whispering, sizes of speakers down to a child, and
calls of 0.3 s. Prompts are parted as in speech_teach.py; four kinds of sound and the Russian
voice are in the part 'held' alone.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.signal import fftconvolve, lfilter

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from kept_sounds import KINDS, ONLY_HELD, RATE_HZ, Rng, Sound, echo, pink, unit  # noqa: E402
from speech_teach import prompts, read_prompt, sounding, spoken  # noqa: E402

from pipeline.analysis.sound.speech import HOP_S, SpeechFold, SpeechSeries  # noqa: E402
from pipeline.analysis.sound.speech_spans import room_speech_spans  # noqa: E402
from pipeline.analysis.sound.voice_activity import VERDICT, room_detectors  # noqa: E402

HOP = 512
SECONDS = 20
COUNT = SECONDS * RATE_HZ // HOP * HOP


def scene(rng: Rng, kind: str) -> Sound:
    """The kind over the noise of a quiet room, about -26 dB RMS."""
    sound = unit(KINDS[kind](rng, COUNT)[:COUNT])
    if rng.random() < 0.7:
        sound = unit(fftconvolve(sound, echo(rng))[:COUNT])
    sound = sound + pink(rng, COUNT, rng.uniform(0.4, 1)) * 10 ** (-rng.uniform(18, 40) / 20)
    return unit(sound) * 10 ** (-26 / 20)


def whispered(rng: Rng, voice: Sound) -> Sound:
    """Linear prediction of each frame (autocorrelation method), excited by noise."""
    size, order, out = 480, 18, np.zeros(voice.size + 480)
    window = np.hanning(size)
    for at in range(0, voice.size - size, size // 2):
        frame = voice[at : at + size] * window
        r = np.correlate(frame, frame, "full")[size - 1 : size + order]
        if r[0] < 1e-9:
            continue
        r[0] *= 1.001
        a = np.linalg.solve(r[np.abs(np.subtract.outer(range(order), range(order)))], r[1:])
        gain = np.sqrt(max(1e-12, (r[0] - a @ r[1:]) / size))
        breath = np.diff(rng.standard_normal(size + 1)) * 0.7  # no voice: less low, more high
        out[at : at + size] += lfilter([gain], [1, *-a], breath) * window
    return out[: voice.size]


VOICES = ("prompt", "prompt", "prompt", "other size", "synthetic", "whisper", "call")


def one_voice(rng: Rng, how: str, part: str, folder: Path) -> Sound:
    files = [p for p in prompts(part) if p.stat().st_size > 2000]  # .25 s
    while True:
        if how == "synthetic":
            voice = spoken(rng, folder)
        else:
            voice = read_prompt(files[int(rng.integers(len(files)))])
        if voice.size < 4000 or np.abs(voice).max() < 1e-3:
            continue
        if how == "other size":
            voice = np.asarray(soxr.resample(voice, RATE_HZ, RATE_HZ / rng.uniform(0.8, 1.45)))
        if how == "whisper":
            voice = whispered(rng, voice)
        if how == "call":
            loud = np.flatnonzero(np.repeat(sounding(voice), 256))
            at = int(rng.choice(loud[: max(1, loud.size - 4800)]))
            voice = voice[at : at + 4800]
            voice = voice * np.hanning(voice.size) ** 0.15
        return unit(voice) * 10 ** (rng.uniform(-3, 3) / 20)


def voices(rng: Rng, part: str, how: str, folder: Path) -> tuple[Sound, NDArray[np.bool_]]:
    """A track of SECONDS and which hops sound (within 25 dB of the loud ones of that voice)."""
    out, active = np.zeros(COUNT), np.zeros(COUNT // HOP, bool)
    at = int(rng.uniform(0.5, 3) * RATE_HZ) // HOP * HOP
    while at < COUNT - 2 * RATE_HZ:
        voice = one_voice(rng, how, part, folder)[: COUNT - at - HOP]
        voice = voice[: voice.size // HOP * HOP]
        out[at : at + voice.size] += voice
        power = np.square(voice.reshape(-1, HOP)).mean(axis=1)
        active[at // HOP : at // HOP + power.size] |= power > np.percentile(power, 95) * 10**-2.5
        at += (voice.size + int(rng.uniform(1, 6) * RATE_HZ)) // HOP * HOP
    return out, active


def mixed(rng: Rng, kind: str, how: str, snr_db: float, part: str, folder: Path
          ) -> tuple[Sound, NDArray[np.bool_]]:  # fmt: skip
    """A scene with speech so far over the sound around it, by the RMS of the sounding hops.

    Between knocks and beeps the scene is quiet: its RMS over the whole scene counts.
    """
    back = scene(rng, kind)
    voice, active = voices(rng, part, how, folder)
    on = np.repeat(active, HOP)
    if rng.random() < 0.7:
        voice = fftconvolve(voice, echo(rng))[:COUNT]
    have = np.mean(np.square(voice[on])) / np.mean(np.square(back))
    return back + voice * np.sqrt(10 ** (snr_db / 10) / have), active


def heard(sound: Sound) -> SpeechSeries:
    fold = SpeechFold(1, RATE_HZ, room_detectors())
    fold.step((sound * min(1.0, 0.98 / np.abs(sound).max())).astype(np.float32)[None])
    return fold.finish()


def covered(spans: list, hops: int) -> NDArray[np.bool_]:  # type: ignore[type-arg]
    centre = (np.arange(hops) + 0.5) * HOP_S
    out = np.zeros(hops, bool)
    for start, stop in spans:
        out |= (centre >= start) & (centre < stop)
    return out


def replaced(series: SpeechSeries) -> list[NDArray[np.bool_]]:
    """Hops that are replaced where every detector is believed by itself, and by the verdict."""
    alone = {n: p for n, p in series.probability.items() if n != VERDICT}
    both = (dataclasses.replace(series, probability=alone), series)
    spans = [[*speech, *undecided] for speech, undecided in map(room_speech_spans, both)]
    return [covered(one, series.level_dbfs.size) for one in spans]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--part", choices=["dev", "held"], default="dev")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--seed", type=int, default=0)
    options = parser.parse_args()
    held = options.part == "held"
    kinds = [k for k in KINDS if held or k not in ONLY_HELD]
    began = time.process_time()
    print("each detector by itself | the verdict: replaced without speech, recall at 0 and -5 dB")
    totals, by_voice = [], defaultdict(list)
    with tempfile.TemporaryDirectory() as name:
        for number, kind in enumerate(kinds):
            rng = np.random.default_rng([options.seed, held, number])
            wrong = [replaced(heard(scene(rng, kind))) for _ in range(options.repeats)]
            row = [np.mean(wrong, axis=(0, 2))]
            for snr in (0.0, -5.0):
                found, spoke = np.zeros(2), 0
                for k in range(options.repeats):
                    how = VOICES[(number + k) % len(VOICES)]
                    sound, active = mixed(rng, kind, how, snr, options.part, Path(name))
                    hits = [(hop & active).sum() for hop in replaced(heard(sound))]
                    by_voice[how, snr].append([*hits, active.sum()])
                    found, spoke = found + hits, spoke + int(active.sum())
                row.append(found / spoke)
            totals.append(row)
            said(kind, np.asarray(row))
    said("mean", np.mean(totals, axis=0))
    for (how, snr), counts in sorted(by_voice.items()):
        one, other, of = np.sum(counts, axis=0)
        print(f"{how:12s}{snr:4.0f} dB  recall{one / of:8.4f} |{other / of:8.4f}  of {of} hops")
    hits = {snr: np.sum([c for (_, s), cs in by_voice.items() if s == snr for c in cs], axis=0)
            for snr in (0.0, -5.0)}  # fmt: skip
    for snr, (one, other, of) in hits.items():
        print(f"all at {snr:.0f} dB: recall {one / of:.4f} | {other / of:.4f} of {of} hops")
    print(f"{time.process_time() - began:.0f} s of processor time")


def said(kind: str, row: Sound) -> None:
    cells = [f"{row[0, k]:8.3f}{row[1, k]:8.4f}{row[2, k]:8.4f}" for k in (0, 1)]
    print(f"{kind:12s}{cells[0]} |{cells[1]}", flush=True)


if __name__ == "__main__":
    main()
