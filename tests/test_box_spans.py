"""Black boxes in the finished file: in each picture of what they cover, by the real search."""

from __future__ import annotations

from pathlib import Path

import media_zoo
import pytest
from test_make import Shell, case_folder

from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe

START_S, STOP_S = 2.2, 3.6
BEFORE_S = 0.54  # half a second, and a picture


@pytest.mark.slow
@pytest.mark.parametrize("seed", [5, 6])
def test_boxes_are_there_from_the_first_to_the_last_picture(
    tmp_path: Path, seed: int
) -> None:
    clip = media_zoo.scope_clip(
        tmp_path / "a.mp4", 6.0, size=(640, 480), seed=seed, letters=[("HL-0417 K", 220, 250, 24)],
        letters_s=(START_S, STOP_S),
    )  # fmt: skip
    shell = Shell(tmp_path)
    shell.config.write_text("[anonymity]\nfaces = false\n")
    folder = case_folder(tmp_path / "case", clip)
    done = shell("make", folder, "--out", tmp_path / "out", "--looked", "AB")
    assert done.code == 0, done.value
    path = Path(done.value["release"])
    made = probe(path)
    black = {}
    for picture in read_pictures(path, made, threads=1):
        luma = picture.planes()[0]
        scale = luma.shape[1] / clip.width_px
        x, y, w, h = (round(v * scale) for v in clip.lettering_px[0])
        black[picture.time_s] = float((luma[y : y + h, x : x + w] <= 24).mean())
    shown = [share for t, share in black.items() if START_S - 1e-3 <= t < STOP_S - 1e-3]
    assert len(shown) >= 34 and min(shown) > 0.97
    before = [share for t, share in black.items() if t < START_S - BEFORE_S]
    assert max(before) < 0.2
    after = [share for t, share in black.items() if t > STOP_S + BEFORE_S]
    assert len(after) >= 40 and max(after) < 0.2
