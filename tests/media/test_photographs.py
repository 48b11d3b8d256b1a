"""A photograph is handed on no larger than a picture of a video, whatever its own size."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.errors import InputError
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import PHOTOGRAPH_PX, on_working_picture, probe

# One decoded RGB picture of 8192 x 4608 takes 113 MB, a second copy of it as much again; the
# program itself some 150 MB. Before photographs were scaled at once this took 1.7 GB.
MOST_MB = 600
_READ = r"""
import re, sys
from pathlib import Path
from pipeline.media.probe import probe
from pipeline.media.pictures import read_pictures
path = Path(sys.argv[1])
(picture,) = read_pictures(path, probe(path))
# Not ru_maxrss: that also holds the size of the process that started this one.
peak_kb = int(re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())[1])
print(picture.frame.width, picture.frame.height, peak_kb // 1024)
"""


def photograph(path: Path, width_px: int, height_px: int) -> Path:
    """A disc of two halves on black: left dark, right bright."""
    picture = np.zeros((height_px, width_px, 3), np.uint8)
    radius = min(width_px, height_px) * 2 // 5
    cv2.circle(picture, (width_px // 2, height_px // 2), radius, (60, 60, 60), -1)
    right = picture[:, width_px // 2 :]
    right[right > 0] = 200
    cv2.imwrite(str(path), picture)
    return path


def test_a_huge_photograph_costs_what_a_picture_of_a_video_costs(tmp_path: Path) -> None:
    path = photograph(tmp_path / "huge.png", 8192, 4608)
    said = subprocess.run(
        [sys.executable, "-c", _READ, str(path)], capture_output=True, text=True, check=True
    )
    width, height, memory_mb = map(int, said.stdout.split())
    assert (width, height) == PHOTOGRAPH_PX
    assert memory_mb < MOST_MB


@pytest.mark.parametrize(
    ("size", "working"),
    [
        ((640, 480), (640, 480)),
        ((3840, 2160), (3840, 2160)),
        ((4000, 3000), (2880, 2160)),
        ((2000, 5000), (864, 2160)),
        ((8000, 1000), (3840, 480)),
    ],
)
def test_the_shape_stays(tmp_path: Path, size: tuple[int, int], working: tuple[int, int]) -> None:
    path = photograph(tmp_path / "a.png", *size)
    recording = probe(path)
    assert (recording.width_px, recording.height_px) == working
    (picture,) = read_pictures(path, recording)
    luma = picture.planes()[0]
    assert luma.shape == working[::-1]
    radius = min(working) * 2 / 5
    row, col = working[1] // 2, working[0] // 2
    assert int(luma[row, round(col + radius / 2)]) > int(luma[row, round(col - radius / 2)]) + 50
    wide = np.count_nonzero(luma[row] > 40)
    assert wide == pytest.approx(2 * radius, abs=4)
    # A field read off the file lies on the same disc.
    given = on_working_picture([size[0] / 2, size[1] / 2, min(size) * 2 / 5], recording)
    assert given == pytest.approx([working[0] / 2, working[1] / 2, radius], abs=2)


@pytest.mark.parametrize("turn", [3, 6, 8])
def test_a_turned_photograph_is_turned_after_it_was_scaled(tmp_path: Path, turn: int) -> None:
    """EXIF orientation (CIPA DC-008): 3 upside down, 6 and 8 a quarter clockwise and back."""
    Image = pytest.importorskip("PIL.Image")
    path = tmp_path / "turned.jpg"
    picture = np.zeros((3000, 4000, 3), np.uint8)
    picture[:, 2000:] = 200
    made = Image.fromarray(picture)
    exif = made.getexif()
    exif[0x0112] = turn
    made.save(path, exif=exif)
    recording = probe(path)
    (shown,) = read_pictures(path, recording)
    luma = shown.planes()[0]
    want = np.rot90(picture[..., 0], {3: 2, 6: 3, 8: 1}[turn])
    assert luma.shape[0] / luma.shape[1] == pytest.approx(want.shape[0] / want.shape[1], abs=0.01)
    small = cv2.resize(want, luma.shape[::-1], interpolation=cv2.INTER_AREA).astype(int)
    assert np.abs((luma.astype(int) - 16) * 255 / 219 - small).mean() < 3


@pytest.mark.parametrize("size", [(9000, 500), (8192, 4700)])
def test_one_too_large_is_refused_with_its_limit(tmp_path: Path, size: tuple[int, int]) -> None:
    path = photograph(tmp_path / "vast.png", *size)
    with pytest.raises(InputError, match="8192x4608") as refused:
        probe(path)
    assert refused.value.exit_code == 3
