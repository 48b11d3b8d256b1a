"""Two patients in one recording: a recorder that ran on from one procedure into the next.

A person says which part belongs to the case, with `keep` in case.toml, or that it is
one patient after all, with their initials or by a `reject` in decisions.json.
"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.model.field import FieldSpan
from pipeline.model.options import AnonymityOptions
from pipeline.model.plan import Need
from pipeline.model.time import Span, format_time, merge_spans, subtract_spans

PATIENT_GAP = "second-patient"
OTHER_SCOPE = 0.04  # of the field radius: centre or radius, beyond what a fit moves by
_SHORTEST_GAP_S = 3.0  # a break between two geometries; a shorter one is a zoom or a knock


def second_patient_spans(
    fields: Sequence[FieldSpan], used: Span, options: AnonymityOptions
) -> list[tuple[Span, str]]:
    """Gaps out of the body inside `used` after which it may be another patient, each with why.

    fields: one recording's field over time. A gap of at least
    `options.patient_gap_s`, or a shorter one with another field geometry after it than
    before. Times in seconds of the recording.
    """
    inside = merge_spans(
        part
        for f in fields
        if f.shape != "none" and (part := Span(f.start_s, f.stop_s).overlap(used)) is not None
    )
    if not inside:
        return []
    whole = Span(inside[0].start_s, inside[-1].stop_s)
    out = []
    for gap in subtract_spans([whole], inside):
        if gap.length_s >= options.patient_gap_s:
            out.append((gap, f"out of the body for {gap.length_s:.0f} s"))
        elif gap.length_s >= _SHORTEST_GAP_S and _other_scope(fields, gap):
            out.append((gap, "another scope field after it"))
    return out


def _other_scope(fields: Sequence[FieldSpan], gap: Span) -> bool:
    lit = [f for f in fields if f.shape != "none"]
    before = max((f for f in lit if f.start_s < gap.start_s), key=lambda f: f.stop_s, default=None)
    after = min((f for f in lit if f.stop_s > gap.stop_s), key=lambda f: f.start_s, default=None)
    if before is None or after is None:
        return False
    scale = max(before.radius_px, after.radius_px)
    moved = max(
        abs(before.center_x_px - after.center_x_px),
        abs(before.center_y_px - after.center_y_px),
        abs(before.radius_px - after.radius_px),
    )
    kinds = {f.shape.removesuffix("-clipped") for f in (before, after)}
    return moved > OTHER_SCOPE * scale or len(kinds) > 1


def patient_need(number: int, recording: int, gap: Span, why: str) -> Need:
    """What a person is asked about one such gap. recording: index in the case."""
    return Need(
        code=PATIENT_GAP,
        message=f"recording {recording + 1}: there may be two patients in it ({why}, from "
        f"{format_time(gap.start_s)} to {format_time(gap.stop_s)}); keep only the case's own part, "
        "with keep in case.toml, or answer for it",
        source=number,
        start_s=gap.start_s,
    )
