"""What binds consent wherever it lies: the user's journal, narrations, folders that overlap."""

from __future__ import annotations

import datetime
import json
import shutil
from pathlib import Path

import media_zoo
import pytest
from test_consent import PUBLIC, REFUSED, SHA, Here, ffmpeg, released, stopped, write_case

from pipeline.model.consent import KnownSource
from pipeline.model.series import Wanted
from pipeline.store.catalogue import Catalogue
from pipeline.store.consent_files import read_file
from pipeline.store.journal import journal_path


@pytest.fixture
def fieldstop(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Here:
    return Here(tmp_path, monkeypatch, capsys)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("short") / "short.mp4"
    return media_zoo.scope_clip(path, 1.0, seed=32, audio="noise")


def test_a_withdrawal_outlives_the_catalogue_where_nothing_lies_beside_the_recording(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """A bare recording, as it lies on a card; the catalogue is lost, and OUT is another one."""
    card = tmp_path / "card"
    card.mkdir()
    clip = Path(shutil.copy(short.path, card / "a.mp4"))
    name = fieldstop("survey", clip, "--out", tmp_path / "out").value["case"]
    assert fieldstop("catalogue", "backup", tmp_path / "older").code == 0
    assert fieldstop("withdraw", name).code == 0
    catalogue = tmp_path / "catalogue.sqlite3"
    for again in (lambda: None, lambda: shutil.copyfile(tmp_path / "older", catalogue)):
        catalogue.unlink()
        again()
        made = fieldstop("make", clip, "--consent", "public", "--out", tmp_path / "new")
        stopped(made, "withdrawn")
    assert not list(card.glob("*.jsonl"))


def test_a_refusal_outlives_the_catalogue_until_a_newer_form(
    fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    case = write_case(tmp_path / "day", short, "QM-9", REFUSED)
    stopped(fieldstop("survey", case, "--out", tmp_path / "out"), "refused")
    (tmp_path / "catalogue.sqlite3").unlink()
    other = write_case(tmp_path / "other", short, "QM-10", PUBLIC)
    stopped(fieldstop("survey", other, "--out", tmp_path / "new"), "refused")
    write_case(other, short, "QM-10", PUBLIC.replace("03-02", "03-03"))
    assert fieldstop("survey", other, "--out", tmp_path / "new").code == 0


def test_what_ended_before_there_was_a_journal_is_put_into_it(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "a.sqlite3") as one:
        one.withdraw("QM-11", [SHA])
        journal_path().unlink()
        one._db.execute("DELETE FROM meta WHERE name = 'journal_bytes'")  # type: ignore[union-attr]
    with Catalogue(tmp_path / "a.sqlite3"):
        pass
    with Catalogue(tmp_path / "b.sqlite3") as other:
        assert other.is_withdrawn("QM-12", [SHA]) and other.is_withdrawn("qm-11")


@pytest.mark.parametrize("how", ["torn", "letters", "folder"])
def test_a_damaged_journal_never_means_that_nothing_was_withdrawn(
    how: str, fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """Another catalogue reads a journal of which a line was lost: it asks, and says what to do."""
    with Catalogue(tmp_path / "other.sqlite3") as other:
        other.withdraw("QM-13", ["b" * 64])
        other.withdraw("QM-14", [SHA])
    case, out = write_case(tmp_path / "day", short, "QM-15", PUBLIC), tmp_path / "out"
    text = journal_path().read_bytes()
    if how == "folder":
        journal_path().unlink()
        journal_path().mkdir()
    else:
        spoiled = text[:-40] if how == "torn" else text.replace(b'"QM-14"', b"\xff\x00")
        journal_path().write_bytes(spoiled)
    assert fieldstop("withdraw", "QM-16", "--future").code == 0
    for _ in range(2):  # it stays so until it is mended
        made = fieldstop("make", case, "--out", out, "--looked", "AB", "--approve", "AB")
        assert made.code == 4 and "withdrawn.jsonl" in json.dumps(made.value["withheld"])
        assert made.value["release"] is None
    listed = fieldstop("catalogue", "--series", "--as", "json")
    assert listed.code == 0 and "QM-" not in json.dumps(listed.value)
    mended = fieldstop("catalogue", "rebuild", out)
    assert mended.code == 0 and "withdrawn.jsonl.damaged-1" in mended.value["notes"][0]
    ended = {f.case for f in read_file(journal_path()).facts}
    assert ended == {"QM-16"} | ({"QM-13"} if how != "folder" else set())
    assert not read_file(journal_path()).damaged
    assert fieldstop("catalogue").value["notes"] == []
    with Catalogue(tmp_path / "catalogue.sqlite3") as known:
        assert not known.doubt and known.is_withdrawn("qm-16")


def test_a_journal_that_was_cut_short_is_written_again(tmp_path: Path) -> None:
    """What one catalogue knows of it is not lost to the next."""
    with Catalogue(tmp_path / "a.sqlite3") as one:
        one.withdraw("QM-17", [SHA])
    for cut in (b"", b"{"):
        journal_path().write_bytes(cut)
        with Catalogue(tmp_path / "a.sqlite3") as one:
            assert bool(one.doubt) == bool(cut)
            one.mend_journal()
    journal_path().unlink()
    with Catalogue(tmp_path / "a.sqlite3"):
        pass
    with Catalogue(tmp_path / "b.sqlite3") as other:
        assert other.is_withdrawn("QM-18", [SHA])


def test_the_sound_of_a_recording_binds_what_it_is_the_narration_of(
    fieldstop: Here, tmp_path: Path
) -> None:
    """A narration in another container is known by its coded packets; others may share it."""
    one = media_zoo.scope_clip(tmp_path / "one.mp4", 2.0, seed=5, audio="noise")
    two = media_zoo.scope_clip(tmp_path / "two.mp4", 1.0, seed=6, audio="none")
    heard = tmp_path / "heard.mka"
    ffmpeg("-i", one.path, "-vn", "-c", "copy", heard)
    case, out = write_case(tmp_path / "1", one, "QM-20", PUBLIC), tmp_path / "out"
    make = ("make", write_case(tmp_path / "2", two, "QM-21", PUBLIC), "--narration", heard)
    assert fieldstop("survey", case, "--out", out).code == 0
    made = fieldstop(*make, "--approve", "AB", "--out", out)
    assert made.value["ready"] and made.code == 0, made.value
    assert fieldstop("withdraw", "QM-20").code == 0
    stopped(fieldstop(*make, "--approve", "AB", "--looked", "AB", "--out", out), "withdrawn")
    left = fieldstop("release", "QM-21", "--out", out, "--by", "AB")
    assert left.code == 4 and "withdrawn" in json.dumps(left.value)
    assert not list((out / "releases").rglob("*.mp4"))
    dry = fieldstop("batch", tmp_path / "2", "--out", out, "--dry-run")
    assert dry.code == 0  # without that narration nothing binds the case


def test_a_release_is_bound_by_its_narration_and_does_not_bind_it(tmp_path: Path) -> None:
    """Listed by a withdrawal of what the narration was taken from; not by one of its own case."""
    with Catalogue(tmp_path / "a.sqlite3") as known:
        for case, source, voice in (("QM-41", "1" * 64, ""), ("QM-42", "2" * 64, "9" * 64),
                                    ("QM-43", "3" * 64, "9" * 64)):  # fmt: skip
            record = released(tmp_path / "out", case, (source,))
            sheet = record.sheet.model_copy(update={"number": int(source[0])})
            known.add_release(record.model_copy(update={"narration": voice, "sheet": sheet}))
        packets = [f"{n:016x}" for n in range(1, 5)]
        known.learn([KnownSource(sha256="9" * 64, sounds=packets),
                     KnownSource(sha256="1" * 64, sounds=packets)])  # fmt: skip
        assert [r.sheet.case for r in known.withdraw("QM-42")] == ["QM-42"]
        assert not known.is_withdrawn("QM-43", ["3" * 64, "9" * 64])
        assert len(known.series(Wanted(), datetime.date(2026, 4, 1))[0]) == 2
        gone = {r.sheet.case for r in known.withdraw("QM-41")}
        assert gone == {"QM-41", "QM-42", "QM-43"}
        assert known.is_withdrawn("QM-43", ["3" * 64, "9" * 64])
        assert known.series(Wanted(), datetime.date(2026, 4, 1)) == ([], 3)
    done = released(tmp_path / "other", "QM-44")
    assert done.model_copy(update={"narration": SHA}).bound_by == [*done.sources, SHA]


@pytest.mark.slow
def test_sound_that_was_taken_from_a_recording_is_known_by_what_is_heard(
    fieldstop: Here, tmp_path: Path
) -> None:
    """A WAV of it as a narration, and its sound coded anew under other pictures: taken down
    when it is withdrawn, and nothing more is made before a person says that it is another."""
    one = media_zoo.scope_clip(tmp_path / "one.mp4", 8.0, seed=61, audio="noise")
    two = media_zoo.scope_clip(tmp_path / "two.mp4", 8.0, seed=62, audio="none")
    wav, mixed = tmp_path / "heard.wav", tmp_path / "mixed.mp4"
    ffmpeg("-ss", "0.7", "-i", one.path, "-vn", wav)
    ffmpeg("-i", two.path, "-ss", "0.4", "-i", one.path, "-map", "0:v", "-map", "1:a", "-c:v",
           "copy", "-c:a", "aac", "-b:a", "96k", "-shortest", mixed)  # fmt: skip
    out, seen = tmp_path / "out", ("--looked", "AB", "--approve", "AB")
    cases = {
        name: write_case(tmp_path / name, clip, name, PUBLIC)
        for name, clip in (("QM-31", one), ("QM-32", two), ("QM-33", two))
    }
    shutil.copyfile(mixed, cases["QM-33"] / "a.mp4")
    for name, more in (("QM-31", ()), ("QM-32", ("--narration", wav)), ("QM-33", ())):
        made = fieldstop("make", cases[name], *more, *seen, "--out", out)
        assert made.code == 0 and made.value["release"], made.value
    gone = fieldstop("withdraw", "QM-31")
    assert {row["case"] for row in gone.value["take_down"]} == set(cases)
    assert fieldstop("still", "QM-32", "--at", "1", "--out", out).code == 4
    for name, more in (("QM-32", ("--narration", wav)), ("QM-33", ())):
        made = fieldstop("make", cases[name], *more, "--profile", "square", "--out", out)
        assert made.code == 4 and "sounds like a recording of QM-31" in json.dumps(made.value)


@pytest.mark.parametrize("how", ["inside", "private", "case", "same"])
def test_what_is_private_never_lies_among_what_may_leave(
    how: str, fieldstop: Here, short: media_zoo.Clip, tmp_path: Path
) -> None:
    """`--out clips/releases`, and links that lead from one to the other."""
    out = tmp_path / "clips"
    (out / "releases").mkdir(parents=True)
    case = write_case(tmp_path / "day", short, "QM-22", PUBLIC)
    if how == "inside":
        (out / "private").mkdir()
    elif how == "private":
        (out / "private").symlink_to("releases")
    elif how == "case":
        (out / "private").mkdir()
        (out / "private/QM-22").symlink_to(out / "releases")
    else:
        (out / "private").mkdir()
        (out / "releases").rmdir()
        (out / "releases").symlink_to("private")
    given = out / "releases" if how == "inside" else out
    made = fieldstop("survey", case, "--out", given)
    assert made.code == 2 and "folder of releases" in made.value["error"]["what"]
    assert not [p for p in (out / "releases").rglob("*") if p.is_file()]
