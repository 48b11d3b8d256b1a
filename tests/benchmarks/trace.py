"""Finding releases again: recall for each manipulation, and how often foreign material is taken
for ours. `--negatives` makes the tail that `analysis.trace.alarm` states.

Everything is generated: discs of moving tissue (`media_zoo.scope_frames`, and canvases and
photographs of `scenes_lens`), each with its own seed, light, speed, geometry and texture.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import media_zoo
import scenes_lens

from pipeline.analysis.trace.alarm import fitted
from pipeline.analysis.trace.disc import Disc, disc_hash, disc_square, mirrored
from pipeline.analysis.trace.lines import Kept, best_line, windows
from pipeline.stages.tracing.search import hashes_of

GREY = np.array([0.299, 0.587, 0.114], np.float32)


def zoo_pictures(seed: int, count: int, rate: float, size: tuple[int, int] = (320, 240)):
    """(rgb uint8 pictures, disc) of one made-up case."""
    rng = np.random.default_rng(seed)
    w, h = size
    field = media_zoo.scope_field(w, h)
    field = replace(
        field, radius_px=field.radius_px * float(rng.uniform(0.85, 1.0)),
        center_x_px=field.center_x_px + float(rng.uniform(-0.02, 0.02)) * w,
    )  # fmt: skip
    frames = media_zoo.scope_frames(
        count, Fraction(rate).limit_denominator(100), size, seed=seed,
        fields=[(0.0, field)], speed_px_s=float(rng.uniform(1, 25)) * w / 320,
        rim=float(rng.uniform(0.05, 0.8)), noise_levels=float(rng.uniform(0.5, 4)),
        gain=float(rng.uniform(0.6, 1.6)),
    )  # fmt: skip
    disc = Disc(field.center_x_px, field.center_y_px, field.radius_px)
    return [np.clip(f, 0, 255).astype(np.uint8) for f in frames], disc


def lens_pictures(seed: int, seconds: float):
    """(rgb pictures at 5 Hz, disc) of a case with fog, instruments, cavities, glints."""
    canvas = scenes_lens.tissue_canvas(seed, *np.random.default_rng(seed).uniform(0.05, 0.95, 2))
    scene = scenes_lens.random_scene(seed, [canvas], seconds)
    clip = scenes_lens.Clip(replace(scene, full_frame=False, coarse=True))
    pictures = [p for _, p, _ in clip.frames()]
    return pictures, Disc(clip.center_x, clip.center_y, clip.radius).scaled(0.5)


def luma(rgb: np.ndarray) -> np.ndarray:
    return np.clip(rgb @ GREY, 0, 255).astype(np.uint8)


def hashed(pictures: list[np.ndarray], disc: Disc) -> np.ndarray:
    """As a suspect is looked at: a picture that shows nothing agrees with nothing."""
    return hashes_of([luma(p) for p in pictures], [disc] * len(pictures))


def kept_of(pictures: list[np.ndarray], disc: Disc) -> Kept:
    """As a release is kept: a picture that shows nothing is left out."""
    found = [disc_hash(disc_square(luma(p), disc)) for p in pictures]
    at = [k for k, f in enumerate(found) if f is not None]
    return Kept(np.array(at), np.array([found[k] for k in at]).reshape(-1, 32))


def negatives(first: int, zoo: int, lens: int, quick: bool) -> np.ndarray:
    """Best scores of unrelated pairs: each window of each case against all other cases, both
    orientations and turns, as a search looks at them."""
    cases = []
    for seed in range(first, first + zoo):
        pictures, disc = zoo_pictures(seed, 80, 2)
        held, _ = zoo_pictures(seed, 40, 4)
        cases.append((held, disc, kept_of(pictures, disc)))
    for seed in range(first, first + lens):
        pictures, disc = lens_pictures(seed, 24)
        at = np.unique(np.round(np.arange(0, 24, 0.5) * 5).astype(int))
        at = at[at < len(pictures)]
        kept = kept_of([pictures[i] for i in at], disc)
        cases.append((pictures[:50], disc, kept))
    scores = []
    for number, (pictures, disc, _) in enumerate(cases):
        times = np.arange(len(pictures)) / (4.0 if number < zoo else 5.0)
        plain = hashed(pictures, disc)
        views = [plain, mirrored(plain)]
        for turn in () if quick else (-6.0, 6.0):
            views.append(hashed(pictures, replace(disc, turn_deg=turn)))
        for other, (_, _, kept) in enumerate(cases):
            if other == number:
                continue
            for part in windows(times)[:1]:
                lines = [best_line(times[part], v[part], kept) for v in views]
                scores.append(max((v.score for v in lines if v is not None), default=-1.0))
        if number % 10 == 0:
            print(f"  {number} of {len(cases)} cases", file=sys.stderr, flush=True)
    return np.array(scores)


def negative_table(first: int, zoo: int, lens: int, quick: bool) -> None:
    scores = negatives(first, zoo, lens, quick)
    np.save(Path(tempfile.gettempdir()) / f"trace-negatives-{first}-{zoo}-{lens}.npy", scores)
    tail = fitted(scores)
    print(f"{len(scores)} comparisons of unrelated material: mean {scores.mean():.3f},"
          f" highest {scores.max():.3f}")  # fmt: skip
    print(f"tail: {tail}")
    for score in (0.15, 0.2, 0.25, 0.3):
        seen = int((scores >= score).sum())
        print(f"  score {score}: {tail.rate(score):.1e} a comparison; seen {seen}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--negatives", action="store_true")
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--zoo", type=int, default=80)
    parser.add_argument("--lens", type=int, default=30)
    parser.add_argument("--quick", action="store_true")
    args = parser.parse_args()
    start = time.process_time()
    if args.negatives:
        negative_table(args.first, args.zoo, args.lens, args.quick)
    print(f"{time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
