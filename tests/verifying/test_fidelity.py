"""What is off is found at its place wherever the field lies; a plain mean is the reference."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pipeline.stages.verifying.coding import dead_zone
from pipeline.stages.verifying.fidelity import BORROWED_LIMIT, TILE_PX, Fidelity

CORNERS = [(0, 0), (0, 1), (1, 0), (1, 1)]
CRF = 20
NONE = (np.zeros(0, np.intp), np.zeros(0, np.intp))


def expected(rows: int, cols: int, x_px: float, y_px: float, radius_px: float) -> Any:
    """What `Fidelity` reads of an `Expected`: a grey picture of which a circle is sure."""
    y, x = np.ogrid[:rows, :cols]
    sure = (np.hypot(x - x_px, y - y_px) < radius_px).astype(np.uint8) * 255
    half = np.min([sure[a : rows // 2 * 2 : 2, b : cols // 2 * 2 : 2] for a, b in CORNERS], axis=0)
    planes = [np.full(p.shape, 90, np.uint8) for p in (sure, half, half)]
    return SimpleNamespace(time_s=1.0, planes=planes, sure=sure, lit_mask=sure, lit_colour=half)


@pytest.mark.parametrize("size", [(240, 320), (241, 333), (720, 1280)])
@pytest.mark.parametrize("field", [(0.5, 0.5, 0.45), (0.93, 0.9, 0.3), (0.06, 0.1, 0.2)])
@pytest.mark.parametrize("number", [0, 1])
def test_one_tile_is_found_at_its_place(
    size: tuple[int, int], field: tuple[float, float, float], number: int
) -> None:
    rows, cols = size
    x, y, radius = field[0] * cols, field[1] * rows, field[2] * rows
    wanted = expected(rows, cols, x, y, radius)
    step, scale = 2 if rows >= 720 else 1, 1 + number
    tile = TILE_PX * step
    sure = wanted.sure if number == 0 else wanted.lit_colour
    high, wide = (n // tile for n in sure.shape)
    tiles = (sure[: high * tile, : wide * tile] > 0).reshape(high, tile, wide, tile)
    whole = tiles.all(axis=(1, 3))
    rng = np.random.default_rng(4)
    for row, col in rng.permutation(np.argwhere(whole))[:6]:
        shown = [p.copy() for p in wanted.planes]
        part = np.s_[row * tile : (row + 1) * tile : step, col * tile : (col + 1) * tile : step]
        shown[number][part] += rng.integers(10, 60, (TILE_PX, TILE_PX), np.uint8)
        seen = Fidelity(CRF)
        seen.step(wanted, shown, NONE, None)
        off = shown[number][part].astype(float) - 90
        assert seen.place.value == pytest.approx(off.mean(), abs=0.01)
        assert (seen.place.x_px, seen.place.y_px) == (col * tile * scale, row * tile * scale)


@pytest.mark.parametrize("moves", [False, True])
def test_a_code_that_changes_is_no_movement_and_a_picture_of_its_neighbour_is(moves: bool) -> None:
    """A coder lags where a faint pattern changes in a held picture; that is no other picture."""
    rng = np.random.default_rng(8)
    view, first, second = (rng.normal(0, s, (30, 40)).repeat(8, 0).repeat(8, 1) for s in (20, 2, 2))
    plain = [90 + (np.roll(view, 3 * n, axis=1) if moves else view) for n in range(4)]
    coded = [p + (first if n < 2 else second) for n, p in enumerate(plain)]
    late = [coded[0], coded[1], plain[2] + 0.4 * second + 0.6 * first, coded[3]]
    other = [coded[0], coded[1], plain[1] + second, coded[3]]
    seen = Fidelity(CRF), Fidelity(CRF)
    for fidelity, shown in zip(seen, (late, other), strict=True):
        wanted = expected(240, 320, 160, 120, 100)
        for n in range(4):
            planes = [np.clip(p[n], 0, 255).astype(np.uint8) for p in (coded, shown, plain)]
            now = SimpleNamespace(**vars(wanted) | {"planes": [planes[0], *wanted.planes[1:]]})
            fidelity.step(now, [planes[1], *wanted.planes[1:]], NONE, None, planes[2])
    assert seen[0].borrowed.value == 0
    assert (seen[1].borrowed.value > BORROWED_LIMIT) == moves


@pytest.mark.parametrize("crf", [20, 28, 32])
@pytest.mark.parametrize("zones", [0.2, 1.0, 1.5, 6.0])
def test_what_a_coder_may_leave_is_no_picture_of_its_neighbour(crf: int, zones: float) -> None:
    """A tile that moves by less than a step of the quantiser may stay as it was, one that moves by
    more follows to within that step; and a whole picture of its neighbour is one however few of
    its tiles moved by more."""
    zone = dead_zone(crf)
    rng = np.random.default_rng(5)
    change = (rng.normal(0, zones * zone, (30, 40))).clip(-60, 60)
    first = 120 + rng.normal(0, 15, (30, 40))
    second = first + change
    left = np.where(np.abs(change) < zone, first, second - np.sign(change) * zone * 0.95)
    lag, whole = Fidelity(crf), Fidelity(crf)
    for fidelity, shown in ((lag, left), (whole, first)):
        wanted = expected(240, 320, 160, 120, 100)
        for luma, other in ((first, first), (second, shown)):
            planes = [np.round(p).astype(np.uint8).repeat(8, 0).repeat(8, 1) for p in (luma, other)]
            now = SimpleNamespace(**vars(wanted) | {"planes": [planes[0], *wanted.planes[1:]]})
            fidelity.step(now, [planes[1], *wanted.planes[1:]], NONE, None)
    assert lag.borrowed.value == 0
    assert (whole.borrowed.value > BORROWED_LIMIT) == (zones >= 1)


@pytest.mark.parametrize("repeats", [1, 6])
def test_two_tiles_left_in_one_picture_are_none_and_in_six_are(repeats: int) -> None:
    """As x264 left them in a recording of 192 x 144 at 60 pictures a second, once in two makes."""
    zone, fidelity = dead_zone(CRF), Fidelity(CRF)
    wanted = expected(240, 320, 160, 120, 100)
    view = 120 + np.random.default_rng(6).normal(0, 15, (30, 40))
    before = view
    for number in range(12):
        view = view.copy()
        view[14, 16:18] += np.array([4.1, 3.5]) * zone / 2 * (-1) ** (number // 2) * 1.3
        left = before if 3 <= number < 3 + 2 * repeats and number % 2 else view
        planes = [np.round(p).astype(np.uint8).repeat(8, 0).repeat(8, 1) for p in (view, left)]
        now = SimpleNamespace(**vars(wanted) | {"planes": [planes[0], *wanted.planes[1:]]})
        now.time_s = number / 25
        fidelity.step(now, [planes[1], *wanted.planes[1:]], NONE, None)
        before = view
    assert (fidelity.borrowed.value > BORROWED_LIMIT) == (repeats > 1)


def test_the_dead_zone_is_a_step_of_the_quantiser() -> None:
    """ITU-T H.264, 8.5.9, as tabulated by Richardson, 'H.264 and MPEG-4 Video Compression' (2003),
    table 6.3 (from memory): Qstep .625, 10, 20 and 40 at QP 0, 24, 30 and 36."""
    assert [8 * dead_zone(qp - 8) for qp in (0, 24, 30, 36)] == pytest.approx([0.625, 10, 20, 40])
