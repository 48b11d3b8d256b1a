"""What lies beside a finished clip, beside the clip itself: poster, captions, texts, stills.

Each is read back from its file and held against the clip, its plan or its sheet. None of what
writes them is asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.media.captions import Cue, captions_of, plain_words
from pipeline.media.frame import Picture, reduce_rgb
from pipeline.media.pictures import read_pictures
from pipeline.media.still_files import jpeg_rest, png_rest
from pipeline.model.recording import Recording
from pipeline.model.release import Check
from pipeline.stages.verifying.result import make_check

CUE_LIMIT_S = 0.002  # a stamp has milliseconds
END_LIMIT_S = 0.1
POSTER_QUALITY = 90
# Means of tiles of 8 px, levels. A JPEG of quality 90 left 2.5 at most and 5.4 in one colour, in
# 60 posters of 320 x 240 to 1280 x 720 without lettering, 4.4 with coloured lettering (coded
# alike: 0.0); the picture after the right one 4 to 14.
TILE_PX = 8
GREY_LIMIT, COLOUR_LIMIT = 4.0, 8.0
_GREY = np.array([0.299, 0.587, 0.114], np.float32)
_NEAR_S = 0.6  # about a planned moment, where its picture is looked for
_SMALL_PX = (160, 90)  # in which the likeliest pictures are found
_KEPT = 8
_TIMES = re.compile(r"\d\d+:\d\d:\d\d[.,]\d{3} --> \d\d+:\d\d:\d\d[.,]\d{3}")
RGB = NDArray[np.uint8]


def caption_checks(
    data: bytes, kind: str, wanted: Sequence[Cue] | None, length_s: float
) -> list[Check]:
    """A WebVTT or SubRip file: nothing but cues in it, and those that are wanted.

    kind: vtt or srt. wanted: what should be said and when; None where nothing tells it.
    length_s: of the clip.
    """
    name = "captions" if kind == "vtt" else "captions as SubRip"
    try:
        text = data.decode("utf-8")
        found = captions_of(text, kind)
    except ValueError:
        return [make_check(f"{name} can be read", "no", "yes", "", False)]
    rest = _other_lines(text, kind)
    late_s = max([0.0, *(stop_s - length_s for _, stop_s, _ in found)])
    checks = [
        make_check(f"{name} hold cues only", rest, 0, "other lines", rest == 0),
        make_check(f"{name} end with the clip", late_s, END_LIMIT_S, "s later",
                   late_s <= END_LIMIT_S),
    ]  # fmt: skip
    if wanted is not None:
        wrong, first_s = _unlike(found, [c for c in wanted if c[1] - c[0] > CUE_LIMIT_S])
        at = "" if first_s is None else f", first at {first_s:.2f} s"
        checks.append(make_check(f"{name} as planned", wrong, 0, "cues" + at, wrong == 0))
    return checks


def _unlike(found: Sequence[Cue], wanted: Sequence[Cue]) -> tuple[int, float | None]:
    """How many cues differ in time or words, are missing or too many; when the first does."""
    found = [c for c in found if c[1] - c[0] > CUE_LIMIT_S]
    wrong = [
        min(a[0], b[0])
        for a, b in zip(found, wanted, strict=False)
        if max(abs(a[0] - b[0]), abs(a[1] - b[1])) > CUE_LIMIT_S or _words(a) != _words(b)
    ]
    rest = [*found[len(wanted) :], *wanted[len(found) :]]
    times = [*wrong, *(cue[0] for cue in rest)]
    return len(times), min(times, default=None)


def _words(cue: Cue) -> list[str]:
    return plain_words(cue[2]).replace("- ->", "-->").split()


def _other_lines(text: str, kind: str) -> int:
    """Lines of captions that are no cue: notes, styles, settings, headers."""
    rest, number, inside = 0, 0, False
    for k, line in enumerate(text.splitlines()):
        if _TIMES.fullmatch(line):
            inside, number = True, number + 1
        elif not line:
            inside = False
        elif not inside:
            rest += line != (str(number + 1) if kind == "srt" else "WEBVTT" if k == 0 else "")
    return rest


class Likest:
    """Of the pictures of a clip, those that a picture made of it is most like.

    data: the JPEG or PNG. matrix: of the clip. Pictures are handed over in any order.
    """

    def __init__(self, data: bytes, matrix: str) -> None:
        import cv2

        read = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR) if data else None
        self.rgb: RGB | None = None if read is None else np.ascontiguousarray(read[..., ::-1])
        self._matrix, self._coded = matrix, data[:2] == b"\xff\xd8"
        self._small = None if self.rgb is None else self._reduced(self.rgb @ _GREY)
        self._kept: list[tuple[float, float, Picture]] = []
        self._best = (np.inf, np.inf)

    @staticmethod
    def _reduced(grey: NDArray[np.float32]) -> NDArray[np.float32]:
        import cv2

        return np.asarray(cv2.resize(grey, _SMALL_PX, interpolation=cv2.INTER_AREA), np.float32)

    def look_closely(self, picture: Picture) -> None:
        """One of few pictures: each is compared as it is."""
        if self.rgb is not None:
            self._best = min(self._best, self._off(picture))

    def look(self, picture: Picture) -> None:
        """One of all pictures: those are compared that are most alike when reduced."""
        if self._small is None:
            return
        luma = self._reduced(picture.planes()[0].astype(np.float32))
        off = float(np.abs((luma - 16) * np.float32(255 / 219) - self._small).mean())
        if len(self._kept) < _KEPT or off < self._kept[-1][0]:
            self._kept = sorted([*self._kept, (off, picture.time_s, picture)],
                                key=lambda k: k[:2])[:_KEPT]  # fmt: skip

    def off(self) -> tuple[float, float]:
        """(grey, one colour) levels in the worst tile beside the likest picture; inf: none."""
        return min([self._best, *(self._off(k[2]) for k in self._kept)])

    def _off(self, picture: Picture) -> tuple[float, float]:
        assert self.rgb is not None
        shown = reduce_rgb(picture.frame, picture.planes()[0].shape[0], self._matrix)
        if shown.shape != self.rgb.shape:
            return np.inf, np.inf
        plain = _apart(self.rgb, shown)
        if not self._coded or not GREY_LIMIT / 2 < plain[0] < 4 * GREY_LIMIT:
            return plain
        # Strong colours in fine strokes are changed by the coding of the poster itself.
        return min(plain, _apart(self.rgb, _coded_alike(shown)))

    def check(self, name: str) -> Check:
        """That it is one of the pictures."""
        grey, colour = self.off()
        passed = grey <= GREY_LIMIT and colour <= COLOUR_LIMIT
        said: float | str = grey if np.isfinite(grey) else "no picture of it"
        unit = "levels in the worst place" + (f", {colour:.1f} in a colour" if passed else "")
        return make_check(name, said, GREY_LIMIT, unit, passed)


def _apart(one: RGB, other: RGB) -> tuple[float, float]:
    """(grey, one colour) levels in the worst tile."""
    one_mean, other_mean = _tiles(one), _tiles(other)
    grey = np.abs(one_mean @ _GREY - other_mean @ _GREY)
    return float(grey.max()), float(np.abs(one_mean - other_mean).max())


def _coded_alike(rgb: RGB) -> RGB:
    """The picture as a JPEG of a poster's quality leaves it."""
    import cv2

    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, POSTER_QUALITY])
    read = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)
    return np.ascontiguousarray(read[..., ::-1])


def _tiles(rgb: RGB) -> NDArray[np.float32]:
    """Means of tiles (row, col, 3); what is left over at two edges is in the last tiles."""
    import cv2

    size = max(1, rgb.shape[1] // TILE_PX), max(1, rgb.shape[0] // TILE_PX)
    return np.asarray(
        cv2.resize(rgb.astype(np.float32), size, interpolation=cv2.INTER_AREA), np.float32
    )


def look_near(
    path: Path, recording: Recording, at_s: float, look: Callable[[Picture], None]
) -> None:
    """The pictures of a clip about a moment; the first one where none lies there."""
    seen = False
    for picture in read_pictures(path, recording, start_s=max(0.0, at_s - _NEAR_S)):
        look(picture)
        seen = True
        if picture.time_s > at_s + _NEAR_S:
            break
    if not seen:
        for picture in read_pictures(path, recording):
            look(picture)
            break


def poster_checks(data: bytes, likest: Likest, name: str = "poster") -> list[Check]:
    """A JPEG with a picture of the clip in it and nothing else."""
    rest = jpeg_rest(data)
    return [
        make_check(f"{name} holds a picture only", rest, 0, "other parts", rest == 0),
        likest.check(f"{name} is a picture of the clip"),
    ]


def still_checks(name: str, data: bytes, likest: Likest) -> list[Check]:
    """A PNG with a picture of the clip in it and nothing else."""
    rest = png_rest(data)
    return [
        make_check(f"{name} holds a picture only", rest, 0, "other parts", rest == 0),
        likest.check(f"{name} is a picture of the clip"),
    ]
