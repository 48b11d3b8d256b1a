"""What each picture of the finished clip should show, without the mark: made anew from the sources.

By verify's own reading of the plan. Shared with the renderer is only the decoder, which scales too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.damage import DamageFold
from pipeline.media.frame import Picture
from pipeline.media.key_pictures import read_key_pictures
from pipeline.media.pictures import read_pictures
from pipeline.media.time_stamps import ReadReport, seekable
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan, Restoration
from pipeline.model.time import Span, subtract_spans
from pipeline.stages.damage import ShownDamage
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.verifying import reading_plan as reading
from pipeline.stages.verifying.gained import with_gain
from pipeline.stages.verifying.moments import SAME_S, Packets, agree, packets_of

Planes = tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]
BLACK = (16, 128, 128)
_END_S = 0.1  # of a part: which picture is its last is seen where it is compared
_BRIEF_S = 0.002  # what would stand for less at the end of a part is not in the file
_LAST_S = 0.5  # from a cut, a picture that fades out lies no further
# Longer played parts are compared with their source in windows of WINDOW_S about every
# EVERY_S, each from a key frame on; between them key frames are, no nearer than KEY_EVERY_S, and
# pictures are counted by the source's packets. In the finished file every picture is counted and
# decoded.
WHOLE_S, WINDOW_S, EVERY_S, KEY_EVERY_S = 40.0, 2.5, 15.0, 2.0
# The law of fog as the plan means it: gamma of the picture, share of the loss undone, most gain.
_GAMMA, _UNDONE, _MOST_GAIN = 2.2, 0.85, 3.0


@dataclass(frozen=True)
class Expected:
    """A picture of the clip as it should be, without mark and words.

    planes: Y, U, V of the clip's size. lit_mask, lit_colour: (row, col) 255 where luma and
    colour are seen. sure: 0 near the edge of that, where a rounding decides, and where captions
    are drawn. All three are the
    same objects while the geometry stays. field: in pixels of the clip. lit: False where all of
    the picture is black.
    """

    time_s: float
    source_s: float
    piece: int
    planes: Planes
    lit_mask: NDArray[np.uint8]
    lit_colour: NDArray[np.uint8]
    sure: NDArray[np.uint8]
    field: FieldSpan
    lit: bool
    restored: bool


Make = Callable[[], Expected]


class _Way(NamedTuple):
    """How a played piece is read: windows of it, after each the key frames that are compared.

    packets: None where all of it is compared.
    """

    windows: list[Span]
    keys_s: list[list[float]]
    packets: Packets | None


class ExpectedPictures:
    """Asked with rising times of the clip, answers with what should be seen there.

    shown: is told of damage that is met. times: of the pictures that the counted parts of
    the clip should have, with those parts. compared: of those that were made to be compared.
    """

    def __init__(
        self, plan: Plan, media: Sequence[SourceMedia], options: Options, shown: ShownDamage
    ) -> None:
        self._plan, self._media, self._options, self._damage = plan, media, options, shown
        self._size = (plan.height_px, plan.width_px)
        self._half_s = min(0.5 / max(plan.frame_rate_hz, 1.0), SAME_S)
        self._held: tuple[int, Expected | None] = (-1, None)
        self._masks: tuple[object, tuple[NDArray[np.uint8], ...]] = (None, ())
        self.times: list[float] = []
        self.parts: list[Span] = []
        self.compared: list[float] = []
        self._ways = {
            number: _way(media[piece.source], Span(piece.start_s, piece.start_s + piece.length_s))
            for number, piece in enumerate(plan.pieces)
            if piece.kind == "play"
        }
        self._played = self._stream()
        self._next = next(self._played, None)

    def at(self, clip_s: float) -> Expected | None:
        """None where nothing is compared, or no picture should be."""
        while self._next is not None and self._next[0] < clip_s - self._half_s:
            self._next = next(self._played, None)
        number = reading.piece_number(self._plan, clip_s)
        if self._plan.pieces[number].kind == "freeze":
            if self._held[0] != number:
                self._held = number, self._hold(number)
            return self._held[1]
        if self._next is not None and abs(self._next[0] - clip_s) <= self._half_s:
            return self._next[1]()
        return None

    @property
    def in_windows(self) -> bool:
        """Whether some part is compared in windows, and not whole."""
        return any(way.packets is not None for way in self._ways.values())

    def finish(self) -> None:
        """What is left of the compared parts is read too, for damage and for its times."""
        while self._next is not None:
            self._next = next(self._played, None)

    def _stream(self) -> Iterator[tuple[float, Make]]:
        """The pictures of all played pieces that are compared, in order: time, how it is made."""
        before: Callable[[], Expected | None] | None = None
        for number, piece in enumerate(self._plan.pieces):
            if piece.kind != "play":
                before = partial(self._left_by, number) if self._fades_after(number) else None
                continue
            left = before() if piece.fade_s and before is not None else None
            last: tuple[float, Make] | None = None
            for picture in self._read(piece, self._ways[number]):
                # A clip begins with its first picture; a part may begin between two of the source.
                begins = piece.out_start_s == 0.0 and not self.times
                clip_s = 0.0 if begins else piece.out_start_s + picture.time_s - piece.start_s
                self.times.append(clip_s)
                self.compared.append(clip_s)
                make = partial(self._made, number, clip_s, picture.time_s, picture)
                last = clip_s, make
                share = 1 - (clip_s - piece.out_start_s) / piece.fade_s if piece.fade_s else 0.0
                yield clip_s, make if left is None else partial(_faded, make, left, share)
            ends_s = piece.out_start_s + piece.length_s - _LAST_S
            before = None
            if self._fades_after(number) and last is not None and last[0] > ends_s:
                before = last[1]

    def _fades_after(self, number: int) -> bool:
        pieces = self._plan.pieces
        return number + 1 < len(pieces) and pieces[number + 1].fade_s > 0

    def _left_by(self, number: int) -> Expected | None:
        if self._plan.pieces[number].kind != "freeze":
            return None
        return self._hold(number)

    def _read(self, piece: Piece, way: _Way) -> Iterator[Picture]:
        """Pictures of a played piece, or of windows of it; damage in them is told."""
        media = self._media[piece.source]
        here = Span(piece.start_s, round(piece.start_s + piece.length_s, 6))
        whole = way.packets is None
        shape: dict[str, Any] = {"size_px": reading.scaled_size(self._plan.sources[piece.source]),
                                 "matrix": self._plan.matrix}  # fmt: skip
        compared: list[Span] = []
        met: list[float] = []
        for window, keys_s in zip(way.windows, way.keys_s, strict=True):
            first_s: float | None = None
            last_s = window.start_s
            watch = DamageFold()
            for picture in read_pictures(
                media.path, media.recording, start_s=window.start_s, stop_s=window.stop_s,
                from_key=not whole, double_rate=self._options.output.deinterlace == "double",
                report=ReadReport(watch=watch), **shape,
            ):  # fmt: skip
                first_s = picture.time_s if first_s is None else first_s
                last_s = picture.time_s
                if not whole and picture.time_s > first_s + WINDOW_S:
                    break
                brief = bool(met) and here.stop_s - picture.time_s < _BRIEF_S
                if picture.time_s >= here.start_s - 1e-9 and not brief:
                    met.append(picture.time_s)
                    yield picture
            if first_s is not None:
                seen = Span(max(here.start_s, first_s), last_s + 1e-3)
                at_s = piece.out_start_s - piece.start_s
                self.parts.append(Span(seen.start_s + at_s, min(seen.stop_s, here.stop_s) + at_s))
                self._damage.read(watch, media.recording, piece, seen)
                if met and met[-1] >= seen.start_s:
                    compared.append(Span(seen.start_s, met[-1] + 1e-3))
            after_s = [t for t in keys_s if t > last_s + SAME_S]
            yield from read_key_pictures(media.path, media.recording, after_s, **shape)
        if way.packets is not None:
            self._count_between(piece, way.packets, compared, met)

    def _count_between(
        self, piece: Piece, packets: Packets, compared: Sequence[Span], met: Sequence[float]
    ) -> None:
        """When pictures should be between the windows, by the packets of the source.

        Only where in the windows, each packet was a picture and each picture a packet.
        met: times of the pictures of the windows, of the source.
        """
        here = Span(piece.start_s, piece.start_s + piece.length_s - _END_S)
        told = packets.times_s
        damaged = any(e.kind == "damage" and e.source == piece.source for e in self._plan.edits)
        if damaged or not told.size or not agree(told, met, compared):
            return
        at_s = piece.out_start_s - piece.start_s
        for gap in subtract_spans([here], compared):
            inside = told[(told >= gap.start_s) & (told < gap.stop_s)]
            self.times += [float(t) + at_s for t in inside]
            self.parts.append(Span(gap.start_s + at_s, gap.stop_s + at_s))

    def _hold(self, number: int) -> Expected | None:
        """The picture that a held piece shows: the last one up to its moment."""
        piece = self._plan.pieces[number]
        media, held = self._media[piece.source], None
        for picture in read_pictures(
            media.path, media.recording, start_s=max(0.0, piece.start_s - 1.0),
            stop_s=piece.start_s + 1e-4, from_key=True, matrix=self._plan.matrix,
            size_px=reading.scaled_size(self._plan.sources[piece.source]),
        ):  # fmt: skip
            held = picture
        if held is None:
            return None
        return self._made(number, piece.out_start_s, piece.start_s, held)

    def _made(self, number: int, clip_s: float, source_s: float, picture: Picture) -> Expected:
        """Blanked, boxes filled, fog undone, as the plan says for that moment of the source."""
        piece = self._plan.pieces[number]
        source = self._plan.sources[piece.source]
        span = reading.field_of(source, source_s)
        lit, lit_colour, sure = self._masks_of(piece.source, span)
        planes = []
        offset = (int(source.moved[1]), int(source.moved[2]))
        for plane, mask, level in zip(
            picture.planes(), (lit, lit_colour, lit_colour), BLACK, strict=True
        ):
            part = 1 if level == BLACK[0] else 2
            planes.append(_laid(plane, mask, (offset[0] // part, offset[1] // part), level))
        times = {source_s, picture.time_s} if piece.kind == "freeze" else {source_s}
        for box in [b for t in times for b in reading.own_boxes(self._plan, piece.source, t)]:
            _filled(planes, box)
        shown = not (reading.has_circle(source) and span.shape == "none")
        undone = next(
            (r for r in self._plan.restorations
             if r.source == piece.source and r.start_s <= source_s < r.stop_s), None,
        )  # fmt: skip
        if undone is not None and shown:
            _undo_fog(planes, undone, source_s)
        if shown and source.gain != (1.0, 1.0, 1.0):
            planes = with_gain(planes, source.gain, self._plan.matrix, lit_colour)
        y, u, v = planes
        return Expected(
            clip_s, source_s, number, (y, u, v), lit, lit_colour, sure,
            reading.in_clip(source, span), shown, undone is not None and shown,
        )  # fmt: skip

    def _masks_of(self, number: int, span: FieldSpan) -> tuple[NDArray[np.uint8], ...]:
        """(lit, lit of the colour planes, where both answers are sure), 255 or 0."""
        key = (number, id(span))
        if self._masks[0] != key:
            lit = reading.Lit(self._plan.sources[number], span, self._size,
                              self._options.field.edge_inset_px)  # fmt: skip
            inside = lit.within(0.0)
            rows, cols = self._size[0] // 2, self._size[1] // 2
            two = inside[: 2 * rows : 2, : 2 * cols] & inside[1 : 2 * rows : 2, : 2 * cols]
            four = two[:, ::2] & two[:, 1::2]
            sure = lit.within(-1.5) | ~lit.within(1.5)
            if (captions := reading.captions_cut(self._plan)) is not None:
                sure[captions] = False
            made = tuple(np.where(m, 255, 0).astype(np.uint8) for m in (inside, four, sure))
            self._masks = key, made
        return self._masks[1]


def _way(media: SourceMedia, here: Span) -> _Way:
    if here.length_s <= WHOLE_S or not seekable(media.recording):
        return _Way([here], [[]], None)
    packets = packets_of(media, here)
    if packets.key_gap_s > EVERY_S:
        return _Way([here], [[]], None)  # windows would all begin at the same picture
    windows = _windows(here)
    between: list[list[float]] = []
    for window, after in zip(windows, [*windows[1:], None], strict=True):
        last_s = window.start_s + WINDOW_S
        stop_s = here.stop_s - _END_S if after is None else after.start_s
        between.append([])
        for at_s in packets.keys_s[packets.keys_s < stop_s].tolist():
            if at_s >= last_s + KEY_EVERY_S:
                between[-1].append(at_s)
                last_s = at_s
    return _Way(windows, between, packets)


def _windows(span: Span) -> list[Span]:
    """Where a long played part is compared with its source."""
    count = int(np.ceil(span.length_s / EVERY_S)) + 1
    starts = np.linspace(span.start_s, span.stop_s - WINDOW_S, count)
    return [Span(float(s), span.stop_s) for s in starts]


def _laid(
    plane: NDArray[np.uint8], mask: NDArray[np.uint8], offset: tuple[int, int], level: int
) -> NDArray[np.uint8]:
    """A plane at its place in the clip, `level` where the mask is 0 or it does not reach."""
    import cv2

    rows, cols = mask.shape
    out = np.full((rows, cols), level, np.uint8)
    x, y = offset
    a, b = max(0, y), min(rows, y + plane.shape[0])
    c, d = max(0, x), min(cols, x + plane.shape[1])
    if b > a and d > c:
        cv2.copyTo(plane[a - y : b - y, c - x : d - x], mask[a:b, c:d], out[a:b, c:d])
    return out


def _filled(planes: Sequence[NDArray[np.uint8]], box: reading.Box) -> None:
    """A box and what shares a colour sample with it, black."""
    for plane, level, part in zip(planes, BLACK, (1, 2, 2), strict=True):
        low = [int(np.floor(v / 2)) * 2 // part for v in (box.top, box.left)]
        high = [int(np.ceil(v / 2)) * 2 // part for v in (box.bottom, box.right)]
        plane[max(0, low[0]) : max(0, high[0]), max(0, low[1]) : max(0, high[1])] = level


def _undo_fog(planes: list[NDArray[np.uint8]], plan: Restoration, source_s: float) -> None:
    """Koschmieder's law solved for the scene: J = (I - A (1 - t)) / t in linear light."""
    at, losses, lights = np.array(plan.knots, float).T
    loss, air = np.interp(source_s, at, losses), np.interp(source_s, at, lights)
    left = max(1 - _UNDONE * min(max(float(loss), 0.0), 1.0), 1 / _MOST_GAIN)
    if left == 1.0:
        return
    part = planes[0][::8, ::8]
    seen = part[part > BLACK[0]]
    mean = (float(seen.mean()) - 16) / 219 if seen.size else 0.5
    code = np.clip((np.arange(256) - 16) / 219, 0, 1.2) ** _GAMMA
    scene = np.clip((code - air * (1 - left)) / left, 0, 1)
    planes[0] = np.rint(16 + 219 * scene ** (1 / _GAMMA)).astype(np.uint8)[planes[0]]
    mean = min(max(mean, 0.02), 1.0)
    dark = max((mean**_GAMMA - air * (1 - left)) / left, 1e-3)
    slope = mean ** (_GAMMA - 1) / left / dark ** ((_GAMMA - 1) / _GAMMA)
    gain = float(min(max(slope, 1.0), _MOST_GAIN))
    colour = np.clip(np.rint(128 + (np.arange(256) - 128) * gain), 16, 240).astype(np.uint8)
    planes[1], planes[2] = colour[planes[1]], colour[planes[2]]


def _faded(make: Make, before: Expected, share: float) -> Expected:
    """`share` of the picture before the cut over the one after it."""
    import cv2

    made = make()
    if share <= 0 or before.field != made.field:
        return made
    y, u, v = (
        np.asarray(cv2.addWeighted(a, share, b, 1 - share, 0), np.uint8)
        for a, b in zip(before.planes, made.planes, strict=True)
    )
    return replace(made, planes=(y, u, v))
