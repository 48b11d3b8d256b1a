"""What only the check of the finished clip found: it becomes a finding of the survey.

Verify looks at another size and at other moments than the survey. A name that the survey missed,
or a detail of tissue that looks like one, is then blacked out as any other finding, and
the clip is rendered once more, instead of being withheld with nothing a person could do.
Likewise speech: where loud sound is replaced, what lies around it is heard anew; `making.sounded`
asks that of the sound before there is a picture.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from pipeline.model.placement import Placement
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.model.survey import Face, Lettering, Survey, Voice
from pipeline.model.time import round_s
from pipeline.model.timeline import Timeline

ROUNDS = 2
SOUND_ROUNDS = 6  # replaced sound is heard anew too; one of these costs a fortieth of the pictures
_PAD_S = 0.25  # pictures of the finished clip are looked at no further apart
_PAD_RATIO = 0.1  # of the box's shorter side: the two looks differ in size
_PAD_SOUND_S = 0.25  # as much as around speech that the survey found
_CHECKS = {
    "lettering in the picture", "faces in the picture", "speech left in the procedure sound",
}  # fmt: skip


def missed(checks: Sequence[Check], alone: bool) -> bool:
    """True if lettering, a face or speech is left in a finished clip. alone: and nothing else is
    wrong with it; what else was wrong may have come of the same place, but only once."""
    failed = {c.check for c in checks if not c.passed}
    return bool(failed & _CHECKS) and not (alone and failed - _CHECKS)


def another_round(checks: Sequence[Check], round_: int) -> bool:
    """True if the clip is to be rendered once more. round_: how often it was already."""
    return round_ < ROUNDS and missed(checks, alone=round_ > 0)


def with_missed(
    surveys: Sequence[Survey], plan: Plan, found: Sequence[Lettering | Face | Voice]
) -> list[Survey]:
    """The surveys of the plan's sources with what was found in its finished clip.

    found: in clip time and pixels of the clip; it is put into source time and source pixels.
    """
    out = list(surveys)
    for item in [i for f in found for i in (f.loose if isinstance(f, Lettering) else [f])]:
        if isinstance(item, Voice):
            _with_voice(out, plan, item)
            continue
        for piece, span in Timeline(pieces=plan.pieces).source_of_clip((item.start_s, item.stop_s)):
            survey = out[piece.source]
            moved = type(item)(
                **{
                    **item.model_dump(),
                    "start_s": round_s(max(0.0, span.start_s - _PAD_S)),
                    "stop_s": round_s(min(survey.recording.duration_s, span.stop_s + _PAD_S)),
                    "box_px": _source_box(item.box_px, plan.placement(piece.source)),
                }
            )
            if isinstance(moved, Lettering):
                moved = moved.model_copy(update={"where": "field"})
                update = {"lettering": [*survey.lettering, moved]}
                out[piece.source] = survey.model_copy(update=update)
            else:
                out[piece.source] = survey.model_copy(update={"faces": [*survey.faces, moved]})
    return out


def _with_voice(surveys: list[Survey], plan: Plan, heard: Voice) -> None:
    """Put what was heard in the clip where it lies in the sound of its sources."""
    timeline = Timeline(pieces=plan.pieces)
    for piece in plan.pieces:
        if piece.kind == "card" or not piece.sound:
            continue
        span = timeline.sound(piece).back.part((heard.start_s, heard.stop_s))
        if span is None:
            continue
        survey = surveys[piece.source]
        span = span.padded(_PAD_SOUND_S, survey.recording.duration_s)
        voice = Voice(start_s=round_s(span.start_s), stop_s=round_s(span.stop_s))
        surveys[piece.source] = survey.model_copy(update={"voices": [*survey.voices, voice]})


def _source_box(
    box_px: tuple[int, int, int, int], placement: Placement
) -> tuple[int, int, int, int]:
    """A box of the clip (x, y, width, height) in pixels of the source, a little larger."""
    x, y, wide, high = box_px
    pad = max(2.0, _PAD_RATIO * min(wide, high))
    left, top = (max(0, math.floor(v)) for v in placement.source_point(x - pad, y - pad))
    right, bottom = placement.source_point(x + wide + pad, y + high + pad)
    return left, top, math.ceil(right) - left, math.ceil(bottom) - top
