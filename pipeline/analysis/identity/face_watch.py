"""When and where faces are looked for: every picture cheaply, closely where something is new.

- Inside the body: the field every `every_s`; out of it, or without a field: the whole picture and
  tiles every `spacing_s`.
- Where a picture shows what was not there before (`newcomers`): at once, the field and a window
  around it (after a cut: its quarters), and once more soon after. After a cut always the field; the
  rest about once a second at most. What looks like a face and has just come needs no second look.
- While a face is there: soon again, more and more seldom while it stays in its place.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, iou, overlap
from pipeline.analysis.identity.faces import Box, FaceDetector
from pipeline.analysis.identity.letter_views import Planes
from pipeline.analysis.identity.newcomers import New, Newcomers

SURE_FACE = 0.75  # score of a face that needs no second look; common practice, no source
SAME_PLACE = 0.2  # intersection over union
SOON_S = 0.08  # after something new: looked at again
FOLLOW_S = 0.2  # after a face was seen: looked at again
_STAYS = 0.5  # intersection over union of a face that stays
_AT_ONCE = 4.0  # closer looks that may follow each other
_A_SECOND = 1.0  # of them in the long run
_WINDOW = 0.45  # of the field's longer side, at least
_QUARTER = 0.6  # of each side
_CAME = 0.3  # of a face: so much of it is new


class FaceWatch:
    """A fold over all decoded pictures. looks: times and the faces seen then; inside: for each,
    whether the picture showed the field as it was (see `confirmed`)."""

    def __init__(self, spacing_s: float = 1.0, every_s: float = 2.0) -> None:
        self.spacing_s, self.every_s = spacing_s, every_s
        self.looks: list[tuple[float, list[Box]]] = []
        self.inside: list[bool] = []
        self._detector = FaceDetector()
        self._news = Newcomers()
        self._due_s = self._last_s = -np.inf
        self._soon_s = np.inf
        self._follow_s = FOLLOW_S
        self._close: list[Pixels] = []
        self._left = _AT_ONCE

    def step(
        self, time_s: float, planes: Planes, rgb: Callable[[], NDArray[np.uint8]], crop: Pixels,
        everywhere: bool,
    ) -> None:  # fmt: skip
        """A picture, times rising: planes of yuv420p, and all of it as RGB when asked for.

        crop: the box around the field. everywhere: it may be outside the body.
        """
        gone_s = time_s - self._last_s if np.isfinite(self._last_s) else 0.0
        self._left = min(_AT_ONCE, self._left + _A_SECOND * gone_s)
        self._last_s = time_s
        new = self._news.step(planes, crop)
        if new is not None and not new.cut and self._left < 1:
            new = None
        if new is None and time_s + 1e-6 < min(self._due_s, self._soon_s):
            return
        soon = time_s + 1e-6 >= self._soon_s
        close = self._close if new is None and soon else []
        if new is not None and self._left >= 1:
            close = self._close_at(new, crop)
            self._left -= 1
        self._close = close if new is not None else []
        self._soon_s = time_s + SOON_S if new is not None else np.inf
        picture = rgb()
        places = [crop, *close]
        if everywhere:
            places = self._detector.views(picture.shape[1], picture.shape[0]) + close
        found = self._detector.boxes(picture, places)
        self._note(time_s, found, new, everywhere)

    def _note(self, time_s: float, found: list[Box], new: New | None, everywhere: bool) -> None:
        before = self.looks[-1][1] if self.looks else []
        self.looks.append((time_s, found))
        came = new is not None and (
            new.cut or any(overlap(b[:4], new.box) >= _CAME * b[2] * b[3] for b in found)
        )
        self.inside.append(not everywhere and not came)
        usual_s = self.spacing_s if everywhere else self.every_s
        if found:
            stays = all(any(iou(b[:4], o[:4]) > _STAYS for o in before) for b in found)
            self._follow_s = min(usual_s, 2 * self._follow_s) if stays else FOLLOW_S
            self._due_s = time_s + self._follow_s
        else:
            # Once more after the last of it: it may only have turned.
            self._due_s = time_s + (FOLLOW_S if before else usual_s)

    def _close_at(self, new: New, crop: Pixels) -> list[Pixels]:
        """Parts of the field to look at closer for what is new: none where that is most of it."""
        left, top, w, h = crop
        side = round(max(_WINDOW * max(w, h), 1.5 * max(new.box[2:])))
        if side <= 0.8 * max(w, h):
            side = min(side, w, h)
            x = min(max(left, new.box[0] + new.box[2] // 2 - side // 2), left + w - side)
            y = min(max(top, new.box[1] + new.box[3] // 2 - side // 2), top + h - side)
            return [(x, y, side, side)]
        if not new.cut:
            return []
        wide, high = round(_QUARTER * w), round(_QUARTER * h)
        return [(x, y, wide, high) for x in (left, left + w - wide) for y in (top, top + h - high)]

    def seen(self, left_out: Callable[[Box, float], bool]) -> list[tuple[float, list[Box]]]:
        """The looks with the faces that count. left_out: whether one, at a time, does not."""
        looks = [(t, [b for b in boxes if not left_out(b, t)]) for t, boxes in self.looks]
        return confirmed(looks, self.inside)


def confirmed(
    looks: list[tuple[float, list[Box]]], inside: list[bool]
) -> list[tuple[float, list[Box]]]:
    """Looks without weak single hits inside the body.

    inside: for each look, whether the picture showed the scope field. There a rounded
    piece of tissue can pass for a face once: a hit below `SURE_FACE` counts only if the
    look before or after it has one at the same place. Elsewhere every hit counts.
    """
    out = []
    for k, (time_s, boxes) in enumerate(looks):
        near = [b for n in (k - 1, k + 1) if 0 <= n < len(looks) for b in looks[n][1]]
        kept = [
            box
            for box in boxes
            if not inside[k]
            or box[4] >= SURE_FACE
            or any(iou(box[:4], other[:4]) >= SAME_PLACE for other in near)
        ]
        out.append((time_s, kept))
    return out
