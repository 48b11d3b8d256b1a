"""Teaches the verdict on speech in the room (pipeline/analysis/sound/speech_verdict.py).

    python tests/benchmarks/verdict_teach.py gather FOLDER [--first 0] [--count 20]
    python tests/benchmarks/verdict_teach.py fit FOLDER --out speech_verdict.npz

`gather` makes scenes of speech_kept.py, part 'dev' (its kinds alone, two at once, and the wide
sounds of speech_scenes.py; with and without speech, at -8 to 12 dB), and keeps what the detectors
say of each and of it without its steady part. `fit` needs scikit-learn. The voices are those
prompts that the third detector was not taught on: its scores on its own are too good.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.ndimage import maximum_filter1d

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from kept_sounds import KINDS, ONLY_HELD, RATE_HZ, Rng, Sound, unit  # noqa: E402
from speech_kept import COUNT, HOP, VOICES, mixed, scene  # noqa: E402
from speech_scenes import procedure  # noqa: E402

from pipeline.analysis.sound.speech import SpeechFold  # noqa: E402
from pipeline.analysis.sound.speech_net import FEATURES, features  # noqa: E402
from pipeline.analysis.sound.speech_verdict import evidence, less_steady  # noqa: E402
from pipeline.analysis.sound.voice_activity import DETECTORS, WEIGHED  # noqa: E402

ALONE = [kind for kind in KINDS if kind not in ONLY_HELD]
AROUND_HOPS = 25  # beside speech nobody can tell: rooms ring, breath is drawn
NETS, INNER, DECAY, ROUNDS = 3, 24, 5.0, 10


def two(rng: Rng, count: int) -> Sound:
    one, other = rng.choice(ALONE, 2, replace=False)
    share = 10 ** (-rng.uniform(0, 12) / 20)
    return unit(KINDS[one](rng, count)[:count]) + share * unit(KINDS[other](rng, count)[:count])


KINDS.update(wide=procedure, two=two)


def gather(folder: Path, seed: int) -> None:
    rng = np.random.default_rng([313, seed])
    judges = {name: DETECTORS[name]() for name in WEIGHED}
    even = SpeechFold(1, RATE_HZ)._evened
    scores, found, active = [], [], []
    with tempfile.TemporaryDirectory() as name:
        for kind in [*ALONE, *["wide", "two"] * 4]:
            for spoken in (False, True, True):
                sound, on = scene(rng, kind) if not spoken else None, np.zeros(COUNT // HOP, bool)
                if spoken:
                    snr_db = float(rng.choice([0, -5, -5, rng.uniform(-8, 12)]))
                    how = str(rng.choice(VOICES))
                    sound, on = mixed(rng, kind, how, snr_db, "dev", Path(name))
                assert sound is not None
                sound = sound * min(1, 0.98 / np.abs(sound).max())
                plain = even(sound.astype(np.float32))
                moving = even(less_steady(plain))
                scores.append(
                    np.stack([judges[n].scores(x) for x in (plain, moving) for n in judges], 1)
                )
                found.append(features(plain).reshape(-1, 2, FEATURES).mean(axis=1))
                active.append(on)
    np.savez_compressed(
        folder / f"scenes_{seed:04d}.npz", scores=np.asarray(scores, np.float16),
        feats=np.asarray(found, np.float16), active=np.asarray(active),
    )  # fmt: skip


def fit(folder: Path, out: Path) -> None:
    from sklearn.neural_network import MLPClassifier

    rows, truth = [], []
    for path in sorted(folder.glob("*.npz")):
        held = np.load(path)
        for scores, found, on in zip(held["scores"], held["feats"], held["active"], strict=True):
            known = on | ~maximum_filter1d(on, 2 * AROUND_HOPS + 1)
            rows.append(evidence(scores, found)[known])
            truth.append(on[known])
    known, spoken = np.concatenate(rows), np.concatenate(truth)
    mean, spread = known.mean(axis=0), known.std(axis=0) + 1e-3
    weights = {"mean": mean, "spread": spread, "nets": np.float32(NETS)}
    for k in range(NETS):
        net = MLPClassifier((INNER,), alpha=DECAY, max_iter=ROUNDS, batch_size=512, random_state=k)
        net.fit((known - mean) / spread, spoken)
        for part, w, b in zip(("in", "out"), net.coefs_, net.intercepts_, strict=True):
            weights[f"{part}{k}"], weights[f"{part}{k}_b"] = w, b
    print(f"{len(rows)} scenes, {known.shape[0]} hops, speech in {spoken.mean():.3f}")
    np.savez_compressed(out, **{name: np.asarray(w, np.float16) for name, w in weights.items()})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("verb", choices=["gather", "fit"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--out", type=Path, default=Path("speech_verdict.npz"))
    options = parser.parse_args()
    if options.verb == "fit":
        fit(options.folder, options.out)
        return
    options.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(options.first, options.first + options.count):
        gather(options.folder, seed)
        print(seed, flush=True)


if __name__ == "__main__":
    main()
