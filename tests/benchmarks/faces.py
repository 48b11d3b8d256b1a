"""Made films with a face for a moment: how many are covered, how many clean ones have a box.

    python tests/benchmarks/faces.py [--films 200] [--clean 20] [--first 700] [--tissue FOLDER]
        [--count PICTURES] [--late]

A film is missed if less than 90 % of the face's middle (a disc of .8 of its height, inside the
field), over all pictures that show it, lies in boxes. --late: as verify looks (fields known), else
as the survey. Faces that the network does not find in any of the pictures, asked
about each at the size of the field, are counted apart.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import scenes_faces  # noqa: E402
import scenes_lettering as scenes  # noqa: E402

from pipeline.analysis.identity.detect import Detectors, Shown  # noqa: E402
from pipeline.analysis.identity.faces import FaceDetector  # noqa: E402
from pipeline.analysis.identity.lettering import field_box  # noqa: E402
from pipeline.model.field import FieldSpan, whole_picture  # noqa: E402
from pipeline.model.survey import Face  # noqa: E402


def field_of(film: scenes.Film) -> FieldSpan:
    whole = whole_picture(film.width, film.height, 0, film.seconds, 1.0)
    x, y, r = film.field
    if not film.radius:
        return whole
    return whole.model_copy(update={
        "shape": "circle-clipped", "center_x_px": x, "center_y_px": y, "radius_px": r,
    })  # fmt: skip


def planes(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], ...]:
    rows, cols = rgb.shape[0] // 4 * 4, rgb.shape[1] // 4 * 4
    both = cv2.cvtColor(np.ascontiguousarray(rgb[:rows, :cols]), cv2.COLOR_RGB2YUV_I420)
    flat = both[rows:].reshape(2, rows // 2, cols // 2)
    return both[:rows], flat[0], flat[1]


def looked_at(made: scenes_faces.FaceFilm, late: bool) -> tuple[list[Face], float]:
    film = made.film
    detectors = Detectors([field_of(film)] if late else None, lettering=False, late=late,
                          spacing_s=0.5 if late else 1.0)  # fmt: skip
    spent = 0.0
    for time_s, rgb in made.pictures():
        shown = Shown(time_s, planes(rgb), lambda rgb=rgb: rgb)
        begun = time.process_time()
        detectors.step(shown)
        spent += time.process_time() - begun
    return detectors.finish(film.seconds, fields=[field_of(film)])[1], spent


def covered(made: scenes_faces.FaceFilm, found: list[Face]) -> float | None:
    """Share of the face's middle that lies in boxes; None where no picture shows it."""
    film, all_, held = made.film, 0, 0
    y, x = np.mgrid[: film.height, : film.width].astype(np.float32)
    for number in range(round(film.seconds * film.rate)):
        where = made.truth(number)
        if where is None:
            continue
        mask = (np.hypot(x - where[0], y - where[1]) < 0.4 * where[2]) & made.tissue.inside
        all_ += int(mask.sum())
        for face in found:
            if face.start_s - 1e-6 <= number / film.rate < face.stop_s:
                a, b, w, h = face.box_px
                held += int(mask[b : b + h, a : a + w].sum())
                mask[b : b + h, a : a + w] = False
    return held / all_ if all_ else None


def can_be_found(made: scenes_faces.FaceFilm, detector: FaceDetector) -> bool:
    a, b, w, h = field_box(field_of(made.film), made.film.width, made.film.height)
    one = made.one
    for number in range(one.first, one.first + min(one.count, 5)):
        if (where := made.truth(number)) is not None:
            part = np.ascontiguousarray(made.picture(number)[b : b + h, a : a + w])
            for x, y, wide, high, _ in detector.boxes(part, [(0, 0, w, h)]):
                if x <= where[0] - a < x + wide and y <= where[1] - b < y + high:
                    return True
    return False


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--films", type=int, default=200)
    parser.add_argument("--clean", type=int, default=20, help="films of 6 s")
    parser.add_argument("--first", type=int, default=700)
    parser.add_argument("--count", type=int, help="pictures that show the face; else it varies")
    parser.add_argument("--tissue", type=Path)
    parser.add_argument("--late", action="store_true")
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    plates, seed, tally = scenes.plates(arguments.tissue), arguments.first, Counter[str]()
    detector, spent, length = FaceDetector(), 0.0, 0.0
    while tally["films"] < arguments.films:
        seed += 1
        one = scenes_faces.shown(seed, arguments.count)
        rate = scenes.film(seed).rate
        made = scenes_faces.FaceFilm(seed, plates, one, (one.first + one.count) / rate + 0.6)
        if not any(made.truth(n) for n in range(one.first, one.first + one.count)):
            continue
        found, used = looked_at(made, arguments.late)
        share = covered(made, found)
        if share is None:
            continue
        spent, length = spent + used, length + made.film.seconds
        tally["films"] += 1
        known = can_be_found(made, detector)
        kind = ("" if known else "hard, ") + ("short" if one.count / rate < 1 else "longer")
        tally[kind] += 1
        if share < 0.9:
            tally[f"{kind} missed"] += 1
            print(
                f"missed {seed}: {share:.2f} of it covered, {kind}, {one.count} of {rate} a second"
                f" from {one.first / rate:.2f} s, {one.share:.2f} of the field, {one.way}, hidden"
                f" {one.hidden}, {made.film.height} rows, {len(found)} found",
                flush=True,
            )
    print(dict(tally), flush=True)
    print(f"processor time: {spent / max(length, 1e-9):.3f} s a second of film with a face")
    spent = 0.0
    for number in range(arguments.clean):
        one = scenes_faces.shown(0, 0)
        made = scenes_faces.FaceFilm(arguments.first + number, plates, one, 6.0)
        found, used = looked_at(made, arguments.late)
        spent += used
        if found:
            tally["false"] += 1
            boxes = [f.model_dump() for f in found]
            print(f"false {arguments.first + number}: {boxes}", flush=True)
    if arguments.clean:
        print(f"clean films with a box: {tally['false']} of {arguments.clean};"
              f" {spent / 6 / arguments.clean:.3f} s a second of film")  # fmt: skip
    return 0


if __name__ == "__main__":
    sys.exit(main())
