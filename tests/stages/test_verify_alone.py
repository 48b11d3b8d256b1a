"""The surround of a finished file without its plan: the same answer as with it, or none."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import media_zoo
import numpy as np
import pytest
import scenes_field

from pipeline.analysis.field.surround import SURROUND_LIMIT, brightest_outside, outside_mask
from pipeline.media.write import PictureWriter, planes_of
from pipeline.model.field import FieldSpan
from pipeline.model.options import Options
from pipeline.settings import load_options
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked
from pipeline.stages.verifying.alone import NOT_TOLD, SurroundAlone, verify_file

SIZE, RATE = (320, 240), 4
Draw = Callable[[np.ndarray, float], np.ndarray]


def finished(
    path: Path, draw: Draw, fields: list[tuple[float, media_zoo.FieldTruth]], seconds: float = 10.0
) -> Path:
    """Tissue in black, as the renderer leaves it, with `draw(rgb, time_s)` over it."""
    import av

    writer = PictureWriter(path, *SIZE, float(RATE), "bt709", crf=20, preset="veryfast", threads=1)
    pictures = media_zoo.scope_frames(
        round(RATE * seconds), Fraction(RATE), SIZE, seed=4, fields=fields, surround=0,
        noise_levels=0,
    )  # fmt: skip
    for k, rgb in enumerate(pictures):
        out = draw(np.clip(rgb, 0, 255), k / RATE).astype(np.uint8)
        frame = av.VideoFrame.from_ndarray(out, format="rgb24").reformat(
            format="yuv420p", dst_colorspace="ITU709", dst_color_range="MPEG"
        )
        made = writer.new_frame()
        for target, source in zip(planes_of(made), planes_of(frame), strict=True):
            target[:] = source
        writer.write(made, k / RATE)
    writer.close()
    return path


def surround(path: Path) -> tuple[bool, object]:
    result = verify_file(path, Options())
    return next((c.passed, c.measured) for c in result.checks if c.check == "surround black")


def plain(rgb: np.ndarray, _: float) -> np.ndarray:
    return rgb


FIELD = media_zoo.scope_field(*SIZE)
OTHER = dataclasses.replace(FIELD, center_x_px=FIELD.center_x_px - 14, radius_px=85.0)
FIELDS = {
    "still": [(0.0, FIELD)],
    "another at a time between samples": [(0.0, FIELD), (5.3, OTHER)],
    "drifting": [
        (0.5 * k, dataclasses.replace(FIELD, center_x_px=FIELD.center_x_px + 0.5 * k))
        for k in range(20)
    ],
}  # fmt: skip


@pytest.mark.parametrize("name", FIELDS)
def test_a_black_surround_passes(tmp_path: Path, name: str) -> None:
    passed, measured = surround(finished(tmp_path / "a.mp4", plain, FIELDS[name]))
    assert passed, measured


def lettered(rgb: np.ndarray, time_s: float) -> np.ndarray:
    """Words in a corner for 0.8 s, late in the clip."""
    import cv2

    if 8.0 <= time_s < 8.8:
        ink = cv2.putText(np.zeros((240, 320), np.uint8), "QM-1", (2, 20), 0, 0.5, 60, 1)
        rgb = np.maximum(rgb, ink[..., None])
    return rgb


def glowing(rgb: np.ndarray, _: float) -> np.ndarray:
    return np.maximum(rgb, 18.0)


def coloured(rgb: np.ndarray, time_s: float) -> np.ndarray:
    """A corner in a colour as dark as black is."""
    rgb[:24, :24] += np.array([0, 0, 60]) if time_s > 3 else 0
    return rgb


@pytest.mark.parametrize("draw", [lettered, glowing, coloured])
def test_a_surround_that_is_not_black_does_not_pass(tmp_path: Path, draw: Draw) -> None:
    passed, measured = surround(finished(tmp_path / "a.mp4", draw, FIELDS["still"]))
    assert not passed, measured


def test_what_has_no_field_cannot_be_told(tmp_path: Path) -> None:
    whole = media_zoo.FieldTruth(160, 120, 400, 0, 0, 320, 240)
    passed, measured = surround(finished(tmp_path / "a.mp4", plain, [(0.0, whole)]))
    assert not passed and measured == NOT_TOLD


def test_black_parts_and_a_card_are_no_fault(tmp_path: Path) -> None:
    def parts(rgb: np.ndarray, time_s: float) -> np.ndarray:
        if time_s >= 6:
            rgb = np.zeros_like(rgb)
            rgb[105:135, 90:230] = 200 if time_s >= 8 else 0
        return rgb

    passed, measured = surround(finished(tmp_path / "a.mp4", parts, FIELDS["still"]))
    assert passed, measured


def test_an_unsure_circle_that_hides_lit_surround_is_not_believed() -> None:
    """The found circle is larger than the picture, with words in the gap."""
    y, x = np.mgrid[0:240, 0:320] + 0.5
    luma = np.where(np.hypot(x - 160, y - 120) < 80, 90, 16).astype(np.uint8)
    luma[110:118, 250:262] = 150
    chroma = np.full((120, 160), 128, np.uint8)
    span = FieldSpan(
        start_s=0, stop_s=9, shape="circle", center_x_px=160, center_y_px=120, radius_px=110,
        left_px=0, top_px=0, right_px=320, bottom_px=240, confidence=0.6,
    )  # fmt: skip

    class Shown:
        time_s = 1.0

        @staticmethod
        def planes() -> tuple[np.ndarray, ...]:
            return luma, chroma, chroma

    alone = SurroundAlone([span], sure=0.9)
    alone.look(Shown())  # type: ignore[arg-type]
    assert alone.check().measured == NOT_TOLD and not alone.check().passed
    near = SurroundAlone([span.model_copy(update={"radius_px": 80.0})], sure=0.9)
    near.look(Shown())  # type: ignore[arg-type]
    assert near.check().measured == 150 - 16 and not near.check().passed
    # The planned field ends 1.5 px inside: the same pixels are looked at either way.
    planned = span.model_copy(update={"radius_px": 81.5})
    masks = [outside_mask(planned, 240, 320, 1.5),
             outside_mask(span.model_copy(update={"radius_px": 80.0}), 240, 320)]  # fmt: skip
    assert (masks[0] == masks[1]).all()
    assert brightest_outside((luma, chroma, chroma), masks[0]) == 150 - 16 > SURROUND_LIMIT


def scene(path: Path, kind: str, seed: int) -> Path:
    rate = Fraction(6)
    pictures = [f for _, f in scenes_field.make_clip(kind, seed, duration_s=8.0).frames(6)]
    rows, cols = (n // 2 * 2 for n in pictures[0].shape[:2])

    def cut() -> Iterator[np.ndarray]:
        for picture in pictures:
            yield picture[:rows, :cols].astype(np.float32)

    times = [k / rate for k in range(len(pictures))]
    coding = media_zoo.Coding(options={"preset": "ultrafast", "crf": "16"})
    media_zoo.write(path, cut(), times, coding, None, frame_rate=rate)
    return path


@pytest.mark.slow
@pytest.mark.parametrize("number", range(9))
def test_with_and_without_the_plan(tmp_path: Path, number: int) -> None:
    """One answer for finished clips of many sources, or none where the source was not sure."""
    config = tmp_path / "config.toml"
    config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
    kind = ["full", "clip-tb", "stop-tb", "off", "zoom", "drift", "black", "title", "room"][number]
    options = load_options(["web", "lecture", "broadcast"][number // 2 % 3], config)
    run = run_case(
        scene(tmp_path / "a.mp4", kind, 20 + number % 3), tmp_path / "out", options,
        Asked(consent="public", approve="AB"),
        catalogue=tmp_path / "c.sqlite3",
    )  # fmt: skip
    planned = {c.check: c for c in run.checks}
    made = run.ending.released.path if run.ending.released is not None else run.ending.ready
    assert made is not None, run.withheld
    alone = next(c for c in verify_file(made, options).checks if c.check == "surround black")
    if isinstance(planned["surround black"].measured, str):
        assert not alone.passed  # a person answered for it
    elif alone.measured == NOT_TOLD:
        assert not alone.passed and run.plan is not None
        assert min(f.confidence for s in run.plan.sources for f in s.fields) < options.field.sure
    else:
        assert alone.passed == planned["surround black"].passed, (alone, planned)
