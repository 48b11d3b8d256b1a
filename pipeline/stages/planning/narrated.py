"""The narration on the axes of case and clip: its spans, its part of a clip, its captions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.analysis.sound.voice_cut import heard_part
from pipeline.model.caption_layout import MOST_PER_S, laid_out, too_fast
from pipeline.model.plan import Caption, Need
from pipeline.model.time import Span, format_time, merge_spans, round_s
from pipeline.model.timeline import Timeline
from pipeline.stages.planning.given import NarrationInput
from pipeline.stages.planning.levels import HOP_S


def narration_case_spans(narration: NarrationInput, start_s: float) -> list[Span]:
    """Narrated spans in case time; what lies before `start_s` is lost and said so elsewhere."""
    spans = [narration.in_case(s) for s in narration.spans]
    return merge_spans(Span(max(start_s, a), b) for a, b in spans if b > start_s)


def narration_of_part(
    narration: NarrationInput | None, part: Span, warnings: list[str]
) -> tuple[NarrationInput | None, Span]:
    """The narration with nothing outside the part of it that is heard, and that part of case time.

    A word is not heard by half where a pause is near; what is left out is said.
    """
    if narration is None:
        return None, part
    spoken = [narration.in_case(s) for s in narration.spans]
    heard = heard_part(part, spoken, narration.hop_power, narration.offset_s, HOP_S)
    hop_s = narration.offset_s + HOP_S * (np.arange(len(narration.hop_power)) + 0.5)
    inside = (hop_s >= heard.start_s) & (hop_s < heard.stop_s)
    for edge_s, at_s, what in ((part.start_s, heard.start_s, "begins"),
                               (part.stop_s, heard.stop_s, "ends")):  # fmt: skip
        if any(s.start_s + 0.02 < edge_s < s.stop_s - 0.02 for s in spoken):
            near = f"it {what} at {format_time(at_s)}" if at_s != edge_s else "a word is cut"
            warnings.append(f"the clip {what} while the narrator speaks: {near}")
    power = np.where(inside, narration.hop_power, 0).astype(np.float32)
    return replace(narration, hop_power=power), heard


def heard_in_clip(timeline: Timeline, heard: Span | None) -> tuple[float, float] | None:
    """`heard` of case time on the clip's axis, from its first moment to its last."""
    if heard is None:
        return None
    shown = timeline.clip_of_case([heard])
    return (round_s(shown[0].start_s), round_s(shown[-1].stop_s)) if shown else (0.0, 0.0)


def captions_of(narration: NarrationInput, timeline: Timeline, heard: Span | None) -> list[Caption]:
    """The narrator's words on the clip's axis.

    They are laid out to be read (`model.caption_layout`). A cue of which less than half is
    heard is left out: most of its words were cut.
    """
    out = []
    for start_s, stop_s, text in narration.captions:
        a, b = narration.in_case((start_s, stop_s))
        cue: Span | None = Span(max(0.0, a), b)
        if heard is not None and cue is not None:
            cue = cue.overlap(heard)
        told = cue is not None and b > timeline.case.start_s
        shown = timeline.clip_of_case([cue]) if cue is not None and told else []
        if sum(span.length_s for span in shown) < 0.5 * (stop_s - start_s):
            continue
        for span in shown:
            out.append(Caption(start_s=round_s(span.start_s), stop_s=round_s(span.stop_s),
                               text=text))  # fmt: skip
    return laid_out(sorted(out, key=lambda c: (c.start_s, c.stop_s)))


def caption_warnings(captions: Sequence[Caption]) -> list[str]:
    """What is too fast to be read."""
    fast = too_fast(captions)
    if not fast:
        return []
    return [
        f"{len(fast)} {'caption is' if len(fast) == 1 else 'captions are'} read faster than"
        f" {MOST_PER_S:g} characters a second, the first at {format_time(fast[0].start_s)}:"
        " shorten the words, or give them more time"
    ]


def narration_damage_needs(narration: NarrationInput | None, heard: Span | None) -> list[Need]:
    """A person listens to what is left of a damaged narration, in `heard` of case time."""
    spans = [narration.in_case(d) for d in narration.damage] if narration is not None else []
    if heard is not None:
        spans = [s for d in spans if (s := d.overlap(heard)) is not None]
    if not spans:
        return []
    told = ", ".join(f"{format_time(max(0.0, a))} to {format_time(b)}" for a, b in spans[:5])
    more = f" and at {len(spans) - 5} more places" if len(spans) > 5 else ""
    return [
        Need(
            code="damage",
            message=f"the narration is damaged from {told}{more}; it is silent there: listen to"
            " what is left, or give a whole copy of the file",
            start_s=max(0.0, spans[0].start_s),
        )
    ]
