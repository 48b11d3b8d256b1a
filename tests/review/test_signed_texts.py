"""The page's sign-off confirms the texts of a real case; its next run asks nobody any more."""

from __future__ import annotations

from pathlib import Path

import media_zoo
import pytest
from test_make import PLAIN, case_folder

from pipeline.batch.one import run_one
from pipeline.model.decisions import Decisions
from pipeline.review.folder import FolderBackend
from pipeline.settings import load_options


@pytest.mark.slow
def test_a_text_is_read_on_the_page_once(tmp_path: Path) -> None:
    clip = media_zoo.scope_clip(tmp_path / "a.mp4", 3.0, size=(320, 240), seed=5, audio="noise")
    given = "field = [166, 120, 112]\n"
    folder = case_folder(tmp_path / "case", clip, top={"title": "Nowak"}, recording=given)
    (tmp_path / "plain.toml").write_text(PLAIN)
    options = load_options("web", tmp_path / "plain.toml")
    catalogue = tmp_path / "catalogue.db"
    run = run_one(folder, tmp_path / "out", options, catalogue=catalogue)
    assert [w.code for w in run.withheld] == ["text"]
    case = run.opened.case.case
    backend = FolderBackend(tmp_path / "out", options, catalogue=catalogue, proxies=False)
    try:
        view = backend.plan_again(case, Decisions(case=case))
        assert [(t.judged.where, t.judged.text, t.by) for t in view.texts] == [
            ("title", "Nowak", None)
        ]
        backend.confirm_texts(case, view, "AB")
        view = backend.plan_again(case, Decisions(case=case))
        assert [t.by for t in view.texts] == ["AB"]
    finally:
        backend.close()
    run = run_one(folder, tmp_path / "out", options, catalogue=catalogue)
    assert not run.withheld and run.ending.ready is not None
    assert [(t.judged.where, t.by) for t in run.planned.texts] == [("title", "AB")]
