"""The sources of a case, measured: each surveyed once, kept in the cache, saved with the case."""

from __future__ import annotations

import hashlib
import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from pipeline.model.options import Options
from pipeline.model.recording import Recording
from pipeline.model.survey import Survey
from pipeline.stages.intake import OpenedCase
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.progress import Progress
from pipeline.stages.proxy import proxy_name
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.survey import (
    Surveyed,
    found_look,
    give_memory_back,
    load_series,
    save_survey,
    settle,
    survey_file,
    survey_key,
    tidied_survey,
)
from pipeline.store.cache import Cache
from pipeline.store.work import WorkFolder


def survey_sources(
    opened: OpenedCase, options: Options, work: Path, progress: Progress
) -> list[Surveyed]:
    """Survey every source file, from the cache where it was measured before."""
    return [survey_source(opened, n, options, work, progress) for n in range(len(opened.sources))]


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
    """Survey one source file of a case, from the cache where it was measured before."""
    cache = cache or Cache(options.machine.cache_gb)
    source = opened.sources[number]
    channel, given, key = _survey_key(opened, number)
    kept = _from_cache(cache, key)
    if kept is not None:
        kept = settle(kept, source, options, cache, key)
    else:
        kept = survey_file(
            source, options, work, given_field=given, narration_channel=channel,
            progress=progress,
        )  # fmt: skip
        give_memory_back()
        source.refuse_changed()  # else another content would be kept under this hash
        buffer = io.BytesIO()
        np.savez_compressed(buffer, **kept.series)  # type: ignore[arg-type]
        cache.put(
            key,
            {
                "recording.json": kept.recording.to_json().encode(),
                "series.npz": buffer.getvalue(),
                "survey.json": kept.survey.to_json().encode(),
                "proxy.mp4": kept.proxy,
                **found_look(kept.survey, options),
            },
        )
    kept.survey = tidied_survey(kept.survey)
    return kept


def _from_cache(cache: Cache, key: str) -> Surveyed | None:
    survey, recording = cache.get(key, "survey.json"), cache.get(key, "recording.json")
    series = cache.get(key, "series.npz")
    if survey is None or recording is None or series is None:
        return None
    try:
        return Surveyed(
            Recording.model_validate_json(recording),
            Survey.model_validate_json(survey),
            load_series(io.BytesIO(series)),
            cache.get(key, "proxy.mp4") or b"",
        )
    except (ValueError, OSError, KeyError, EOFError):
        return None


def save_surveys(surveyed: Sequence[Surveyed], folder: WorkFolder) -> list[Path]:
    """Write the surveys and small copies of the pictures; answers the documents.

    Into the folder of the case: its clips share them. Raises OutputError.
    """
    folder = folder.whole
    documents = []
    for number, one in enumerate(surveyed):
        name = "survey" if number == 0 else f"survey-{number + 1}"
        document, _ = save_survey(one, folder.private_dir, name)
        documents.append(document)
        if one.proxy:
            target = folder.private_file(proxy_name(one.survey.recording.sha256))
            folder.atomic_write(target, one.proxy)
            one.proxy = b""
        elif one.outdated:
            # An older copy may show what is covered by now: the page makes one anew.
            for full in (False, True):
                name = proxy_name(one.survey.recording.sha256, full=full)
                folder.private_file(name).unlink(missing_ok=True)
    return documents


def keep_found(
    opened: OpenedCase, number: int, surveyed: Surveyed, options: Options, cache: Cache
) -> None:
    """What was found of a source since it was surveyed, into the cache."""
    key = _survey_key(opened, number)[2]
    cache.put(key, found_look(surveyed.survey, options))


def source_inputs(opened: OpenedCase, surveyed: Sequence[Surveyed]) -> list[SourceInput]:
    """The sources as the plan takes them: measured values, no path."""
    return [
        SourceInput(s.recording, s.still, m.recording, m.survey, m.series)
        for s, m in zip(opened.sources, surveyed, strict=True)
    ]


def source_media(opened: OpenedCase, surveyed: Sequence[Surveyed]) -> list[SourceMedia]:
    """The sources as the renderer reads them."""
    return [
        SourceMedia(s.path, m.recording, s.still)
        for s, m in zip(opened.sources, surveyed, strict=True)
    ]


def survey_sha256(survey: Survey) -> str:
    return hashlib.sha256(survey.to_json().encode()).hexdigest()
