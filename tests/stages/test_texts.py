"""Texts that leave, through the command line: listed, withheld, confirmed once, remembered."""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import media_zoo
import numpy as np
import pytest
from test_make import Shell, case_folder

from pipeline.analysis.identity.texts import Judged
from pipeline.model.case import Case
from pipeline.model.options import Options
from pipeline.stages.gate import text_reasons
from pipeline.stages.intake import OpenedCase
from pipeline.stages.texts import (
    ShownText,
    carry_texts,
    open_texts,
    shown_texts,
    texts_of_case,
    told,
)
from pipeline.stages.verifying.container import planned_title, read_title
from pipeline.store.texts import ConfirmedTexts
from pipeline.store.work import WorkFolder

GIVEN = "field = [166, 120, 112]\n"
SMALL = ""


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("texts") / "a.mp4"
    return media_zoo.scope_clip(path, 3.0, size=(320, 240), seed=5, audio="noise")


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


def make(fieldstop: Shell, folder: Path, *more: str, config: str = SMALL) -> Any:
    return fieldstop("make", folder, *more, "--out", fieldstop.folder / "out", config=config)


def everything(folder: Path) -> bytes:
    """Names and contents of all files below."""
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return b"\n".join(str(p).encode() + p.read_bytes() for p in files)


@pytest.mark.slow
def test_every_text_is_listed_and_nothing_with_a_name_is_kept(
    fieldstop: Shell, tiny: media_zoo.Clip, tmp_path: Path, user_folders: Path
) -> None:
    """All that a person can write into a release: one name each."""
    names = ["Berglund", "Okafor", "Nowak", "Rossi", "Kowalski", "Horvath"]
    folder = case_folder(
        tmp_path / "case", tiny, top={"title": f"Crusts, {names[0]}"},
        recording=f'title = "{names[1]}"\n{GIVEN}\n[[recording]]\nfiles = ["a.mp4"]\n{GIVEN}',
        more=f'\n[measured]\nlabel = "Crusts of {names[2]}"\nvalue = 4\nunit = "mg"\n'
        '[narration]\nfile = "v.wav"\noffset_s = 0\ncaptions = "v.srt"\n',
    )  # fmt: skip
    media_zoo.write_wav(folder / "v.wav", np.zeros((1, 96_000), np.float32) + 1e-4, 48_000)
    (folder / "v.srt").write_text(f"1\n00:00:00,250 --> 00:00:01,000\nHere is {names[3]}.\n\n")
    own = f'[output]\nseries_title = "{names[4]}"\n[mark]\ntext = "{names[5]}"\n'
    made = make(fieldstop, folder, config=own)
    assert made.code == 4 and set(made.codes) == {"text"}, made.value
    shown = {t["where"]: t for t in made.value["texts"]}
    assert list(shown) == ["title", "chapter 1", "card", "captions", "series title",
                           "text of the mark"]  # fmt: skip
    for name, text in zip(names, shown.values(), strict=True):
        assert name in text["text"] and name in text["words"][0] and text["confirmed_by"] is None
    said = json.dumps(made.value["withheld"])
    assert not any(name in said + made.said for name in names)
    assert made.value["draft"] is None
    out = fieldstop.folder / "out"
    assert not [p for p in out.rglob("*.mp4") if not p.name.startswith("proxy-")]
    assert not any(p.is_file() for p in out.glob("releases/**/*"))

    # Who approves has read them; the texts are named with the initials, and it goes on.
    approved = make(fieldstop, folder, "--approve", "AB", "--looked", "AB", config=own)
    assert approved.code == 0, approved.value
    assert [t["confirmed_by"] for t in approved.value["texts"]] == ["AB"] * 6
    sheet = json.loads(Path(approved.value["sheet"]).read_text())
    assert sheet["title"] == "Crusts, Berglund" and sheet["series_title"] == "Kowalski"
    remembered = everything(user_folders / "data")
    assert not any(name.encode() in remembered for name in names)
    # No one looks them up in what the user's folder holds, without its secret.
    import hashlib

    for text in (t["text"] for t in approved.value["texts"]):
        for data in (text, text.lower(), "text\0" + text):
            assert hashlib.sha256(data.encode()).hexdigest().encode() not in remembered
    assert verified(fieldstop, approved.value["release"])

    # Once is enough: another case with the same texts asks nobody, one letter more asks again.
    other = tmp_path / "other"
    other.mkdir()
    for name in ("a.mp4", "v.wav", "v.srt"):
        os.link(folder / name, other / name)
    toml = (folder / "case.toml").read_text()
    (other / "case.toml").write_text(toml.replace("QM-0300", "QM-0301"))
    again = make(fieldstop, other, "--looked", "AB", config=own)
    assert again.code == 0, again.value
    (other / "case.toml").write_text(toml.replace("QM-0300", "QM-0301").replace("und", "unds"))
    changed = make(fieldstop, other, "--looked", "AB", config=own)
    assert changed.code == 4 and [t["where"] for t in changed.value["texts"]
                                  if t["confirmed_by"] is None] == ["title"]  # fmt: skip


def verified(fieldstop: Shell, release: str) -> bool:
    """Whether the checks of the file alone pass, and fail for someone who confirmed nothing."""
    sent = Path(release).parents[3] / "sent.mp4"  # away from its plan
    sent.write_bytes(Path(release).read_bytes())
    release = str(sent)
    mine = fieldstop("verify", release)
    key = "chapter titles that nobody confirmed"
    data = Path(os.environ["XDG_DATA_HOME"]) / "fieldstop" / "confirmed-texts.jsonl"
    kept = data.read_bytes()
    data.unlink()
    other = fieldstop("verify", release)
    data.write_bytes(kept)
    good, bad = ({c["check"]: c["passed"] for c in r.value["checks"]}[key] for r in (mine, other))
    return good and not bad and other.code == 4


@pytest.mark.parametrize("approve", [[], ["--approve", "AB"]])
def test_a_character_that_nobody_sees_is_named_and_cannot_be_approved(
    fieldstop: Shell, tiny: media_zoo.Clip, tmp_path: Path, approve: list[str]
) -> None:
    folder = case_folder(tmp_path / "case", tiny, top={"title": "Cru\u200bsts"}, recording=GIVEN)
    made = make(fieldstop, folder, *approve)
    assert made.code == 4 and made.codes == ["text"]
    assert "U+200B ZERO WIDTH SPACE" in made.value["withheld"][0]["message"]
    assert made.value["texts"][0]["unseen"] and made.value["texts"][0]["text"] == ""


@pytest.mark.slow
def test_a_batch_lists_places_only_and_its_initials_confirm_no_text(
    fieldstop: Shell, tiny: media_zoo.Clip, tmp_path: Path
) -> None:
    """One pair of initials for a day's cases has not read each of them."""
    day, out = tmp_path / "day", fieldstop.folder / "out"
    day.mkdir()
    folder = case_folder(day / "one", tiny, top={"title": "Crusts, Berglund"}, recording=GIVEN)
    made = fieldstop("batch", day, "--approve", "AB", "--looked", "AB", "--jobs", "1",
                     "--out", out, config=SMALL)  # fmt: skip
    assert made.code == 4 and made.value["cases"][0]["withheld"][0]["code"] == "text"
    told = json.dumps(made.value) + made.said + (out / "batch.html").read_text()
    assert "Berglund" not in told + (out / "batch.json").read_text()
    # The same again is left alone; once it was confirmed, the batch makes it.
    same = fieldstop("batch", day, "--approve", "AB", "--looked", "AB", "--jobs", "1", "--out", out)
    assert same.code == 4 and same.value["unchanged"] == 1
    ConfirmedTexts().confirm([("title", "Crusts, Berglund")], "AB")
    then = fieldstop("batch", day, "--approve", "AB", "--looked", "AB", "--jobs", "1", "--out", out)
    assert then.code == 0, then.value["cases"][0]["withheld"]
    assert folder.exists()


def test_clips_ask_for_their_own_titles(
    fieldstop: Shell, tiny: media_zoo.Clip, tmp_path: Path
) -> None:
    folder = case_folder(tmp_path / "case", tiny, recording=GIVEN)
    arguments = ("clip", folder, "--from", "0:00", "--to", "0:02", "--out", tmp_path / "out")
    made = fieldstop(*arguments, "--title", "Kowalski", config=SMALL)
    assert made.code == 4 and made.value["texts"][0]["where"] == "title"
    assert made.value["texts"][0]["words"] == ["Kowalski"]


# --- without rendering -------------------------------------------------------------------


def opened(**values: Any) -> OpenedCase:
    case = Case.model_validate({"case": "QM-0300", "recording": [{"files": ["a.mp4"]}]} | values)
    return OpenedCase(case, [], None, None, False)


def test_what_the_program_says_by_itself_is_of_its_vocabulary() -> None:
    """Made chapter titles, the default mark and the profiles that come with it."""
    sides, phases = ["left", "right", "midline", None], ["before", "procedure", "after", "still"]
    rows = [{"files": ["a.mp4"], "side": s, "phase": p} for s in sides for p in phases]
    for profile in ("web", "lecture", "broadcast"):
        options = Options.model_validate({"output": {"profile": profile}})
        found = texts_of_case(opened(recording=rows, title="Clip"), options, [])
        assert len(found) >= 18
        assert shown_texts(found, ConfirmedTexts().known()) == []


def test_a_profile_named_after_somebody_is_listed() -> None:
    """The profile stands in the file's name."""
    options = Options.model_validate({"output": {"profile": "berglund-web"}})
    shown = shown_texts(texts_of_case(opened(), options, []), ConfirmedTexts().known())
    assert [s.judged.where for s in shown] == ["name of the profile"]


def test_a_message_never_repeats_the_text() -> None:
    reasons = text_reasons([Judged("title", "Anna Berglund", ("Anna", "Berglund"))])
    assert [r.code for r in reasons] == ["text"]
    assert "Berglund" not in reasons[0].message and "--approve" in reasons[0].message


def test_the_terminal_shows_the_text_or_where_what_is_unseen_stands() -> None:
    found = texts_of_case(opened(title="Ber\u200bglund"), Options(), [])
    (line,) = map(told, shown_texts(found, ConfirmedTexts().known()))
    assert 'U+200B ZERO WIDTH SPACE after "Ber"' in line and "\u200b" not in line
    cues = Judged("captions", "Here is Nowak.\n" * 9, tuple(f"w{n}" for n in range(30)))
    assert "Here" not in told(ShownText(cues)) and "and 18 more" in told(ShownText(cues, "AB"))


def test_confirmed_texts_are_remembered_in_the_case_and_for_the_user(tmp_path: Path) -> None:
    folder = WorkFolder(tmp_path / "out", "QM-0300")
    texts = ConfirmedTexts(folder)
    assert texts.by("Berglund") is None
    texts.confirm([("title", "Berglund"), ("card", "Berglund")], "AB")
    assert texts.by("Berglund") == "AB" and texts.by("berglund") is None
    assert texts.by("Berglund ") is None
    assert ConfirmedTexts().by("Berglund") == "AB"
    memory = Path(os.environ["XDG_DATA_HOME"]) / "fieldstop" / "confirmed-texts.jsonl"
    assert memory.stat().st_mode & 0o777 == 0o600
    assert folder.private_file("texts.json").stat().st_mode & 0o777 == 0o600
    # A worker elsewhere has another secret and no memory: the case tells it.
    memory.unlink()
    assert ConfirmedTexts().by("Berglund") is None
    assert ConfirmedTexts(folder).by("Berglund") == "AB"
    # A line that was cut off is no confirmation, and spoils none after it.
    memory.write_text('{"text": "00')
    ConfirmedTexts(folder).confirm([("title", "Nowak")], "CD")
    assert ConfirmedTexts().by("Nowak") == "CD"


def test_another_installation_cannot_read_what_was_confirmed(user_folders: Path) -> None:
    ConfirmedTexts().confirm([("title", "Berglund")], "AB")
    (user_folders / "data" / "fieldstop" / "names.secret").write_bytes(bytes(32))
    assert ConfirmedTexts().by("Berglund") is None


def test_what_was_confirmed_elsewhere_is_carried_into_the_case(tmp_path: Path) -> None:
    ConfirmedTexts().confirm([("title", "Berglund")], "AB")
    folder = WorkFolder(tmp_path / "out", "QM-0301")
    ConfirmedTexts(folder).carry([("title", "Berglund"), ("card", "Nowak")])
    document = json.loads(folder.private_file("texts.json").read_text())
    assert [(t["where"], t["by"]) for t in document["confirmed"]] == [("title", "AB")]


def test_texts_that_nobody_can_see_stay_open() -> None:
    found = texts_of_case(opened(title="Ber\u00adglund"), Options(), [])
    assert [j.where for j in open_texts(shown_texts(found, ConfirmedTexts().known()))] == ["title"]


def test_verify_lets_a_chapter_have_its_planned_title_only() -> None:
    long = "\u00e9" * 200  # the short list of chapters holds 255 bytes of it
    plan: Any = SimpleNamespace(
        chapters=[SimpleNamespace(title="Left side"), SimpleNamespace(title=long)]
    )
    allowed = planned_title(plan)
    assert (
        allowed("Left side")
        and allowed(long)
        and allowed(long.encode()[:255].decode("utf-8", "replace"))
    )
    assert not allowed("Right side") and not allowed("Berglund") and not allowed("")


def test_verify_alone_lets_a_chapter_be_of_the_vocabulary_or_confirmed() -> None:
    assert read_title("Right side") and not read_title("Berglund")
    ConfirmedTexts().confirm([("chapter 1", "Berglund")], "AB")
    assert read_title("Berglund")


def test_a_cluster_lets_its_workers_know_what_the_user_confirmed(tmp_path: Path) -> None:
    folder = WorkFolder(tmp_path / "out", "QM-0300")
    ConfirmedTexts().confirm([("title", "Nowak")], "AB")
    carry_texts(opened(title="Nowak"), Options(), None, folder)
    (Path(os.environ["XDG_DATA_HOME"]) / "fieldstop" / "confirmed-texts.jsonl").unlink()
    found = texts_of_case(opened(title="Nowak"), Options(), [])
    assert open_texts(shown_texts(found, ConfirmedTexts(folder).known())) == []
    assert open_texts(shown_texts(found, ConfirmedTexts().known())) != []
