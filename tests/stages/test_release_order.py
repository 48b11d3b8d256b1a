"""A release that was cut off by a kill is finished by the next run, and only if it is whole."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest

from pipeline.model.release import ReleaseRecord, Sheet
from pipeline.stages.release import record_unrecorded
from pipeline.store.catalogue import Catalogue
from pipeline.store.work import WorkFolder

CLIP = b"a whole clip"


def written(out: Path, *, content: bytes | None = CLIP, case: str = "HL-0142") -> WorkFolder:
    """A record with a number, and the file it speaks of, but nothing else."""
    folder = WorkFolder(out, "HL-0142")
    sheet = Sheet(
        case=case, title="Crusts", number=4, profile="web", audience="public", revision=1,
        file="HL-0142-web-r1.mp4", sha256=hashlib.sha256(CLIP).hexdigest(), duration_s=10.0,
        width_px=1920, height_px=1080, year=2026,
    )  # fmt: skip
    record = ReleaseRecord(
        sheet=sheet, released_at="2026-03-02T10:00:00+00:00", program_version="0",
        sources=["a" * 64], settings_sha256="s", plan_sha256="p", survey_sha256=[],
        consent={"scope": "public"}, mark={"seed": 1}, path="x", inputs_sha256="i",
    )  # fmt: skip
    folder.atomic_write(folder.record_file("web", 1), record.to_json())
    if content is not None:
        folder.atomic_write(folder.release_file("web", 1), content)
    return folder


def test_a_whole_file_with_a_record_is_entered(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    with Catalogue(tmp_path / "c") as catalogue:
        record_unrecorded(folder, catalogue)
        found = catalogue.latest_release("HL-0142", "web")
        assert found is not None and found.inputs_sha256 == "i"
        assert catalogue.claim_number("", "HL-0142") == 4
        sheet = json.loads(folder.sheet_file("web", 1).read_text())
        assert sheet["file"] == "HL-0142-web-r1.mp4"
        before = {p: p.stat().st_mtime_ns for p in (tmp_path / "out").rglob("*")}
        record_unrecorded(folder, catalogue)
        assert {p: p.stat().st_mtime_ns for p in (tmp_path / "out").rglob("*")} == before
        assert len(catalogue.releases()) == 1


def test_a_lost_sheet_is_written_again(tmp_path: Path) -> None:
    folder = written(tmp_path / "out")
    with Catalogue(tmp_path / "c") as catalogue:
        record_unrecorded(folder, catalogue)
        folder.sheet_file("web", 1).unlink()
        record_unrecorded(folder, catalogue)
    assert folder.sheet_file("web", 1).is_file()


@pytest.mark.parametrize(
    "changes", [{"content": b"half a cl"}, {"content": None}, {"case": "HL-0999"}]
)
def test_what_is_not_that_release_is_left_alone(tmp_path: Path, changes: dict[str, Any]) -> None:
    folder = written(tmp_path / "out", **changes)
    with Catalogue(tmp_path / "c") as catalogue:
        record_unrecorded(folder, catalogue)
        assert catalogue.releases() == []
    assert not folder.sheet_file("web", 1).exists()
