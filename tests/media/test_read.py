"""Every kind of file that recorders write: times, shape, colour and sound come out right.

The truth comes from the maker of the files (`media_zoo`), colours by the equations of
ITU-R BT.601-7 and BT.709-6.
"""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import media_zoo
import numpy as np
import pytest
from media_zoo import BAD_FILES, CLIPS, Clip, read_number

from pipeline.errors import InputError
from pipeline.media.frame import reduce_rgb
from pipeline.media.labels import label, tell_label
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound
from pipeline.media.time_stamps import ReadReport

Zoo = Callable[[str], Clip]
TICK_S = 0.0015
ROOT = Path(__file__).parents[2]


def pictures_of(clip: Clip, **options: object) -> tuple[list[float], list[np.ndarray], ReadReport]:
    recording = probe(clip.path)
    report = ReadReport()
    times, lumas = [], []
    for picture in read_pictures(clip.path, recording, report=report, **options):  # type: ignore[arg-type]
        times.append(picture.time_s)
        lumas.append(picture.planes()[0].copy())
    return times, lumas, report


@pytest.mark.parametrize("name", sorted(CLIPS))
def test_shape_and_times(zoo: Zoo, name: str) -> None:
    clip = zoo(name)
    recording = probe(clip.path)
    even = (round(clip.width_px / 2 - 0.25) * 2, round(clip.height_px / 2 - 0.25) * 2)
    assert abs(recording.width_px - clip.width_px) <= 2
    assert abs(recording.height_px - clip.height_px) <= 2
    assert recording.width_px % 2 == recording.height_px % 2 == 0
    assert even[0] > 0
    assert recording.video.interlaced == clip.interlaced
    assert recording.video.rotation_deg == clip.rotation_deg
    assert recording.video.full_range == clip.full_range
    assert recording.video.matrix == clip.matrix
    assert recording.video.bit_depth == clip.bit_depth
    assert len(recording.audio) == (1 if clip.channels else 0)
    times, lumas, report = pictures_of(clip)
    assert lumas[0].shape == (recording.height_px, recording.width_px)
    assert len(times) == len(clip.pts_s)
    wanted = np.array(clip.pts_s) - clip.pts_s[0]
    if name != "gap_mkv":
        assert np.allclose(times, wanted, atol=TICK_S)
    assert times[0] == 0.0 and all(b > a for a, b in itertools.pairwise(times))
    assert report.damaged == 0
    if clip.variable_rate:
        assert report.variable_rate


@pytest.mark.parametrize("name", sorted(n for n in CLIPS if "dv" not in n))
def test_frames_are_the_right_ones(zoo: Zoo, name: str) -> None:
    """The number spelled in each picture is that of the frame; upright, or it could not be read."""
    clip = zoo(name)
    _, lumas, _ = pictures_of(clip)
    numbers = [read_number(luma, clip) for luma in lumas]
    if clip.interlaced:
        # Two fields of a frame may spell neighbouring numbers.
        known = [n for n in numbers if n is not None]
        assert known == sorted(known)
        return
    wrong = [(k, n) for k, n in enumerate(numbers) if n is not None and n != k]
    assert not wrong
    assert sum(n is not None for n in numbers) >= len(numbers) - 3


@pytest.mark.parametrize("name", sorted(CLIPS))
def test_colours_do_not_shift(zoo: Zoo, name: str) -> None:
    clip = zoo(name)
    recording = probe(clip.path)
    picture = next(iter(read_pictures(clip.path, recording)))
    rgb = reduce_rgb(picture.frame, recording.height_px, recording.video.matrix).astype(float)
    scale_x, scale_y = rgb.shape[1] / clip.width_px, rgb.shape[0] / clip.height_px
    if not clip.tagged and clip.matrix == "bt601" and clip.height_px >= 720:
        pytest.fail("an untagged file whose matrix cannot be known")
    for patch in clip.patches:
        top, left, side = patch.y_px, patch.x_px, patch.side_px
        rows = slice(int((top + 0.25 * side) * scale_y), int((top + 0.75 * side) * scale_y))
        cols = slice(int((left + 0.25 * side) * scale_x), int((left + 0.75 * side) * scale_x))
        seen = rgb[rows, cols].reshape(-1, 3).mean(axis=0)
        limit = 6.0 if clip.codec in ("mpeg2video", "dvvideo", "mjpeg") else 4.0
        assert np.abs(seen - patch.rgb).max() <= limit, (patch.name, seen, patch.rgb)


@pytest.mark.parametrize("name", ["interlaced_576i", "interlaced_1080i"])
def test_double_rate(zoo: Zoo, name: str) -> None:
    clip = zoo(name)
    same, _, _ = pictures_of(clip)
    double, lumas, _ = pictures_of(clip, double_rate=True)
    assert 2 * len(same) - 1 <= len(double) <= 2 * len(same)
    assert lumas[0].shape[0] == clip.height_px


def clicks(path: Path, origin_s: float) -> list[float]:
    """Times of the clicks, where the sound passes a third of its peak, on the picture's axis."""
    sound = np.concatenate(list(read_sound(path, origin_s=origin_s, channels=1)), axis=1)[0]
    loud = np.flatnonzero(np.abs(sound) > np.abs(sound).max() / 3)
    starts = loud[np.diff(loud, prepend=-48_000) > 9_600]
    return [float(s) / 48_000 for s in starts]


@pytest.mark.parametrize("name", sorted(n for n in CLIPS if n != "no_audio"))
def test_picture_and_sound_stay_together(zoo: Zoo, name: str) -> None:
    """A click lies within 20 ms of its flash, measured on what the reader gives."""
    clip = zoo(name)
    recording = probe(clip.path)
    heard = clicks(clip.path, recording.video.start_s)
    times, lumas, _ = pictures_of(clip)
    means = [float(luma.mean()) for luma in lumas]
    top = max(means)
    seen = [t for t, m, p in zip(times, means, [0.0, *means], strict=False)
            if m > 0.9 * top and p <= 0.9 * top]  # fmt: skip
    assert len(seen) == len(clip.flashes_s) and len(heard) >= 1
    for flash, click in zip(clip.flashes_s, clip.clicks_s, strict=False):
        at = min(heard, key=lambda t, click=click: abs(t - click))
        light = min(seen, key=lambda t, flash=flash: abs(t - flash))
        assert abs((at - light) - (click - flash)) <= 0.02, (name, heard, seen)


@pytest.mark.parametrize(
    ("name", "channels"), [("mono_44k", 1), ("stereo_44k", 2), ("surround_51", 6)]
)
def test_channels(zoo: Zoo, name: str, channels: int) -> None:
    clip = zoo(name)
    own = next(iter(read_sound(clip.path, channels=None)))
    assert own.shape[0] == channels
    total = sum(b.shape[1] for b in read_sound(clip.path, channels=2))
    assert abs(total / 48_000 - clip.duration_s) < 0.1
    assert own.dtype == np.float32


@pytest.mark.parametrize("ending", ["mov", "caf", "mkv"])
@pytest.mark.parametrize("channels", [7, 8, 16])
def test_many_channels_are_each_in_their_place(tmp_path: Path, channels: int, ending: str) -> None:
    """7.1 in MOV and CAF lists its channels; both that and eight planes crashed the reader."""
    path = tmp_path / f"sound.{ending}"
    tones = "|".join(f"0.05*sin(2*PI*{200 * (k + 1)}*t)" for k in range(channels))
    media_zoo.run_ffmpeg(
        "-f", "lavfi", "-i", f"aevalsrc={tones}:d=1:s=48000", "-c:a", "pcm_s16le", path
    )
    # By itself: a crash ends the process.
    code = (
        "import sys, pathlib, numpy as np\n"
        "from pipeline.media.sound import read_sound\n"
        "path = pathlib.Path(sys.argv[1])\n"
        "for channels in (None, 2, 1):\n"
        "    sound = np.concatenate(list(read_sound(path, channels=channels)), axis=1)\n"
        "    power = np.abs(np.fft.rfft(sound[:, :48000], axis=1))\n"
        "    print(*sound.shape, *(power.argmax(axis=1) if channels is None else []))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr
    heard, two, one = (line.split() for line in done.stdout.splitlines())
    assert heard == [str(v) for v in (channels, 48000, *range(200, 200 * channels + 1, 200))]
    assert (two, one) == (["2", "48000"], ["1", "48000"])


def test_seek_gives_the_same_pictures(zoo: Zoo) -> None:
    clip = zoo("h264_bframes")
    times, lumas, _ = pictures_of(clip)
    part, some, _ = pictures_of(clip, start_s=1.0, stop_s=1.5)
    first = times.index(part[0])
    assert part == times[first : first + len(part)] and 12 <= len(part) <= 13
    for luma, whole in zip(some, lumas[first:], strict=False):
        assert np.array_equal(luma, whole)


@pytest.mark.parametrize("name", sorted(BAD_FILES))
def test_refused_with_a_sentence(bad_file: Callable[[str], Path], name: str) -> None:
    path = bad_file(name)
    with pytest.raises(InputError) as caught:
        recording = probe(path)
        # What a header hides, decoding finds.
        report = ReadReport()
        for _ in read_pictures(path, recording, report=report):
            pass
        if report.last_s < recording.duration_s - 1:
            raise InputError("A file is cut short")
    said = caught.value
    assert said.exit_code == 3 and said.what
    assert path.name not in str(said), "file names of recorders may name a patient"
    assert str(path.parent) not in str(said)


def test_label_hides_the_name() -> None:
    assert "Meadow" not in label(Path("/x/Meadow_Jan_1967.mp4"))
    tell_label(Path("a.mp4"), "rec-7k3xv9t2cd4h")
    assert label(Path("./a.mp4").absolute()) == "rec-7k3xv9t2cd4h" != label(Path("b.mp4"))


def test_a_seek_that_lands_too_late_loses_nothing(tmp_path: Path) -> None:
    """MPEG-TS with one key frame: a seek finds none before the time, so all is decoded."""
    coding = media_zoo.Coding(options={"preset": "veryfast", "crf": "20", "g": "600", "bf": "2"})
    clip = media_zoo.zoo_clip(
        tmp_path / "one_key.ts", coding, seconds=6.0, start_s=1.4, time_base=Fraction(1, 90000)
    )
    times, _, _ = pictures_of(clip, start_s=3.0, stop_s=4.0)
    assert len(times) == 25 and times[0] == pytest.approx(3.0, abs=0.001)
    keyed, _, _ = pictures_of(clip, start_s=3.0, stop_s=4.0, from_key=True)
    assert keyed and keyed[0] <= 3.0
