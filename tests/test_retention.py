"""Private material by age and by consent: listed, and removed only when asked."""

from __future__ import annotations

import os
import time
from pathlib import Path

import media_zoo
import pytest
from test_beside import QUICK
from test_make import Shell

import pipeline
from pipeline.stages.retention import STAYS

CASE = """case = "QM-0310"
title = "Crusts"
[[recording]]
files = ["a.mp4"]
[consent]
scope = "public"
given_on = 2026-03-02
expires_on = 2090-01-01
"""


@pytest.fixture
def left(tmp_path: Path) -> Shell:
    here = Shell(tmp_path)
    here.config.write_text(here.config.read_text() + QUICK)
    case = tmp_path / "case"
    case.mkdir()
    media_zoo.scope_clip(case / "a.mp4", 2.0, size=(320, 240), seed=4, audio="noise")
    (case / "case.toml").write_text(CASE)
    made = here("make", case, "--looked", "AB", "--out", tmp_path / "out")
    assert made.code == 0, made.value
    return here


def _names(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


@pytest.mark.slow
def test_what_is_old_is_listed_and_goes_only_when_asked(left: Shell) -> None:
    out = left.folder / "out"
    private, released = out / "private/QM-0310", out / "releases/QM-0310"
    clip = (out / "releases/QM-0310/QM-0310-web-r1.mp4").read_bytes()
    (private / "clips/part-1").mkdir(parents=True)
    (private / "clips/part-1/proxy-1.mp4").write_bytes(b"old")
    assert left("retention", "--out", out).value["cases"] == [], "no policy, nothing by age"
    old = time.time() - 40 * 86400
    for path in private.rglob("*"):
        os.utime(path, (old, old))
    assert left("retention", "--out", out, "--older-than", "60").value["cases"] == []
    before, leaves = _names(private), _names(released)
    (row,) = left("retention", "--out", out, "--older-than", "30").value["cases"]
    assert row["case"] == "QM-0310" and "40 days" in row["why"] and not row["ready"]
    assert _names(private) == before, "a list removes nothing"

    done = left("retention", "--out", out, "--older-than", "30", "--purge")
    assert done.code == 0 and done.value["purged"] == ["QM-0310"]
    stays = _names(private)
    assert not [n for n in stays if n.endswith((".mp4", ".npz", ".html", ".csv", ".jpg"))]
    assert {"consent.jsonl", "QM-0310-web-r1.release.json", "QM-0310-web-r1.clip.json"} <= stays
    assert row["files"] == len(before - stays) and not (private / "clips").exists()
    assert _names(released) == leaves and (released / "QM-0310-web-r1.mp4").read_bytes() == clip
    assert (left.folder / "case/a.mp4").is_file()
    # What stays is enough: a still, a withdrawal, and the case can be made again.
    assert left("still", "QM-0310", "--at", "1", "--out", out).code == 0
    again = left("make", left.folder / "case", "--looked", "AB", "--out", out)
    assert again.code == 0, again.value
    assert left("withdraw", "QM-0310").code == 0


@pytest.mark.slow
def test_a_withdrawn_case_is_due_at_any_age_and_its_withdrawal_stays(left: Shell) -> None:
    out = left.folder / "out"
    assert left("withdraw", "QM-0310").code == 0
    (row,) = left("retention", "--out", out).value["cases"]
    assert "withdrawn" in row["why"]
    assert left("retention", "--out", out, "--purge").code == 0
    (left.folder / "catalogue.sqlite3").unlink()
    refused = left("make", left.folder / "case", "--looked", "AB", "--out", out)
    assert refused.code == 4 and refused.value["release"] is None


@pytest.mark.slow
def test_a_case_that_is_worked_on_is_left(left: Shell) -> None:
    from pipeline.store.work import WorkFolder

    out = left.folder / "out"
    assert left("withdraw", "QM-0310").code == 0
    before = _names(out / "private/QM-0310")
    with WorkFolder(out, "QM-0310").case_lock():
        busy = left("retention", "--out", out, "--purge")
    assert busy.code == 6 and busy.value["error"] and _names(out / "private/QM-0310") == before


@pytest.mark.slow
def test_links_are_removed_and_not_followed(left: Shell) -> None:
    out, other = left.folder / "out", left.folder / "other.mp4"
    other.write_bytes(b"mine")
    (out / "private/QM-0310/link.mp4").symlink_to(other)
    assert left("withdraw", "QM-0310").code == 0
    assert left("retention", "--out", out, "--purge").code == 0
    assert other.read_bytes() == b"mine" and not (out / "private/QM-0310/link.mp4").exists()


def test_every_kept_name_is_one_that_is_written() -> None:
    """A renamed document must not silently become one that is purged."""
    package = Path(pipeline.__file__).parent
    others = [p for p in package.rglob("*.py") if p.name != "retention.py"]
    code = "".join(p.read_text() for p in others)
    assert all(name.strip("*") in code for name in STAYS)
