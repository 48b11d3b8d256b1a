"""Prints of the disc, lines in time, local spots, the tail: relations and reference libraries."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import cv2
import media_zoo
import numpy as np
import pytest
from scipy import fft, stats

from pipeline.analysis.trace import local
from pipeline.analysis.trace.alarm import TAIL, fitted
from pipeline.analysis.trace.disc import BITS, Disc, disc_hash, disc_square, distances, mirrored
from pipeline.analysis.trace.lines import (
    Kept,
    Line,
    Stretch,
    best_line,
    joined,
    trimmed,
    windows,
)
from pipeline.analysis.trace.packing import PrintsFold, kept_of, spots_of
from pipeline.model.prints import ReleasePrints

SIZE = (240, 180)
FIELD = media_zoo.scope_field(*SIZE)
DISC = Disc(FIELD.center_x_px, FIELD.center_y_px, FIELD.radius_px)


def film(seed: int, count: int, rate: float) -> list[np.ndarray]:
    frames = media_zoo.scope_frames(count, Fraction(rate), SIZE, seed=seed, noise_levels=2.0)
    grey = np.array([0.299, 0.587, 0.114], np.float32)
    return [np.clip(f @ grey, 0, 255).astype(np.uint8) for f in frames]


def bits(picture: np.ndarray, disc: Disc = DISC) -> np.ndarray:
    square = disc_square(picture, disc)
    assert square is not None
    found = disc_hash(square)
    assert found is not None
    return found


def differ(a: np.ndarray, b: np.ndarray) -> int:
    return int(distances(a[None], b[None])[0, 0])


@pytest.fixture(scope="module")
def ours() -> list[np.ndarray]:
    """24 s, four pictures a second."""
    return film(3, 96, 4)


def test_the_bits_are_signs_of_the_cosine_transform_of_scipy(ours: list[np.ndarray]) -> None:
    square = disc_square(ours[0], DISC)
    assert square is not None
    # scipy.fft.dctn, type II (Ahmed, Natarajan and Rao 1974).
    found = fft.dctn(np.log(np.maximum(square, 0) + 16.0), type=2)
    order = sorted(
        ((u, v) for u in range(24) for v in range(24) if u * u + v * v > 9),
        key=lambda p: (p[0] ** 2 + p[1] ** 2, p),
    )[:BITS]
    wanted = np.packbits([found[p] > 0 for p in order])
    assert differ(bits(ours[0]), wanted) <= 1  # a coefficient of nearly 0 may round either way


def test_a_mirrored_picture_turns_known_bits(ours: list[np.ndarray]) -> None:
    turned = np.ascontiguousarray(ours[0][:, ::-1])
    disc = replace(DISC, x_px=SIZE[0] - DISC.x_px)
    assert differ(bits(turned, disc), mirrored(bits(ours[0])[None])[0]) <= 2
    assert differ(bits(turned, replace(disc, mirrored=True)), bits(ours[0])) <= 2
    assert differ(bits(turned, disc), bits(ours[0])) > 80


@pytest.mark.parametrize("angle", [-20.0, 7.0, 90.0])
def test_a_turned_disc_is_laid_upright(ours: list[np.ndarray], angle: float) -> None:
    # OpenCV turns counter-clockwise for a positive angle; ours is clockwise, y down.
    way = cv2.getRotationMatrix2D((DISC.x_px - 0.5, DISC.y_px - 0.5), -angle, 1)
    turned = cv2.warpAffine(ours[0], way, SIZE)
    assert differ(bits(turned, replace(DISC, turn_deg=angle)), bits(ours[0])) < 40
    assert differ(bits(turned), bits(ours[0])) > 60


def test_light_contrast_size_and_coding_leave_the_bits(ours: list[np.ndarray]) -> None:
    picture, wanted = ours[5], bits(ours[5])
    gamma = (255 * (picture / 255.0) ** 1.6).astype(np.uint8)
    half = cv2.resize(picture, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    coded = cv2.imdecode(cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 25])[1], 0)
    assert differ(bits(gamma), wanted) < 20
    assert differ(bits(half, DISC.scaled(0.5)), wanted) < 40
    assert differ(bits(coded), wanted) < 40
    assert differ(bits(film(4, 1, 4)[0]), wanted) > 90  # another case


def test_nothing_is_said_of_a_picture_that_shows_nothing() -> None:
    black = disc_square(np.zeros(SIZE[::-1], np.uint8), DISC)
    assert black is not None and disc_hash(black) is None
    assert disc_square(np.zeros(SIZE[::-1], np.uint8), Disc(5, 5, 3)) is None


def kept_of_film(pictures: list[np.ndarray]) -> Kept:
    """As a release is kept: every other picture of four a second."""
    return Kept(np.arange(len(pictures) // 2), np.array([bits(p) for p in pictures[::2]]))


@pytest.mark.parametrize("speed", [0.8, 1.0, 1.5])
def test_a_line_tells_where_and_how_fast(ours: list[np.ndarray], speed: float) -> None:
    kept = kept_of_film(ours)
    times = np.arange(0, 10, 0.25)
    shown = np.clip(np.round((times * speed + 5) * 4).astype(int), 0, len(ours) - 1)
    line = best_line(times, np.array([bits(ours[i]) for i in shown]), kept)
    assert line is not None and line.score > 0.6
    assert line.speed == pytest.approx(speed, rel=0.06)
    assert line.speed * 5 + line.offset_s == pytest.approx(speed * 5 + 5, abs=0.4)


def test_an_unrelated_film_stays_among_the_foreign(ours: list[np.ndarray]) -> None:
    kept, times = kept_of_film(ours), np.arange(0, 10, 0.25)
    for seed in (11, 12, 13):
        line = best_line(times, np.array([bits(p) for p in film(seed, 40, 4)]), kept)
        assert line is not None and line.score < TAIL.highest + 0.03
        assert TAIL.rate(line.score) > 1e-4


def test_windows_cover_everything() -> None:
    times = np.arange(0, 33, 0.25)
    parts = windows(times)
    covered = np.zeros(len(times), bool)
    for part in parts:
        covered[part] = True
        assert times[part][-1] - times[part][0] <= 10.01
    assert covered.all() and windows(times[:3]) == [] and windows(times[:0]) == []


def test_windows_along_one_line_are_one_stretch() -> None:
    a = Stretch(0, 10, Line(0.6, 1.0, 5.0, 20))
    b = Stretch(5, 15, Line(0.8, 1.01, 4.9, 20))
    other = Stretch(10, 20, Line(0.9, 1.0, 60.0, 20))
    first, second = joined([b, other, a])
    assert (first.start_s, first.stop_s, first.line.score) == (0, 15, 0.8)
    assert second == other


def test_a_stretch_is_cut_to_what_agrees(ours: list[np.ndarray]) -> None:
    kept, times = kept_of_film(ours), np.arange(0, 12, 0.25)
    strange = film(9, 16, 4)
    hashes = np.array([bits(p) for p in [*strange, *ours[:32]]])  # foreign for 4 s
    cut = trimmed(Stretch(0, 11.75, Line(0.5, 1.0, -4.0, 20)), times, hashes, kept, 0.2)
    assert cut.start_s == pytest.approx(4.0, abs=0.6) and cut.stop_s == pytest.approx(11.75)


def test_prints_come_back_from_their_document(ours: list[np.ndarray]) -> None:
    fold = PrintsFold()
    for number, picture in enumerate(ours[:24]):
        if fold.wants(number / 4):
            fold.step(number / 4, picture, DISC if number != 8 else None)
    made = ReleasePrints(case="HL-0142", profile="web", revision=1, sha256="a" * 64, step_s=0.5,
                         **fold.finish())  # fmt: skip
    again = ReleasePrints.model_validate_json(made.to_json())
    kept, spots = kept_of(again), spots_of(again)
    assert kept.at.tolist() == [k for k in range(12) if k != 4]
    assert np.array_equal(kept.hashes[1], bits(ours[2]))
    assert set(spots.at.tolist()) <= {0, 8} and len(spots.at) > 20
    with pytest.raises(ValueError):
        kept_of(again.model_copy(update={"at": ""}))


def test_half_a_disc_is_laid_by_its_spots() -> None:
    size = (480, 360)
    field = media_zoo.scope_field(*size)
    picture = next(media_zoo.scope_frames(1, Fraction(4), size, seed=3))
    grey = np.clip(picture.mean(axis=2), 0, 255).astype(np.uint8)
    disc = Disc(field.center_x_px, field.center_y_px, field.radius_px)
    kept = local.disc_spots(grey, disc)
    assert kept is not None
    right = np.ascontiguousarray(grey[:, size[0] // 2 :])
    mine = local.spots(right)
    placed = local.placed(mine, kept, local.matches(mine, kept), False)
    assert placed is not None
    assert placed[0].x_px == pytest.approx(disc.x_px - size[0] // 2, abs=0.04 * disc.radius_px)
    assert placed[0].radius_px == pytest.approx(disc.radius_px, rel=0.04)
    flip = np.ascontiguousarray(right[:, ::-1])
    other = local.flipped(flip)
    placed = local.placed(other, kept, local.matches(other, kept), True)
    assert placed is not None and placed[0].mirrored
    assert placed[0].x_px == pytest.approx(size[0] - disc.x_px, abs=0.04 * disc.radius_px)


def test_the_tail_is_that_of_an_exponential_law() -> None:
    scores = stats.expon.rvs(scale=0.02, size=20_000, random_state=7)
    tail = fitted(scores, 0.02)
    for far in (0.2, 0.3):
        true = float(stats.expon.sf(far, scale=0.02))
        assert true / 3 < tail.rate(far) < true * 30  # rather too high than too low
    assert tail.rate(-1) == 1.0 and TAIL.comparisons >= 10_000
