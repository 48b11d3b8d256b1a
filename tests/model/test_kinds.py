"""A kind of finding is declared once: a trial kind shows up wherever kinds are shown."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from pydantic import ValidationError

from pipeline.model.findings import Event, Findings
from pipeline.model.kinds import KINDS
from pipeline.model.options import LensOptions
from pipeline.model.survey import Survey
from pipeline.review.plots import LOOKS

HERE = Path(__file__).parent


def test_a_trial_kind_reaches_findings_plan_report_page_and_settings() -> None:
    ran = subprocess.run(
        [sys.executable, str(HERE / "trial_kind.py")],
        capture_output=True,
        text=True,
        cwd=HERE.parents[1],
        env={"PYTHONPATH": str(HERE.parents[1]), "PATH": "/usr/bin:/bin"},
    )
    assert ran.returncode == 0, ran.stderr[-2000:]
    told = json.loads(ran.stdout)
    (event,) = told["events"]
    assert (event["kind"], event["start_s"], event["stop_s"]) == ("bubbles", 6.0, 9.0)
    assert (event["peak_loss"], event["confidence"]) == (0.6, 0.6)
    assert told["fewer"] == 0 and told["read"] and told["schema"]
    assert told["edits"] == [["bubbles", "cut"]]
    assert told["report"] == [True, True, True]
    (payload,) = told["payload"]
    assert payload["name"] == "Bubbles on the lens" and payload["event"]
    assert payload["actions"] == ["keep", "cut", "freeze", "clear"]
    assert [line.split(" = ")[0] for line in told["settings"]] == ["bubbles", "bubbles_share"]


def test_kinds_are_told_apart_without_hue() -> None:
    """By sign, or by pattern where two share it; the sign is one letter."""
    assert len({k.kind for k in KINDS}) == len(KINDS)
    assert len({k.sign for k in KINDS}) == len(KINDS) and all(len(k.sign) == 1 for k in KINDS)
    assert {k.kind for k in KINDS} <= set(LOOKS)


@pytest.mark.parametrize("kind", [k for k in KINDS if k.setting], ids=lambda k: k.kind)
def test_what_a_person_may_choose_can_be_set_too(kind: object) -> None:
    from pipeline.model.kinds.kind import Kind

    assert isinstance(kind, Kind)
    assert kind.action in kind.choices and set(kind.actions) <= set(kind.choices)
    for choice in kind.choices:
        assert getattr(LensOptions.model_validate({kind.kind: choice}), kind.kind) == choice
    with pytest.raises(ValidationError):
        LensOptions.model_validate({kind.kind: "melt"})


def test_an_unknown_kind_is_no_event() -> None:
    with pytest.raises(ValidationError, match="no kind of disturbance"):
        Event(kind="rain", start_s=0, stop_s=1, confidence=1)
    with pytest.raises(ValidationError):
        Event(kind="lettering", start_s=0, stop_s=1, confidence=1)


def test_a_survey_of_version_1_is_read_with_what_it_held() -> None:
    text = (HERE / "baseline" / "survey-1.json").read_text()
    survey = Survey.model_validate_json(text)
    assert survey.schema_ == "fieldstop.survey/2" and survey.field[0].shape == "circle-clipped"
    assert Survey.model_validate_json(survey.to_json()) == survey
    found = Findings.of_survey_1(json.loads(text))
    assert [e.kind for e in found.events] == ["fog"] and found.sha256 == survey.recording.sha256
    assert found.speech.procedure == [(3.0, 4.5)] and found.speech.undecided_why == ["too low"]
    with pytest.raises(ValueError, match="version 1"):
        Findings.of_survey_1(json.loads(survey.to_json()))
    with pytest.raises(ValidationError):  # of version 2 and yet with events: nothing is dropped
        Survey.model_validate(json.loads(survey.to_json()) | {"events": []})
