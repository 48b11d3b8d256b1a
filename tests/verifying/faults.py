"""Clips spoiled on purpose: each from the good one, each to fail by the check that names it."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import media_zoo
import numpy as np
import pytest
from good import PERSON, RATE, Good, Planes
from scipy.signal import butter, hilbert, sosfilt

from pipeline.media.programs import ffmpeg_program
from pipeline.media.stems import write_stem
from pipeline.media.write import finish
from pipeline.model.release import Check
from pipeline.stages.rendering import sound as sound_rendering
from pipeline.stages.rendering.coding import CodePainter
from pipeline.stages.rendering.reading import piece_pictures
from pipeline.stages.verifying.identity import placed_marks

Make = Callable[[Good, Path], list[Check]]
FAULTS: dict[str, tuple[str, Make]] = {}
HZ = 48_000


def fault(name: str, check: str) -> Callable[[Make], Make]:
    def put(make: Make) -> Make:
        FAULTS[name] = (check, make)
        return make

    return put


def pictured(name: str, check: str) -> Callable[[Callable[[float, Planes], Any]], Any]:
    """A fault in some pictures: the function changes the planes at a time of the clip."""

    def put(change: Callable[[float, Planes], Any]) -> Any:
        def make(good: Good, into: Path) -> list[Check]:
            return good.checks(good.shown(into, lambda s, planes: change(s.time_s, planes)))

        FAULTS[name] = (check, make)
        return change

    return put


def planned(name: str, check: str) -> Callable[[Callable[[Any], Any]], Any]:
    """A renderer that obeys another plan; the function gives it."""

    def put(other: Callable[[Any], Any]) -> Any:
        def make(good: Good, into: Path) -> list[Check]:
            return good.checks(good.shown(into, plan=other(good.plan)))

        FAULTS[name] = (check, make)
        return other

    return put


def sounded(name: str, check: str) -> Callable[[Callable[[Good, np.ndarray], Any]], Any]:
    """Another sound before coding; the function changes it, or gives another."""

    def put(change: Callable[[Good, np.ndarray], Any]) -> Any:
        def make(good: Good, into: Path) -> list[Check]:
            sound = good.mix.copy()
            other = change(good, sound)
            return good.checks(good.heard(into, sound if other is None else other))

        FAULTS[name] = (check, make)
        return change

    return put


def filed(name: str, check: str) -> Callable[[Callable[[Good], list[str]]], Any]:
    """A finished file that ffmpeg copied with other arguments; CLIP stands for the good one."""

    def put(arguments: Callable[[Good], list[str]]) -> Any:
        def make(good: Good, into: Path) -> list[Check]:
            target = into / "clip.mp4"
            said = [str(good.path) if a == "CLIP" else a for a in arguments(good)]
            command = [ffmpeg_program(), "-v", "error", "-y", *said, "-fflags", "+bitexact",
                       "-movflags", "+faststart", "-video_track_timescale", "90000",
                       str(target)]  # fmt: skip
            subprocess.run(command, check=True)
            return good.checks(target)

        FAULTS[name] = (check, make)
        return arguments

    return put


def words(planes: Planes, text: str, x: int, y: int, level: int = 120) -> None:
    cv2.putText(planes[0], text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.35, level, 1, cv2.LINE_AA)


# --- the surround and the boxes ----------------------------------------------------------


@pictured("lettering in the surround for a second", "surround black")
def _(t: float, planes: Planes) -> None:
    if 1.1 <= t < 2.1:
        words(planes, "QM", 2, 14)


@pictured("lettering in the surround for three pictures", "surround black")
def _(t: float, planes: Planes) -> None:
    if 1.19 <= t < 1.30:
        words(planes, "QM", 2, 14)


def _single(pictures: int) -> None:
    """The surround of a single picture, beside where the second recording begins and away from it:
    of successive pictures some are those that no other depends on."""

    @fault(f"lettering in one picture, {pictures:+d} from where a part begins", "surround black")
    def _(good: Good, into: Path) -> list[Check]:
        begins_s = next(p.out_start_s for p in good.plan.pieces if p.source == 1)
        at_s = begins_s + pictures / RATE

        def change(shown: Any, planes: Planes) -> None:
            if abs(shown.time_s - at_s) < 0.5 / RATE:
                words(planes, "QM", 2, 14)

        return good.checks(good.shown(into, change))


for _pictures in (-1, 0, 1, 9, 10, 11, 12):
    _single(_pictures)


@pictured("a coloured corner as dark as black", "surround black")
def _(t: float, planes: Planes) -> None:
    if t > 5:
        planes[1][:10, :10] = 160


@pictured("a lit line beside the rim for a second", "surround black")
def _(t: float, planes: Planes) -> None:
    if 1.1 <= t < 2.1:
        planes[0][100:140, 22:24] = 70


@planned("the field is found 12 px to the side", "picture like its source")
def _(plan: Any) -> Any:
    return moved_field(plan, 12, 0)


@planned("the field is found 8 px larger", "picture like its source")
def _(plan: Any) -> Any:
    return moved_field(plan, 0, 8)


@planned("the field is found 10 px smaller", "picture like its source")
def _(plan: Any) -> Any:
    return moved_field(plan, 0, -10)


def moved_field(plan: Any, across_px: float, larger_px: float) -> Any:
    source = plan.sources[0]
    fields = [
        f.model_copy(update={
            "center_x_px": f.center_x_px + across_px, "radius_px": f.radius_px + larger_px,
            "left_px": f.left_px + across_px - larger_px, "top_px": f.top_px - larger_px,
            "right_px": f.right_px + across_px + larger_px, "bottom_px": f.bottom_px + larger_px,
        })
        for f in source.fields
    ]  # fmt: skip
    return plan.model_copy(update={"sources": [source.model_copy(update={"fields": fields}),
                                               *plan.sources[1:]]})  # fmt: skip


@fault("enlarged in the plan and not in the picture", "picture like its source")
def _(good: Good, into: Path) -> list[Check]:
    """What was once released: the mask is enlarged, the picture lies in its corner unscaled."""

    def unscaled(shown: Any, planes: Planes) -> None:
        if shown.source != 1:
            return
        piece = next(p for p in good.plan.pieces if p.in_clip.start_s <= shown.time_s + 1e-6
                     and shown.time_s < p.in_clip.stop_s)  # fmt: skip
        if piece.kind == "card":
            return
        small = good.plan.model_copy(update={"sources": [
            good.plan.sources[0], good.plan.sources[1].model_copy(update={"moved": (1.0, 0, 0)}),
        ]})  # fmt: skip
        source = next(p for _, p in piece_pictures(piece, small, good.media, good.options, None))
        assert source is not None
        for plane, other, level in zip(planes, source.planes(), (16, 128, 128), strict=True):
            lit = plane != level
            whole = np.full_like(plane, level)
            whole[: other.shape[0], : other.shape[1]] = other
            plane[:] = np.where(lit, whole, level)

    return good.checks(good.shown(into, unscaled))


def boxes(plan: Any, change: Callable[[Any], Any]) -> Any:
    rows = [change(r) if r.box_px is not None else r for r in plan.redactions]
    return plan.model_copy(update={"redactions": [r for r in rows if r is not None]})


@planned("a person's box is left out", "redacted boxes black")
def _(plan: Any) -> Any:
    return boxes(plan, lambda r: None if r.box_px == PERSON else r)


@planned("the machine's box is left out", "redacted boxes black")
def _(plan: Any) -> Any:
    return boxes(plan, lambda r: r if r.box_px == PERSON else None)


@planned("the boxes lie 12 px to the side", "redacted boxes black")
def _(plan: Any) -> Any:
    return boxes(plan, lambda r: r.model_copy(
        update={"box_px": (r.box_px[0] + 12, *r.box_px[1:])}))  # fmt: skip


@planned("the boxes begin one picture late", "redacted boxes black")
def _(plan: Any) -> Any:
    return boxes(plan, lambda r: r.model_copy(update={"start_s": r.start_s + 0.04}))


@planned("the boxes end one picture early", "redacted boxes black")
def _(plan: Any) -> Any:
    return boxes(plan, lambda r: r.model_copy(update={"stop_s": r.stop_s - 0.04}))


@pictured("a box is seen through in one picture", "redacted boxes black")
def _(t: float, planes: Planes) -> None:
    if 3.39 < t < 3.41:
        x, y, wide, high = PERSON
        planes[0][y + 4 : y + high - 4, x + 4 : x + wide - 4] = 90


@pictured("a box is grey instead of black", "redacted boxes black")
def _(t: float, planes: Planes) -> None:
    if 2.85 < t < 3.5:
        x, y, wide, high = PERSON
        planes[0][y : y + high, x : x + wide] = 40


@pictured("a box is coloured instead of black", "redacted boxes black")
def _(t: float, planes: Planes) -> None:
    if 2.85 < t < 3.5:
        x, y, wide, high = PERSON
        planes[2][y // 2 : (y + high) // 2, x // 2 : (x + wide) // 2] = 150


# --- the picture ------------------------------------------------------------------------


@pictured("a patch of another picture for half a second", "picture like its source")
def _(t: float, planes: Planes) -> None:
    if 2.0 <= t < 2.5:
        planes[0][150:170, 80:110] = planes[0][170:190, 80:110]


@pictured("half brighter and half darker", "picture brightness kept")
def _(t: float, planes: Planes) -> None:
    """What a signed mean over the clip cannot see."""
    luma = planes[0]
    up = luma[:, :160]
    luma[:, :160] = np.where(up > 30, np.minimum(up, 227) + 8, up)
    down = luma[:, 160:]
    luma[:, 160:] = np.where(down > 30, down - 8, down)


@pictured("brighter by five for a second", "picture brightness kept")
def _(t: float, planes: Planes) -> None:
    if 5.0 <= t < 6.0:
        planes[0][:] = np.where(planes[0] > 30, np.minimum(planes[0], 230) + 5, planes[0])


@fault("every other picture of half a second is the one before", "no picture of its neighbour")
def _(good: Good, into: Path) -> list[Check]:
    before: list[Any] = []

    def change(shown: Any, planes: Planes) -> None:
        before.append([p.copy() for p in planes])
        if 1.9 <= shown.time_s < 2.4 and len(before) % 2:
            for plane, old in zip(planes, before[-2], strict=True):
                plane[:] = old

    return good.checks(good.shown(into, change))


@pictured("the held picture is another one", "picture like its source")
def _(t: float, planes: Planes) -> None:
    if 6.0 <= t < 6.8:
        planes[0][60:180, 100:220] = planes[0][60:180, 100:220][:, ::-1]


@planned("a moment before is held", "picture like its source")
def _(plan: Any) -> Any:
    pieces = [p.model_copy(update={"start_s": 0.4}) if p.kind == "freeze" else p
              for p in plan.pieces]  # fmt: skip
    return plan.model_copy(update={"pieces": pieces})


@planned("the cut does not fade", "picture like its source")
def _(plan: Any) -> Any:
    return plan.model_copy(
        update={"pieces": [p.model_copy(update={"fade_s": 0.0}) for p in plan.pieces]}
    )


@planned("what was cut is shown", "picture like its source")
def _(plan: Any) -> Any:
    first, second, *rest = plan.pieces
    other = second.model_copy(update={"start_s": 2.98, "fade_s": 0.0})
    return plan.model_copy(update={"pieces": [first, other, *rest]})


@planned("without its release code", "release code reads back")
def _(plan: Any) -> Any:
    return plan.model_copy(update={"code": None})


@planned("the code of another copy", "release code reads back over all")
def _(plan: Any) -> Any:
    other = plan.code.model_copy(update={"number": plan.code.number ^ 1})
    return plan.model_copy(update={"code": other})


@fault("one second without the release code", "release code reads back")
def _(good: Good, into: Path) -> list[Check]:
    plain = CodePainter.paint

    def paint(self: Any, luma: Any, span: Any, time_s: float, *more: Any) -> bool:
        return not 3 <= time_s < 4 and plain(self, luma, span, time_s, *more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(CodePainter, "paint", paint)
        return good.checks(good.shown(into))


@planned("contrast is restored by another amount", "picture like its source")
def _(plan: Any) -> Any:
    knots = [(a, 2 * b, c) for a, b, c in plan.restorations[0].knots]
    return plan.model_copy(
        update={"restorations": [plan.restorations[0].model_copy(update={"knots": knots})]}
    )


@pictured("nothing says that contrast was restored", "restored contrast is named in the picture")
def _(t: float, planes: Planes) -> None:
    if 0.6 <= t < 1.8:
        planes[0][185:215, 90:230] = 70


@planned("nothing was restored", "picture like its source")
def _(plan: Any) -> Any:
    return plan.model_copy(update={"restorations": []})


@planned("another recording is shown", "picture like its source")
def _(plan: Any) -> Any:
    pieces = [p.model_copy(update={"source": 0}) if p.source == 1 and p.kind == "play" else p
              for p in plan.pieces]  # fmt: skip
    return plan.model_copy(update={"pieces": pieces})


@pictured("colours off by one matrix", "picture colours kept")
def _(t: float, planes: Planes) -> None:
    """As if BT.601 samples were written under the name of BT.709 (from their luma weights)."""
    y, u, v = (p.astype(float) for p in planes)
    small = y[: 2 * u.shape[0], : 2 * u.shape[1]].reshape(u.shape[0], 2, u.shape[1], 2)
    luma = (small.mean(axis=(1, 3)) - 16) / 219
    cb, cr = (u - 128) / 224, (v - 128) / 224
    red, blue = luma + 1.5748 * cr, luma + 1.8556 * cb
    green = (luma - 0.2126 * red - 0.0722 * blue) / 0.7152
    new = 0.299 * red + 0.587 * green + 0.114 * blue
    change = 219 * np.repeat(np.repeat(new - luma, 2, 0), 2, 1)
    lit = planes[0] > 18
    planes[0][:] = np.where(lit, np.clip(np.rint(y + change), 16, 235), y)
    planes[1][:] = np.clip(np.rint(128 + 224 * (blue - new) / 1.772), 16, 240)
    planes[2][:] = np.clip(np.rint(128 + 224 * (red - new) / 1.402), 16, 240)


@fault("a picture twice, the rest late", "picture like its source")
def _(good: Good, into: Path) -> list[Check]:
    def late(shown: Any, planes: Planes) -> Any:
        if not 4.0 < shown.time_s < 5.0:
            return None
        return shown.time_s + 0.04

    return good.checks(good.shown(into, late))


@fault("half a second is missing", "pictures at their times")
def _(good: Good, into: Path) -> list[Check]:
    return good.checks(good.shown(into, lambda s, _: None if not 3.0 < s.time_s < 3.5 else False))


@fault("one picture is missing", "pictures at their times")
def _(good: Good, into: Path) -> list[Check]:
    return good.checks(
        good.shown(into, lambda s, _: None if not 3.19 < s.time_s < 3.21 else False)
    )


@fault("the card is missing", "length as planned")
def _(good: Good, into: Path) -> list[Check]:
    cut = good.shown(into, lambda s, _: False if s.time_s >= 8.0 else None, end_s=8.0)
    return good.checks(cut)


@fault("the card is missing, the header tells its length", "pictures at their times")
def _(good: Good, into: Path) -> list[Check]:
    return good.checks(good.shown(into, lambda s, _: False if s.time_s >= 8.0 else None))


@pictured("the card says something else", "cards as planned")
def _(t: float, planes: Planes) -> None:
    if t >= 8.0:
        planes[0][:] = 16
        words(planes, "412 kg", 130, 125, 220)


# --- the mark ---------------------------------------------------------------------------


@fault("the mark is missing in one second", "mark visible in every second")
def _(good: Good, into: Path) -> list[Check]:
    return good.checks(spliced(good, into, good.plan.model_copy(update={"mark": None}), 3.5, 4.5))


def of_strength(good: Good, share: float) -> Any:
    mark = good.plan.mark
    assert mark is not None
    return good.plan.model_copy(
        update={"mark": mark.model_copy(update={"target": share * mark.target})}
    )


@fault("the mark at half strength", "mark visible inside its band")
def _(good: Good, into: Path) -> list[Check]:
    return good.checks(good.shown(into, plan=of_strength(good, 0.5)))


@fault("the mark at double strength", "mark visible inside its band")
def _(good: Good, into: Path) -> list[Check]:
    return good.checks(good.shown(into, plan=of_strength(good, 2.0)))


@fault("the mark lies elsewhere", "mark visible inside its band")
def _(good: Good, into: Path) -> list[Check]:
    mark = good.plan.mark
    assert mark is not None
    places = [p.model_copy(update={"x": p.x + 0.15}) for p in mark.chosen.positions]
    chosen = mark.chosen.model_copy(update={"positions": places})
    other = mark.model_copy(update={"chosen": chosen})
    return good.checks(good.shown(into, plan=good.plan.model_copy(update={"mark": other})))


def spliced(good: Good, into: Path, plan: Any, start_s: float, stop_s: float) -> Path:
    """Pictures of another plan in a part of the clip."""
    from pipeline.stages.rendering import pictures as rendering

    other = {
        round(s.time_s, 4): [p.copy() for p in rendering.planes_of(s.frame)]
        for s in rendering.compose(plan, good.media, good.coverage, good.options)
        if start_s <= s.time_s < stop_s
    }

    def change(shown: Any, planes: Planes) -> None:
        for plane, new in zip(planes, other.get(round(shown.time_s, 4), []), strict=False):
            plane[:] = new

    return good.shown(into, change)


# --- the sound --------------------------------------------------------------------------


def speech(seconds: float) -> np.ndarray:
    """Recorded speech that the clip has nothing to do with, at full level 1."""
    voice = media_zoo.spoken_sentences()[-1][: round(seconds * HZ)]
    return np.asarray(voice / np.sqrt(np.mean(voice**2)))


def mixed_in(
    sound: np.ndarray, at_s: float, level_db: float, foreign: np.ndarray | None = None
) -> None:
    """foreign: in the place of a second of speech, at full level 1."""
    a = round(at_s * HZ)
    voice = speech(1.0) if foreign is None else foreign
    here = sound[:, a : a + voice.size]
    sound[:, a : a + voice.size] += (
        10 ** (level_db / 20) * np.sqrt(np.mean(here.astype(float) ** 2)) * voice
    )


for _level in (-10, -20):
    for _at, _where in ((6.3, "after the narration"), (2.6, "under narration"), (0.3, "before it")):

        @sounded(f"speech at {_level} dB for a second {_where}", "sound as mixed")
        def _(good: Good, sound: np.ndarray, at: float = _at, level: float = _level) -> None:
            mixed_in(sound, at, level)


def highs() -> np.ndarray:
    """What a second of speech has above 4 kHz, at full level 1."""
    high = sosfilt(butter(8, 4000, "high", fs=HZ, output="sos"), speech(1.0))
    return np.asarray(high / np.sqrt(np.mean(high**2)))


def moved_up() -> np.ndarray:
    """A second of speech that begins at 6 kHz: who moves it down again understands it."""
    low = sosfilt(butter(8, [150, 3400], "band", fs=HZ, output="sos"), speech(1.0))
    moved = np.real(hilbert(low) * np.exp(2j * np.pi * 6000 * np.arange(low.size) / HZ))
    return np.asarray(moved / np.sqrt(np.mean(moved**2)))


def whistle() -> np.ndarray:
    path = 6500 + 1500 * np.sin(4 * np.pi * np.arange(HZ) / HZ)
    return np.asarray(np.sqrt(2) * np.sin(2 * np.pi * np.cumsum(path) / HZ))


for _name, _what in (("the highs of speech", highs), ("speech moved up", moved_up),
                     ("a whistle", whistle)):  # fmt: skip
    for _level in (-10, -20):

        @sounded(f"{_name} at {_level} dB for a second under narration", "sound as mixed")
        def _(good: Good, sound: np.ndarray, level: float = _level,
              what: Callable[[], np.ndarray] = _what) -> None:  # fmt: skip
            mixed_in(sound, 2.6, level, what())


for _level in (-40, -50):  # the card that the clip ends with is silent

    @sounded(f"speech of {_level} dBFS in the last quarter of a second", "sound as mixed")
    def _(good: Good, sound: np.ndarray, level: float = _level) -> None:
        sound[:, -HZ // 4 :] += 10 ** (level / 20) * speech(0.25)


@sounded("source sound in place of the stem", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> np.ndarray:
    bare = good.plan.model_copy(
        update={"redactions": [r for r in good.plan.redactions if not r.of_sound]}
    )
    with tempfile.TemporaryDirectory() as folder:
        stem = sound_rendering.procedure_stem(bare, good.media, Path(folder), good.length)
        assert stem is not None
        return good.remixed(stem=stem)


@fault("speech in the stem", "speech left in the procedure sound")
def _(good: Good, into: Path) -> list[Check]:
    other = good.stem.read(0, good.length)
    voice = 0.03 * speech(2.0)
    other[:, 3 * HZ : 3 * HZ + voice.size] += voice
    stem = write_stem(into / "stem.f32", 2, [other])
    return good.checks(good.heard(into, good.remixed(stem=stem)), stem=stem)


@sounded("silence", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> None:
    sound[:] = 0


@sounded("silence for a second", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> None:
    sound[:, round(1.0 * HZ) : 2 * HZ] = 0


@sounded("the narration is left out", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> np.ndarray:
    mix = good.plan.mix
    quiet = mix.model_copy(update={"narration_gain": [(0.0, -90.0)]})
    return good.remixed(good.plan.model_copy(update={"mix": quiet}))


@sounded("the background is 6 dB louder", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> np.ndarray:
    mix = good.plan.mix
    loud = mix.model_copy(update={"background_gain": [(t, g + 6) for t, g in mix.background_gain]})
    return good.remixed(good.plan.model_copy(update={"mix": loud}))


@sounded("the ducking is 0.3 s late", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> np.ndarray:
    mix = good.plan.mix
    late = mix.model_copy(
        update={"background_gain": [(t + 0.3, g) for t, g in mix.background_gain]}
    )
    return good.remixed(good.plan.model_copy(update={"mix": late}))


@sounded("the sound is 0.1 s late", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> np.ndarray:
    return np.pad(sound, ((0, 0), (4800, 0)))[:, : sound.shape[1]]


@sounded("loudness off by 0.5", "loudness")
def _(good: Good, sound: np.ndarray) -> None:
    sound *= np.float32(10 ** (-0.5 / 20))


@sounded("a peak at -0.5 dBTP", "true peak")
def _(good: Good, sound: np.ndarray) -> None:
    """A burst of a low tone, which coding keeps."""
    n = np.arange(2400)
    burst = 10 ** (-0.4 / 20) * np.sin(2 * np.pi * 400 * n / HZ) * np.hanning(2400)
    sound[:, 3 * HZ : 3 * HZ + 2400] = burst


@sounded("one channel is turned over", "sound as mixed")
def _(good: Good, sound: np.ndarray) -> None:
    sound[1] *= -1


@fault("no sound at all", "sound")
def _(good: Good, into: Path) -> list[Check]:
    target = into / "clip.mp4"
    finish(good.pictures, None, target, matrix=good.plan.matrix, work=into,
           end_s=good.plan.duration_s,
           chapters=[(c.start_s, c.stop_s, c.title) for c in good.plan.chapters])  # fmt: skip
    return good.checks(target)


# --- the file ---------------------------------------------------------------------------


@fault("a chapter title with a name", "chapter titles that nobody confirmed")
def _(good: Good, into: Path) -> list[Check]:
    rows = [(c.start_s, c.stop_s, "Left side of H. Ellery") for c in good.plan.chapters]
    return good.checks(good.joined(into, good.pictures, good.sound, chapters=rows))


@fault("a chapter begins elsewhere", "chapters")
def _(good: Good, into: Path) -> list[Check]:
    one, two = good.plan.chapters
    rows = [(0.0, 4.0, one.title), (4.0, two.stop_s, two.title)]
    return good.checks(good.joined(into, good.pictures, good.sound, chapters=rows))


@fault("the chapters are exchanged", "chapters")
def _(good: Good, into: Path) -> list[Check]:
    one, two = good.plan.chapters
    rows = [(0.0, one.stop_s, two.title), (two.start_s, two.stop_s, one.title)]
    return good.checks(good.joined(into, good.pictures, good.sound, chapters=rows))


@fault("a chapter is left out", "chapters")
def _(good: Good, into: Path) -> list[Check]:
    one = good.plan.chapters[0]
    return good.checks(
        good.joined(into, good.pictures, good.sound, chapters=[(0.0, 12.0, one.title)])
    )


@filed("a second stream of sound", "streams")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-map", "0:v", "-map", "0:a", "-map", "0:a", "-c", "copy"]


@filed("a second stream of pictures", "streams")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-map", "0:v", "-map", "0:v", "-map", "0:a", "-c", "copy"]


@filed("a second track of captions", "streams")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-map", "0:v", "-map", "0:a", "-map", "0:s", "-map", "0:s", "-c", "copy"]


@filed("no track of captions", "text track as planned")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-map", "0:v", "-map", "0:a", "-c", "copy"]


@filed("a tag", "tags that a player sees")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-map", "0", "-c", "copy", "-metadata", "comment=HL-0142"]


@filed("an edit list hides sound and pictures", "pictures that no player shows")
def _(good: Good) -> list[str]:
    return ["-ss", "0.5", "-i", "CLIP", "-map", "0:v", "-map", "0:a", "-c", "copy"]


@filed("an edit list delays the sound", "sound as mixed")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-itsoffset", "0.3", "-i", "CLIP", "-map", "0:v", "-map", "1:a",
            "-c", "copy", "-t", "12"]  # fmt: skip


@filed("the pictures are coded by another codec", "picture format")
def _(good: Good) -> list[str]:
    return ["-i", "CLIP", "-map", "0:v", "-map", "0:a", "-c:a", "copy", "-c:v", "mpeg4", "-q:v",
            "2"]  # fmt: skip


@fault("bytes of the pictures are damaged", "picture damaged")
def _(good: Good, into: Path) -> list[Check]:
    data = bytearray(good.path.read_bytes())
    at = data.find(b"mdat") + (len(data) - data.find(b"mdat")) // 2
    rng = np.random.default_rng(5)
    for k in range(20):
        data[at + 700 * k : at + 700 * k + 40] = rng.bytes(40)
    (into / "clip.mp4").write_bytes(data)
    return good.checks(into / "clip.mp4")


@fault("the tags name another matrix", "colour tags")
def _(good: Good, into: Path) -> list[Check]:
    other = good.plan.model_copy(update={"matrix": "bt601"})
    return good.checks(good.shown(into, plan=other, matrix="bt601"))


# --- lettering --------------------------------------------------------------------------


def with_options(good: Good, **update: Any) -> Any:
    options = good.options.model_copy(deep=True)
    for key, value in update.items():
        setattr(options.anonymity, key, value)
    return options


def lettered(good: Good, into: Path, x: int, y: int) -> list[Check]:
    def write(shown: Any, planes: Planes) -> None:
        if 2.0 <= shown.time_s < 2.5:
            cv2.putText(planes[0], "H ELLERY 1961", (x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 230,
                        1, cv2.LINE_AA)  # fmt: skip

    path = good.shown(into, write)
    return good.checks(path, options=with_options(good, lettering=True))


@fault("lettering in the field for half a second", "lettering in the picture")
def _(good: Good, into: Path) -> list[Check]:
    return lettered(good, into, 100, 128)


@fault("lettering over the mark for half a second", "picture like its source")
def _(good: Good, into: Path) -> list[Check]:
    return lettered(good, into, 100, 168)


@fault("lettering that goes past the mark for half a second", "lettering in the picture")
def _(good: Good, into: Path) -> list[Check]:
    """Mostly where the mark is at some time."""
    left, bottom = mark_at(good, 2.25)
    return lettered(good, into, left - 40, bottom - 2)


def mark_at(good: Good, time_s: float) -> tuple[int, int]:
    """Left and bottom of the lowest mark."""
    here = [p for p in placed_marks(good.plan, good.coverage) if p.start_s <= time_s < p.stop_s]
    corners = max(here, key=lambda p: p.center_y).corners()
    return round(corners[:, 0].min()), round(corners[:, 1].max())
