"""Words for people: what is done about a finding, what a person said, settings of the sound.

The page's script and the report take them from here; neither has names of its own.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from pipeline.model.kinds import KINDS
from pipeline.review.decision_values import ADDABLE
from pipeline.review.plots import LOOKS, kinds_payload, look


class Action(NamedTuple):
    """wish: on the page, where it is chosen. done: in the report, where it is told."""

    wish: str
    done: str


ACTIONS = {
    "keep": Action("Keep as it is", "Kept as it is"),
    "cut": Action("Cut out", "Cut out"),
    "freeze": Action("Hold the last clear frame", "Last clear frame held"),
    "clear": Action("Restore contrast", "Contrast restored, and said so in the picture"),
    "blank": Action("Black out", "Blacked out"),
    "black": Action("Black out", "Blacked out"),
    "cover": Action("Cover", "Covered"),
    "replace": Action("Replace with room sound", "Replaced with room sound"),
}
VERBS = {
    "accept": "✓ accepted",
    "reject": "✗ no finding",
    "change": "✎ changed",
    "add": "＋ added",
}
# What is listed as undone or done again.
HISTORY = {
    "accept": "accepted",
    "reject": "rejected",
    "change": "changed",
    "add": "redaction added",
    "mark": "mark moved",
    "mix": "sound changed",
    "chapter": "chapters changed",
    "sign": "anonymity list approved",
    "undo": "undone",
    "redo": "done again",
}
JOBS = {
    "waiting": "Waiting",
    "running": "Rendering",
    "done": "Done",
    "failed": "Failed",
    "cancelled": "Cancelled",
}
MIX = {
    "ducking_depth_lu": "Voice stands over the background by at least",
    "duck_lead_s": "Background is down before the first word by",
    "duck_fall_s": "Time it takes to go down",
    "duck_hold_s": "Pauses in which it stays down, up to",
    "duck_release_s": "Time it takes to come back",
    "background_below_narration_lu": "Between narrations it stays below the voice by",
}


def _lanes() -> list[dict[str, Any]]:
    """Lanes under the plot: what is no disturbance, of the sound and of the picture; the narration.

    kind: how it is hatched. kinds: those that it shows; none for the narration.
    """
    kinds = [k for k in KINDS if not k.event]
    heard = [k.kind for k in kinds if k.action == "replace"]
    seen = [k.kind for k in kinds if k.action != "replace"]
    return [
        {"kind": heard[0], "name": "speech in the room", "kinds": heard},
        {"kind": seen[0], "name": "lettering, faces", "kinds": seen},
        {"kind": "narration", "name": "narrator speaks", "kinds": []},
    ]


def start_words() -> dict[str, Any]:
    """The names that the page of a case is told once, when it opens."""
    return {
        "looks": {k: v._asdict() for k, v in LOOKS.items()},
        "kinds": kinds_payload(),
        "lanes": _lanes(),
        "addable": [{"kind": k, "name": look(k).label, "box": k != "speech"} for k in ADDABLE],
        "words": {
            "actions": {k: a.wish for k, a in ACTIONS.items()},
            "verbs": VERBS,
            "jobs": JOBS,
            "unnamed": look("")._asdict(),
        },
    }


def removal_words(moves: bool) -> str:
    """What it costs a thief to take the mark off, in one honest line (README, Limits).

    From `tests/benchmarks/mark_attacks.py`.
    """
    if moves:
        return (
            "The mark wanders: the median over time leaves most of it. A thief who finds its"
            " strokes in every picture can still paint them over from those around; little shows."
        )
    return (
        "The mark stands still: ten lines of code take it off by the median over time."
        ' motion = "drift" in [mark] of the settings makes that hard.'
    )
