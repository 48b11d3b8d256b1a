"""A source smaller, larger or cut in the output: each thing drawn lies where it should.

The finished file is compared with the truth of the generated recording, brought to the output
here by plain arithmetic.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import media_zoo
import numpy as np
import pytest

from pipeline.media.glyphs import load_glyph
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.case import Case
from pipeline.model.field import FieldSpan
from pipeline.model.plan import Redaction
from pipeline.model.survey import Survey, SurveyedRecording
from pipeline.settings import load_options
from pipeline.stages.planning.given import GlyphInput, SourceInput
from pipeline.stages.planning.plan import make_plan
from pipeline.stages.rendering.given import SourceMedia
from pipeline.stages.rendering.render import render
from pipeline.stages.verifying.verify import verify_release

TRUTH = media_zoo.FieldTruth(170, 118, 90, 80, 40, 260, 208)  # flat above, not in the middle
BOX = (190, 120, 30, 22)
# scale, output (width, height), offset: a square around the field cut out of a reduced picture;
# the same at full size; enlarged between black sides, as a recording smaller than the first.
OUTPUTS = {
    "reduced square": (0.8, (144, 144), (-64, -22)),
    "square": (1.0, (180, 180), (-80, -28)),
    "off the middle": (1.0, (200, 120), (-50, -60)),
    "enlarged": (1.5, (640, 360), (80, 0)),
}


@pytest.fixture(scope="module")
def given(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A recording with words beside the field, its plan, and what is rendered from."""
    path = tmp_path_factory.mktemp("placed") / "a.mp4"
    media_zoo.scope_clip(
        path, 1.0, size=(320, 240), field=TRUTH, audio="none", seed=7,
        letters=[("HL-4471", 6, 8, 16)],
    )  # fmt: skip
    recording = probe(path)
    span = FieldSpan(
        start_s=0, stop_s=1, shape="circle-clipped", center_x_px=170, center_y_px=118,
        radius_px=90, left_px=80, top_px=40, right_px=260, bottom_px=208, confidence=0.99,
    )  # fmt: skip
    survey = Survey(
        recording=SurveyedRecording(
            sha256="a" * 64, duration_s=1.0, frame_rate_hz=25, width_px=320, height_px=240
        ),
        field=[span],
    )  # fmt: skip
    options = load_options("lecture")
    options.anonymity.lettering = options.anonymity.faces = False
    glyph = load_glyph(options.mark)
    plan = make_plan(
        Case(case="QM-1", title="T", recording=[{"files": ["a.mp4"]}]),  # type: ignore[list-item]
        [SourceInput(0, False, recording, survey, {})], None, options,
        glyph=GlyphInput(glyph.coverage, glyph.x_height_ratio),
    )  # fmt: skip
    redaction = Redaction(
        what="face", source=0, start_s=0, stop_s=1, box_px=BOX, reason="", origin="survey"
    )
    plan = plan.model_copy(update={"redactions": [*plan.redactions, redaction]})
    return {
        "plan": plan, "media": [SourceMedia(path, recording, False)], "options": options,
        "coverage": glyph.coverage,
    }  # fmt: skip


def placed(plan: Any, name: str) -> Any:
    scale, (width, height), (x, y) = OUTPUTS[name]
    source = plan.sources[0].model_copy(update={"moved": (scale, float(x), float(y))})
    return plan.model_copy(update={"width_px": width, "height_px": height, "sources": [source]})


def wanted(luma: np.ndarray, name: str) -> np.ndarray:
    """The luma of the source in the output, -1 where the output shows none of it."""
    scale, (width, height), (x, y) = OUTPUTS[name]
    matrix = np.array([[scale, 0, x + scale / 2 - 0.5], [0, scale, y + scale / 2 - 0.5]])
    flags = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    return cv2.warpAffine(
        luma.astype(np.float32), matrix, (width, height), flags=flags,
        borderMode=cv2.BORDER_CONSTANT, borderValue=-1,
    )  # fmt: skip


@pytest.mark.parametrize("name", OUTPUTS)
def test_everything_lies_where_the_output_puts_it(
    given: dict[str, Any], name: str, tmp_path: Path
) -> None:
    plan, media, options = placed(given["plan"], name), given["media"], given["options"]
    made = render(plan, media, None, given["coverage"], options, tmp_path)
    shown = next(iter(read_pictures(made.path, probe(made.path), start_s=0.4))).planes()[0]
    source = next(iter(read_pictures(media[0].path, media[0].recording, start_s=0.4))).planes()[0]
    scale, (width, height), (dx, dy) = OUTPUTS[name]
    assert shown.shape == (height, width)
    should = wanted(source, name)
    col, row = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
    x, y = (col - dx) / scale, (row - dy) / scale  # in the source
    reach = np.hypot(x - 170, y - 118)
    deep = (reach < 85) & (x > 82) & (x < 258) & (y > 44) & (y < 204) & (should > -0.5)
    beyond = (reach > 92) | (y < 38) | (y > 210)
    boxed = (x > 190) & (x < 220) & (y > 120) & (y < 142)
    near = (x > 184) & (x < 226) & (y > 114) & (y < 148)
    # the mark: one with its height on each side, where the plan put it in the field
    marked = np.zeros(shown.shape, bool)
    for p in plan.mark.chosen.positions:
        px, py = 170 + 90 * p.x, 118 + 90 * p.y
        half = 0.5 * p.width_ratio * 90
        marked |= np.hypot((x - px), (y - py)) < 1.25 * half

    # Coding rings a little at edges; unblanked, the surround has 23 and its words far more.
    for part in (beyond, boxed):
        assert shown[part].max() <= 28 and shown[part].mean() < 16.6, "surround and box are black"
    clear = deep & ~near & ~marked
    off = shown.astype(float) - should
    assert clear.sum() > 1000 and np.abs(off[clear]).mean() < 2.5, "the picture lies right"
    assert np.abs(np.median(off[clear])) < 1.0
    ring = near & ~boxed & deep & ~marked
    ring &= (x > 223) | (x < 187) | (y > 145) | (y < 117)
    if ring.any():
        assert shown[ring].min() > 25, "beside the box the picture is seen"
    inked = deep & marked & ~near
    drawn = np.abs(cv2.GaussianBlur(off.astype(np.float32), (0, 0), 1.0)) > 4
    assert drawn[inked].sum() > 20, "the mark is there"
    assert drawn[clear].mean() < 0.25 * drawn[inked].mean(), "and nowhere else"

    checks = verify_release(
        made.path, plan, media, given["coverage"], options, stem=made.stem, narration=None,
        voice_consent=True,
    ).checks  # fmt: skip
    assert [c.check for c in checks if not c.passed] == []
    wrong = placed(given["plan"], name)
    moved = (scale, float(dx + 12), float(dy))
    wrong.sources[0] = wrong.sources[0].model_copy(update={"moved": moved})
    checks = verify_release(
        made.path, wrong, media, given["coverage"], options, stem=made.stem, narration=None,
        voice_consent=True,
    ).checks  # fmt: skip
    assert "surround black" in [c.check for c in checks if not c.passed]
