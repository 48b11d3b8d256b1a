"""A copy that was coded anew: its pictures look like those of a recording that is bound.

Whether it is one is for a person to say; that says nothing about consent.
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.analysis import fingerprint
from pipeline.errors import InputError
from pipeline.media.guard import probe_apart
from pipeline.media.read import ahead, read_pictures, reduce_rgb
from pipeline.model.consent import KnownSource
from pipeline.model.plan import Need
from pipeline.stages.intake import OpenedCase, SourceFile
from pipeline.stages.survey import Spool, Surveyed
from pipeline.store.catalogue import Catalogue

NEED = "likeness"


def seen_before(
    opened: OpenedCase, surveyed: Sequence[Surveyed], catalogue: Catalogue, audience: str
) -> list[Need]:
    """What a person must look at because a recording looks like one whose consent is narrower.

    The catalogue keeps the fingerprints of the sources. One need a source, for the most alike.
    """
    needs = []
    hashes = [s.sha256 for s in opened.sources]
    bound = catalogue.lookalikes(opened.case.case, hashes, audience, datetime.date.today())
    known = {s.sha256: s.prints for s in catalogue.recall(hashes)}
    for number, (source, one) in enumerate(zip(opened.sources, surveyed, strict=True)):
        if "prints" not in one.series:
            continue
        time_s = np.asarray(one.series["print_time_s"], np.float64)
        prints = np.asarray(one.series["prints"], np.int8)
        text = fingerprint.pack(*fingerprint.thinned(time_s, prints))
        if text and known.get(source.sha256) != text:
            catalogue.learn([KnownSource(sha256=source.sha256, prints=text)])
        found = [
            (*fingerprint.likeness(time_s, prints, *fingerprint.unpack(other.prints)), case, word)
            for case, word, other in bound
        ]
        score, at_s, case, word = max(found, default=(0.0, 0.0, "", ""))
        if score >= fingerprint.ALIKE:
            needs.append(
                Need(
                    code=NEED,
                    message=f"the pictures look like those of a recording of {case}, whose consent"
                    f" is narrower ({word}): a person must say that it is another recording",
                    start_s=round(at_s, 3),
                    source=number,
                    approvable=True,
                )
            )
    return needs


def remember_pictures(opened: OpenedCase, catalogue: Catalogue, work: Path) -> None:
    """Take the fingerprint of sources of which nothing else may be made, if it is not known."""
    for source in opened.sources:
        if not catalogue.recall([source.sha256])[0].prints and not source.still:
            text = prints_of(source, work)
            if text:
                catalogue.learn([KnownSource(sha256=source.sha256, prints=text)])


def prints_of(source: SourceFile, work: Path) -> str:
    """The thinned fingerprint of a file; empty where it cannot be read."""
    from pipeline.analysis.field import FieldFold
    from pipeline.analysis.lens import LensFold

    spool = Spool(work)
    try:
        recording = probe_apart(source.path, sha256=source.sha256)
        matrix = recording.video.matrix
        field = FieldFold(recording.width_px, recording.height_px)
        next_s = next_field_s = last_s = 0.0
        for picture in ahead(read_pictures(source.path, recording, skip_unreferenced=True)):
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
