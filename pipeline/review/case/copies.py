"""Small copies of the recordings for the page's player, redacted like a release."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.errors import FieldstopError, InputError
from pipeline.media.pictures import read_pictures
from pipeline.review.case.session import Ready, Session
from pipeline.stages.proxy import proxy_name, write_proxy
from pipeline.store.work import WorkFolder


def copy_path(folder: WorkFolder, sha256: str) -> Path | None:
    """The copy with every picture; until that is made, the survey's coarse one."""
    for full in (True, False):
        path = folder.private_file(proxy_name(sha256, full=full))
        if path.is_file():
            return path
    return None


def _full(folder: WorkFolder, sha256: str) -> Path:
    return folder.private_file(proxy_name(sha256, full=True))


def start_copies(session: Session, case: str, ready: Ready) -> None:
    """Makes what is missing, in the background."""

    def go() -> None:
        for number in range(len(ready.run.surveyed)):
            sha256 = ready.run.surveyed[number].survey.recording.sha256
            if not _full(session.folder(case), sha256).is_file() and not session.closed.is_set():
                with contextlib.suppress(FieldstopError, OSError):
                    make_copy(session, case, ready, number)

    session.background(f"proxy {case}", go)


def make_copy(session: Session, case: str, ready: Ready, number: int) -> None:
    """A small copy with every picture, blanked and redacted like a release."""
    surveyed, media = ready.run.surveyed[number], ready.run.media[number]
    recording, plan = media.recording, ready.run.plan
    redactions = [r for r in plan.redactions if r.source == number] if plan else []

    def pictures() -> Iterator[tuple[float, Any]]:
        for picture in read_pictures(media.path, recording, threads=1):
            if session.closed.is_set():
                raise InputError("Stopped", "", "")
            yield picture.time_s, picture.frame

    folder = session.folder(case)
    target = _full(folder, surveyed.survey.recording.sha256)
    with folder.atomic_path(target) as temp:
        write_proxy(
            temp, pictures(), recording, surveyed.survey, media.still, session.options, redactions
        )
