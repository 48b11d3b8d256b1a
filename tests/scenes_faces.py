"""A face in the scope's picture for a moment: made films whose every picture with it is known.

The one face is the public-domain photograph in scikit-image (`skimage.data.astronaut`), mirrored,
tinted, stretched, turned, blurred, darkened and partly hidden. Tissue as in `scenes_lettering`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import scenes_lettering as scenes
import skimage.data
from numpy.typing import NDArray

Rgb = NDArray[np.uint8]
FACE = (223.0, 115.0)  # its middle in the photograph and its rough height, read from it by eye
FACE_PX = 110.0


@dataclass(frozen=True)
class Shown:
    """A face: pictures first to first + count. share: its height, of the field's diameter.

    way: "room" (all of the field shows what is outside), "patch" (within tissue), "swept" (the
    room is drawn across the field). hidden: "no", "rod" or "hand" over a part, "rim" of the field.
    """

    first: int
    count: int
    share: float
    way: str
    hidden: str
    turn_deg: float
    at: tuple[float, float]  # in radii of the field from its middle
    speed: float  # radii a second
    light: float
    blur_px: float
    mirrored: bool
    stretched: float


def shown(seed: int, count: int | None = None) -> Shown:
    rng = np.random.default_rng([31, seed])
    share = float(np.exp(rng.uniform(math.log(0.09), math.log(0.9))))
    free = max(0.0, 0.95 - share)
    way = str(rng.choice(["room", "patch", "swept"]))
    hidden = str(rng.choice(["no", "no", "rod", "hand", "rim"]))
    angle = float(rng.uniform(0, 2 * math.pi))
    far = free * float(rng.uniform(0, 1)) if hidden != "rim" else 1.0 - 0.5 * share
    return Shown(
        int(rng.integers(4, 60)), int(rng.choice([2, 3, 5, 8, 12, 25])) if count is None else count,
        share, way, hidden, float(rng.choice([0.0, rng.uniform(-40, 40), rng.uniform(-180, 180)])),
        (far * math.cos(angle), far * math.sin(angle)), float(rng.uniform(0, 0.6)),
        float(rng.uniform(0.45, 1.15)), float(rng.choice([0.0, 0.0, rng.uniform(0, 0.02)])),
        bool(rng.random() < 0.5), float(rng.uniform(0.88, 1.14)),
    )  # fmt: skip


@lru_cache(maxsize=1)
def _photo() -> NDArray[np.float32]:
    return skimage.data.astronaut().astype(np.float32)


def _matte(rows: int, cols: int, way: str) -> NDArray[np.float32]:
    """How much of the photograph is seen, on its own grid: all of it but for its edge, or an
    oval around the head."""
    y, x = np.mgrid[:rows, :cols].astype(np.float32)
    if way == "patch":
        far = np.hypot((x - FACE[0]) / 95, (y - FACE[1] + 5) / 105)
        return np.clip((1.1 - far) / 0.15, 0, 1).astype(np.float32)
    edge = np.minimum.reduce([x, y, cols - 1 - x, rows - 1 - y])
    return np.clip(edge / 12, 0, 1).astype(np.float32)


class FaceFilm:
    """Pictures of tissue with the face in some, and where its middle is in each."""

    def __init__(self, seed: int, plates: Sequence[Rgb], one: Shown, seconds: float = 4.0) -> None:
        self.film = scenes.film(seed, clean=True, seconds=seconds)
        self.one, self.rng = one, np.random.default_rng([32, seed])
        self.tissue = scenes.Tissue(self.film, plates)
        rows, cols = self.film.height, self.film.width
        coarse = self.rng.integers(25, 190, (6, 9, 3)).astype(np.float32)
        coarse = coarse * 0.5 + coarse.mean(2, keepdims=True) * 0.5
        self.room = cv2.resize(coarse, (cols, rows), interpolation=cv2.INTER_CUBIC)
        photo, matte = _photo(), _matte(512, 512, one.way)
        if one.mirrored:
            photo, matte = photo[:, ::-1], matte[:, ::-1]
        self.middle = (511 - FACE[0] if one.mirrored else FACE[0], FACE[1])
        tint = self.rng.uniform(0.85, 1.1, 3).astype(np.float32)
        self.photo, self.matte = np.clip(photo * tint * one.light, 0, 255), matte

    def _at(self, number: int) -> tuple[float, float, float]:
        """Middle and height of the face, in px."""
        one, (cx, cy, r) = self.one, self.film.field
        drift = one.speed * (number - one.first - one.count / 2) / self.film.rate
        return cx + (one.at[0] + drift) * r, cy + one.at[1] * r, one.share * 2 * r

    def truth(self, number: int) -> tuple[float, float, float] | None:
        """Middle and height of the face in px, in a picture that shows it."""
        one = self.one
        if not one.first <= number < one.first + one.count:
            return None
        x, y, high = self._at(number)
        if one.way == "swept" and x + 0.5 * high > self._cut(number):
            return None
        return x, y, high

    def _cut(self, number: int) -> int:
        """Column up to which a room is drawn over the tissue."""
        one, (cx, _, r) = self.one, self.film.field
        done = min(1.0, (number - one.first + 1) / 3, (one.first + one.count - number) / 2)
        return round(cx + r * (2 * done - 1))

    def picture(self, number: int) -> Rgb:
        clean = self.tissue.picture(number / self.film.rate)
        one = self.one
        if not one.first <= number < one.first + one.count:
            return clean
        rows, cols = clean.shape[:2]
        x, y, high = self._at(number)
        scale = high / FACE_PX
        c, s = math.cos(math.radians(one.turn_deg)), math.sin(math.radians(one.turn_deg))
        wide = scale * one.stretched
        turn = np.array([[c * wide, -s * scale], [s * wide, c * scale]])
        move = np.column_stack([turn, np.array([x, y]) - turn @ np.array(self.middle)])
        flags = cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR
        photo = cv2.warpAffine(self.photo, move, (cols, rows), flags=flags)
        matte = cv2.warpAffine(self.matte, move, (cols, rows))[..., None]
        back = clean.astype(np.float32) if one.way == "patch" else self.room
        out = back + matte * (photo - back)
        if one.hidden == "hand":  # a gloved hand over the lower third
            box = cv2.boxPoints(((x - s * -0.42 * high, y + c * 0.42 * high),
                                 (1.2 * high, 0.4 * high), one.turn_deg))  # fmt: skip
            cv2.fillPoly(out, [box.astype(np.int32)], (120, 150, 175), cv2.LINE_AA)
        if one.hidden == "rod":
            a = math.radians(one.turn_deg + 60)
            far = np.array([math.cos(a), math.sin(a)]) * 3 * high
            mid = np.array([x, y]) + 0.25 * high
            p, q = (mid - far).astype(int), (mid + far).astype(int)
            cv2.line(out, (int(p[0]), int(p[1])), (int(q[0]), int(q[1])), (170, 170, 175),
                     max(2, round(0.15 * high)), cv2.LINE_AA)  # fmt: skip
        if one.way == "swept":  # drawn across the field within the first and last pictures
            cut = self._cut(number)
            out[:, cut:] = clean[:, cut:]
        if one.blur_px:
            size = max(1, round(one.blur_px * high)) | 1
            out = cv2.blur(out, (size, max(1, size // 3) | 1))
        out[~self.tissue.inside] = 6
        roll = (int(self.rng.integers(rows)), int(self.rng.integers(cols)))
        out += np.roll(self.tissue.grain, roll, (0, 1))
        return np.clip(out, 0, 255, out=out).astype(np.uint8)

    def pictures(self) -> Iterator[tuple[float, Rgb]]:
        for number in range(round(self.film.seconds * self.film.rate)):
            yield number / self.film.rate, self.picture(number)
