"""The captions inside the file: written as planned, and every other word or time is noticed.

ffmpeg's own conversion to SubRip is a second reader (3GPP TS 26.245).
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import imageio_ffmpeg
import pytest

from pipeline.media.captions import captions_of, one_at_a_time
from pipeline.media.tags import check_container
from pipeline.media.write import finish
from pipeline.stages.verifying.text_track import text_track_check, text_track_of

FFMPEG = imageio_ffmpeg.get_ffmpeg_exe()
CUES = [
    (0.5, 2.0, "The wax lies deep & dry,\nat 3 < 4 mm"),
    (2.0, 3.25, "Größe, 中文, العربية"),
    (3.0, 4.0, "{not} a command, nor a\\path --> here"),
    (5.125, 6.0, "The ear drum is whole."),
]


def run(*arguments: str | Path) -> None:
    command = [FFMPEG, "-v", "error", "-y", *map(str, arguments)]
    subprocess.run(command, check=True, stdin=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def pictures(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("track") / "pictures.mp4"
    run("-f", "lavfi", "-i", "testsrc=s=96x64:d=7:r=25", "-c:v", "libx264", "-pix_fmt", "yuv420p",
        "-x264-params", "colorprim=bt709:transfer=bt709:colormatrix=bt709", path)  # fmt: skip
    return path


def written(pictures: Path, folder: Path, cues: list[tuple[float, float, str]]) -> Path:
    finish(pictures, None, folder / "clip.mp4", matrix="bt709", captions=one_at_a_time(cues),
           end_s=7.0, work=folder)  # fmt: skip
    return folder / "clip.mp4"


def test_the_track_says_the_captions_at_their_times(pictures: Path, tmp_path: Path) -> None:
    path = written(pictures, tmp_path, CUES)
    assert text_track_check(path, CUES).passed
    assert all(c.passed for c in check_container(path, captions=True))
    run("-i", path, "-map", "0:s", tmp_path / "read.srt")
    read = captions_of((tmp_path / "read.srt").read_text(encoding="utf-8"), "srt")
    assert [(a, b) for a, b, _ in read] == [
        (0.5, 2.0), (2.0, 3.0), (3.0, 3.25), (3.25, 4.0), (5.125, 6.0)
    ]  # fmt: skip
    assert read[0][2] == CUES[0][2]
    assert read[2][2].splitlines()[0] == "Größe, 中文, العربية"
    assert "(not) a command" in read[3][2]


@pytest.mark.parametrize(
    "spoiled",
    [
        pytest.param([*CUES[:1], *CUES[2:]], id="one missing"),
        pytest.param([*CUES, (6.2, 6.6, "One more.")], id="one too many"),
        pytest.param([(a + 0.3, b + 0.3, t) for a, b, t in CUES], id="late"),
        pytest.param([*CUES[:3], (5.125, 6.5, CUES[3][2])], id="too long"),
        pytest.param([*CUES[:3], (5.125, 6.0, "The ear drum is hole.")], id="another word"),
        pytest.param([], id="none"),
    ],
)
def test_a_track_unlike_the_plan_fails(
    pictures: Path, tmp_path: Path, spoiled: list[tuple[float, float, str]]
) -> None:
    assert not text_track_check(written(pictures, tmp_path, spoiled), CUES).passed


def test_a_clip_without_captions_may_have_no_track(pictures: Path, tmp_path: Path) -> None:
    path = written(pictures, tmp_path, CUES)
    failed = {c.check for c in check_container(path) if not c.passed}
    assert failed == {"streams", "streams that a player sees"}
    assert text_track_of(written(pictures, tmp_path, [])) == []


def test_a_track_from_elsewhere_is_not_on_the_list(pictures: Path, tmp_path: Path) -> None:
    """Styles, places and names of other makers, and a second track."""
    clean = written(pictures, tmp_path, CUES)
    (tmp_path / "styled.srt").write_text("1\n00:00:00,500 --> 00:00:02,000\n<b>Bold</b> word\n")
    common = ("-fflags", "+bitexact", "-map_metadata", "-1")
    run("-i", clean, "-i", tmp_path / "styled.srt", "-map", "0:v", "-map", "1", "-c:v", "copy",
        "-c:s", "mov_text", *common, tmp_path / "styled.mp4")  # fmt: skip
    run("-i", clean, "-map", "0:v", "-map", "0:s", "-map", "0:s", "-c", "copy", *common,
        tmp_path / "two.mp4")  # fmt: skip
    run("-i", clean, "-map", "0:v", "-map", "0:s", "-c", "copy", *common, "-metadata:s:s",
        "handler_name=Tove Brekkestad", tmp_path / "named.mp4")  # fmt: skip
    expected = {
        "styled": "messages inside the streams",
        "two": "streams",
        "named": "handler and encoder names not on the list",
    }
    for name, check in expected.items():
        checks = check_container(tmp_path / f"{name}.mp4", captions=True)
        assert check in {c.check for c in checks if not c.passed}, name


def test_a_description_of_a_track_holds_nothing_else(pictures: Path, tmp_path: Path) -> None:
    data = written(pictures, tmp_path, CUES).read_bytes()
    at = data.index(b"tx3g")
    for spot, what in ((at + 40, b"\x07"), (data.index(b"Arial"), b"Tove ")):
        (tmp_path / "odd.mp4").write_bytes(data[:spot] + what + data[spot + len(what) :])
        checks = check_container(tmp_path / "odd.mp4", captions=True)
        assert "boxes and fields not on the list" in {c.check for c in checks if not c.passed}
