"""What lies in an OUT folder: how each case ended, why, its clips and its files."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from pipeline.model.outcome import Outcome
from pipeline.model.release import Withheld
from pipeline.review.backend import CaseSummary
from pipeline.review.case.listing import since_then
from pipeline.review.cases import (
    BatchEnd,
    case_files,
    failed_in_batch,
    keep_outcome,
    outcome_in,
    with_failed,
)
from pipeline.store.work import WorkFolder


def run(folder: Any, state: str, why: str = "") -> Any:
    withheld = [Withheld(code="consent", message=why)] if why else []
    plan = SimpleNamespace(title="Left side", duration_s=12.5)
    return SimpleNamespace(folder=folder, state=state, plan=plan, withheld=withheld)


def test_how_a_run_ended_is_noted_privately(tmp_path: Path) -> None:
    folder = WorkFolder(tmp_path, "HL-0142")
    folder.prepare()
    keep_outcome(run(folder, "withheld", "no consent is known"))
    found = outcome_in(folder.private_dir)
    assert found is not None and found.state == "withheld" and found.clip_s == 12.5
    assert found.withheld[0].message == "no consent is known"
    (folder.private_dir / "outcome.json").write_text("{")
    assert outcome_in(folder.private_dir) is None


def test_files_of_a_case_and_of_its_clips(tmp_path: Path) -> None:
    folder = WorkFolder(tmp_path, "HL-0142")
    folder.prepare()
    clip = WorkFolder(tmp_path, "HL-0142", "2s-8s")
    clip.prepare()
    folder.releases_dir.mkdir()
    for path in (
        folder.releases_dir / "HL-0142-web-r1.mp4",
        folder.releases_dir / "HL-0142-lecture-2s-8s-r1.mp4",
        folder.releases_dir / ".HL-0142-web-r2.mp4.part",
        folder.private_dir / "HL-0142-web-draft.mp4",
        folder.private_dir / "decisions.json",
        clip.private_dir / "report.html",
    ):
        path.write_bytes(b"x")
    (folder.private_dir / "other-ready.mp4").symlink_to("/etc/hostname")
    assert [(f.clip, f.place) for f in case_files(folder)] == [
        ("", "releases/HL-0142/HL-0142-web-r1.mp4"),
        ("", "private/HL-0142/HL-0142-web-draft.mp4"),
        ("2s-8s", "releases/HL-0142/HL-0142-lecture-2s-8s-r1.mp4"),
        ("2s-8s", "private/HL-0142/clips/2s-8s/report.html"),
    ]


def test_failed_cases_are_listed_with_what_to_do(tmp_path: Path) -> None:
    assert failed_in_batch(tmp_path) == []
    report = {
        "schema": "fieldstop.batch/1", "program_version": "0", "profile": "web",
        "started_at": "2026-03-02T08:00:00+00:00",
        "cases": [
            {"case": "HL-0150", "state": "failed",
             "error": {"what": "A recording cannot be read", "got": "truncated",
                       "do": "copy it again"}},
            {"case": "HL-0151", "state": "released"},
        ],
    }  # fmt: skip
    (tmp_path / "batch.json").write_text(json.dumps(report))
    (end,) = failed_in_batch(tmp_path)
    assert end == BatchEnd("HL-0150", "A recording cannot be read (truncated). Copy it again.")
    rows = [CaseSummary("HL-0142", "", "ready", 0, 9), CaseSummary("HL-0150", "", "planned", 0, 9)]
    listed = with_failed(rows, [end, BatchEnd("HL-0152", "It failed.")])
    assert [(r.case, r.state) for r in listed] == [
        ("HL-0152", "failed"), ("HL-0142", "ready"), ("HL-0150", "failed"),
    ]  # fmt: skip


def test_a_failed_check_withholds_until_it_is_made_again_and_what_was_resolved_does_not() -> None:
    def ended(*codes: str) -> Outcome:
        return Outcome(
            state="withheld", withheld=[Withheld(code=c, message=f"{c}!") for c in codes]
        )

    assert since_then(ended("damage", "check"), False) == ("withheld", "check!")
    assert since_then(ended("damage"), False) == ("planned", "")
    assert since_then(None, False) == ("planned", "")
    state, why = since_then(Outcome(state="ready"), True)
    assert state == "overtaken" and "make it again" in why


def test_the_name_of_a_file_keeps_its_letters(tmp_path: Path) -> None:
    report = {
        "schema": "fieldstop.batch/1", "program_version": "0", "profile": "web",
        "started_at": "2026-03-02T08:00:00+00:00",
        "cases": [{"case": "HL-0150", "state": "failed",
                   "error": {"what": "case.toml: `side` is bad", "got": "", "do": "mend it"}}],
    }  # fmt: skip
    (tmp_path / "batch.json").write_text(json.dumps(report))
    (end,) = failed_in_batch(tmp_path)
    assert end.reason == "case.toml: `side` is bad. Mend it."
