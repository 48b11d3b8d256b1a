"""What changes while a clip is made: it does not leave on the word of an hour ago."""

from __future__ import annotations

import datetime
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import media_zoo
import numpy as np
import pytest
from test_make import Shell, case_folder

from pipeline.errors import InputError, NeedsPerson
from pipeline.model.decisions import Anchor
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import append, version
from pipeline.settings import load_options
from pipeline.stages import release
from pipeline.stages.intake import remembered_sha256
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked, CaseResult
from pipeline.store.catalogue import Catalogue

TODAY = datetime.date.today().isoformat()
NARRATED = '[narration]\nfile = "voice.wav"\n'


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("meanwhile") / "a.mp4"
    return media_zoo.scope_clip(path, 2.0, size=(320, 240), seed=5, audio="noise")


def made(
    folder: Path, tiny: media_zoo.Clip, then: Callable[[Path], None], **more: str
) -> CaseResult:
    """A case made, somebody having looked; `then` once its pictures are rendered."""
    case = case_folder(folder / "case", tiny, recording="field = [166, 120, 112]\n", **more)
    if more:
        voice(case, 300)
    options = load_options("web")
    options.anonymity.lettering = options.anonymity.faces = False
    waiting = [then]

    def progress(stage: str, done: float, whole: float) -> None:
        if stage == "mix" and done == whole and waiting:
            waiting.pop()(case)

    return run_case(
        case, folder / "out", options, Asked(looked="AB", approve="AB"),
        catalogue=folder / "catalogue.sqlite3", progress=progress,
    )  # fmt: skip


def voice(case: Path, hz: float) -> None:
    t = np.arange(96_000) / 48_000
    media_zoo.write_wav(case / "voice.wav", 0.2 * np.sin(2 * np.pi * hz * t)[None], 48_000)


def nothing(case: Path) -> None:
    pass


def consented(words: str) -> Callable[[Path], None]:
    def then(case: Path) -> None:
        toml = case / "case.toml"
        text = re.sub(r'scope = "public"\ngiven_on = [-0-9]+\n', words, toml.read_text())
        assert words in text
        toml.write_text(text)

    return then


def a_face_decided(case: Path) -> None:
    at = Anchor(sha256=remembered_sha256(case / "a.mp4"), start_s=0.5, stop_s=1.5, kind="face")
    path = case.parent / "out" / "private" / "QM-0300" / "decisions.json"
    DecisionFile(path, "QM-0300").change(
        lambda d: append(d, seen=version(d), verb="add", by="CD", anchor=at,
                         value={"box_px": [120, 80, 80, 80]}, reason="a face")
    )  # fmt: skip


@pytest.mark.parametrize(
    ("then", "code"),
    [
        (consented(f'scope = "none"\ngiven_on = {TODAY}\n'), "consent"),
        (consented(f'scope = "teaching"\ngiven_on = {TODAY}\n'), "consent"),
        (a_face_decided, "changed"),
    ],
    ids=["refused", "narrowed", "a face"],
)
def test_it_does_not_leave(
    tmp_path: Path, tiny: media_zoo.Clip, then: Callable[[Path], None], code: str
) -> None:
    done = made(tmp_path, tiny, then)
    assert code in [w.code for w in done.withheld]
    assert done.ending.released is None
    assert not list((tmp_path / "out" / "releases").rglob("*.mp4"))


def test_nothing_changed(tmp_path: Path, tiny: media_zoo.Clip) -> None:
    done = made(tmp_path, tiny, nothing, more=NARRATED)
    assert done.ending.released is not None, done.withheld


def test_another_narration_is_not_released_as_the_one_before(
    tmp_path: Path, tiny: media_zoo.Clip
) -> None:
    with pytest.raises(InputError, match="changed or vanished"):
        made(tmp_path, tiny, lambda case: voice(case, 500), more=NARRATED)
    left = [p.name for p in (tmp_path / "out").rglob("*.mp4")]
    assert [n for n in left if not n.startswith("proxy-")] == []


def test_a_recording_that_changed_hides_no_refusal(tmp_path: Path, tiny: media_zoo.Clip) -> None:
    """A still or a post of a released clip asks case.toml, whatever became of the recording."""
    done = made(tmp_path, tiny, nothing)
    assert done.ending.released is not None, done.withheld
    case = tmp_path / "case"
    before = sorted(p.name for p in (tmp_path / "out" / "releases").rglob("*") if p.is_file())
    consented(f'scope = "none"\ngiven_on = {TODAY}\n')(case)
    content = (case / "a.mp4").read_bytes()
    (case / "a.mp4").unlink()
    (case / "a.mp4").write_bytes(content + b"x")
    fieldstop = Shell(tmp_path)
    for words in (("still", "--at", "1.0"), ("publish",)):
        asked = fieldstop(words[0], "QM-0300", *words[1:], "--out", tmp_path / "out")
        assert asked.code == 4, asked.value
    left = sorted(p.name for p in (tmp_path / "out" / "releases").rglob("*") if p.is_file())
    assert left == before


def test_a_withdrawal_while_the_file_is_put_in_its_place(
    tmp_path: Path, tiny: media_zoo.Clip, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After consent was asked for the last time, before the catalogue knows the clip."""
    listed: list[int] = []

    def put(finished: Path, target: Path) -> None:
        with Catalogue(tmp_path / "catalogue.sqlite3") as other:
            listed.append(len(other.withdraw("QM-0300")))
        shutil.copyfile(finished, target)

    monkeypatch.setattr(release, "put", put)
    with pytest.raises(NeedsPerson, match="withdrawn while"):
        made(tmp_path, tiny, nothing)
    assert listed == [0]
    assert [p for p in (tmp_path / "out" / "releases").rglob("*") if p.is_file()] == []
    assert not list((tmp_path / "out" / "private").rglob("*.release.json"))
    with Catalogue(tmp_path / "catalogue.sqlite3") as known:
        assert known.releases() == []
