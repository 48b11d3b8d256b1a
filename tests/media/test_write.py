"""Pictures are written at their times, and how long one is shown costs it nothing."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import media_zoo
import numpy as np
import pytest

from pipeline.media.write import TICKS_HZ, PictureWriter, finish, planes_of

PICTURES = 76
CUT = 38


def written(
    path: Path, times_s: list[float], rate_hz: float = 25.0, keys: tuple[int, ...] = ()
) -> list[av.Packet]:
    """The packets of 76 pictures of tissue at crf 30, another view from picture 38 on."""
    writer = PictureWriter(path, 320, 240, rate_hz, "bt709", crf=30)
    for number, time_s in enumerate(times_s):
        frame = writer.new_frame()
        luma, *chroma = planes_of(frame)
        view = media_zoo.zoo_picture(320, 240, 1 + number // CUT, number / 25, False)
        luma[:] = view.mean(axis=2)
        for plane in chroma:
            plane[:] = 128
        writer.write(frame, time_s, key=number in keys)
    writer.close()
    with av.open(str(path)) as file:
        return [p for p in file.demux(video=0) if p.pts is not None]


EVEN = [n / 25 for n in range(PICTURES)]
TIMES = {
    "the last before a cut shown half as long": [t - 0.02 * (t >= CUT / 25) for t in EVEN],
    "a variable rate": np.cumsum(np.random.default_rng(3).uniform(0.002, 0.4, PICTURES)).tolist(),
    "a second without pictures": [t + (n >= PICTURES - 3) for n, t in enumerate(EVEN)],
    "from a later moment on": [t + 7.01 for t in EVEN],
}


@pytest.mark.parametrize("name", TIMES)
def test_times_are_kept_and_cost_no_bits(name: str, tmp_path: Path) -> None:
    times_s = TIMES[name]
    even = written(tmp_path / "even.mp4", EVEN)
    packets = written(tmp_path / "other.mp4", times_s)
    assert [p.size for p in packets] == [p.size for p in even]
    shown = sorted(p.pts * p.time_base for p in packets)
    assert np.allclose([float(t) for t in shown], times_s, atol=1.5 / TICKS_HZ)
    decoded = [p.dts for p in packets]
    assert decoded == sorted(set(decoded)) and all(p.dts <= p.pts for p in packets)


def test_pictures_of_one_moment_follow_each_other(tmp_path: Path) -> None:
    packets = written(tmp_path / "a.mp4", [0.0] * 3 + [t + 0.04 for t in EVEN[3:]])
    ticks = sorted(p.pts for p in packets)
    assert len(set(ticks)) == PICTURES and ticks[:3] == [0, 1, 2]


@pytest.mark.parametrize("name", ["a variable rate", "a second without pictures"])
@pytest.mark.parametrize("stands_s", [0.02, 0.04, 2.0])
def test_the_last_picture_ends_when_asked(name: str, stands_s: float, tmp_path: Path) -> None:
    """Also where pictures are coded in another order than shown, with a gap behind one."""
    times_s = [t - TIMES[name][0] for t in TIMES[name]]
    end_s = times_s[-1] + stands_s
    written(tmp_path / "pictures.mp4", times_s)
    finish(tmp_path / "pictures.mp4", None, tmp_path / "clip.mp4", end_s=end_s, matrix="bt709",
           work=tmp_path)  # fmt: skip
    with av.open(str(tmp_path / "clip.mp4")) as file:
        stream = file.streams.video[0]
        shown = [p.pts * p.time_base for p in file.demux(stream) if p.pts is not None]
        header_s = (file.duration / 1e6, float(stream.duration * stream.time_base))
    assert np.allclose(sorted(map(float, shown)), times_s, atol=2 / TICKS_HZ)
    assert header_s == pytest.approx((end_s, end_s), abs=1.5e-3)  # written in milliseconds


@pytest.mark.parametrize("rate_hz", [25, Fraction(30000, 1001), 60])
def test_an_even_rate_is_told_as_it_is(rate_hz: Fraction, tmp_path: Path) -> None:
    times_s = [float(n / rate_hz) for n in range(PICTURES)]
    written(tmp_path / "pictures.mp4", times_s, float(rate_hz))
    finish(tmp_path / "pictures.mp4", None, tmp_path / "clip.mp4",
           end_s=float(PICTURES / rate_hz), matrix="bt709", work=tmp_path)  # fmt: skip
    with av.open(str(tmp_path / "clip.mp4")) as file:
        stream = file.streams.video[0]
        assert stream.average_rate == rate_hz
        assert {p.duration for p in file.demux(stream) if p.pts is not None} == {TICKS_HZ / rate_hz}


@pytest.mark.parametrize("number", [1, 29, PICTURES - 1])
def test_a_decoder_can_begin_with_a_key_picture(number: int, tmp_path: Path) -> None:
    packets = written(tmp_path / "a.mp4", EVEN, keys=(number,))
    keys = {round(float(p.pts * p.time_base) * 25) for p in packets if p.is_keyframe}
    assert {0, number} <= keys and len(keys) <= 3  # one more where the view changes
