"""Clips spoiled in what a player obeys or carries along, and faults between the usual ones."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
from faults import HZ, fault, filed, mixed_in, pictured, sounded
from good import Good, Planes

from pipeline.media.programs import ffmpeg_program
from pipeline.model.release import Check

COPY = ["-map", "0:v", "-map", "0:a", "-c", "copy"]


def rewritten(name: str, check: str, of_video: str) -> None:
    """The stream of pictures by one of ffmpeg's bitstream filters: no picture is coded anew."""
    filed(name, check)(lambda good: ["-i", "CLIP", *COPY, "-bsf:v", of_video])


rewritten("words in the stream of pictures", "messages inside the streams",
          "h264_metadata=sei_user_data=086f3693-b7b3-4f2c-9653-21492feee5b8+HEllery")
rewritten("shown stretched", "picture size", "h264_metadata=sample_aspect_ratio=2/1")
rewritten("shown cut at one side", "boxes and fields not on the list", "h264_metadata=crop_left=32")
rewritten("shown in full range", "picture format", "h264_metadata=video_full_range_flag=1")
rewritten("pictures run one part in a hundred fast", "pictures at their times",
          "setts=ts=TS*0.99")


@fault("shown upside down", "picture like its source")
def _(good: Good, into: Path) -> list[Check]:
    target = into / "clip.mp4"
    subprocess.run([ffmpeg_program(), "-v", "error", "-y", "-display_rotation", "180", "-i",
                    str(good.path), *COPY, "-fflags", "+bitexact", "-movflags", "+faststart",
                    "-video_track_timescale", "90000", str(target)], check=True)  # fmt: skip
    return good.checks(target)


@fault("bytes behind the end", "boxes and fields not on the list")
def _(good: Good, into: Path) -> list[Check]:
    target = into / "clip.mp4"
    target.write_bytes(good.path.read_bytes() + b"\x00\x00\x00\x15free" + b"H Ellery 1961")
    return good.checks(target)


@filed("words as a stream", "text track as planned")
def _(good: Good) -> list[str]:
    words = good.folder / "words.srt"
    words.write_text("1\n00:00:01,000 --> 00:00:02,000\nH Ellery\n")
    return ["-i", "CLIP", "-i", str(words), *COPY, "-map", "1:0", "-c:s", "mov_text"]


@pictured("blue and red exchanged", "picture colours kept")
def _(t: float, planes: Planes) -> None:
    planes[1][:], planes[2][:] = planes[2].copy(), planes[1].copy()


@pictured("mirrored for two pictures", "picture like its source")
def _(t: float, planes: Planes) -> None:
    if 1.55 < t < 1.65:
        for plane in planes:
            plane[:] = plane[:, ::-1].copy()


@pictured("the mark is coloured", "picture colours kept")
def _(t: float, planes: Planes) -> None:
    planes[1][70:110, 40:120] = np.minimum(planes[1][70:110, 40:120].astype(int) + 20, 240)


@sounded("the channels are exchanged", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> np.ndarray:
    sound[1] *= 0.5
    return sound[::-1]


@sounded("speech in one channel alone", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> None:
    other = sound.copy()
    mixed_in(other, 6.3, -15)
    sound[1] = other[1]


@sounded("speech backwards for a second", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> None:
    part = sound[:, 3 * HZ : 4 * HZ]
    part[:] = part[:, ::-1].copy()
