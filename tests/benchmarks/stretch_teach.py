"""Teaches which stretches are speech (pipeline/analysis/sound/speech_stretch.py).

    python tests/benchmarks/stretch_teach.py gather FOLDER [--first 0] [--count 3]
    python tests/benchmarks/stretch_teach.py fit FOLDER --taught TAUGHT --out speech_stretch.npz
    python tests/benchmarks/stretch_teach.py try FOLDER --taught TAUGHT

TAUGHT: what `verdict_teach.py gather` made. A verdict is too good on what it was taught on, so the
scenes there are judged by one that was taught on the other half of them; those in FOLDER, made by
`gather` here of the same kinds of sound, with pauses from .15 to 20 s, by the shipped one.
`try` judges each half by what the other half taught, at several thresholds: recall at 0 and -5 dB
and other levels, what is replaced without speech, and the same by the verdict without stretches.
Needs scikit-learn.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

sys.path[:0] = [str(Path(__file__).resolve().parent), str(Path(__file__).resolve().parents[2])]

from kept_sounds import KINDS  # noqa: E402
from speech_kept import COUNT, HOP, VOICES, covered, mixed, scene  # noqa: E402
from verdict_teach import ALONE, AROUND_HOPS, Heard, taught  # noqa: E402

from pipeline.analysis.sound import speech_stretch, speech_verdict  # noqa: E402
from pipeline.analysis.sound.speech import SpeechSeries  # noqa: E402
from pipeline.analysis.sound.speech_spans import found_hops, room_spans  # noqa: E402
from pipeline.analysis.sound.voice_activity import VERDICT, WEIGHED  # noqa: E402

SEEDS = {"dev": 515, "held": 80808}
PAUSES_S = ((1, 6), (1, 6), (8, 20), (0.15, 0.7))
HALF_NETS, HALF_ROUNDS = 2, 6  # of the verdicts of a half
STRENGTH = 0.05  # of the regression; less holds it back more
SHORT_HOPS, LONG_HOPS, LOST_HOPS = 5, 60, 16  # how stretches count


def gather(folder: Path, seed: int, part: str) -> None:
    mixes = ["wide", "two"]
    kinds = [*ALONE, *mixes * 4] if part == "dev" else [k for k in KINDS if k not in mixes]
    rng, heard, snrs = np.random.default_rng([SEEDS[part], seed]), Heard(), []
    with tempfile.TemporaryDirectory() as name:
        for kind in kinds:
            heard.take(scene(rng, kind), np.zeros(COUNT // HOP, bool))
            snrs.append(np.inf)
            for _ in range(2):
                snrs.append(float(rng.choice([0, -5, -5, rng.uniform(-8, 12)])))
                how = str(rng.choice(VOICES))
                pause_s = PAUSES_S[int(rng.integers(len(PAUSES_S)))]
                latest_s = max(3.0, 0.8 * pause_s[1])
                heard.take(*mixed(rng, kind, how, snrs[-1], part, Path(name), pause_s, latest_s))
    heard.save(folder / f"pauses_{seed:04d}.npz", snr_db=snrs, kind=np.repeat(kinds, 3))


class Scene(NamedTuple):
    """snr_db: inf without speech. number: of its file."""

    series: SpeechSeries
    active: NDArray[np.bool_]
    snr_db: float
    number: int


def scenes(path: Path, weights: dict, number: int) -> list[Scene]:  # type: ignore[type-arg]
    out, held = [], np.load(path)
    for k, on in enumerate(held["active"]):
        scores = held["scores"][k]
        known = speech_verdict.evidence(scores, held["feats"][k])
        said = dict(zip(WEIGHED, scores.T, strict=False))
        said[VERDICT] = speech_verdict.judged(weights, known).astype(np.float16)
        level, clipped = np.full(on.size, -30, np.float16), np.zeros(on.size, np.float16)
        series = SpeechSeries(said, level, clipped, COUNT / 16000)
        snr_db = float(held["snr_db"][k]) if "snr_db" in held.files else np.nan
        out.append(Scene(series, on, snr_db if on.any() else np.inf, number))
    return out


def all_scenes(folder: Path, other: Path) -> list[Scene]:
    out, paths = [], sorted(other.glob("scenes_*.npz"))
    for half in (0, 1):
        weights = taught(paths[1 - half :: 2], HALF_NETS, HALF_ROUNDS)
        for number, path in enumerate(paths[half::2]):
            out += scenes(path, weights, 2 * number + half)
    shipped = speech_verdict._weights()
    rest = [*sorted(folder.glob("*.npz")), *sorted(other.glob("without_*.npz"))]
    for number, path in enumerate(rest):
        out += scenes(path, shipped, number + len(paths))
    return out


class Table(NamedTuple):
    """Of each stretch: what describes it, is it speech, does it count, how much, of which file."""

    known: NDArray[np.float32]
    spoken: NDArray[np.bool_]
    clear: NDArray[np.bool_]
    counts: NDArray[np.float64]
    number: NDArray[np.int64]


def table(those: list[Scene]) -> Table:
    known, rows = [], []
    for one in those:
        found = found_hops(one.series)
        near = maximum_filter1d(one.active, 2 * AROUND_HOPS + 1)
        known.append(speech_stretch.described(one.series.probability, found))
        for a, b in speech_stretch.stretches(found):
            hops = int(one.active[a:b].sum())
            counts = float(np.clip(hops, SHORT_HOPS, LONG_HOPS)) if hops else b - a + LOST_HOPS
            rows.append((hops > 0, hops > 0 or not near[a:b].any(), counts, one.number))
    spoken, clear, counts, number = (np.asarray(column) for column in zip(*rows, strict=True))
    return Table(np.concatenate(known), spoken, clear, counts, number)


def regression(of: Table, use: NDArray[np.bool_]) -> dict[str, NDArray[np.float32]]:
    from sklearn.linear_model import LogisticRegression

    use = use & of.clear
    mean, spread = of.known[use].mean(axis=0), of.known[use].std(axis=0) + 1e-3
    x = np.clip((of.known[use] - mean) / spread, -speech_stretch.FAR_OFF, speech_stretch.FAR_OFF)
    model = LogisticRegression(C=STRENGTH, max_iter=400)
    model.fit(x, of.spoken[use], sample_weight=of.counts[use] / of.counts[use].mean())
    weights = {"mean": mean, "spread": spread}
    weights |= {"slope": model.coef_[0], "level": model.intercept_[0]}
    return {name: np.asarray(w, np.float32) for name, w in weights.items()}


def tried(those: list[Scene], weights: list[dict], threshold: float) -> list[float]:  # type: ignore[type-arg]
    """Recall at 0, -5 dB and other levels, and the share replaced without speech."""
    hit, spoke, wrong = np.zeros(3), np.zeros(3), []
    for one in those:
        found = found_hops(one.series)
        if weights:
            found = speech_stretch.spoken(
                one.series.probability, found, weights[one.number % 2], threshold
            )
        hops = covered(room_spans(found, one.series.duration_s), found.size)
        if np.isinf(one.snr_db):
            wrong.append(hops.mean())
        else:
            level = {0.0: 0, -5.0: 1}.get(one.snr_db, 2)
            hit[level] += (hops & one.active).sum()
            spoke[level] += one.active.sum()
    return [*(hit / np.maximum(spoke, 1)), float(np.mean(wrong))]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("verb", choices=["gather", "fit", "try"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--taught", type=Path)
    parser.add_argument("--part", choices=["dev", "held"], default="dev")
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=3)
    parser.add_argument("--out", type=Path, default=Path("speech_stretch.npz"))
    options = parser.parse_args()
    if options.verb == "gather":
        options.folder.mkdir(parents=True, exist_ok=True)
        for seed in range(options.first, options.first + options.count):
            gather(options.folder, seed, options.part)
            print(seed, flush=True)
        return
    those = all_scenes(options.folder, options.taught)
    of = table(those)
    print(f"{len(those)} scenes, {of.spoken.size} stretches, {of.spoken.sum()} of speech")
    if options.verb == "fit":
        np.savez_compressed(options.out, **regression(of, np.ones(of.spoken.size, bool)))
        return
    halves = [regression(of, of.number % 2 != half) for half in (0, 1)]
    for threshold in np.arange(-5, -2.9, 0.25):
        row = tried(those, halves, float(threshold))
        print(f"{threshold:6.2f}  " + "  ".join(f"{value:.4f}" for value in row), flush=True)


if __name__ == "__main__":
    main()
