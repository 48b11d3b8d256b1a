"""Decisions: append-only, undone by adding, safe against two writers."""

from __future__ import annotations

import json
import multiprocessing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError, UsageError
from pipeline.model.decisions import Anchor, Decisions, sign_off_holds
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import (
    StaleVersion,
    append,
    effective,
    redo,
    redoable,
    sign,
    undo,
    undoable,
    version,
)

FOG = Anchor(sha256="a" * 64, start_s=4.0, stop_s=9.0, kind="fog")
LETTERS = Anchor(sha256="a" * 64, start_s=1.0, stop_s=2.0, kind="lettering")


def start() -> Decisions:
    return Decisions(case="HL-1")


def added(document: Decisions, verb: Any = "accept", **more: Any) -> Decisions:
    more.setdefault("anchor", FOG)
    return append(document, seen=version(document), verb=verb, by="AB", **more)


@given(st.lists(st.sampled_from(["add", "undo", "redo"]), max_size=40))
@settings(max_examples=200, deadline=None)
def test_undo_and_redo_behave_like_an_editor_and_nothing_is_ever_lost(steps: list[str]) -> None:
    """Against the plain model: a list of done things and a stack of undone ones."""
    document = start()
    done: list[int] = []
    stack: list[int] = []
    for name in steps:
        before = list(document.entries)
        seen = version(document)
        if name == "add":
            document = added(document)
            done.append(seen + 1)
            stack = []
        elif name == "undo":
            if not done:
                with pytest.raises(UsageError):
                    undo(document, seen=seen, by="AB")
                continue
            document = undo(document, seen=seen, by="AB")
            stack.append(done.pop())
        else:
            if not stack:
                with pytest.raises(UsageError):
                    redo(document, seen=seen, by="AB")
                continue
            document = redo(document, seen=seen, by="AB")
            done.append(stack.pop())
            done.sort()
        assert document.entries[: len(before)] == before
        assert [e.number for e in document.entries] == list(range(1, len(document.entries) + 1))
        assert [e.number for e in effective(document)] == done
        last, again = undoable(document), redoable(document)
        assert (last.number if last else None) == (done[-1] if done else None)
        assert (again.number if again else None) == (stack[-1] if stack else None)


def test_the_second_writer_is_told_and_nothing_changes() -> None:
    document = added(start())
    with pytest.raises(StaleVersion) as told:
        append(document, seen=0, verb="reject", by="CD", anchor=FOG)
    assert (told.value.seen, told.value.now) == (0, 1)
    with pytest.raises(StaleVersion):
        undo(document, seen=0, by="CD")
    assert len(document.entries) == 1


def test_one_entry_is_taken_back_out_of_order() -> None:
    document = added(added(added(start())), "reject")
    document = undo(document, seen=3, by="AB", target=1)
    assert [e.number for e in effective(document)] == [2, 3]
    assert redoable(document).number == 1  # type: ignore[union-attr]
    with pytest.raises(UsageError):
        undo(document, seen=4, by="AB", target=1)


def signed(document: Decisions, plan: str = "p") -> Decisions:
    return sign(
        document,
        seen=version(document),
        by="AB",
        sources=["s"],
        surveys=["v"],
        settings="o",
        plan=plan,
        narration="n",
    )


def test_a_sign_off_lapses_with_any_hash_and_with_any_later_entry() -> None:
    document = signed(added(start()))
    same = {"sources": ["s"], "surveys": ["v"], "settings": "o", "plan": "p", "narration": "n"}
    assert sign_off_holds(document, **same)  # type: ignore[arg-type]
    for name in same:
        other = {**same, name: "x" if isinstance(same[name], str) else ["x"]}
        assert not sign_off_holds(document, **other)  # type: ignore[arg-type]
    assert added(document).sign_off is None
    back = undo(document, seen=version(document), by="AB")
    assert back.sign_off is None
    assert redoable(back) is None  # has to be given again
    with pytest.raises(UsageError):
        redo(back, seen=version(back), by="AB")


@pytest.mark.parametrize(
    ("verb", "anchor", "value", "words"),
    [
        ("accept", None, {}, "no finding"),
        ("accept", FOG, {"x": 1}, "cannot hold"),
        ("change", FOG, {}, "Nothing"),
        ("change", FOG, {"action": "explode"}, "action"),
        ("change", FOG, {"start_s": 9.5}, "ends before"),
        ("change", FOG, {"start_s": float("nan")}, "number"),
        ("change", FOG, {"start_s": "4"}, "number"),
        ("add", FOG, {"box_px": [1, 2, 3, 4]}, "redacted"),
        ("add", LETTERS, {}, "no box"),
        ("add", LETTERS, {"box_px": [1, 2, 1, 4]}, "too small"),
        ("mark", None, {"positions": []}, "no place"),
        ("mark", None, {"positions": [{"x": 2, "y": 0, "width_ratio": 0.5}]}, "range"),
        ("mark", None, {"positions": [{"x": 0, "y": 0, "width_ratio": 0.5, "z": 1}]}, "hold"),
        ("mix", None, {"ducking_depth_lu": 200}, "range"),
        ("mix", None, {"speech_threshold": 0.5}, "cannot hold"),
        ("chapter", None, {"chapters": [[0, ""]]}, "length"),
        ("chapter", None, {"chapters": [[0, "a"], [0, "b"]]}, "together"),
        ("delete", None, {}, "cannot be decided"),
        ("undo", None, {}, "cannot be decided"),
    ],
)
def test_what_makes_no_sense_is_refused(
    verb: Any, anchor: Anchor | None, value: dict[str, Any], words: str
) -> None:
    with pytest.raises(UsageError, match=words):
        append(start(), seen=0, verb=verb, by="AB", anchor=anchor, value=value)


@pytest.mark.parametrize("by", ["", "ABCDE", "A1", "<b>"])
def test_initials_are_initials(by: str) -> None:
    with pytest.raises(UsageError, match="not complete"):
        append(start(), seen=0, verb="accept", by=by, anchor=FOG)


def test_good_values_are_kept_tidy() -> None:
    document = added(start(), "chapter", anchor=None, value={"chapters": [[9, " b "], [0, "a  c"]]})
    assert document.entries[-1].value == {"chapters": [[0.0, "a c"], [9.0, "b"]]}
    document = added(document, "add", anchor=LETTERS, value={"box_px": [1.6, 2, 30, 40]})
    assert document.entries[-1].value == {"box_px": [2, 2, 30, 40]}
    document = added(document, "mix", anchor=None, value={"ducking_depth_lu": 20})
    assert document.entries[-1].value == {"ducking_depth_lu": 20.0}


def test_a_file_survives_a_failed_step_and_is_private(tmp_path: Path) -> None:
    file = DecisionFile(tmp_path / "private" / "HL-1" / "decisions.json", "HL-1")
    assert version(file.load()) == 0
    file.change(added)
    before = file.path.read_bytes()
    with pytest.raises(StaleVersion):
        file.change(lambda d: append(d, seen=7, verb="accept", by="AB", anchor=FOG))
    assert file.path.read_bytes() == before
    assert file.path.stat().st_mode & 0o777 == 0o600
    assert json.loads(before)["schema"] == "fieldstop.decisions/1"


def test_a_damaged_file_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "decisions.json"
    for text in ('{"schema": "fieldstop.decisions/1", "case": "HL-1", "entries": [', "[]"):
        path.write_text(text)
        with pytest.raises(InputError):
            DecisionFile(path, "HL-1").change(added)
        assert path.read_text() == text
    path.write_text(Decisions(case="HL-2").to_json())
    with pytest.raises(InputError, match="another case"):
        DecisionFile(path, "HL-1").load()


def _writer(path: str, times: int) -> None:
    file = DecisionFile(Path(path), "HL-1")
    for _ in range(times):
        file.change(added)


def test_two_processes_lose_nothing(tmp_path: Path) -> None:
    path = tmp_path / "decisions.json"
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=_writer, args=(str(path), 15)) for _ in range(2)]
    for process in both:
        process.start()
    for process in both:
        process.join(60)
        assert process.exitcode == 0
    entries = DecisionFile(path, "HL-1").load().entries
    assert [e.number for e in entries] == list(range(1, 31))
