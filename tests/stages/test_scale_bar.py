"""The scale bar of a photograph: how long, where, and how verify measures it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import media_zoo
import numpy as np
import pytest
from pydantic import ValidationError

from pipeline.model.options import Options
from pipeline.model.plan import ScaleBar
from pipeline.settings import load_options
from pipeline.stages.planning.plan import make_plan
from pipeline.stages.recipe import run_case
from pipeline.stages.restore import draw_ink
from pipeline.stages.scale_bar import bar_ink
from pipeline.stages.values import Asked
from pipeline.stages.verifying.scaled import ScaleBars
from tests.stages.test_plan import GLYPH, case, source


@pytest.fixture
def planned(monkeypatch: pytest.MonkeyPatch) -> Any:
    monkeypatch.setattr("pipeline.stages.planning.plan.placed_mark", lambda *_: (None, []))

    def make(spacing_mm: float | None, **settings: Any) -> Any:
        rows = [{"files": ["a.mp4"], "side": "left"},
                {"files": ["b.png"], "phase": "still", "pixel_spacing_mm": spacing_mm}]  # fmt: skip
        return make_plan(case(recording=rows), [source(6.0), source(0.0, 1, still=True, sha="b")],
                         None, Options.model_validate(settings), glyph=GLYPH)  # fmt: skip

    return make


def bar_of(plan: Any) -> ScaleBar | None:
    return next((p.scale_bar for p in plan.pieces if p.scale_bar is not None), None)


@pytest.mark.parametrize("spacing_mm", [0.0123, 0.05, 0.031, 0.4, 2.0])
@pytest.mark.parametrize("aspect", ["source", "1:1", "9:16"])
def test_it_is_a_round_length_at_its_size(planned: Any, spacing_mm: float, aspect: str) -> None:
    plan = planned(spacing_mm, form={"aspect": aspect}, output={"max_height_px": 540})
    bar = bar_of(plan)
    assert bar is not None
    figure = f"{bar.mm:e}"[0]
    assert figure in "125" and bar.words == f"{bar.mm:g} mm"
    true_px = bar.mm / spacing_mm * plan.sources[1].moved[0]
    assert bar.length_px == pytest.approx(true_px, abs=0.5)
    x, y, wide, high = bar.box_px
    left, top, right, bottom = plan.sources[1].placement(plan.width_px, plan.height_px).field(
        plan.sources[1].fields[0]
    ).lit_box
    assert left <= x and x + wide <= right and top <= y and y + high <= bottom
    assert bar.length_px <= 0.31 * (right - left)


def test_there_is_none_without_a_scale_nor_of_a_recording(planned: Any) -> None:
    assert bar_of(planned(None)) is None
    with pytest.raises(ValidationError, match="photographs only"):
        case(recording=[{"files": ["a.mp4"], "pixel_spacing_mm": 0.1}])


@pytest.mark.parametrize(
    ("drawn", "passes"),
    [({}, [True, True]), ({"length_px": 110}, [True, False]), ({"mm": 2.0}, [False, True]),
     (None, [False, False])],
)  # fmt: skip
def test_verify_measures_it(planned: Any, drawn: dict[str, Any] | None, passes: Any) -> None:
    """A bar that is drawn longer, with another figure, or not at all."""
    plan = planned(0.05)
    bar = bar_of(plan)
    assert bar is not None and bar.mm == 10 and bar.length_px == 200
    number = next(n for n, p in enumerate(plan.pieces) if p.scale_bar)
    shown = [np.full(s, 110, np.uint8) for s in ((720, 1280), (360, 640), (360, 640))]
    if drawn is not None:
        draw_ink(shown, bar_ink(bar.model_copy(update=drawn)), *bar.box_px[:2])
    bars = ScaleBars(plan)
    bars.look(number, shown[0])
    found = [c.passed for c in bars.checks()]
    assert all(found) is all(passes)
    assert found[1] is passes[1]
    assert not ScaleBars(plan).checks()[0].passed, "one that was never seen"


@pytest.mark.slow
def test_it_is_in_the_finished_clip(tmp_path: Path) -> None:
    """A ruler of 10 mm photographed at .05 mm a pixel: the bar says what the ruler says."""
    folder = tmp_path / "case"
    folder.mkdir()
    media_zoo.scope_clip(folder / "0.mp4", 2.0, size=(640, 360), seed=4)
    picture = np.full((600, 800, 3), 90, np.uint8)
    picture[200:220, 300:500] = 230
    cv2.imwrite(str(folder / "1.png"), picture)
    (folder / "case.toml").write_text(
        'case = "QM-0417"\n[[recording]]\nfiles = ["0.mp4"]\n'
        '[[recording]]\nfiles = ["1.png"]\nphase = "still"\npixel_spacing_mm = 0.05\n'
        '[consent]\nscope = "public"\ngiven_on = 2026-03-02\n'
    )
    options = load_options("web")
    options.anonymity.lettering = options.anonymity.faces = False
    run = run_case(folder, tmp_path / "out", options, Asked(approve="AB", looked="AB"),
                   catalogue=tmp_path / "c.sqlite3")  # fmt: skip
    assert [c for c in run.checks if not c.passed] == []
    assert "scale bar as long as it says" in {c.check for c in run.checks}
    assert run.planned is not None
    bar = bar_of(run.planned.plan)
    ruler_px = 200 * run.planned.plan.sources[1].moved[0]
    assert bar is not None and bar.length_px / bar.mm == pytest.approx(ruler_px / 10, rel=0.02)
