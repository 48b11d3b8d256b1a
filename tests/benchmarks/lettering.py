"""Made films with lettering and clean ones: how many are covered, how many have false boxes.

    python tests/benchmarks/lettering.py [--films 500] [--clean-films 50] [--first 90000]
        [--tissue FOLDER] [--plates N ...] [--late]

A film is missed if less than 90 % of its ink inside the field, over all pictures that show
it, lies in boxes of what was found. A clean film lasts 12 s (`scenes_clean`); its boxes are counted
by the look that was surest there, as findings inside the field, a minute. --tissue: photographs of
tissue (PNG) to move; without it scikit-image's retina. --late: the search as verify makes it. What
was looked at while the looks were made better reads too well: give a --first of your own.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import scenes_clean  # noqa: E402
import scenes_lettering as scenes  # noqa: E402

from pipeline.analysis.boxes import overlap  # noqa: E402
from pipeline.analysis.identity.detect import Detectors, Shown  # noqa: E402
from pipeline.analysis.identity.letter_watch import Sight  # noqa: E402
from pipeline.analysis.identity.overlays import DOUBTED, tidied  # noqa: E402
from pipeline.media.pictures import read_pictures  # noqa: E402
from pipeline.media.probe import probe  # noqa: E402
from pipeline.model.field import FieldSpan, whole_picture  # noqa: E402
from pipeline.model.survey import Lettering  # noqa: E402


def field_of(film: scenes.Film) -> FieldSpan:
    x, y, r = film.field
    if not film.radius:
        return whole_picture(film.width, film.height, 0, film.seconds, 1.0)
    return FieldSpan(
        start_s=0, stop_s=film.seconds, shape="circle-clipped", center_x_px=x, center_y_px=y,
        radius_px=r, left_px=0, top_px=0, right_px=film.width, bottom_px=film.height, confidence=1,
    )  # fmt: skip


def looked_at(path: Path, film: scenes.Film, late: bool = False) -> tuple[list[Lettering], float]:
    """What is found in a film, read as the survey reads it (late: as verify does), and the
    processor time."""
    found, _, spent = searched(path, film, late)
    return [x for x in found if x.confidence > DOUBTED], spent


def searched(
    path: Path, film: scenes.Film, late: bool = False
) -> tuple[list[Lettering], list[Sight], float]:
    """As `looked_at`, with what is told only, and all looks that saw something."""
    recording = probe(path)
    detectors = Detectors([field_of(film)], faces=False, matrix=recording.video.matrix, late=late)
    spent = 0.0
    for picture in read_pictures(path, recording, skip_unreferenced=late, threads=1):
        begun = time.process_time()
        detectors.step(Shown(picture.time_s, picture.planes(), lambda: np.zeros((8, 8, 3), "u1")))
        spent += time.process_time() - begun
    found, _ = detectors.finish(film.seconds)
    assert detectors._letters is not None
    return found, detectors._letters.sights, spent


def falsely(found: Sequence[Lettering], sights: Sequence[Sight], film: scenes.Film) -> list[str]:
    """For each finding inside the field, the kind of look that was surest there."""
    kinds = []
    for entry in tidied(found, [field_of(film)], film.width, film.height):
        seen = [
            s for s in sights
            if s.since_s < entry.stop_s + 0.5 and s.time_s > entry.start_s - 0.5
            and overlap(s.box, entry.box_px) > 0
        ]  # fmt: skip
        if entry.where == "field":
            kinds.append(max(seen, key=lambda s: s.odds).kind if seen else "none")
    return kinds


def covered(
    film: scenes.Film, truth: Sequence[NDArray[np.bool_] | None], found: Sequence[Lettering]
) -> float:
    """Share of the ink that lies in boxes, over all pictures that show some; 1 where none does."""
    ink = held = 0
    for number, here in enumerate(truth):
        if here is None or not here.any():
            continue
        mask = here.copy()
        for entry in found:
            if entry.start_s - 1e-6 <= number / film.rate < entry.stop_s:
                x, y, w, h = entry.box_px
                mask[y : y + h, x : x + w] = False
        ink += int(here.sum())
        held += int(here.sum() - mask.sum())
    return held / ink if ink else 1.0


def one(
    seed: int, plates: Sequence[scenes.Rgb], folder: Path, clean: bool, seconds: float | None = None
) -> tuple[scenes.Film, float, list[Lettering], float] | None:
    """Film, covered share, what was found and processor time; None where nothing can be seen."""
    film = scenes.film(seed, clean, seconds)
    if not clean and not scenes.visible(film, plates):
        return None
    path = folder / ("film.mov" if film.codec == "mjpeg" else "film.mp4")
    truth = scenes.write(film, plates, path)
    found, spent = looked_at(path, film)
    return film, covered(film, truth, found), found, spent


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--films", type=int, default=500)
    parser.add_argument("--clean-films", type=int, default=50)
    parser.add_argument("--late", action="store_true")
    parser.add_argument("--first", type=int, default=90_000)
    parser.add_argument("--tissue", type=Path)
    parser.add_argument("--plates", type=int, nargs="*", help="numbers of the photographs to use")
    arguments = parser.parse_args()
    plates = scenes.plates(arguments.tissue)
    if arguments.plates:
        plates = [plates[n] for n in arguments.plates]
    missed, kinds, spent, length, seed, count = 0, Counter[str](), 0.0, 0.0, arguments.first, 0
    with tempfile.TemporaryDirectory() as name:
        while count < arguments.films:
            seed += 1
            result = one(seed, plates, Path(name), clean=False)
            if result is None:
                continue
            count += 1
            film, share, _, used = result
            spent, length = spent + used, length + film.seconds
            line = film.line
            assert line is not None
            kind = "faint" if line.opacity < 0.5 else "plain"
            kinds[kind] += 1
            if share < 0.9:
                missed += 1
                kinds[f"{kind} missed"] += 1
                print(
                    f"missed {seed}: {share:.2f} covered, {film.height} rows, {film.codec},"
                    f" {line.script} {line.style}, {line.high_px:.0f} px,"
                    f" opacity {line.opacity:.2f}, {line.stop_s - line.start_s:.2f} s,"
                    f" {line.moves}, {line.shows}",
                    flush=True,
                )
        print(f"missed {missed} of {count}: {dict(kinds)}", flush=True)
        among = {f"photograph {n}": plate for n, plate in enumerate(plates)}
        among = scenes_clean.plates(among if arguments.tissue else {}, arguments.first)
        false, told, looks, clean_s = 0, 0, Counter[str](), 0.0
        for seed in range(arguments.first + 1, arguments.first + 1 + arguments.clean_films):
            one_film = scenes_clean.clean(seed, sorted(among))
            film = one_film.film
            path = Path(name) / ("film.mov" if film.codec == "mjpeg" else "film.mp4")
            tissue = scenes_clean.CleanTissue(one_film, among[one_film.plate])
            scenes.write(film, [], path, tissue)
            found, sights, used = searched(path, film, arguments.late)
            spent, length, clean_s = spent + used, length + film.seconds, clean_s + film.seconds
            told += any(x.confidence <= DOUBTED and x.where == "field" for x in found)
            kinds_ = falsely([x for x in found if x.confidence > DOUBTED], sights, film)
            if kinds_:
                false += 1
                looks.update(kinds_)
                print(f"false {seed}: {dict(Counter(kinds_))}, {one_film.told}", flush=True)
        a_minute = {kind: round(60 * n / clean_s, 2) for kind, n in looks.items()}
        print(
            f"clean films with a false box: {false} of {arguments.clean_films},"
            f" {clean_s / 60:.1f} minutes; boxes {sum(looks.values())},"
            f" {60 * sum(looks.values()) / max(clean_s, 1e-9):.2f} a minute: {a_minute};"
            f" {told} with a place that is told"
        )
        print(f"processor time of the looks: {spent / max(length, 1e-9):.2f} s a second of film")
    return 0


if __name__ == "__main__":
    sys.exit(main())
