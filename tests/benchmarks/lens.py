"""How well fog and other disturbances of the lens are measured, on generated clips.

    python tests/benchmarks/lens.py [--quick] [--seed N] [--clips N] [--seconds S]
        [--clear-hours H] [--clear-first K] [--situations N] [--full] [--hard]
        [--pictures DIR]

Clips have a known transmission (Koschmieder's law in linear light): many textures,
even, uneven and travelling fog, depth 0.2 to 0.9, onset 0.5 to 2 s, clearing 2 to
10 s, fixed, automatic and stepping gain, and every other disturbance. Printed:
error of the contrast loss and its share of finite values on fogged samples, event
precision, recall and F1 (one to one, IoU >= 0.3), onset error, a table of what was
found where, false events per hour of clear footage (made in pieces of 300 s, each
with a seed of its own: --clear-first starts at another piece, so that hours can be
run apart and added up; each event is printed with its piece), CPU ms per sample.
Beside it, on the same clips, plain measures at the threshold that suits them best
there. Clips are rendered with the 120 rows that are measured; --full renders 240 and
reduces them.

--situations: so many clips of 40 s of each difficulty that random clips seldom show (fog
over a smudge or blur, fog that never clears or is there from the first, travelling
fronts, a camera that stands still, dips of the gain, focus lost for a second, a drop,
bubbles, fluid, smoke, a lamp that moves or flickers, coding), one line each.

--pictures adds real pictures as textures. --hard draws from wider ranges (faster
camera, more deformation, noise and coding loss, travelling fronts).
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from pipeline.analysis.lens.events import find_events
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.lens.tables import LensResult
from pipeline.model.field import FieldSpan, whole_picture
from pipeline.model.findings import Event
from pipeline.model.kinds import EVENT_KINDS
from tests.scenes_lens import (
    COLS,
    ROWS,
    SITUATIONS,
    Clip,
    Disturbance,
    Scene,
    default_canvases,
    fog_truth,
    match,
    picture_canvas,
    random_scene,
    reduced,
    runs,
    situation,
)
from tests.scenes_lens_glass import NAMED

ALL = ("fog", "fog", "smudge", "blur", "dark", "glare", "out_of_body")
ASKED = ("fog", "smudge", "blur", "glare")  # counted in each situation
PLAIN = ("laplacian", "rms", "dark channel", "saturation")


@dataclass
class Run:
    """One measured clip."""

    scene: Scene
    result: LensResult
    events: list[Event]
    loss: Any
    plain: Any
    cpu_s: float


def field_of(clip: Clip) -> list[FieldSpan]:
    stop_s = clip.scene.duration_s + 1
    if clip.scene.full_frame:
        return [whole_picture(COLS, ROWS, 0, stop_s, 0.9)]
    return [
        FieldSpan(
            start_s=0,
            stop_s=stop_s,
            shape="circle-clipped",
            center_x_px=clip.center_x,
            center_y_px=clip.center_y,
            radius_px=clip.radius,
            left_px=0,
            top_px=0,
            right_px=COLS,
            bottom_px=ROWS,
            confidence=1,
        )
    ]


def plain_measures(rgb: Any, inside: Any) -> list[float]:
    """The measures people use, low where the picture is fogged; dark channel negated."""
    gray = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY).astype(np.float32)
    pixels = rgb[inside].astype(np.float32)
    top, low = pixels.max(1), pixels.min(1)
    dark = cv2.erode(rgb.min(2), np.ones((7, 7), np.uint8))[inside]
    return [
        float(np.log(cv2.Laplacian(gray, cv2.CV_32F)[inside].var() + 1e-3)),
        float(gray[inside].std()),
        -float(dark.mean()),
        float(((top - low) / np.maximum(top, 1)).mean()),
    ]


def run_clip(scene: Scene, beside: bool = True) -> Run:
    """beside: with the plain measures."""
    clip = Clip(scene)
    fields = field_of(clip)
    fold = LensFold(fields, COLS, ROWS)
    k = 120 / ROWS
    yy, xx = np.mgrid[0:120, 0 : round(COLS * k)]
    inside = np.hypot(xx + 0.5 - clip.center_x * k, yy + 0.5 - clip.center_y * k)
    inside = inside < clip.radius * k - 4
    cpu_s, plain = 0.0, []
    for time_s, rgb, _loss in clip.frames():
        small = reduced(rgb)
        before = time.process_time()
        fold.step(time_s, small)
        cpu_s += time.process_time() - before
        if beside:
            plain.append(plain_measures(small, inside))
    before = time.process_time()
    result = fold.finish()
    events = find_events(result.series(), fields, scene.duration_s)
    cpu_s += time.process_time() - before
    bare = replace(scene, canvas=np.zeros((1, 1, 3), np.float32))
    return Run(bare, result, events, np.array(clip.losses), np.array(plain), cpu_s)


def truth_spans(r: Run) -> list[tuple[str, float, float]]:
    """(kind, start, stop) of all that really came over the lens, as a person would call it."""
    out = [("fog", a, b) for a, b in fog_truth(r.result.time_s, r.loss)]
    for d in r.scene.disturbances:
        if d.kind != "fog":
            stop_s = d.start_s + d.rise_s + d.hold_s + 0.5 * d.fall_s
            kind = NAMED.get(d.kind, d.kind)
            out.append((kind, d.start_s + 0.5 * d.rise_s, min(stop_s, r.scene.duration_s)))
    return out


def f1(matched: int, found: int, true: int) -> float:
    return 2 * matched / (found + true) if found + true else float("nan")


def report_fog(runs_: list[Run]) -> None:
    errors, finite, onset, inside, clear = [], [], [], [], []
    counts = np.zeros(3, int)
    for r in runs_:
        got, fogged = r.result.contrast_loss, r.loss >= 0.15
        known = np.isfinite(got)
        sel = fogged & known
        errors += list((got - r.loss)[sel])
        finite += list(known[fogged])
        clear += list(got[(r.loss < 0.01) & known])
        low, high = r.result.contrast_loss_low, r.result.contrast_loss_high
        inside += list((low[sel] <= r.loss[sel]) & (r.loss[sel] <= high[sel]))
        found = [(e.start_s, e.stop_s) for e in r.events if e.kind == "fog"]
        true = fog_truth(r.result.time_s, r.loss)
        pairs = match(found, true)
        counts += [len(pairs), len(found), len(true)]
        onset += [found[i][0] - true[j][0] for i, j in pairs]
    e = np.array(errors)
    if len(e):
        print(f"fogged samples           {len(finite)}, finite {np.mean(finite):.3f}")
        print(
            f"contrast loss            mean error {np.abs(e).mean():.3f}, bias {e.mean():+.3f},"
            f" median {np.median(np.abs(e)):.3f}, 90 % within {np.quantile(np.abs(e), 0.9):.3f},"
            f" inside the interval {np.mean(inside):.2f}"
        )
    if clear:
        print(
            f"loss on clear samples    mean {np.mean(clear):.3f}, 99 % below"
            f" {np.quantile(clear, 0.99):.3f}"
        )
    m, f, t = counts
    print(
        f"fog events               precision {m / max(f, 1):.3f}, recall {m / max(t, 1):.3f},"
        f" F1 {f1(m, f, t):.3f} ({m} of {f} found, {t} true)"
    )
    if onset:
        print(f"onset error              median {np.median(np.abs(onset)):.2f} s")


def report_kinds(runs_: list[Run]) -> None:
    """What was found over each kind of truth."""
    table: Counter[tuple[str, str]] = Counter()
    hits: Counter[str] = Counter()
    number: Counter[str] = Counter()
    found_number: Counter[str] = Counter()
    for r in runs_:
        truth = truth_spans(r)
        for kind in EVENT_KINDS:
            a = [(e.start_s, e.stop_s) for e in r.events if e.kind == kind]
            b = [(s, t) for k, s, t in truth if k == kind]
            pairs = match(a, b)
            hits[kind] += len(pairs)
            number[kind] += len(b)
            found_number[kind] += len(a)
            for i, (start, stop) in enumerate(a):
                if i in [p for p, _ in pairs]:
                    table[kind, kind] += 1
                    continue
                over = [(min(stop, t) - max(start, s), k) for k, s, t in truth]
                best = max(over, default=(0.0, "nothing"))
                table[kind, best[1] if best[0] > 0 else "nothing"] += 1
    columns = [*EVENT_KINDS, "nothing"]
    print("\nfound \\ over      " + "".join(f"{c:>12}" for c in columns) + "          F1")
    for kind in EVENT_KINDS:
        row = "".join(f"{table[kind, c]:>12}" for c in columns)
        score = f1(hits[kind], found_number[kind], number[kind])
        print(f"{kind:<18}{row}{score:>12.2f}")
    print("true              " + "".join(f"{number[k]:>12}" for k in EVENT_KINDS))


def report_plain(runs_: list[Run]) -> None:
    """Plain measures, each at the one threshold that gives the best F1 on these very clips."""
    values = np.concatenate([r.plain for r in runs_])
    fogged = np.concatenate([r.loss >= 0.15 for r in runs_])
    print("\nbeside it            best frame F1   best event F1")
    for k, name in enumerate(PLAIN):
        best_frame, best_event = 0.0, 0.0
        for cut in np.quantile(values[:, k], np.linspace(0.02, 0.98, 33)):
            on = values[:, k] < cut
            best_frame = max(
                best_frame, f1(int((on & fogged).sum()), int(on.sum()), int(fogged.sum()))
            )
            counts = np.zeros(3, int)
            for r in runs_:
                found = runs(r.plain[:, k] < cut, r.result.time_s, 0.5)
                true = fog_truth(r.result.time_s, r.loss)
                counts += [len(match(found, true)), len(found), len(true)]
            best_event = max(best_event, f1(*counts))
        print(f"{name:<20} {best_frame:>12.2f} {best_event:>15.2f}")
    on = np.concatenate([np.nan_to_num(r.result.contrast_loss) >= 0.15 for r in runs_])
    ours = f1(int((on & fogged).sum()), int(on.sum()), int(fogged.sum()))
    counts = np.zeros(3, int)
    for r in runs_:
        found = [(e.start_s, e.stop_s) for e in r.events if e.kind == "fog"]
        true = fog_truth(r.result.time_s, r.loss)
        counts += [len(match(found, true)), len(found), len(true)]
    print(f"{'this measure':<20} {ours:>12.2f} {f1(*counts):>15.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    parser.add_argument("--quick", action="store_true", help="a few short clips")
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--clips", type=int, default=24)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--clear-hours", type=float, default=3.0)
    parser.add_argument("--clear-first", type=int, default=0, help="number of the first piece")
    parser.add_argument("--situations", type=int, default=6, help="clips of each")
    parser.add_argument("--full", action="store_true", help="render at 240 rows")
    parser.add_argument("--hard", action="store_true")
    parser.add_argument("--pictures", type=Path, default=None)
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.quick:
        args.clips, args.seconds, args.clear_hours, args.situations = 4, 40.0, 0.05, 1
    canvases = default_canvases(args.seed)
    if args.pictures:
        for path in sorted(args.pictures.glob("*.png")):
            picture = cv2.imread(str(path))
            if picture is not None:
                canvases.append(picture_canvas(picture[..., ::-1], tint=False))

    if args.clips:
        report_random(args, canvases)
    if args.situations > 0:
        report_situations(args, canvases)
    if args.clear_hours > 0:
        report_clear(args, canvases)


def report_random(args: argparse.Namespace, canvases: list[Any]) -> None:
    """Clips drawn from all that may come over the lens."""
    done: list[Run] = []
    for k in range(args.clips):
        kinds = ("fog",) if k % 2 == 0 else ALL
        scene = random_scene(args.seed + k, canvases, args.seconds, kinds, args.hard)
        done.append(run_clip(replace(scene, coarse=not args.full)))
        print(f"clip {k + 1} of {args.clips}", file=sys.stderr)
    samples = sum(len(r.loss) for r in done)
    print(f"{len(done)} clips of {args.seconds:.0f} s, {len(canvases)} textures, seed {args.seed}")
    report_fog(done)
    print(
        f"CPU                      {1e3 * sum(r.cpu_s for r in done) / samples:.1f} ms per sample"
    )
    report_kinds(done)
    report_plain(done)


def report_situations(args: argparse.Namespace, canvases: list[Any]) -> None:
    """One line for each difficulty. Seeds lie apart from those of the other clips.

    'unknown' is the share of fogged samples without a number, 'other' what was found
    that is neither fog nor what the clip holds.
    """
    print(
        f"\n{'situation':<24}{'error':>7}{'bias':>8}{'unknown':>9}{'inside':>8}"
        f"{'fog true':>10}{'hit':>5}{'false':>6}"
        + "".join(f"{k + ' true':>13}{'hit':>5}{'false':>6}" for k in ASKED[1:])
        + f"{'other':>7}"
    )
    for number, name in enumerate(SITUATIONS):
        error, unknown, inside = [], [], []
        counted, other = {kind: np.zeros(3, int) for kind in ASKED}, 0
        for k in range(args.situations):
            scene = situation(name, args.seed + 20000 + 100 * number + k, canvases)
            r = run_clip(replace(scene, coarse=not args.full), beside=False)
            got, fogged = r.result.contrast_loss, r.loss >= 0.15
            known = fogged & np.isfinite(got)
            error += list((got - r.loss)[known])
            unknown += list(~np.isfinite(got)[fogged])
            low, high = r.result.contrast_loss_low, r.result.contrast_loss_high
            inside += list(((low <= r.loss) & (r.loss <= high))[known])
            truth = truth_spans(r)
            for kind, counts in counted.items():
                found = [(e.start_s, e.stop_s) for e in r.events if e.kind == kind]
                true = [(a, b) for what, a, b in truth if what == kind]
                hits = len(match(found, true))
                counts += [len(true), hits, len(found) - hits]
            kinds = {*ASKED, *(what for what, _a, _b in truth)}
            other += sum(e.kind not in kinds for e in r.events)
        e = np.array(error) if error else np.array([np.nan])
        print(
            f"{name:<24}{np.abs(e).mean():>7.3f}{e.mean():>+8.3f}"
            f"{np.mean(unknown or [np.nan]):>9.2f}{np.mean(inside or [np.nan]):>8.2f}"
            f"{counted['fog'][0]:>10}{counted['fog'][1]:>5}{counted['fog'][2]:>6}"
            + "".join(f"{a:>13}{b:>5}{c:>6}" for a, b, c in list(counted.values())[1:])
            + f"{other:>7}",
            flush=True,
        )


def clear_scene(seed: int, canvases: list[Any], duration_s: float, hard: bool = False) -> Scene:
    """Nothing over the lens, and what else real footage has, each in some of the pieces."""
    rng = np.random.default_rng(seed + 17)
    scene = random_scene(seed, canvases, duration_s, (), hard)
    tools = rng.uniform(0, duration_s, rng.integers(0, 1 + int(duration_s / 40)))
    hops = rng.uniform(0, duration_s, rng.integers(0, 1 + int(duration_s / 60)))
    flicker, interlaced, coded, still, small = rng.random(5) < 0.2
    lamp = Disturbance("flicker", 0, 0.1, duration_s, 0.1, float(rng.uniform(0.02, 0.1)))
    return replace(
        scene,
        disturbances=(lamp,) if flicker else (),
        interlaced=bool(interlaced),
        quality=int(rng.integers(15, 45)) if coded else scene.quality,
        still=bool(still),
        speed=scene.speed * float(rng.choice([0.2, 1, 1])),
        instrument=tuple((float(t), float(t + rng.uniform(2, 12))) for t in tools),
        hops=() if still else tuple(map(float, hops)),
        radius_px=float(rng.uniform(40, 70)) if small else None,
        full_frame=scene.full_frame and not small,
        coarse=True,
    )


def report_clear(args: argparse.Namespace, canvases: list[Any]) -> None:
    """False events per hour of footage over which nothing came, and each of them."""
    each_s = min(300.0, args.clear_hours * 3600)
    false: Counter[str] = Counter()
    hours, cpu_s, k = 0.0, 0.0, args.clear_first
    while hours < args.clear_hours - 1e-6:
        scene = clear_scene(args.seed + 5000 + k, canvases, each_s, args.hard)
        got = run_clip(scene, beside=False)
        false.update(e.kind for e in got.events)
        hours += each_s / 3600
        cpu_s += got.cpu_s
        print(f"piece {k}, clear {hours:.2f} h, found {dict(false)}", file=sys.stderr)
        for e in got.events:
            when = f"{e.start_s} to {e.stop_s} s, confidence {e.confidence}"
            print(f"piece {k}: {e.kind} {when}, loss {e.mean_loss}", flush=True)
        k += 1
    print(f"\nclear footage {hours:.2f} h, CPU {cpu_s / hours:.0f} s an hour; found an hour:")
    print("".join(f"{kind:>12}" for kind in EVENT_KINDS))
    print("".join(f"{false[kind] / hours:>12.2f}" for kind in EVENT_KINDS))
    print("(dark and glare there are stretches that are dark or clipped by themselves)")


if __name__ == "__main__":
    main()
