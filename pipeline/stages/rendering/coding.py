"""The release code, drawn into the luma of what is lit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace.disc import Disc, disc_of, disc_square
from pipeline.analysis.trace.release_code import CELLS, GRID, second_of, signs, strength
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Plan

_ANEW_S = 0.25  # so often its strength follows the texture
_Drawn = tuple[
    tuple[FieldSpan, int, int, int], tuple[slice, slice], NDArray[np.uint8], NDArray[np.uint8]
]


class CodePainter:
    """Adds the code of the plan to one picture after the other; none where the plan has none."""

    def __init__(self, plan: Plan) -> None:
        self._code = plan.code
        self._drawn: _Drawn | None = None

    def paint(
        self,
        luma: NDArray[np.uint8],
        span: FieldSpan,
        time_s: float,
        source: int,
        lit: Callable[[], NDArray[np.uint8]],
    ) -> bool:
        """Change luma (row, col) in place.

        span: the field in pixels of luma. time_s: in the clip. lit: gives 255 where a picture is
        seen, (row, col). False where nothing was changed; else boxes must be filled anew.
        """
        import cv2

        if self._code is None:
            return False
        key = (span, source, second_of(time_s), int(time_s / _ANEW_S))
        if self._drawn is None or self._drawn[0] != key:
            disc = disc_of(span, luma.shape[1], luma.shape[0])
            square = disc_square(luma, disc, GRID, 1.0, averaged=False)
            if square is None:
                return False
            levels = strength(square) * signs(self._code.seed, self._code.number, time_s)
            where, change = spread(levels, disc, luma.shape)
            seen = lit()[where]
            # Rounded to 8 bits, what is below 0 comes out as 0.
            more, less = (
                np.asarray(cv2.bitwise_and(one, seen), np.uint8)
                for one in (
                    cv2.add(change, 0.0, dtype=cv2.CV_8U),  # type: ignore[call-overload]
                    cv2.subtract(0.0, change, dtype=cv2.CV_8U),  # type: ignore[call-overload]
                )
            )
            self._drawn = key, where, more, less
        _, where, more, less = self._drawn
        part = luma[where]
        cv2.add(part, more, part)
        cv2.subtract(part, less, part)
        return True


def spread(
    levels: NDArray[np.float32], disc: Disc, shape: tuple[int, ...]
) -> tuple[tuple[slice, slice], NDArray[np.float32]]:
    """Where the square around the disc lies in a plane (row, col), and the levels of its cells
    there, going over into each other."""
    import cv2

    left, top = (max(0, int(v - disc.radius_px)) for v in (disc.x_px, disc.y_px))
    right = min(shape[1], int(disc.x_px + disc.radius_px) + 1)
    bottom = min(shape[0], int(disc.y_px + disc.radius_px) + 1)
    wide, high = max(0, right - left), max(0, bottom - top)
    step = CELLS / (2 * disc.radius_px)
    # Centres of pixels lie at +0.5 here, at 0 there; so do those of cells.
    way = np.array([
        [step, 0, (left + 0.5 - disc.x_px) * step + CELLS / 2 - 0.5],
        [0, step, (top + 0.5 - disc.y_px) * step + CELLS / 2 - 0.5],
    ])  # fmt: skip
    change = cv2.warpAffine(
        levels, way, (max(1, wide), max(1, high)), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT, borderValue=0,
    )  # fmt: skip
    return (slice(top, top + high), slice(left, left + wide)), np.asarray(change, np.float32)
