"""What may say who somebody is: lettering and faces in the picture, speech in the room."""

from pipeline.model.kinds.kind import Kind, Severity

NARRATOR = "it is the narrator"
_SOUND = (NARRATOR, "not speech: instrument", "not speech: another sound")

LETTERING = Kind(
    kind="lettering",
    name="Lettering",
    sign="L",
    color="#CC79A7",
    pattern="falling",
    action="blank",
    actions=(),
    severity=Severity(told={"surround": "outside the field", "field": "inside the field"}),
    reasons=("no lettering: tissue or instrument", "lettering that names nobody"),
    event=False,
)
FACE = Kind(
    kind="face",
    name="Face",
    sign="P",
    color="#CC79A7",
    pattern="cross",
    action="blank",
    actions=(),
    severity=Severity(unmeasured="a face, perhaps"),
    reasons=("no face: tissue or instrument", "no living face: a drawing or a model"),
    event=False,
)
SPEECH = Kind(
    kind="speech",
    name="Room speech",
    sign="R",
    color="#009E73",
    pattern="falling",
    action="replace",
    actions=("replace",),
    severity=Severity(unmeasured="speech in the room"),
    reasons=_SOUND,
    event=False,
)
UNDECIDED = Kind(
    kind="undecided",
    name="Sound nobody can tell",
    sign="U",
    color="#009E73",
    pattern="dots",
    action="replace",
    actions=("replace",),
    severity=Severity(
        unmeasured="cannot be judged",
        told={
            "too low": "too low to tell whether somebody speaks",
            "too clipped": "too clipped to tell whether somebody speaks",
            "no answer": "the detectors gave no answer",
        },
    ),
    reasons=(*_SOUND, "nobody speaks"),
    event=False,
)
