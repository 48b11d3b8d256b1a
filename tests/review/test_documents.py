"""What lies in a case's private folder, of this version and of earlier ones."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from pipeline.errors import InputError
from pipeline.model.findings import Findings
from pipeline.review.case.documents import read_surveys
from pipeline.store.work import WorkFolder

BASELINE = Path(__file__).parents[1] / "model" / "baseline" / "survey-1.json"


@pytest.fixture
def folder(tmp_path: Path) -> WorkFolder:
    made = WorkFolder(tmp_path, "QM-0217")
    made.prepare()
    made.private_file("survey.json").write_text(BASELINE.read_text())
    return made


def test_a_survey_of_version_1_shows_the_findings_that_it_held(folder: WorkFolder) -> None:
    (kept,) = read_surveys(folder)
    assert [e.kind for e in kept.findings.events] == ["fog"]
    assert kept.findings.speech.procedure == [(3.0, 4.5)]
    again = Findings(sha256=kept.survey.recording.sha256)  # decided anew since
    folder.private_file("findings.json").write_text(again.to_json())
    assert read_surveys(folder)[0].findings.events == []


@pytest.mark.parametrize(
    "spoiled",
    [None, "{", '{"schema": "fieldstop.findings/9"}', Findings(sha256="a" * 64).to_json()],
    ids=["none", "cut", "version", "of another recording"],
)
def test_a_survey_without_its_findings_is_never_shown_as_if_nothing_was_found(
    folder: WorkFolder, spoiled: str | None
) -> None:
    (kept,) = read_surveys(folder)
    folder.private_file("survey.json").write_text(kept.survey.to_json())  # version 2
    assert json.loads(kept.survey.to_json())["schema"] == "fieldstop.survey/2"
    if spoiled is not None:
        folder.private_file("findings.json").write_text(spoiled)
    with pytest.raises(InputError) as told:
        read_surveys(folder)
    assert told.value.what == "A survey of the case cannot be read"
