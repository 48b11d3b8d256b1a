"""The pieces of a clip in order: played, held, black. Cards come later (`cards`)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pipeline.model.plan import Edit, Origin, Piece, PlannedSource
from pipeline.model.time import Span, format_time, round_s, subtract_spans
from pipeline.model.timeline import Kept, Stretch, Timeline, goes_on
from pipeline.stages.clear_picture import CLEAR, Clearness

TAIL_S = 0.5
_LAST_S = 0.001  # before its end a part shows its last picture
FADE_S = 0.24  # common practice, no source


def pieces_of(
    axis: Timeline,
    edits: Sequence[Edit],
    planned: Sequence[PlannedSource],
    clearness: dict[int, Clearness],
    warnings: list[str],
) -> list[Piece]:
    """The pieces of the kept parts of `axis` after the edits, in order."""
    pieces: list[Piece] = []
    for part in axis.kept:
        if planned[part.source].still:
            here = Stretch(0.0, part.in_case.length_s, part.case_start_s)
            _add(pieces, part.source, here, kind="freeze", sound=False, reason="still")
        else:
            _add_played(pieces, part, edits, planned[part.source], clearness, warnings)
    return [_faded(pieces[n - 1] if n else None, piece) for n, piece in enumerate(pieces)]


def _add_played(
    pieces: list[Piece],
    part: Kept,
    edits: Sequence[Edit],
    source: PlannedSource,
    clearness: dict[int, Clearness],
    warnings: list[str],
) -> None:
    """A kept part of a video: played but for what is cut, held or black."""
    here = Span(part.start_s, part.stop_s)
    own = [e for e in edits if e.source == part.source]
    cuts = [Span(e.start_s, e.stop_s) for e in own if e.action == "cut"]
    holds = [e for e in own if e.action in ("freeze", "black")]
    taken = cuts + [Span(e.start_s, e.stop_s) for e in holds]
    for span in subtract_spans([here], cuts):
        at_s = span.start_s
        for hold in sorted(holds, key=lambda e: e.start_s):
            hole = Span(hold.start_s, hold.stop_s).overlap(Span(at_s, span.stop_s))
            if hole is None:
                continue
            _add(pieces, part.source, _of(part, at_s, hole.start_s))
            held_s = None
            if hold.action == "freeze":
                held_s = _hold(source, clearness[part.source], hole, here, taken, warnings)
            _add(
                pieces,
                part.source,
                _of(part, *hole),
                kind="black" if held_s is None else "freeze",
                held_s=held_s,
                sound=hold.kind != "out_of_body",
                reason=hold.reason,
                origin=hold.origin,
            )
            at_s = hole.stop_s
        _add(pieces, part.source, _of(part, at_s, span.stop_s))


def _of(part: Kept, start_s: float, stop_s: float) -> Stretch:
    """A stretch of a kept part, from source time to case time."""
    return Stretch(start_s, stop_s, part.to_case.at(start_s))


def _add(
    pieces: list[Piece],
    source: int,
    here: Stretch,
    *,
    kind: Literal["play", "freeze", "black"] = "play",
    held_s: float | None = None,
    sound: bool = True,
    reason: str = "",
    origin: Origin = "case",
) -> None:
    """A piece after the last one. here: its source time in case time; held_s: of its picture."""
    length_s = here.stop_s - here.start_s
    if length_s < 1e-6:
        return
    pieces.append(
        Piece(
            kind=kind,
            source=source,
            start_s=round_s(here.start_s if held_s is None else held_s),
            length_s=round_s(length_s),
            case_start_s=round_s(here.to_s),
            out_start_s=round_s(pieces[-1].in_clip.stop_s if pieces else 0.0),
            sound=sound,
            reason=reason,
            origin=origin,
        )
    )


def _faded(previous: Piece | None, piece: Piece) -> Piece:
    """A cut inside one source fades: the picture before it goes out over the one after it."""
    joined = previous is None or goes_on(previous, piece)
    same = previous is not None and previous.source == piece.source
    if joined or not same or piece.kind != "play" or previous is None or previous.kind == "black":
        return piece
    return piece.model_copy(update={"fade_s": round_s(min(FADE_S, 0.5 * piece.length_s))})


def _hold(
    source: PlannedSource,
    clearness: Clearness,
    hole: Span,
    part: Span,
    taken: Sequence[Span],
    warnings: list[str],
) -> float | None:
    """Time of the picture to hold in `hole`, None if there is none: then it is black."""
    found = clearness.to_hold(hole, part, taken)
    where = (
        f"recording {source.recording + 1}, {format_time(hole.start_s)} to "
        f"{format_time(hole.stop_s)}"
    )
    if found is None:
        warnings.append(f"{where}: there is no picture to hold, it is black")
        return None
    if found[1] != CLEAR:
        warnings.append(f"{where}: no picture is known to be clear; look at the one that is held")
    return found[0]


def extend_for_narration(
    pieces: list[Piece],
    narration: Sequence[Span],
    warnings: list[str],
    until_s: float | None = None,
) -> None:
    """Hold the last picture while the narration goes on after the end, not beyond `until_s`."""
    if not pieces or not narration:
        return
    last = pieces[-1]
    end_s = last.in_case.stop_s
    over_s = narration[-1].stop_s - end_s
    tail_s = TAIL_S
    if until_s is not None:
        over_s = min(over_s, until_s - end_s)
        tail_s = min(tail_s, until_s - end_s - over_s)
    if over_s <= 0.02:
        return
    held = last.start_s
    if last.kind == "play":
        held += max(0.0, last.length_s - _LAST_S)
    warnings.append(
        f"the narration is {over_s:.1f} s longer than the picture: the last picture is held"
    )
    _add(
        pieces,
        last.source,
        Stretch(0.0, over_s + tail_s, end_s),
        kind="black" if last.kind == "black" else "freeze",
        held_s=held,
        sound=False,
        reason="the narration is longer than the picture",
    )
