"""The invisible release code: its words by published figures, its levels by scikit-image."""

from __future__ import annotations

from collections import Counter

import cv2
import numpy as np
import pytest
from scipy.stats import binom
from skimage.metrics import peak_signal_noise_ratio, structural_similarity

from pipeline.analysis.trace import release_code as rc
from pipeline.analysis.trace.code_reading import CodeFold
from pipeline.analysis.trace.disc import Disc, disc_square
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Plan
from pipeline.model.release_code import CodePlan
from pipeline.stages.rendering.coding import CodePainter

SEED, OTHER = "5e" * 32, "5f" * 32
SIZE = (360, 480)
DISC = Disc(245.0, 178.0, 165.0)
FIELD = FieldSpan(start_s=0, stop_s=99, shape="circle", center_x_px=DISC.x_px,
                  center_y_px=DISC.y_px, radius_px=DISC.radius_px, left_px=80, right_px=410,
                  top_px=13, bottom_px=343, confidence=1)  # fmt: skip


def test_weights_are_those_of_the_extended_golay_code() -> None:
    """MacWilliams and Sloane 1977, 'The Theory of Error-Correcting Codes', ch. 2, fig. 2.17."""
    weights = Counter((rc.golay_words() < 0).sum(axis=1).tolist())
    assert weights == {0: 1, 8: 759, 12: 2576, 16: 759, 24: 1}


def test_the_checksum_is_crc_8() -> None:
    """The check value of polynomial 07 for the nine digits is F4 (from memory)."""
    assert rc.crc8(b"123456789") == 0xF4


@pytest.mark.parametrize("number", [0, 1, 255, 40_000, 65_535])
def test_three_wrong_bits_of_each_word_are_put_right(number: int) -> None:
    rng = np.random.default_rng(number)
    for wrong in range(4):
        soft = rc.codeword(number) * rng.uniform(0.5, 1.5, rc.BITS)
        for start in (0, 24):
            soft[start + rng.permutation(24)[:wrong]] *= -0.2
        assert rc.decoded(soft) == rc.Decoded(number, 2 * wrong)


def test_noise_is_hardly_ever_a_number_and_its_chance_is_said() -> None:
    rng = np.random.default_rng(4)
    read = [rc.decoded(rng.normal(size=rc.BITS)).number for _ in range(4000)]
    assert sum(n is not None for n in read) < 4000 * 4 / 256
    for errors in (0, 3, 6):
        assert rc.chance(errors, 5) == pytest.approx(5 * binom.cdf(errors, 48, 0.5))


def test_cells_are_keyed_new_each_second_and_shared_evenly() -> None:
    a = rc.signs(SEED, 77, 3.2)
    assert (a == rc.signs(SEED, 77, 3.9)).all()
    for other in (rc.signs(SEED, 77, 4.1), rc.signs(OTHER, 77, 3.2)):
        assert 0.4 < (a == other).mean() < 0.6
    ones = np.ones((rc.CELLS, rc.CELLS), np.float32)
    spoken = rc.bits_of(SEED, 3.2, a * ones)
    assert (np.abs(spoken) == rc.CELLS**2 / rc.BITS).all()
    assert (np.sign(spoken) == rc.codeword(77)).all()


def picture(k: int, seed: int = 3) -> np.ndarray:
    """A disc of moving texture, light and dark parts in it; luma (row, col)."""
    rng = np.random.default_rng(seed)
    canvas = sum(
        a * cv2.resize(rng.normal(size=(n, n)), (900, 900), interpolation=cv2.INTER_CUBIC)
        for a, n in ((35, 6), (14, 24), (7, 90))
    )
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    away = np.hypot(x + 0.5 - DISC.x_px, y + 0.5 - DISC.y_px) / DISC.radius_px
    luma = 120 + canvas[3 * k : 3 * k + SIZE[0], 2 * k : 2 * k + SIZE[1]] - 30 * away**2
    luma += np.random.default_rng(k).normal(0, 1.5, SIZE)
    return np.where(away < 1, np.clip(luma, 16, 235), 16).astype(np.uint8)


def plan(number: int) -> Plan:
    return Plan(case="QM-0001", title="", profile="web", audience="public", width_px=SIZE[1],
                height_px=SIZE[0], frame_rate_hz=5, matrix="bt709", duration_s=9, sources=[],
                pieces=[], code=CodePlan(number=number, seed=SEED))  # fmt: skip


def coded(pictures: list[np.ndarray], number: int) -> list[np.ndarray]:
    painter, out = CodePainter(plan(number)), []
    for k, luma in enumerate(pictures):
        shown, lit = luma.copy(), np.where(luma > 16, 255, 0).astype(np.uint8)
        assert painter.paint(shown, FIELD, k / 5, 0, lambda lit=lit: lit)
        out.append(shown)
    return out


@pytest.fixture(scope="module")
def pictures() -> list[np.ndarray]:
    return [picture(k) for k in range(30)]


def test_it_is_not_seen_and_stays_inside(pictures: list[np.ndarray]) -> None:
    """The limits of issue 24: PSNR 44 dB and SSIM .99, here by scikit-image, of the whole picture
    and of the disc alone; nothing outside of it, and nothing where it is dark."""
    for luma, shown in list(zip(pictures, coded(pictures, 4711), strict=True))[::7]:
        assert (shown[luma == 16] == 16).all() and (shown != luma).mean() > 0.1
        assert peak_signal_noise_ratio(luma, shown) >= 44
        mean, every = structural_similarity(luma, shown, full=True)
        disc = luma > 16
        off = np.square(luma.astype(float) - shown)[disc].mean()
        assert mean >= 0.99 and every[disc].mean() >= 0.99 and 10 * np.log10(255**2 / off) >= 44
        assert np.abs(luma.astype(int) - shown).max() <= 3
    dark = np.full((rc.GRID, rc.GRID), 20, np.uint8)
    assert not rc.strength(dark).any()


def released_square(luma: np.ndarray) -> np.ndarray:
    return np.clip(disc_square(luma, DISC, rc.GRID, 1.0), 0, 255).astype(np.uint8)


def read(suspect: list[np.ndarray], disc: Disc, released: list[np.ndarray]) -> CodeFold:
    fold = CodeFold(SEED, 4711, 1.0)
    for k, luma in enumerate(suspect):
        fold.step(luma, disc, released_square(released[k]), k / 5)
    return fold


def test_it_is_read_with_the_release_beside_it(pictures: list[np.ndarray]) -> None:
    """Its own code, that of another copy, and none where there is none, though the release that
    lies beside carries one; mirrored, turned, smaller, with another contrast, cut."""
    released, copy = coded(pictures, 4711), coded(pictures, 815)
    assert rc.decoded(read(released, DISC, released).soft) == rc.Decoded(4711, 0)
    assert rc.decoded(read(copy, DISC, released).soft) == rc.Decoded(815, 0)
    none = read(pictures, DISC, released)
    wrong = int((none.soft * rc.codeword(4711) <= 0).sum())
    assert none.pictures == len(pictures) and wrong > 12 and rc.decoded(none.soft).number is None
    turned = []
    for luma in copy:
        way = cv2.getRotationMatrix2D((240, 180), 3, 0.6)
        small = cv2.warpAffine(luma[:, ::-1], way, (480, 360), flags=cv2.INTER_AREA)
        small = np.clip(255 * (small / 255.0) ** 0.8 + 6, 0, 255).astype(np.uint8)
        small[:, 330:] = 0
        turned.append(small)
    x, y = cv2.getRotationMatrix2D((240, 180), 3, 0.6) @ [480 - DISC.x_px, DISC.y_px, 1]
    laid = Disc(float(x) + 1, float(y) - 1, 0.61 * DISC.radius_px, -3.0, True)
    assert rc.decoded(read(turned, laid, released).soft).number == 815


def test_the_mean_of_two_copies_gives_neither(pictures: list[np.ndarray]) -> None:
    released, copy = coded(pictures, 4711), coded(pictures, 815)
    mean = [cv2.addWeighted(a, 0.5, b, 0.5, 0) for a, b in zip(released, copy, strict=True)]
    soft = read(mean, DISC, released).soft
    assert rc.chance(min(rc.errors_of(soft, n) for n in (4711, 815)), 2) > 1e-4
    alone = read(copy, DISC, released).soft
    assert rc.errors_of(alone, 815) == 0 and rc.errors_of(alone, 4711) >= 8


def test_what_was_covered_and_cut_to_a_circle_is_left_out(pictures: list[np.ndarray]) -> None:
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    inner = np.hypot(x - DISC.x_px, y - DISC.y_px) < 0.68 * DISC.radius_px
    cut = [np.where(inner, p, 16).astype(np.uint8) for p in coded(pictures, 815)]
    for luma in cut:
        luma[170:200, 200:300] = 235
    soft = read(cut, DISC, coded(pictures, 4711)).soft
    assert rc.errors_of(soft, 815) <= 4
