"""Captions can be read: two lines of 42 characters; what is over 20 a second is said."""

from __future__ import annotations

import itertools
import textwrap

from hypothesis import given
from hypothesis import strategies as st

from pipeline.model.caption_layout import cells, laid_out, too_fast, wrapped
from pipeline.model.plan import Caption

WORDS = st.lists(st.text("abcdefgh-", min_size=1, max_size=14), min_size=1, max_size=60)


def cue(start_s: float, stop_s: float, text: str) -> Caption:
    return Caption(start_s=start_s, stop_s=stop_s, text=text)


def test_what_is_readable_stays_as_it_is() -> None:
    short = [cue(0, 3, "This is the left side"), cue(4, 8, "two lines,\nas they were")]
    assert laid_out(short) == short and not too_fast(short)


@given(WORDS, st.floats(0.5, 30))
def test_a_long_one_becomes_several_with_all_its_words(words: list[str], length_s: float) -> None:
    (text, start_s) = (" ".join(words), 1.0)
    out = laid_out([cue(start_s, start_s + length_s, text)])
    assert " ".join(c.text for c in out).split() == text.split()
    for one in out:
        assert len(one.text.splitlines()) <= 2 and one.stop_s > one.start_s
        assert all(len(line) <= 42 for line in one.text.splitlines())
    assert all(b.start_s >= a.stop_s - 1e-6 for a, b in itertools.pairwise(out))
    assert abs(out[0].start_s - start_s) < 1e-6
    assert abs(out[-1].stop_s - start_s - length_s) < 1e-5


def test_a_fast_one_keeps_its_time_and_is_said() -> None:
    length_s = 30 / 20.0
    fast, fair = cue(1, 0.9 + length_s, "x" * 30), cue(4, 4 + length_s, "x" * 30)
    assert laid_out([fast, fair]) == [fast, fair] and too_fast([fast, fair]) == [fast]


def test_what_has_no_blanks_is_not_broken() -> None:
    name = "x" * 60
    first = laid_out([cue(0, 9, f"a {name} b")])[0]
    assert first.text.splitlines() == ["a", name]


@given(WORDS)
def test_lines_of_one_cell_characters_end_where_the_standard_library_ends_them(
    words: list[str],
) -> None:
    text = " ".join(words)
    lines = textwrap.wrap(text, 42, break_long_words=False, break_on_hyphens=False)
    assert "\n".join(wrapped(text)).splitlines() == lines


def test_what_is_written_without_blanks_is_parted_between_wide_characters() -> None:
    # Unicode Standard Annex 11: ideographs and kana are wide; Annex 14: no line begins with a
    # closing sign (CL) or ends with an opening one (OP)
    text = "鼻腔に痂皮が見えます。吸引管でゆっくり取り除きます。"
    text += "「左側」は出血もなく、きれいになりました。"
    lines = "\n".join(wrapped(text)).splitlines()
    assert "".join(lines) == text and len(lines) > 2
    assert all(20 < cells(line) <= 42 for line in lines[:-1]) and cells(lines[-1]) <= 42
    assert not any(line[0] in "。、」" or line[-1] == "「" for line in lines)
    assert "\n".join(wrapped("。" * 60)) == "。" * 60  # nothing but what begins no line
    assert too_fast([cue(0, 2, "鼻" * 21)]) and not too_fast([cue(0, 2, "鼻" * 20)])


def test_korean_words_stay_whole_and_accents_take_no_room() -> None:
    text = "왼쪽 코 안의 딱지를 흡인관으로 천천히 제거하고 다시 살펴봅니다 이제 깨끗합니다"
    lines = "\n".join(wrapped(text)).splitlines()
    assert " ".join(lines).split() == text.split() and len(lines) == 2
    assert cells("re\u0301sume\u0301") == 6
