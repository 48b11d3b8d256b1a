"""Which release, and whose copy, a suspect's pictures carry the code of.

Read beside the released file as it lies in the folder of releases: with its own code taken off
(`analysis.trace.code_reading`), it stands for the picture without one. The recordings are not
needed. Where the code does not speak beside the release that was found, the other releases of the
case are laid beside: revisions and copies look alike, and their seconds may lie elsewhere.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace import release_code as rc
from pipeline.analysis.trace.code_reading import CodeFold
from pipeline.analysis.trace.disc import Disc, disc_square
from pipeline.analysis.trace.lines import Kept, Stretch, best_line
from pipeline.media.container import file_sha256
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.evidence import ReadCode
from pipeline.model.release import ReleaseRecord
from pipeline.model.release_code import KeptCode
from pipeline.stages.tracing.prints import name_of, small_luma
from pipeline.stages.tracing.search import Match, hashes_of
from pipeline.stages.tracing.suspect import Suspect

SURE = 1e-4  # most, that chance alone would speak so for a code that was given out
MOST_PICTURES = 160  # of the suspect
MOST_BESIDE = 8  # releases of the case that are laid beside
_AROUND_S = 0.25  # in which the release's picture of a moment is looked for
_ROWS_PX = 360
_LOOK = 48  # samples, to find it
_ALIKE = 0.2  # score of another release of the case from which it is laid beside

KeptOf = Callable[[ReleaseRecord], Kept | None]


def read_code(
    suspect: Suspect,
    record: ReleaseRecord,
    matches: Sequence[Match],
    family: Sequence[ReleaseRecord],
    kept_of: KeptOf,
) -> ReadCode:
    """What the code in the matched parts of a suspect says.

    record: of the release that was found. family: of all releases of its case. kept_of: the
    prints of one.
    """
    coded = [r for r in family if r.code is not None]
    if record.code is None and not coded:
        return ReadCode(state="none")
    beside = sorted(coded, key=lambda r: r.sheet.sha256 != record.sheet.sha256)
    best: ReadCode | None = None
    for one in beside[:MOST_BESIDE]:
        path = Path(one.path)
        if not path.is_file() or file_sha256(path) != one.sheet.sha256:
            continue
        own = one.sheet.sha256 == record.sheet.sha256
        laid = list(matches) if own else _laid_along(suspect, matches, kept_of(one))
        if not laid:
            continue
        found = _spoken(_beside(suspect, laid, one), one, coded)
        if best is None or found.state == "read" or (found.state, best.state) == (
            "unknown", "not read",
        ):  # fmt: skip
            best = found
        if found.state == "read":
            break
    return best or ReadCode(state="no file")


def _spoken(fold: CodeFold, beside: ReleaseRecord, coded: Sequence[ReleaseRecord]) -> ReadCode:
    """The release whose code the values speak for, if chance would hardly speak so."""
    assert beside.code is not None
    given = [r for r in coded if r.code is not None and r.code.seed == beside.code.seed]
    numbers = sorted({r.code.number for r in given if r.code is not None})
    best = max(numbers, key=lambda n: float(fold.soft @ rc.codeword(n)))
    errors = rc.errors_of(fold.soft, best)
    chance = rc.chance(errors, len(numbers))
    if fold.pictures and chance <= SURE:
        whose = [r for r in given if r.code is not None and r.code.number == best]
        return ReadCode(
            state="read",
            releases=[name_of(r) for r in whose],
            recipients=[r.recipient for r in whose if r.recipient],
            errors=errors, chance=chance, pictures=fold.pictures,
        )  # fmt: skip
    other = rc.decoded(fold.soft).number
    if fold.pictures and other is not None and other not in numbers:
        wrong = rc.errors_of(fold.soft, other)
        by_chance = rc.chance(wrong, rc.NUMBERS)
        if by_chance <= SURE:
            return ReadCode(state="unknown", errors=wrong, chance=by_chance,
                            pictures=fold.pictures)  # fmt: skip
    return ReadCode(state="not read", errors=errors, chance=chance, pictures=fold.pictures)


def _laid_along(suspect: Suspect, matches: Sequence[Match], kept: Kept | None) -> list[Match]:
    """The same parts of the suspect along another release of the case."""
    out = []
    for match in matches if kept is not None else ():
        inside = _inside(suspect, match.stretch)
        disc = match.disc.scaled(suspect.scale)
        hashes = hashes_of([suspect.pictures[i] for i in inside], [disc] * len(inside))
        speed = match.stretch.line.speed
        fine = speed * np.exp(np.linspace(-0.02, 0.02, 9))
        assert kept is not None
        line = best_line(suspect.time_s[inside], hashes, kept, fine)
        if line is not None and line.score >= _ALIKE:
            out.append(replace(match, stretch=replace(match.stretch, line=line)))
    return out


def _inside(suspect: Suspect, stretch: Stretch) -> NDArray[np.intp]:
    at = suspect.time_s
    return np.flatnonzero((at >= stretch.start_s - 1e-6) & (at <= stretch.stop_s + 1e-6))


def _beside(suspect: Suspect, matches: Sequence[Match], record: ReleaseRecord) -> CodeFold:
    """The suspect's pictures, each beside the picture of the release that is most like it."""
    code = record.code
    assert code is not None
    fold = CodeFold(code.seed, code.number, code.kept)
    path = Path(record.path)
    recording = probe(path)
    most = max(8, MOST_PICTURES // len(matches))
    for match in matches:
        inside = _inside(suspect, match.stretch)
        inside = inside[np.unique(np.linspace(0, len(inside) - 1, most).astype(int))]
        disc = match.disc.scaled(suspect.scale)
        wanted = [(match.stretch.at(float(suspect.time_s[i])), i) for i in inside]
        wanted = [(at_s, i) for at_s, i in wanted if at_s > -_AROUND_S]
        if not wanted:
            continue
        held: deque[tuple[float, NDArray[np.uint8]]] = deque()
        first_s, last_s = max(0.0, wanted[0][0] - _AROUND_S), wanted[-1][0] + _AROUND_S + 0.1
        pictures = read_pictures(path, recording, start_s=first_s, stop_s=last_s)
        done = 0
        for picture in pictures:
            while done < len(wanted) and picture.time_s > wanted[done][0] + _AROUND_S:
                _step(fold, suspect.pictures[wanted[done][1]], disc, wanted[done][0], held)
                done += 1
            if done == len(wanted):
                break
            square = _square(small_luma(picture, _ROWS_PX), picture.time_s, code,
                             recording.height_px)  # fmt: skip
            if square is not None:
                held.append((picture.time_s, square))
            while held and held[0][0] < wanted[done][0] - _AROUND_S:
                held.popleft()
        for at_s, i in wanted[done:]:
            _step(fold, suspect.pictures[i], disc, at_s, held)
    return fold


def _square(
    luma: NDArray[np.uint8], time_s: float, code: KeptCode, rows_px: int
) -> NDArray[np.uint8] | None:
    span = next((d for d in code.discs if d[0] - 1e-6 <= time_s < d[1]), None)
    if span is None:
        return None
    disc = Disc(*span[2:]).scaled(luma.shape[0] / rows_px)
    square = disc_square(luma, disc, rc.GRID, 1.0)
    return None if square is None else np.clip(np.rint(square), 0, 255).astype(np.uint8)


def _step(
    fold: CodeFold, luma: NDArray[np.uint8], disc: Disc, at_s: float,
    held: Sequence[tuple[float, NDArray[np.uint8]]],
) -> None:  # fmt: skip
    """One picture of the suspect beside the likest of those that are held."""
    near = [(t, s) for t, s in held if abs(t - at_s) <= _AROUND_S]
    small = disc_square(luma, disc, _LOOK, 0.7)
    if small is None or not near:
        return
    part = rc.GRID // _LOOK
    edge = round(0.15 * _LOOK)

    def alike(square: NDArray[np.uint8]) -> float:
        import cv2

        mean = square.reshape(_LOOK, part, _LOOK, part).mean(axis=(1, 3), dtype=np.float32)
        inner = cv2.resize(mean[edge:-edge, edge:-edge], (_LOOK, _LOOK))
        return float(np.corrcoef(inner.ravel(), small.ravel())[0, 1])

    time_s, square = max(near, key=lambda one: alike(one[1]))
    fold.step(luma, disc, square, time_s)
