"""Files whose time stamps jump: one axis for every reading, wherever it begins.

The truth is the number spelled in each frame of `media_zoo`, and its flashes and clicks.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import media_zoo
import numpy as np
import pytest

from pipeline.media import prefetch
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound
from pipeline.media.time_stamps import ReadReport, seekable
from pipeline.model.recording import Recording

TICK = Fraction(1, 90000)
FPS = 5
Part = tuple[float, int]
# First time stamp and number of pictures of each part; 5 pictures a second.
FILES: dict[str, tuple[Part, ...]] = {
    "forwards": ((1.4, 10), (15.4, 80)),
    "forwards_twice": ((1.4, 10), (40.0, 30), (80.0, 40)),
    "backwards": ((50.0, 40), (20.0, 40)),
    "the_same_again": ((1.4, 40), (1.4, 40)),
    "there_and_back": ((1.4, 25), (60.0, 25), (9.0, 25)),
}


def made(folder: Path, parts: tuple[Part, ...]) -> tuple[Path, media_zoo.Clip]:
    """MPEG-TS parts one after the other: what recorders write, and what people join by hand."""
    path, first = folder / "jumps.ts", 0
    coding = media_zoo.Coding(options={"preset": "veryfast", "crf": "18", "g": "10", "bf": "2"})
    with path.open("wb") as file:
        for number, (start_s, count) in enumerate(parts):
            clip = media_zoo.zoo_clip(
                folder / f"{number}.ts", coding, width_px=160, height_px=120,
                seconds=count / FPS, frame_rate=Fraction(FPS), time_base=TICK, start_s=start_s,
                first_number=first, flash_frames=(count // 2,), audio_codec="mp2",
            )  # fmt: skip
            file.write(clip.path.read_bytes())
            first += count
    return path, clip


def surveyed(path: Path) -> Recording:
    """As the survey reads it: without unreferenced pictures, times from the packets."""
    recording = probe(path)
    report = ReadReport()
    for _ in read_pictures(path, recording, report=report, skip_unreferenced=True):
        pass
    report.count_packets(Fraction(recording.video.time_base), recording.video.start_s)
    return recording.model_copy(update={"jumps": report.jumps})


@pytest.mark.parametrize("name", sorted(FILES))
def test_every_picture_has_its_time_from_the_start_and_after_a_seek(
    name: str, tmp_path: Path
) -> None:
    parts = FILES[name]
    path, clip = made(tmp_path, parts)
    recording = surveyed(path)
    count = sum(n for _, n in parts)
    assert len(recording.jumps) == len(parts) - 1
    seen = {}
    for picture in read_pictures(path, recording):
        seen[picture.time_s] = media_zoo.read_number(picture.planes()[0], clip)
    assert len(seen) == count
    for time_s, number in seen.items():
        # Frame k of the recording lies at k / 5 s, jumps or not.
        assert number is None or number == round(time_s * FPS)
    for start_s in (2.5, 5.1, count / FPS - 3.3, count / FPS - 1.0):
        window = {
            p.time_s: media_zoo.read_number(p.planes()[0], clip)
            for p in read_pictures(path, recording, start_s=start_s, stop_s=start_s + 1.0)
        }
        assert window == {t: n for t, n in seen.items() if start_s <= t < start_s + 1.0}
        keyed = next(iter(read_pictures(path, recording, start_s=start_s, from_key=True)))
        assert keyed.time_s < start_s + 1 / FPS and seen[keyed.time_s] == media_zoo.read_number(
            keyed.planes()[0], clip
        )


def test_a_file_that_only_jumps_forwards_is_still_sought(tmp_path: Path) -> None:
    """A window near the end is read from a key frame near it; a file that jumps back is not."""
    path, _ = made(tmp_path, ((1.4, 10), (15.4, 80)))
    recording = surveyed(path)
    assert seekable(recording)
    report = ReadReport()
    list(read_pictures(path, recording, report=report, start_s=16.0, stop_s=16.4))
    assert len(report.packets) < 40, "read from the start"
    (tmp_path / "back").mkdir()
    again, _ = made(tmp_path / "back", ((50.0, 10), (20.0, 10)))
    assert not seekable(surveyed(again))


def _clicks(sound: np.ndarray) -> list[float]:
    loud = np.flatnonzero(np.abs(sound) > np.abs(sound).max() / 3)
    return [float(s) / 48_000 for s in loud[np.diff(loud, prepend=-48_000) > 9_600]]


@pytest.mark.parametrize("name", sorted(FILES))
def test_sound_follows_the_pictures_over_a_jump(name: str, tmp_path: Path) -> None:
    """Each click lies within 40 ms of its flash (EBU R 37: sound at most 40 ms early)."""
    path, _ = made(tmp_path, FILES[name])
    recording = surveyed(path)
    lumas = [(p.time_s, float(p.planes()[0].mean())) for p in read_pictures(path, recording)]
    top = max(m for _, m in lumas)
    flashes = [t for t, m in lumas if m > 0.9 * top]
    blocks = read_sound(
        path, origin_s=recording.video.start_s, channels=1, jumps=recording.jumps
    )
    heard = _clicks(np.concatenate(list(blocks), axis=1)[0])
    assert len(flashes) == len(heard) == len(FILES[name])
    assert np.abs(np.array(flashes) - np.array(heard)).max() <= 0.04, (flashes, heard)


def test_a_short_jump_back_does_not_eat_sound(tmp_path: Path) -> None:
    """The pictures go on where they were; the sound did not: it lost what seemed to overlap."""
    path, _ = made(tmp_path, ((50.0, 20), (48.0, 20)))
    recording = surveyed(path)
    blocks = read_sound(path, origin_s=recording.video.start_s, channels=1, jumps=recording.jumps)
    assert sum(b.shape[1] for b in blocks) / 48_000 == pytest.approx(8.0, abs=0.1)


def test_a_decoder_that_stands_still_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    from threading import Event

    from pipeline.errors import InputError

    never: Event = Event()

    def stuck():  # type: ignore[no-untyped-def]
        never.wait(30)
        yield None

    monkeypatch.setattr(prefetch, "STALL_S", 0.4)
    with pytest.raises(InputError, match="stuck"):
        next(prefetch.prefetched(stuck()))
    never.set()


