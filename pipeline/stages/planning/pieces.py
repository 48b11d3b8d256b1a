"""The pieces of a clip in order: played, held, black, and the card."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.model.plan import Edit, Piece, PlannedSource
from pipeline.model.time import Span, format_time, round_s, subtract_spans
from pipeline.stages.card import CARD_S
from pipeline.stages.clear_picture import CLEAR, Clearness
from pipeline.stages.planning.parts import Kept

TAIL_S = 0.5
FADE_S = 0.24  # common practice, no source


def pieces_of(
    kept: Sequence[Kept],
    edits: Sequence[Edit],
    planned: Sequence[PlannedSource],
    clearness: dict[int, Clearness],
    warnings: list[str],
) -> list[Piece]:
    pieces: list[Piece] = []
    out_s = 0.0

    def add(kind: Any, source: int, start_s: float, length_s: float, case_s: float,
            sound: bool, reason: str, origin: Any) -> None:  # fmt: skip
        nonlocal out_s
        if length_s < 1e-6:
            return
        pieces.append(
            Piece(
                kind=kind,
                source=source,
                start_s=round_s(start_s),
                length_s=round_s(length_s),
                case_start_s=round_s(case_s),
                out_start_s=round_s(out_s),
                sound=sound,
                reason=reason,
                origin=origin,
            )
        )
        out_s += length_s

    for part in kept:
        here = Span(part.start_s, part.stop_s)
        shift = part.case_start_s - part.start_s
        if planned[part.source].still:
            add(
                "freeze", part.source, 0.0, here.length_s, part.case_start_s, False, "still", "case"
            )
            continue
        cuts = [
            Span(e.start_s, e.stop_s)
            for e in edits
            if e.source == part.source and e.action == "cut"
        ]
        holds = [e for e in edits if e.source == part.source and e.action in ("freeze", "black")]
        taken = cuts + [Span(e.start_s, e.stop_s) for e in holds]
        for span in subtract_spans([here], cuts):
            at_s = span.start_s
            for hold in sorted(holds, key=lambda e: e.start_s):
                overlap = Span(hold.start_s, hold.stop_s).overlap(Span(at_s, span.stop_s))
                if overlap is None:
                    continue
                add(
                    "play",
                    part.source,
                    at_s,
                    overlap.start_s - at_s,
                    at_s + shift,
                    True,
                    "",
                    "case",
                )
                inside_s = None
                if hold.action == "freeze":
                    inside_s = _hold(planned[part.source], clearness[part.source], overlap, here,
                                     taken, warnings)  # fmt: skip
                kind = "freeze" if inside_s is not None else "black"
                room = hold.kind == "out_of_body"
                add(kind, part.source, inside_s or 0.0, overlap.length_s, overlap.start_s + shift,
                    not room, hold.reason, hold.origin)  # fmt: skip
                at_s = overlap.stop_s
            add("play", part.source, at_s, span.stop_s - at_s, at_s + shift, True, "", "case")
    return [_faded(pieces[n - 1] if n else None, piece) for n, piece in enumerate(pieces)]


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
    planned: Sequence[PlannedSource],
    warnings: list[str],
    until_s: float | None = None,
) -> None:
    """Hold the last picture while the narration goes on after the end, not beyond `until_s`."""
    if not pieces or not narration:
        return
    last = pieces[-1]
    end_s = last.case_start_s + last.length_s
    over_s = narration[-1].stop_s - end_s
    tail_s = TAIL_S
    if until_s is not None:
        over_s = min(over_s, until_s - end_s)
        tail_s = min(tail_s, until_s - end_s - over_s)
    if over_s <= 0.02:
        return
    source = planned[last.source]
    step_s = 1 / max(source.frame_rate_hz, 1.0)
    held = (
        last.start_s
        if last.kind != "play"
        else max(last.start_s, last.start_s + last.length_s - 2 * step_s)
    )
    warnings.append(
        f"the narration is {over_s:.1f} s longer than the picture: the last picture is held"
    )
    pieces.append(
        Piece(
            kind="black" if last.kind == "black" else "freeze",
            source=last.source,
            start_s=round_s(held),
            length_s=round_s(over_s + tail_s),
            case_start_s=round_s(end_s),
            out_start_s=round_s(last.out_start_s + last.length_s),
            sound=False,
            reason="the narration is longer than the picture",
            origin="case",
        )
    )


def add_card(pieces: list[Piece]) -> None:
    """The card after the last picture, without sound of the room."""
    last = pieces[-1]
    pieces.append(
        Piece(
            kind="card",
            source=last.source,
            start_s=round_s(last.start_s + (last.length_s if last.kind == "play" else 0.0)),
            length_s=CARD_S,
            case_start_s=round_s(last.case_start_s + last.length_s),
            out_start_s=round_s(last.out_start_s + last.length_s),
            sound=False,
            reason="the measured value",
            origin="case",
        )
    )


def goes_on(previous: Piece | None, piece: Piece) -> bool:
    """True if `piece` plays on where `previous` stopped: the same shot, no cut."""
    return (
        previous is not None
        and previous.kind == piece.kind == "play"
        and previous.source == piece.source
        and abs(previous.start_s + previous.length_s - piece.start_s) < 1e-3
    )


def sound_start_s(piece: Piece, pieces: Sequence[Piece]) -> float:
    """Where in the source the sound of a piece starts.

    For a played piece it is the picture's start; under a frozen or black picture the
    sound goes on from where the last played piece of that source left case time.
    """
    if piece.kind == "play":
        return piece.start_s
    near = [p for p in pieces if p.source == piece.source and p.kind == "play"]
    if not near:
        return piece.start_s
    anchor = min(near, key=lambda p: abs(p.case_start_s - piece.case_start_s))
    return max(0.0, anchor.start_s + piece.case_start_s - anchor.case_start_s)
