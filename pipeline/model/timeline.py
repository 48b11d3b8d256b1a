"""Source time, case time and clip time: the conversions between the three axes. Pure.

Source time is one file's own. Case time is the kept parts joined in order. Clip time is what is
left after the edits. All three run at the same speed, so a stretch of one lies on another moved
by a constant. Only this module adds that constant; a narration has an axis of its own and says
its offset itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.model.plan import Piece
from pipeline.model.time import Span, merge_spans, round_s

SHORTEST_PIECE_S = 0.04
JOIN_S = 0.001  # pieces that follow each other are one span
_TICK_S = 1e-6  # documents keep six decimals: a moment may lie this far before its piece
_FILE_TICK_S = 1e-4  # of the time base of a finished file


class Stretch(NamedTuple):
    """[start_s, stop_s) of one axis, whose start lies at `to_s` of another."""

    start_s: float
    stop_s: float
    to_s: float

    def at(self, time_s: Any) -> Any:
        """A moment, or an array of them, on the other axis; not checked to lie inside."""
        return time_s - self.start_s + self.to_s

    def holds(self, time_s: Any, early_s: float = 0.0) -> Any:
        """True where a moment, or an array of them, lies inside."""
        return (time_s >= self.start_s - early_s) & (time_s < self.stop_s)

    def part(self, span: tuple[float, float]) -> Span | None:
        """What lies inside of a span, on the other axis; None if nothing does."""
        both = Span(self.start_s, self.stop_s).overlap(Span(*span))
        return None if both is None else Span(self.at(both.start_s), self.at(both.stop_s))

    @property
    def back(self) -> Stretch:
        """The same stretch, from the other axis to this one."""
        return Stretch(self.to_s, self.to_s + self.stop_s - self.start_s, self.start_s)


class Kept(NamedTuple):
    """A stretch of one source that is used, and where it lies in case time."""

    source: int
    start_s: float
    stop_s: float
    case_start_s: float

    @property
    def to_case(self) -> Stretch:
        """From source time to case time."""
        return Stretch(self.start_s, self.stop_s, self.case_start_s)

    @property
    def in_case(self) -> Span:
        return Span(self.case_start_s, self.case_start_s + self.stop_s - self.start_s)


def joined_parts(
    recordings: Sequence[tuple[Sequence[tuple[float, float]], Sequence[tuple[int, float]]]],
) -> list[Kept]:
    """The kept parts of all recordings, joined in order: the case's own time axis.

    recordings: (spans that are kept, or none for all; (source, length_s) of its files in
    order) of each. The spans are in the time of the recording, its files joined.
    """
    kept: list[Kept] = []
    case_s = 0.0
    for keep, files in recordings:
        joined_s = 0.0
        wanted = merge_spans(keep) if keep else [Span(0.0, float("inf"))]
        for source, length_s in files:
            file = Stretch(joined_s, joined_s + length_s, 0.0)
            for span in wanted:
                part = file.part(span)
                if part is not None and part.length_s >= SHORTEST_PIECE_S:
                    kept.append(
                        Kept(source, round_s(part.start_s), round_s(part.stop_s), round_s(case_s))
                    )
                    case_s += part.length_s
            joined_s = file.stop_s
    return kept


def pictures(piece: Piece) -> Stretch:
    """From the source time of a played piece's pictures to clip time."""
    return Stretch(piece.start_s, round_s(piece.start_s + piece.length_s), piece.out_start_s)


def picture_time(piece: Piece, clip_s: float) -> float:
    """Source time of the picture that a piece shows at a moment of the clip."""
    if piece.kind != "play":
        return piece.start_s
    return float(pictures(piece).back.at(clip_s))


def seen_in_clip(piece: Piece, span: tuple[float, float]) -> Span | None:
    """When a piece shows pictures of a span of its source: a held one from start to end."""
    if piece.kind == "play":
        return pictures(piece).part(span)
    if piece.kind == "freeze" and span[0] <= piece.start_s < span[1]:
        return piece.in_clip
    return None


def case_to_clip(piece: Piece) -> Stretch:
    """From the case time of a piece to clip time. Not for a card, which has no case time."""
    return Stretch(*piece.in_case, piece.out_start_s)


def goes_on(previous: Piece | None, piece: Piece) -> bool:
    """True if `piece` plays on where `previous` stopped: the same shot, no cut."""
    return (
        previous is not None
        and previous.kind == piece.kind == "play"
        and previous.source == piece.source
        and abs(previous.start_s + previous.length_s - piece.start_s) < 1e-3
    )


class Timeline:
    """The three axes of a case and of its clip.

    kept: parts in order of case time, as of `joined_parts`; what asks for the source of a
    case time, or the other way, needs them. pieces: of a plan, in order of clip time; what
    asks for clip time needs them. Either may be left out.
    """

    def __init__(self, kept: Iterable[Kept] = (), pieces: Iterable[Piece] = ()) -> None:
        self.kept = list(kept)
        self.pieces = list(pieces)

    def cut_to(self, span: tuple[float, float]) -> Timeline:
        """Only what lies in `span` of case time. Case time itself stays. Without pieces."""
        out = []
        for part in self.kept:
            both = part.in_case.overlap(Span(*span))
            if both is not None and both.length_s >= SHORTEST_PIECE_S:
                to_source = part.to_case.back
                out.append(
                    Kept(
                        part.source,
                        round_s(to_source.at(both.start_s)),
                        round_s(to_source.at(both.stop_s)),
                        round_s(both.start_s),
                    )
                )
        return Timeline(out)

    @property
    def case(self) -> Span:
        """From the first kept moment of the case to the last; empty without kept parts."""
        if not self.kept:
            return Span(0.0, 0.0)
        return Span(self.kept[0].case_start_s, self.kept[-1].in_case.stop_s)

    # --- source and case ---

    def used(self, source: int) -> list[Span]:
        """Spans of a source that the case keeps, in source time."""
        return [Span(k.start_s, k.stop_s) for k in self.kept if k.source == source]

    def case_of_source(self, source: int, span: tuple[float, float]) -> list[Span]:
        """What the case shows of a span of a source, a part for each kept part."""
        return [in_case for in_case, _ in self.shown_of_source(source, span)]

    def shown_of_source(self, source: int, span: tuple[float, float]) -> list[tuple[Span, Span]]:
        """(case time, source time) of what the case shows of a span of a source."""
        out = []
        for part in self.kept:
            both = Span(part.start_s, part.stop_s).overlap(Span(*span))
            in_case = part.to_case.part(span)
            if part.source == source and both is not None and in_case is not None:
                out.append((in_case, both))
        return out

    def case_at_source(self, source: int, time_s: float) -> float | None:
        """Case time of a moment of a source; None where it is not kept."""
        for part in self.kept:
            if part.source == source and part.to_case.holds(time_s):
                return float(part.to_case.at(time_s))
        return None

    def case_from_source(self, source: int, time_s: float) -> float | None:
        """Case time of the first moment kept of a source at `time_s` or later."""
        for part in self.kept:
            if part.source == source and time_s < part.stop_s:
                return float(part.to_case.at(max(part.start_s, time_s)))
        return None

    def source_of_case(self, span: tuple[float, float]) -> list[tuple[int, Span]]:
        """(source, its span) of what a span of case time is made of, in order."""
        found = [(k.source, k.to_case.back.part(span)) for k in self.kept]
        return [(source, part) for source, part in found if part is not None]

    def source_at_case(self, case_s: float) -> tuple[int, float] | None:
        """(source, its time) at a moment of case time; None outside the kept parts."""
        for part in self.kept:
            to_source = part.to_case.back
            if to_source.holds(case_s):
                return part.source, float(to_source.at(case_s))
        return None

    # --- case and clip ---

    @cached_property
    def _told(self) -> list[Stretch]:
        """From case time to clip time, of all pieces but cards."""
        return [case_to_clip(p) for p in self.pieces if p.kind != "card"]

    def clip_of_case(self, spans: Iterable[tuple[float, float]]) -> list[Span]:
        """Spans of case time on the clip's axis; what was cut is gone."""
        found = [s.part(span) for span in spans for s in self._told]
        return merge_spans([part for part in found if part is not None], JOIN_S)

    def case_of_clip(self, spans: Iterable[tuple[float, float]]) -> list[Span]:
        """Spans of the clip in case time; what was cut parts them, a card has none."""
        found = [s.back.part(span) for span in spans for s in self._told]
        return merge_spans([part for part in found if part is not None], JOIN_S)

    def case_at_clip(self, clip_s: float) -> float | None:
        """Case time of a moment of the clip; None on a card and after the end."""
        value = float(self.case_times([clip_s])[0])
        return value if np.isfinite(value) else None

    def case_times(self, clip_s: ArrayLike) -> NDArray[np.float64]:
        """Case time of moments of the clip, shape as `clip_s`; NaN on a card and after the end."""
        at = np.asarray(clip_s, np.float64)
        out = np.full(at.shape, np.nan)
        for stretch in self._told:
            on = stretch.back.holds(at, _TICK_S)
            out[on] = stretch.back.at(at[on])
        return out

    def clip_times(self, case_s: ArrayLike) -> NDArray[np.float64]:
        """Clip time of moments of the case, shape as `case_s`; NaN where the clip shows none."""
        at = np.asarray(case_s, np.float64)
        out = np.full(at.shape, np.nan)
        for stretch in self._told:
            on = stretch.holds(at)
            out[on] = stretch.at(at[on])
        return out

    def piece_at_clip(self, clip_s: float) -> Piece:
        """The piece shown at a moment of the clip: the last that has begun.

        A file rounds the times of its pictures: one may come a little before its piece.
        """
        begun = [p for p in self.pieces if p.out_start_s <= clip_s + _FILE_TICK_S]
        return begun[-1] if begun else self.pieces[0]

    def piece_at_case(self, case_s: float) -> Piece | None:
        """The piece that shows a moment of the case; None where it was cut."""
        told = (p for p in self.pieces if p.kind != "card")
        return next((p for p in told if case_to_clip(p).holds(case_s)), None)

    # --- source and clip ---

    def clip_of_source(self, source: int, spans: Iterable[tuple[float, float]]) -> list[Span]:
        """When pictures of these spans of a source are seen in the clip, held ones included."""
        own = [p for p in self.pieces if p.source == source]
        found = [seen_in_clip(p, span) for span in spans for p in own]
        return merge_spans([part for part in found if part is not None], JOIN_S)

    def source_of_clip(self, span: tuple[float, float]) -> list[tuple[Piece, Span]]:
        """(piece, source time) of the pictures seen in a span of the clip.

        Of a held picture the span is its moment, of no length.
        """
        out = []
        for piece in self.pieces:
            shown = pictures(piece).back.part(span)
            if shown is None:
                continue
            if piece.kind == "play":
                out.append((piece, shown))
            elif piece.kind == "freeze":
                out.append((piece, Span(piece.start_s, piece.start_s)))
        return out

    def sound(self, piece: Piece) -> Stretch:
        """From the source time of a piece's sound to clip time.

        A played or a black piece's begins where the piece does. Under a held picture the sound
        goes on as the case does, reckoned from the piece that plays that picture: it is of the
        same kept part, and what lies outside of that is never heard.
        """
        start_s = piece.start_s
        if piece.kind == "freeze":
            near = (p for p in self.pieces if p.source == piece.source and p.kind == "play")
            played = next((p for p in near if pictures(p).holds(start_s, _TICK_S)), None)
            if played is not None:
                to_source = Stretch(*played.in_case, played.start_s)
                start_s = max(0.0, float(to_source.at(piece.case_start_s)))
        return Stretch(start_s, start_s + piece.length_s, piece.out_start_s)

    def clip_of_sound(self, source: int, spans: Iterable[tuple[float, float]]) -> list[Span]:
        """When sound of these spans of a source runs in the clip, under held pictures too."""
        own = [self.sound(p) for p in self.pieces if p.source == source]
        found = [s.part(span) for span in spans for s in own]
        return merge_spans([part for part in found if part is not None])
