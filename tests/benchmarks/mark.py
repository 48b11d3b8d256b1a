"""How constant the mark's visibility is, and what it costs to be rid of it.

    python tests/benchmarks/mark.py [--quick] [--pictures FOLDER] [--seed 1] [--crf 20]

First table: trial clips (brightness behind the mark ramps from black to clipped white,
flickers, cuts, glare runs over it, a suction tip passes) are marked, encoded with x264, decoded
and measured against the source: share of frames in the band 6 to 12 L*, the second farthest
from its middle, the steepest change per second. Beside it, on the same clips, measured the same
way: overlays of one fixed opacity made with ffmpeg, white letters and the same two-tone
strokes; their opacity gives 9 L* over their own strokes on mid-grey (L* 50).

Second table: attacks on a marked clip: share of the lit picture lost to the crop, the mark's
remaining correlation (strokes against what the attack left of the mark), and the structural
similarity to the clean picture of what is kept: 1 would be the clean picture, 'nothing done'
is what the mark itself costs.

Clips are drawn from several pictures (skimage.data and noise; --pictures for others).
"""

from __future__ import annotations

import argparse
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import av
import cv2
import imageio_ffmpeg
import numpy as np

from pipeline.analysis.mark.crop import crop_loss
from pipeline.analysis.mark.geometry import stroke_points
from pipeline.analysis.mark.painter import MarkPainter
from pipeline.analysis.mark.planning import plan_mark
from pipeline.analysis.mark.strokes import Strokes
from pipeline.analysis.mark.visibility import VisibilityFold, measure_visibility
from pipeline.media.glyphs import Glyph, load_glyph
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPlan
from pipeline.model.options import MarkOptions

MIX = "[1:v]scale=out_color_matrix=bt709[m];[0:v][m]overlay=format=yuv420"
FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
RATE = 25
Planes = tuple[np.ndarray, np.ndarray, np.ndarray]
SCENES = ("steady", "ramp", "flicker", "cuts", "glare", "tip")


def pictures(folder: Path | None, seed: int) -> list[np.ndarray]:
    """Square RGB pictures to build clips from."""
    out = []
    if folder is not None:
        names = sorted(folder.glob("*.png")) + sorted(folder.glob("*.jpg"))
        out = [cv2.cvtColor(cv2.imread(str(n)), cv2.COLOR_BGR2RGB) for n in names]
    else:
        import skimage.data

        out = [skimage.data.retina(), skimage.data.coffee(), np.dstack([skimage.data.gravel()] * 3)]
        rng = np.random.default_rng(seed)
        total = np.zeros((900, 900), np.float32)
        for scale, weight in ((4, 0.2), (16, 0.5), (64, 1.0), (200, 1.6)):
            small = rng.standard_normal((900 // scale + 2, 900 // scale + 2)).astype(np.float32)
            total += weight * cv2.resize(small, (900, 900), interpolation=cv2.INTER_CUBIC)
        total = (total - total.min()) / np.ptp(total)
        out.append(np.dstack([80 + 160 * total, 35 + 90 * total, 30 + 70 * total]).astype(np.uint8))
    return out


def to_planes(rgb: np.ndarray) -> Planes:
    """BT.709 video range, 4:2:0."""
    r = rgb.astype(np.float32)
    luma = r @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    cb, cr = (r[..., 2] - luma) / 1.8556, (r[..., 0] - luma) / 1.5748
    half = (rgb.shape[1] // 2, rgb.shape[0] // 2)

    def small(plane: np.ndarray) -> np.ndarray:
        plane = cv2.resize(plane, half, interpolation=cv2.INTER_AREA)
        return np.clip(np.round(128 + plane * 224 / 255), 16, 240).astype(np.uint8)

    y = np.clip(np.round(16 + luma * 219 / 255), 16, 235).astype(np.uint8)
    return y, small(cb), small(cr)


class Clip:
    """A trial clip: a scope field over a drifting picture, drawn frame by frame."""

    def __init__(
        self, scene: str, picture: np.ndarray, rows: int, seconds: float, seed: int
    ) -> None:
        self.scene, self.rows, self.cols = scene, rows, rows * 16 // 9 // 2 * 2
        self.frames, self.seed = int(seconds * RATE), seed
        self.field = FieldSpan(
            start_s=0, stop_s=seconds, shape="circle", center_x_px=self.cols / 2,
            center_y_px=rows / 2, radius_px=0.49 * rows, left_px=0, top_px=0,
            right_px=self.cols, bottom_px=rows, confidence=1,
        )  # fmt: skip
        big = rows * 5 // 4
        self.base = cv2.resize(picture, (big, big), interpolation=cv2.INTER_AREA).astype(np.float32)
        yy, xx = np.mgrid[:rows, : self.cols]
        away = np.hypot(xx + 0.5 - self.cols / 2, yy + 0.5 - rows / 2)
        self.lit = away < 0.49 * rows
        self.cuts = {self.frames * k // 5 for k in range(1, 5)} if scene == "cuts" else set()
        rng = np.random.default_rng(seed)
        self.phase, self.rate_hz = rng.uniform(0, 6), rng.uniform(1.5, 9)
        self.gains = rng.permutation([0.12, 2.5, 0.8, 0.02, 5.0])
        self.spots = rng.uniform(0.15, 0.85, (40, 3))
        self.noise = rng.normal(0, 2.0, (rows, rows, 3)).astype(np.float32)
        self._drawn: list[Planes] | None = None

    def rgb(self, k: int) -> np.ndarray:
        rng = np.random.default_rng([self.seed, k])
        rows, spare = self.rows, self.base.shape[0] - self.rows
        t = k / RATE
        shift = [spare * (0.5 + 0.48 * np.sin(w * t + self.phase)) for w in (0.7, 0.45)]
        move = np.array([[1, 0, -shift[0]], [0, 1, -shift[1]]], np.float32)
        part = cv2.warpAffine(self.base, move, (rows, rows), flags=cv2.INTER_LINEAR)
        share = k / max(1, self.frames - 1)
        if self.scene == "ramp":
            part = part * np.interp(share, [0, 0.5, 1], [0, 1, 6]) + np.interp(
                share, [0.8, 1], [0, 90]
            )
        elif self.scene == "flicker":
            part = part * (1 + 0.7 * np.sin(2 * np.pi * self.rate_hz * t))
        elif self.scene == "cuts":
            part = part * self.gains[min(4, k * 5 // self.frames)]
        elif self.scene == "glare":
            for x, y, size in self.spots:
                at = (int((x + 0.1 * np.sin(3 * t + 9 * size)) * rows), int(y * rows))
                cv2.circle(part, at, int((0.01 + 0.03 * size) * rows), (255, 252, 250), -1)
        elif self.scene == "tip":
            x = int(rows * (0.1 + 0.8 * (0.5 + 0.5 * np.sin(1.7 * t))))
            half, bore = rows // 11, rows // 28
            part[:, max(0, x - half) : x + half] = (205, 208, 212)
            part[:, max(0, x - half // 3) : x] = (252, 253, 254)
            part[:, x + 2 : x + 2 + bore] = (12, 10, 10)
        part = part + np.roll(self.noise, rng.integers(0, self.rows, 2), axis=(0, 1))
        out = np.zeros((rows, self.cols, 3), np.float32)
        left = (self.cols - rows) // 2
        out[:, left : left + rows] = part
        out[~self.lit] = 2
        return np.clip(out, 0, 255).astype(np.uint8)

    def __iter__(self) -> Iterator[Planes]:
        if self._drawn is None:
            self._drawn = [to_planes(self.rgb(k)) for k in range(self.frames)]
        return ((y.copy(), u, v) for y, u, v in self._drawn)


def encode(frames: Iterator[Planes], path: Path, rows: int, cols: int, crf: int) -> None:
    with av.open(str(path), "w") as box:
        stream = box.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = cols, rows, "yuv420p"
        stream.options = {"crf": str(crf), "preset": "veryfast"}
        for planes in frames:
            packed = np.concatenate([p.ravel() for p in planes]).reshape(rows * 3 // 2, cols)
            frame = av.VideoFrame.from_ndarray(packed, format="yuv420p")
            box.mux(stream.encode(frame))
        box.mux(stream.encode(None))


def decode(path: Path) -> Iterator[Planes]:
    with av.open(str(path)) as box:
        for frame in box.decode(video=0):
            rows, cols = frame.height, frame.width
            packed = frame.to_ndarray(format="yuv420p").ravel()
            n, q = rows * cols, rows * cols // 4
            yield (
                packed[:n].reshape(rows, cols),
                packed[n : n + q].reshape(rows // 2, cols // 2),
                packed[n + q :].reshape(rows // 2, cols // 2),
            )


def marked(clip: Clip, painter: MarkPainter, cost: list[float] | None = None) -> Iterator[Planes]:
    shot = 0
    for k, (y, u, v) in enumerate(clip):
        if k in clip.cuts:
            shot += 1
            painter.move(clip.field, shot)
        start = time.process_time()
        painter.paint(y, u, v, k / RATE, cut=k in clip.cuts)
        if cost is not None:
            cost.append(time.process_time() - start)
        yield y, u, v


def measure(clip: Clip, path: Path, painter: MarkPainter, shots: bool, light_only: bool = False):
    fold = VisibilityFold(painter.plan.band_low, painter.plan.band_high)
    shot = 0
    painter.move(clip.field, 0)
    for k, (source, got) in enumerate(zip(clip, decode(path), strict=True)):
        if shots and k in clip.cuts:
            shot += 1
            painter.move(clip.field, shot)
        strokes = light_strokes(painter.strokes) if light_only else painter.strokes
        seen = measure_visibility(
            source[0], got[0], strokes, source[1:], got[1:], light=painter.light
        )
        fold.step(k / RATE, seen, cut=k in clip.cuts)
    return fold.finish()


def light_strokes(s: Strokes) -> Strokes:
    up = s.weight > 0
    return Strokes(s.row[up], s.col[up], s.weight[up], s.mark[up], s.marks)


def overlay_picture(painter: MarkPainter, path: Path, two_tone: bool) -> None:
    """A PNG of fixed opacity that changes L* by 9 over its strokes on grey of L* 50."""
    rows, cols = painter._size
    s = painter.strokes if two_tone else light_strokes(painter.strokes)
    light = painter.light
    grey = np.full((rows, cols), round(float(light.code(np.array(50.0)))), np.uint8)
    low, high = 0.0, 1.0
    for _ in range(30):
        opacity = (low + high) / 2
        aim = np.where(s.weight > 0, light.white, light.black)
        blended = grey.astype(np.float64)
        blended[s.row, s.col] += np.abs(s.weight) * opacity * (aim - grey[s.row, s.col])
        seen = measure_visibility(grey, np.round(blended).astype(np.uint8), s, light=light)
        low, high = (opacity, high) if seen < 9 else (low, opacity)
    out = np.zeros((rows, cols, 4), np.uint8)
    out[s.row, s.col, :3] = np.where(s.weight > 0, 255, 0)[:, None]
    out[s.row, s.col, 3] = np.round(np.abs(s.weight) * 255 * opacity)
    cv2.imwrite(str(path), out)


def fixed_overlay(clip: Clip, png: Path, path: Path, crf: int) -> None:
    command = [
        FFMPEG, "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "yuv420p",
        "-s", f"{clip.cols}x{clip.rows}", "-r", str(RATE), "-colorspace", "bt709",
        "-i", "-",
        "-i", str(png), "-filter_complex", MIX,
        "-c:v", "libx264", "-preset", "veryfast", "-crf", str(crf), "-pix_fmt", "yuv420p",
        str(path),
    ]  # fmt: skip
    with subprocess.Popen(command, stdin=subprocess.PIPE) as run:
        assert run.stdin is not None
        for planes in clip:
            for plane in planes:
                run.stdin.write(plane.tobytes())
        run.stdin.close()
    assert run.returncode == 0


def show(result) -> str:
    steep = "-" if result.steepest_per_s is None else f"{result.steepest_per_s:5.2f}"
    return f"{result.in_band_ratio:6.3f} {result.worst_second:6.2f} {steep:>6}"


def visibility_table(
    args: argparse.Namespace, glyph: Glyph, plan_for: Callable[[Clip], MarkPlan]
) -> None:
    rows, seconds = (360, 3.0) if args.quick else (args.rows, 6.0)
    print(
        f"\nVisibility in the finished file, {rows} rows, {seconds:.0f} s,"
        f" x264 CRF {args.crf} veryfast"
    )
    print("share of frames in 6..12 L*, worst second, steepest change per s (limit 1.5)")
    print(f"{'clip':18} {'this mark':>20} {'fixed, white':>20} {'fixed, two-tone':>20} {'ms':>5}")
    sources = pictures(args.pictures, args.seed)
    if args.quick:
        sources = sources[:1] + sources[-1:]
    totals: dict[str, list[float]] = {"mark": [], "white": [], "two": []}
    for number, picture in enumerate(sources):
        for scene in SCENES:
            clip = Clip(scene, picture, rows, seconds, args.seed * 100 + number)
            plan = plan_for(clip)
            painter = MarkPainter(
                plan, glyph.coverage, clip.field, rows, clip.cols, "bt709", False, 0
            )
            cost: list[float] = []
            with tempfile.TemporaryDirectory() as folder:
                path, png = Path(folder, "a.mp4"), Path(folder, "a.png")
                encode(marked(clip, painter, cost), path, rows, clip.cols, args.crf)
                mine = measure(clip, path, painter, True)
                others = []
                painter.move(clip.field, 0)
                for two_tone in (False, True):
                    overlay_picture(painter, png, two_tone)
                    fixed_overlay(clip, png, path, args.crf)
                    others.append(measure(clip, path, painter, False, not two_tone))
            for key, result in zip(totals, (mine, *others), strict=True):
                totals[key].append(result.in_band_ratio)
            print(
                f"{scene + ' ' + str(number):18} {show(mine):>20} {show(others[0]):>20} "
                f"{show(others[1]):>20} {1000 * np.median(cost):5.2f}",
                flush=True,
            )
    means = {key: np.mean(value) for key, value in totals.items()}
    print(
        f"{'mean share':18} {means['mark']:6.3f} {'':13} {means['white']:6.3f} {'':13}"
        f" {means['two']:6.3f}"
    )


def correlation(left: np.ndarray, weight: np.ndarray) -> float:
    """Correlation of what is left of the mark with its strokes, around the strokes."""
    near = cv2.dilate((np.abs(weight) > 0.1).astype(np.uint8), np.ones((15, 15), np.uint8)) > 0
    if not near.any():
        return 0.0
    a, b = left[near] - left[near].mean(), weight[near] - weight[near].mean()
    return float((a * b).sum() / max(np.sqrt((a * a).sum() * (b * b).sum()), 1e-9))


def attack_table(
    args: argparse.Namespace, glyph: Glyph, plan_for: Callable[[Clip], MarkPlan]
) -> None:
    from skimage.metrics import structural_similarity

    rows, seconds = (360, 3.0) if args.quick else (args.rows, 6.0)
    picture = pictures(args.pictures, args.seed)[0]
    clip = Clip("steady", picture, rows, seconds, args.seed)
    plan = plan_for(clip)
    painter = MarkPainter(plan, glyph.coverage, clip.field, rows, clip.cols, "bt709", False, 0)
    s = painter.strokes
    weight = np.zeros((rows, clip.cols), np.float32)
    weight[s.row, s.col] = s.weight
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "a.mp4")
        encode(marked(clip, painter), path, rows, clip.cols, args.crf)
        dirty = [p[0].astype(np.float32) for p in decode(path)]
        encode(iter(clip), path, rows, clip.cols, args.crf)
        clean = [p[0].astype(np.float32) for p in decode(path)]
        again = (np.clip(d, 0, 255).astype(np.uint8) for d in dirty)
        grey = np.full((rows // 2, clip.cols // 2), 128, np.uint8)
        encode(((d, grey, grey) for d in again), path, rows, clip.cols, 35)
        crushed = [p[0].astype(np.float32) for p in decode(path)]
    cx, cy, r = clip.field.center_x_px, clip.field.center_y_px, clip.field.radius_px
    yy, xx = np.mgrid[:rows, : clip.cols]
    x, y = (xx + 0.5 - cx) / r, (yy + 0.5 - cy) / r
    half = np.sqrt(0.5)
    keeps = {
        "crop to the circle": clip.lit,
        "inscribed square": clip.lit & (np.abs(x) < half) & (np.abs(y) < half),
        "9:16": clip.lit & (np.abs(x) < 9 / 16),
        "16:9 of the disc's box": clip.lit & (np.abs(y) < 9 / 16),
    }
    same = [clip.lit] * len(dirty)

    def half_size(frames: list[np.ndarray]) -> list[np.ndarray]:
        size, full = (clip.cols // 2, rows // 2), (clip.cols, rows)
        return [
            cv2.resize(
                cv2.resize(f, size, interpolation=cv2.INTER_AREA),
                full,
                interpolation=cv2.INTER_CUBIC,
            )
            for f in frames
        ]

    found = estimate_mask(dirty, clip.lit)
    painted_over = [
        cv2.inpaint(f.astype(np.uint8), found, 3, cv2.INPAINT_TELEA).astype(np.float32)
        for f in dirty[:: max(1, len(dirty) // 20)]
    ]
    few = clean[:: max(1, len(clean) // 20)]
    known = ((np.abs(weight) > 0.06) * 255).astype(np.uint8)
    exact = [
        cv2.inpaint(f.astype(np.uint8), known, 3, cv2.INPAINT_TELEA).astype(np.float32)
        for f in dirty[:: max(1, len(dirty) // 20)]
    ]
    attacks = [("nothing done", dirty, clean, same)]
    attacks += [(name, dirty, clean, [keep] * len(dirty)) for name, keep in keeps.items()]
    attacks += [
        ("mirror", [f[:, ::-1] for f in dirty], [f[:, ::-1] for f in clean], same),
        ("50 % scale", half_size(dirty), clean, same),
        ("CRF 35", crushed, clean, same),
        ("median + inpainting", painted_over, few, same),
        ("known mask + inpainting", exact, few, same),
    ]
    print(
        f"\nAttacks on one marked clip, {rows} rows; crop loss planned {plan.chosen.crop_loss:.3f}"
    )
    print(
        f"{'attack':28} {'lit lost':>9} {'strokes left':>13} {'correlation':>12}"
        f" {'SSIM':>6} {'under marks':>12}"
    )
    near = cv2.dilate(known, np.ones((9, 9), np.uint8)) > 0
    for name, got, want, keep in attacks:
        left = np.mean([g - w for g, w in zip(got, want, strict=True)], axis=0)
        inside = keep[0]
        found_as = max(  # a mirrored mark is still read
            correlation(left * inside, w * inside) for w in (weight, weight[:, ::-1])
        )
        maps = [
            structural_similarity(w, g, data_range=255, full=True)[1]
            for g, w in list(zip(got, want, strict=True))[:: max(1, len(got) // 8)]
        ]
        similar = float(np.mean([m[inside].mean() for m in maps]))
        under = (
            float(np.mean([m[inside & near].mean() for m in maps]))
            if (inside & near).any()
            else 1.0
        )
        kept = float((np.abs(weight) * inside).sum() / np.abs(weight).sum())
        loss = 1 - float(inside.sum() / clip.lit.sum())
        print(f"{name:28} {loss:9.3f} {kept:13.3f} {found_as:12.3f} {similar:6.3f} {under:12.3f}")
    points, share = stroke_points(plan.chosen.positions, glyph.aspect)
    print(
        "best crop a thief can make (95 % of the strokes gone) loses "
        f"{crop_loss(points, share, clip.field):.3f}"
    )


def estimate_mask(frames: list[np.ndarray], lit: np.ndarray) -> np.ndarray:
    """What a thief gets from one clip: the median over frames of the detail, thresholded."""
    chosen = frames[:: max(1, len(frames) // 60)]
    detail = np.stack([f - cv2.GaussianBlur(f, (0, 0), 6) for f in chosen]).astype(np.float16)
    still = np.abs(np.median(detail, axis=0).astype(np.float32)) * lit
    strong = (still > max(3.0, float(np.percentile(still[lit], 90)))).astype(np.uint8)
    strong = cv2.morphologyEx(strong, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    return cv2.dilate(strong, np.ones((3, 3), np.uint8)) * 255


def releases_table(
    args: argparse.Namespace, glyph: Glyph, plan_for: Callable[[Clip], MarkPlan]
) -> None:
    """What a mark learned from other releases takes away from a new one."""
    rows = 360 if args.quick else 1080
    releases = 6 if args.quick else 16
    field = Clip("steady", np.zeros((64, 64, 3), np.uint8), rows, 1, 0)
    plan = plan_for(field)
    rng = np.random.default_rng(args.seed)
    print(
        f"\nMark solved from {releases} other releases (their true strokes averaged),"
        f" then subtracted, {rows} rows"
    )
    print(f"{'warp_px at 1080 rows':28} {'strokes left':>13} {'correlation left':>17}")
    for warp_px in (0.0, 0.35, plan.warp_px, 1.4):
        drawn = []
        for _ in range(releases + 1):
            seed = int(rng.integers(1, 2**31))
            painter = MarkPainter(
                plan.model_copy(update={"seed": seed, "warp_px": warp_px}),
                glyph.coverage, field.field, rows, field.cols, "bt709", False, 0,
            )  # fmt: skip
            out = np.zeros((rows, field.cols), np.float32)
            out[painter.strokes.row, painter.strokes.col] = painter.strokes.weight
            drawn.append(out)
        learned = np.mean(drawn[1:], axis=0)
        gain = float((learned * drawn[0]).sum() / (learned * learned).sum())
        left = drawn[0] - gain * learned
        print(
            f"{warp_px:<28} {np.abs(left).sum() / np.abs(drawn[0]).sum():13.3f} "
            f"{correlation(left, drawn[0]):17.3f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--pictures", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", type=int, default=720)
    parser.add_argument("--crf", type=int, default=20)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    options = MarkOptions()
    glyph = load_glyph(options)
    made: dict[int, MarkPlan] = {}

    def plan_for(clip: Clip) -> MarkPlan:
        if clip.rows not in made:
            made[clip.rows] = plan_mark(
                [clip.field],
                None,
                options,
                glyph.coverage,
                glyph.x_height_ratio,
                [],
                args.seed,
                height_px=clip.rows,
            )
        return made[clip.rows]

    visibility_table(args, glyph, plan_for)
    attack_table(args, glyph, plan_for)
    releases_table(args, glyph, plan_for)


if __name__ == "__main__":
    main()
