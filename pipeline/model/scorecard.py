"""How complete a clip is as a teaching video: nine items of 0, 1 or 2 points. Pure.

After the LAP-VEGaS video assessment tool (Celentano et al., Surg Endosc 2021;35:1362-1369,
doi 10.1007/s00464-020-07517-4: nine items, each 0 not presented, 1 partly, 2 extensively; the
guidelines behind it: Ann Surg 2018;268:920-926). The items are given here in our words, from
memory, for a clip of an endoscopic clinic; what counts as 1 and 2 is ours. It counts what is
there, and cannot tell whether it is good.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.plan import Plan
from pipeline.model.release import Sheet
from pipeline.model.time import Span, merge_spans
from pipeline.model.timeline import Timeline

MOST = 18
CLEAR, MOSTLY_CLEAR = 0.95, 0.8  # share of the clip without a disturbance that was kept


@dataclass(frozen=True)
class Item:
    """points: 0, 1 or 2. lacks: what would give more; empty at 2."""

    name: str
    points: int
    lacks: str = ""


@dataclass(frozen=True)
class Scorecard:
    items: tuple[Item, ...]

    @property
    def total(self) -> int:
        return sum(item.points for item in self.items)

    def as_json(self) -> dict[str, object]:
        rows = [{"item": i.name, "points": i.points, "lacks": i.lacks} for i in self.items]
        return {"total": self.total, "of": MOST, "items": rows}


def scorecard(sheet: Sheet, plan: Plan, stills: int) -> Scorecard:
    """stills: how many lie beside the clip."""
    said, value = sheet.teaching, sheet.measured is not None
    cards = sum(p.kind == "card" for p in plan.pieces)
    clear = clear_share(plan)
    return Scorecard((
        _of("title, author's role, kind of institution", bool(sheet.title),
            bool(said.author and said.institution), "`author` and `institution` in [teaching]",
            "a `title`"),
        _of("presentation of the case", bool(said.indication or sheet.sides),
            bool(said.indication and sheet.sides), "`indication` in [teaching] and a `side`"),
        _of("position, approach, anaesthesia", bool(said.setting), bool(said.setting),
            "`setting` in [teaching]"),
        _of("step by step", bool(sheet.chapters), len(sheet.chapters) >= 3,
            "chapters for three steps or more"),
        _of("findings shown", bool(said.findings or sheet.chapters),
            bool(said.findings and sheet.sides), "`findings` in [teaching] and a `side`"),
        _of("outcome", bool(said.outcome) or value, bool(said.outcome) and value,
            "`outcome` in [teaching] and a [measured] value"),
        _of("further aids", bool(cards or stills or said.objective),
            bool(cards or stills) and bool(said.objective),
            "`objective` in [teaching], and cards or stills"),
        _of("commentary", bool(plan.narration), bool(plan.narration) and sheet.captions is not None,
            "a narration with captions"),
        _of("clear picture", clear >= MOSTLY_CLEAR, clear >= CLEAR,
            f"{100 * (1 - clear):.0f} % of the clip is disturbed: cut or hold it"),
    ))  # fmt: skip


def _of(name: str, some: bool, all_of_it: bool, lacks: str, first: str = "") -> Item:
    """first: what is missing where not even some is there."""
    if some and all_of_it:
        return Item(name, 2)
    return Item(name, 1, lacks) if some else Item(name, 0, first or lacks)


def clear_share(plan: Plan) -> float:
    """Share of the clip's time without a disturbance that a person or the settings kept."""
    timeline, kept = Timeline(pieces=plan.pieces), list[Span]()
    for edit in plan.edits:
        if edit.action == "keep":
            kept += timeline.clip_of_source(edit.source, [(edit.start_s, edit.stop_s)])
    lost_s = sum(span.length_s for span in merge_spans(kept))
    return 1.0 - lost_s / plan.duration_s if plan.duration_s else 0.0
