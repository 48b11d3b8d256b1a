"""Words of a machine become captions that can be read, and say what a person has to look at."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as some

from pipeline.media.captions import read_captions, stamp
from pipeline.model.draft_captions import (
    MARK,
    HeardWord,
    anchored,
    draft_cues,
    draft_vtt,
    in_speech,
    is_draft,
    look_like_names,
)
from pipeline.model.time import Span

# Two lines, 42 characters, 20 a second: as `model.caption_layout` names them.
LINES, LINE, MOST_PER_S = 2, 42, 20.0
SPEECH = [Span(0.4, 4.4), Span(6.0, 15.0), Span(15.5, 22.0)]


def word(start_s: float, stop_s: float, text: str, probability: float = 0.9) -> HeardWord:
    return HeardWord(start_s, stop_s, text, probability)


@some.composite
def heard(draw: some.DrawFn) -> list[HeardWord]:
    at_s, out = 0.0, []
    for _ in range(draw(some.integers(1, 60))):
        at_s += draw(some.floats(0, 1.5)) * draw(some.sampled_from([0, 0.1, 1]))
        length_s = draw(some.floats(0, 0.8))
        text = draw(some.text("abcXYZé-'", min_size=1, max_size=14)) + draw(
            some.sampled_from(["", "", "", ",", ".", "?"])
        )
        out.append(word(at_s, at_s + length_s, draw(some.sampled_from([" ", " ", ""])) + text))
        at_s += length_s
    return out


@given(heard())
@settings(max_examples=60, deadline=None)
def test_lines_can_be_read_and_none_stands_where_nobody_speaks(words: list[HeardWord]) -> None:
    kept = anchored(in_speech(words, SPEECH), SPEECH)
    cues = draft_cues(kept, lambda _: [])
    said = "".join("".join(w.text.split()) for w in kept)
    assert "".join("".join(c.text.split()) for c in cues) == said, "no word is lost or added"
    assert all(a.start_s <= b.start_s for a, b in pairwise(cues))
    for cue in cues:
        lines = cue.text.splitlines()
        assert len(lines) <= LINES
        assert all(len(line) <= LINE or " " not in line for line in lines)
        assert any(s.start_s <= cue.start_s < s.stop_s for s in SPEECH)
        length_s = cue.stop_s - cue.start_s
        read_in_time = len(" ".join(cue.text.split())) <= MOST_PER_S * length_s + 0.5
        assert read_in_time != cue.fast, "what is too fast says so"


def test_what_is_written_into_silence_is_left_out() -> None:
    words = [word(0.5, 0.9, " Fog"), word(4.2, 5.6, " clears."), word(5.0, 5.9, " You"),
             word(30, 31, " Thanks."), word(5.2, 6.4, " late"), word(7, 7.2, " ")]  # fmt: skip
    kept = in_speech(words, SPEECH)
    assert [w.text for w in kept] == [" Fog", " clears."]
    assert kept[1].stop_s == 4.4  # stretched by the model into the pause


def test_edges_of_speech_are_those_that_were_heard() -> None:
    words = [word(0.2, 0.9, " Fog"), word(3.9, 4.1, " clears."), word(8, 8.3, " Later.")]
    fog, clears, later = anchored(words, SPEECH)
    assert (fog.start_s, clears.stop_s) == (0.4, 4.4)
    assert (later.start_s, later.stop_s) == (8, 8.3)  # too far from an edge to be at it


@pytest.mark.parametrize(
    ("text", "names"),
    [
        ("The lens fogs.", []),
        ("This is Berglund.", ["Berglund"]),
        ("We saw Bridge again. Bridge it.", ["Bridge"]),  # a word and a name
        ("It is clear, Mrs O'Hara said.", ["Mrs", "O'Hara"]),
        ("Dr. Bridge looks.", ["Bridge"]),
        ("Then I'm done and I've seen it.", []),
        ("Dann kam Müller-Ärlund.", ["Müller-Ärlund"]),
        ("Потом Иванова ушла.", ["Иванова"]),
    ],
)
def test_a_capital_inside_a_sentence_may_be_a_name(text: str, names: list[str]) -> None:
    assert look_like_names(text, []) == names


def test_a_title_ends_no_sentence() -> None:
    words = [word(n, n + 0.9, f" {text}") for n, text in enumerate(["Dr.", "Bridge", "looks."])]
    assert [c.text for c in draft_cues(words, lambda _: [])] == ["Dr. Bridge looks."]


def test_a_draft_says_so_and_reads_back(tmp_path: Path) -> None:
    words = [word(0.5, 1, " See"), word(1, 1.5, " Berglund"), word(1.5, 1.7, " -->", 0.2),
             word(1.7, 2.2, " <b>crusts."),
             word(6, 6.1, " Quickly"), word(6.1, 6.2, " said.")]  # fmt: skip
    cues = draft_cues(words, lambda text: ["Quickly"] if "Quickly" in text else [])
    text = draft_vtt(cues, stamp)
    assert is_draft(text) and MARK in text
    assert "looks like a name: Berglund; heard badly: - ->" in text
    assert "looks like a name: Quickly" in text
    path = tmp_path / "a.vtt"
    path.write_text(text)
    back = read_captions(path)
    assert [round(a, 3) for a, _, _ in back] == [0.5, 6.0]
    assert back[0][2].startswith("See Berglund - ->")
    assert not is_draft(text.replace("NOTE Drafted", "NOTE Read by AB, drafted"))
    assert not is_draft("WEBVTT\n\n00:01.000 --> 00:02.000\nDrafted by a machine.\n")


def test_a_last_word_that_is_told_late_is_kept_and_what_follows_a_pause_is_not() -> None:
    words = [word(3, 4.38, " the"), word(4.45, 4.7, " cavity."), word(4.75, 5.3, " Thanks"),
             word(5.35, 6, " you")]  # fmt: skip
    late = [word(3, 4.3, " the"), word(4.75, 5, " You")]
    spans = SPEECH[:1]
    assert [w.text for w in in_speech(late, spans)] == [" the"]
    kept = in_speech(words[:2], spans)
    assert [w.text for w in kept] == [" the", " cavity."] and kept[1].stop_s == 4.4
    assert " you" not in [w.text for w in in_speech(words, spans)]  # over half a second behind
