"""From what the page asks to the next document of decisions. Pure."""

from __future__ import annotations

from typing import Any, cast

from pipeline.errors import UsageError
from pipeline.model.decisions import Anchor, Decisions
from pipeline.review.backend import CaseView
from pipeline.review.decision_values import Verb
from pipeline.review.decisions import append, redo, sign, undo, version
from pipeline.review.laid import lay_over, moved, plan_is_current, source_spans
from pipeline.review.serve.bodies import Decide, number


def decided(view: CaseView, document: Decisions, body: Decide) -> Decisions:
    """The document with what `body` decides. Raises UsageError."""
    seen, by = body.version, body.by
    if body.verb == "undo":
        return undo(document, seen=seen, by=by, target=body.target)
    if body.verb == "redo":
        return redo(document, seen=seen, by=by)
    if body.verb == "sign":
        return _signed(view, document, body)
    if body.verb == "add":
        return _redacted(view, document, body)
    anchor, value = None, dict(body.value)
    if body.verb in ("accept", "reject", "change"):
        anchor, value = _about(view, document, body)
    verb = cast(Verb, body.verb)  # checked by `append`
    return append(
        document, seen=seen, verb=verb, by=by, anchor=anchor, value=value, reason=body.reason
    )


def _signed(view: CaseView, document: Decisions, body: Decide) -> Decisions:
    if not plan_is_current(view, document) or body.plan != view.plan_sha256[:8]:
        raise UsageError(
            "Your last decisions are not worked in yet",
            "",
            "wait a moment, look at the list, then sign off",
        )
    if not view.checklist:
        raise UsageError(
            "The list of what could identify someone is not there yet",
            "",
            "wait a moment, look at it, then sign off",
        )
    left = [f for f, _ in lay_over(view, document).findings if f.needs_person]
    if left:
        raise UsageError(
            "There are findings left to resolve", str(len(left)), "decide on each, then sign off"
        )
    return sign(
        document,
        seen=body.version,
        by=body.by,
        sources=view.sources,
        surveys=view.surveys,
        settings=view.settings_sha256,
        plan=view.plan_sha256,
        narration=view.narration_sha256,
    )


def _about(view: CaseView, document: Decisions, body: Decide) -> tuple[Anchor, dict[str, Any]]:
    """The anchor of a finding, and a span given in case time moved to its source."""
    value = dict(body.value)
    rows = [f for f, _ in lay_over(view, document).findings if f.id == body.finding]
    base = next((f for f in view.findings if f.id == body.finding), rows[0] if rows else None)
    if base is None:
        raise UsageError("The finding is not there any more", "", "look at the newer state")
    if body.verb == "reject" and not base.rejectable:
        raise UsageError(
            "That cannot be rejected here",
            base.kind.replace("_", " "),
            "accept it, or ask for a new survey",
        )
    if body.verb in ("accept", "reject") and base.box_px is not None:
        value["box_px"] = list(base.box_px)
    if "action" in value and value["action"] not in base.actions:
        raise UsageError(
            "That cannot be done about it", str(value["action"])[:20], ", ".join(base.actions)
        )
    if "start_s" in value or "stop_s" in value:
        shown = rows[0] if rows else base
        start = number(value.get("start_s", shown.start_s))
        stop = number(value.get("stop_s", shown.stop_s))
        if not 0 <= start < stop <= view.duration_s + 0.5:
            raise UsageError(
                "A span does not fit the case", f"{start:.1f} to {stop:.1f} s", "keep it inside"
            )
        value.update(moved(base, start, stop))
    if rows and value:  # what an earlier change said stays, unless this one says otherwise
        if "action" not in value and rows[0].action != base.action:
            value["action"] = rows[0].action
        if "start_s" not in value and (rows[0].start_s, rows[0].stop_s) != (
            base.start_s,
            base.stop_s,
        ):
            value.update(moved(base, rows[0].start_s, rows[0].stop_s))
    return base.anchor, value


def _redacted(view: CaseView, document: Decisions, body: Decide) -> Decisions:
    """A redaction over a span of case time: one entry for each source that it touches."""
    value = body.value
    kind = str(value.get("kind", ""))
    start, stop = number(value.get("start_s")), number(value.get("stop_s"))
    anchors = source_spans(view, start, stop, kind)
    if stop <= start or not anchors:
        raise UsageError(
            "A redaction has no span", f"{start:.1f} to {stop:.1f} s", "give a span of the case"
        )
    rest = {} if kind == "speech" else {"box_px": value.get("box_px")}
    seen = body.version
    for anchor in anchors:
        document = append(
            document,
            seen=seen,
            verb="add",
            by=body.by,
            anchor=anchor,
            value=rest,
            reason=body.reason,
        )
        seen = version(document)
    return document
