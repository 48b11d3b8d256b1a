"""The scope field of a recording: a fold over sampled pictures.

`blocks` pools the pictures, `states` chooses the fields of all blocks at once, `trust`
says how sure each is.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.field.blocks import BLOCK_SAMPLES, Block, Pooling, pooled, unpack
from pipeline.analysis.field.outline import span_of
from pipeline.analysis.field.rays import Points
from pipeline.analysis.field.shapes import NO_PARTS, Form, is_round, valued
from pipeline.analysis.field.states import (
    LEAD,
    SAME_RATIO,
    Seen,
    candidates,
    chosen,
    difference_ratio,
    look,
    views,
    worth_in,
)
from pipeline.analysis.field.trust import OFF_RATIO, UNSURE, confidence
from pipeline.model.field import FieldSpan, whole_picture

SHORT_S = 2.0  # a field that shows no longer, beside others, is one that a zoom passes
WANDER_RATIO = 0.02  # of the height: the most that a wandering field moves from one to the next
SURE, SURE_NONE = 0.9, 0.95
LEAD_FIELD = 40.0  # nats: the same of a field that the recording shows elsewhere
LIT_LEVELS = 8.0  # over the surround: the frame's edge is lit
# Motion of a corner's tip over that of the frame's border, at its highest. Of 12 discs that
# cut only corners the stillest tip reached 0.44, of 12 dark pictures without a field 11 had
# 0.49 or more.
STILL_TIP = 0.46
HALF = 0.5  # of 1: a border that is lit less than so surely is dark
DIM_RATIO = 0.6  # of the brightness of others: a block is much dimmer


class FieldFold(Pooling):
    """Finds the scope field of one recording.

    Call `step` with pictures in time order, about SAMPLE_RATE_HZ times a
    second, then `finish` once.
    """

    def finish(self, duration_s: float) -> list[FieldSpan]:
        """The field over [0, duration_s), in pixels of the full working picture.

        Spans are contiguous. 'none' means that the picture fills the frame, or,
        where the recording has a field elsewhere, that it is not seen here.
        """
        if self._frames:
            self._close()
        blocks = self._blocks
        if not blocks:
            return [whole_picture(self._width_px, self._height_px, 0.0, duration_s, 0.0)]
        seen = views(blocks)
        states = candidates(blocks, seen)
        path = chosen(blocks, seen, states)
        fields = {k: self._field(k, path, seen, states) for k in sorted(set(path) - {-1})}
        fields = self._of_one_cut(path, fields)
        runs = runs_of(blocks, self._each(path, seen, states, fields))
        return _cover(on_the_way(runs), duration_s)

    def _field(
        self, k: int, path: list[int], seen: list[Seen | None], states: list[Points]
    ) -> tuple[Seen, float]:
        """A field fitted to all blocks that show it, and how sure it is."""
        mine = [i for i, state in enumerate(path) if state == k and seen[i] is not None]
        both = look(*pooled([self._blocks[i] for i in mine]), states[k])
        first = seen[mine[0]]
        assert first is not None
        if both is None or not len(both.form.parts):
            both = Seen(first.table, valued(first.table, states[k]))
        tried = [f.parts for i in mine for f in (seen[i] or first).tried]
        others = [*states, *(f.parts for f in both.tried), *tried]
        return both, confidence(both.table, both.form, [*filter(len, others), NO_PARTS])

    def _of_one_cut(
        self, path: list[int], fields: dict[int, tuple[Seen, float]]
    ) -> dict[int, tuple[Seen, float]]:
        """A stop does not come and go on one circle: the smaller field is not sure.

        Nor is what fewer samples show: darkness may hide a part of the picture, and what is
        lit beside it may seem to be one.
        """
        samples = {
            k: sum(b.samples for b, at in zip(self._blocks, path, strict=True) if at == k)
            for k in fields
        }
        out = dict(fields)
        for k, (seen, sure) in fields.items():
            for other, (rival, trust) in fields.items():
                if other == k or trust < min(sure, UNSURE) or not self._one_circle(seen, rival):
                    continue
                inside = Form(rival.form.parts).radius(seen.table)
                smaller = (inside - seen.form.radius(seen.table)).sum() > 0
                if smaller or samples[other] >= samples[k]:
                    out[k] = (seen, min(sure, UNSURE))
        return out

    def _one_circle(self, one: Seen, two: Seen) -> bool:
        """Are two fields one circle, cut in two ways?"""
        discs = [s.form.parts[is_round(s.form.parts, self._h, self._w)] for s in (one, two)]
        if any(len(d) != 1 for d in discs):
            return False
        alike = bool(np.abs(discs[0] - discs[1]).max() < SAME_RATIO * self._h)
        apart = difference_ratio(one.form.parts, two.form.parts, self._h, self._w)
        return alike and apart > OFF_RATIO

    def _each(
        self, path: list[int], seen: list[Seen | None], states: list[Points],
        fields: dict[int, tuple[Seen, float]],
    ) -> list[FieldSpan]:
        """A span without times for each block; one and the same where the field is."""
        h, w = self._h, self._w
        size = (h, w, self._width_px, self._height_px)
        every = whole_picture(self._width_px, self._height_px, 0.0, 0.0, SURE_NONE)
        sure = nones(self._blocks, path, seen, states)
        levels = {c: every.model_copy(update={"confidence": c}) for c in sorted(set(sure))}
        spans = {
            k: span_of(s.shown(), s.table.x, s.table.y, *size, sure)
            for k, (s, sure) in fields.items()
        }
        loose = wandering(path, fields, h, w)
        out = []
        for k, s, c in zip(path, seen, sure, strict=True):
            span = spans[k] if k >= 0 else levels[c]
            if k in loose and s is not None:
                parts = fields[k][0].form.parts
                alike = difference_ratio(s.form.parts, parts, h, w) < SAME_RATIO
                if alike and len(s.form.parts) == len(parts):
                    span = span_of(s.shown(), s.table.x, s.table.y, *size, span.confidence)
            out.append(span)
        return out


def nones(
    blocks: list[Block], path: list[int], seen: list[Seen | None], states: list[Points]
) -> list[float]:
    """(block,) how sure it is that no field is seen in each block, where its path is -1.

    Nothing lit, or something drawn, shows none. Elsewhere the picture must reach the frame's
    edge, and neither a form of its own nor a field of the recording explain it about as well.
    """
    known = [states[k] for k in sorted(set(path) - {-1})]
    rivals, least = (known, LEAD_FIELD) if known else (states, LEAD)
    close = [
        s is not None and (s.lead() < LEAD or any(
            valued(s.table, NO_PARTS).worth - worth_in(s, parts) < least for parts in rivals
        ))
        for s in seen
    ]
    if known:
        out = [SURE_NONE] * len(blocks)
        for run in np.split(np.arange(len(path)), np.flatnonzero(np.diff(path)) + 1):
            for i in run:
                # a bright room says nothing of a dim field
                most = blocks[i].bright / DIM_RATIO
                sure = SURE_NONE * _lit([blocks[k] for k in run if blocks[k].bright <= most])
                if seen[i] is not None:
                    out[i] = min(sure, UNSURE if close[i] else 1.0)
        return out
    # blocks with a dark border are judged without those that are lit all over
    share = _fills(blocks)
    lit = [b.bright for b in blocks if _lit([b]) >= HALF]
    least = DIM_RATIO * float(np.median(lit)) if lit else math.inf
    dark = [
        b for b, s in zip(blocks, seen, strict=True)
        if s is not None and _lit([b]) < HALF and (len(s.form.parts) or b.bright < least)
    ]
    less = min(share, _fills(dark)) if dark else share
    less = less if less < share - 0.1 else share
    most = UNSURE if any(close) else 1.0
    return [min(most, less if any(b is d for d in dark) else share) for b in blocks]


def wandering(
    path: list[int], fields: dict[int, tuple[Seen, float]], h: int, w: int
) -> set[int]:
    """Fields in rows of three and more, each a little off the one before: the picture drifts."""
    order = [k for i, k in enumerate(path) if k >= 0 and (not i or path[i - 1] != k)]
    out: set[int] = set()
    row = order[:1]
    for a, b in pairwise([*order, -1]):
        one = fields[a][0].form.parts
        if b >= 0 and difference_ratio(one, fields[b][0].form.parts, h, w) < WANDER_RATIO:
            row.append(b)
            continue
        if len(set(row)) >= 3:
            out |= set(row)
        row = [b]
    return out


Run = tuple[float, float, FieldSpan]  # first and last sample, field


def runs_of(blocks: list[Block], spans: list[FieldSpan]) -> list[Run]:
    """Runs of blocks with one and the same span."""
    out: list[Run] = []
    for b, span in zip(blocks, spans, strict=True):
        if out and out[-1][2] is span:
            out[-1] = (out[-1][0], b.stop_s, span)
        else:
            out.append((b.start_s, b.stop_s, span))
    return out


def _unsure(span: FieldSpan) -> FieldSpan:
    return span.model_copy(update={"confidence": min(span.confidence, UNSURE)})


def on_the_way(runs: list[Run]) -> list[Run]:
    """Short runs unlike the fields before and after them are not sure: a zoom is running.

    Nor is the sample on either side: the zoom began or ended within it. Where nothing
    explains a run between two different fields, the block on either side is not sure: as
    much of the zoom may lie in it unseen.
    """
    step_s = 1 / FieldFold.SAMPLE_RATE_HZ
    reach: dict[int, int] = {}  # run in which a zoom may run: samples on either side
    for i in range(1, len(runs) - 1):
        (_, _, before), (start, stop, span), (_, _, after) = runs[i - 1 : i + 2]
        if "none" in (before.shape, after.shape):
            continue
        if span.shape == "none":
            if span.confidence < SURE and _jump(before, after) > SAME_RATIO:
                reach[i] = BLOCK_SAMPLES
        elif stop - start <= SHORT_S and min(_jump(span, f) for f in (before, after)) > SAME_RATIO:
            reach[i] = 1
    out: list[Run] = []
    for i, (start, stop, span) in enumerate(runs):
        first, last = (reach.get(k, 0) * step_s for k in (i - 1, i + 1))
        if i in reach or stop - start < first + last:
            out.append((start, stop, _unsure(span)))
            continue
        if first:
            out.append((start, start + first - step_s, _unsure(span)))
        out.append((start + first, stop - last, span))
        if last:
            out.append((stop - last + step_s, stop, _unsure(span)))
    return out


def _jump(a: FieldSpan, b: FieldSpan) -> float:
    """How far apart two fields' centres and radii are, of the frame's height."""
    away = np.hypot(a.center_x_px - b.center_x_px, a.center_y_px - b.center_y_px)
    return float(away + abs(a.radius_px - b.radius_px)) / max(a.bottom_px, b.bottom_px)


def _cover(runs: list[Run], duration_s: float) -> list[FieldSpan]:
    """Spans without gaps over [0, duration_s); changes lie midway between samples."""
    out: list[FieldSpan] = []
    start = 0.0
    for i, (_, last, span) in enumerate(runs):
        stop = duration_s if i == len(runs) - 1 else (last + runs[i + 1][0]) / 2
        stop = min(round(stop, 6), duration_s)
        if stop > start:
            out.append(span.model_copy(update={"start_s": start, "stop_s": stop}))
            start = stop
    return out


def _lit(blocks: list[Block]) -> float:
    """How surely the picture reaches the frame's edge, 0..1: that is lit at some time."""
    shown = [b.evidence for b in blocks if b.evidence is not None]
    if not shown:
        return 1.0
    high: NDArray[np.uint8] = np.max(shown, axis=0)
    free = sum(b.samples for b in blocks if b.evidence is None)
    free_ratio = free / sum(b.samples for b in blocks)
    edge = unpack(np.concatenate([high[2], high[-3], high[:, 2], high[:, -3]]))
    share = float((edge > LIT_LEVELS).mean())
    tips = unpack(np.stack([high[::a, ::b][:5, :5] for a in (1, -1) for b in (1, -1)]))
    dark = (np.log2(1 + tips / 3).mean(axis=(1, 2)) < 1.0).sum()
    if dark >= 2 and free_ratio < 0.2:
        share = min(share, 0.65)
    return min(max((max(share, free_ratio) - 0.5) / 0.3, 0.0), 1.0)


def _fills(blocks: list[Block]) -> float:
    """Confidence that the picture fills the frame.

    A disc a little larger than the frame cuts nothing but the tips of its corners: they
    stand still, dark or not, while the picture along the frame moves.
    """
    moves = [b.tips for b in blocks if b.evidence is not None and b.tips is not None]
    still = bool(moves) and float(np.max(moves, axis=0).min()) < STILL_TIP
    return (UNSURE if still else SURE_NONE) * _lit(blocks)
