"""Finding releases again: for each manipulation whether the release is found and how many bits of
its code are wrong (`--code`), and how often foreign material is taken for ours. `--negatives` makes
the tail that `analysis.trace.alarm` states.

Everything is generated: discs of moving tissue (`media_zoo.scope_frames`, and canvases and
photographs of `scenes_lens`), each with its own seed, light, speed, geometry and texture.
"""

from __future__ import annotations

import argparse
import subprocess
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


X264 = ("-c:v", "libx264", "-preset", "veryfast", "-crf")
CIRCLE = "geq=lum='if(lt(hypot(X-W*0.52,Y-H/2),H*0.33),lum(X,Y),16)':cb='cb(X,Y)':cr='cr(X,Y)'"
SCREEN = ("perspective=x0=14:y0=9:x1=W-6:y1=16:x2=5:y2=H-12:x3=W-17:y3=H-4:sense=source,"
          "eq=gamma=1.2:contrast=0.9,noise=alls=8:allf=t,gblur=sigma=0.8,fps=24")  # fmt: skip
# Name: filters, and how it is coded. Issue 24, item 4; the last ones are those that are to fail.
MANIPULATIONS: dict[str, tuple[str, tuple[str, ...]]] = {
    "as released": ("null", ()),
    "H.264, CRF 35": ("null", (*X264, "35")),
    "HEVC, CRF 35": ("null", ("-c:v", "libx265", "-x265-params", "log-level=0", "-crf", "35")),
    "VP9, CRF 35": ("null", ("-c:v", "libvpx-vp9", "-crf", "35", "-b:v", "0", "-cpu-used", "6")),
    "25 %": ("scale=iw/4:-2", ()),
    "50 %": ("scale=iw/2:-2", ()),
    "200 %": ("scale=iw*2:-2", ()),
    "circle cut out": (CIRCLE, ()),
    "square cut out": ("crop=ih*0.66:ih*0.66:iw*0.52-ow/2", ()),
    "half the disc": ("crop=iw*0.52:ih:0:0", ()),
    "mirrored": ("hflip", ()),
    "turned by 5 degrees": ("rotate=5*PI/180", ()),
    "speed 0.8": ("setpts=PTS/0.8", ()),
    "speed 1.5": ("setpts=PTS/1.5", ()),
    "12 pictures a second": ("fps=12", ()),
    "colour, gamma, contrast": ("eq=gamma=1.4:contrast=1.2:saturation=0.6", ()),
    "grey": ("hue=s=0", ()),
    "border": ("pad=iw*1.3:ih*1.2:iw*0.1:ih*0.1:white", ()),
    "blur": ("gblur=sigma=1.5", ()),
    "noise": ("noise=alls=14:allf=t", ()),
    "text over it": (",".join(
        f"drawbox=x=iw*{0.3 + 0.05 * (k % 8):.2f}:y=ih*{0.7 + 0.05 * (k // 8):.2f}:w=iw*0.03"
        ":h=ih*0.03:color=white:t=fill" for k in range(16)), ()),
    "half, mirrored, CRF 35, 1.25 x, 3 degrees": (
        "scale=iw/2:-2,hflip,rotate=3*PI/180,setpts=PTS/1.25", (*X264, "35")),
    "picture in picture": ("scale=iw*0.4:-2,pad=iw*2.5:ih*2.5:iw*1.2:ih*1.1:gray", ()),
    "off a screen": (SCREEN, (*X264, "28")),
}  # fmt: skip


def run_ffmpeg(*arguments: object) -> None:
    from imageio_ffmpeg import get_ffmpeg_exe

    command = [get_ffmpeg_exe(), "-v", "error", "-y", *map(str, arguments)]
    subprocess.run(command, check=True)


def code_case(seed: int, folder: Path):
    """(catalogue, a copy, another copy, the recording) of one made-up case through the recipe."""
    from pipeline.settings import load_options
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked, Recipient

    rng = np.random.default_rng(seed)
    folder.mkdir()
    size = ((480, 360), (640, 480), (720, 540))[seed % 3]
    clip = media_zoo.scope_clip(
        folder / "a.mp4", 10.0, int(rng.choice((15, 20, 25))), size, seed=seed, audio="none",
        speed_px_s=float(rng.uniform(4, 25)) * size[0] / 320, rim=float(rng.uniform(0.05, 0.8)),
        noise_levels=float(rng.uniform(0.5, 3)), gain=float(rng.uniform(0.8, 1.4)),
    )  # fmt: skip
    options = load_options("web")
    options.anonymity.lettering = options.anonymity.faces = False
    made = []
    for name in ("copy-2222", "copy-3333"):
        asked = Asked(consent="public", approve="AB", looked="AB",
                      recipient=Recipient(name[-4:], name))  # fmt: skip
        run = run_case(clip.path, folder / "out", options, asked, catalogue=folder / "c.sqlite3")
        assert run.ending.released is not None, run.withheld
        made.append(run.ending.released.path)
    return folder / "c.sqlite3", made[0], made[1], clip.path


def code_table(first: int, cases: int) -> None:
    from pipeline.stages.tracing.trace import trace
    from pipeline.store.catalogue import Catalogue

    rows: dict[str, list[str]] = {}

    def look(name: str, suspect: Path, known: Catalogue, right: str) -> None:
        found = trace(suspect, known).evidence.found
        said = "not found"
        if found:
            code = found[0].code
            said = code.state
            if said == "read":
                said = "right" if code.recipients == [right] else "WRONG"
            said += f" {code.errors}"
        rows.setdefault(name, []).append(said)

    for seed in range(first, first + cases):
        with tempfile.TemporaryDirectory() as place:
            catalogue, one, other, recording = code_case(seed, Path(place) / "case")
            with Catalogue(catalogue) as known:
                suspect = Path(place) / "suspect.mkv"
                for name, (filters, coding) in MANIPULATIONS.items():
                    run_ffmpeg("-i", one, "-an", "-vf", filters, *(coding or (*X264, "23")),
                               suspect)  # fmt: skip
                    look(name, suspect, known, "2222")
                mean = "[0:v][1:v]blend=all_mode=average"
                run_ffmpeg("-i", one, "-i", other, "-an", "-filter_complex", mean, *X264, "23",
                           suspect)  # fmt: skip
                look("mean of two copies", suspect, known, "")
                look("the recording, without a code", recording, known, "")
        print(f"  case {seed} done", file=sys.stderr, flush=True)
    print("whose copy, and bits of 48 that are wrong or undecided, in each case:")
    for name, told in rows.items():
        print(f"  {name:45s} {' | '.join(told)}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--negatives", action="store_true")
    parser.add_argument("--code", type=int, default=0, metavar="CASES")
    parser.add_argument("--first", type=int, default=1000, help="first seed")
    parser.add_argument("--zoo", type=int, default=80)
    parser.add_argument("--lens", type=int, default=30)
    parser.add_argument("--quick", action="store_true")
    args = parser.parse_args()
    start = time.process_time()
    if args.negatives:
        negative_table(args.first, args.zoo, args.lens, args.quick)
    if args.code:
        code_table(args.first, args.code)
    print(f"{time.process_time() - start:.0f} s of processor time")


if __name__ == "__main__":
    main()
