"""What an entry of decisions.json may hold; times of an anchor are those of its source.

- accept, reject: the finding at `anchor` is right, or is none; to reject speech, lettering, faces
  or damage takes a reason of the list in `stages.judged`; value box_px where it is a
  box in the picture (several may share a span), else empty.
- change: value any of action ("keep", "cut", "freeze", "clear", "black", "replace", "blank"),
  start_s, stop_s (source time).
- add: a redaction at `anchor` with kind "lettering", "face" or "speech"; for a picture
  value box_px (x, y, width, height in pixels of the source's working picture).
- mark: value positions, a list of {x, y, angle_deg, width_ratio} relative to the field.
- mix: value settings of the section [sound] by name.
- chapter: value chapters, the whole list of [start_s, title], case time.
- sign: the anonymity list was approved; the hashes lie in `sign_off`.
- undo, redo: `target` is the number of the entry.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

from pydantic import ValidationError

from pipeline.errors import UsageError
from pipeline.model.decisions import Anchor
from pipeline.model.faults import fault_of
from pipeline.model.options import SoundOptions
from pipeline.stages.judged import REASONS

Verb = Literal[
    "accept", "reject", "change", "add", "undo", "redo", "sign", "mark", "mix", "chapter"
]
ACTIONS = ("keep", "cut", "freeze", "clear", "black", "replace", "blank")
ADDABLE = ("lettering", "face", "speech")
MIX_SETTINGS = (
    "ducking_depth_lu",
    "duck_lead_s",
    "duck_fall_s",
    "duck_hold_s",
    "duck_release_s",
    "background_below_narration_lu",
)


def _number(value: Any, name: str, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise UsageError("A decision holds no number", name, f"give {low:g} to {high:g}")
    if not low <= value <= high:
        raise UsageError(
            "A decision is out of range", f"{name} {value:g}", f"give {low:g} to {high:g}"
        )
    return float(value)


def check_reason(verb: str, anchor: Anchor | None, value: Mapping[str, Any], reason: str) -> None:
    """What could harm somebody is let through, wholly or in part, for a reason of the list only."""
    if anchor is None:
        return
    allowed = REASONS.get(anchor.kind, ())
    smaller = anchor.kind in ("speech", "undecided") and (
        value.get("start_s", 0.0) > anchor.start_s
        or value.get("stop_s", anchor.stop_s) < anchor.stop_s
    )
    lets = verb == "reject" or (verb == "change" and smaller)
    if lets and allowed and reason not in allowed:
        raise UsageError(
            "That is let through for a reason only",
            "none" if not reason else "another one",
            "give one of: " + "; ".join(allowed),
        )


def _only(value: Mapping[str, Any], names: Sequence[str], verb: str) -> None:
    extra = sorted(set(value) - set(names))
    if extra:
        raise UsageError(
            f"A decision '{verb}' cannot hold this", extra[0][:40], f"give {', '.join(names)}"
        )


def _box(box: Any) -> list[int]:
    if not isinstance(box, list) or len(box) != 4:
        raise UsageError("A redaction has no box", "box_px", "draw a box over it")
    return [round(_number(v, "box_px", 0, 20000)) for v in box]


def check_value(verb: str, anchor: Anchor | None, value: dict[str, Any]) -> dict[str, Any]:
    """`value` with its numbers checked. Raises UsageError with what is allowed."""
    about = _ABOUT_A_FINDING.get(verb)
    if about is not None:
        if anchor is None:
            raise UsageError("A decision has no finding", verb, "choose a finding first")
        _check_span(anchor, anchor.start_s, anchor.stop_s)
        return about(verb, anchor, value)
    whole = _ABOUT_THE_CASE.get(verb)
    if whole is None:
        raise UsageError("That cannot be decided", str(verb)[:20], "accept, reject or change")
    return whole(verb, value)


def _check_span(anchor: Anchor, start_s: float, stop_s: float) -> None:
    if not 0 <= start_s < stop_s:
        raise UsageError(
            "A span ends before it starts", anchor.kind, "give a later end than the start"
        )


def _judged(verb: str, anchor: Anchor, value: dict[str, Any]) -> dict[str, Any]:
    _only(value, ("box_px",), verb)
    return {"box_px": _box(value["box_px"])} if "box_px" in value else value


def _changed(verb: str, anchor: Anchor, value: dict[str, Any]) -> dict[str, Any]:
    _only(value, ("action", "start_s", "stop_s"), verb)
    if not value:
        raise UsageError("Nothing was changed", "", "give an action or a span")
    if "action" in value and value["action"] not in ACTIONS:
        raise UsageError("An action is not known", str(value["action"])[:20], ", ".join(ACTIONS))
    out = dict(value)
    for name in ("start_s", "stop_s"):
        if name in value:
            out[name] = round(_number(value[name], name, 0, 1e6), 6)
    _check_span(anchor, out.get("start_s", anchor.start_s), out.get("stop_s", anchor.stop_s))
    return out


def _added(verb: str, anchor: Anchor, value: dict[str, Any]) -> dict[str, Any]:
    if anchor.kind not in ADDABLE:
        raise UsageError("That cannot be redacted", anchor.kind[:20], f"give {', '.join(ADDABLE)}")
    _only(value, () if anchor.kind == "speech" else ("box_px",), verb)
    if anchor.kind == "speech":
        return value
    box = _box(value.get("box_px"))
    if box[2] < 2 or box[3] < 2:
        raise UsageError("A box is too small", f"{box[2]} x {box[3]}", "draw it larger")
    return {"box_px": box}


def _marked(verb: str, value: dict[str, Any]) -> dict[str, Any]:
    _only(value, ("positions",), verb)
    places = value.get("positions")
    if not isinstance(places, list) or not 1 <= len(places) <= 4:
        raise UsageError("A mark has no place", "", "give one to four places")
    return {"positions": [_place(verb, place) for place in places]}


def _place(verb: str, place: Any) -> dict[str, float]:
    if not isinstance(place, dict):
        raise UsageError("A mark has no place", "", "give x, y and width_ratio")
    _only(place, ("x", "y", "angle_deg", "width_ratio"), verb)
    angle = _number(place.get("angle_deg", 0.0), "angle_deg", -180, 180)
    return {
        "x": round(_number(place.get("x"), "x", -1, 1), 4),
        "y": round(_number(place.get("y"), "y", -1, 1), 4),
        "angle_deg": round(angle, 2),
        "width_ratio": round(_number(place.get("width_ratio"), "width_ratio", 0.05, 1.9), 4),
    }


def _mixed(verb: str, value: dict[str, Any]) -> dict[str, Any]:
    _only(value, MIX_SETTINGS, verb)
    if not value:
        raise UsageError("Nothing was changed", "", "give a setting of the sound")
    return check_sound(value)


def _chapters(verb: str, value: dict[str, Any]) -> dict[str, Any]:
    _only(value, ("chapters",), verb)
    chapters = value.get("chapters")
    if not isinstance(chapters, list):
        raise UsageError("Chapters are no list", "", "give a list of times and titles")
    if len(chapters) > 200:
        raise UsageError("There are too many chapters", str(len(chapters)), "give at most 200")
    rows: list[list[Any]] = []
    for row in chapters:
        if not isinstance(row, list) or len(row) != 2 or not isinstance(row[1], str):
            raise UsageError("A chapter is not complete", "", "give a time and a title")
        title = " ".join(row[1].split())
        if not 1 <= len(title) <= 80 or any(ord(c) < 32 for c in title):
            raise UsageError("A chapter's title has the wrong length", "", "1 to 80 letters")
        rows.append([round(_number(row[0], "start_s", 0, 1e6), 6), title])
    rows.sort(key=lambda r: float(r[0]))
    if len({r[0] for r in rows}) != len(rows):
        raise UsageError("Two chapters start together", "", "give each its own time")
    return {"chapters": rows}


_ABOUT_A_FINDING = {"accept": _judged, "reject": _judged, "change": _changed, "add": _added}
_ABOUT_THE_CASE = {"mark": _marked, "mix": _mixed, "chapter": _chapters}


def check_sound(value: Mapping[str, Any]) -> dict[str, Any]:
    """Settings of the section [sound] inside their limits. Raises UsageError."""
    try:
        checked = SoundOptions.model_validate(dict(value))
    except ValidationError as error:
        what, _, do = fault_of(error, SoundOptions, "the sound", values=False)
        raise UsageError("A setting of the sound is out of range", what, do) from None
    return {name: getattr(checked, name) for name in value}
