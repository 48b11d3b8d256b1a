"""Source time, case time and clip time: the conversions between the three axes. Pure.

Source time is one file's own; case time the kept parts joined; clip time what is left after
the edits. The pieces of a plan tie them together.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.model.plan import Piece
from pipeline.model.time import Span, merge_spans

JOIN_S = 0.001  # pieces that follow each other are one span


class Timeline:
    """The three axes of a clip, from its pieces in order of clip time."""

    def __init__(self, pieces: Sequence[Piece]) -> None:
        self._pieces = pieces

    def clip_of_case(self, spans: Iterable[tuple[float, float]]) -> list[Span]:
        """Spans of case time on the clip's axis; what was cut is gone. Cards have no case time."""
        out = []
        for span in spans:
            for piece in self._pieces:
                if piece.kind == "card":
                    continue
                here = Span(piece.case_start_s, piece.case_start_s + piece.length_s)
                out += _moved(here, span, piece.out_start_s)
        return merge_spans(out, JOIN_S)

    def clip_of_source(self, source: int, spans: Iterable[tuple[float, float]]) -> list[Span]:
        """When pictures of these spans of a source are seen in the clip, held ones included."""
        out = []
        for span in spans:
            for piece in self._pieces:
                if piece.source != source:
                    continue
                if piece.kind == "play":
                    here = Span(piece.start_s, piece.start_s + piece.length_s)
                    out += _moved(here, span, piece.out_start_s)
                elif piece.kind == "freeze" and span[0] <= piece.start_s < span[1]:
                    out.append(Span(piece.out_start_s, piece.out_start_s + piece.length_s))
        return merge_spans(out, JOIN_S)

    def source_of_clip(self, span: tuple[float, float]) -> list[tuple[Piece, Span]]:
        """(piece, source time) of the pictures seen in a span of the clip.

        Of a held picture the span is its moment, of no length.
        """
        out = []
        for piece in self._pieces:
            shown = Span(piece.out_start_s, piece.out_start_s + piece.length_s)
            both = shown.overlap(Span(*span))
            if both is None:
                continue
            if piece.kind == "play":
                out.append((piece, _moved(shown, both, piece.start_s)[0]))
            elif piece.kind == "freeze":
                out.append((piece, Span(piece.start_s, piece.start_s)))
        return out


def _moved(here: Span, span: tuple[float, float], to_s: float) -> list[Span]:
    """What `span` has of `here`, with the start of `here` moved to `to_s`."""
    both = here.overlap(Span(*span))
    if both is None:
        return []
    return [Span(both.start_s - here.start_s + to_s, both.stop_s - here.start_s + to_s)]
