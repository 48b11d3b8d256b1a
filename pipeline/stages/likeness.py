"""A copy that was coded anew: its pictures or its sound are those of a recording that is bound.

Whether it is one is for a person to say; that says nothing about consent.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.track import FieldFold
from pipeline.analysis.identity import fingerprint
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.sound.sound_print import Codes
from pipeline.errors import InputError
from pipeline.media.frame import reduce_rgb
from pipeline.media.guard import probe_apart
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.model.consent import KnownSource
from pipeline.model.plan import Need
from pipeline.model.ready import ReadyClip
from pipeline.model.release import Withheld
from pipeline.stages.gate import LIKENESS
from pipeline.stages.heard import (
    COMPARE,
    learned,
    most_alike,
    narration_again,
    remembered_sound,
    told,
)
from pipeline.stages.intake import OpenedCase, SourceFile
from pipeline.stages.spool import Spool
from pipeline.stages.survey import Surveyed, load_series
from pipeline.store.catalogue import Catalogue
from pipeline.store.work import WorkFolder

NEED = LIKENESS
_LOST = (
    "whether a recording looks like one whose consent is narrower cannot be told: what was"
    " measured of it is lost"
)
Series = Mapping[str, NDArray[Any]]


def seen_before(
    opened: OpenedCase, surveyed: Sequence[Surveyed], catalogue: Catalogue, audience: str,
    narration: Codes | None = None,
) -> list[Need]:  # fmt: skip
    """What a person must look at because a recording looks like one whose consent is narrower.

    The catalogue keeps the fingerprints of the sources. One need a source, for the most alike
    in picture and in sound. narration: print of its sound, which may be such a recording's too.
    """
    sources = [
        (source.sha256, one.series) for source, one in zip(opened.sources, surveyed, strict=True)
    ]
    return alike(opened.case.case, sources, catalogue, audience, narration)


def alike(
    case: str, sources: Sequence[tuple[str, Series]], catalogue: Catalogue, audience: str,
    narration: Codes | None = None,
) -> list[Need]:  # fmt: skip
    """As `seen_before`. sources: hash and measured series of each, in order."""
    needs = []
    hashes = [sha256 for sha256, _ in sources]
    bound = catalogue.lookalikes(case, hashes, audience, datetime.date.today())
    known = {s.sha256: s.prints for s in catalogue.recall(hashes)}
    said = most_alike(narration, bound) if narration is not None else None
    if said is not None:
        needs.append(Need(code=NEED, message=told("the narration", *said[1:])))
    for number, (sha256, series) in enumerate(sources):
        if "heard" in series:
            codes = np.asarray(series["heard"], np.uint32)
            learned(sha256, codes, catalogue)
            said = most_alike(codes, bound)
            if said is not None:
                needs.append(Need(code=NEED, message=told("a recording", *said[1:]),
                                  start_s=round(said[0], 3), source=number))  # fmt: skip
        if bound and not series:
            needs.append(Need(code=NEED, message=_LOST, source=number))
        if "prints" not in series:
            continue
        time_s = np.asarray(series["print_time_s"], np.float64)
        prints = np.asarray(series["prints"], np.int8)
        text = fingerprint.pack(*fingerprint.thinned(time_s, prints))
        if text and known.get(sha256) != text:
            catalogue.learn([KnownSource(sha256=sha256, prints=text)])
        found = [
            (*fingerprint.likeness(time_s, prints, *fingerprint.unpack(other.prints)), of, word)
            for of, word, other in bound
        ]
        score, at_s, of, word = max(found, default=(0.0, 0.0, "", ""))
        if score >= fingerprint.ALIKE:
            needs.append(
                Need(
                    code=NEED,
                    message=f"the pictures look like those of a recording of {of}, whose consent"
                    f" is narrower ({word}): {COMPARE}",
                    start_s=round(at_s, 3),
                    source=number,
                    approvable=True,
                )
            )
    return needs


def alike_since(clip: ReadyClip, folder: WorkFolder, catalogue: Catalogue) -> list[Withheld]:
    """What a ready clip looks like today that it did not when it was made: meanwhile consent
    for the other recording may have been withdrawn."""
    if any(need.code == NEED for need in clip.plan.needs):
        return []  # a person said so
    sources = []
    for number, source in enumerate(clip.plan.sources):
        tail = "" if number == 0 else f"-{number + 1}"
        try:
            series = load_series(folder.whole.private_file(f"series{tail}.npz"))
        except (OSError, ValueError, KeyError):
            series = {}
        sources.append((source.sha256, series))
    narration = narration_again(folder.whole, clip.narration_sha256 if clip.narrated else "")
    found = alike(clip.case, sources, catalogue, clip.plan.audience, narration)
    return [Withheld(code=n.code, message=f"{n.message}, and make the clip again") for n in found]


def remember_pictures(opened: OpenedCase, catalogue: Catalogue, work: Path) -> None:
    """Take the fingerprint of sources of which nothing else may be made, if it is not known."""
    for source in opened.sources:
        if source.still:
            continue
        remembered_sound(source.path, source.sha256, catalogue)
        if not catalogue.recall([source.sha256])[0].prints:
            text = prints_of(source, work)
            if text:
                catalogue.learn([KnownSource(sha256=source.sha256, prints=text)])


def prints_of(source: SourceFile, work: Path) -> str:
    """The thinned fingerprint of a file; empty where it cannot be read."""
    spool = Spool(work)
    try:
        recording = probe_apart(source.path, sha256=source.sha256)
        matrix = recording.video.matrix
        field = FieldFold(recording.width_px, recording.height_px)
        next_s = next_field_s = last_s = 0.0
        for picture in prefetched(read_pictures(source.path, recording, skip_unreferenced=True)):
            last_s = picture.time_s
            if last_s >= next_s - 1e-6:
                next_s = last_s + 1 / LensFold.SAMPLE_RATE_HZ
                spool.add(last_s, reduce_rgb(picture.frame, LensFold.SAMPLE_MAX_ROWS_PX, matrix))
            if last_s >= next_field_s - 1e-6:
                next_field_s = last_s + 1 / field.SAMPLE_RATE_HZ
                rgb = reduce_rgb(picture.frame, field.SAMPLE_MAX_ROWS_PX, matrix)
                field.step(last_s, rgb)
        found = field.finish(last_s + 0.04)
        fold = fingerprint.PrintFold(found, recording.width_px, recording.height_px)
        for time_s, rgb in spool.samples():
            fold.step(time_s, rgb)
    except InputError:
        return ""
    finally:
        spool.close()
    return fingerprint.pack(*fingerprint.thinned(*fold.finish()))
