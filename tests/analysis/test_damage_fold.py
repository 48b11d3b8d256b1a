"""Where damage begins and ends, from packets and pictures that the test writes itself."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.analysis.damage import DamageFold, joined, on_axis
from pipeline.analysis.garbage import SURE_GRID, Doubt, gridness, in_blocks, shifted_below

STEP_S = 0.04


def tissue(seed: int, size: tuple[int, int] = (240, 320)) -> np.ndarray:
    """Smooth texture that moves with `seed` by one pixel."""
    y, x = np.mgrid[: size[0], : size[1]].astype(np.float64)
    x = x + seed
    return (110 + 30 * np.sin(x / 17) + 25 * np.cos(y / 23 + x / 41)).astype(np.uint8)


def blocks(luma: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Garbage in the middle: squares of 8 pixels of any level, as a lost decoder leaves."""
    out = luma.copy()
    levels = rng.integers(20, 235, (8, 10)).astype(np.uint8)
    out[80:144, 80:160] = np.kron(levels, np.ones((8, 8), np.uint8))
    return out


def fed(
    count: int, keys: set[int], signs: dict[int, str], order: list[int] | None = None
) -> DamageFold:
    fold = DamageFold()
    for number, shown in enumerate(order or range(count)):
        sign = signs.get(shown, "")
        fold.packet(shown * STEP_S, number * STEP_S, shown in keys, sign)
    return fold


def spans(found: list[Doubt]) -> list[tuple[float, float]]:
    return [(round(d.start_s, 3), round(d.stop_s, 3)) for d in found]


def test_nothing_is_found_where_nothing_is_wrong() -> None:
    assert fed(100, {0, 25, 50, 75}, {}).finish() == []
    assert DamageFold().finish() == []


def test_damage_lasts_to_the_next_clean_key_frame() -> None:
    assert spans(fed(100, {0, 25, 50, 75}, {40: "x"}).finish()) == [(28 * STEP_S, 50 * STEP_S)]


def test_a_damaged_key_frame_ends_nothing() -> None:
    found = fed(100, {0, 25, 50, 75}, {40: "x", 50: "x"}).finish()
    assert found[-1].stop_s == 75 * STEP_S


def test_without_another_key_frame_it_lasts_to_the_end() -> None:
    found = fed(100, {0, 25}, {40: "x"}).finish()
    assert found[0].stop_s == float("inf")
    assert spans(on_axis(found, lambda _: 0.0, 4.0)) == [(28 * STEP_S, 4.0)]


def test_pictures_shown_before_the_damaged_one_but_built_on_it_count() -> None:
    # Decoded 0 4 2 1 3 | 8 6 5 7: 8 is damaged, and 5 to 7 are built on it.
    order = [0, 4, 2, 1, 3, 8, 6, 5, 7, 20, 18]
    found = fed(len(order), {0, 20}, {8: "x"}, order).finish()
    assert found[0].start_s <= 5 * STEP_S and found[0].stop_s == 20 * STEP_S


def test_a_damaged_leading_picture_reaches_no_further_than_its_key_frame() -> None:
    order = [0, 1, 2, 6, 4, 5, 7, 8]
    found = fed(len(order), {0, 6}, {4: "x"}, order).finish()
    assert found[0].stop_s == 6 * STEP_S


def test_lost_pictures_before_the_first_complaint_belong_to_it() -> None:
    order = [*range(10), *range(40, 60)]
    found = fed(len(order), {0, 50}, {40: "x"}, order).finish()
    assert found[0].start_s == pytest.approx(10 * STEP_S) and found[0].stop_s == 50 * STEP_S


def test_a_jump_onto_a_picture_that_is_no_key_frame_is_damage() -> None:
    fold = DamageFold()
    for number in range(50):
        decode_s = number * STEP_S + (20.0 if number >= 30 else 0.0)
        fold.packet(decode_s, decode_s, number in (0, 40))
    assert fold.finish()[0].sign == "decoding times jump"
    fold = DamageFold()
    for number in range(50):
        decode_s = number * STEP_S + (20.0 if number >= 30 else 0.0)
        fold.packet(decode_s, decode_s, number in (0, 30))
    assert fold.finish() == []


def shown(pictures: list[np.ndarray], keys: set[int]) -> list[Doubt]:
    fold = DamageFold()
    for number, luma in enumerate(pictures):
        fold.packet(number * STEP_S, number * STEP_S, number in keys)
        fold.picture(number * STEP_S, False, luma)
    return fold.finish()


def test_garbage_that_a_key_frame_wipes_away_is_found_without_a_complaint() -> None:
    rng = np.random.default_rng(1)
    pictures = [tissue(n) for n in range(60)]
    assert shown(pictures, {0, 25, 50}) == []
    mess = blocks(tissue(0), rng)[80:144, 80:160]
    for number in range(10, 25):
        pictures[number] = pictures[number].copy()
        pictures[number][80:144, 80:160] = mess
    assert spans(shown(pictures, {0, 25, 50})) == [(10 * STEP_S, 25 * STEP_S)]


def test_a_card_in_the_picture_that_goes_by_itself_is_not_garbage() -> None:
    rng = np.random.default_rng(1)
    pictures = [tissue(n) for n in range(60)]
    mess = blocks(tissue(0), rng)[80:144, 80:160]
    for number in range(10, 40):
        pictures[number] = pictures[number].copy()
        pictures[number][80:144, 80:160] = mess
    assert shown(pictures, {0, 25, 50}) == []


def test_a_flash_and_a_cut_are_not_garbage() -> None:
    pictures = [tissue(n) for n in range(60)]
    pictures[20] = np.full_like(pictures[20], 235)
    for number in range(50, 60):
        pictures[number] = 255 - tissue(7 * number)
    assert shown(pictures, set(range(60))) == []


def test_one_picture_shifted_from_a_row_on_is_found() -> None:
    pictures = [tissue(n) for n in range(30)]
    pictures[12] = pictures[12].copy()
    pictures[12][96:] = np.minimum(pictures[12][96:].astype(int) + 60, 255).astype(np.uint8)
    assert spans(shown(pictures, set(range(30)))) == [(12 * STEP_S, 13 * STEP_S)]


def test_gridness_is_high_for_blocks_only() -> None:
    part = np.zeros((60, 80), bool)
    part[20:36, 20:40] = True
    rng = np.random.default_rng(3)
    assert gridness(tissue(3), part) < 0.5
    assert gridness(blocks(tissue(3), rng), part) > 10
    noise = rng.integers(0, 255, (240, 320)).astype(np.uint8)
    assert gridness(noise, part) < 1.0


def in_scope(luma: np.ndarray) -> np.ndarray:
    """Black around a round field."""
    y, x = np.mgrid[: luma.shape[0], : luma.shape[1]]
    far = np.hypot(y - luma.shape[0] / 2, x - luma.shape[1] / 2)
    return np.where(far < 0.45 * luma.shape[0], luma, 16).astype(np.uint8)


@pytest.mark.parametrize("first, levels", [(1, -9), (8, 6), (20, -4)])
def test_a_level_that_is_lost_from_a_block_row_on_is_found_and_light_is_not(
    first: int, levels: int
) -> None:
    """Motion JPEG codes a block's level as the difference from the block before (ITU-T T.81,
    F.1.2.1), so that one wrong difference goes on to the end of the picture."""
    luma = np.maximum(in_scope(tissue(1)), 16 + 10)
    spoiled = luma.astype(int)
    spoiled[8 * first :] += levels
    spoiled[8 * first : 8 * first + 8, :100] -= levels
    assert shifted_below(spoiled.astype(np.uint8), luma)
    brighter = luma.astype(int)
    brighter[luma > 26] += 20
    assert not shifted_below(brighter.astype(np.uint8), luma)
    band = luma.copy()
    band[8 * first : 8 * first + 40][luma[8 * first : 8 * first + 40] > 26] += 20
    assert not shifted_below(band, luma)
    assert not shifted_below(in_scope(tissue(3)), in_scope(tissue(1)))


def test_smoothed_garbage_of_a_few_pictures_is_found_and_a_moving_glint_is_not() -> None:
    """A decoder that smooths the edges of its blocks leaves no steps, but means that differ."""
    import cv2

    rng = np.random.default_rng(5)
    pictures = [tissue(n) for n in range(40)]
    spoiled = [p.copy() for p in pictures]
    mess = blocks(tissue(0), rng)
    for number in range(12, 16):
        spoiled[number][80:144, 80:160] = cv2.GaussianBlur(mess, (0, 0), 1.5)[80:144, 80:160]
    assert spans(shown(spoiled, {0, 25})) == [(12 * STEP_S, 16 * STEP_S)]
    glints = [p.copy() for p in pictures]
    for number in range(12, 16):
        cv2.ellipse(glints[number], (123, 110), (27, 14), 20.0, 0, 360, 240, -1, cv2.LINE_AA)
    assert shown(glints, {0, 25}) == []
    part = np.zeros((60, 80), bool)
    part[18:38, 18:42] = True
    assert in_blocks(spoiled[12], pictures[11], part) > 2
    assert in_blocks(glints[12], pictures[11], part) < 1.4


def test_joining_keeps_what_is_further_apart() -> None:
    found = [Doubt(0.0, 1.0, "a"), Doubt(1.3, 2.0, "b"), Doubt(5.0, 6.0, "c")]
    assert spans(joined(found)) == [(0.0, 2.0), (5.0, 6.0)]


def test_a_garbage_key_frame_that_comes_in_little_by_little_is_found() -> None:
    """37 to 39 are shown before the key frame 40, coded after it, and blend 36 with it."""
    clean = [tissue(n // 4).astype(float) for n in range(80)]
    change = blocks(tissue(10), np.random.default_rng(3)) - clean[40]
    share = np.zeros(80)
    share[36:41], share[40:57], share[56:61] = np.linspace(0, 1, 5), 1, np.linspace(1, 0, 5)
    fold = DamageFold()
    order = [*range(37), 40, 37, 38, 39, *range(41, 57), 60, 57, 58, 59, *range(61, 80)]
    for number, n in enumerate(order):
        fold.packet(n * STEP_S, number * STEP_S, n in (0, 20, 40, 60))
    for n in range(80):
        luma = np.clip(clean[n] + share[n] * change, 0, 255).astype(np.uint8)
        fold.picture(n * STEP_S, False, luma)
    (found,) = fold.finish()
    assert 36 * STEP_S < found.start_s < 37 * STEP_S and found.stop_s >= 59.9 * STEP_S


def test_the_squares_of_strong_coding_are_no_garbage_where_no_key_frame_follows() -> None:
    """MPEG-4 of 160 by 120 at 30 kbit/s reached a grid of 9 code values at a jump of the camera."""
    assert SURE_GRID > 9.5
