"""Files beside a good clip, spoiled on purpose, or taken from another clip."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import media_zoo
import numpy as np
from faults import Make, fault
from good import Good

from pipeline.media.captions import captions_srt, captions_vtt
from pipeline.media.container import file_sha256
from pipeline.media.frame import reduce_rgb
from pipeline.media.probe import probe
from pipeline.model.beside import StillSheet
from pipeline.model.publishing import ALT, publishing
from pipeline.model.release import Check, Sheet
from pipeline.stages.beside_files import BesideFiles
from pipeline.stages.release import poster_of
from pipeline.stages.stills import picture_at, png

Cues = list[tuple[float, float, str]]
STILL_S = 3.0
CLIP = "QM-0417-web-r1"


def laid(good: Good, into: Path) -> Path:
    """The clip with all that may lie beside it, as it should be."""
    clip = into / f"{CLIP}.mp4"
    shutil.copyfile(good.path, clip)
    for suffix in (".jpg", ".vtt", ".sheet.json"):
        lies = good.folder / "out/releases/QM-0417" / f"{CLIP}{suffix}"
        shutil.copyfile(lies, into / lies.name)
    sheet = Sheet.model_validate_json((into / f"{CLIP}.sheet.json").read_bytes())
    assert sheet.sha256 == file_sha256(clip)
    texts = publishing(sheet, [f"{CLIP}.vtt"], [])
    (into / f"{CLIP}.description.txt").write_text(texts.description)
    (into / f"{CLIP}.publish.json").write_text(texts.to_json())
    (into / f"{CLIP}.srt").write_text(captions_srt(cues(good)))
    put_still(into, sheet, still(good))
    return clip


def still(good: Good) -> bytes:
    shown = picture_at(good.path, STILL_S)
    return png(reduce_rgb(shown.frame, good.plan.height_px, good.plan.matrix))


def put_still(into: Path, sheet: Sheet, data: bytes) -> None:
    path = into / f"{CLIP}-still-0m03s000.png"
    path.write_bytes(data)
    told = sheet.model_dump(include={"case", "title", "number", "series_title", "profile",
                                     "audience", "revision", "width_px", "height_px", "year",
                                     "cautions", "look"})  # fmt: skip
    document = StillSheet(**told, clip=sheet.file, clip_sha256=sheet.sha256, clip_s=STILL_S,
                          file=path.name, sha256=file_sha256(path), alt=ALT, checks=[])  # fmt: skip
    path.with_suffix(".sheet.json").write_text(document.to_json())


def beside_checks(good: Good, clip: Path) -> list[Check]:
    sheet = Sheet.model_validate_json(clip.with_suffix(".sheet.json").read_bytes())
    checks, could_not = BesideFiles(clip, probe(clip), sheet, good.plan).checked()
    assert could_not == []
    return checks


def beside(name: str, check: str) -> Callable[[Callable[[Good, Path], Any]], Any]:
    """A fault beside the clip: the function changes what lies there, its path without an ending."""

    def put(spoil: Callable[[Good, Path], Any]) -> Any:
        def make(good: Good, into: Path) -> list[Check]:
            clip = laid(good, into)
            spoil(good, clip)
            return beside_checks(good, clip)

        register: Make = make
        fault(name, check)(register)
        return spoil

    return put


def cues(good: Good) -> Cues:
    return good.cues


def recued(name: str, other: Callable[[Cues], Cues]) -> None:
    """The same in WebVTT, in SubRip and inside the file."""
    for suffix, written, check in (
        (".vtt", captions_vtt, "captions as planned"),
        (".srt", captions_srt, "captions as SubRip as planned"),
    ):

        @beside(f"{name} ({suffix[1:]})", check)
        def _(good: Good, clip: Path, suffix: str = suffix, written: Any = written) -> None:
            clip.with_suffix(suffix).write_text(written(other(cues(good))))

    @fault(f"{name} (in the file)", "text track as planned")
    def _(good: Good, into: Path) -> list[Check]:
        return good.checks(
            good.joined(into, good.pictures, good.sound, captions=other(cues(good)))
        )


recued("captions shifted by 1 s", lambda rows: [(a + 1, b + 1, t) for a, b, t in rows])
recued("captions shifted by 0.3 s", lambda rows: [(a + 0.3, b + 0.3, t) for a, b, t in rows])
recued("captions end too late", lambda rows: [(a, b + 0.2, t) for a, b, t in rows])
recued("captions with a word changed",
       lambda rows: [(a, b, t.replace("gone", "there")) for a, b, t in rows])  # fmt: skip
recued("captions of another case", lambda rows: [(0.5, 2.0, "The polyp is shown.")])
recued("a caption is left out", lambda rows: rows[1:])
recued("a caption too many", lambda rows: [*rows, (7.2, 7.9, "H. Ellery")])


@beside("a note in the captions", "captions hold cues only")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".vtt")
    path.write_text(path.read_text() + "\nNOTE H. Ellery, 1961\n\n")


@beside("a name behind the head of the captions", "captions hold cues only")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".vtt")
    path.write_text(path.read_text().replace("WEBVTT", "WEBVTT H. Ellery", 1))


@beside("the captions were written anew since", "captions as released")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".vtt")
    path.write_text(path.read_text() + "\n")


def redrawn(clip: Path, change: Callable[[np.ndarray], np.ndarray | None]) -> None:
    path = clip.with_suffix(".jpg")
    picture = cv2.imread(str(path))
    other = change(picture)
    cv2.imwrite(str(path), picture if other is None else other, [cv2.IMWRITE_JPEG_QUALITY, 90])


@beside("poster from another case", "poster is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    other = clip.with_name("other.mp4")
    media_zoo.scope_clip(other, 1.0, size=(320, 240), seed=77)
    clip.with_suffix(".jpg").write_bytes(
        poster_of(other, good.plan.model_copy(update={"poster_s": 0.5}))
    )


@beside("poster of another moment", "poster is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    other = good.plan.model_copy(update={"poster_s": good.plan.poster_s - 2.0})
    clip.with_suffix(".jpg").write_bytes(poster_of(clip, other))


@fault("poster without the mark", "poster is a picture of the clip")
def _(good: Good, into: Path) -> list[Check]:
    clip = laid(good, into)
    (into / "bare").mkdir()
    bare = good.shown(into / "bare", plan=good.plan.model_copy(update={"mark": None}))
    clip.with_suffix(".jpg").write_bytes(poster_of(bare, good.plan))
    return beside_checks(good, clip)


@beside("lettering in the poster's field", "poster is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    redrawn(clip, lambda p: cv2.putText(p, "QM", (150, 120), 0, 0.35, (90, 130, 220), 1,
                                        cv2.LINE_AA))  # fmt: skip


@beside("lettering in the poster's surround", "poster is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    redrawn(clip, lambda p: cv2.putText(p, "QM", (2, 14), 0, 0.35, (60, 60, 60), 1, cv2.LINE_AA))


@beside("poster of another size", "poster is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    redrawn(clip, lambda p: cv2.resize(p, (160, 120), interpolation=cv2.INTER_AREA))


@beside("poster with what a camera notes", "poster holds a picture only")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".jpg")
    said = b"Exif\0\0H ELLERY 1961"
    data = path.read_bytes()
    path.write_bytes(data[:2] + b"\xff\xe1" + (2 + len(said)).to_bytes(2, "big") + said + data[2:])


@beside("poster with a comment", "poster holds a picture only")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".jpg")
    data = path.read_bytes()
    path.write_bytes(data[:2] + b"\xff\xfe\x00\x0aH ELLERY" + data[2:])


@beside("poster with something behind its end", "poster holds a picture only")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".jpg")
    path.write_bytes(path.read_bytes() + b"H ELLERY 1961")


@beside("the poster is no picture", "poster is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    clip.with_suffix(".jpg").write_bytes(b"\xff\xd8\xff\xd9")


@beside("the poster was written anew since", "poster as released")
def _(good: Good, clip: Path) -> None:
    redrawn(clip, lambda _: None)


@beside("a still of another case", "still 0m03s000 is a picture of the clip")
def _(good: Good, clip: Path) -> None:
    sheet = Sheet.model_validate_json(clip.with_suffix(".sheet.json").read_bytes())
    other = clip.with_name("other.mp4")
    media_zoo.scope_clip(other, 4.0, size=(320, 240), seed=77)
    put_still(clip.parent, sheet, png(reduce_rgb(picture_at(other, STILL_S).frame, 240, "bt709")))


@beside("a still with a text in it", "still 0m03s000 holds a picture only")
def _(good: Good, clip: Path) -> None:
    sheet = Sheet.model_validate_json(clip.with_suffix(".sheet.json").read_bytes())
    data = still(good)
    text = b"\0\0\0\x0ctEXtAuthor\0Ellry\0\0\0\0"
    put_still(clip.parent, sheet, data[:33] + text + data[33:])


@beside("a still that was changed since", "still 0m03s000 as its sheet says")
def _(good: Good, clip: Path) -> None:
    path = clip.with_name(f"{CLIP}-still-0m03s000.png")
    path.write_bytes(path.read_bytes() + b"1961")


@beside("another word in the description", "description as its sheet says")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".description.txt")
    path.write_text(path.read_text().replace("Crusts", "H. Ellery", 1))


@beside("another title for scripts", "texts for a script as its sheet says")
def _(good: Good, clip: Path) -> None:
    path = clip.with_suffix(".publish.json")
    path.write_text(path.read_text().replace("Crusts", "H. Ellery", 1))
