"""How well the scope field is found, on generated recordings.

    python tests/benchmarks/field.py [--quick] [--seed N] [--per-kind N] [--harsh X]
        [--kinds A,B] [--held] [--pictures DIR]

Each kind of recording (geometry, change over time, picture without a field) is
drawn with several looks. For each clip the track of `FieldFold` is compared
with the truth at every half second, 0.6 s away from changes: Hausdorff distance
of the boundaries as % of the frame height. A clip is 'answered' if all its
checked moments have confidence >= 0.9. 'Wrong and sure' counts clips with a
moment of confidence >= 0.9 that is more than 2 % off or has the wrong shape
(circle, whether cut or not; other; none). While a slow zoom runs, moments count
for 'wrong and sure' alone. The reliability table holds every checked moment: how often an
answer of that confidence was right. Where light fades to the surround the edge is where its
mean is one level above it (`tests.scenes_field_soft`). Beside it: the largest contour of a
plain threshold (level 15, and Otsu's) and the best Hough circle, on the
middle picture of the longest part with a field.

Real pictures (photographs that come with scikit-image, and those of --pictures)
and made-up tissue are the textures. CPU time is process time per sampled picture.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import defaultdict
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipeline.analysis.field.masks import outline_of
from pipeline.analysis.field.track import FieldFold
from pipeline.model.field import FieldSpan
from tests.scenes_field import (
    GEOMETRIES,
    SEQUENCES,
    Clip,
    Points,
    Region,
    Rgb,
    hausdorff_px,
    make_clip,
    real_textures,
)
from tests.scenes_field_soft import SOFT, make_soft
from tests.scenes_field_wild import WILD, WildClip, make_wild

SURE = 0.9
STEPS = (0.0, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 1.0)  # confidence: rows of the reliability table


def clipped(outline: Points, h: int, w: int) -> Points:
    """An outline cut by the frame."""
    return np.stack([np.clip(outline[:, 0], 0, w), np.clip(outline[:, 1], 0, h)], axis=1)


def kind_of(shape: str) -> str:
    return "circle" if shape.startswith("circle") else shape


def error_ratio(span: FieldSpan, truth: Region | None, h: int, w: int) -> float:
    """Hausdorff distance over the frame height; infinite if a field is missed or invented."""
    if truth is None or span.shape == "none":
        return 0.0 if truth is None and span.shape == "none" else float("inf")
    return hausdorff_px(clipped(outline_of(span, 720), h, w), truth.boundary(h, w)) / h


@dataclass
class Result:
    kind: str
    seed: int
    errors: list[float]
    confidence: list[float]
    right_shape: list[bool]
    settled: list[bool]
    ms: float
    plain: dict[str, float]

    @property
    def worst(self) -> float:
        return max(e for e, ok in zip(self.errors, self.settled, strict=True) if ok)

    @property
    def answered(self) -> bool:
        pairs = zip(self.confidence, self.settled, strict=True)
        return min(c for c, ok in pairs if ok) >= SURE

    def moments(self) -> list[tuple[float, bool]]:
        """Confidence of each checked moment, and whether it is right: kind, and within 2 %."""
        return [
            (c, e <= 0.02 and ok)
            for e, c, ok in zip(self.errors, self.confidence, self.right_shape, strict=True)
        ]

    @property
    def wrong_and_sure(self) -> bool:
        return any(c >= SURE and not right for c, right in self.moments())


def plain_answers(rgb: Rgb, truth: Region) -> dict[str, float]:
    """Error of single-picture methods: threshold 15, Otsu, Hough; over the frame height."""
    h, w = rgb.shape[:2]
    grey = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    out = {}
    for name, level, flag in (("threshold", 15, 0), ("otsu", 0, cv2.THRESH_OTSU)):
        _, mask = cv2.threshold(grey, level, 255, cv2.THRESH_BINARY | flag)
        contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        if contours:
            best = max(contours, key=cv2.contourArea)[:, 0].astype(float) + 0.5
            out[name] = hausdorff_px(best, truth.boundary(h, w)) / h
        else:
            out[name] = float("inf")
    circles = cv2.HoughCircles(
        cv2.medianBlur(grey, 5), cv2.HOUGH_GRADIENT, 2, h, param1=60, param2=40,
        minRadius=round(0.15 * h), maxRadius=round(0.9 * h),
    )
    if circles is None:
        out["hough"] = float("inf")
    else:
        x, y, r = (float(v) for v in np.asarray(circles).reshape(-1, 3)[0])
        out["hough"] = hausdorff_px(Region((x, y, r)).boundary(h, w), truth.boundary(h, w)) / h
    return out


def run(clip: Clip, kind: str) -> Result:
    return judge(clip, kind, list(clip.frames()))


def judge(clip: Clip, kind: str, frames: list[tuple[float, Rgb]]) -> Result:
    """Hands the pictures of a clip to the fold and compares its answer with the truth."""
    start = time.process_time()
    fold = FieldFold(clip.w, clip.h)
    for t, rgb in frames:
        fold.step(t, rgb)
    spans = fold.finish(clip.duration_s)
    ms = (time.process_time() - start) / len(frames) * 1e3
    errors: list[float] = []
    confidence: list[float] = []
    right: list[bool] = []
    settled: list[bool] = []
    known: dict[Any, float] = {}
    for t in np.arange(0.25, clip.duration_s, 0.5):
        part, at = clip.part_at(float(t))
        if len(clip.parts) > 1 and min(at, part.duration_s - at) < 0.6:
            continue
        i = next(i for i, s in enumerate(spans) if s.start_s <= t < s.stop_s)
        truth = clip.truth(float(t))
        key = (i, truth)
        if key not in known:
            known[key] = error_ratio(spans[i], truth, clip.h, clip.w)
        errors.append(known[key])
        confidence.append(spans[i].confidence)
        settled.append(not (isinstance(clip, WildClip) and clip.moving(float(t))))
        right.append(kind_of(spans[i].shape) == ("none" if truth is None else kind_of(truth.kind)))
    plain: dict[str, float] = {}
    fields = [p for p in clip.parts if p.region is not None]
    if fields:
        longest = max(fields, key=lambda p: p.duration_s)
        begin = sum(p.duration_s for p in clip.parts[: clip.parts.index(longest)])
        t, rgb = min(frames, key=lambda f: abs(f[0] - begin - longest.duration_s / 2))
        truth = clip.truth(t)
        if truth is not None:
            plain = plain_answers(rgb, truth)
    return Result(kind, clip.seed, errors, confidence, right, settled, ms, plain)


def percent(values: list[float], q: float) -> str:
    v = float(np.percentile(np.minimum(values, 9.99), q)) * 100 if values else float("nan")
    return "   -  " if v != v else "missed" if v > 300 else f"{v:6.2f}"


def reliability(moments: list[tuple[float, bool]]) -> None:
    print("\n  confidence   moments   right (same kind, within 2 %)")
    for low, high in pairwise((*STEPS, 2.0)):
        right = [ok for c, ok in moments if low <= c < high]
        share = f"{sum(right) / len(right):6.1%}" if right else "   -"
        print(f"  {low:4.2f} {'to ' + format(high, '4.2f') if high <= 1 else '       '}"
              f"  {len(right):7d}   {share}")


def report(results: list[Result]) -> int:
    by_kind: dict[str, list[Result]] = defaultdict(list)
    for r in results:
        by_kind[r.kind].append(r)
    print(f"{'kind':13s} clips  worst error % of height   <=1%  answered  wrong+sure   ms/picture")
    for kind, group in by_kind.items():
        worst = [r.worst for r in group]
        print(
            f"{kind:13s} {len(group):5d}  p50 {percent(worst, 50)} max {percent(worst, 100)}"
            f"   {sum(e <= 0.01 for e in worst):3d}   {sum(r.answered for r in group):3d}"
            f"       {sum(r.wrong_and_sure for r in group):3d}"
            f"       {np.mean([r.ms for r in group]):6.2f}"
        )
    worst = [r.worst for r in results]
    n = len(results)
    wrong = sum(r.wrong_and_sure for r in results)
    answered = [r for r in results if r.answered]
    print(f"\nall {n} clips, each counted at its worst moment:")
    print(f"  error % of height: p50 {percent(worst, 50)}  p95 {percent(worst, 95)}"
          f"  max {percent(worst, 100)}   within 1 %: {sum(e <= 0.01 for e in worst) / n:.1%}")
    sure_worst = [r.worst for r in answered]
    print(f"  answered (confidence >= {SURE}): {len(answered) / n:.1%}; of these p95"
          f" {percent(sure_worst, 95)} max {percent(sure_worst, 100)}"
          f"   within 1 %: {sum(e <= 0.01 for e in sure_worst) / max(len(answered), 1):.1%}")
    print(f"  wrong and sure: {wrong}")
    print(f"  CPU: {np.mean([r.ms for r in results]):.2f} ms per picture, at 2 pictures a second")
    reliability([m for r in results for m in r.moments()])
    with_field = [r for r in results if r.plain]
    print(f"\none middle picture of {len(with_field)} clips with a field, the usual ways:")
    for name in ("threshold", "otsu", "hough"):
        e = [r.plain[name] for r in with_field]
        print(f"  {name:10s} p50 {percent(e, 50)}  p95 {percent(e, 95)}"
              f"  within 1 %: {sum(v <= 0.01 for v in e) / max(len(e), 1):.1%}")
    e = [float(np.median(r.errors)) for r in with_field]
    print(f"  {'this':10s} p50 {percent(e, 50)}  p95 {percent(e, 95)}"
          f"  within 1 %: {sum(v <= 0.01 for v in e) / max(len(e), 1):.1%}   (median moment)")
    for r in results:
        if r.wrong_and_sure or r.worst > 0.01:
            note = "  WRONG AND SURE" if r.wrong_and_sure else ""
            print(f"  worth a look: {r.kind} {r.seed}: error {percent([r.worst], 100)} %,"
                  f" confidence {min(r.confidence):.2f}{note}")
    return wrong


def pictures(folder: Path | None) -> list[Rgb]:
    out = real_textures()
    if folder is not None:
        for path in sorted(folder.glob("*.png")) + sorted(folder.glob("*.jpg")):
            p = cv2.imread(str(path))
            if p is not None:
                out.append(cv2.resize(p[..., ::-1], (700, 700), interpolation=cv2.INTER_AREA))
    return out


def any_clip(kind: str, seed: int, textures: list[Rgb], harsh: float, held: bool) -> Clip:
    """A clip of any kind; seven of ten have a photograph as texture."""
    use = textures if np.random.default_rng(seed).random() < 0.7 else None
    if kind in SOFT:
        return make_soft(kind, seed, use, harsh=0.6 * harsh, held=held)
    if kind in WILD:
        return make_wild(kind, seed, use, harsh=0.6 * harsh, held=held)
    return make_clip(kind, seed, use, harsh=harsh, held=held)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--quick", action="store_true", help="one clip of each kind")
    parser.add_argument("--seed", type=int, default=1000, help="first seed")
    parser.add_argument("--per-kind", type=int, default=4, help="clips of each kind")
    parser.add_argument("--harsh", type=float, default=0.5, help="0 mild .. 1 strong disturbances")
    parser.add_argument("--kinds", default="", help="only these kinds, separated by commas")
    parser.add_argument("--held", action="store_true", help="the frame sizes kept for the end")
    parser.add_argument("--pictures", type=Path, default=None, help="folder with more textures")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    textures = pictures(args.pictures)
    results = []
    kinds = args.kinds.split(",") if args.kinds else (*GEOMETRIES, *SEQUENCES, *WILD, *SOFT)
    for kind in kinds:
        for seed in range(args.seed, args.seed + (1 if args.quick else args.per_kind)):
            results.append(run(any_clip(kind, seed, textures, args.harsh, args.held), kind))
            print(".", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    report(results)


if __name__ == "__main__":
    main()
