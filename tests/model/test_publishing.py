"""The texts that go with a clip: from its sheet alone, chapters only where pages read them."""

from __future__ import annotations

import io
import json

import webvtt

from pipeline.media.captions import captions_srt
from pipeline.model.case import CaseMeasured
from pipeline.model.publishing import chapter_lines, description, headline, publishing
from pipeline.model.release import Sheet

SHEET = Sheet(
    case="QM-0300", title="Crust clearance", number=7, series_title="Quillmere ENT",
    profile="web", audience="public", revision=2, replaces=1, file="QM-0300-web-r2.mp4",
    sha256="f" * 64, duration_s=61.0, width_px=320, height_px=240, year=2026,
    chapters=[(0.0, "Left side"), (10.2, "Right side"), (30.0, "Right side, after")],
    cautions=["Not for diagnosis."], edits=["recording 1, 0:02 to 0:03: cut out (fog)"],
    measured=CaseMeasured(label="Crusts removed", value=412, unit="mg"),
    captions="QM-0300-web-r2.vtt",
)  # fmt: skip


def test_description_says_what_it_is_and_what_was_altered() -> None:
    text = description(SHEET)
    assert text.startswith(
        "Quillmere ENT 7: Crust clearance\n\nCrusts removed: 412 mg\n\n0:00 Left"
    )
    for part in ("0:10 Right side\n0:30 Right side, after\n", "- recording 1, 0:02", "Not for"):
        assert part in text
    assert SHEET.sha256 not in text


def test_chapters_only_where_a_page_would_read_them() -> None:
    three = [(0.0, "a"), (10.0, "b"), (20.0, "c")]
    assert chapter_lines(three, 30.0) == ["0:00 a", "0:10 b", "0:20 c"]
    assert chapter_lines(three, 3630.0)[1] == "0:00:10 b"
    assert chapter_lines(three, 29.4) == [], "the last is too short"
    assert chapter_lines(three[:2], 30.0) == chapter_lines([], 30.0) == []
    assert chapter_lines([(2.0, "a"), (12.0, "b"), (30.0, "c")], 60.0) == []
    assert chapter_lines([(0.0, "a"), (9.0, "b"), (20.0, "c")], 60.0) == []


def test_a_headline_of_what_there_is() -> None:
    bare = SHEET.model_copy(update={"number": None, "title": "", "series_title": ""})
    assert headline(bare) == "QM-0300"
    assert headline(bare.model_copy(update={"title": "A"})) == "A"


def test_the_document_holds_all_of_it() -> None:
    value = json.loads(publishing(SHEET, ["x.vtt", "x.srt"], ["s.png"]).to_json())
    assert value["captions"] == ["x.vtt", "x.srt"] and value["stills"] == ["s.png"]
    assert value["clip"] == SHEET.file and value["replaces"] == 1
    assert value["description"] == description(SHEET)


def test_subrip_is_read_back() -> None:
    """By the library webvtt-py."""
    cues = [(0.5, 2.25, "Left side"), (3600.0, 3602.0, "two\nlines --> <b>")]
    found = webvtt.from_buffer(io.StringIO(captions_srt(cues)), format="srt").captions
    assert [(c.start, c.end) for c in found] == [
        ("00:00:00.500", "00:00:02.250"), ("01:00:00.000", "01:00:02.000"),
    ]  # fmt: skip
    assert found[1].raw_text == "two\nlines - -> <b>"
