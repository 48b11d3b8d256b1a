"""What only the check of the finished clip found becomes a finding of the survey."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import av
import media_zoo
import numpy as np
import pytest

from pipeline.media.sound import read_sound
from pipeline.model.cover import Cover
from pipeline.model.findings import Findings, Speech
from pipeline.model.options import Options
from pipeline.model.placement import Placement
from pipeline.model.plan import Piece
from pipeline.model.release import Check
from pipeline.model.survey import Face, Lettering, Voice
from pipeline.stages import decide, making, recipe, release
from pipeline.stages.decide import with_voices
from pipeline.stages.recipe import run_case
from pipeline.stages.second_look import (
    ROUNDS,
    SOUND_ROUNDS,
    another_round,
    missed,
    with_missed,
)
from pipeline.stages.values import Asked


def check(name: str, passed: bool) -> Check:
    return Check(check=name, measured=1, limit=0, passed=passed)


def test_what_was_missed_is_covered_again_with_another_fault_only_once() -> None:
    seen = check("lettering in the picture", False)
    assert missed([seen, check("loudness", True)], alone=True)
    # Coding around what shines through a box can be the other fault.
    assert missed([seen, check("redacted boxes black", False)], alone=False)
    assert not missed([seen, check("redacted boxes black", False)], alone=True)
    assert not missed([check("lettering in the picture", True)], alone=False)
    assert not missed([check("loudness", False)], alone=False)


@dataclass(frozen=True)
class Made:
    checks: list[Check]
    survey: Any = None
    withheld: tuple[str, ...] = ()


@pytest.mark.parametrize(("other", "renders"), [(True, ROUNDS + 1), (False, 2)])
def test_what_the_last_round_found_is_a_finding_too(
    other: bool, renders: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that a person can reject it. other: whether all else passes."""
    checks = [check("lettering in the picture", False), check("loudness", other)]
    made: Any = Made(checks)
    calls: list[str] = []

    def counted(name: str, result: Any) -> None:
        monkeypatch.setattr(recipe, name, lambda *_: (calls.append(name), result)[1])

    for name in ("rebound", "heard", "sounded"):
        counted(name, None)
    counted("looked_again", "with it")
    for name in ("rendered", "verified"):
        counted(name, made)
    for name in ("kept", "left"):
        monkeypatch.setattr(recipe, name, lambda made, *_: made)
    known: Any = SimpleNamespace(next_revision=lambda *_: 1)
    case: Any = SimpleNamespace(case=SimpleNamespace(case="QM-0217"), profile="web")
    monkeypatch.setattr(recipe, "rebound", lambda *_: case)
    last = recipe.make_clip(case, made, known, Path(), lambda *_: None)
    assert last.survey == "with it", "which the report shows"
    assert calls.count("rendered") == calls.count("looked_again") == renders
    assert another_round(checks, 0) and not another_round(checks, ROUNDS)


class Survey(SimpleNamespace):
    def model_copy(self, update: dict[str, Any]) -> Survey:
        return Survey(**(vars(self) | update))


def test_found_in_the_clip_is_covered_in_the_source() -> None:
    plan: Any = SimpleNamespace(
        pieces=[
            Piece(kind="play", source=0, start_s=4.0, length_s=2.0, case_start_s=4.0,
                  out_start_s=0.0),
            Piece(kind="play", source=1, start_s=1.0, length_s=3.0, case_start_s=6.0,
                  out_start_s=2.0),
        ],
        placement=[
            Placement((320, 240), (320, 240)),
            Placement((320, 240), (320, 240), 0.5, (40.0, 10.0)),
        ].__getitem__,
    )  # fmt: skip
    surveys: list[Any] = [
        Survey(lettering=[], faces=[], recording=SimpleNamespace(duration_s=9.0)) for _ in range(2)
    ]
    found = [
        Lettering(start_s=1.5, stop_s=2.5, box_px=(100, 60, 40, 20), where="field", confidence=1),
        Face(start_s=4.0, stop_s=4.5, box_px=(60, 20, 30, 30), confidence=0.9),
    ]
    one, two = with_missed(surveys, plan, found)
    # The box over the join is in both sources, each on its own axis and in its own pixels.
    assert (one.lettering[0].start_s, one.lettering[0].stop_s) == (5.25, 6.25)
    assert (two.lettering[0].start_s, two.lettering[0].stop_s) == (0.75, 1.75)
    x, y, wide, high = two.lettering[0].box_px
    assert x <= 120 and y <= 100 and x + wide >= 200 and y + high >= 140
    assert wide < 110 and high < 70
    assert one.faces == [] and two.faces[0].start_s == 2.75
    assert surveys[0].lettering == []

    # Of a finding with parts each is put there by itself.
    part = Cover(start_s=3.0, stop_s=3.5, box_px=(60, 20, 10, 10))
    *_, again = with_missed(surveys, plan, [found[0].model_copy(update={"parts": [part]})])
    assert [(i.start_s, i.stop_s, i.parts) for i in again.lettering] == [(1.75, 2.75, [])]


def test_heard_in_the_clip_is_replaced_in_the_source() -> None:
    """A held picture shows one moment, but the sound under it goes on."""
    plan: Any = SimpleNamespace(
        pieces=[
            Piece(kind="card", source=0, start_s=0.0, length_s=1.0, case_start_s=0.0,
                  out_start_s=0.0),
            Piece(kind="play", source=0, start_s=4.0, length_s=2.0, case_start_s=4.0,
                  out_start_s=1.0),
            Piece(kind="freeze", source=0, start_s=5.9, length_s=1.0, case_start_s=6.0,
                  out_start_s=3.0),
            Piece(kind="play", source=1, start_s=1.0, length_s=3.0, case_start_s=7.0,
                  out_start_s=4.0),
        ],
    )  # fmt: skip
    surveys: list[Any] = [
        Survey(voices=[], recording=SimpleNamespace(duration_s=9.0)) for _ in range(2)
    ]
    found = [Voice(start_s=0.2, stop_s=0.8), Voice(start_s=3.5, stop_s=4.5)]
    one, two = with_missed(surveys, plan, found)
    assert [(v.start_s, v.stop_s) for v in one.voices] == [(6.25, 7.25)]
    assert [(v.start_s, v.stop_s) for v in two.voices] == [(0.75, 1.75)]
    assert missed([check("speech left in the procedure sound", False)], alone=True)
    before = Findings(speech=Speech(procedure=[(0.0, 1.0), (6.0, 6.5)], sure=[(0.2, 0.9)]))
    assert with_voices(before, one).speech.procedure == [(0.0, 1.0), (6.0, 7.25)]
    assert with_voices(before, one).speech.sure == [(0.2, 0.9)]
    assert with_voices(before, Survey(voices=[])) is before


def test_speech_that_only_verify_hears_is_replaced_before_a_picture_is_made(
    tmp_path: Path, sample_media: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The survey is deaf here; the pictures are most of the work and do not depend on it.

    Nor is the finished file decoded again for what it is found by: that was taken by verify.
    """
    voice = np.concatenate(list(read_sound(sample_media / "voice.flac", origin_s=0)), axis=1)
    monkeypatch.setattr(decide, "room_speech_spans", lambda heard: ([], []))
    monkeypatch.setattr(release, "take_prints", None)
    renders: list[Any] = []
    once = making.render
    monkeypatch.setattr(
        making, "render", lambda *a, **k: (renders.append(a[0]), once(*a, **k))[1]
    )
    source = tmp_path / "room.mp4"
    media_zoo.scope_clip(source, 3.0, seed=8, sound=voice[:1, : 3 * 48_000])
    options = Options()
    options.anonymity.lettering = options.anonymity.faces = False
    run = run_case(source, tmp_path / "out", options, Asked(consent="public", looked="AB"),
                   catalogue=tmp_path / "c.sqlite3")  # fmt: skip
    assert run.ending.released is not None, run.withheld
    assert len(renders) == 1 and [r for r in renders[0].redactions if r.of_sound]
    assert run.survey is not None and run.survey.sources[0].survey.voices
    # The poster's picture is one that a decoder can begin with.
    with av.open(str(run.ending.released.path)) as file:
        keys = [float(p.pts * p.time_base) for p in file.demux(video=0) if p.is_keyframe]
    assert run.plan is not None and run.plan.poster_s > 0
    assert min(abs(t - run.plan.poster_s) for t in keys) < 0.04


@pytest.mark.parametrize("rounds", [0, 4, SOUND_ROUNDS + 3])
def test_sound_is_heard_until_nothing_is_left(
    rounds: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is replaced changes what is heard beside it; an ear that is never content is left."""
    heard: list[Any] = []

    def left(*_: Any) -> list[Voice]:
        heard.append(1)
        return [Voice(start_s=1, stop_s=2)] if len(heard) <= rounds else []

    plans: list[Any] = []

    def planned(_: Any, survey: Any, *more: Any) -> Any:
        plans.append(survey)
        return SimpleNamespace(plan=survey, withheld=())

    monkeypatch.setattr(making, "planned", planned)
    monkeypatch.setattr(making, "check_drawn", lambda *_: None)
    monkeypatch.setattr(making, "source_media", lambda *_: [])
    monkeypatch.setattr(making, "voices_left", left)
    monkeypatch.setattr(
        making, "render_sound", lambda *_, **__: SimpleNamespace(procedure=None)
    )
    monkeypatch.setattr(
        making, "with_found",
        lambda *given: SimpleNamespace(sources=(), voices=1) if given[3] else None,
    )  # fmt: skip
    opened: Any = SimpleNamespace(found=None, options=None, voices_stay=False)
    first: Any = SimpleNamespace(sources=(), voices=0)
    done = making.sounded(opened, first, None, 1, Path(), lambda *_: None)
    assert len(plans) == len(heard) == min(rounds, SOUND_ROUNDS) + 1
    assert done.survey is plans[-1] and done.sound is not None
