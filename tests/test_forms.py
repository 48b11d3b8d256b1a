"""A clip in another form than its recordings: cut around the field, marked, checked."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import media_zoo
import numpy as np
import pytest
from test_make import Shell, case_folder

from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.model.placement import Placement
from pipeline.model.survey import Survey, SurveyedRecording
from pipeline.settings import load_options
from pipeline.stages.planning.picture import output_size, placed

ASPECTS = {"16:9": 16 / 9, "1:1": 1.0, "9:16": 9 / 16}


def field(x: float, y: float, r: float, flat: float = 1.0, **more: Any) -> FieldSpan:
    values = {
        "start_s": 0, "stop_s": 9, "shape": "circle-clipped", "center_x_px": x, "center_y_px": y,
        "radius_px": r, "left_px": 0, "top_px": y - flat * r, "right_px": 1920,
        "bottom_px": y + flat * r, "confidence": 1.0,
    } | more  # fmt: skip
    return FieldSpan(**values)


def survey(*fields: FieldSpan) -> Survey:
    recorded = SurveyedRecording(
        sha256="a" * 64, duration_s=9, frame_rate_hz=25, width_px=1920, height_px=1080
    )
    return Survey(recording=recorded, field=list(fields))


def options(aspect: str, **output: Any) -> Options:
    found = load_options("web")
    return found.model_copy(
        update={
            "form": found.form.model_copy(update={"aspect": aspect}),
            "output": found.output.model_copy(update=output),
        }
    )


@pytest.fixture(scope="module")
def wide(tmp_path_factory: pytest.TempPathFactory) -> Any:
    path = tmp_path_factory.mktemp("wide") / "a.mp4"
    media_zoo.scope_clip(path, 0.4, size=(320, 180), audio="none")
    return probe(path).model_copy(update={"width_px": 1920, "height_px": 1080})


LOOKS = {
    "a circle": [field(960, 540, 500)],
    "flat above and below": [field(900, 560, 620, 0.7)],
    "out of the middle": [field(400, 300, 280)],
    "drifting and zooming": [field(900, 540, 400, stop_s=4), field(1000, 500, 480, start_s=4)],
    "larger than the frame": [field(960, 540, 700, top_px=0, bottom_px=1080)],
}


@pytest.mark.parametrize("aspect", ASPECTS)
@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("limit", [2160, 480])
def test_the_field_fills_the_form_and_is_never_cut(
    wide: Any, aspect: str, look: str, limit: int
) -> None:
    spans, asked = LOOKS[look], options(aspect, max_height_px=limit)
    size = output_size(wide, survey(*spans), asked)
    assert size[0] % 2 == size[1] % 2 == 0 and size[1] <= limit
    assert size[0] / size[1] == pytest.approx(ASPECTS[aspect], rel=0.01)
    place = placed(wide, survey(*spans), asked, size)
    boxes = np.array([[*place.point(*s.lit_box[:2]), *place.point(*s.lit_box[2:])] for s in spans])
    left, top = boxes[:, 0].min(), boxes[:, 1].min()
    right, bottom = boxes[:, 2].max(), boxes[:, 3].max()
    assert left >= 0 and top >= 0 and right <= size[0] and bottom <= size[1], "nothing is cut"
    assert max((right - left) / size[0], (bottom - top) / size[1]) > 0.9, "it fills the form"
    assert (left + right) / 2 == pytest.approx(size[0] / 2, abs=1.1), "in the middle"
    assert (top + bottom) / 2 == pytest.approx(size[1] / 2, abs=1.1)
    if size[1] < limit:
        assert place.scale == 1.0, "no pixel is resampled"


@pytest.mark.parametrize("aspect", ASPECTS)
@pytest.mark.parametrize("look", LOOKS)
def test_the_field_is_whole_above_its_captions(wide: Any, aspect: str, look: str) -> None:
    spans, asked = LOOKS[look], options(aspect)
    asked.captions.drawn = "below"
    size = output_size(wide, survey(*spans), asked, captions=True)
    assert size[0] / size[1] == pytest.approx(ASPECTS[aspect], rel=0.01)
    place = placed(wide, survey(*spans), asked, size, captions=True)
    boxes = np.array([[*place.point(*s.lit_box[:2]), *place.point(*s.lit_box[2:])] for s in spans])
    assert boxes.min() >= 0 and boxes[:, 2].max() <= size[0]
    assert boxes[:, 3].max() <= 0.93 * size[1], "room for two lines"
    if size[1] < 2160:
        assert place.scale == 1.0, "the form grows: no pixel is resampled"


def test_another_side_shows_its_field_as_large(wide: Any) -> None:
    asked, first = options("1:1"), survey(field(960, 540, 500))
    size = output_size(wide, first, asked)
    other = survey(field(500, 600, 250))
    radii = [
        placed(wide, s, asked, size).field(s.field[0]).radius_px for s in (first, other)
    ]
    assert radii[1] == pytest.approx(radii[0], rel=0.01)


def test_a_picture_without_a_field_is_shown_whole(wide: Any) -> None:
    none = field(960, 540, 800, shape="none", top_px=0, bottom_px=1080)
    asked = options("9:16")
    size = output_size(wide, survey(none), asked)
    place = placed(wide, survey(none), asked, size)
    assert place.picture_px[0] <= size[0] and place.picture_px[1] <= size[1]
    assert size[1] <= asked.output.max_height_px


def test_the_shape_of_the_source_is_as_ever(wide: Any) -> None:
    asked = options("source")
    size = output_size(wide, survey(field(400, 300, 280)), asked)
    assert size == (1920, 1080)
    assert placed(wide, survey(field(400, 300, 280)), asked, size) == Placement(size, size)


def lit_box(path: Path) -> tuple[np.ndarray, tuple[int, int]]:
    """(left, top, right, bottom) of what is ever lit in a finished file; its (width, height)."""
    most: Any = None
    for picture in read_pictures(path, probe(path)):
        luma = picture.planes()[0]
        most = luma.copy() if most is None else np.maximum(most, luma)
    rows, cols = np.nonzero(most > 24)
    return np.array([cols.min(), rows.min(), cols.max() + 1, rows.max() + 1]), most.shape[::-1]


@pytest.mark.slow
def test_forms_go_all_the_way(tmp_path: Path) -> None:
    """Two sides recorded at another size and place each: every form of one command is released."""
    fieldstop = Shell(tmp_path)
    left = media_zoo.scope_clip(
        tmp_path / "left.mp4", 4.0, size=(320, 240), seed=3,
        field=media_zoo.FieldTruth(150, 118, 96, 0, 40, 320, 200),
    )  # fmt: skip
    media_zoo.scope_clip(
        tmp_path / "b.mp4", 3.0, size=(320, 240), seed=4,
        field=media_zoo.FieldTruth(190, 110, 70, 0, 0, 320, 240),
    )  # fmt: skip
    more = '[[recording]]\nfiles = ["b.mp4"]\nside = "right"\n'
    folder = case_folder(tmp_path / "case", left, recording=more)
    (tmp_path / "b.mp4").rename(folder / "b.mp4")
    made = fieldstop(
        "make", folder, "--profile", "web,short,square", "--looked", "AB", "--out", tmp_path / "o"
    )
    assert made.code == 0, made.value
    rows = made.value["profiles"]
    assert [r["profile"] for r in rows] == ["web", "short", "square"]
    sizes = {}
    for row in rows:
        assert row["release"] and all(c["passed"] for c in row["checks"])
        assert json.loads(Path(row["record"]).read_text())["mark"]["crop_loss"] >= 0.35
        box, sizes[row["profile"]] = lit_box(Path(row["release"]))
        if row["profile"] != "web":
            middle = [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2]
            size = np.array(sizes[row["profile"]])
            np.testing.assert_allclose(middle, size / 2, atol=0.02 * size[0])
            assert 0.9 * size[0] < box[2] - box[0] <= size[0]
    assert sizes["web"] == (320, 240)
    assert sizes["square"][0] == sizes["square"][1]
    assert sizes["short"][0] / sizes["short"][1] == pytest.approx(9 / 16, rel=0.02)


@pytest.mark.slow
def test_a_form_with_a_longest_length_says_what_to_do(tmp_path: Path) -> None:
    fieldstop = Shell(tmp_path)
    clip = media_zoo.scope_clip(tmp_path / "a.mp4", 4.0, size=(160, 120), seed=3)
    folder = case_folder(tmp_path / "case", clip)
    limit = "[form]\nmost_s = 3.0\n"
    out = tmp_path / "out"
    made = fieldstop("make", folder, "--profile", "short", "--out", out, config=limit)
    assert made.code == 2 and "at most" in made.said and "--from" in made.said
    assert not list(out.glob("releases/**/*.mp4"))
    part = fieldstop("clip", folder, "--profile", "short", "--from", "0", "--to", "2.5",
                     "--looked", "AB", "--out", out)  # fmt: skip
    assert part.code == 0 and "-short-" in part.value["release"], part.value


@pytest.mark.parametrize(("names", "said"), [("web,shrot", "shrot"), ("web,", "lacks a name")])
def test_a_mistyped_profile_among_several_makes_nothing(
    tmp_path: Path, names: str, said: str
) -> None:
    fieldstop = Shell(tmp_path)
    clip = media_zoo.scope_clip(tmp_path / "a.mp4", 1.0, size=(160, 120))
    made = fieldstop("make", clip.path, "--profile", names, "--out", tmp_path / "out")
    assert made.code == 2 and said in made.said
    assert not (tmp_path / "out").exists()
