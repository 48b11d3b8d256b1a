"""Ready: verified and kept until a person has looked; then released without rendering again."""

from __future__ import annotations

import json
import os
import pty
import re
import subprocess
import sys
import time
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import media_zoo
import pytest
from test_make import Shell, case_folder, sha256

from pipeline.model.consent import KnownConsent
from pipeline.model.options import Options
from pipeline.model.release import Check, Looked, Withheld
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import append, sign, undo, version
from pipeline.review.folder import FolderBackend
from pipeline.settings import load_options, packaged, profiles, settings_sha256
from pipeline.stages.gate import may_leave, verdict
from pipeline.store.work import WorkFolder


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("ready") / "a.mp4"
    return media_zoo.scope_clip(path, 3.0, size=(320, 240), seed=5, audio="noise")


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


GIVEN = "field = [166, 120, 112]\n"


def made(fieldstop: Shell, tiny: media_zoo.Clip, *more: str, **values: Any) -> Any:
    folder = fieldstop.folder / "case"
    if not folder.exists():
        case_folder(folder, tiny, recording=GIVEN)
    return fieldstop("make", folder, *more, "--out", fieldstop.folder / "out", **values)


def release(fieldstop: Shell, *more: str) -> Any:
    return fieldstop("release", *more, "--out", fieldstop.folder / "out")


def mp4s(fieldstop: Shell) -> list[str]:
    return sorted(p.name for p in (fieldstop.folder / "out" / "releases").rglob("*.mp4"))


# --- the gate is pure -------------------------------------------------------------------

LOOKED = Looked(by="AB", at="2026-05-02T10:00:00+00:00", how="release")
WHY = [Withheld(code="consent", message="no consent is known")]


@pytest.mark.parametrize(
    ("reasons", "look", "looked", "state"),
    [
        ([], "before-release", None, "ready"),
        ([], "before-release", LOOKED, "release"),
        ([], "after", None, "release"),
        ([], "after", LOOKED, "release"),
        (WHY, "before-release", LOOKED, "withheld"),  # a look resolves no consent
        (WHY, "after", LOOKED, "withheld"),
    ],
)
def test_verdict(reasons: Any, look: Any, looked: Any, state: str) -> None:
    assert verdict(reasons, look, looked).state == state


def leaves(scope: Any = "public", *, voice: bool = True, ended: date | None = None,
           passed: bool = True, **more: Any) -> Any:  # fmt: skip
    """The verdict on a clip that was made under a consent that covers voices, on 2 May 2026."""
    consent = KnownConsent(scope, True, False, None, ended, voice, ())
    clip: Any = SimpleNamespace(
        voice=True, checks=[Check(check="streams", measured=1, limit=1, unit="", passed=passed)]
    )
    output = Options().output.model_copy(update={"look": "before-release"})
    assert output.audience == "public"
    return may_leave(clip, consent, None, LOOKED, output, date(2026, 5, 2), **more)


def test_what_lets_a_finished_clip_leave() -> None:
    assert leaves().state == "release" and leaves().looked == LOOKED
    alike = [Withheld(code="likeness", message="looks like another")]
    for why, found in (
        ("consent", leaves("teaching")),
        ("consent", leaves(ended=date(2026, 5, 1))),
        ("consent", leaves(voice=False)),  # it was withdrawn for voices while the clip was made
        ("check", leaves(passed=False)),
        ("likeness", leaves(alike=alike)),
        ("changed", leaves(overtaken=[Withheld(code="changed", message="the settings")])),
    ):
        assert (found.state, [r.code for r in found.reasons]) == ("withheld", [why])
    both = leaves("none", alike=alike)
    assert [r.code for r in both.reasons] == ["consent"]  # the likeness is told when it matters


def test_profiles_that_come_with_the_program_are_looked_at_first(user_folders: Path) -> None:
    for name in profiles():
        assert load_options(name).output.look == "before-release", name
    assert Options().output.look == "before-release"
    own = user_folders / "config" / "fieldstop" / "settings.toml"
    own.parent.mkdir(parents=True)
    own.write_text('[output]\nlook = "after"\n')
    assert load_options("web").output.look == "after"
    # When it leaves is not part of what is made: a sign-off does not lapse by it.
    assert settings_sha256(load_options("web")) == settings_sha256(Options())
    assert "look" in (packaged("configs") / "default.toml").read_text()


# --- from the command line --------------------------------------------------------------


def test_made_looked_at_released(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    first = made(fieldstop, tiny)
    assert first.code == 0 and first.value["release"] is None and first.codes == []
    ready = Path(first.value["ready"])
    assert ready.is_file() and mp4s(fieldstop) == []
    document = ready.with_name("QM-0300-web.ready.json")
    assert json.loads(document.read_text())["schema"] == "fieldstop.ready/1"
    assert {os.stat(p).st_mode & 0o777 for p in (ready, document)} == {0o600}
    proof = Path(first.value["proof"]).read_text()
    assert "Nobody has looked at this clip yet" in proof and "Released" not in proof
    whole = sha256(ready)
    begun = time.monotonic()
    done = release(fieldstop, "QM-0300", "--by", "AB")
    assert done.code == 0 and done.value["ready"] is None, done.value
    assert time.monotonic() - begun < 60
    target = Path(done.value["release"])
    assert target.name == "QM-0300-web-r1.mp4" and sha256(target) == whole
    assert not ready.exists() and not document.exists()
    assert os.stat(target).st_mode & 0o444 == 0o444
    record = json.loads(Path(done.value["record"]).read_text())
    assert record["looked"]["by"] == "AB" and record["looked"]["how"] == "release"
    sheet = json.loads(Path(done.value["sheet"]).read_text())
    assert sheet["look"].startswith("A person looked") and "AB" not in json.dumps(sheet)
    private = ready.parent
    assert not (private / "QM-0300-web-proof.html").exists()
    proof = (private / "QM-0300-web-r1-proof.html").read_text()
    assert "AB looked at this clip" in proof and "Released" in proof
    report = (private / "report.html").read_text()
    assert "AB looked at this clip" in report and "Nobody has looked" not in report
    twice = release(fieldstop, "QM-0300", "--by", "AB")
    assert twice.code == 3 and "QM-0300-web-r1" in twice.said


@pytest.mark.slow
@pytest.mark.parametrize("change", ["", "edited", "endless"])
def test_what_a_release_is_found_by_is_of_its_own_file(
    fieldstop: Shell, tiny: media_zoo.Clip, change: str
) -> None:
    """Taken while it was verified; where what is kept of that was changed, from the file anew."""
    run = made(fieldstop, tiny)
    kept = Path(run.value["ready"].replace("-ready.mp4", ".ready.prints.json"))
    taken = json.loads(kept.read_text())
    if change == "edited":
        kept.write_text(json.dumps(taken | {"hashes": ""}))
    if change == "endless":
        kept.unlink()
        kept.symlink_to("/dev/zero")
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 0
    assert not kept.exists()
    prints = json.loads(next((fieldstop.folder / "out").rglob("*.prints.json")).read_text())
    assert {k: prints[k] for k in taken} == taken and len(prints["hashes"]) > 100


@pytest.mark.slow
def test_a_folder_in_the_place_of_a_file_loses_nothing(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    """In that of one that is removed it stays; of one that is written, nothing leaves before."""
    ready = Path(made(fieldstop, tiny).value["ready"])
    removed = ready.with_name("QM-0300-web.ready.prints.json")
    removed.unlink()
    removed.mkdir()
    releases = fieldstop.folder / "out" / "releases" / "QM-0300"
    for name in ("QM-0300-web-r1.prints.json", "release.json"):
        (ready.parent / name).mkdir()
        run = release(fieldstop, "QM-0300", "--by", "AB")
        assert run.code == 6 and name in run.said and not releases.exists() and ready.is_file()
        assert not (ready.parent / "QM-0300-web-r1.release.json").exists()
        (ready.parent / name).rmdir()
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 0
    assert removed.is_dir() and (releases / "QM-0300-web-r1.mp4").is_file()


def test_looked_releases_what_was_ready_without_making_it_again(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    whole = sha256(Path(made(fieldstop, tiny).value["ready"]))
    done = made(fieldstop, tiny, "--looked", "AB")
    assert done.code == 0 and sha256(Path(done.value["release"])) == whole
    record = json.loads(Path(done.value["record"]).read_text())
    assert record["looked"]["how"] == "make" and record["looked"]["clip"]


@pytest.mark.slow
def test_looked_at_once_is_recorded_as_what_it_is(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    toml = fieldstop.folder / "case" / "case.toml"
    toml.write_text('title = "Right side"\n' + toml.read_text().replace("title =", "# title ="))
    done = made(fieldstop, tiny, "--looked", "AB")
    assert done.code == 0 and done.value["ready"] is None
    proofs = {p.name for p in Path(done.value["record"]).parent.glob("*proof.html")}
    assert proofs == {"QM-0300-web-r1-proof.html"}, "none says that nobody has looked"
    record = json.loads(Path(done.value["record"]).read_text())
    assert record["looked"]["clip"] is False, "this very clip cannot have been looked at"
    assert "when this clip was made" in record["sheet"]["look"]


@pytest.mark.parametrize("by", ["Ivy Fennimore", "", "A1"])
def test_a_name_is_no_initials(fieldstop: Shell, tmp_path: Path, by: str) -> None:
    done = release(fieldstop, "QM-0300", "--by", by)
    assert done.code == 2 and "initials" in done.said and "Ivy" not in done.said


@pytest.mark.slow
def test_nothing_ready_and_a_mistyped_case(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    near = release(fieldstop, "QM-300", "--by", "AB")
    assert near.code == 3 and "QM-0300" in near.said
    assert release(fieldstop, "--by", "AB").code == 2
    everything = release(fieldstop, "--all", "--by", "AB")  # nobody is at a terminal
    assert everything.code == 2 and "QM-0300-web" in everything.said
    assert mp4s(fieldstop) == []


@pytest.mark.slow
def test_a_clip_is_named_by_its_file_or_by_its_recording(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    ready = Path(made(fieldstop, tiny).value["ready"])
    (fieldstop.folder / "other.mp4").write_bytes(tiny.path.read_bytes())
    other = release(fieldstop, str(fieldstop.folder / "other.mp4"), "--by", "AB")
    assert other.code == 3 and "that file" in other.said
    assert release(fieldstop, "", "--by", "AB").code == 3
    nowhere = fieldstop("release", "QM-0300", "--by", "AB", "--out", fieldstop.folder / "case")
    assert nowhere.code == 3 and "--out" in nowhere.said
    assert release(fieldstop, str(ready), "--by", "AB").code == 0
    made(fieldstop, tiny)
    source = fieldstop.folder / "case" / "a.mp4"
    assert release(fieldstop, str(source), "--by", "AB").code == 0


@pytest.mark.slow
def test_an_overtaken_clip_does_not_leave(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    toml = fieldstop.folder / "case" / "case.toml"
    before = toml.read_text()
    toml.write_text(before.replace("Crusts", "Other crusts"))
    other = release(fieldstop, "QM-0300", "--by", "AB")
    assert other.code == 4 and other.codes == ["changed"] and "case.toml" in str(other.value)
    toml.write_text(before)
    fieldstop.config.write_text(fieldstop.config.read_text() + '[mark]\ntext = "OTHER"\n')
    other = release(fieldstop, "QM-0300", "--by", "AB")
    assert other.code == 4 and "settings" in str(other.value["withheld"])
    assert mp4s(fieldstop) == []


@pytest.mark.slow
def test_a_run_that_is_withheld_takes_back_what_was_ready(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    ready = Path(made(fieldstop, tiny).value["ready"])
    toml = fieldstop.folder / "case" / "case.toml"
    toml.write_text(toml.read_text().replace("Crusts", "Brumblefoss"))
    assert made(fieldstop, tiny).code == 4
    assert not ready.exists() and not list(ready.parent.glob("*-proof.html"))
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 3


def test_withdrawn_meanwhile(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    assert fieldstop("withdraw", "QM-0300").code == 0
    done = release(fieldstop, "QM-0300", "--by", "AB")
    assert done.code == 4 and done.codes == ["consent"] and mp4s(fieldstop) == []


@pytest.mark.slow
def test_a_proof_without_initials_goes_out_when_asked(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    made(fieldstop, tiny)
    done = release(fieldstop, "QM-0300-web", "--by", "QZ", "--proof")
    assert done.code == 0, done.value
    sheet = json.loads(Path(done.value["sheet"]).read_text())
    outside = Path(done.value["release"]).with_name(sheet["proof"])
    whole = outside.read_text()
    text = re.sub(r"data:[^\"]+", "", whole)
    assert "QZ" not in text and "A person looked at this clip" in text
    private = fieldstop.folder / "out" / "private" / "QM-0300"
    assert "QZ" in (private / "QM-0300-web-r1-proof.html").read_text()
    # One page that asks nothing of a network, runs nothing, and names no source.
    assert "http" not in text.replace("http-equiv", "") and "<script" not in text
    assert "a.mp4" not in text and str(fieldstop.folder) not in text
    assert whole.count("data:image/jpeg") >= 1


# --- what a careless user and a thief try -----------------------------------------------


def edited(fieldstop: Shell, change: Any) -> None:
    path = fieldstop.folder / "out" / "private" / "QM-0300" / "QM-0300-web.ready.json"
    value = json.loads(path.read_text())
    change(value)
    path.write_text(json.dumps(value))


def other_audience(value: Any) -> None:
    value["plan"]["audience"] = "teaching"


def out_of_the_folder(value: Any) -> None:
    value["file"] = "../QM-0301/QM-0301-web-ready.mp4"


def another_hash(value: Any) -> None:
    value["sha256"] = "0" * 64


def other_sources(value: Any) -> None:
    value["plan"]["sources"][0]["sha256"] = "0" * 64


def nobody_answered(value: Any) -> None:
    value["approved_by"] = "QZ"


@pytest.mark.slow
def test_a_document_changed_by_hand_releases_nothing(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    made(fieldstop, tiny)
    path = fieldstop.folder / "out" / "private" / "QM-0300" / "QM-0300-web.ready.json"
    before = path.read_text()
    for change in (other_audience, out_of_the_folder, another_hash, other_sources,
                   nobody_answered):  # fmt: skip
        path.write_text(before)
        edited(fieldstop, change)
        done = release(fieldstop, "QM-0300", "--by", "AB")
        assert done.code == 3 and "changed by hand" in done.said, change.__name__
    path.write_text("{")
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 3
    assert mp4s(fieldstop) == []
    path.write_text(before)
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 0


@pytest.mark.slow
def test_a_swapped_clip_and_a_link_are_not_released(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    ready = Path(made(fieldstop, tiny).value["ready"])
    good = ready.read_bytes()
    ready.write_bytes(tiny.path.read_bytes())
    swapped = release(fieldstop, "QM-0300", "--by", "AB")
    assert swapped.code == 4 and swapped.codes == ["changed"]
    ready.unlink()
    ready.symlink_to(tiny.path)
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 3
    ready.unlink()
    gone = release(fieldstop, "QM-0300", "--by", "AB")
    assert gone.code == 3 and "not there" in gone.said
    assert mp4s(fieldstop) == [] and good


@pytest.mark.slow
def test_the_card_was_taken_out_already(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    """A source out of reach is held by the hash that was taken; another one in its place not."""
    made(fieldstop, tiny)
    source = fieldstop.folder / "case" / "a.mp4"
    source.unlink()
    source.write_bytes(b"another recording")
    other = release(fieldstop, "QM-0300", "--by", "AB")
    assert other.code == 4 and "recordings" in str(other.value["withheld"])
    source.unlink()
    toml = fieldstop.folder / "case" / "case.toml"
    before = toml.read_text()
    toml.write_text(before.replace("Crusts", "Crust"))
    other = release(fieldstop, "QM-0300", "--by", "AB")
    assert other.code == 4 and "case.toml" in str(other.value["withheld"])
    toml.write_text(before)
    done = release(fieldstop, "QM-0300", "--by", "AB")
    assert done.code == 0 and "hashes" in str(done.value["warnings"])


@pytest.mark.slow
def test_two_profiles_are_ready_at_once(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    made(fieldstop, tiny, "--profile", "lecture")
    both = release(fieldstop, "QM-0300", "--by", "AB")
    assert both.code == 2 and "QM-0300-lecture" in both.said and "QM-0300-web" in both.said
    one = release(fieldstop, "QM-0300", "--profile", "lecture", "--by", "AB")
    assert one.code == 0 and mp4s(fieldstop) == ["QM-0300-lecture-r1.mp4"]
    # The report speaks of the profile that was made last, and of nothing else.
    other = release(fieldstop, str(fieldstop.folder / "case"), "--by", "CD")
    assert other.code == 0 and mp4s(fieldstop) == ["QM-0300-lecture-r1.mp4", "QM-0300-web-r1.mp4"]
    report = (fieldstop.folder / "out" / "private" / "QM-0300" / "report.html").read_text()
    assert "AB looked" in report and "CD looked" not in report


@pytest.mark.slow
def test_answering_is_no_look_and_looking_no_answer(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    # A title that is not of the vocabulary: a person has to answer for it.
    title = {"title": "Brumblefoss"}
    case_folder(fieldstop.folder / "case", tiny, recording=GIVEN, top=title)
    looked = made(fieldstop, tiny, "--looked", "AB")
    assert looked.code == 4 and looked.value["release"] is None and looked.value["ready"] is None
    assert looked.value["proof"] is None
    answered = made(fieldstop, tiny, "--approve", "AB")
    assert answered.code == 0 and answered.value["ready"] and mp4s(fieldstop) == []
    both = made(fieldstop, tiny, "--approve", "AB", "--looked", "CD")
    record = json.loads(Path(both.value["record"]).read_text())
    assert (record["approved_by"], record["looked"]["by"]) == ("AB", "CD")


@pytest.mark.slow
def test_killed_between_the_release_and_the_tidying(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    private = Path(made(fieldstop, tiny).value["ready"]).parent
    names = ["QM-0300-web-ready.mp4", "QM-0300-web.ready.json"]
    before = {n: (private / n).read_bytes() for n in names}
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 0
    for name, data in before.items():
        (private / name).write_bytes(data)
    again = release(fieldstop, "QM-0300", "--by", "AB")
    assert again.code == 3 and "released already" in again.said
    assert mp4s(fieldstop) == ["QM-0300-web-r1.mp4"]
    assert not any((private / n).exists() for n in names)


@pytest.mark.slow
def test_the_number_and_the_revision_are_given_when_it_leaves(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    made(fieldstop, tiny)
    assert fieldstop("catalogue").value["releases"] == []
    other = fieldstop.folder / "second"
    case_folder(other, tiny, top={"case": "QM-0301"}, recording=GIVEN)
    first = fieldstop("make", other, "--looked", "AB", "--out", fieldstop.folder / "out")
    assert json.loads(Path(first.value["sheet"]).read_text())["number"] == 1
    done = release(fieldstop, "QM-0300", "--by", "AB")
    sheet = json.loads(Path(done.value["sheet"]).read_text())
    assert (sheet["number"], sheet["revision"], sheet["replaces"]) == (2, 1, None)
    made(fieldstop, tiny)
    sheet = json.loads(Path(release(fieldstop, "QM-0300", "--by", "AB").value["sheet"]).read_text())
    assert (sheet["number"], sheet["revision"], sheet["replaces"]) == (2, 2, 1)


@pytest.mark.slow
def test_a_case_that_is_worked_on_is_not_released(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    with WorkFolder(fieldstop.folder / "out", "QM-0300").case_lock():
        busy = release(fieldstop, "QM-0300", "--by", "AB")
    assert busy.code == 6 and "worked on" in busy.said and mp4s(fieldstop) == []


@pytest.mark.slow
def test_a_decision_after_it_was_made_overtakes_it(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    made(fieldstop, tiny)
    path = fieldstop.folder / "out" / "private" / "QM-0300" / "decisions.json"
    chapters = {"chapters": [[0.0, "Crusts"]]}
    DecisionFile(path, "QM-0300").change(
        lambda d: append(d, seen=0, verb="chapter", by="AB", value=chapters)
    )
    done = release(fieldstop, "QM-0300", "--by", "AB")
    assert done.code == 4 and "decisions" in str(done.value["withheld"]) and mp4s(fieldstop) == []
    # Taken back, all is as it was.
    DecisionFile(path, "QM-0300").change(lambda d: undo(d, seen=1, by="AB"))
    assert release(fieldstop, "QM-0300", "--by", "AB").code == 0


def test_the_sign_off_of_the_page_releases_what_is_ready(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    """The same file, nothing rendered; with a sign-off for another plan it is made anew."""
    ready = Path(made(fieldstop, tiny).value["ready"])
    whole = sha256(ready)
    out, catalogue = fieldstop.folder / "out", fieldstop.folder / "catalogue.sqlite3"
    backend = FolderBackend(
        out, load_options(None, fieldstop.config), catalogue=catalogue, proxies=False
    )
    said: list[str] = []
    try:
        file = DecisionFile(backend.decisions_path("QM-0300"), "QM-0300")
        assert [c.state for c in backend.list_cases()] == ["ready"]
        view = backend.load_case("QM-0300", file.load())
        decisions = file.change(
            lambda d: sign(
                d, seen=version(d), by="CD", sources=view.sources, surveys=view.surveys,
                settings=view.settings_sha256, plan=view.plan_sha256,
                narration=view.narration_sha256,
            )
        )  # fmt: skip
        result = backend.render("QM-0300", decisions, lambda _, doing: said.append(doing), bool)
    finally:
        backend.close()
    assert result.state == "released" and said == [], "nothing is rendered"
    release_file = out / "releases" / "QM-0300" / "QM-0300-web-r1.mp4"
    assert sha256(release_file) == whole
    record = json.loads((ready.parent / "QM-0300-web-r1.release.json").read_text())
    assert (record["looked"]["by"], record["looked"]["how"]) == ("CD", "page")


@pytest.mark.slow
def test_a_batch_ends_with_what_is_ready_and_leaves_it_alone(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    day, out = fieldstop.folder / "day", fieldstop.folder / "out"
    day.mkdir()
    case_folder(day / "one", tiny, recording=GIVEN)
    first = fieldstop("batch", day, "--out", out)
    row = first.value["cases"][0]
    assert first.code == 0 and first.value["counts"]["ready"] == 1 and not row["unchanged"]
    whole = sha256(out / row["ready"])
    page = (out / "batch.html").read_text()
    assert "ready" in page and row["ready"] in page
    again = fieldstop("batch", day, "--out", out)
    assert again.code == 0 and again.value["cases"][0]["unchanged"]
    assert sha256(out / row["ready"]) == whole and mp4s(fieldstop) == []
    watched = fieldstop("batch", day, "--out", out, "--watch", "--looked", "AB")
    assert watched.code == 2, "nobody can have looked at what is still to come"
    done = fieldstop("batch", day, "--out", out, "--looked", "AB")
    assert done.code == 0 and done.value["counts"]["released"] == 1
    assert sha256(out / done.value["cases"][0]["release"]) == whole


@pytest.mark.slow
def test_all_that_is_ready_is_asked_about_on_a_terminal(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    made(fieldstop, tiny)
    made(fieldstop, tiny, "--profile", "lecture")
    main, other = pty.openpty()
    command = [sys.executable, "-m", "pipeline.cli", "--config", str(fieldstop.config),
               "--catalogue", str(fieldstop.folder / "catalogue.sqlite3"), "release", "--all",
               "--by", "AB", "--out", str(fieldstop.folder / "out")]  # fmt: skip
    with subprocess.Popen(command, stdin=other, stdout=subprocess.PIPE, text=True) as process:
        os.write(main, b"n\ny\n")
        text, _ = process.communicate(timeout=120)
    os.close(main)
    os.close(other)
    assert process.returncode == 0 and "QM-0300-lecture" in text and "QM-0300-web" in text
    assert mp4s(fieldstop) == ["QM-0300-web-r1.mp4"], "the first was refused, the second let go"


@pytest.mark.slow
def test_what_a_killed_run_left_half_written_is_no_release(
    fieldstop: Shell, tiny: media_zoo.Clip
) -> None:
    private = Path(made(fieldstop, tiny).value["ready"]).parent
    for path in [*private.glob("*-ready.mp4"), *private.glob("*.ready.json")]:
        path.unlink()
    half = private.parents[1] / "releases" / "QM-0300" / ".QM-0300-web-r1.part-1.mp4"
    half.parent.mkdir(parents=True, exist_ok=True)
    half.write_bytes(b"")
    said = release(fieldstop, "QM-0300", "--by", "AB")
    assert said.code == 3 and "nothing was released either" in said.said
