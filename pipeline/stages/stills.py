"""A still of a released clip: one picture of the file itself, lossless, with its sheet."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import InputError, NeedsPerson
from pipeline.media.container import file_sha256
from pipeline.media.frame import Picture, reduce_rgb
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.still_files import png_rest
from pipeline.model.beside import StillSheet
from pipeline.model.field import field_at
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.publishing import ALT
from pipeline.model.release import Check
from pipeline.model.time import format_time
from pipeline.model.timeline import Timeline, picture_time
from pipeline.stages.planning.picture import has_field
from pipeline.stages.release import CAUTIONS
from pipeline.stages.released import ReleasedClip
from pipeline.stages.verifying.coding import coarseness
from pipeline.stages.verifying.result import make_check
from pipeline.stages.verifying.surround import Surround
from pipeline.store.work import atomic_path


@dataclass(frozen=True)
class Still:
    path: Path
    sheet: Path
    clip_s: float
    checks: list[Check]


def clip_moment(plan: Plan, at_s: float, *, in_clip: bool = False) -> tuple[float, Piece]:
    """Clip time and piece of a moment that people name, in case time or in the clip's own.

    Raises InputError where the clip does not show it, or shows nothing of the case there.
    """
    timeline = Timeline(pieces=plan.pieces)
    if in_clip:
        if not 0 <= at_s < plan.duration_s:
            raise InputError("The clip ends before that", format_time(at_s),
                             f"give a time below {format_time(plan.duration_s)}")  # fmt: skip
        clip_s = at_s
    else:
        clip_s = float(timeline.clip_times([at_s])[0])
        if not np.isfinite(clip_s):
            raise InputError("The clip does not show that moment of the case", format_time(at_s),
                             "give another time; the report tells what is cut")  # fmt: skip
    piece = timeline.piece_at_clip(clip_s)
    source = plan.sources[piece.source]
    shown = piece.kind in ("play", "freeze")
    if shown and has_field(source.fields):
        shown = field_at(source.fields, picture_time(piece, clip_s)).shape != "none"
    if not shown:
        raise InputError("Nothing of the case is seen at that moment", format_time(at_s),
                         "give another time")  # fmt: skip
    if clip_s < piece.out_start_s + piece.fade_s:
        raise InputError("Two pictures fade into each other at that moment", format_time(at_s),
                         f"give a time {piece.fade_s:g} s later")  # fmt: skip
    return clip_s, piece


def picture_at(file: Path, clip_s: float) -> Picture:
    """The picture of a finished clip that is on screen at a time. Raises InputError."""
    shown = None
    recording = probe(file)
    for picture in read_pictures(
        file, recording, start_s=clip_s, stop_s=clip_s + 1e-3, from_key=True
    ):
        if picture.time_s <= clip_s + 1e-3:
            shown = picture
    if shown is None:
        raise InputError("The clip holds no picture at that time", format_time(clip_s),
                         "give another time")  # fmt: skip
    return shown


def make_still(
    released: ReleasedClip, at_s: float, options: Options, *, in_clip: bool = False
) -> Still:
    """Write the still and its sheet beside the clip; both are there, or neither is.

    at_s: case time, or with `in_clip` the clip's own. Raises InputError, OutputError, and
    NeedsPerson where a check of the picture does not pass: then nothing is written.
    """
    plan, sheet = released.clip.plan, released.record.sheet
    wanted_s, piece = clip_moment(plan, at_s, in_clip=in_clip)
    picture = picture_at(released.file, wanted_s)
    rgb = reduce_rgb(picture.frame, plan.height_px, plan.matrix)
    shown_ms = round(wanted_s * 1000)
    name = f"-still-{shown_ms // 60000}m{shown_ms // 1000 % 60:02d}s{shown_ms % 1000:03d}"
    path, beside = released.beside(f"{name}.png"), released.beside(f"{name}.sheet.json")
    with atomic_path(path) as temp:
        temp.write_bytes(png(rgb))
        checks = still_checks(temp, rgb, picture, plan, options)
        failed = [c for c in checks if not c.passed]
        if failed:
            raise NeedsPerson("The still is withheld: a check of it did not pass",
                              f"{failed[0].check}: {failed[0].measured} {failed[0].unit}".strip(),
                              "give another time", code="check")  # fmt: skip
        document = StillSheet(
            case=sheet.case,
            title=sheet.title,
            number=sheet.number,
            series_title=sheet.series_title,
            profile=sheet.profile,
            audience=sheet.audience,
            revision=sheet.revision,
            clip=sheet.file,
            clip_sha256=sheet.sha256,
            clip_s=round(picture.time_s, 6),
            file=path.name,
            sha256=file_sha256(temp),
            width_px=rgb.shape[1],
            height_px=rgb.shape[0],
            year=sheet.year,
            chapter=next((t for s, t in reversed(sheet.chapters) if s <= wanted_s + 1e-3), ""),
            alt=ALT,
            cautions=CAUTIONS,
            look=sheet.look,
            altered=altered_lines(plan, piece, wanted_s),
            checks=checks,
        )
        with atomic_path(beside) as sheet_temp:
            sheet_temp.write_text(document.to_json(), encoding="utf-8")
    return Still(path, beside, picture.time_s, checks)


def altered_lines(plan: Plan, piece: Piece, clip_s: float) -> list[str]:
    """What was done to this very picture, in sentences."""
    source_s = picture_time(piece, clip_s)
    lines = ["The surround was blacked out and a mark was put into the picture."]
    here = [r for r in plan.redactions if r.source == piece.source and r.box_px is not None]
    if any(r.start_s <= source_s < r.stop_s for r in here):
        lines.append("A part of the picture was blacked out.")
    if plan.sources[piece.source].matched:
        lines.append("Colour and exposure were brought to those of the other recordings.")
    cleared = [r for r in plan.restorations if r.source == piece.source]
    if any(r.start_s <= source_s < r.stop_s for r in cleared):
        lines.append("The contrast of the picture was restored by an estimated law.")
    return lines


def png(rgb: NDArray[np.uint8]) -> bytes:
    """RGB (row, col, 3) as a PNG without any text, time or profile."""
    import cv2

    _, data = cv2.imencode(".png", rgb[..., ::-1])
    return data.tobytes()


def still_checks(
    path: Path, rgb: NDArray[np.uint8], picture: Picture, plan: Plan, options: Options
) -> list[Check]:
    """The written file holds this picture and nothing else, and its surround is black."""
    import cv2

    data = path.read_bytes()
    rest = png_rest(data)
    read = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)
    same = read is not None and np.array_equal(read[..., ::-1], rgb)
    coarse = coarseness(options.output.crf)
    surround = Surround(plan, options.field.edge_inset_px, coarse)
    surround.look(picture.time_s, picture.planes())
    return [
        make_check("still holds pictures only", rest, 0, "other parts", rest == 0),
        make_check("still is the clip's picture", "yes" if same else "no", "yes", "", same),
        *surround.checks(),
    ]
