"""Every kind of recording goes through `make` to a finished file whose content is known.

Length, first and last picture, and a flash and a click at one moment are measured in the
finished file with PyAV and by what the makers drew, not by the program's own readers.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import av
import cv2
import media_zoo
import numpy as np
import pytest
import zoo_ends
from media_zoo import CLIPS, Clip
from test_make import Shell
from zoo_ends import ENDS

PROFILES = ("web", "lecture", "broadcast")
QUICK = {"no_audio", "sound_late_mkv"}
NAMES = [
    name if name in QUICK else pytest.param(name, marks=pytest.mark.slow)
    for name in [*CLIPS, *ENDS]
]
SYNC_S = 0.012  # half a picture at 50 a second; AAC spreads a click over some milliseconds
TURN = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}


def seen(path: Path, clip: Clip, turn_deg: int = 0) -> list[tuple[float, int | None]]:
    """(time from the first picture, number spelled in it or None on a flash) of all pictures."""
    out = []
    with av.open(str(path)) as file:
        for frame in file.decode(video=0):
            luma = frame.to_ndarray(format="gray").astype(np.float32)
            if turn_deg:
                luma = cv2.rotate(luma, TURN[turn_deg])
            out.append((float(frame.pts * frame.time_base), media_zoo.read_number(luma, clip)))
    return [(t - out[0][0], number) for t, number in out]


def click_s(path: Path) -> float:
    """When the loudest sound of the file begins, from the first picture on."""
    with av.open(str(path)) as file:
        frames = list(file.decode(audio=0))
        sound = np.concatenate([np.abs(f.to_ndarray()).max(axis=0) for f in frames])
        first_s = float(frames[0].pts * frames[0].time_base)
        return first_s + int(np.argmax(sound > 0.5 * sound.max())) / frames[0].sample_rate


def case_of(folder: Path, clip: Clip, more: str = "") -> Path:
    """A case of one recording. Its consent covers voices, so that no click is replaced."""
    folder.mkdir()
    os.link(clip.path, folder / clip.path.name)
    (folder / "case.toml").write_text(
        f'case = "HL-0100"\ntitle = "Crusts"\n[[recording]]\nfiles = ["{clip.path.name}"]\n'
        f'[consent]\nscope = "public"\ngiven_on = 2026-03-02\nvoice = true\n{more}'
    )
    return folder


@pytest.mark.parametrize("name", NAMES)
def test_every_kind_is_made(name: str, tmp_path: Path) -> None:
    clip = (media_zoo if name in CLIPS else zoo_ends).make(name, tmp_path)
    fieldstop = Shell(tmp_path)
    profile = PROFILES[[*CLIPS, *ENDS].index(name) % len(PROFILES)]
    made = fieldstop("make", case_of(tmp_path / "case", clip), "--looked", "AB", "--approve", "AB",
                     "--profile", profile, "--out", tmp_path / "out")  # fmt: skip
    assert made.code == 0, made.value
    release = Path(made.value["release"])
    plan = json.loads(Path(made.value["plan"]).read_text())

    source, shown = seen(clip.path, clip, clip.rotation_deg), seen(release, clip)
    assert shown[0][1] == source[0][1] and shown[-1][1] == source[-1][1]
    assert len(shown) >= len(source)
    flashes = [t for t, number in source if number is None]
    assert [t for t, number in shown if number is None] == pytest.approx(flashes, abs=1e-3)
    with av.open(str(release)) as file:
        assert len(file.streams.audio) == (clip.channels > 0)
        ends_s = {s.type: float(s.duration * s.time_base) for s in file.streams if s.duration}
        length_s = (file.duration or 0) / 1e6
    usual_s = source[-1][0] / (len(source) - 1)
    assert plan["duration_s"] == pytest.approx(source[-1][0] + usual_s, abs=0.01)
    assert length_s == pytest.approx(plan["duration_s"], abs=0.5 * usual_s)
    if clip.channels:
        assert ends_s["audio"] == pytest.approx(plan["duration_s"], abs=0.002)
    if clip.clicks_s:
        assert click_s(release) == pytest.approx(flashes[0], abs=SYNC_S)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["sound_late_mkv", "late_sound_mkv"])
def test_speech_that_only_the_clip_let_hear_is_replaced_too(name: str, tmp_path: Path) -> None:
    """Where the loud click is replaced, what lies around it is heard anew."""
    clip = (media_zoo if name in CLIPS else zoo_ends).make(name, tmp_path)
    case = case_of(tmp_path / "case", clip)
    toml = case / "case.toml"
    toml.write_text(toml.read_text().replace("voice = true\n", ""))
    made = Shell(tmp_path)("make", case, "--looked", "AB", "--approve", "AB",
                           "--out", tmp_path / "out")  # fmt: skip
    assert made.code == 0, made.value["withheld"]
    left = next(c for c in made.value["checks"] if c["check"].startswith("speech left"))
    assert left["passed"] and left["measured"] <= 0.5


@pytest.mark.slow
@pytest.mark.parametrize("stands_s", [0.0, 2.5])
def test_the_picture_that_is_held_under_a_narration_is_the_last(
    stands_s: float, tmp_path: Path
) -> None:
    """No step back when it is held, and not black where it stood for long in the recording."""
    clip = zoo_ends.varying(tmp_path / "a.mkv", 1.5, stands_s)
    case = case_of(tmp_path / "case", clip, '[narration]\nfile = "v.wav"\n')
    media_zoo.narration_file(case / "v.wav", 6.0, [2.8])
    made = Shell(tmp_path)("make", case, "--looked", "AB", "--approve", "AB",
                           "--out", tmp_path / "out")  # fmt: skip
    assert made.code == 0, made.value
    numbers = [n for _, n in seen(Path(made.value["release"]), clip) if n is not None]
    assert numbers == sorted(numbers)
    last = seen(clip.path, clip)[-1][1]
    assert numbers[-1] == last and numbers.count(last) > 8


@pytest.mark.slow
def test_a_recording_without_sound_on_every_way(tmp_path: Path) -> None:
    """Every profile, with a narration, as a clip, in a batch, and beside a photograph."""
    clip = media_zoo.make("no_audio", tmp_path)
    fieldstop = Shell(tmp_path)
    by = ("--looked", "AB", "--approve", "AB", "--out", tmp_path / "out")
    case = case_of(tmp_path / "case", clip)

    def streams(result: object) -> list[str]:
        with av.open(str(result)) as file:
            return [s.type for s in file.streams if s.type in ("video", "audio")]

    for profile in ("web", "lecture", "broadcast"):
        made = fieldstop("make", case, "--profile", profile, *by)
        assert made.code == 0 and streams(made.value["release"]) == ["video"], made.value
    voice = tmp_path / "voice.wav"
    media_zoo.narration_file(voice, 2.0, [0.2])
    made = fieldstop("make", clip.path, "--narration", voice, "--consent", "public", *by)
    assert made.code == 0 and streams(made.value["release"]) == ["video", "audio"], made.value
    part = fieldstop("clip", case, "--from", "0.4", "--to", "1.6", *by)
    assert part.code == 0, part.value
    photograph = tmp_path / "case" / "still.png"
    cv2.imwrite(str(photograph), media_zoo.zoo_picture(320, 240, 3, 0.1, False)[..., ::-1])
    toml = tmp_path / "case" / "case.toml"
    toml.write_text(
        toml.read_text().replace(
            "[consent]", '[[recording]]\nfiles = ["still.png"]\nphase = "still"\n[consent]'
        )
    )
    made = fieldstop("make", case, *by)
    assert made.code == 0 and streams(made.value["release"]) == ["video"], made.value
    done = fieldstop("batch", tmp_path / "case", *by[:-1], tmp_path / "day")
    assert done.code == 0, done.value
    assert len(list((tmp_path / "day" / "releases").rglob("*.mp4"))) == 1
