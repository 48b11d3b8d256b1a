"""Which releases a suspect shows: ways to lay the disc on its pictures, the index, local spots.

Each window of the suspect is laid the likely way first (the circle that is found in it), then in
others, then by local spots; as soon as one way gives a match, the rest is not tried. Every pair
of a way and a release counts as one comparison, and the false alarms that a score means are those
of all comparisons together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.trace import local
from pipeline.analysis.trace.alarm import TAIL
from pipeline.analysis.trace.disc import BYTES, Disc, disc_hash, disc_square, mirrored
from pipeline.analysis.trace.lines import (
    STEP_S,
    Kept,
    Line,
    Stretch,
    best_line,
    joined,
    trimmed,
    windows,
)
from pipeline.analysis.trace.packing import KeptSpots
from pipeline.model.field import field_at
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.tracing.suspect import Suspect
from pipeline.store.print_index import Key, PrintIndex, Rows

MOST_ALARMS = 1e-3  # expected of one whole search, at the score of a match
MOST_RATE = 1e-6  # of one comparison
ASKED = 10  # pictures of a window that ask the index
PLACED = 8  # pictures of a window that are looked at for local spots
CLOSER, LAID_WELL = 0.13, 0.75  # scores between which the disc is laid in smaller steps
AGREE = 0.2  # of three pictures in a row, at the ends of a match

SpotsOf = Callable[[Key], KeptSpots | None]


@dataclass(frozen=True)
class Match:
    """A stretch of the suspect that shows a release, and how the disc lies in it (suspect's px)."""

    stretch: Stretch
    disc: Disc


@dataclass
class Found:
    """matches: by release. best_other: highest score that is none. comparisons: how many were
    made, or would have been had the index not passed them by."""

    matches: dict[Key, list[Match]] = field(default_factory=dict)
    best_other: float | None = None
    comparisons: int = 0

    def alarms(self, score: float) -> float:
        """Matches of at least this score that unrelated material would give in this search."""
        return TAIL.rate(score) * max(1, self.comparisons)

    def is_match(self, score: float) -> bool:
        return TAIL.rate(score) <= MOST_RATE and self.alarms(score) <= MOST_ALARMS


@dataclass(frozen=True)
class _Try:
    """A way to lay the disc on one window: a disc for each picture, on small pictures."""

    discs: tuple[Disc, ...]

    def moved(self, x: float, y: float, size: float, turn_deg: float) -> _Try:
        """x, y and size in radii."""
        return _Try(
            tuple(
                replace(
                    d, x_px=d.x_px + x * d.radius_px, y_px=d.y_px + y * d.radius_px,
                    radius_px=d.radius_px * (1 + size), turn_deg=d.turn_deg + turn_deg,
                )
                for d in self.discs
            )
        )  # fmt: skip


def search(
    suspect: Suspect, index: PrintIndex, spots: SpotsOf, progress: Progress = no_progress
) -> Found:
    """Every release that the suspect shows, with stretches."""
    found = Found()
    parts = windows(suspect.time_s)
    raw: dict[tuple[Key, bool], list[tuple[Stretch, Disc]]] = {}
    last: Disc | None = None
    for number, part in enumerate(parts):
        progress("search", number, len(parts))
        hit = None
        for one in _ways(suspect, part, index, spots, last):
            hit = _best(suspect, part, one, index, found)
            if hit is not None:
                break
        if hit is None:
            continue
        rows, line, disc = hit
        last = disc
        times = suspect.time_s[part]
        stretch = Stretch(float(times[0]), float(times[-1]), line)
        raw.setdefault((rows.key, disc.mirrored), []).append((stretch, disc))
    for (key, _), pieces in raw.items():
        discs = {s.line: d for s, d in pieces}
        kept = _kept(index, next(r for r in index.rows if r.key == key))
        for stretch in joined([s for s, _ in pieces]):
            disc = discs[stretch.line]
            hashes = hashes_of(suspect.pictures, [disc] * len(suspect.pictures))
            stretch = _timed_better(stretch, suspect.time_s, hashes, kept)
            cut = trimmed(stretch, suspect.time_s, hashes, kept, AGREE)
            found.matches.setdefault(key, []).append(Match(cut, disc.scaled(1 / suspect.scale)))
    return found


def _timed_better(
    stretch: Stretch, time_s: NDArray[np.float64], hashes: NDArray[np.uint8], kept: Kept
) -> Stretch:
    """With the speed that fits all of it; its score stays that of its best window.

    Places are known to STEP_S, so a length tells no smaller difference of speed than
    STEP_S / length: within that of 1 the copy ran as the release does.
    """
    inside = (time_s >= stretch.start_s - 1e-6) & (time_s <= stretch.stop_s + 1e-6)
    fine = stretch.line.speed * np.exp(np.linspace(-0.04, 0.04, 33))
    line = best_line(time_s[inside], hashes[inside], kept, fine)
    if line and abs(line.speed - 1) * (stretch.stop_s - stretch.start_s) <= STEP_S:
        line = best_line(time_s[inside], hashes[inside], kept, np.array([1.0])) or line
    if line is None:
        return stretch
    return replace(stretch, line=replace(line, score=stretch.line.score))


def _kept(index: PrintIndex, rows: Rows) -> Kept:
    return Kept(*index.kept(rows))


def _ways(
    suspect: Suspect, part: slice, index: PrintIndex, spots: SpotsOf, last: Disc | None
) -> Iterator[_Try]:
    """Ways to lay the disc on a window, the likeliest first."""
    pictures = suspect.pictures[part]
    count = len(pictures)
    if last is not None:
        yield _Try((last,) * count)
    rows, cols = pictures[0].shape
    fields = [field_at(suspect.fields, float(t)) for t in suspect.time_s[part]]
    own: list[Disc] = []
    if all(f.shape in ("circle", "circle-clipped") for f in fields):
        own = [
            Disc(f.center_x_px, f.center_y_px, f.radius_px).scaled(suspect.scale) for f in fields
        ]
        yield _Try(tuple(own))
        for turn in (-4.0, 4.0):
            yield _Try(tuple(replace(d, turn_deg=turn) for d in own))
        for more in (1.08, 1.17, 1.28):  # a circle cut out of the disc
            yield _Try(tuple(replace(d, radius_px=d.radius_px * more) for d in own))
    for more in (1.0, 1.1, 1.21, 1.33, 1.46):  # a square or a stripe cut out of the disc
        yield _Try((Disc(cols / 2, rows / 2, min(rows, cols) / 2 * more),) * count)
    for disc in _by_spots(pictures, index, spots):
        yield _Try((disc,) * count)


def _by_spots(
    pictures: Sequence[NDArray[np.uint8]], index: PrintIndex, spots: SpotsOf
) -> Iterator[Disc]:
    """Places of the disc that local spots speak for, the best spoken for first."""
    chosen = np.unique(np.linspace(0, len(pictures) - 1, PLACED).astype(int))
    seen = [(p, local.spots(pictures[p]), local.flipped(pictures[p])) for p in chosen]
    said: list[tuple[int, Disc]] = []
    for rows in index.rows:
        kept = spots(rows.key)
        if kept is None:
            continue
        for _, plain, turned in seen:
            for mine, is_mirrored in ((plain, False), (turned, True)):
                pairs = local.matches(mine, kept.spots)
                moments, count = np.unique(kept.at[pairs[:, 1]], return_counts=True)
                for moment in moments[np.argsort(-count, kind="stable")[:2]]:
                    of = pairs[kept.at[pairs[:, 1]] == moment]
                    placed = local.placed(mine, kept.spots, of, is_mirrored)
                    if placed is not None:
                        said.append((placed[1], placed[0]))
    said.sort(key=lambda s: -s[0])
    rows_px, cols_px = pictures[0].shape
    for _, disc in said[:6]:
        if 12 < disc.radius_px < 4 * max(rows_px, cols_px):
            yield disc


def _best(
    suspect: Suspect, part: slice, one: _Try, index: PrintIndex, found: Found
) -> tuple[Rows, Line, Disc] | None:
    """The best line of a way through any release, in both orientations, if it is a match."""
    times = suspect.time_s[part]
    plain = hashes_of(suspect.pictures[part], one.discs)
    asked = np.unique(np.linspace(0, len(plain) - 1, ASKED).astype(int))
    best: tuple[Rows, Line, Disc] | None = None
    for turned in (False, True):
        hashes = mirrored(plain) if turned else plain
        found.comparisons += len(index.rows)
        for rows in index.likely(hashes[asked]):
            line = best_line(times, hashes, _kept(index, rows))
            if line is None or (best is not None and line.score <= best[1].score):
                continue
            disc = one.discs[len(one.discs) // 2]
            if turned:
                disc = replace(disc, mirrored=not disc.mirrored, turn_deg=disc.turn_deg)
            best = rows, line, disc
    if best is None:
        return None
    if CLOSER <= best[1].score < LAID_WELL:
        best = _laid_better(suspect, part, one, best, index, found)
    if found.is_match(best[1].score):
        return best
    found.best_other = max(best[1].score, found.best_other or -1.0)
    return None


def _laid_better(
    suspect: Suspect, part: slice, one: _Try, hit: tuple[Rows, Line, Disc], index: PrintIndex,
    found: Found,
) -> tuple[Rows, Line, Disc]:  # fmt: skip
    """The hit with the disc moved, sized and turned in small steps as long as more bits agree.

    Every look counts as a comparison.
    """
    rows, line, disc = hit
    times, kept = suspect.time_s[part], _kept(index, rows)
    turned = disc.mirrored != one.discs[0].mirrored
    speeds = np.array([line.speed])
    for step in (0.06, 0.03, 0.015):
        for _ in range(2):
            before = line.score
            for axis in range(4):
                for sign in (-1, 1):
                    move = [0.0] * 4
                    move[axis] = sign * step * (60.0 if axis == 3 else 1.0)
                    other = one.moved(*move)
                    hashes = hashes_of(suspect.pictures[part], other.discs)
                    new = best_line(times, mirrored(hashes) if turned else hashes, kept, speeds)
                    found.comparisons += 1
                    if new is not None and new.score > line.score:
                        one, line = other, new
            if line.score <= before + 1e-4:
                break
    better = one.discs[len(one.discs) // 2]
    return rows, line, replace(better, mirrored=disc.mirrored)


def hashes_of(pictures: Sequence[NDArray[np.uint8]], discs: Sequence[Disc]) -> NDArray[np.uint8]:
    """(n, 32); of a picture that shows nothing, bits that agree by half with any."""
    out = np.empty((len(pictures), BYTES), np.uint8)
    for number, (picture, disc) in enumerate(zip(pictures, discs, strict=True)):
        square = disc_square(picture, disc)
        bits = None if square is None else disc_hash(square)
        out[number] = np.uint8(0x55) if bits is None else bits
    return out


def by_score(matches: Mapping[Key, Sequence[Match]]) -> list[Key]:
    """The releases, the surest first."""
    return sorted(matches, key=lambda k: -max(m.stretch.line.score for m in matches[k]))
