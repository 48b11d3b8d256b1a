"""Lettering and faces: looked for once for each set of their settings, and kept by them."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence

from pipeline.analysis.identity.overlays import DOUBTED, tidied
from pipeline.model.cover import Cover
from pipeline.model.document import Document
from pipeline.model.field import FieldSpan
from pipeline.model.findings import Event, Findings
from pipeline.model.options import Options
from pipeline.model.recording import Recording
from pipeline.model.survey import Face, Lettering, Survey, Voice
from pipeline.model.time import merge_spans
from pipeline.stages import detectors
from pipeline.stages.detectors import Feed
from pipeline.stages.intake import SourceFile

# Raise one when what it finds changes, so that what is kept lapses.
VERSIONS = {"lettering": "18", "faces": "4"}
NOT_LOOKED = "lettering in the field was not looked for: rapidocr is not installed"


class Look(Document):
    """What the detectors found in one source, and speech that only the check of a clip heard.

    looked: versions of the detectors, 'off' where not run.
    """

    lettering: list[Lettering] = []
    doubted: list[Cover] = []
    faces: list[Face] = []
    voices: list[Voice] = []
    looked: dict[str, str] = {}
    warnings: list[str] = []

    def take(self, lettering: Sequence[Lettering]) -> None:
        """What is to be filled and what is to be told, each to its own."""
        self.lettering += [x for x in lettering if x.confidence > DOUBTED]
        self.doubted += [
            Cover(start_s=x.start_s, stop_s=x.stop_s, box_px=x.box_px)
            for x in lettering if x.confidence <= DOUBTED and x.where == "field"
        ]  # fmt: skip


def looked(options: Options) -> dict[str, str]:
    """Which detectors look, with their versions; 'off' for one that does not."""
    wanted = options.anonymity
    on = {
        "lettering": wanted.lettering and detectors.text_available(),
        "faces": wanted.faces,
    }
    return {name: VERSIONS[name] if on[name] else "off" for name in on}


def look_for(
    source: SourceFile,
    recording: Recording,
    survey: Survey,
    findings: Findings,
    options: Options,
    search: Feed | None = None,
) -> Look:
    """Lettering and faces of a file that was measured.

    search: was handed the pictures before the field was known. Only what may lie outside the
    body, or has no field, is then read again, for faces. Raises OutputError.
    """
    wanted, fields = options.anonymity, survey.field
    duration_s = survey.recording.duration_s
    found = Look(looked=looked(options))
    if wanted.lettering and found.looked["lettering"] == "off":
        found.warnings.append(NOT_LOOKED)
    margin_s = options.lens.out_of_body_margin_s
    outside = [(e.start_s - margin_s, e.stop_s + margin_s) for e in _outside(findings)]
    spans = None
    if search is not None:
        lettering, found.faces = search.finish(fields, duration_s)
        found.take(lettering)
        without = [(f.start_s, f.stop_s) for f in fields if f.shape == "none"]
        spans = [(s.start_s, s.stop_s) for s in merge_spans([*outside, *without])]
        spans = [(max(0.0, a), min(b, duration_s)) for a, b in spans]
        if not wanted.faces or not spans:
            return found
        wanted = wanted.model_copy(update={"lettering": False})
    lettering, faces = detectors.look(
        source.path,
        recording,
        fields,
        outside,
        wanted,
        samples_per_s=wanted.samples_per_s,
        stop_s=duration_s,
        spans=spans,
    )
    found.take(lettering)
    found.faces += faces
    return found


def _outside(findings: Findings) -> list[Event]:
    return [e for e in findings.events if e.kind == "out_of_body"]


def look_name(fields: Sequence[FieldSpan], findings: Findings, options: Options) -> str:
    """File name by what lettering and faces depend on beside the content: detectors, their
    settings, the field, and what counts as outside the body."""
    outside = [(e.start_s, e.stop_s) for e in _outside(findings)]
    values = {
        "detectors": looked(options),
        "samples_per_s": options.anonymity.samples_per_s,
        "field": [f.model_dump(mode="json") for f in fields],
        "outside": outside,
        "margin": options.lens.out_of_body_margin_s if outside else None,
    }
    text = json.dumps(values, sort_keys=True)
    return f"look-{hashlib.sha256(text.encode()).hexdigest()[:16]}.json"


def with_look(survey: Survey, look: Look) -> Survey:
    """The survey with what the detectors found."""
    return survey.model_copy(
        update={
            "lettering": look.lettering,
            "doubted": look.doubted,
            "faces": look.faces,
            "voices": look.voices,
            "measured": survey.measured | look.looked,
            "warnings": [*survey.warnings, *look.warnings],
        }
    )


def look_of(survey: Survey) -> Look:
    """What the detectors found, as a survey has it."""
    return Look(
        lettering=survey.lettering,
        doubted=survey.doubted,
        faces=survey.faces,
        voices=survey.voices,
        looked={k: v for k, v in survey.measured.items() if k in VERSIONS},
        warnings=[w for w in survey.warnings if w == NOT_LOOKED],
    )


def tidied_survey(survey: Survey) -> Survey:
    """The survey with lettering listed as a person would: see `analysis.identity.overlays`."""
    size = survey.recording.width_px, survey.recording.height_px
    found = tidied(survey.lettering, survey.field, *size)
    return survey.model_copy(update={"lettering": found})
