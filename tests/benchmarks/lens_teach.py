"""Fit the weights of `pipeline/analysis/lens/explain.py` on generated clips, and print them.

    python tests/benchmarks/lens_teach.py [--seed N] [--rounds N]

Each explanation is told from everything else by two logistic regressions: one of its ends (a
spell that goes is one that comes, backwards in time), one of the samples within it. Moments
close to an end are left out, for nobody can say where exactly a picture becomes blurred. The
constant is the one of equally many of both, so the sum is ln of a likelihood ratio.
Seeds lie apart from those of `lens.py`; the weights in the product are of seeds 50000 to 80035.
One round takes two and a half minutes of one core: it shows that the way works, with weights of
the same signs, and is too little to take them from.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipeline.analysis.lens.explain import Cues, Weights
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.lens.reading import cues_of, solve_tables
from tests.benchmarks.lens import ALL, field_of, truth_spans
from tests.scenes_lens import (
    COLS,
    ROWS,
    SITUATIONS,
    Clip,
    Scene,
    default_canvases,
    random_scene,
    reduced,
    situation,
)

# by name in `explain`: each what the physics of the explanation foretells, and no more
ENDS = {
    "blur": ("fine", "coarse", "beyond", "blocks", "least sharp", "detail", "unseen"),
    "glare": ("light over scatter", "clipped", "blocks", "fog"),
    "dark": ("light", "light at once", "dark"),
}
WITHIN = {
    "blur": ("sharp", "detail", "detail over scatter"),
    "glare": ("light over scatter", "clipped", "fog"),
    "dark": ("level", "light"),
}
OPEN = ("dark", "glare")
NEAR_S, UNTOLD_S, RISE_S = 0.21, 0.9, 0.5
RIDGE = 3.0
MIXED = ("blur", "blur", "glare", "glare", "dark", "smudge", "fog")

Lesson = tuple[Cues, Any, list[tuple[str, float, float]]]  # cues, times (n,), true spans


def logistic(x: Any, y: Any) -> tuple[Any, float]:
    """Weights and constant that tell y 1 from y 0, as if there were equally many of both."""
    mean, sd = x.mean(0), x.std(0) + 1e-9
    z = np.c_[(x - mean) / sd, np.ones(len(x))]
    ridge = np.r_[np.full(x.shape[1], RIDGE), 1e-3]
    beta = np.zeros(len(ridge))
    for _ in range(30):
        p = 1 / (1 + np.exp(-np.clip(z @ beta, -30, 30)))
        hesse = (z * (p * (1 - p))[:, None]).T @ z + np.diag(ridge)
        step = np.linalg.solve(hesse, z.T @ (y - p) - ridge * beta)
        beta = beta + step
        if np.abs(step).max() < 1e-5:
            break
    weight = beta[:-1] / sd
    return weight, float(beta[-1] - weight @ mean - np.log(y.sum() / (len(y) - y.sum())))


def taught(lessons: Sequence[Lesson]) -> dict[str, Weights]:
    out = {}
    for kind in ENDS:
        xs, ys, xw, yw = [], [], [], []
        for cues, times, spans in lessons:
            own = [(a, b) for k, a, b in spans if k == kind]
            at = np.r_[times, 2 * times[-1] - times[-2]]
            for by_name, which in ((cues.come, 0), (cues.go, 1)):
                off = np.min([np.abs(at - s[which]) for s in own] or [np.full(len(at), 9.0)], 0)
                told = (off < NEAR_S) | (off >= UNTOLD_S)
                xs.append(np.stack([by_name[c] for c in ENDS[kind]], 1)[told])
                ys.append((off < NEAR_S)[told])
            inside = np.zeros(len(times), bool)
            told = np.ones(len(times), bool)
            for a, b in own:
                inside |= (times >= a) & (times < b)
                told &= (np.abs(times - a) >= RISE_S) & (np.abs(times - b) >= RISE_S)
            xw.append(np.stack([cues.within[c] for c in WITHIN[kind]], 1)[told])
            yw.append(inside[told])
        ends, ends_nothing = logistic(np.concatenate(xs), np.concatenate(ys).astype(float))
        within, within_nothing = logistic(np.concatenate(xw), np.concatenate(yw).astype(float))
        out[kind] = Weights(
            {c: round(float(w), 2) for c, w in zip(ENDS[kind], ends, strict=True)},
            round(ends_nothing, 2),
            {c: round(float(w), 2) for c, w in zip(WITHIN[kind], within, strict=True)},
            round(within_nothing, 2),
            kind in OPEN,
        )
    return out


def scenes(seed: int, rounds: int) -> Iterator[Scene]:
    """Everything that may come, one difficulty at a time, and short cuts of all."""
    canvases = default_canvases(4242)
    for k in range(10 * rounds):
        yield random_scene(seed + k, canvases, 60.0, ALL, k % 4 == 3)
    for k in range(rounds):
        for number, name in enumerate(SITUATIONS):
            yield situation(name, seed + 10000 + 100 * number + k, canvases)
    for k in range(9 * rounds):
        scene = random_scene(seed + 30000 + k, canvases, 45.0, MIXED, k % 3 == 0)
        yield replace(scene, still=k % 4 == 1, radius_px=50.0 if k % 9 == 4 else None)


def lesson(scene: Scene) -> Lesson:
    from tests.benchmarks.lens import Run

    clip = Clip(replace(scene, coarse=True))
    fold = LensFold(field_of(clip), COLS, ROWS)
    for time_s, rgb, _loss in clip.frames():
        fold.step(time_s, reduced(rgb))
    tables = fold.tables()
    result = solve_tables(tables)
    fog = -np.log1p(-np.nan_to_num(result.contrast_loss.astype(float)).clip(0, 0.98))
    run = Run(scene, result, [], np.array(clip.losses), None, 0.0)
    return cues_of(tables, fog), result.time_s, truth_spans(run)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--seed", type=int, default=50000)
    parser.add_argument("--rounds", type=int, default=4)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    for kind, weights in taught([lesson(s) for s in scenes(args.seed, args.rounds)]).items():
        print(f'"{kind}": {weights},')


if __name__ == "__main__":
    main()
