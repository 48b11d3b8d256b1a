"""`fieldstop trace`: the suspect against every release of the catalogue, and the evidence.

Files only: nothing is fetched, nothing is sent. What is written is private.
"""

from __future__ import annotations

import contextlib
import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline import __version__
from pipeline.analysis.trace.disc import Disc, disc_square
from pipeline.analysis.trace.lines import STEP_S, Kept
from pipeline.analysis.trace.packing import KeptSpots, spots_of
from pipeline.errors import InputError
from pipeline.media.container import file_sha256
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.evidence import Evidence, FoundRelease, Matched
from pipeline.model.release import ReleaseRecord
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.tracing.coded import read_code
from pipeline.stages.tracing.prints import (
    filled_index,
    found_discs,
    key_of,
    name_of,
    read_prints,
    small_luma,
)
from pipeline.stages.tracing.search import Found, Match, by_score, search
from pipeline.stages.tracing.suspect import Suspect, read_suspect
from pipeline.store.catalogue import Catalogue
from pipeline.store.print_index import Key, PrintIndex

PAIRS = 3  # pictures that are shown side by side for each stretch
GRID, HALF = 288, 0.98  # size in px of what is shown of a disc, and its half width in radii


@dataclass(frozen=True)
class Pair:
    """The same moment of suspect and release: JPEGs of the disc, upright. release: b'' if gone."""

    release_name: str
    suspect_s: float
    release_s: float
    suspect: bytes
    release: bytes


@dataclass(frozen=True)
class Traced:
    evidence: Evidence
    pairs: tuple[Pair, ...]


def open_catalogue(path: Path) -> Catalogue:
    """Raises InputError where there is none: a new one would know nothing."""
    if not path.is_file():
        raise InputError(
            "There is no catalogue to compare with",
            "",
            "give --catalogue FILE, or make one with fieldstop catalogue rebuild OUT",
        )
    return Catalogue(path)


def trace(path: Path, catalogue: Catalogue, progress: Progress = no_progress) -> Traced:
    """Is this clip one of ours: from which release, which seconds, how sure.

    Raises InputError for a suspect that cannot be looked at, and where nothing was released.
    """
    records = catalogue.releases()
    if not records:
        raise InputError(
            "Nothing was released yet: there is nothing to compare with",
            "",
            "give the catalogue of the series with --catalogue, or run fieldstop catalogue"
            " rebuild OUT",
        )
    suspect = read_suspect(path, progress)
    index = filled_index(catalogue, records)
    by_key = {key_of(r): r for r in records}
    kept_spots: dict[Key, KeptSpots | None] = {}

    def spots(key: Key) -> KeptSpots | None:
        if key not in kept_spots:
            prints = read_prints(by_key[key]) if key in by_key else None
            kept_spots[key] = None
            if prints is not None:
                with contextlib.suppress(ValueError):
                    kept_spots[key] = spots_of(prints)
        return kept_spots[key]

    def kept(record: ReleaseRecord) -> Kept | None:
        rows = next((r for r in index.rows if r.key == key_of(record)), None)
        return None if rows is None else Kept(*index.kept(rows))

    found = search(suspect, index, spots, progress)
    told, pairs = [], []
    for key in by_score(found.matches):
        # A release that the catalogue lost, but the index still knows, cannot be named.
        if key in by_key:
            record = by_key[key]
            one, more = _told(suspect, record, found.matches[key], found, catalogue)
            family = [r for r in records if r.sheet.case == record.sheet.case]
            progress("code", 0, 1)
            code = read_code(suspect, record, found.matches[key], family, kept)
            told.append(one.model_copy(update={"code": code}))
            pairs += more
    return Traced(_evidence(suspect, found, told, records, index), tuple(pairs))


def _evidence(
    suspect: Suspect,
    found: Found,
    told: list[FoundRelease],
    records: list[ReleaseRecord],
    index: PrintIndex,
) -> Evidence:
    recording = suspect.recording
    return Evidence(
        made_at=datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        program_version=__version__,
        suspect_sha256=recording.sha256,
        suspect_bytes=recording.size_bytes,
        suspect_duration_s=round(float(suspect.time_s[-1]), 3),
        suspect_size_px=(recording.width_px, recording.height_px),
        looked_at_s=round(len(suspect.time_s) / 4, 2),
        found=told,
        best_other=None if found.best_other is None else round(found.best_other, 4),
        releases=len(index.rows),
        comparisons=found.comparisons,
        compared_hours=round(index.count * STEP_S / 3600, 3),
        not_compared=[name_of(r) for r in records if key_of(r) not in index.keys],
        notes=list(suspect.notes),
    )


def _told(
    suspect: Suspect,
    record: ReleaseRecord,
    matches: list[Match],
    found: Found,
    catalogue: Catalogue,
) -> tuple[FoundRelease, list[Pair]]:
    sheet = record.sheet
    pairs: list[Pair] = []
    beside = _Beside(record)
    for match in matches:
        for at_s, release_s, mine, theirs in _laid(suspect, match, beside):
            pairs.append(
                Pair(name_of(record), at_s, release_s, _jpeg(mine),
                     b"" if theirs is None else _jpeg(theirs))
            )  # fmt: skip
    latest = catalogue.latest_release(sheet.case, sheet.profile)
    replaced = latest.sheet.revision if latest and latest.sheet.revision > sheet.revision else None
    score = max(m.stretch.line.score for m in matches)
    state = catalogue.consent_for(record.bound_by, sheet.case).state(datetime.date.today())
    one = FoundRelease(
        case=sheet.case, title=sheet.title, number=sheet.number, series_title=sheet.series_title,
        profile=sheet.profile, revision=sheet.revision, audience=sheet.audience, file=sheet.file,
        sha256=sheet.sha256, released_at=record.released_at, consent=state,
        withdrawn=catalogue.is_withdrawn(sheet.case, record.sources),
        replaced_by=replaced, file_there=beside.there, score=round(score, 4),
        false_alarms=found.alarms(score),
        matched_s=round(sum(m.stretch.stop_s - m.stretch.start_s for m in matches), 2),
        mark_text=str(record.mark.get("text") or ""),
        matches=[_matched(m) for m in matches],
    )  # fmt: skip
    return one, pairs


def _matched(match: Match) -> Matched:
    stretch, disc = match.stretch, match.disc
    return Matched(
        start_s=round(stretch.start_s, 2),
        stop_s=round(stretch.stop_s, 2),
        release_start_s=round(max(0.0, stretch.at(stretch.start_s)), 2),
        release_stop_s=round(stretch.at(stretch.stop_s), 2),
        speed=round(stretch.line.speed, 3),
        score=round(stretch.line.score, 4),
        mirrored=disc.mirrored,
        turned_deg=round(disc.turn_deg, 1),
        disc_px=(round(disc.x_px, 1), round(disc.y_px, 1), round(disc.radius_px, 1)),
    )


class _Beside:
    """The pictures of a released file, if it is still where it was released."""

    def __init__(self, record: ReleaseRecord) -> None:
        path = Path(record.path)
        self.there = path.is_file() and file_sha256(path) == record.sheet.sha256
        self._path = path
        if self.there:
            self._recording = probe(path)
            self._where = found_discs(path, self._recording)

    def squares(self, times_s: list[float]) -> list[NDArray[np.float32] | None]:
        """The disc at rising times; None where it cannot be shown."""
        out: list[NDArray[np.float32] | None] = [None] * len(times_s)
        if not self.there or not times_s:
            return out
        wanted = 0
        first_s, last_s = max(0.0, times_s[0] - 0.1), times_s[-1] + 1.0
        reading = read_pictures(self._path, self._recording, start_s=first_s, stop_s=last_s)
        for picture in reading:
            while wanted < len(times_s) and picture.time_s >= times_s[wanted] - 0.02:
                disc = self._where(picture.time_s)
                luma = small_luma(picture, 720)
                if disc is not None:
                    scale = luma.shape[0] / self._recording.height_px
                    out[wanted] = disc_square(luma, disc.scaled(scale), GRID, HALF)
                wanted += 1
            if wanted == len(times_s):
                break
        return out


_Laid = tuple[float, float, NDArray[np.float32], NDArray[np.float32] | None]


def _laid(suspect: Suspect, match: Match, beside: _Beside) -> list[_Laid]:
    """(suspect's time, release's time, disc of one, disc of the other) of moments of a match."""
    stretch = match.stretch
    inside = np.flatnonzero(
        (suspect.time_s >= stretch.start_s - 1e-6) & (suspect.time_s <= stretch.stop_s + 1e-6)
    )
    chosen = inside[np.unique(np.linspace(0, len(inside) - 1, PAIRS + 2).astype(int)[1:-1])]
    disc: Disc = match.disc.scaled(suspect.scale)
    mine = [(i, disc_square(suspect.pictures[i], disc, GRID, HALF)) for i in chosen]
    shown = [(float(suspect.time_s[i]), square) for i, square in mine if square is not None]
    release_s = [max(0.0, stretch.at(t)) for t, _ in shown]
    theirs = beside.squares(release_s)
    return [(t, r, s, o) for (t, s), r, o in zip(shown, release_s, theirs, strict=True)]


def _jpeg(square: NDArray[np.float32]) -> bytes:
    import cv2

    grey = np.clip(square, 0, 255).astype(np.uint8)
    _, data = cv2.imencode(".jpg", grey, [cv2.IMWRITE_JPEG_QUALITY, 85])
    return data.tobytes()


def as_json(traced: Traced) -> dict[str, Any]:
    return {**traced.evidence.model_dump(by_alias=True), "error": None}
