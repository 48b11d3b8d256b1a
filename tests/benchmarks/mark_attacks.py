"""What ten lines of a thief leave of the mark in a finished file.

    python tests/benchmarks/mark_attacks.py [--pictures FOLDER] [--seconds 60] [--rows 540]
        [--motion still] [--looks FOLDER]

A scene of real tissue (skimage.data.retina, a photograph of the fundus; --pictures for others)
wanders, turns and flickers under noise; it is marked, encoded by the product's own writer and
decoded. Nothing is known to the attacks but that file, where the table does not say otherwise.

left: what is left of the mark: the picture after the attack less the clean one, projected on the
true difference (marked less clean) over the strokes. 1: untouched, 0: gone, below: overdone.
error: mean |L* difference| (CIE 1976, grey of the luma) to the clean source on the strokes;
the row 'coded, no mark' is what coding alone does there.
beside: the same off the strokes, but near them: what the attack breaks.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from mark import decode, encode, pictures, to_planes

from pipeline.analysis.mark.light import Light
from pipeline.analysis.mark.painter import MarkPainter
from pipeline.analysis.mark.planning import plan_mark
from pipeline.analysis.mark.wander import Stretch
from pipeline.media.glyphs import load_glyph
from pipeline.model.field import FieldSpan
from pipeline.model.options import MarkOptions

RATE = 12.5
SMALL = 6.0  # standard deviation of the high pass at 540 rows, px


class Scene:
    """Tissue that wanders under a round field; frame by frame from the seed, never repeating."""

    def __init__(self, picture: np.ndarray, rows: int, seconds: float, seed: int) -> None:
        self.rows, self.frames = rows, int(seconds * RATE)
        self.field = FieldSpan(
            start_s=0, stop_s=seconds, shape="circle", center_x_px=rows / 2,
            center_y_px=rows / 2, radius_px=0.49 * rows, left_px=0, top_px=0,
            right_px=rows, bottom_px=rows, confidence=1,
        )  # fmt: skip
        side = round(2.2 * rows)
        self.base = cv2.resize(picture, (side, side), interpolation=cv2.INTER_AREA)
        yy, xx = np.mgrid[:rows, :rows]
        self.lit = np.hypot(xx + 0.5 - rows / 2, yy + 0.5 - rows / 2) < 0.48 * rows
        rng = np.random.default_rng(seed)
        self.rates = rng.uniform(0.05, 0.45, (5, 4)) * 2 * np.pi / 2
        self.phases = rng.uniform(0, 2 * np.pi, (5, 4))
        self.noise = rng.normal(0, 2.0, (rows, rows)).astype(np.float32)

    def planes(self, number: int):
        rng = np.random.default_rng([7, number])
        wave = np.sin(self.rates * number / RATE + self.phases).mean(axis=1)
        side, half = self.base.shape[0], self.rows / 2
        turn = cv2.getRotationMatrix2D((half, half), 14 * wave[2], 1 + 0.25 * wave[3])
        shift = np.array([side / 2 - half + 0.45 * self.rows * wave[k] for k in (0, 1)])
        turn[:, 2] -= turn[:, :2] @ shift
        rgb = cv2.warpAffine(
            self.base, turn, (self.rows, self.rows), borderMode=cv2.BORDER_REFLECT
        ).astype(np.float32) * (1 + 0.15 * wave[4])  # fmt: skip
        rgb += np.roll(self.noise, rng.integers(0, self.rows, 2), axis=(0, 1))[..., None]
        rgb[~self.lit] = 2
        return to_planes(np.clip(rgb, 0, 255).astype(np.uint8))


class Made:
    """A finished clip beside the clean ones: luma, (frames, rows, rows) uint8."""

    def __init__(self, scene: Scene, options: MarkOptions, seed: int, crf: int) -> None:
        glyph = load_glyph(options)
        self.plan = plan_mark(
            [scene.field], None, options, glyph.coverage, glyph.x_height_ratio, [], seed,
            height_px=scene.rows, shown=[Stretch(0, "5eed", 0.0, scene.frames / RATE)],
        )  # fmt: skip
        painter = MarkPainter(
            self.plan, glyph.coverage, scene.field, scene.rows, scene.rows, "bt709", False, 0
        )
        self.ink: list[tuple[np.ndarray, np.ndarray, np.ndarray]] = []
        source: list[np.ndarray] = []

        def clean():
            for number in range(scene.frames):
                planes = scene.planes(number)
                source.append(planes[0].copy())
                yield planes

        def marked():
            for number in range(scene.frames):
                y, u, v = scene.planes(number)
                painter.move(scene.field, 0, 0, number / RATE)
                painter.paint(y, u, v, number / RATE)
                s = painter.strokes
                self.ink.append((s.row, s.col, s.weight.astype(np.float16)))
                yield y, u, v

        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "a.mp4")
            encode(clean(), path, scene.rows, scene.rows, crf)
            self.coded = np.stack([p[0].copy() for p in decode(path)])
            encode(marked(), path, scene.rows, scene.rows, crf)
            self.shown = np.stack([p[0].copy() for p in decode(path)])
        self.source = np.stack(source)
        self.lit, self.rows = scene.lit, scene.rows

    def strokes(self, number: int) -> np.ndarray:
        """(row, col) bool: what the mark covers in this picture, its soft edges too."""
        out = np.zeros((self.rows, self.rows), bool)
        row, col, _ = self.ink[number]
        out[row, col] = True
        return out


def high(picture: np.ndarray, rows: int) -> np.ndarray:
    p = picture.astype(np.float32)
    return p - cv2.GaussianBlur(p, (0, 0), SMALL * rows / 540)


def taken_off(picture: np.ndarray, pattern: np.ndarray, lit: np.ndarray, rows: int) -> np.ndarray:
    """The pattern scaled to what of it is found in the picture, and subtracted."""
    noise = 1.5 * float(np.median(np.abs(pattern[lit])))
    clear = np.where(np.abs(pattern) > noise, pattern, 0) * lit
    found = high(picture, rows)
    gain = float((found * clear).sum() / max(float((clear * clear).sum()), 1e-9))
    return picture.astype(np.float32) - np.clip(gain, 0, 1.5) * clear


def by_median(made: Made, numbers: list[int], window_s: float) -> list[np.ndarray]:
    out: list[np.ndarray] = []
    kept: dict[tuple[int, int], np.ndarray] = {}
    for n in numbers:
        half = round(window_s * RATE / 2)
        first = min(max(0, n - half), max(0, len(made.shown) - 2 * half))
        first = first // max(1, half // 3) * max(1, half // 3)  # a few windows, each made once
        last = min(len(made.shown), first + 2 * half)
        if (first, last) not in kept:
            picked = np.unique(np.linspace(first, last - 1, 60).astype(int))
            stack = np.stack([high(made.shown[k], made.rows) for k in picked]).astype(np.float16)
            kept[first, last] = np.median(stack, axis=0).astype(np.float32)
        out.append(taken_off(made.shown[n], kept[first, last], made.lit, made.rows))
    return out


def by_low_rank(made: Made, numbers: list[int]) -> list[np.ndarray]:
    """Low rank and sparse (robust principal components, Candes et al. 2011, ADMM of section 5).

    The mark is what the high-passed pictures share. Solved on every second pixel each way would
    blur the strokes: all pixels of the lit picture, 100 pictures over the clip and those asked.
    """
    at = np.unique([*np.linspace(0, len(made.shown) - 1, 100).astype(int), *numbers])
    data = np.stack([high(made.shown[k], made.rows)[made.lit] for k in at], axis=1)
    weight = 1 / np.sqrt(data.shape[0])
    mu = data.size / (4 * float(np.abs(data).sum()))
    sparse, dual = np.zeros_like(data), np.zeros_like(data)
    low = sparse
    for _ in range(30):
        part = data - sparse + dual / mu
        values, vectors = np.linalg.eigh(part.T @ part)
        size = np.sqrt(np.maximum(values, 1e-9))
        low = part @ (vectors * np.maximum(1 - 1 / (mu * size), 0)) @ vectors.T
        part = data - low + dual / mu
        sparse = np.sign(part) * np.maximum(np.abs(part) - weight / mu, 0)
        dual += mu * (data - low - sparse)
    out = []
    for n in numbers:
        pattern = np.zeros((made.rows, made.rows), np.float32)
        pattern[made.lit] = low[:, int(np.searchsorted(at, n))]
        out.append(taken_off(made.shown[n], pattern, made.lit, made.rows))
    return out


def by_following(made: Made, numbers: list[int], reach_s: float) -> list[np.ndarray]:
    """Medians of a second, in halves of the picture, registered to each other; then the median
    of the pictures laid over each other along the path found, and subtracted along it."""
    rows, frames = made.rows, len(made.shown)
    halves = [(0, rows // 2), (rows // 2, rows)]
    out = [made.shown[n].astype(np.float32) for n in numbers]
    step = max(1, round(RATE / 2))
    centres = np.arange(step, frames - step, step)
    for top, bottom in halves:
        lit = made.lit[top:bottom]
        short = []
        for c in centres:
            near = range(c - step, c + step + 1, 2)
            stack = [high(made.shown[k], rows)[top:bottom] for k in near]
            short.append(np.median(np.stack(stack), axis=0).astype(np.float32) * lit)
        window = cv2.createHanningWindow((rows, bottom - top), cv2.CV_32F)
        path = np.zeros((len(centres), 2))
        template = short[0]
        for k in range(1, len(centres)):  # each against all before it, laid over each other
            moved = cv2.warpAffine(short[k], _shift(-path[k - 1]), (rows, bottom - top))
            more, _ = cv2.phaseCorrelate(template, moved, window)
            more = np.array(more) if np.hypot(*more) < 0.06 * rows else np.zeros(2)
            path[k] = path[k - 1] + more
            laid = cv2.warpAffine(short[k], _shift(-path[k]), (rows, bottom - top))
            template = 0.9 * template + 0.1 * laid
        every = np.arange(frames)
        where = np.stack([np.interp(every, centres, path[:, a]) for a in (0, 1)], axis=1)
        for i, n in enumerate(numbers):
            half = round(reach_s * RATE / 2)
            near = np.unique(
                np.linspace(max(0, n - half), min(frames, n + half) - 1, 60).astype(int)
            )
            laid = [
                cv2.warpAffine(
                    high(made.shown[k], rows)[top:bottom], _shift(where[n] - where[k]),
                    (rows, bottom - top), flags=cv2.INTER_CUBIC,
                )
                for k in near
            ]  # fmt: skip
            pattern = np.median(np.stack(laid), axis=0) * lit
            whole = np.zeros((rows, rows), np.float32)
            whole[top:bottom] = pattern
            mask = np.zeros_like(made.lit)
            mask[top:bottom] = lit
            off = made.shown[n] - taken_off(made.shown[n], whole, mask, rows)
            out[i] = out[i] - off
    return out


def _shift(by: np.ndarray) -> np.ndarray:
    return np.array([[1, 0, by[0]], [0, 1, by[1]]], np.float32)


def by_inpainting(made: Made, numbers: list[int]) -> list[np.ndarray]:
    return [
        cv2.inpaint(made.shown[n], made.strokes(n).astype(np.uint8), 3, cv2.INPAINT_TELEA).astype(
            np.float32
        )
        for n in numbers
    ]


def by_other_times(made: Made, numbers: list[int]) -> list[np.ndarray]:
    """Strokes known in every picture: filled from up to four seconds around, where the place is
    free, laid over by the motion of the tissue (points followed, similarity by RANSAC)."""
    out = []
    for n in numbers:
        here, hidden = made.shown[n], made.strokes(n)
        found = []
        for k in range(max(0, n - 50), min(len(made.shown), n + 51), 5):
            if k == n:
                continue
            free = (made.lit & ~made.strokes(k)).astype(np.uint8)
            points = cv2.goodFeaturesToTrack(made.shown[k], 300, 0.005, 8, mask=free)
            if points is None:
                continue
            there, good, _ = cv2.calcOpticalFlowPyrLK(
                made.shown[k], here, points, None, winSize=(31, 31), maxLevel=5
            )
            took = good.ravel() > 0
            move = None
            if took.sum() >= 8:
                move, _ = cv2.estimateAffine2D(points[took], there[took], ransacReprojThreshold=1.0)
            if move is None:
                continue
            size = (made.rows, made.rows)
            laid = cv2.warpAffine(made.shown[k], move, size, flags=cv2.INTER_CUBIC)
            clear = cv2.warpAffine(free, move, size, flags=cv2.INTER_NEAREST) > 0
            laid = laid.astype(np.float32)
            same = clear & ~hidden & made.lit
            error = float(np.abs(laid - here)[same].mean()) if same.any() else 99.0
            found.append((error, np.where(clear, laid, np.nan)))
        found.sort(key=lambda f: f[0])
        filled = by_inpainting(made, [n])[0]
        if found:
            with np.errstate(all="ignore"):
                stack = np.stack([f[1] for f in found[:8]])
                best = np.nanmedian(stack, axis=0)
            filled = np.where(hidden & np.isfinite(best), best, filled)
        out.append(filled)
    return out


def measured(made: Made, numbers: list[int], attacked: list[np.ndarray]) -> tuple[float, ...]:
    """(left, error on the strokes, error beside them); see the module."""
    light = Light("bt709", False)
    codes = np.arange(256)
    left = size = 0.0
    errors, beside = [], []
    for n, picture in zip(numbers, attacked, strict=True):
        ink = made.strokes(n)
        truth = made.shown[n].astype(np.float64) - made.coded[n]
        after = picture - made.coded[n]
        left += float((after * truth)[ink].sum())
        size += float((truth * truth)[ink].sum())
        gap = np.abs(np.interp(picture, codes, light.grey_l) - light.grey_l[made.source[n]])
        errors.append(float(gap[ink].mean()))
        ring = cv2.dilate(ink.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0
        beside.append(float(gap[ring & ~ink & made.lit].mean()))
    return left / size, float(np.mean(errors)), float(np.mean(beside))


def by_releases(scene: Scene, made: Made, options: MarkOptions) -> tuple[float, float]:
    """What 16 releases leave: (laid over each other; learned from).

    The first: the median of the pictures of one moment, projected. The second: the true strokes of
    16 other releases, already laid on this one's place, averaged and subtracted at the best scale;
    the share of the strokes that remains. A thief who has to find them first gets less. Both are
    taken before coding.
    """
    glyph = load_glyph(options)

    def drawn(seed: int, time_s: float) -> np.ndarray:
        plan = made.plan.model_copy(update={"seed": seed})  # the way is of the recording
        painter = MarkPainter(
            plan, glyph.coverage, scene.field, scene.rows, scene.rows, "bt709", False, seed % 7
        )
        painter.move(scene.field, seed % 7, 0, time_s)
        y, u, v = scene.planes(int(time_s * RATE))
        before = y.astype(np.float32)
        painter.paint(y, u, v, time_s)
        return y - before

    first = [drawn(seed, 20.0) for seed in range(100, 116)]
    truth = first[0]
    together = float((np.median(np.stack(first), axis=0) * truth).sum() / (truth * truth).sum())
    learned = np.mean([drawn(seed, 20.0) for seed in range(200, 216)], axis=0)
    gain = float((learned * truth).sum() / (learned * learned).sum())
    # what is left cannot be projected: subtracting at the best scale leaves what is at right angles
    off = truth - gain * learned
    return together, float(np.abs(off).sum() / np.abs(truth).sum())


def looked_at(made: Made, number: int, attacked: np.ndarray, path: Path) -> None:
    """Marked, attacked and clean, side by side, around the strokes."""
    row, col, _ = made.ink[number]
    top, bottom = max(0, row.min() - 12), min(made.rows, row.max() + 12)
    left, right = max(0, col.min() - 12), min(made.rows, col.max() + 12)
    trio = [made.shown[number], np.clip(attacked, 0, 255).astype(np.uint8), made.source[number]]
    cv2.imwrite(str(path), np.hstack([p[top:bottom, left:right] for p in trio]))


ATTACKS: dict[str, Callable[[Made, list[int]], list[np.ndarray]]] = {
    "nothing done": lambda m, at: [m.shown[n].astype(np.float32) for n in at],
    "coded, no mark": lambda m, at: [m.coded[n].astype(np.float32) for n in at],
    "median, whole clip": lambda m, at: by_median(m, at, len(m.shown) / RATE),
    "median, 10 s": lambda m, at: by_median(m, at, 10),
    "median, 3 s": lambda m, at: by_median(m, at, 3),
    "low rank (robust PCA)": by_low_rank,
    "followed, whole clip": lambda m, at: by_following(m, at, len(m.shown) / RATE),
    "followed, 10 s": lambda m, at: by_following(m, at, 10),
    "strokes known, inpainted": by_inpainting,
    "strokes known, other times": by_other_times,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--seconds", type=float, default=60)
    parser.add_argument("--rows", type=int, default=540)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--crf", type=int, default=20)
    parser.add_argument("--motion", default="drift")
    parser.add_argument("--speed", type=float, default=MarkOptions().speed_ratio)
    parser.add_argument("--warp", type=float, default=MarkOptions().warp_px)
    parser.add_argument("--only", help="attacks whose name holds this")
    parser.add_argument("--looks", type=Path, help="folder for pictures to look at")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    sources = pictures(args.pictures, args.seed)
    sources = sources[:1] if args.pictures is None else sources
    for index, picture in enumerate(sources):
        scene = Scene(picture, args.rows, args.seconds, args.seed + index)
        options = MarkOptions(motion=args.motion, speed_ratio=args.speed, warp_px=args.warp)
        made = Made(scene, options, args.seed, args.crf)
        at = np.linspace(0.05, 0.95, 12) * (scene.frames - 1)
        numbers = [int(n) for n in at]
        print(f"\nPicture {index}, {args.rows} rows, {args.seconds:.0f} s, CRF {args.crf}")
        print(f"{'attack':28} {'left':>6} {'error':>7} {'beside':>7}")
        for name, attack in ATTACKS.items():
            if args.only and args.only not in name:
                continue
            attacked = attack(made, numbers)
            left, error, beside = measured(made, numbers, attacked)
            print(f"{name:28} {left:6.2f} {error:7.2f} {beside:7.2f}", flush=True)
            if args.looks:
                args.looks.mkdir(parents=True, exist_ok=True)
                word = name.replace(" ", "_").replace(",", "").replace("(", "").replace(")", "")
                looked_at(made, numbers[5], attacked[5], args.looks / f"{index}_{word}.png")

        if not args.only or args.only in "16 releases":
            together, learned = by_releases(scene, made, options)
            print(f"{'16 releases, one moment':28} {together:6.2f}")
            print(f"{'16 releases, learned from':28} {learned:6.2f}")


if __name__ == "__main__":
    main()
