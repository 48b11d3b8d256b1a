"""Cards: words on black before, between and after the pictures. Pure.

Each card is a piece of the clip without case time: what follows moves on by its length, and
`Timeline` knows. No card parts what the narrator is saying.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from pipeline.model.case import Case
from pipeline.model.options import Options
from pipeline.model.plan import Compared, Edit, Piece, PlannedSource, Redaction
from pipeline.model.time import Span, format_time, round_s
from pipeline.stages.planning.chapters import chapter_title
from pipeline.stages.planning.compared import LENGTH_S
from pipeline.stages.planning.compared import REASON as COMPARED
from pipeline.stages.planning.given import SourceInput

LINE = 46  # characters; at a third of the picture's height seven lines can be read
# Slow readers, with a moment to look up: 12 characters a second. Common practice, no source.
_LEAST_S, _MOST_S, _CHARACTERS_PER_S = 3.0, 12.0, 12.0
MEASURED = "the measured value"
CAUTION = "Made for teaching. Not a medical device, and not for diagnosis."
CONSENT = "Shown with consent."

ALTERED = {
    "cut": "Parts were cut out.",
    "freeze": "In places a held picture stands for what was recorded.",
    "black": "In places the picture is black.",
    "clear": "Contrast was restored where it says so.",
    "matched": "Colour and exposure of the recordings were brought together.",
    "speech": "What was said in the room was replaced.",
    "lettering": "Lettering was blacked out.",
    "face": "Faces were blacked out.",
}


def with_cards(
    pieces: Sequence[Piece],
    case: Case,
    sources: Sequence[SourceInput],
    options: Options,
    *,
    title: str,
    whole: bool,
    narration: Sequence[Span],
    altered: Sequence[str],
    warnings: list[str],
    compared: Sequence[list[Compared]] = (),
) -> list[Piece]:
    """The pieces with the cards that are asked for.

    whole: the whole case, not a part of it. narration: spans with words, in case time.
    compared: the two pictures of each card with before and after.
    """
    wanted, out = options.cards, list[Piece]()
    if not pieces:
        return out
    first, last = pieces[0], pieces[-1]
    if wanted.title and (words := title_words(case, options, title)):
        _add(out, first, first.case_start_s, words, "title")
    seen: set[int] = set()
    several = len({sources[p.source].recording_index for p in pieces}) > 1
    for piece in pieces:
        index = sources[piece.source].recording_index
        if wanted.chapters and several and index not in seen:
            spoken = any(n.start_s < piece.case_start_s < n.stop_s for n in narration)
            if spoken:
                warnings.append(
                    f"no card at {format_time(piece.case_start_s)}: the narrator is speaking there"
                )
            else:
                _add(out, piece, piece.case_start_s, chapter_title(case, index), "chapter")
        seen.add(index)
        start_s = out[-1].in_clip.stop_s if out else 0.0
        out.append(piece.model_copy(update={"out_start_s": round_s(start_s)}))
    for pair in compared if wanted.compared else ():
        _add(out, last, last.in_case.stop_s, "", COMPARED, LENGTH_S)
        out[-1] = out[-1].model_copy(
            update={"compared": pair, "source": pair[0].source, "start_s": pair[0].start_s}
        )
    if wanted.measured and whole and case.measured is not None:
        _add(out, last, last.in_case.stop_s, case.measured.card, MEASURED)
    if wanted.closing:
        _add(out, last, last.in_case.stop_s, closing_words(altered), "closing")
    return out


def title_words(case: Case, options: Options, title: str) -> str:
    """Series, number and title, each on lines of its own; what is not given is left out."""
    number = f"No. {case.number}" if case.number else ""
    series = ", ".join(x for x in (options.output.series_title, number) if x)
    return "\n".join(line for text in (series, title) if text for line in wrapped(text))


def closing_words(altered: Sequence[str]) -> str:
    """Cautions, what was altered, consent."""
    lines = [CAUTION, " ".join(altered), CONSENT]
    return "\n".join(line for text in lines if text for line in wrapped(text))


def altered_words(
    edits: Sequence[Edit], redactions: Sequence[Redaction], sources: Sequence[PlannedSource] = ()
) -> list[str]:
    """What was done to picture and sound, a sentence for each kind of it."""
    found: set[str] = {e.action for e in edits} | {r.what for r in redactions}
    if any(s.matched for s in sources):
        found.add("matched")
    return [words for kind, words in ALTERED.items() if kind in found]


def wrapped(text: str) -> list[str]:
    return [part for line in text.splitlines() for part in textwrap.wrap(line, LINE)]


def _add(
    out: list[Piece], beside: Piece, case_s: float, words: str, reason: str,
    length_s: float | None = None,
) -> None:  # fmt: skip
    """A card after the last piece, without sound. beside: the piece whose source it stands by."""
    if length_s is None:
        length_s = min(_MOST_S, max(_LEAST_S, 1.0 + len(words) / _CHARACTERS_PER_S))
    out.append(
        Piece(
            kind="card", source=beside.source, start_s=beside.start_s, length_s=round_s(length_s),
            case_start_s=round_s(case_s),
            out_start_s=round_s(out[-1].in_clip.stop_s if out else 0.0),
            sound=False, words=words, reason=reason,
        )
    )  # fmt: skip
