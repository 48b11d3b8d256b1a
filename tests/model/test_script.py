"""A typed script: its sentences, how its words are said, and captions laid out by word times."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from pipeline.model.caption_layout import LINE, LINES
from pipeline.model.script import Sentence, cues_of, room_to_read, sentences_of


def test_sentences_end_at_marks_blank_lines_and_points_of_a_list() -> None:
    text = "The lens fogs. It clears\nas the tip warms, e.g. here.\n\n"
    text += '- A point\n* Another! "Really?" 4 mm'
    assert [(s.line, s.text) for s in sentences_of(text)] == [
        (1, "The lens fogs."),
        (1, "It clears as the tip warms, e.g. here."),
        (4, "A point"),
        (5, "Another!"),
        (5, '"Really?"'),
        (5, "4 mm"),
    ]
    assert sentences_of(" \n\n - \n") == []


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("About 20% at 37 °C, 0.5mm.", "about twenty percent at thirty seven degrees celsius"
         " zero point five millimeters"),
        ("A CT shows it’s naïve", "a c t shows it's naive"),
        ("1,200 Hz at 10:40", "one thousand two hundred hertz at ten forty"),
        ("a gram, not 3 g", "a gram not three grams"),
        ("STOP WHEN IT BLEEDS", "stop when it bleeds"),
        ("第一 — !", ""),
        ("a AØ, ΑΒ and Sørensen’s Łódź", "a a o and sorensen's lodz"),
    ],
)  # fmt: skip
def test_words_are_said_in_small_latin_letters(text: str, said: str) -> None:
    assert " ".join(w for words in Sentence(text, 1).said for w in words) == said


@given(st.text(max_size=300))
@example("a A\u00d8")
def test_any_text_is_taken_and_no_word_is_lost(text: str) -> None:
    found = sentences_of(text)
    left = "".join(w for s in found for w in s.text.split()).lstrip("-–—•*#")
    whole = "".join(text.split())
    assert len(left) <= len(whole)
    for sentence in found:
        assert len(sentence.said) == len(sentence.text.split())
        assert all(w.strip("'").isascii() and w for words in sentence.said for w in words)
        times = [(float(k), k + 0.5) if said else None for k, said in enumerate(sentence.said)]
        cues = cues_of(sentence, times)
        if any(sentence.said):
            shown = " ".join(t for _, _, t in cues).split()
            assert shown == sentence.text.split()[-len(shown) :]
            assert all(a < b for a, b, _ in cues)


def test_a_long_sentence_is_cut_where_its_words_are_said() -> None:
    text = "word " * 30
    sentence = Sentence(text.strip(), 1)
    cues = cues_of(sentence, [(2.0 * k, 2 * k + 1.0) for k in range(30)])
    assert [c[0] for c in cues] == [0.0, 32.0] and [c[1] for c in cues] == [31.0, 59.0]
    assert all(len(t.splitlines()) <= LINES for _, _, t in cues)
    assert all(len(line) <= LINE for _, _, t in cues for line in t.splitlines())


def test_a_caption_stands_until_it_is_read_or_the_next_begins() -> None:
    cues = room_to_read([(0.0, 0.5, "x" * 40), (1.0, 1.2, "x" * 20), (9.0, 9.1, "x" * 60)])
    assert [stop for _, stop, _ in cues] == [1.0, 2.0, 12.0]
