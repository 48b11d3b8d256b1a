"""One call in 12 to 20 s of sound: is it found, and what is replaced where nobody speaks?

    python tests/benchmarks/single_calls.py [--part dev|held] [--repeats 8] [--seed 0]
        [--kept FILE.npz]

A frame recall over sentences hardly counts a single name that is called. Here every scene holds
one call of .25 to .6 s (a third each: cut out of a recorded prompt, a whole short prompt or
synthetic word, a cut at another size of the speaker) in a sound of kept_sounds.py, speech_scenes.py
('wide') or two at once, half of them where the sound is loud. At 0 and -5 dB, by the RMS of the
call's sounding hops and that of the sound during it, or in all the scene if that is more. The
part 'held' has other prompts, the Russian voice, and kinds of sound heard nowhere else: four of
kept_sounds.py and those of the tests' sound_makers.py. A call is found if .9 of its
sounding hops are replaced. What is more than 2.5 s from a call is counted as without speech.
With --kept what the detectors say is read from the file, if it is there, or written to it: a trial
of weights, thresholds and rules then takes seconds.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import soxr
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d
from scipy.signal import fftconvolve

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1]), str(HERE.parent / "analysis")]

import sound_makers  # noqa: E402
from kept_sounds import KINDS, ONLY_HELD, RATE_HZ, Rng, Sound, echo, unit  # noqa: E402
from speech_kept import HOP, covered, scene  # noqa: E402
from speech_teach import prompts, read_prompt, sounding, spoken  # noqa: E402
from verdict_teach import Heard  # noqa: E402  (adds 'wide' and 'two' to KINDS)

from pipeline.analysis.sound.speech import HOP_S, SpeechSeries  # noqa: E402
from pipeline.analysis.sound.speech_spans import room_speech_spans  # noqa: E402
from pipeline.analysis.sound.speech_verdict import verdict  # noqa: E402
from pipeline.analysis.sound.voice_activity import VERDICT, WEIGHED  # noqa: E402

Flags = NDArray[np.bool_]
LEVELS_DB = (0.0, -5.0)
CALL_S, SCENE_S = (0.25, 0.6), (12, 20)
FOUND = 0.9
WITHOUT_HOPS = round(2.5 / HOP_S)  # from a call: what hears it reaches 2 s, padding .25 s
CALLS = ("cut", "word", "other size")
OTHERS = {
    "other maker": sound_makers.procedure_noise,
    "other suction": sound_makers.suction,
}
"""By the tests' own makers, (rng, count) at their rate; in no teaching and no choice."""


def other(name: str) -> Any:
    def made(rng: Rng, count: int) -> Sound:
        rate = sound_makers.RATE_HZ
        sound = OTHERS[name](rng, count * rate // RATE_HZ).astype(np.float64)
        return unit(np.asarray(soxr.resample(sound, rate, RATE_HZ))[:count])

    return made


KINDS.update({name: other(name) for name in OTHERS})


def kinds(part: str) -> list[str]:
    if part == "held":
        return [k for k in KINDS if k not in ("wide", "two")]
    return [k for k in KINDS if k not in ONLY_HELD and k not in OTHERS]


def sounding_part(voice: Sound) -> Sound:
    """Without what is quiet before and after; empty where nothing sounds."""
    if np.abs(voice).max(initial=0) < 1e-3:
        return voice[:0]
    loud = np.flatnonzero(np.repeat(sounding(voice), 256))
    return voice[loud[0] : loud[-1] + 1]


def call(rng: Rng, how: str, part: str, folder: Path) -> Sound:
    """One call (sample,), unit RMS."""
    files = [p for p in prompts(part) if p.stat().st_size > 2000]  # .25 s
    short = [p for p in files if p.stat().st_size < 12000]
    least, most = (int(s * RATE_HZ) for s in CALL_S)
    while True:
        if how == "word" and rng.random() < 0.5:
            voice = sounding_part(spoken(rng, folder))
        else:
            those = short if how == "word" else files
            voice = sounding_part(read_prompt(those[int(rng.integers(len(those)))]))
        if how == "other size" and voice.size:
            voice = np.asarray(soxr.resample(voice, RATE_HZ, RATE_HZ / rng.uniform(0.8, 1.45)))
        if how != "word" and voice.size >= least:
            size = min(voice.size, int(rng.uniform(least, most)))
            loud = np.flatnonzero(np.repeat(sounding(voice), 256))
            at = min(int(rng.choice(loud)), voice.size - size)
            voice = sounding_part(voice[at : at + size] * np.hanning(size) ** 0.15)
        if least <= voice.size <= most:
            return unit(voice)


def one_call(rng: Rng, kind: str, how: str, snr_db: float, part: str, folder: Path
             ) -> tuple[Sound, Flags]:  # fmt: skip
    """A scene and the hops (hop,) in which the call sounds."""
    size = int(rng.uniform(*SCENE_S) * RATE_HZ) // HOP * HOP
    back, voice = scene(rng, kind)[:size], call(rng, how, part, folder)
    voice = np.pad(voice, (0, -voice.size % HOP))
    places = rng.integers(RATE_HZ // HOP, size // HOP - 2 * RATE_HZ // HOP, 10) * HOP
    loud = [np.mean(np.square(back[at : at + voice.size])) for at in places]
    best = int(np.argmax(loud)) if rng.random() < 0.5 else 0
    at = int(places[best])
    power = np.square(voice.reshape(-1, HOP)).mean(axis=1)
    active = np.zeros(size // HOP, bool)
    active[at // HOP : at // HOP + power.size] = power > np.percentile(power, 95) * 10**-2.5
    track = np.zeros(size)
    track[at : at + voice.size] = voice
    if rng.random() < 0.7:
        track = fftconvolve(track, echo(rng))[:size]
    have = np.mean(np.square(track[np.repeat(active, HOP)]))
    have /= max(np.mean(np.square(back)), loud[best])
    return back + track * np.sqrt(10 ** (snr_db / 10) / have), active


def gathered(part: str, repeats: int, seed: int) -> dict[str, NDArray[Any]]:
    """What the detectors say of the scenes, one after the other, and what each scene is."""
    of: dict[str, list[Any]] = defaultdict(list)
    heard = Heard()
    with tempfile.TemporaryDirectory() as name:
        for number, kind in enumerate(kinds(part)):
            for k in range(repeats):
                for snr_db in LEVELS_DB:
                    rng = np.random.default_rng([515, seed, part == "held", number, k, snr_db < 0])
                    how = CALLS[(number + k) % len(CALLS)]
                    sound, active = one_call(rng, kind, how, snr_db, part, Path(name))
                    heard.take(sound, active)
                    for key, value in (("kind", kind), ("how", how), ("snr_db", snr_db),
                                       ("hops", active.size)):  # fmt: skip
                        of[key].append(value)
    rows = {name: np.concatenate(parts) for name, parts in heard.rows.items()}
    return rows | {key: np.asarray(values) for key, values in of.items()}


def scenes(kept: dict[str, NDArray[Any]]) -> list[tuple[NDArray[Any], NDArray[Any], Flags]]:
    """(scores, features, active) of every scene, as `verdict` takes them."""
    at = np.cumsum(kept["hops"])[:-1]
    return list(zip(*(np.split(kept[k], at) for k in ("scores", "feats", "active")), strict=True))


def replaced(scores: NDArray[Any], feats: NDArray[Any]) -> Flags:
    """Hops that are replaced, decided from the scores as in the product."""
    said = dict(zip(WEIGHED, scores.T.astype(np.float16), strict=False))
    said[VERDICT] = verdict(scores.astype(np.float32), feats).astype(np.float16)
    hops = scores.shape[0]
    level, clipped = np.full(hops, -30, np.float16), np.zeros(hops, np.float16)
    series = SpeechSeries(said, level, clipped, hops * HOP_S)
    return covered(room_speech_spans(series)[0], hops)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--part", choices=["dev", "held"], default="dev")
    parser.add_argument("--repeats", type=int, default=8)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--kept", type=Path)
    options = parser.parse_args()
    began = time.process_time()
    if options.kept and options.kept.exists():
        kept = dict(np.load(options.kept))
    else:
        kept = gathered(options.part, options.repeats, options.seed)
        if options.kept:
            np.savez_compressed(options.kept, **kept)  # type: ignore[arg-type]
    found: dict[Any, list[bool]] = defaultdict(list)
    wrong: dict[str, list[float]] = defaultdict(list)
    for number, (scores, feats, active) in enumerate(scenes(kept)):
        kind, how, snr = (kept[k][number] for k in ("kind", "how", "snr_db"))
        hops = replaced(scores, feats)
        nobody = ~maximum_filter1d(active, 2 * WITHOUT_HOPS + 1)
        wrong[kind].append(hops[nobody].mean())
        hit = bool(hops[active].mean() >= FOUND)
        for key in ((kind, snr), (how, snr), ("all", snr)):
            found[key].append(hit)
        if not hit:
            print(f"not found: {number} {kind}, {how}, {snr:.0f} dB, "
                  f"{hops[active].sum()} of {active.sum()} hops")  # fmt: skip
    shares = {kind: float(np.mean(w)) for kind, w in wrong.items()}
    shares["all"] = float(np.mean(list(shares.values())))
    for name in (*CALLS, *shares):
        told = ", ".join(f"{sum(found[name, s])} of {len(found[name, s])} at {s:.0f} dB"
                         for s in LEVELS_DB)  # fmt: skip
        without = f"{shares[name]:.4f}" if name in shares else ""
        print(f"{name:14s}{without:8s}found {told}")
    print(f"{time.process_time() - began:.0f} s of processor time")


if __name__ == "__main__":
    main()
