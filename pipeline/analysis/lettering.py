"""Burned-in lettering: where it is and how long it lasts, never what it says.

Four parts, from cheap to dear:
- `OverlayFold`: edges that stay in place while the picture moves. Blind to
  lettering that moves or shows for a moment, and to a frozen picture.
- `text_regions`: places of a single picture that could hold lettering: many sharp
  strokes side by side. It only chooses where the network looks.
- `odd_colours`: the same picture seen in the colours that its tissue does not have,
  so that lettering as bright as the tissue behind it stands out.
- `TextDetector`: the PP-OCRv6 networks for finding and reading lines, from the
  wheel `rapidocr` (weights Apache License 2.0, PaddleOCR authors). A line
  counts if it can be read; what was read is thrown away at once.

`merge_lettering` joins all of it into spans.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.boxes import Pixels, iou, joined, overlap, union, widened
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Lettering
from pipeline.model.time import round_s

Box = tuple[int, int, int, int, float]

SAMPLE_RATE_HZ = 1.0
LARGEST_SHARE = 0.25  # a box over this share of the picture is the round field read as a letter

_TALL = 0.1  # a line taller than this share of the picture must be read with certainty
_BLOCK = 16  # moving samples looked at together
_FEWEST = 8
_CLIP = 96  # one sample counts at most this much: a glint must not outweigh the rest
_MOTION = 0.8  # levels: mean change of 16 x 16 px means from which the picture has moved
_MOVED = 1.5  # levels: change from which such a block has moved
_MOVED_SHARE = 0.3  # of blocks and samples around a place, else its steady edges say nothing
_EDGE = 45.0  # |mean gradient|, sum of both Sobel sums, levels
_STEADY = 0.85  # |mean gradient| over mean |gradient|; 1 for an edge that never changes
_STEADY_WINDOWS = (((25, 11), 0.07), ((49, 21), 0.07))  # (cols, rows), share of edges in it
_RIM_PX = 8


class OverlayFold:
    """Overlays that stand still on a moving picture.

    fields: the scope field over time, on the working picture of width_px x
    height_px. Lettering in the surround is reported too (`where`), although
    the surround is blanked anyway.
    """

    def __init__(self, fields: list[FieldSpan], width_px: int, height_px: int) -> None:
        self._fields = sorted(fields, key=lambda f: f.start_s)
        self._width, self._height = width_px, height_px
        self._field: FieldSpan | None = None
        self._scale = 1
        while height_px / self._scale > 1300:
            self._scale += 1
        shape = (height_px // self._scale, width_px // self._scale)
        self._sum_x = np.zeros(shape, np.int32)
        self._sum_y = np.zeros(shape, np.int32)
        self._sum_size = np.zeros(shape, np.int32)
        self._inside = np.ones(shape, bool)
        self._rim = np.zeros(shape, bool)
        self._small_inside = np.ones((1, 1), bool)
        self._last_small: NDArray[np.float32] | None = None
        self._moved = np.zeros((1, 1), np.float32)
        self._count = 0
        self._from_s = 0.0
        self._last_s = 0.0
        self._found: list[Lettering] = []

    def step(self, time_s: float, luma: NDArray[np.uint8]) -> None:
        """One sample, about one a second, times rising.

        luma: uint8 (row, col) of the full working picture. Cost at 1080p:
        about 16 ms; a sample in which nothing moved costs 1 ms.
        """
        import cv2

        field = self._field_at(time_s)
        if self._count == 0 or field is not self._field:
            self._end_block(time_s)
            self._from_s = time_s
            if field is not self._field or self._last_small is None:
                self._take_field(field)
        self._last_s = time_s
        if self._scale > 1:
            rows, cols = self._sum_x.shape
            luma = _u8(cv2.resize(luma, (cols, rows), interpolation=cv2.INTER_AREA))
        small = _u8(cv2.resize(
            luma, (max(1, luma.shape[1] // 16), max(1, luma.shape[0] // 16)),
            interpolation=cv2.INTER_AREA,
        ))  # fmt: skip
        blocks = small.astype(np.float32)
        if self._last_small is not None:
            # The camera's gain, clipped here and there, is no movement: local means are matched.
            means = [cv2.blur(b, (7, 7)) for b in (blocks, self._last_small)]
            change = np.abs(blocks - self._last_small * means[0] / np.maximum(1.0, means[1]))
            change[~self._small_inside] = 0
            if float(change.sum()) < _MOTION * int(self._small_inside.sum()):
                return
            self._moved += change > _MOVED
        self._last_small = blocks
        both = cv2.spatialGradient(luma)
        dx, dy = np.array(both[0], np.int16), np.array(both[1], np.int16)
        np.clip(dx, -_CLIP, _CLIP, out=dx)
        np.clip(dy, -_CLIP, _CLIP, out=dy)
        self._sum_x += dx
        self._sum_y += dy
        self._sum_size += np.abs(dx) + np.abs(dy)
        self._count += 1
        if self._count >= _BLOCK:
            self._end_block(time_s)
            self._from_s = time_s

    def finish(self) -> list[Lettering]:
        """Overlays found, joined over time, boxes padded, on the full working picture."""
        self._end_block(self._last_s)
        return _joined_in_time(self._found, self._width, self._height)

    def _field_at(self, time_s: float) -> FieldSpan | None:
        chosen = None
        for span in self._fields:
            if span.start_s <= time_s:
                chosen = span
        return chosen

    def _take_field(self, field: FieldSpan | None) -> None:
        import cv2

        self._field = field
        self._last_small = None
        rows, cols = self._inside.shape
        inside = field_mask(field, cols, rows, self._scale)
        self._inside = inside
        if field is None or field.shape == "none":
            self._rim = np.zeros_like(inside)
        else:
            size = 2 * max(2, _RIM_PX // self._scale) + 1
            kernel = np.ones((size, size), np.uint8)
            edge = cv2.morphologyEx(inside.astype(np.uint8), cv2.MORPH_GRADIENT, kernel)
            self._rim = edge.astype(bool)
        small = cv2.resize(
            inside.astype(np.uint8) * 255, (max(1, cols // 16), max(1, rows // 16)),
            interpolation=cv2.INTER_AREA,
        )  # fmt: skip
        self._small_inside = small > 250
        self._moved = np.zeros(self._small_inside.shape, np.float32)

    def _steady(self) -> NDArray[np.bool_]:
        size = np.abs(self._sum_x) + np.abs(self._sum_y)
        steady: NDArray[np.bool_] = size >= _EDGE * self._count
        steady &= size >= _STEADY * self._sum_size
        steady &= ~self._rim
        return steady

    def _moved_around(self) -> NDArray[np.bool_]:
        """True where the picture moved within some 60 px in enough of the samples."""
        import cv2

        window = (7, 7)
        share = cv2.blur(self._moved, window) / max(1, self._count - 1)
        blocks = cv2.blur(self._small_inside.astype(np.float32), window)
        moved = (share >= _MOVED_SHARE * np.maximum(blocks, 1e-3)).astype(np.uint8)
        rows, cols = self._inside.shape
        full = cv2.resize(moved, (cols, rows), interpolation=cv2.INTER_NEAREST)
        return np.asarray(full, np.uint8).astype(bool)

    def _end_block(self, stop_s: float) -> None:
        if self._count >= _FEWEST:
            steady = self._steady()
            steady &= ~self._inside | self._moved_around()
            for box, strength in _steady_regions(steady, self._sum_x, self._sum_y, self._count):
                x, y, w, h = (value * self._scale for value in box)
                pad = max(3.0, 0.2 * h)
                full = widened((x, y, w, h), pad, pad, self._width, self._height)
                self._found.append(
                    Lettering(
                        start_s=round_s(self._from_s),
                        stop_s=round_s(stop_s),
                        box_px=full,
                        where=_where(full, [self._field] if self._field else []),
                        confidence=round(strength, 3),
                    )
                )
        if self._count:
            for total in (self._sum_x, self._sum_y, self._sum_size):
                total[:] = 0
            self._moved[:] = 0
        self._count = 0


def _u8(array: Any) -> NDArray[np.uint8]:
    return np.asarray(array, np.uint8)


def field_mask(
    field: FieldSpan | None, width_px: int, height_px: int, scale: int = 1, inset_px: float = 0.0
) -> NDArray[np.bool_]:
    """True inside the scope field: bool (row, col) of a picture reduced `scale` times."""
    import cv2

    if field is None:
        return np.ones((height_px, width_px), bool)
    if field.outline_px:
        mask = np.zeros((height_px, width_px), np.uint8)
        points = np.round(np.array(field.outline_px) / scale - 0.5).astype(np.int32)
        cv2.fillPoly(mask, [points.reshape(-1, 1, 2)], 1)
        return mask.astype(bool)
    x = (np.arange(width_px) + 0.5) * scale
    y = (np.arange(height_px)[:, None] + 0.5) * scale
    mask_ = (x >= field.left_px + inset_px) & (x < field.right_px - inset_px)
    mask_ = mask_ & (y >= field.top_px + inset_px) & (y < field.bottom_px - inset_px)
    if field.shape in ("circle", "circle-clipped"):
        radius = max(0.0, field.radius_px - inset_px)
        mask_ &= (x - field.center_x_px) ** 2 + (y - field.center_y_px) ** 2 <= radius**2
    return mask_


def _steady_regions(
    steady: NDArray[np.bool_],
    sum_x: NDArray[np.int32],
    sum_y: NDArray[np.int32],
    count: int,
) -> list[tuple[Pixels, float]]:
    """Boxes around places where steady strokes stand side by side, with a confidence 0..1."""
    import cv2

    if not steady.any():
        return []
    # A level edge, such as that of a filled box, is no row of strokes.
    upright = steady & (2 * np.abs(sum_x) >= np.abs(sum_y))
    rising = (upright & (sum_x > 0)).astype(np.uint8) * 255
    falling = (upright & (sum_x < 0)).astype(np.uint8) * 255
    lines = np.zeros(steady.shape, np.uint8)
    for window, least in _STEADY_WINDOWS:
        both = cv2.min(cv2.blur(rising, window), cv2.blur(falling, window))
        lines |= (_u8(both) >= least * 255).astype(np.uint8)
    lines = _u8(cv2.morphologyEx(lines, cv2.MORPH_CLOSE, np.ones((5, 21), np.uint8)))
    _, labels, stats, _ = cv2.connectedComponentsWithStats(lines, connectivity=8)
    out: list[tuple[Pixels, float]] = []
    for index, (x, y, w, h, area) in enumerate(stats[1:].tolist(), start=1):
        if w < 12 or h < 5 or area < 80:
            continue
        here = (labels[y : y + h, x : x + w] == index) & steady[y : y + h, x : x + w]
        rows, cols = np.nonzero(here)
        if len(rows) < 24:
            continue
        # The windows spread what they saw: shrink to the strokes themselves.
        left, top = x + int(cols.min()), y + int(rows.min())
        w, h = int(np.ptp(cols)) + 1, int(np.ptp(rows)) + 1
        size = np.abs(sum_x[y : y + stats[index, 3], x : x + stats[index, 2]][here])
        strength = float(size.mean()) / count
        confidence = min(1.0, 0.6 + 0.4 * strength / (2 * _CLIP))
        out.append(((left, top, w, h), confidence))
    return out


def _where(box: Sequence[float], fields: Sequence[FieldSpan]) -> Literal["surround", "field"]:
    """field if any part of the box lies in a field."""
    for field in fields:
        left, top = max(box[0], field.left_px), max(box[1], field.top_px)
        right = min(box[0] + box[2], field.right_px)
        bottom = min(box[1] + box[3], field.bottom_px)
        if right <= left or bottom <= top:
            continue
        if field.shape not in ("circle", "circle-clipped"):
            return "field"
        x = min(max(field.center_x_px, left), right)
        y = min(max(field.center_y_px, top), bottom)
        if (x - field.center_x_px) ** 2 + (y - field.center_y_px) ** 2 <= field.radius_px**2:
            return "field"
    return "field" if not fields else "surround"


# where the network should look

_STEP = 50  # levels between pixels two apart that make the edge of a stroke
_WINDOW = (11, 25)  # rows and cols in which strokes are counted
# Share of rising and of falling edges in the window, at full and at half size. Of
# tissue 1 % of the window reaches 0.05 and 0.13, of lettering 80 % passes 0.08 and 0.14.
_DENSITY = {1: 0.075, 2: 0.13}


def text_regions(
    rgb: NDArray[np.uint8], field: FieldSpan | None = None, step: int = _STEP
) -> list[Pixels]:
    """Places that could hold lettering: many rising and falling edges side by side.

    rgb: uint8 (row, col, 3), the full working picture, or (row, col) grey. field: only
    there is looked; None for everywhere. Boxes (x, y, width, height) in pixels, padded
    for the network. Looks at the picture and at a half-size copy, so that
    lettering of about 10 to 60 px is met. Cost at 1080p: about 15 ms. step:
    levels between pixels two apart that make the edge of a stroke.
    """
    height, width = rgb.shape[:2]
    left, top, right, bottom = _bounds(field, width, height)
    if right - left < 32 or bottom - top < 16:
        return []
    inside = None
    if field is not None and field.shape != "none":
        inside = field_mask(field, width, height, inset_px=4.0)[top:bottom, left:right]
    found: list[Pixels] = []
    for scale in (1, 2):
        for x, y, w, h in _stroke_regions(rgb[top:bottom, left:right], inside, scale, step):
            box = (x * scale + left, y * scale + top, w * scale, h * scale)
            found.append(widened(box, 0.8 * h * scale, 0.5 * h * scale, width, height))
    return joined(found)


def _bounds(field: FieldSpan | None, width: int, height: int) -> tuple[int, int, int, int]:
    """Left, top, right, bottom in pixels of the box around the field."""
    left, top, right, bottom = 0, 0, width, height
    if field is not None:
        x_px, y_px, r_px = field.center_x_px, field.center_y_px, field.radius_px
        left, right = max(0, int(field.left_px)), min(width, int(np.ceil(field.right_px)))
        top, bottom = max(0, int(field.top_px)), min(height, int(np.ceil(field.bottom_px)))
        if field.shape in ("circle", "circle-clipped"):
            left, right = max(left, int(x_px - r_px)), min(right, int(x_px + r_px) + 1)
            top, bottom = max(top, int(y_px - r_px)), min(bottom, int(y_px + r_px) + 1)
    return left, top, right, bottom


def _stroke_regions(
    rgb: NDArray[np.uint8], inside: NDArray[np.bool_] | None, scale: int, step: int
) -> list[Pixels]:
    import cv2

    # Only steps along a row count, so every second row of the full size is enough.
    step_rows = 2 if scale == 1 else 1
    if scale == 1:
        small = rgb[::2]
    else:
        size = (rgb.shape[1] // scale, rgb.shape[0] // scale)
        small = _u8(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    if small.ndim == 2:
        planes = [np.ascontiguousarray(small)]
    else:
        planes = [np.ascontiguousarray(small[..., channel]) for channel in (1, 2)]
    rows, cols = planes[0].shape
    window = (_WINDOW[1], _WINDOW[0] // step_rows)
    allowed = None if inside is None else _small_mask(inside, cols, rows)
    density = np.zeros((rows, cols), np.uint8)
    for plane in planes:  # what differs from tissue in red alone is left to `odd_colours`
        ahead = np.empty_like(plane)
        ahead[:, :-2] = plane[:, 2:]
        ahead[:, -2:] = plane[:, -2:]
        shares = []
        for a, b in ((ahead, plane), (plane, ahead)):
            edges = _u8(cv2.threshold(cv2.subtract(a, b), step, 255, cv2.THRESH_BINARY)[1])
            if allowed is not None:
                edges &= allowed
            shares.append(cv2.blur(edges, window))
        np.maximum(density, cv2.min(shares[0], shares[1]), out=density)
    mask = (density >= _DENSITY[scale] * 255).astype(np.uint8)
    mask = _u8(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 15), np.uint8)))
    _, _, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
    out = []
    for x, y, w, h, area in stats[1:].tolist():
        if w >= 14 and h * step_rows >= 4 and area * step_rows >= 80:
            # The edges of lettering see only part of the window: widen a little.
            out.append((max(0, x - 6), max(0, y * step_rows - 4), w + 12, h * step_rows + 8))
    return out


def _small_mask(inside: NDArray[np.bool_], cols: int, rows: int) -> NDArray[np.uint8]:
    import cv2

    full = inside.astype(np.uint8) * 255
    if full.shape == (rows, cols):
        return full
    return _u8(cv2.resize(full, (cols, rows), interpolation=cv2.INTER_NEAREST))


ODD_STEP = 25  # levels of an `odd_colours` picture: 5 of its standard deviations
_ODD_LEVELS = 5.0  # levels a standard deviation of the tissue's own fine colour
_ODD_LEAST = 1.0  # levels: least standard deviation, that of rounding
_ODD_WINDOW = 41  # px: what is slower than this is tissue or light, not a stroke


def odd_colours(
    rgb: NDArray[np.uint8], field: FieldSpan | None = None
) -> list[NDArray[np.uint8]]:
    """The picture in the two colour directions in which its fine detail varies least.

    rgb: uint8 (row, col, 3). field: whose tissue is measured; None for the whole
    picture. Two pictures, uint8 (row, col), 128 for the tissue's own colour and
    outside the box around the field, and 5 levels for one standard deviation of its
    fine detail. Tissue varies along few colours (its own from dark to light, and
    blood): lettering of another colour stands out in one of these even where it
    is as bright as what lies behind. Principal components of the high-pass colour, without
    its largest twentieth, so that glints and the lettering itself weigh little.
    Cost at 1080p: about 30 ms.
    """
    import cv2

    height, width = rgb.shape[:2]
    left, top, right, bottom = _bounds(field, width, height)
    left, top = left // 2 * 2, top // 2 * 2
    part = rgb[top:bottom, left:right]
    size = (part.shape[1] // 2, part.shape[0] // 2)
    if min(size) < 16:
        return []
    half = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    detail = half.astype(np.float32) - cv2.blur(half, (15, 15)).astype(np.float32)
    inside = field_mask(field, width // 2, height // 2, scale=2, inset_px=4.0)
    inside = inside[top // 2 :, left // 2 :][: size[1], : size[0]]
    detail = detail[: inside.shape[0], : inside.shape[1]]
    colours = detail[inside][::7].astype(np.float64)
    if len(colours) < 100:
        return []
    largest = np.abs(colours).max(axis=1)
    colours = colours[largest <= np.percentile(largest, 95)]
    variances, directions = np.linalg.eigh(colours.T @ colours / len(colours))
    spread = np.maximum(_ODD_LEAST, np.sqrt(np.maximum(0.0, variances[:2])))
    turn = (directions.T[:2] * (_ODD_LEVELS / spread)[:, None]).astype(np.float32)
    out = []
    for plane in cv2.split(cv2.transform(part.astype(np.float32), turn)):
        level = cv2.blur(plane, (_ODD_WINDOW, _ODD_WINDOW))
        grey = np.full((height, width), 128, np.uint8)
        shifted = cv2.subtract(plane, level - 128.0)
        grey[top:bottom, left:right] = np.clip(shifted, 0, 255)
        out.append(grey)
    return out


class TextDetector:
    """Finds lines of lettering in one picture at a time. Loads the networks when first used.

    score: least mean certainty of reading (0..1) for a line to count.
    threads: of the network.
    """

    def __init__(self, score: float = 0.5, threads: int = 1) -> None:
        self.score = score
        self.threads = threads
        self._reader: Any = None

    def boxes(self, rgb: NDArray[np.uint8], regions: Sequence[Pixels] | None = None) -> list[Box]:
        """Lines of lettering as (x, y, width, height, score), never the words.

        rgb: uint8 (row, col, 3), the full working picture, or (row, col) grey. regions:
        where to look, as from `text_regions`; None for the whole picture in
        overlapping tiles. Boxes over LARGEST_SHARE of the picture are dropped.
        """
        height, width = rgb.shape[:2]
        views = _tiles(width, height) if regions is None else _views(regions, width, height)
        found: list[Box] = []
        for x, y, w, h in views:
            found += self._read(rgb[y : y + h, x : x + w], x, y, height)
        kept: list[Box] = []
        for box in sorted(found, key=lambda b: -b[4]):
            if box[2] * box[3] > LARGEST_SHARE * width * height:
                continue
            if all(iou(box, other) < 0.5 for other in kept):
                kept.append(box)
        return kept

    def _read(self, view: NDArray[np.uint8], x: int, y: int, rows: int) -> list[Box]:
        reader = self._load()
        if view.ndim == 2:
            view = np.repeat(view[..., None], 3, axis=2)
        bgr = np.ascontiguousarray(view[..., ::-1])
        result = reader(bgr, use_det=True, use_cls=False, use_rec=True)
        if result.boxes is None or result.txts is None:
            return []
        out: list[Box] = []
        for corners, words, score in zip(result.boxes, result.txts, result.scores, strict=True):
            readable = sum(letter.isalnum() for letter in words)
            if readable < 2 or score < self.score or (readable == 2 and score < 0.85):
                continue
            low, high = corners.min(axis=0), corners.max(axis=0)
            if high[1] - low[1] > _TALL * rows and (readable < 4 or score < 0.85):
                continue  # a large shape that looks like a letter
            left, top = int(low[0]) + x, int(low[1]) + y
            right, bottom = int(np.ceil(high[0])) + x, int(np.ceil(high[1])) + y
            out.append((left, top, right - left, bottom - top, float(score)))
        return out

    def _load(self) -> Any:
        if self._reader is None:
            from rapidocr import RapidOCR

            self._reader = RapidOCR(
                params={
                    "EngineConfig.onnxruntime.intra_op_num_threads": self.threads,
                    "EngineConfig.onnxruntime.inter_op_num_threads": 1,
                    "Global.log_level": "critical",
                    "Global.text_score": 0.0,
                    "Global.use_cls": False,
                    "Det.limit_side_len": 64,  # never enlarge a view
                    "Det.limit_type": "min",
                }
            )
        return self._reader


def _tiles(width: int, height: int, side: int = 640, lap: int = 96) -> list[Pixels]:
    """Overlapping tiles of about `side` px that cover the picture: 3 x 2 at 1080p."""

    def cuts(length: int) -> list[tuple[int, int]]:
        if length <= side * 1.25:
            return [(0, length)]
        count = int(np.ceil((length - lap) / (side * 1.1 - lap)))
        size = int(np.ceil((length + (count - 1) * lap) / count))
        return [(round(i * (length - size) / (count - 1)), size) for i in range(count)]

    return [(x, y, w, h) for y, h in cuts(height) for x, w in cuts(width)]


def _views(regions: Sequence[Pixels], width: int, height: int) -> list[Pixels]:
    """Regions as views of at least 96 x 64 px, wide ones cut into overlapping pieces."""
    out: list[Pixels] = []
    for box in joined(list(regions)):
        x, y, w, h = widened(
            box, max(0.0, (96 - box[2]) / 2), max(0.0, (64 - box[3]) / 2), width, height
        )
        for left, top, wide, high in _tiles(w, h):
            out.append((x + left, y + top, wide, high))
    return out


# spans


def merge_lettering(
    samples: Sequence[tuple[float, Sequence[Box]]],
    spacing_s: float,
    overlays: Sequence[Lettering],
    fields: Sequence[FieldSpan],
    width_px: int,
    height_px: int,
    stop_s: float | None = None,
) -> list[Lettering]:
    """Lettering of single pictures and overlays, as spans with boxes to fill.

    samples: (time_s, boxes of `TextDetector.boxes`), times rising, at most
    spacing_s apart. A line is followed from sample to sample; between two
    samples the box holds both places. It reaches one spacing before its first
    and after its last sample. Boxes are padded. stop_s: end of the file.
    """
    end = float("inf") if stop_s is None else stop_s
    pieces: list[Lettering] = list(overlays)
    open_: list[dict[str, Any]] = []

    def piece(start_s: float, until_s: float, box: Pixels, score: float) -> None:
        until_s = min(until_s, end)
        if until_s > start_s:
            pieces.append(
                Lettering(
                    start_s=round_s(max(0.0, start_s)),
                    stop_s=round_s(until_s),
                    box_px=box,
                    where=_where(box, _fields_in(fields, start_s, until_s)),
                    confidence=round(min(1.0, score), 3),
                )
            )

    for time_s, boxes in samples:
        for track in [t for t in open_ if time_s - t["time_s"] > 2.01 * spacing_s]:
            open_.remove(track)
            piece(track["time_s"], track["time_s"] + spacing_s, track["box"], track["score"])
        taken: set[int] = set()
        for box in sorted(boxes, key=lambda b: -b[4]):
            pad = max(4.0, 0.3 * min(box[2], box[3]))
            wide = widened(box, pad, pad, width_px, height_px)
            free = [t for t in open_ if id(t) not in taken]
            best = min(free, key=lambda t: _distance(t["box"], wide), default=None)
            if best is not None and _distance(best["box"], wide) < 3.0:
                piece(best["time_s"], time_s, union(best["box"], wide), box[4])
                best.update(time_s=time_s, box=wide, score=box[4])
                taken.add(id(best))
            else:
                track = {"time_s": time_s, "box": wide, "score": box[4]}
                open_.append(track)
                taken.add(id(track))
                piece(time_s - spacing_s, time_s, wide, box[4])
    for track in open_:
        piece(track["time_s"], track["time_s"] + spacing_s, track["box"], track["score"])
    return _joined_in_time(pieces, width_px, height_px)


def _distance(a: Pixels, b: Pixels) -> float:
    """How far two lines are apart, in heights, if they could be the same line; else infinity."""
    if not 0.5 < (a[3] + 1) / (b[3] + 1) < 2.0 or not 0.4 < (a[2] + 1) / (b[2] + 1) < 2.5:
        return 9.0 if overlap(a, b) <= 0 else 1.0
    dx = abs(a[0] + a[2] / 2 - b[0] - b[2] / 2) / max(a[2], b[2])
    dy = abs(a[1] + a[3] / 2 - b[1] - b[3] / 2) / (4.0 * max(a[3], b[3]))
    return dx + dy


def _fields_in(fields: Sequence[FieldSpan], start_s: float, stop_s: float) -> list[FieldSpan]:
    return [f for f in fields if f.start_s < stop_s and f.stop_s > start_s] or list(fields)


def _joined_in_time(found: Sequence[Lettering], width_px: int, height_px: int) -> list[Lettering]:
    """Joins entries whose spans touch and whose boxes are nearly the same."""
    out: list[Lettering] = []
    for entry in sorted(found, key=lambda e: (e.start_s, e.box_px)):
        for index, other in enumerate(out):
            touching = entry.start_s <= other.stop_s + 0.05 and entry.stop_s >= other.start_s
            if touching and iou(entry.box_px, other.box_px) > 0.6:
                out[index] = Lettering(
                    start_s=min(entry.start_s, other.start_s),
                    stop_s=max(entry.stop_s, other.stop_s),
                    box_px=union(entry.box_px, other.box_px),
                    where="field" if "field" in (entry.where, other.where) else "surround",
                    confidence=max(entry.confidence, other.confidence),
                )
                break
        else:
            out.append(entry)
    return out
