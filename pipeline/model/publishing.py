"""The texts that go with a clip where it is published, from its sheet alone. Pure.

All words are ours, or of the sheet: they were of the vocabulary or confirmed when it left.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from pipeline.model.document import Document, Part
from pipeline.model.release import Sheet

# How common pages for video read chapters from a description. From memory, no source.
LEAST_CHAPTERS, SHORTEST_CHAPTER_S = 3, 10.0
ALT = (
    "A round picture on black, taken through a rigid endoscope, with a semi-transparent mark"
    " in it. It is a teaching picture and not for diagnosis."
)


class Preview(Part):
    """A short loop without sound. clip_s: the part of the clip that it shows."""

    file: str
    clip_s: tuple[float, float]


class Publishing(Document):
    """`NAME.publish.json`: all that a script needs to publish a clip. Files by name, beside it."""

    schema_: Literal["fieldstop.publish/1"] = Field(default="fieldstop.publish/1", alias="schema")
    case: str
    title: str
    number: int | None
    series_title: str
    audience: str
    revision: int
    replaces: int | None
    clip: str
    clip_sha256: str
    duration_s: float
    width_px: int
    height_px: int
    sides: list[str]
    chapters: list[tuple[float, str]]
    description: str
    alt: str
    cautions: list[str]
    altered: list[str]
    posters: list[str] = Field(description="to choose from, the best first")
    preview: Preview | None = None
    captions: list[str] = Field(description="WebVTT, and SubRip of the same")
    stills: list[str]
    teaching: dict[str, str] = Field(default={}, description="what the case says of itself")


def headline(sheet: Sheet) -> str:
    """Series, number and title, as far as there are any."""
    number = "" if sheet.number is None else f"{sheet.number}"
    series = " ".join(filter(None, (sheet.series_title, number)))
    return ": ".join(filter(None, (series, sheet.title))) or sheet.case


def chapter_lines(chapters: Sequence[tuple[float, str]], duration_s: float) -> list[str]:
    """`0:00 Left side`; nothing where a page would not read them as chapters."""
    if len(chapters) < LEAST_CHAPTERS:
        return []
    starts = [int(start_s + 0.5) for start_s, _ in chapters]
    ends = [*starts[1:], int(duration_s)]
    long = all(b - a >= SHORTEST_CHAPTER_S for a, b in zip(starts, ends, strict=True))
    if starts[0] != 0 or not long:
        return []
    hours = duration_s >= 3600
    titles = [" ".join(title.split()) for _, title in chapters]
    return [f"{_clock(at, hours)} {title}" for at, title in zip(starts, titles, strict=True)]


def _clock(at_s: int, hours: bool) -> str:
    if hours:
        return f"{at_s // 3600}:{at_s // 60 % 60:02d}:{at_s % 60:02d}"
    return f"{at_s // 60}:{at_s % 60:02d}"


def altered_lines(sheet: Sheet) -> list[str]:
    """What was done to picture and sound: what is done to every clip, each kind, each edit."""
    always = "The surround was blacked out and a mark was put into the picture."
    return [always, *sheet.altered, *sheet.edits]


def description(sheet: Sheet) -> str:
    """`description.txt`: title, value, chapters, what was altered, cautions."""
    value = sheet.measured
    shown = [" ".join(value.card.replace("\n", ": ").split())] if value is not None else []
    altered = altered_lines(sheet)
    parts = [
        [headline(sheet)],
        shown,
        [f"{what.capitalize()}: {' '.join(text.split())}"
         for what, text in sheet.teaching.said().items()],
        chapter_lines(sheet.chapters, sheet.duration_s),
        ["What was altered:", *(f"- {line}" for line in altered)],
        ["This clip was released under consent for its audience."],
        [*sheet.cautions, *filter(None, [sheet.look])],
        [f"In words: {ALT}"],
    ]
    return "\n\n".join("\n".join(part) for part in parts if part) + "\n"


def publishing(
    sheet: Sheet,
    captions: Sequence[str] = (),
    stills: Sequence[str] = (),
    posters: Sequence[str] = (),
    preview: Preview | None = None,
) -> Publishing:
    """The document of a clip. captions, stills, posters: names of files beside it."""
    return Publishing(
        case=sheet.case,
        title=headline(sheet),
        number=sheet.number,
        series_title=sheet.series_title,
        audience=sheet.audience,
        revision=sheet.revision,
        replaces=sheet.replaces,
        clip=sheet.file,
        clip_sha256=sheet.sha256,
        duration_s=sheet.duration_s,
        width_px=sheet.width_px,
        height_px=sheet.height_px,
        sides=list(sheet.sides),
        chapters=sheet.chapters,
        description=description(sheet),
        alt=ALT,
        cautions=sheet.cautions,
        altered=altered_lines(sheet),
        posters=list(posters),
        preview=preview,
        captions=list(captions),
        stills=list(stills),
        teaching=sheet.teaching.said(),
    )
