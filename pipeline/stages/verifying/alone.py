"""Verify a finished file without its plan: the field is found anew in the file itself.

The same measure and limit as with the plan (`analysis.field.surround`). What cannot be told
without the plan is said so, and is not passed.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.surround import (
    SURROUND_LIMIT,
    brightest_outside,
    lit_share,
    near_fields,
    outside_mask,
    ring_mask,
)
from pipeline.analysis.field.track import FieldFold
from pipeline.errors import InputError
from pipeline.media.frame import Picture, reduce_rgb
from pipeline.media.guard import probe_apart
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.time_stamps import ReadReport
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.stages.card import card_zone
from pipeline.stages.progress import Progress, no_progress
from pipeline.stages.verifying.container import stream_checks
from pipeline.stages.verifying.identity import SAMPLE_S
from pipeline.stages.verifying.result import Verified, Verifying, make_check
from pipeline.stages.verifying.sound import sound_checks

Pixels = tuple[int, int, int, int]
NOT_TOLD = "could not be checked without the plan"


def verify_file(
    path: Path,
    options: Options,
    *,
    wanted_lufs: float | None = None,
    captions_px: Pixels | None = None,
    signed: bool = False,
    each: Callable[[Picture], None] | None = None,
    progress: Progress = no_progress,
) -> Verified:
    """The checks that any finished file can be given, without its plan.

    wanted_lufs: that its sheet names: a quiet recording is brought as far as it may be raised, and
    no plan is there to say so. captions_px: where its sheet says that captions are drawn: what
    stands there is not told without the plan. signed: it may hold a signature.
    each: is handed every picture. Raises InputError if it cannot be read.
    """
    result = Verifying()
    recording = probe_apart(path)
    result.checks += stream_checks(path, recording, signed=signed)
    report = ReadReport()
    result.fields = _find_fields(path, recording, report, each, progress)
    result.checks.append(
        make_check("picture damaged", report.damaged, 0, "packets", report.damaged == 0)
    )
    alone = SurroundAlone(result.fields, options.field.sure, captions_px)
    next_s = 0.0
    for picture in prefetched(read_pictures(path, recording, skip_unreferenced=True)):
        if picture.time_s + 1e-6 >= next_s:
            next_s = picture.time_s + SAMPLE_S
            alone.look(picture)
            progress("verify", 0.5 * (recording.duration_s + picture.time_s), recording.duration_s)
    result.checks.append(alone.check())
    result.checks += sound_checks(
        path, recording, options, result, silent=True, wanted_lufs=wanted_lufs
    )
    progress("verify", 1, 1)
    return result.done()


def _find_fields(
    path: Path,
    recording: Recording,
    report: ReadReport,
    each: Callable[[Picture], None] | None,
    progress: Progress,
) -> list[FieldSpan]:
    fold = FieldFold(recording.width_px, recording.height_px)
    next_s = 0.0
    for picture in prefetched(read_pictures(path, recording, report=report)):
        if each is not None:
            each(picture)
        if picture.time_s + 1e-6 >= next_s:
            next_s = picture.time_s + SAMPLE_S
            fold.step(
                picture.time_s,
                reduce_rgb(picture.frame, fold.SAMPLE_MAX_ROWS_PX, recording.video.matrix),
            )
            progress("verify", 0.5 * picture.time_s, recording.duration_s)
    if not report.frames:
        raise InputError("The file holds no picture", "", "give a finished clip")
    return fold.finish(report.last_s + 0.04)


class SurroundAlone:
    """The brightest pixel outside the field that was found in the finished file itself.

    fields: as found, in pixels of the file. sure: confidence from which a field is believed;
    one that is less sure, as beside a change, is believed in a picture whose light reaches
    its edge all around: a circle that hides lit surround does not fit like that. captions_px:
    (x, y, width, height) that is left out.
    """

    REACH_S = 4.0  # where a field found in blocks of samples changes is known to a block
    LIT_RING = 0.9

    def __init__(
        self, fields: Sequence[FieldSpan], sure: float, captions_px: Pixels | None = None
    ) -> None:
        self._fields, self._sure, self._captions_px = fields, sure, captions_px
        self._worst, self._worst_s = 0.0, 0.0
        self._untold_s: float | None = None
        self._looked = 0
        self._masks: dict[int, tuple[NDArray[np.uint8], NDArray[np.uint8]]] = {}

    def look(self, picture: Picture) -> None:
        planes = picture.planes()
        near = near_fields(self._fields, picture.time_s, self.REACH_S)
        told = [self._tell(f, planes) for f in near if f.shape != "none"]
        # Of the fields that leave nothing lit outside, one that is believed.
        value, believed = min(
            told, key=lambda t: (max(0.0, t[0] - SURROUND_LIMIT), not t[1]),
            default=(np.inf, False),
        )  # fmt: skip
        if value > SURROUND_LIMIT or not believed:
            bare = self._bare(planes)
            if bare <= SURROUND_LIMIT:
                value, believed = bare, True
            elif all(f.shape == "none" for f in near_fields(near, picture.time_s, 0.0)):
                believed = False  # something is shown where no field was found
        self._looked += 1
        if not believed:
            self._untold_s = picture.time_s if self._untold_s is None else self._untold_s
        elif value > self._worst:
            self._worst, self._worst_s = value, picture.time_s

    def _apart(self, mask: NDArray[np.uint8]) -> NDArray[np.uint8]:
        if self._captions_px is not None:
            x, y, wide, high = self._captions_px
            mask[max(0, y) : max(0, y + high), max(0, x) : max(0, x + wide)] = 0
        return mask

    def _bare(self, planes: Sequence[NDArray[np.uint8]]) -> float:
        """How far the picture is from black, where no card can be."""
        rows, cols = planes[0].shape
        mask = self._apart(outside_mask(None, rows, cols))
        x, y, wide, high = card_zone(cols, rows)
        mask[y : y + high, x : x + wide] = 0
        return brightest_outside(planes, mask)

    def _tell(self, span: FieldSpan, planes: Sequence[NDArray[np.uint8]]) -> tuple[float, bool]:
        """(brightest outside this field, whether the field is believed in this picture)."""
        key = id(span)
        if key not in self._masks:
            if len(self._masks) > 8:
                self._masks.pop(next(iter(self._masks)))
            shape = planes[0].shape
            outside = self._apart(outside_mask(span, *shape))
            self._masks[key] = outside, ring_mask(span, *shape)
        outside, ring = self._masks[key]
        believed = span.confidence >= self._sure or lit_share(planes[0], ring) >= self.LIT_RING
        return brightest_outside(planes, outside), believed

    def check(self) -> Check:
        at = "" if self._untold_s is None else f"at {self._untold_s:.1f} s"
        if self._worst <= SURROUND_LIMIT and (at or not self._looked):
            return make_check("surround black", NOT_TOLD, SURROUND_LIMIT, at, False)
        unit = "code values" + (f", at {self._worst_s:.1f} s" if self._worst else "")
        passed = self._worst <= SURROUND_LIMIT
        return make_check("surround black", self._worst, SURROUND_LIMIT, unit, passed)
