"""Consent from the command line: what was refused or withdrawn is never made again.

Whatever is lost, renamed, moved or copied. Most cases stop before anything is measured, so
these are quick.
"""

from __future__ import annotations

import datetime
import json
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import imageio_ffmpeg
import media_zoo
import pytest
from test_make import PLAIN, Result

from pipeline.cli import main
from pipeline.errors import NeedsPerson
from pipeline.model.case import CaseConsent
from pipeline.model.consent import ConsentFact, KnownConsent, case_key, narrowest
from pipeline.model.options import Options
from pipeline.model.release import ReleaseRecord, Sheet
from pipeline.review.folder import FolderBackend
from pipeline.stages.gate import consent_reasons
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import check_catalogue, claim, read_file
from pipeline.store.journal import journal_path

SHA = "a" * 64


class Here:
    """Runs `fieldstop` in this process: most of these runs end before anything heavy begins."""

    def __init__(
        self, folder: Path, patch: pytest.MonkeyPatch, caught: pytest.CaptureFixture[str]
    ) -> None:
        self.folder, self.patch, self.caught = folder, patch, caught
        self.config = folder / "config.toml"
        self.config.write_text(PLAIN)

    def __call__(self, *arguments: str | Path) -> Result:
        command = ["--json", "--quiet", "--config", str(self.config),
                   "--catalogue", str(self.folder / "catalogue.sqlite3")]  # fmt: skip
        command += map(str, arguments)
        self.patch.setattr(sys, "argv", ["fieldstop", *command])
        self.caught.readouterr()
        with pytest.raises(SystemExit) as end:
            main()
        said = self.caught.readouterr()
        assert "Traceback" not in said.err
        value = json.loads(said.out) if said.out.strip() else {}
        return Result(int(str(end.value.code)), value, said.err)


@pytest.fixture
def fieldstop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Here:
    return Here(tmp_path, monkeypatch, capsys)


@pytest.fixture(scope="session")
def short(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("short") / "short.mp4"
    return media_zoo.scope_clip(path, 1.0, seed=31, audio="noise")


def write_case(folder: Path, clip: media_zoo.Clip, case: str, consent: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    if not (folder / "a.mp4").exists():
        shutil.copyfile(clip.path, folder / "a.mp4")
    (folder / "case.toml").write_text(
        f'case = "{case}"\n[[recording]]\nfiles = ["a.mp4"]\n[consent]\n{consent}\n'
    )
    return folder


def ffmpeg(*arguments: str | Path) -> None:
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *map(str, arguments)]
    subprocess.run(command, check=True)


PUBLIC = 'scope = "public"\ngiven_on = 2026-03-02'
REFUSED = 'scope = "none"\ngiven_on = 2026-03-02'


def released(out: Path, case: str = "QM-1001", sources: tuple[str, ...] = (SHA,)) -> ReleaseRecord:
    """An OUT folder with a release of the case, as `make` leaves it, and its record."""
    sheet = Sheet(
        case=case, title="", number=None, profile="web", audience="public", revision=1,
        file=f"{case}-web-r1.mp4", sha256="f" * 64, duration_s=4.0, width_px=320, height_px=240,
        year=2026,
    )  # fmt: skip
    file = out / "releases" / case / sheet.file
    record = ReleaseRecord(
        sheet=sheet, released_at="2026-03-03T10:00:00+00:00", program_version="0",
        sources=list(sources), settings_sha256="s", plan_sha256="p", survey_sha256=[],
        consent={"scope": "public"}, mark={}, path=str(file),
    )  # fmt: skip
    file.parent.mkdir(parents=True)
    for suffix in (".mp4", ".jpg", ".sheet.json"):
        file.with_suffix(suffix).write_text("a clip")
    private = out / "private" / case
    private.mkdir(parents=True)
    (private / f"{case}-web-r1.release.json").write_text(record.to_json())
    (private / f"{case}-web-draft.mp4").write_text("a draft")
    (private / "report.html").write_text("a report")
    return record


def add(fieldstop: Here, record: ReleaseRecord) -> None:
    with Catalogue(fieldstop.folder / "catalogue.sqlite3") as catalogue:
        catalogue.add_release(record)


def stopped(made: Any, word: str) -> None:
    """Nothing was made of it, and nothing measured."""
    assert made.code == 4, made.value
    said = json.dumps(made.value["withheld"])
    assert word in said, said
    assert made.value["release"] is None and made.value["draft"] is None
    assert made.value["survey"] == []


def forget(folder: Path) -> None:
    """As another user: neither the catalogue nor the journal of this one is there."""
    (folder / "catalogue.sqlite3").unlink()
    journal_path().unlink(missing_ok=True)


def test_a_withdrawal_outlives_every_catalogue(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """Lost, emptied, another, another user's: told by OUT and by the case folder."""
    out, case = tmp_path / "out", write_case(tmp_path / "day/QM-7", short, "QM-7", PUBLIC)
    assert fieldstop("survey", case, "--out", out).code == 0
    gone = fieldstop("withdraw", "QM-7")
    assert gone.code == 0 and gone.value["cases"] == ["QM-7"]
    assert [s for s in gone.value["sheets"] if s.endswith("private/QM-7/take-down.json")]
    stopped(fieldstop("make", case, "--out", out), "withdrawn")
    for command in ("survey", "clip"):
        more = ("--from", "0", "--to", "1") if command == "clip" else ()
        stopped(fieldstop(command, case, "--out", out, *more), "withdrawn")

    catalogue = tmp_path / "catalogue.sqlite3"
    kept = tmp_path / "kept.sqlite3"
    catalogue.rename(kept)
    journal_path().unlink()  # another user's
    stopped(fieldstop("make", case, "--out", out), "rebuild")  # asks, and begins nothing
    catalogue.write_bytes(b"")
    stopped(fieldstop("make", case, "--out", out), "rebuild")
    os.utime(catalogue, (0, 0))
    stopped(fieldstop("make", case, "--out", out), "rebuild")
    assert fieldstop("catalogue", "rebuild", out).code == 0
    stopped(fieldstop("make", case, "--out", out), "withdrawn")
    # Another OUT: the case folder tells; renamed, or the recording alone, also.
    for _ in range(2):
        forget(tmp_path)
        stopped(fieldstop("make", case, "--out", tmp_path / "new"), "withdrawn")
        case = case.rename(tmp_path / "renamed") if case.name != "renamed" else case
        shutil.rmtree(tmp_path / "new")
    stopped(
        fieldstop("make", case / "a.mp4", "--consent", "public", "--out", tmp_path / "new"),
        "withdrawn",
    )
    # One of the two places was deleted: the other one tells, and it is written again.
    forget(tmp_path)
    shutil.rmtree(tmp_path / "new")
    (case / "consent.jsonl").unlink()
    (out / "private/QM-7/take-down.json").unlink()
    assert fieldstop("catalogue", "rebuild", out).code == 0
    stopped(fieldstop("make", case, "--out", tmp_path / "new"), "withdrawn")
    assert (case / "consent.jsonl").is_file()
    lines = (case / "consent.jsonl").read_text().splitlines()
    assert [ConsentFact.model_validate_json(line).what for line in lines] == ["withdrawn"]


def test_a_rebuild_keeps_withdrawals_from_wherever_it_runs(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """OUT given relative, then withdrawn from elsewhere, then OUT moved."""
    case = write_case(tmp_path / "day/QM-7", short, "QM-7", PUBLIC)
    monkeypatch.chdir(tmp_path)
    assert fieldstop("survey", case, "--out", "out").code == 0
    monkeypatch.chdir("/")
    assert fieldstop("withdraw", "QM-7").code == 0
    assert (tmp_path / "out/private/QM-7/take-down.json").is_file()
    (case / "consent.jsonl").unlink()
    forget(tmp_path)
    (tmp_path / "out").rename(tmp_path / "moved")
    monkeypatch.chdir(tmp_path)
    assert fieldstop("catalogue", "rebuild", "moved").code == 0
    stopped(fieldstop("make", case, "--out", tmp_path / "new"), "withdrawn")


@pytest.mark.parametrize("by", ["folder", "case.toml", "recording", "other spelling"])
def test_a_case_is_withdrawn_by_what_a_person_has_at_hand(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path, by: str
) -> None:
    """Its recordings need not be there: the folder alone says which case it is."""
    out, case = tmp_path / "out", write_case(tmp_path / "day/Tuesday", short, "QM-7", PUBLIC)
    assert fieldstop("survey", case, "--out", out).code == 0
    recording = next(case.glob("*.mp4"))
    if by == "folder":
        recording.unlink()
    given = {"folder": case, "case.toml": case / "case.toml", "recording": recording}
    gone = fieldstop("withdraw", given.get(by, "qm-7"))
    assert gone.code == 0 and gone.value["cases"] == ["QM-7"]
    if by != "folder":
        stopped(fieldstop("make", case, "--out", out), "withdrawn")


def test_a_released_clip_says_its_case_wherever_it_lies(fieldstop: Here, tmp_path: Path) -> None:
    """Beside its sheet, in a folder that is called as another case."""
    record = released(tmp_path / "out")
    add(fieldstop, record)
    away = tmp_path / "QM-1002"
    away.mkdir()
    clip = Path(shutil.copy(record.path, away))
    clip.with_name(f"{clip.stem}.sheet.json").write_text(record.sheet.to_json())
    assert fieldstop("withdraw", clip).value["cases"] == ["QM-1001"]


def test_a_recording_that_nothing_was_made_of_is_not_withdrawn(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    done = fieldstop("withdraw", shutil.copy(short.path, tmp_path / "a.mp4"))
    assert done.code == 3 and "nothing was withdrawn" in done.value["error"]["what"]


@pytest.mark.parametrize("name", ["QM-9001", "", "   ", "QM-1000"])
def test_an_unknown_case_is_not_withdrawn(fieldstop: Here, tmp_path: Path, name: str) -> None:
    add(fieldstop, released(tmp_path / "out"))
    done = fieldstop("withdraw", name)
    assert done.code == 3 and done.value["error"]["what"]
    if name == "QM-1000":
        assert "QM-1001" in done.value["error"]["got"]
    if name.strip():
        assert fieldstop("withdraw", name, "--future").code == 0


@pytest.mark.parametrize("name", ["QM-1001", "qm-1001", "QM-1O01", " QM-1001 ", "QM-l001",
                                  "\u039c-1001".join(("Q", "")), "QM-1\u041e01"])  # fmt: skip
def test_names_that_look_alike_withdraw_the_case(
    fieldstop: Here, tmp_path: Path, name: str
) -> None:
    """Greek Mu and Cyrillic O among them; UTS 39 lists both as looking like the Latin ones."""
    add(fieldstop, released(tmp_path / "out"))
    done = fieldstop("withdraw", name)
    assert done.code == 0 and done.value["cases"] == ["QM-1001"]
    assert len(done.value["take_down"]) == 1


def test_what_is_to_take_down_is_named_and_moved(fieldstop: Here, tmp_path: Path) -> None:
    out = tmp_path / "out"
    record = released(out)
    add(fieldstop, record)
    folder = Path(record.path).parent
    inside = fieldstop("withdraw", "QM-1001", "--move-to", out / "releases/old")
    assert inside.code == 2
    loose = out / "private/QM-1001/loose/recording-1.mp4"
    loose.parent.mkdir(parents=True, exist_ok=True)
    (tmp_path / "loose.mp4").write_text("a recording")
    loose.symlink_to(tmp_path / "loose.mp4")
    done = fieldstop("withdraw", "QM-1001", "--move-to", tmp_path / "away")
    assert done.code == 0
    assert done.value["take_down"][0]["file"] == record.path
    kept = {Path(row["file"]).name: row["what"] for row in done.value["kept"]}
    assert kept["QM-1001-web-draft.mp4"] == "draft" and kept["report.html"] == "report"
    assert "recording-1.mp4" not in kept, "a link is no copy"
    sheet = json.loads((out / "private/QM-1001/take-down.json").read_text())
    assert sheet["kept"] == done.value["kept"] and len(sheet["moved"]) == 3
    assert not any(folder.iterdir())
    assert (tmp_path / "away/QM-1001/QM-1001-web-r1.mp4").read_text() == "a clip"
    assert (out / "private/QM-1001/QM-1001-web-draft.mp4").is_file(), "nothing is deleted"
    rows = fieldstop("catalogue").value["releases"]
    assert [r["consent"] for r in rows] == ["withdrawn"]


def test_a_sheet_that_cannot_be_written_is_an_error_after_the_withdrawal(
    fieldstop: Here, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    add(fieldstop, released(out))
    (out / "private/QM-1001/take-down.json").mkdir()
    done = fieldstop("withdraw", "QM-1001")
    assert done.code == 6 and "take-down" in done.value["error"]["got"]
    assert fieldstop("catalogue").value["releases"][0]["consent"] == "withdrawn"
    # The OUT folder is not where it was.
    out.rename(tmp_path / "moved")
    done = fieldstop("withdraw", "QM-1001")
    assert done.code == 6 and "--out" in done.value["error"]["got"]
    (tmp_path / "moved/private/QM-1001/take-down.json").rmdir()
    done = fieldstop("withdraw", "QM-1001", "--out", tmp_path / "moved")
    assert done.code == 0 and "moved" in done.value["take_down"][0]["file"]


def test_a_refusal_binds_the_recording_until_a_newer_form(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    case = write_case(tmp_path / "QM-8", short, "QM-8", REFUSED)
    stopped(fieldstop("make", case, "--out", out), "refused")
    bare = tmp_path / "elsewhere.mp4"
    shutil.copyfile(short.path, bare)
    stopped(fieldstop("make", bare, "--consent", "public", "--out", out), "refused")
    write_case(case, short, "QM-8", PUBLIC)
    stopped(fieldstop("survey", case, "--out", out), "refused")
    write_case(tmp_path / "other", short, "QM-9", PUBLIC)
    stopped(fieldstop("survey", tmp_path / "other", "--out", out), "refused")
    forget(tmp_path)
    stopped(fieldstop("survey", case, "--out", tmp_path / "new"), "refused")
    write_case(case, short, "QM-8", PUBLIC.replace("03-02", "03-03"))
    assert fieldstop("survey", case, "--out", tmp_path / "new").code == 0


def test_a_catalogue_that_does_not_know_out_asks(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """New, another one, and a backup that is older than what lies in OUT."""
    out, catalogue = tmp_path / "out", tmp_path / "catalogue.sqlite3"
    first = released(out)
    stopped(fieldstop("make", short.path, "--out", out), "rebuild")
    assert fieldstop("catalogue", "rebuild", out).code == 0
    assert fieldstop("survey", short.path, "--out", out).code == 0
    assert fieldstop("catalogue", "backup", tmp_path / "backup").code == 0
    second = released(out, "QM-1002", ("b" * 64,))
    add(fieldstop, second)
    assert fieldstop("survey", short.path, "--out", out).code == 0
    shutil.copyfile(tmp_path / "backup", catalogue)
    stopped(fieldstop("make", short.path, "--out", out), "rebuild")
    batch = fieldstop("batch", short.path.parent, "--out", out, "--consent", "public")
    assert batch.code == 4 and "rebuild" in batch.value["error"]["do"]
    assert fieldstop("catalogue", "rebuild", out).code == 0
    cases = {r["case"] for r in fieldstop("catalogue").value["releases"]}
    assert cases == {first.sheet.case, second.sheet.case}


def test_of_two_runs_that_begin_together_neither_asks(tmp_path: Path) -> None:
    """One sees the other's record before its row: only another catalogue does not know OUT."""
    out = tmp_path / "out"
    (out / "private").mkdir(parents=True)
    with Catalogue(tmp_path / "a.sqlite3") as one, Catalogue(tmp_path / "b.sqlite3") as other:
        claim(out, one)  # as a release does before it writes its record
        claim(out, other)
        released(out)
        assert check_catalogue(out, one).records
        with pytest.raises(NeedsPerson, match="does not know"):
            check_catalogue(out, other)


def test_a_record_that_is_seen_before_its_row_is_no_stranger_s(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As another case of the same day sees it, at work beside this one."""
    seen, add_release = [], Catalogue.add_release

    def late(self: Catalogue, record: ReleaseRecord, **how: bool) -> None:
        seen.append(check_catalogue(tmp_path / "out", self).records)
        add_release(self, record, **how)

    monkeypatch.setattr(Catalogue, "add_release", late)
    done = fieldstop("make", short.path, "--out", tmp_path / "out", "--consent", "public",
                     "--approve", "AB", "--looked", "AB")  # fmt: skip
    assert done.code == 0, done.value
    assert [len(records) for records in seen] == [1]


@pytest.mark.parametrize("where", ["out", "beside"])
def test_a_damaged_line_binds_what_is_readable_and_asks(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path, where: str
) -> None:
    out = tmp_path / "out"
    case = write_case(tmp_path / "QM-7", short, "QM-7", PUBLIC)
    teaching = write_case(tmp_path / "QM-5", short, "QM-5", 'scope = "teaching"')
    (teaching / "a.mp4").write_bytes(short.path.read_bytes() + b"\0" * 8)  # another file
    assert fieldstop("survey", teaching, "--out", out).code == 0
    assert fieldstop("survey", case, "--out", out).code == 0
    path = {"out": out / "private/QM-5", "beside": teaching}[where] / "consent.jsonl"
    text = path.read_text()
    path.write_text(text + text[: len(text) // 2])
    with Catalogue(tmp_path / "catalogue.sqlite3") as known:
        assert known.consent_for([], "QM-5").scope == "teaching"
    made = fieldstop("make", teaching, "--profile", "lecture", "--out", out)
    assert made.code == 4 and "cannot be read" in json.dumps(made.value["withheld"])
    if where == "out":
        noted = fieldstop("catalogue", "rebuild", out)
        assert "QM-5" in noted.value["notes"][0]
        assert path.read_text().startswith(text) and not read_file(path).damaged
        aside = path.with_name("consent.jsonl.damaged-1")
        assert aside.read_text().startswith(text + text[: len(text) // 2])
    again = fieldstop("survey", teaching, "--out", out)
    assert again.code == 0


def test_a_case_folder_that_is_for_reading_only_is_left_as_it_is(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    case = write_case(tmp_path / "QM-7", short, "QM-7", REFUSED)
    (case / "consent.jsonl").mkdir()  # root may write into a read-only folder
    stopped(fieldstop("make", case, "--out", tmp_path / "out"), "refused")
    assert (tmp_path / "out/private/QM-7/consent.jsonl").is_file()


def test_another_container_or_a_part_of_it_is_the_same_recording(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """Refused under one name; a remux, a part and its sound under another are refused too."""
    out, case = tmp_path / "out", tmp_path / "QM-8"
    case.mkdir()
    ffmpeg("-i", short.path, "-c:v", "libx264", "-g", "8", case / "a.mp4")
    write_case(case, short, "QM-8", REFUSED)
    stopped(fieldstop("make", case, "--out", out), "refused")
    copies = {
        "copy.mkv": ("-c", "copy"),
        "part.ts": ("-ss", "0.4", "-c", "copy"),
        "sound.mp4": ("-vf", "scale=160:120", "-c:a", "copy"),
    }
    for name, how in copies.items():
        ffmpeg("-i", case / "a.mp4", *how, tmp_path / name)
        made = fieldstop("make", tmp_path / name, "--consent", "public", "--out", out)
        stopped(made, "refused")
    # The same with the catalogue lost, told by the private folder alone.
    forget(tmp_path)
    (case / "consent.jsonl").unlink()
    assert fieldstop("catalogue", "rebuild", out).code == 0
    made = fieldstop("make", tmp_path / "part.ts", "--consent", "public", "--out", out)
    stopped(made, "refused")
    other = media_zoo.scope_clip(tmp_path / "other.mp4", 1.0, seed=32, audio="silence").path
    assert fieldstop("survey", other, "--out", out).code == 0


def test_a_copy_coded_anew_needs_a_person(fieldstop: Here, tmp_path: Path) -> None:
    """Five seconds of it, smaller and badly coded, as a recording of its own; told by the
    survey, and by the gate of `make` (a need that --approve resolves)."""
    made = media_zoo.scope_clip(tmp_path / "made.mp4", 8.0, seed=44, audio="silence")
    case, out = tmp_path / "QM-7", tmp_path / "out"
    case.mkdir()
    shutil.copyfile(made.path, case / "a.mp4")
    write_case(case, made, "QM-7", PUBLIC)
    assert fieldstop("survey", case, "--out", out).code == 0
    other = media_zoo.scope_clip(tmp_path / "other.mp4", 6.0, seed=45, audio="silence").path
    copy = tmp_path / "copy.mp4"
    ffmpeg("-ss", "2.13", "-i", made.path, "-t", "5", "-vf", "scale=240:180", "-crf", "33", "-an",
           copy)  # fmt: skip
    before = fieldstop("survey", copy, "--out", out)
    assert "look like" not in json.dumps(before.value["warnings"]), "nothing narrows QM-7 yet"
    assert fieldstop("withdraw", "QM-7").code == 0
    told = fieldstop("survey", copy, "--out", out)
    assert "look like those of a recording of QM-7" in json.dumps(told.value["warnings"])
    assert "look like" not in json.dumps(fieldstop("survey", other, "--out", out).value)
    # The catalogue lost: the fingerprint stands beside the material.
    forget(tmp_path)
    assert fieldstop("catalogue", "rebuild", out).code == 0
    told = fieldstop("survey", copy, "--out", out)
    assert "look like those of a recording of QM-7" in json.dumps(told.value["warnings"])


@pytest.mark.parametrize("seconds", [1.0, 2.5])
def test_a_short_copy_coded_anew_needs_a_person(
    fieldstop: Here, tmp_path: Path, seconds: float
) -> None:
    """A recording too short for a window of moments is compared by those that it has."""
    made = media_zoo.scope_clip(tmp_path / "made.mp4", seconds, seed=44, audio="none")
    case, out = tmp_path / "QM-7", tmp_path / "out"
    write_case(case, made, "QM-7", REFUSED)
    stopped(fieldstop("make", case, "--out", out), "refused")
    copy = tmp_path / "copy.mp4"
    ffmpeg("-i", made.path, "-vf", "scale=240:180", "-crf", "33", copy)
    asked = fieldstop("make", copy, "--consent", "public", "--out", out, "--looked", "AB")
    assert asked.code == 4 and set(asked.codes) == {"likeness"}, asked.value
    assert asked.value["release"] is None
    other = media_zoo.scope_clip(tmp_path / "other.mp4", seconds, seed=46, audio="none").path
    told = fieldstop("survey", other, "--out", out)
    assert "look like" not in json.dumps(told.value["warnings"])


@pytest.mark.slow
def test_only_a_person_says_that_it_is_another_recording(fieldstop: Here, tmp_path: Path) -> None:
    made = media_zoo.scope_clip(tmp_path / "made.mp4", 8.0, seed=44, size=(640, 480), audio="noise")
    case, out = tmp_path / "QM-7", tmp_path / "out"
    copy = tmp_path / "copy.mp4"
    ffmpeg("-i", made.path, "-vf", "scale=480:360", "-crf", "30", "-af", "volume=0.9", copy)
    waits = fieldstop("make", copy, "--consent", "public", "--out", tmp_path / "early")
    assert waits.code == 0 and waits.value["ready"]
    write_case(case, made, "QM-7", REFUSED)
    stopped(fieldstop("make", case, "--out", out), "refused")
    # What is refused meanwhile holds back what was ready before, on every way out; where what was
    # measured of it is gone too.
    measured = tmp_path / f"early/private/{waits.value['case']}/series.npz"
    kept = measured.read_bytes()
    for broken in (b"", kept[:100], None):
        measured.unlink() if broken is None else measured.write_bytes(broken)
        late = fieldstop("release", waits.value["case"], "--by", "AB", "--out", tmp_path / "early")
        assert late.code == 4 and "likeness" in late.codes, late.value
    measured.write_bytes(kept)
    for command in (("release", waits.value["case"], "--by", "AB"),
                    ("make", copy, "--consent", "public", "--looked", "AB")):  # fmt: skip
        late = fieldstop(*command, "--out", tmp_path / "early")
        assert late.code == 4 and set(late.codes) == {"likeness"}, late.value  # pictures, sound
    asked_of = ("make", copy, "--consent", "public", "--out", out, "--looked", "AB")
    asked = fieldstop(*asked_of)
    assert asked.code == 4 and "likeness" in asked.codes and asked.value["release"] is None
    answered = (*asked_of, "--approve", "AB")  # for all else that is open, not for this
    assert set(fieldstop(*answered).codes) == {"likeness"}
    assert fieldstop(*asked_of, "--another-recording").code == 2  # who says so?
    resolved = fieldstop(*answered, "--another-recording")
    assert resolved.code == 0, resolved.value
    # What is the same by its coded packets is not for a person to say.
    ffmpeg("-i", case / "a.mp4", "-c", "copy", tmp_path / "same.mkv")
    same = fieldstop("make", tmp_path / "same.mkv", "--consent", "public", "--out", out,
                     "--looked", "AB", "--approve", "AB")  # fmt: skip
    stopped(same, "refused")


def test_the_page_shows_nothing_of_a_withdrawn_case(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """Also while it runs: the withdrawal comes from another process."""
    out, case = tmp_path / "out", write_case(tmp_path / "QM-7", short, "QM-7", PUBLIC)
    assert fieldstop("survey", case, "--out", out).code == 0
    backend = FolderBackend(out, Options(), catalogue=tmp_path / "catalogue.sqlite3")
    backend.check_open("QM-7")
    assert [row.state for row in backend.list_cases()] == ["planned"]
    assert fieldstop("withdraw", "QM-7").code == 0
    assert [row.state for row in backend.list_cases()] == ["closed"]
    for ask in (backend.check_open, backend.session.prepare):
        with pytest.raises(NeedsPerson, match="withdrawn"):
            ask("QM-7")
    # Nor with another catalogue: take-down.json alone says so.
    (out / "private/QM-7/consent.jsonl").unlink()
    other = FolderBackend(out, Options(), catalogue=tmp_path / "other.sqlite3")
    with pytest.raises(NeedsPerson, match="withdrawn"):
        other.check_open("QM-7")
    forget(tmp_path)
    assert fieldstop("review", out, "--no-browser").code == 4


def test_a_sheet_beside_another_case_withdraws_that_case_alone(
    fieldstop: Here, tmp_path: Path
) -> None:
    """Two cases share a recording: the other keeps what it is made of besides."""
    out = tmp_path / "out"
    for record in (released(out), released(out, "QM-2", (SHA, "b" * 64))):
        add(fieldstop, record)
    done = fieldstop("withdraw", "QM-1001")
    assert {row["case"] for row in done.value["take_down"]} == {"QM-1001", "QM-2"}
    forget(tmp_path)
    assert fieldstop("catalogue", "rebuild", out).code == 0
    with Catalogue(tmp_path / "catalogue.sqlite3") as known:
        assert known.is_withdrawn("NEW", [SHA]) and known.is_withdrawn("QM-1001")
        assert not known.is_withdrawn("NEW", ["b" * 64]) and not known.is_withdrawn("QM-2")


def test_a_link_beside_the_case_leads_nothing_astray(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """Nothing is written through a link, and a pipe is not waited for."""
    case = write_case(tmp_path / "QM-7", short, "QM-7", REFUSED)
    victim = tmp_path / "notes.txt"
    victim.write_text("")
    (case / "consent.jsonl").symlink_to(victim)
    stopped(fieldstop("make", case, "--out", tmp_path / "out"), "refused")
    assert victim.read_text() == ""
    (case / "consent.jsonl").unlink()
    os.mkfifo(case / "consent.jsonl")
    stopped(fieldstop("make", case, "--out", tmp_path / "out"), "refused")


def test_keys_of_names() -> None:
    """The look-alikes of Unicode Technical Standard 39 that a case name may hold."""
    assert case_key("HL-0142") == case_key("\uff28L\u20110\u200b142 ")
    assert case_key("HL-0142") != case_key("HL-0143")
    assert case_key(" \u200b") == ""


def test_consent_that_nobody_wrote_down_reads_as_not_asked_yet() -> None:
    left_out = KnownConsent("none", True, False, None, None, False, ())
    assert left_out.refusal("public", datetime.date(2026, 3, 2)).startswith(
        "consent was not asked for yet"
    )


def test_a_withheld_clip_is_told_what_would_let_it_out() -> None:
    """Where a scope is missing; not where nothing can be done, and never a way to widen one."""
    day = datetime.date(2026, 3, 2)

    def reason(known: KnownConsent) -> str:
        return consent_reasons(known, "public", day)[0].message

    asked = KnownConsent("none", True, False, None, None, False, ())
    assert "case.toml" in reason(asked) and "--consent" in reason(asked)
    teaching = narrowest([CaseConsent(scope="teaching")], CaseConsent(scope="public"))
    assert "profile for teaching" in reason(teaching) and "never widened" in reason(teaching)
    for closed in (replace(asked, withdrawn=True), replace(asked, refused=True)):
        assert reason(closed) == closed.refusal("public", day)


def test_consent_that_is_to_be_reviewed_lets_nothing_leave_until_it_was(
    fieldstop: Here, tmp_path: Path, short: media_zoo.Clip
) -> None:
    """A day that has passed withholds, for a copy and after a lost catalogue too; a later opens."""
    signed = 'scope = "public"\ngiven_on = 2024-03-02\n'
    case = write_case(tmp_path / "case", short, "QM-0777", signed + "review_on = 2025-03-02")
    out = tmp_path / "out"
    for _ in range(2):
        stopped = fieldstop("make", case, "--out", out)
        assert (stopped.code, stopped.codes) == (4, ["consent"])
        assert "review" in stopped.value["withheld"][0]["message"]
        (tmp_path / "catalogue.sqlite3").unlink(missing_ok=True)
        assert fieldstop("catalogue", "rebuild", out).code == 0
        # Taking the line out is no review.
        write_case(tmp_path / "case", short, "QM-0777", signed)
    with Catalogue(tmp_path / "catalogue.sqlite3") as store:
        assert store.consent_for([], "QM-0777").state(datetime.date.today()) == "to review"
    copy = write_case(tmp_path / "copy", short, "QM-0778", signed)
    assert fieldstop("make", copy, "--out", out).codes == ["consent"]
    write_case(tmp_path / "case", short, "QM-0777", signed + "review_on = 2090-03-02")
    assert fieldstop("make", case, "--out", out).code == 0


def test_staff_and_purpose_bind_nobody_else_and_stay_private(
    fieldstop: Here, tmp_path: Path, short: media_zoo.Clip
) -> None:
    said = 'scope = "public"\ngiven_on = 2024-03-02\nvoice = true\npurpose = "a private word"\n'
    case = write_case(tmp_path / "case", short, "QM-0779", said)
    out = tmp_path / "out"
    made = fieldstop("make", case, "--looked", "AB", "--out", out)
    assert made.code == 0 and "staff = true" in Path(made.value["plan"]).read_text()
    leaves = [p for p in (out / "releases").rglob("*") if p.is_file()]
    assert leaves and not any(b"private word" in p.read_bytes() for p in leaves)
    write_case(tmp_path / "case", short, "QM-0779", said + "staff = true")
    again = fieldstop("make", case, "--looked", "AB", "--out", out)
    assert again.code == 0 and "staff = true" not in Path(again.value["plan"]).read_text()


def test_what_a_case_teaches_is_read_before_it_leaves(
    fieldstop: Here, tmp_path: Path, short: media_zoo.Clip
) -> None:
    """Each part of [teaching] leaves, so a name in one withholds until a person confirms it."""
    for part in ("objective", "author", "institution", "indication", "setting", "findings",
                 "outcome"):  # fmt: skip
        case = write_case(tmp_path / part, short, "QM-0790", 'scope = "public"')
        text = (case / "case.toml").read_text()
        (case / "case.toml").write_text(f'{text}[teaching]\n{part} = "by Astrid Berglund"\n')
        stopped = fieldstop("make", case, "--out", tmp_path / "out")
        assert (stopped.code, stopped.codes) == (4, ["text"]), part
        assert "Berglund" not in stopped.said
