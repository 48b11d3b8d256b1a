"""Cards: where they stand, what moves on with them, and how they look in a finished clip."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import media_zoo
import numpy as np
import pytest
from test_make import Shell, case_folder

from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound
from pipeline.media.stems import write_stem
from pipeline.model.options import Options
from pipeline.model.plan import Edit
from pipeline.model.time import Span
from pipeline.stages.card import card_box
from pipeline.stages.planning.cards import (
    ALTERED,
    LINE,
    altered_words,
    closing_words,
    title_words,
    with_cards,
)
from pipeline.stages.planning.pieces import Piece
from pipeline.stages.rendering.sound import RATE_HZ, on_clip_axis
from tests.stages.test_plan import case, source

BOTH = [{"files": ["a.mp4"], "side": "left"}, {"files": ["b.mp4"], "side": "right"}]
ALL = {"title": True, "chapters": True, "measured": True, "closing": True}


def carded(cards: dict[str, bool], narration: tuple[Span, ...] = (), whole: bool = True) -> Any:
    """(pieces, warnings) of two recordings of 10 s each."""
    pieces = [
        Piece(kind="play", source=n, start_s=0, length_s=10, case_start_s=10 * n,
              out_start_s=10 * n) for n in range(2)
    ]  # fmt: skip
    shown = case(recording=BOTH, number=12, measured={"label": "Crusts", "value": 3})
    said: list[str] = []
    out = with_cards(
        pieces, shown, [source(10), source(10, 1, sha="b")],
        Options.model_validate({"cards": cards}), title="Crusts", whole=whole,
        narration=narration, altered=["Parts were cut out."], warnings=said,
    )  # fmt: skip
    return out, said


def test_each_card_stands_in_its_place_and_can_be_left_out() -> None:
    out, said = carded(ALL)
    kinds = ["title", "chapter", "", "chapter", "", "the measured value", "closing"]
    assert [p.reason for p in out] == kinds and not said
    assert [p.words for p in out if p.reason == "chapter"] == ["Left side", "Right side"]
    assert out[0].words == "No. 12\nCrusts" and not any(p.sound for p in out if p.words)
    for name in ALL:
        less, _ = carded(ALL | {name: False})
        gone = {"chapters": "chapter", "measured": "the measured value"}.get(name, name)
        assert gone not in [p.reason for p in less] and len(less) < len(out)
    assert [p.kind for p in carded(dict.fromkeys(ALL, False))[0]] == ["play", "play"]
    assert "the measured value" not in [p.reason for p in carded(ALL, whole=False)[0]]


def test_pieces_follow_each_other_and_case_time_stands_still_on_a_card() -> None:
    out, _ = carded(ALL)
    at = 0.0
    for piece in out:
        assert piece.out_start_s == pytest.approx(at)
        at += piece.length_s
    assert [p.case_start_s for p in out] == [0, 0, 0, 10, 10, 20, 20]


@pytest.mark.parametrize(("spoken", "cards"), [((9.0, 11.0), 1), ((8.0, 10.0), 2), ((10, 12), 2)])
def test_no_card_parts_what_the_narrator_says(spoken: Any, cards: int) -> None:
    out, said = carded(ALL, narration=(Span(*spoken),))
    assert sum(p.reason == "chapter" for p in out) == cards
    assert bool(said) == (cards == 1)


def test_the_closing_card_says_what_was_altered() -> None:
    edits = [
        Edit(source=0, kind="fog", start_s=0, stop_s=1, action=action, reason="", origin="settings")
        for action in ("keep", "cut", "clear")
    ]
    assert altered_words(edits, []) == [ALTERED["cut"], ALTERED["clear"]]
    words = closing_words(altered_words(edits, []))
    assert all(len(line) <= LINE for line in words.splitlines())
    for needed in ("Not a medical device", "cut out", "Contrast was restored", "consent"):
        assert needed in words.replace("\n", " ")
    everything = closing_words(list(ALTERED.values()))
    for size in ((1920, 1080), (1080, 1080), (1080, 1920), (320, 240)):
        _, _, wide, high = card_box(everything, *size)
        assert wide <= 0.9 * size[0] and high <= 0.31 * size[1]
    lines = len(everything.splitlines())
    assert card_box(everything, 1280, 720)[3] / lines > 20, "rows of a line, to be read"


def test_a_title_without_a_number_or_a_series() -> None:
    assert title_words(case(), Options(), "") == ""
    assert title_words(case(), Options(), "Crusts") == "Crusts"


def test_the_narrator_waits_while_a_card_stands(tmp_path: Path) -> None:
    """A card has no case time: the narration goes on behind it where it stood before it."""
    voice = np.arange(1, 8 * RATE_HZ + 1, dtype=np.float32)[None] / 1e6
    stem = write_stem(tmp_path / "voice.f32", 1, [voice])
    pieces, _ = carded({"title": True, "chapters": True, "measured": False, "closing": False})
    short = [p.model_copy(update={"length_s": 4.0}) if p.kind == "play" else p for p in pieces]
    at, laid = 0.0, []
    for piece in short:
        case_s = {"title": 0.0}.get(piece.reason, 4.0 * piece.source)
        laid.append(piece.model_copy(update={"out_start_s": at, "case_start_s": case_s}))
        at += piece.length_s
    plan: Any = SimpleNamespace(pieces=laid)
    heard = on_clip_axis(plan, stem, 0.0, tmp_path / "clip.f32", round(at * RATE_HZ)).read(
        0, round(at * RATE_HZ)
    )[0]
    for piece in laid:
        first = round(piece.out_start_s * RATE_HZ)
        part = heard[first : first + round(piece.length_s * RATE_HZ)]
        if piece.kind == "card":
            assert not part.any(), piece.reason
        else:
            begin = round(piece.case_start_s * RATE_HZ)
            np.testing.assert_array_equal(part, voice[0, begin : begin + part.size])


@pytest.mark.slow
def test_all_cards_in_a_finished_clip_keep_sound_and_picture_together(tmp_path: Path) -> None:
    """Clicks of the recordings are heard where their pictures are, after every card."""
    fieldstop = Shell(tmp_path)
    left = media_zoo.scope_clip(tmp_path / "l.mp4", 3.0, size=(320, 240), seed=3, audio="clicks")
    right = media_zoo.scope_clip(tmp_path / "r.mp4", 3.0, size=(320, 240), seed=4, audio="clicks")
    more = '[[recording]]\nfiles = ["b.mp4"]\nside = "right"\n'
    more += '[measured]\nlabel = "Crusts"\nvalue = 3\nunit = "mg"\n'
    folder = case_folder(tmp_path / "case", left, recording=more)
    right.path.rename(folder / "b.mp4")
    cards = "[cards]\ntitle = true\nchapters = true\nclosing = true\n"
    made = fieldstop(
        "make", folder, "--looked", "AB", "--out", tmp_path / "out", "--profile", "short",
        config=cards,
    )  # fmt: skip
    assert made.code == 0, made.value
    assert all(c["passed"] for c in made.value["checks"])
    plan = json.loads(Path(made.value["plan"]).read_text())
    pieces = plan["pieces"]
    shown = [p["reason"] for p in pieces if p["kind"] == "card"]
    assert shown == ["title", "chapter", "chapter", "the measured value", "closing"]
    assert [c["title"] for c in plan["chapters"]] == ["Left side", "Right side"]

    path = Path(made.value["release"])
    lit: dict[int, float] = {}
    for picture in read_pictures(path, probe(path)):
        number = max(n for n, p in enumerate(pieces) if p["out_start_s"] <= picture.time_s + 0.01)
        luma = picture.planes()[0]
        lit[number] = max(lit.get(number, 0.0), float((luma > 40).mean()))
    for number, piece in enumerate(pieces):
        if piece["kind"] == "card":
            assert 0.001 < lit[number] < 0.1, (piece["reason"], "words and nothing else")
        else:
            assert lit[number] > 0.2
    sound = np.concatenate([b.mean(axis=0) for b in read_sound(path)])
    wanted = [
        p["out_start_s"] + at - p["start_s"]
        for p in pieces if p["kind"] == "play"
        for at in (left, right)[p["source"]].clicks_s
        if p["start_s"] <= at < p["start_s"] + p["length_s"]
    ]  # fmt: skip
    assert len(wanted) == 6
    for at in wanted:
        around = np.abs(sound[round((at - 0.2) * 48_000) : round((at + 0.2) * 48_000)])
        assert abs(int(around.argmax()) / 48_000 - 0.2) < 0.03, at
    for piece in pieces:
        if piece["kind"] == "card":
            inner = piece["out_start_s"] + np.array([0.1, piece["length_s"] - 0.1])
            first, last = np.round(inner * 48_000).astype(int)
            assert np.abs(sound[first:last]).max() < 1e-3, "a card is silent"
