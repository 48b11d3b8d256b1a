"""The fingerprint of pictures: copies coded anew are alike, other recordings are not."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.fft import dctn

from pipeline.analysis.identity import fingerprint
from pipeline.analysis.identity.fingerprint import (
    PrintFold,
    likeness,
    pack,
    picture_print,
    thinned,
    unpack,
)
from pipeline.model.field import FieldSpan

Prints = tuple[NDArray[np.float64], NDArray[np.int8]]
WIDE, HIGH, RADIUS = 160, 120, 56


def scene(seed: int, seconds: float = 9.0, rate_hz: float = 10.0) -> list[tuple[float, Any]]:
    """A disc over tissue-like patches that drift, at 10 Hz, uint8 (row, col, 3)."""
    rng = np.random.default_rng(seed)
    ground = sum(
        cv2.resize(rng.normal(size=(n, n)).astype(np.float32), (400, 400),
                   interpolation=cv2.INTER_CUBIC) / n**0.5
        for n in (6, 12, 24, 48)
    )  # fmt: skip
    y, x = np.mgrid[:HIGH, :WIDE]
    far = np.hypot(x - WIDE / 2, y - HIGH / 2)
    light = np.clip(1 - (far / 90) ** 2, 0, 1) * (far < RADIUS)
    out = []
    for n in range(int(seconds * rate_hz)):
        at = n / rate_hz
        dx, dy = 100 + 60 * np.sin(0.5 * at + seed), 120 + 60 * np.sin(0.37 * at + 2 * seed)
        shift = np.array([[1, 0, -dx], [0, 1, -dy]], np.float32)
        patch = cv2.warpAffine(ground, shift, (WIDE, HIGH))  # type: ignore[call-overload]
        luma = (120 + 35 * patch) * light + rng.normal(scale=3, size=light.shape)
        picture = np.stack([luma, luma * 0.6, luma * 0.5], axis=-1)
        out.append((at, np.clip(picture, 0, 255).astype(np.uint8)))
    return out


def prints(pictures: list[tuple[float, Any]], scale: float = 1.0, start_s: float = 0.0) -> Prints:
    """The pictures from `start_s` on at 5 Hz, at another size."""
    size = (round(WIDE * scale), round(HIGH * scale))
    field = FieldSpan(
        start_s=0, stop_s=99, shape="circle", center_x_px=size[0] / 2, center_y_px=size[1] / 2,
        radius_px=RADIUS * scale, left_px=0, top_px=0, right_px=size[0], bottom_px=size[1],
        confidence=1.0,
    )  # fmt: skip
    fold = PrintFold([field], *size)
    for at, picture in pictures:
        if at >= start_s - 1e-9 and round((at - start_s) * 10) % 2 == 0:
            fold.step(at - start_s, cv2.resize(picture, size, interpolation=cv2.INTER_AREA))
    return fold.finish()


def coarse(pictures: list[tuple[float, Any]]) -> list[tuple[float, Any]]:
    """Coded badly: JPEG at quality 20, darker and with less contrast."""
    out = []
    for at, picture in pictures:
        _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 20])
        back = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(np.float32)
        out.append((at, np.clip(back * 0.8 + 12, 0, 255).astype(np.uint8)))
    return out


@pytest.mark.parametrize("mirror", [False, True])
def test_an_excerpt_coded_anew_is_alike(mirror: bool) -> None:
    """Five seconds from the middle, off the beat of the kept moments, at two thirds size."""
    whole = scene(1)
    kept = unpack(pack(*thinned(*prints(whole))))
    part = [(at, p[:, ::-1]) if mirror else (at, p) for at, p in coarse(whole) if at < 7.35]
    score, at_s = likeness(*prints(part, scale=0.67, start_s=2.3), *kept)
    assert score >= fingerprint.ALIKE and 0 <= at_s < 2


@pytest.mark.parametrize("seconds", [0.4, 1.2, 2.5, 3.1])
def test_a_short_recording_coded_anew_is_alike(seconds: float) -> None:
    """The whole of it, and a part of a longer one; and a longer one of which a part is known."""
    whole = scene(1)
    short = [(at, p) for at, p in whole if at < 2.2 + seconds and at > 2.15]
    short = [(at - short[0][0], p) for at, p in short]
    copy = prints(coarse(short), scale=0.67)
    for known in (prints(short), prints(whole)):
        assert likeness(*copy, *unpack(pack(*thinned(*known))))[0] >= fingerprint.ALIKE
    longer = prints(coarse(whole), scale=0.67)
    assert likeness(*longer, *thinned(*prints(short)))[0] >= fingerprint.ALIKE
    others = [prints(scene(seed)) for seed in range(2, 8)]
    assert max(likeness(*copy, *thinned(*one))[0] for one in others) < fingerprint.ALIKE + 0.1


def test_other_recordings_are_not_alike() -> None:
    made = [prints(scene(seed)) for seed in range(2, 8)]
    scores = [
        likeness(*one, *thinned(*two))[0] for one in made for two in made if one is not two
    ]
    assert max(scores) < fingerprint.ALIKE - 0.05, max(scores)


def test_what_holds_nothing_has_no_print() -> None:
    grey = np.full((HIGH, WIDE, 3), 90, np.uint8)
    assert picture_print(grey, (WIDE / 2, HIGH / 2), RADIUS) is None
    assert picture_print(grey, (WIDE / 2, HIGH / 2), 3.0) is None
    nothing = prints([(0.1 * n, grey) for n in range(80)])
    assert likeness(*nothing, *nothing) == (0.0, 0.0)


def test_pack_and_unpack() -> None:
    time_s, kept = thinned(*prints(scene(3)))
    assert np.diff(time_s).min() >= 0.99
    back = unpack(pack(time_s, kept))
    assert np.allclose(back[0], time_s, atol=0.006) and np.array_equal(back[1], kept)
    assert len(pack(time_s, kept)) < 100 * len(time_s)
    for broken in ("", "x", "AAAA", pack(time_s, kept)[:-8]):
        assert len(unpack(broken)[0]) == 0


def test_the_transform_is_the_usual_one() -> None:
    """scipy.fft.dctn (type II, orthonormal) is the reference for the basis."""
    grid = np.random.default_rng(0).normal(size=(32, 32))
    ours = fingerprint._BASIS @ grid @ fingerprint._BASIS.T * (2.0 / 32)
    assert np.allclose(ours, dctn(grid, norm="ortho")[:10, :10])
