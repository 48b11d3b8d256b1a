"""`plan` is pure: with all opening of files forbidden it makes the same plan, to the byte."""

from __future__ import annotations

import builtins
import datetime
import hashlib
import io
import os
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, NoReturn

import av
import cv2  # noqa: F401 - it reads files of its own when it is loaded
import numpy as np
import pytest
import scipy.ndimage  # noqa: F401 - likewise
from PIL import Image, ImageFont
from test_plan import case, event, narration, source

from pipeline.analysis.mark.activity import GRID
from pipeline.errors import InputError
from pipeline.media.glyphs import load_glyph
from pipeline.media.stems import Stem
from pipeline.model.consent import KnownConsent
from pipeline.model.decisions import Anchor, Decision, Decisions
from pipeline.model.options import Options
from pipeline.model.survey import Lettering
from pipeline.model.time import Span
from pipeline.stages.intake import OpenedCase, SourceFile, open_case
from pipeline.stages.making import planned
from pipeline.stages.narration import Narration
from pipeline.stages.planning.given import GlyphInput, NarrationInput, SourceInput
from pipeline.stages.planning.plan import make_plan
from pipeline.stages.rendering.given import NarrationMedia
from pipeline.stages.restore import words_coverage
from pipeline.stages.survey import Surveyed
from pipeline.stages.texts import _own_profiles, vocabulary
from pipeline.stages.values import Asked, Opened, Planned, SurveyedCase
from pipeline.store.texts import Confirmed
from pipeline.store.work import WorkFolder

_opened: list[str] | None = None
_CODE = (".py", ".pyc", ".so")  # a module that is loaded when it is first needed


def _audit(event: str, args: tuple[Any, ...]) -> None:
    """The interpreter says every opening by Python, however it is called (PEP 578)."""
    if event == "open" and _opened is not None and not str(args[0]).endswith(_CODE):
        _opened.append(str(args[0]))
    if event in ("os.scandir", "os.listdir") and _opened is not None:
        _opened.append(event)


sys.addaudithook(_audit)


@pytest.fixture
def sealed(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[str]]:
    """No file can be opened; what was tried all the same is listed."""
    global _opened

    def refuse(*args: object, **more: object) -> NoReturn:
        raise AssertionError(f"a file was opened: {args[:1]}")

    # The last three open without Python.
    for place, name in ((builtins, "open"), (io, "open"), (os, "open"), (Path, "open"),
                        (ImageFont, "truetype"), (Image, "open"), (av, "open")):  # fmt: skip
        monkeypatch.setattr(place, name, refuse)
    _opened = []
    yield _opened
    _opened = None


def all_at_once() -> tuple[list[SourceInput], NarrationInput, list[Decision]]:
    """Two recordings with every kind of event, speech, lettering; a narration; decisions."""
    one = source(20, events=[event("fog", 3, 6), event("out_of_body", 10, 12),
                             event("smudge", 14, 16)], speech=[(7, 8)], sha="a")  # fmt: skip
    two = source(8, index=1, events=[event("fog", 1, 3)], sha="b")
    time_s = np.arange(0, 20, 0.2)
    loss = np.where((time_s > 3) & (time_s < 6), 0.4, 0.05)
    one.series.update(
        time_s=time_s, contrast_loss=loss, airlight=np.full(time_s.shape, 0.3),
        gain=np.ones(time_s.shape), activity_samples=np.array([20.0]),
        **{f"activity_{k}": np.tile(np.linspace(0, 1, GRID), (GRID, 1))
           for k in ("motion", "instrument", "detail", "glare")},
    )  # fmt: skip
    one.survey.lettering.append(
        Lettering(start_s=2, stop_s=9, box_px=(600, 300, 80, 20), where="field", confidence=1)
    )
    anchor = Anchor(sha256="a" * 64, start_s=14, stop_s=16, kind="smudge")
    said = Decision(number=1, verb="change", by="AB", at="2026-01-01T00:00:00Z", anchor=anchor,
                    value={"action": "freeze"}, reason="")  # fmt: skip
    return [one, two], narration((1, 4), (24, 29), offset_s=0.5), [said]


def plan_bytes(cut_to: Span | None) -> bytes:
    inputs, voice, decisions = all_at_once()
    both = case(
        recording=[{"files": ["a.mp4"], "side": "left", "keep": [[0, 13], [13.5, 20]]},
                   {"files": ["b.mp4"], "side": "right"}],
        narration={"file": "v.wav"},
        measured={"label": "Ångström", "value": 3.5, "unit": "mm"},
    )  # fmt: skip
    options = Options.model_validate({"lens": {"fog": "clear", "out_of_body": "cut"}})
    made = make_plan(
        both, inputs, voice, options, glyph=GLYPH, decisions=decisions, cut_to=cut_to, revision=3
    )
    assert made.mark is not None and made.mix is not None and made.redactions and made.edits
    assert cut_to is not None or (made.card and made.restorations and len(made.chapters) == 2)
    return made.to_json().encode()


DRAWN = load_glyph(Options().mark)
GLYPH = GlyphInput(DRAWN.coverage, DRAWN.x_height_ratio)
CONSENT = KnownConsent("public", True, False, datetime.date(2026, 1, 2), None, False, ())
# They come with the program and are read once.
vocabulary(), _own_profiles()


@pytest.mark.parametrize("cut_to", [None, Span(2.0, 9.0)], ids=["whole", "part"])
def test_a_plan_is_made_without_a_file_and_twice_the_same(
    sealed: list[str], cut_to: Span | None
) -> None:
    words_coverage.cache_clear()  # what was drawn before would hide that a font is read
    first, second = plan_bytes(cut_to), plan_bytes(cut_to)
    assert sealed == []
    assert first == second


def test_the_whole_step_opens_nothing(sealed: list[str], tmp_path: Path) -> None:
    """Plan, texts that leave, who answers for them and the gate: from values alone."""
    inputs, voice, decisions = all_at_once()
    both = case(title="Crusts, Berglund", recording=[{"files": ["a.mp4"]}, {"files": ["b.mp4"]}],
                narration={"file": "v.wav"})  # fmt: skip
    files = [SourceFile(n, tmp_path / f"{n}.mp4", n, False, c * 64) for n, c in enumerate("ab")]
    opened = Opened(
        OpenedCase(both, files, None, None, False), WorkFolder(tmp_path, "QM-1"), Options(),
        Asked(), DRAWN, CONSENT,
        Decisions(case="QM-1", entries=decisions),
        Confirmed({hashlib.sha256(b"Crusts, Berglund").hexdigest(): "AB"}),
    )  # fmt: skip
    survey = SurveyedCase(tuple(Surveyed(i.recording, i.survey, i.series, i.findings)
                                for i in inputs))  # fmt: skip
    heard = Narration(voice, NarrationMedia(Stem(tmp_path / "v", 1), 0.5))
    words_coverage.cache_clear()

    def once(opened: Opened) -> Planned:
        return planned(opened, survey, heard, 3, datetime.date(2026, 3, 2))

    first = once(opened)
    assert sealed == [] and once(opened) == first
    assert [t.by for t in first.texts] == ["AB"] and "text" not in {w.code for w in first.withheld}
    unread = once(replace(opened, confirmed=Confirmed()))
    assert [t.by for t in unread.texts] == [None] and "text" in {w.code for w in unread.withheld}


def test_the_seal_holds(sealed: list[str]) -> None:
    words_coverage.cache_clear()
    with pytest.raises(BaseException, match="opened"):
        words_coverage("a card", 64)
    with pytest.raises(AssertionError, match="opened"):
        Path(__file__).read_bytes()


def test_a_card_that_cannot_be_drawn_is_refused_when_the_case_is_opened(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").write_bytes(b"")
    (tmp_path / "case.toml").write_text(
        'case = "QM-1"\n[[recording]]\nfiles = ["a.mp4"]\n[measured]\nlabel = "漢字"\nvalue = 1\n'
    )
    with pytest.raises(InputError, match="card"):
        open_case(tmp_path)
