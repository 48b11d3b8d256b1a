"""What a person can do about a check of the finished file that did not pass."""

from __future__ import annotations

OURS = "make it again; if it stays so, this is a fault of the program or of one of its libraries"
_COPY = "copy the recording again from the recorder, or cut that part out on the review page"
_FIELD = "look at the field on the review page; where it is wrong, give `field` in the case.toml"
_COVER = (
    "look at these seconds on the review page and reject the finding there if it is none, or cut"
    " them out; else make the clip again, which covers it"
)
_SPEECH = (
    "listen to these seconds on the review page and mark what is speech; with consent for voices,"
    " set `voice = true` in the case.toml"
)
_LEVELS = (
    "listen to the clip; bring a louder or cleaner narration, or change [sound] in the settings"
)

# By the name of the check, or by how it begins; what is not here can only be made again.
REMEDIES = {
    "picture damaged": _COPY,
    "damaged pictures shown": _COPY,
    "surround black": _FIELD,
    "surround without a faint picture": _FIELD,
    "picture like its source": _FIELD,
    "picture brightness kept": _FIELD,
    "mark visible inside its band": (
        "move the mark on the review page, or widen its band (visibility_low, visibility_high in"
        " [mark] of the settings)"
    ),
    "release code reads back": (
        "code finer (crf in [output] of the settings), or leave the code out (release_code in"
        " [mark])"
    ),
    "lettering in the picture": _COVER,
    "faces in the picture": _COVER,
    "speech left in the procedure sound": _SPEECH,
    "procedure sound that cannot be judged": _SPEECH,
    "live speech that nobody marked": _SPEECH,
    "loudness": _LEVELS,
    "true peak": _LEVELS,
    "narration": _LEVELS,
    "chapter titles that nobody confirmed": "read the titles, then change or confirm them",
}


def remedy(check: str) -> str:
    """What to do where the check of this name failed, as the end of a sentence."""
    return next((do for name, do in REMEDIES.items() if check.startswith(name)), OURS)
