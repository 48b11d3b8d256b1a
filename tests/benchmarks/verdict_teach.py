"""Teaches the verdict on speech in the room (pipeline/analysis/sound/speech_verdict.py).

    python tests/benchmarks/verdict_teach.py gather FOLDER [--first 0] [--count 8]
    python tests/benchmarks/verdict_teach.py fit FOLDER --out speech_verdict.npz

`gather` makes scenes of speech_kept.py, part 'dev' (its kinds alone, two at once, and the wide
sounds of speech_scenes.py; with and without speech, at -8 to 12 dB), and keeps what the detectors
say of each and of it without its steady part; of the first three seeds also scenes whose speech
was replaced, and plain noise, which are no speech. `fit` needs scikit-learn. The voices are those
prompts that the third detector was not taught on: its scores on its own are too good.
The shipped weights were fitted to scenes that were gathered in parts, by this code; the two
commands were not run from nothing to the end.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from functools import partial
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from kept_sounds import KINDS, ONLY_HELD, RATE_HZ, Rng, Sound, pink, unit  # noqa: E402
from speech_kept import COUNT, HOP, VOICES, mixed, scene  # noqa: E402
from speech_scenes import procedure, tinted  # noqa: E402

from pipeline.analysis.sound.redact import replace_speech  # noqa: E402
from pipeline.analysis.sound.speech import HOP_S, SpeechFold  # noqa: E402
from pipeline.analysis.sound.speech_net import FEATURES, features  # noqa: E402
from pipeline.analysis.sound.speech_verdict import evidence, less_steady  # noqa: E402
from pipeline.analysis.sound.voice_activity import DETECTORS, WEIGHED  # noqa: E402

ALONE = [kind for kind in KINDS if kind not in ONLY_HELD]
AROUND_HOPS = 25  # beside speech nobody can tell: rooms ring, breath is drawn
WITHOUT = 3  # seeds
NETS, INNER, DECAY, ROUNDS = 3, 24, 5.0, 10


def two(rng: Rng, count: int) -> Sound:
    one, other = rng.choice(ALONE, 2, replace=False)
    share = 10 ** (-rng.uniform(0, 12) / 20)
    return unit(KINDS[one](rng, count)[:count]) + share * unit(KINDS[other](rng, count)[:count])


KINDS.update(wide=procedure, two=two)


def gather(folder: Path, seed: int) -> None:
    rng = np.random.default_rng([313, seed])
    heard = Heard()
    with tempfile.TemporaryDirectory() as name:
        for kind in [*ALONE, *["wide", "two"] * 4]:
            for spoken in (False, True, True):
                sound, on = scene(rng, kind) if not spoken else None, np.zeros(COUNT // HOP, bool)
                if spoken:
                    snr_db = float(rng.choice([0, -5, -5, rng.uniform(-8, 12)]))
                    how = str(rng.choice(VOICES))
                    sound, on = mixed(rng, kind, how, snr_db, "dev", Path(name))
                assert sound is not None
                heard.take(sound, on)
    heard.save(folder / f"scenes_{seed:04d}.npz")


def without(folder: Path, seed: int) -> None:
    """What is no speech and was taken for it: noise that stands for speech, and plain noise."""
    rng, heard, nobody = np.random.default_rng([414, seed]), Heard(), np.zeros(COUNT // HOP, bool)
    with tempfile.TemporaryDirectory() as name:
        for kind in [*ALONE, *["wide", "two"] * 4]:
            snr_db = float(rng.choice([0, -5, -5, rng.uniform(-8, 12)]))
            sound, on = mixed(rng, kind, str(rng.choice(VOICES)), snr_db, "dev", Path(name))
            edges = np.flatnonzero(np.diff(np.concatenate([[0], on, [0]]).astype(np.int8))) * HOP_S
            spans = [(a - 0.25, b + 0.25) for a, b in zip(edges[::2], edges[1::2], strict=True)]
            x = sound.astype(np.float32)[None]
            parts = replace_speech(partial(piece, x), COUNT, spans, int(rng.integers(1 << 30)),
                                   RATE_HZ)  # fmt: skip
            heard.take(np.concatenate(list(parts), axis=1)[0], nobody)
    for _ in range(12):
        sound = tinted(rng, pink(rng, COUNT, rng.uniform(0, 1.3)), rng.uniform(0, 9))
        heard.take(sound, nobody)
    heard.save(folder / f"without_{seed:04d}.npz")


def piece(sound: NDArray[np.float32], start: int, stop: int) -> NDArray[np.float32]:
    return sound[:, start:stop]


class Heard:
    """What the detectors say of scenes."""

    def __init__(self) -> None:
        self._judges = {name: DETECTORS[name]() for name in WEIGHED}
        self._even = SpeechFold(1, RATE_HZ)._evened
        self.rows: dict[str, list] = {"scores": [], "feats": [], "active": []}

    def take(self, sound: Sound, active: NDArray[np.bool_]) -> None:
        sound = sound * min(1, 0.98 / np.abs(sound).max())
        plain = self._even(sound.astype(np.float32))
        moving = self._even(less_steady(plain))
        said = [judge.scores(x) for x in (plain, moving) for judge in self._judges.values()]
        self.rows["scores"].append(np.stack(said, 1).astype(np.float16))
        found = features(plain).reshape(-1, 2, FEATURES).mean(axis=1)
        self.rows["feats"].append(found.astype(np.float16))
        self.rows["active"].append(active)

    def save(self, path: Path) -> None:
        np.savez_compressed(path, **{name: np.asarray(r) for name, r in self.rows.items()})


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
    parser.add_argument("--count", type=int, default=8)
    parser.add_argument("--out", type=Path, default=Path("speech_verdict.npz"))
    options = parser.parse_args()
    if options.verb == "fit":
        fit(options.folder, options.out)
        return
    options.folder.mkdir(parents=True, exist_ok=True)
    for seed in range(options.first, options.first + options.count):
        gather(options.folder, seed)
        if seed < WITHOUT:
            without(options.folder, seed)
        print(seed, flush=True)


if __name__ == "__main__":
    main()
