"""What could identify someone, kind by kind, and how it is treated."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.series import counted
from pipeline.model.survey import Survey
from pipeline.review.report.data import (
    ChecklistRow,
)
from pipeline.stages.values import CaseResult


def checklist(run: CaseResult) -> Sequence[ChecklistRow]:
    """Identifiers of 45 CFR 164.514(b)(2)(i) that a video with sound can hold.

    Treatment by the options of DICOM PS3.15 Annex E: Clean Pixel Data, Clean
    Recognizable Visual Features, Clean Descriptors.
    """
    plan = run.plan
    if plan is None:
        return []
    surveys = [s.survey for s in run.surveyed]
    letters = [x for s in surveys for x in s.lettering]
    in_field = sum(x.where == "field" for x in letters)
    faces = sum(len(s.faces) for s in surveys)
    speech = sum(r.what == "speech" for r in plan.redactions)
    tags = sum(len(s.recording.identifying) for s in run.surveyed)
    outside = sum(e.kind == "out_of_body" for e in plan.edits)
    by = run.approved_by
    looked = run.options.anonymity.lettering and "lettering" in surveys[0].measured
    voice = run.opened.consent.voice
    return [
        {
            "identifier": "Names, dates, numbers in the surround (Clean Pixel Data)",
            "treated": "everything outside the scope field is black in every frame",
            "found": "not looked for: removed without reading",
        },
        {
            "identifier": "Names, dates, numbers in the field (Clean Pixel Data)",
            "treated": "found lettering is filled with black"
            if looked
            else "not looked for by this run: a person must look",
            "found": counted(in_field, "place") if looked else "unknown",
            "needs_person": by is None and not looked,
        },
        {
            "identifier": "Full-face pictures (Clean Recognizable Visual Features)",
            "treated": "pictures outside the body are cut, held or black",
            "found": f"{counted(outside, 'span')} outside the body, {counted(faces, 'face')}",
        },
        {
            "identifier": "Voices, spoken names in the room",
            "treated": "consent covers voices: kept" if voice else "replaced by room sound",
            "found": counted(speech, "span"),
        },
        {
            "identifier": "Names spoken by the narrator",
            "treated": "not changed: a person listens to the narration",
            "found": "unknown",
            "needs_person": by is None and bool(plan.narration),
        },
        {
            "identifier": "Dates, places, device serials, names in file tags (Clean Descriptors)",
            "treated": "only an allow-list of tags is written",
            "found": f"{tags} in the sources",
        },
        {
            "identifier": "Record, account and telephone numbers, e-mail and web addresses",
            "treated": "as above; texts that leave are of the vocabulary or confirmed",
            "found": "see above",
        },
    ]


def one_surround(survey: Survey) -> Survey:
    """The survey with all lettering outside the field as one entry (with the box of the first).

    It is blacked out anyway, and would hide the findings that need a look.
    """
    outside = [x for x in survey.lettering if x.where == "surround"]
    if len(outside) < 2:
        return survey
    whole = outside[0].model_copy(
        update={
            "start_s": min(x.start_s for x in outside),
            "stop_s": max(x.stop_s for x in outside),
            "confidence": max(x.confidence for x in outside),
        }
    )
    inside = [x for x in survey.lettering if x.where == "field"]
    return survey.model_copy(update={"lettering": [whole, *inside]})
