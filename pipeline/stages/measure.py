"""The sources of a case, measured: each surveyed once, kept in the cache, saved with the case."""

from __future__ import annotations

import contextlib
import hashlib
import io
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from pipeline.media.guard import probe_apart
from pipeline.model.findings import Findings
from pipeline.model.options import Options
from pipeline.model.recording import Recording
from pipeline.model.survey import Survey
from pipeline.stages import detectors
from pipeline.stages.decide import decide, with_voices
from pipeline.stages.intake import OpenedCase
from pipeline.stages.look import (
    Look,
    look_for,
    look_name,
    look_of,
    tidied_survey,
    with_look,
)
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.progress import Progress
from pipeline.stages.proxy import CoarseProxy, copy_name, proxy_name
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.survey import (
    Surveyed,
    give_memory_back,
    load_series,
    save_survey,
    survey_file,
    survey_key,
)
from pipeline.store.cache import Cache
from pipeline.store.work import WorkFolder


def _survey_key(opened: OpenedCase, number: int) -> tuple[int | None, list[float] | None, str]:
    """(channel of the narration, field given by the case, key in the cache) of a source."""
    source = opened.sources[number]
    channel = opened.case.narration.channel if opened.case.narration else None
    given = opened.case.recording[source.recording].field
    return channel, given, survey_key(source, given, channel)


def survey_source(
    opened: OpenedCase,
    number: int,
    options: Options,
    work: Path,
    progress: Progress,
    cache: Cache | None = None,
) -> Surveyed:
    """One source file of a case: measured, unless that is kept; decided; looked at.

    The cache holds what was measured, by content and measures, and what the detectors found,
    by their settings. All else is derived anew. Raises InputError, OutputError.
    """
    cache = cache or Cache(options.machine.cache_gb)
    key = _survey_key(opened, number)[2]
    kept = _from_cache(cache, key)
    if kept is None:
        return _measured(opened, number, options, work, progress, cache)
    findings = decide(kept.survey, kept.series, options)
    name = look_name(kept.survey.field, findings, options)
    look = _kept_look(cache, key, name)
    if look is None:
        source = opened.sources[number]
        look = look_for(source, kept.recording, kept.survey, findings, options)
        cache.put(key, {name: look.to_json().encode()})
    survey = with_look(kept.survey, look)
    copy = cache.get(key, copy_name(survey, options)) or b""
    findings = with_voices(findings, survey)
    return replace(kept, survey=tidied_survey(survey), findings=findings, copy=copy)


def _measured(
    opened: OpenedCase,
    number: int,
    options: Options,
    work: Path,
    progress: Progress,
    cache: Cache,
) -> Surveyed:
    """A source that was never measured: one decode feeds measures, detectors and the copy."""
    source, wanted = opened.sources[number], options.anonymity
    channel, given, key = _survey_key(opened, number)
    recording = probe_apart(source.path, sha256=source.sha256)
    with contextlib.ExitStack() as stack:
        search = None
        if detectors.wanted(wanted):
            search = detectors.Feed(
                recording, None, wanted, samples_per_s=wanted.samples_per_s, late=False
            )
            stack.enter_context(search)
        coarse = CoarseProxy(work, recording)
        stack.callback(coarse.close)
        found = survey_file(
            source, recording, work, given_field=given, narration_channel=channel,
            onlookers=[coarse] if search is None else [search, coarse], progress=progress,
        )  # fmt: skip
        measured = found.survey
        findings = decide(measured, found.series, options)
        look = look_for(source, found.recording, measured, findings, options, search)
        survey = with_look(measured, look)
        copy = coarse.finish(survey, source.still, options)
    give_memory_back()
    source.refuse_changed()  # else another content would be kept under this hash
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **found.series)  # type: ignore[arg-type]
    cache.put(
        key,
        {
            "recording.json": found.recording.to_json().encode(),
            "series.npz": buffer.getvalue(),
            "survey.json": measured.to_json().encode(),
            copy_name(survey, options): copy,
            look_name(measured.field, findings, options): look.to_json().encode(),
        },
    )
    return replace(found, survey=tidied_survey(survey), findings=findings, copy=copy)


def _from_cache(cache: Cache, key: str) -> Surveyed | None:
    """What was measured, without what is decided from it or was looked for."""
    survey, recording = cache.get(key, "survey.json"), cache.get(key, "recording.json")
    series = cache.get(key, "series.npz")
    if survey is None or recording is None or series is None:
        return None
    try:
        return Surveyed(
            Recording.model_validate_json(recording),
            Survey.model_validate_json(survey),
            load_series(io.BytesIO(series)),
        )
    except (ValueError, OSError, KeyError, EOFError):
        return None


def _kept_look(cache: Cache, key: str, name: str) -> Look | None:
    data = cache.get(key, name)
    try:
        return Look.model_validate_json(data) if data is not None else None
    except ValueError:
        return None


def save_surveys(
    surveyed: Sequence[Surveyed], folder: WorkFolder
) -> tuple[list[Surveyed], list[Path]]:
    """Write surveys, findings, series and small copies of the pictures.

    Into the folder of the case: its clips share them. A copy of before goes first if the new
    survey covers anything else: the page makes one anew. Answers the same without the copies,
    which need not be held any longer, and where the surveys lie. Raises OutputError.
    """
    folder = folder.whole
    documents = []
    for number, one in enumerate(surveyed):
        name = "survey" if number == 0 else f"survey-{number + 1}"
        sha256 = one.survey.recording.sha256
        if not _covers_the_same(folder.private_file(f"{name}.json"), one.survey):
            for full in (False, True):
                folder.private_file(proxy_name(sha256, full=full)).unlink(missing_ok=True)
        document, _ = save_survey(one, folder.private_dir, name)
        documents.append(document)
        if one.copy:
            folder.atomic_write(folder.private_file(proxy_name(sha256)), one.copy)
    return [replace(one, copy=b"") for one in surveyed], documents


def _covers_the_same(path: Path, survey: Survey) -> bool:
    """True if the survey that lies there covers the same in the same picture."""
    try:
        before = Survey.model_validate_json(path.read_bytes())
    except (OSError, ValueError):
        return False
    return all(
        getattr(before, name) == getattr(survey, name)
        for name in ("recording", "field", "lettering", "faces")
    )


def keep_found(
    opened: OpenedCase, number: int, surveyed: Surveyed, options: Options, cache: Cache
) -> None:
    """What was found of a source since it was surveyed, into the cache."""
    name = look_name(surveyed.survey.field, surveyed.findings, options)
    cache.put(_survey_key(opened, number)[2], {name: look_of(surveyed.survey).to_json().encode()})


def source_inputs(opened: OpenedCase, surveyed: Sequence[Surveyed]) -> list[SourceInput]:
    """The sources as the plan takes them: measured values, no path."""
    return [
        SourceInput(s.recording, s.still, m.recording, m.survey, m.series, m.findings)
        for s, m in zip(opened.sources, surveyed, strict=True)
    ]


def source_media(opened: OpenedCase, surveyed: Sequence[Surveyed]) -> list[SourceMedia]:
    """The sources as the renderer reads them."""
    return [
        SourceMedia(s.path, m.recording, s.still)
        for s, m in zip(opened.sources, surveyed, strict=True)
    ]


def survey_sha256(survey: Survey, findings: Findings) -> str:
    """Hash of what was measured in a source, and of what was decided from it."""
    return hashlib.sha256((survey.to_json() + findings.to_json()).encode()).hexdigest()
