"""What happens to each finding: cut, held, restored or kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pipeline.model.case import SHORTEST_KEPT_S
from pipeline.model.decisions import Decision
from pipeline.model.findings import Event
from pipeline.model.kinds import BY_NAME
from pipeline.model.kinds.kind import EVENT_ACTIONS
from pipeline.model.options import Options
from pipeline.model.plan import Edit, Restoration
from pipeline.model.time import Span, merge_spans, round_s, subtract_spans
from pipeline.model.timeline import Kept, Timeline
from pipeline.stages.damage import damage_action
from pipeline.stages.judged import decision_on
from pipeline.stages.planning.given import SourceInput
from pipeline.stages.restore import plan_restoration

JOIN_CLEARED_S = 3.0


def decided_edits(
    sources: Sequence[SourceInput],
    axis: Timeline,
    narration: Sequence[Span],
    options: Options,
    decisions: Sequence[Decision],
) -> list[Edit]:
    edits: list[Edit] = []
    for number, source in enumerate(sources):
        for event in source.findings.events:
            edits.append(_edit_of(number, source, event, axis, narration, options, decisions))
    for part in axis.kept:
        edits = _without_slivers(edits, part, sources[part.source], axis, narration)
    return edits


def _without_slivers(
    edits: Sequence[Edit],
    part: Kept,
    source: SourceInput,
    axis: Timeline,
    narration: Sequence[Span],
) -> list[Edit]:
    """What edits leave of a kept part in pieces that nobody can see, or of not even one picture:
    the edit beside such a piece takes it too. A narrator who speaks there keeps a picture."""
    out = list(edits)
    picture_s = 1 / max(source.survey.recording.frame_rate_hz, 1.0)
    least_s = max(SHORTEST_KEPT_S, picture_s) - 1e-6
    taken = [
        (n, Span(e.start_s, e.stop_s))
        for n, e in enumerate(out)
        if e.source == part.source and e.action in ("cut", "freeze", "black")
    ]
    for left in subtract_spans([(part.start_s, part.stop_s)], [span for _, span in taken]):
        beside = [n for n, s in taken if left.start_s in s[1:] or left.stop_s in s[:1]]
        if left.length_s >= least_s or not beside:
            continue
        spoken = any(
            s.overlap(n) is not None
            for s in axis.case_of_source(part.source, left)
            for n in narration
        )
        number = min(beside, key=lambda n: out[n].action == "cut")
        edit = out[number]
        if spoken and edit.action == "cut" and left.length_s >= picture_s:
            continue
        start_s, stop_s = min(edit.start_s, left.start_s), max(edit.stop_s, left.stop_s)
        out[number] = edit.model_copy(
            update={"start_s": round_s(start_s), "stop_s": round_s(stop_s)}
        )
    return out


def _edit_of(
    number: int,
    source: SourceInput,
    event: Event,
    axis: Timeline,
    narration: Sequence[Span],
    options: Options,
    decisions: Sequence[Decision],
) -> Edit:
    lens = options.lens
    kind = BY_NAME[event.kind]
    action: str = getattr(lens, event.kind)
    span = Span(event.start_s, event.stop_s)
    origin: Any = "settings"
    reason = f"{event.kind.replace('_', ' ')} found by the survey"
    if event.kind == "out_of_body":
        span = span.padded(lens.out_of_body_margin_s, source.survey.recording.duration_s)
    decision = decision_on(decisions, source.survey.recording.sha256, event.kind, span)
    if decision is not None and event.kind != "damage":
        origin = "decision"
        reason = decision.reason or reason
        if decision.verb == "reject":
            action = "keep"
        elif decision.verb == "change":
            wanted = str(decision.value.get("action", action))
            action = wanted if wanted in EVENT_ACTIONS else action
            span = Span(
                float(decision.value.get("start_s", span.start_s)),
                float(decision.value.get("stop_s", span.stop_s)),
            )
    narrated = any(
        s.overlap(n) is not None for s in axis.case_of_source(number, span) for n in narration
    )
    if event.kind == "damage":
        action, span, reason = damage_action(span, decision, narrated, action)
        origin = "decision" if action == "keep" else origin
    elif event.kind == "out_of_body":
        rejected = decision is not None and decision.verb == "reject"
        if action not in kind.actions and not rejected:
            action = "cut"
        if action == "cut" and narrated:
            action, reason = "freeze", reason + "; narration speaks over it"
    elif action == "clear":
        if not kind.restorable:
            action, reason = "keep", reason + "; only fog can be restored"
        elif plan_restoration(number, span, source.series) is None:
            action, reason = "keep", reason + "; the loss is not known well enough to restore"
    elif action == "cut" and narrated:
        action, reason = "keep", reason + "; not cut because narration speaks over it"
    return Edit(
        source=number,
        kind=event.kind,
        start_s=round_s(span.start_s),
        stop_s=round_s(span.stop_s),
        action=action,
        peak_loss=event.peak_loss,
        mean_loss=event.mean_loss,
        narrated=narrated,
        reason=reason,
        origin=origin,
        by=decision.by if decision is not None and origin == "decision" else "",
    )


def restorations(sources: Sequence[SourceInput], edits: Sequence[Edit]) -> list[Restoration]:
    """Events near each other are restored as one: between them the picture must not pump."""
    out = []
    for number in sorted({e.source for e in edits if e.action == "clear"}):
        cleared = [e for e in edits if e.source == number and e.action == "clear"]
        spans = merge_spans([(e.start_s, e.stop_s) for e in cleared], JOIN_CLEARED_S)
        edges = [0.0, *(t for span in spans for t in span), float("inf")]
        for n, span in enumerate(spans):
            before, after = edges[2 * n], edges[2 * n + 3]
            within = Span(
                0.5 * (before + span.start_s) if n else 0.0,
                0.5 * (after + span.stop_s) if n + 1 < len(spans) else after,
            )
            planned = plan_restoration(number, span, sources[number].series, within)
            if planned is not None:
                out.append(planned)
    return out
