"""Prints of a release, taken from its finished file; where they lie, and the index of them."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.track import FieldFold
from pipeline.analysis.trace.disc import Disc, disc_of
from pipeline.analysis.trace.lines import STEP_S
from pipeline.analysis.trace.packing import PrintsFold, kept_of
from pipeline.errors import InputError
from pipeline.media.container import file_sha256
from pipeline.media.frame import Picture, reduce_rgb
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.probe import probe
from pipeline.model.plan import Plan
from pipeline.model.prints import ReleasePrints
from pipeline.model.recording import Recording
from pipeline.model.release import ReleaseRecord, Sheet
from pipeline.model.release_code import KeptCode
from pipeline.stages.placed import out_fields
from pipeline.stages.progress import Progress, no_progress
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import out_of
from pipeline.store.print_index import Key, PrintIndex
from pipeline.store.work import WorkFolder, atomic_write

SUFFIX = ".prints.json"
ROWS_PX = 360  # of the pictures that prints are taken from


def small_luma(picture: Picture, rows_px: int = ROWS_PX) -> NDArray[np.uint8]:
    """Luma averaged down by a whole number to at most `rows_px` rows, (row, col)."""
    import cv2

    luma = picture.planes()[0]
    rows, cols = luma.shape
    step = max(1, math.ceil(rows / rows_px))
    if step == 1:
        return np.array(luma)
    size = (cols // step, rows // step)
    whole = luma[: size[1] * step, : size[0] * step]
    return np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)


class SeenPrints:
    """Prints of a finished file from its decoded pictures, whoever decodes them.

    where: the disc at a time, in pixels of pictures of height_px rows.
    """

    def __init__(self, where: Callable[[float], Disc | None], height_px: int) -> None:
        self._where, self._height_px = where, height_px
        self._fold = PrintsFold()

    def step(self, picture: Picture) -> None:
        """A picture, times rising."""
        if not self._fold.wants(picture.time_s):
            return
        luma, disc = small_luma(picture), self._where(picture.time_s)
        scale = luma.shape[0] / self._height_px
        self._fold.step(picture.time_s, luma, None if disc is None else disc.scaled(scale))

    def finish(self) -> dict[str, str]:
        """The arrays of `ReleasePrints`."""
        return self._fold.finish()


def take_prints(
    path: Path,
    where: Callable[[float], Disc | None],
    *,
    recording: Recording | None = None,
    progress: Progress = no_progress,
) -> dict[str, str]:
    """Prints of a finished file, as `SeenPrints`. Raises InputError."""
    recording = recording or probe(path)
    prints = SeenPrints(where, recording.height_px)
    for picture in prefetched(read_pictures(path, recording)):  # every one, as verify reads it
        prints.step(picture)
        progress("prints", picture.time_s, recording.duration_s)
    return prints.finish()


def prints_of(sheet: Sheet, arrays: Mapping[str, str]) -> ReleasePrints:
    """The document: arrays from `SeenPrints.finish`, of the file that the sheet is of."""
    return ReleasePrints(
        case=sheet.case, profile=sheet.profile, revision=sheet.revision, sha256=sheet.sha256,
        step_s=STEP_S, **arrays,
    )  # fmt: skip


def planned_discs(plan: Plan) -> Callable[[float], Disc | None]:
    """The disc at a time of the clip; None where a card or nothing is shown: cards are alike."""
    fields = out_fields(plan)
    shown = [p.in_clip for p in plan.pieces if p.kind in ("play", "freeze")]

    def where(time_s: float) -> Disc | None:
        if not any(s.start_s - 1e-6 <= time_s < s.stop_s for s in shown):
            return None
        span = next((f for f in fields if f.start_s - 1e-6 <= time_s < f.stop_s), None)
        return None if span is None else disc_of(span, plan.width_px, plan.height_px)

    return where


def kept_code(plan: Plan, kept: float | None) -> KeptCode | None:
    """What the code of a release is read by again; None where its pictures carry none."""
    if plan.code is None or kept is None:
        return None
    discs: list[tuple[float, float, float, float, float]] = []
    shown = planned_discs(plan)
    for span in out_fields(plan):
        disc = shown((span.start_s + span.stop_s) / 2)
        if disc is not None:
            at = (disc.x_px, disc.y_px, disc.radius_px)
            if discs and discs[-1][2:] == at and abs(discs[-1][1] - span.start_s) < 1e-6:
                discs[-1] = (discs[-1][0], span.stop_s, *at)
            else:
                discs.append((span.start_s, span.stop_s, *at))
    return KeptCode(number=plan.code.number, seed=plan.code.seed, kept=round(kept, 3), discs=discs)


def found_discs(path: Path, recording: Recording) -> Callable[[float], Disc | None]:
    """The disc as it is found in the file itself, for a release whose plan is not kept.

    Raises InputError.
    """
    fold, next_s, last_s = FieldFold(recording.width_px, recording.height_px), 0.0, 0.0
    for picture in prefetched(read_pictures(path, recording, skip_unreferenced=True)):
        last_s = picture.time_s
        if picture.time_s + 1e-6 >= next_s:
            next_s = picture.time_s + 1 / fold.SAMPLE_RATE_HZ
            small = reduce_rgb(picture.frame, fold.SAMPLE_MAX_ROWS_PX, recording.video.matrix)
            fold.step(picture.time_s, small)
    fields = fold.finish(last_s + 0.04)
    whole = all(f.shape == "none" for f in fields)

    def where(time_s: float) -> Disc | None:
        span = next((f for f in fields if f.start_s <= time_s < f.stop_s), None)
        # Where the rest has a disc, a part without one is a card or black.
        if span is None or (span.shape == "none" and not whole):
            return None
        return disc_of(span, recording.width_px, recording.height_px)

    return where


def keep_prints(record_file: Path, prints: ReleasePrints) -> Path:
    """Write them beside the private record. Raises OutputError."""
    path = prints_file(record_file)
    atomic_write(path, prints.to_json(), private=True)
    return path


def prints_file(record_file: Path) -> Path:
    return record_file.with_name(record_file.name.removesuffix(".release.json") + SUFFIX)


def record_files(record: ReleaseRecord) -> list[Path]:
    """Where the private record of a release lies: in the folder of its case, or of a clip of it."""
    folder = WorkFolder(out_of(record.path), record.sheet.case)
    name = f"{folder.stem(record.sheet.profile, record.sheet.revision)}.release.json"
    return [p for part in folder.parts() if (p := part.private_dir / name).is_file()]


def read_prints(record: ReleaseRecord) -> ReleasePrints | None:
    """The prints that are kept of a release; None where there are none, or of another file."""
    for path in record_files(record):
        with contextlib.suppress(OSError, ValueError):
            prints = ReleasePrints.model_validate_json(prints_file(path).read_bytes())
            kept_of(prints)
            if prints.sha256 == record.sheet.sha256 and prints.step_s == STEP_S:
                return prints
    return None


def key_of(record: ReleaseRecord) -> Key:
    sheet = record.sheet
    return sheet.case, sheet.profile, sheet.revision, sheet.sha256


def name_of(record: ReleaseRecord) -> str:
    """`HL-0142-web-r1`."""
    return f"{record.sheet.case}-{record.sheet.profile}-r{record.sheet.revision}"


def filled_index(catalogue: Catalogue, records: Sequence[ReleaseRecord]) -> PrintIndex:
    """The index beside the catalogue with all prints that are kept. Raises OutputError."""
    index = PrintIndex.beside(catalogue.path)
    new = []
    for record in records:
        if key_of(record) in index.keys:
            continue
        prints = read_prints(record)
        if prints is not None:
            kept = kept_of(prints)
            new.append((key_of(record), kept.at, kept.hashes))
    if new:
        index.add(new)
    return index


def make_missing(catalogue: Catalogue, progress: Progress = no_progress) -> list[str]:
    """Prints of every release that has none, from its file. Returns what could not be made."""
    notes = []
    records = catalogue.releases()
    held = PrintIndex.beside(catalogue.path).keys
    for record in records:
        path = Path(record.path)
        if read_prints(record) is not None:
            continue
        places = record_files(record)
        if not places or not path.is_file() or file_sha256(path) != record.sheet.sha256:
            if key_of(record) not in held:
                notes.append(
                    f"{name_of(record)} cannot be found again by fieldstop trace: its file is not"
                    " where it was released"
                )
            continue
        try:
            recording = probe(path)
            arrays = take_prints(
                path, found_discs(path, recording), recording=recording, progress=progress
            )
        except InputError as error:
            notes.append(f"{name_of(record)} has no prints for fieldstop trace: {error.what}")
            continue
        keep_prints(places[0], prints_of(record.sheet, arrays))
    filled_index(catalogue, records)
    return notes
