"""Speech in the room, from survey to verify: replaced with the reason, overruled, or withheld."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from test_plan import (  # noqa: F401
    GLYPH,
    _no_mark,
    case,
    decision,
    narration,
    source,
    with_speech,
    with_survey,
)

from pipeline.analysis.sound.voice_activity import DETECTORS
from pipeline.media.stems import write_stem
from pipeline.model.kinds.identity import NARRATOR
from pipeline.model.options import Options
from pipeline.model.plan import Plan, Redaction
from pipeline.model.survey import Face, Lettering
from pipeline.model.time import Span
from pipeline.stages.judged import REASONS, judged_lines, without_initials
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.planning.plan import make_plan
from pipeline.stages.room import SURE
from pipeline.stages.verifying.identity import let_through
from pipeline.stages.verifying.sound import stem_checks


def doubtful() -> SourceInput:
    return with_speech(
        source(),
        procedure=[(2, 3)],
        undecided=[(5, 7), (9, 10), (12, 13)],
        undecided_why=["too low", "too clipped", "no answer"],
    )


def planned(decisions: list[Any] | None = None, **settings: Any) -> Plan:
    options = Options.model_validate({"sound": settings})
    return make_plan(
        case(), [doubtful()], None, options, glyph=GLYPH, decisions=decisions or []
    )


def test_each_replaced_span_says_why() -> None:
    rows = [(r.start_s, r.stop_s, r.reason) for r in planned().redactions if r.what == "speech"]
    assert rows == [
        (2.0, 3.0, "speech in the procedure sound"),
        (5.0, 7.0, "too low to tell whether somebody speaks"),
        (9.0, 10.0, "too clipped to tell whether somebody speaks"),
        (12.0, 13.0, "the detectors gave no answer"),
    ]


def test_a_person_overrules_one_span_and_the_plan_remembers_it() -> None:
    plan = planned([decision("reject", "undecided", 9, 10)])
    assert [r.start_s for r in plan.redactions if r.what == "speech"] == [2.0, 5.0, 12.0]
    assert [(r.start_s, r.stop_s, r.origin) for r in plan.overruled] == [(9.0, 10.0, "decision")]
    # A rejected speech span says nothing about sound that could not be judged.
    plan = planned([decision("reject", "speech", 2, 3)])
    assert [r.start_s for r in plan.redactions if r.what == "speech"] == [5.0, 9.0, 12.0]


def test_room_speech_left_in_by_a_setting_withholds_whoever_approves() -> None:
    needs = {n.code: n for n in planned(redact_speech=False).needs}
    assert not needs["speech-kept"].approvable
    assert "speech-kept" not in {n.code for n in planned().needs}


class _Deaf:
    """A detector that gives no number, as after a fault inside its library."""

    def scores(self, samples: np.ndarray) -> np.ndarray:
        return np.full(samples.size // 512, np.nan, np.float32)


def checked(tmp_path: Path, sound: np.ndarray, plan: Plan) -> dict[str, bool]:
    stem = write_stem(tmp_path / "stem.f32", 2, [np.stack([sound, sound]).astype(np.float32)])
    return {c.check: c.passed for c in stem_checks(stem, plan, voice_consent=False)}


LEFT, UNJUDGED = "speech left in the procedure sound", "procedure sound that cannot be judged"


def with_redactions(replaced: list[Span], overruled: list[Span]) -> Plan:
    def rows(spans: list[Span]) -> list[Redaction]:
        return [
            Redaction(what="speech", source=0, start_s=s.start_s, stop_s=s.stop_s, reason="",
                      origin="survey")
            for s in spans
        ]  # fmt: skip

    plan = make_plan(case(), [source()], None, Options(), glyph=GLYPH)
    return plan.model_copy(update={"redactions": rows(replaced), "overruled": rows(overruled)})


def test_sound_that_no_detector_answers_for_withholds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    noise = np.random.default_rng(3).normal(0, 0.02, 20 * 48_000)
    whole = [Span(0, 20)]
    assert checked(tmp_path, noise, with_redactions([], [])) == {LEFT: True, UNJUDGED: True}
    monkeypatch.setitem(DETECTORS, "omni", _Deaf)
    assert not checked(tmp_path, noise, with_redactions([], []))[UNJUDGED]
    # Not even replaced sound passes unheard; only a person who listened resolves it.
    assert not checked(tmp_path, noise, with_redactions(whole, []))[UNJUDGED]
    assert checked(tmp_path, noise, with_redactions([], whole))[UNJUDGED]


@pytest.mark.parametrize("kind", ["low", "clipped"])
def test_doubtful_sound_passes_only_where_it_was_replaced(tmp_path: Path, kind: str) -> None:
    noise = np.random.default_rng(4).normal(0, 1, 20 * 48_000)
    sound = noise * 10 ** (-103 / 20) if kind == "low" else np.clip(noise * 40, -1, 1)
    assert not checked(tmp_path, sound, with_redactions([], []))[UNJUDGED]
    assert checked(tmp_path, sound, with_redactions([Span(0, 20)], []))[UNJUDGED]
    assert not checked(tmp_path, sound, with_redactions([Span(0, 12)], []))[UNJUDGED]


# ------------------------------------------------------------------ overruled by a person


def test_a_smaller_span_replaces_less_and_the_rest_is_overruled() -> None:
    made = source(speech=[(2, 6)])
    change = decision("change", "speech", 2, 6, NARRATOR, start_s=3.0, stop_s=4.5)
    plan = make_plan(case(), [made], None, Options(), glyph=GLYPH, decisions=[change])
    spoken = [(r.start_s, r.stop_s, r.origin) for r in plan.redactions if r.what == "speech"]
    assert spoken == [(3.0, 4.5, "decision")]
    assert [(r.start_s, r.stop_s) for r in plan.overruled] == [(2.0, 3.0), (4.5, 6.0)]
    silent = decision("change", "speech", 2, 6, start_s=3.0, stop_s=4.5)
    plan = make_plan(case(), [made], None, Options(), glyph=GLYPH, decisions=[silent])
    assert plan.overruled == [] and any(
        (r.start_s, r.stop_s) == (2.0, 6.0) for r in plan.redactions if r.what == "speech"
    )


@pytest.mark.parametrize("reason", ["", "because I say so", "it is the Narrator"])
def test_no_rejection_without_a_reason_of_the_list(reason: str) -> None:
    """Whatever way the decision came: the plan asks."""
    rejected = [
        decision("reject", "undecided", 9, 10, reason),
        decision("reject", "speech", 2, 3, reason),
        boxed("reject", "lettering", [600, 300, 80, 20], reason),
        boxed("reject", "face", [500, 300, 90, 90], reason),
    ]
    plan = planned(rejected[:2])
    assert plan.overruled == [] and any("without a reason" in w for w in plan.warnings)
    assert sum(r.what == "speech" for r in plan.redactions) == 4
    plan = make_plan(
        case(), [lettered()], None, Options(), glyph=GLYPH, decisions=rejected[2:]
    )
    assert plan.overruled == []


def test_what_the_detectors_are_sure_of_takes_consent_for_voices() -> None:
    made = with_speech(source(), procedure=[(2, 6)], sure=[(3, 4)])
    for reason in REASONS["speech"]:
        rejected = decision("reject", "speech", 2, 6, reason)
        plan = make_plan(case(), [made], None, Options(), glyph=GLYPH, decisions=[rejected])
        spoken = [(r.start_s, r.stop_s, r.reason) for r in plan.redactions if r.what == "speech"]
        assert spoken == [(2.75, 4.25, SURE)]
        assert [(r.start_s, r.stop_s, r.by) for r in plan.overruled] == [
            (2.0, 2.75, "AB"),
            (4.25, 6.0, "AB"),
        ]
        assert any("voice = true" in w for w in plan.warnings)
    voice = case(consent={"scope": "public", "voice": True})
    plan = make_plan(voice, [made], None, Options(), glyph=GLYPH, decisions=[rejected])
    assert not any(r.what == "speech" for r in plan.redactions)


def test_live_narration_leaves_without_voice_consent_only_if_every_span_is_marked() -> None:
    made = with_speech(source(), procedure=[(2, 6), (9, 10)], sure=[(3, 4)])
    live = case(narration={"live": True})
    spoken = narration((2.4, 5.5))
    marks = [decision("reject", "speech", a, b, NARRATOR) for a, b in ((2, 6), (9, 10))]

    def needs(decisions: list[Any], voice: Any = spoken) -> list[str]:
        plan = make_plan(live, [made], voice, Options(), glyph=GLYPH, decisions=decisions)
        return [n.code for n in plan.needs if n.code == "narration-shares-room"]

    assert needs(marks) == []
    assert needs([]) == needs(marks[:1]) == needs(marks[1:]) == ["narration-shares-room"]
    other = decision("reject", "speech", 2, 6, REASONS["speech"][1])
    assert needs([other, marks[1]]) == ["narration-shares-room"]
    # Speech that only the narration's own detector heard was never offered for marking.
    assert needs(marks, narration((2.4, 5.5), (14, 16))) == ["narration-shares-room"]


def test_what_a_person_let_through_is_said_wherever_it_shows(tmp_path: Path) -> None:
    plan = planned([decision("reject", "undecided", 9, 10)])
    assert judged_lines(plan, initials=True) == ["1 span of sound judged by AB: nobody speaks"]
    assert judged_lines(plan, initials=False)[0].startswith("1 span of sound judged by a person")
    noise = np.random.default_rng(4).normal(0, 0.02, 20 * 48_000)
    stem = write_stem(tmp_path / "s.f32", 1, iter([noise[None].astype(np.float32)]))
    left = stem_checks(stem, plan, False)[0]
    assert left.measured == "0, beside 1 span judged by AB"
    assert without_initials(left).measured == "0, beside 1 span judged by a person"


def lettered() -> SourceInput:
    seen = [
        Lettering(start_s=1, stop_s=9, box_px=box, where="field", confidence=0.9)
        for box in ((600, 300, 80, 20), (700, 400, 80, 20))
    ]
    face = Face(start_s=1, stop_s=9, box_px=(500, 300, 90, 90), confidence=0.6)
    return with_survey(source(), lettering=seen, faces=[face])


def boxed(verb: str, kind: str, box: list[int] | None, reason: str | None = None) -> Any:
    value = {"box_px": box} if box else {}
    return decision(verb, kind, 1, 9, reason, **value)


def test_a_rejection_counts_for_the_box_that_it_names_only() -> None:
    def left(*decisions: Any) -> tuple[set[Any], set[Any]]:
        plan = make_plan(
            case(), [lettered()], None, Options(), glyph=GLYPH, decisions=list(decisions)
        )
        filled = {r.box_px for r in plan.redactions if r.what in ("lettering", "face")}
        return filled, {r.box_px for r in plan.overruled}

    first, second, face = (600, 300, 80, 20), (700, 400, 80, 20), (500, 300, 90, 90)
    assert left() == ({first, second, face}, set())
    assert left(boxed("reject", "lettering", list(first))) == ({second, face}, {first})
    assert left(boxed("reject", "face", list(face))) == ({first, second}, {face})
    assert left(boxed("reject", "lettering", None)) == ({first, second, face}, set())
    assert left(boxed("reject", "lettering", [0, 0, 80, 20]))[1] == set()
    # The later word counts.
    again = [boxed("reject", "lettering", list(first)), boxed("accept", "lettering", list(first))]
    assert left(*again) == ({first, second, face}, set())


def test_verify_lets_through_what_a_person_rejected_and_nothing_else() -> None:
    plan = make_plan(
        case(), [lettered()], None, Options(), glyph=GLYPH,
        decisions=[boxed("reject", "lettering", [600, 300, 80, 20])],
    )  # fmt: skip
    scale = plan.sources[0].moved[0]

    def found(start_s: float, stop_s: float, x: float, y: float) -> Lettering:
        box = (round(x * scale), round(y * scale), round(60 * scale), round(16 * scale))
        return Lettering(start_s=start_s, stop_s=stop_s, box_px=box, where="field", confidence=1)

    assert let_through(plan, "lettering", found(2, 5, 608, 302))
    assert not let_through(plan, "lettering", found(2, 5, 708, 402))  # another box
    assert not let_through(plan, "lettering", found(2, 12, 608, 302))  # longer than was rejected
    assert not let_through(plan, "face", found(2, 5, 608, 302))  # type: ignore[arg-type]


def test_a_rejection_lets_nothing_through_that_grew_beyond_it() -> None:
    """Measured anew, what was looked at for a second is part of something longer."""
    short = decision("reject", "speech", 5, 6)
    for stop_s, kept in ((6.2, True), (9.0, False)):
        made = source(speech=[(4.9, stop_s)])
        plan = make_plan(case(), [made], None, Options(), glyph=GLYPH, decisions=[short])
        spoken = [(r.start_s, r.stop_s) for r in plan.redactions if r.what == "speech"]
        assert spoken == ([] if kept else [(6.0, stop_s + 0.25)])
        assert [r.stop_s for r in plan.overruled] == [stop_s if kept else 6.0]
    # Cut apart by what the case keeps, it has two anchors.
    both = [decision("reject", "speech", 2, 4), decision("reject", "speech", 7, 9)]
    plan = make_plan(case(), [source(speech=[(2, 9)])], None, Options(), glyph=GLYPH,
                     decisions=both)  # fmt: skip
    spoken = [(r.start_s, r.stop_s) for r in plan.redactions if r.what == "speech"]
    assert spoken == [(4.0, 7.0)]
    # What a smaller span leaves out is let through where the person saw it, not beyond.
    change = decision("change", "speech", 5, 6, NARRATOR, start_s=5.2, stop_s=5.6)
    plan = make_plan(case(), [source(speech=[(5, 9)])], None, Options(), glyph=GLYPH,
                     decisions=[change])  # fmt: skip
    spoken = sorted((r.start_s, r.stop_s) for r in plan.redactions if r.what == "speech")
    assert spoken == [(5.2, 5.6), (6.0, 9.25)]  # padded, as what nobody judged is
    box = [600, 300, 80, 20]
    early = decision("reject", "lettering", 1, 2, box_px=box)
    plan = make_plan(case(), [lettered()], None, Options(), glyph=GLYPH, decisions=[early])
    filled = [(r.start_s, r.stop_s) for r in plan.redactions if r.box_px == (600, 300, 80, 20)]
    assert filled == [(2.0, 9.25)] and [r.stop_s for r in plan.overruled] == [2.0]
