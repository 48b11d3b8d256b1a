"""How likely a form is the field within 2 % of the height.

What speaks for and against it is put into one logistic sum. Its weights were fitted once, on
generated recordings set apart (`tests/benchmarks/field.py` tells how often it is right).
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.analysis.field.rays import EDGE_PX, RAY_WEIGHT, RAYS, Points, Table, steps
from pipeline.analysis.field.shapes import Form, is_round, valued

OFF_RATIO = 0.02  # of the height: a form that differs by more is another answer
RIVAL_RATIO = 0.01  # the same of a rival, each of them known to as much
UNSURE = 0.85  # the most where something speaks against a form that the evidence does not hold
STEP_PX = 3
CODEC_LEVELS = 2.0  # a codec makes rims of so few levels by itself


def differs(t: Table, form: Form, parts: Points) -> bool:
    """Are these parts another answer than the form: of another kind, or RIVAL_RATIO off?"""
    rival = Form(parts)
    size = t.height_px, t.width_px
    return bool(
        is_round(parts, *size).any() != is_round(form.parts, *size).any()
        or np.abs(rival.radius(t) - form.radius(t)).max() > RIVAL_RATIO * t.height_px
    )


def evidence(t: Table, form: Form, others: list[Points]) -> Points:
    """What speaks for and against a form, as `WEIGHTS` takes it; others: forms tried as well."""
    k = steps(t, form.radius(t))
    row = np.arange(RAYS)
    rivals = [valued(t, o).worth for o in others if differs(t, form, o)]
    lead = form.worth - max(rivals, default=-math.inf)
    column = np.arange(t.worth.shape[1])[None]
    pixels = t.worth - np.float32(RAY_WEIGHT) * t.step
    inside = (column <= k[:, None]) & (column > 0)
    dark = np.where(inside, pixels, -np.inf).max(axis=1) - pixels[row, k]
    gain = t.worth.max(axis=1) - t.worth[row, k]
    return np.array([
        1.0,
        math.log1p(max(float(dark.sum()), 0.0)),  # nats of what is dark within it
        math.log1p(float(gain.sum())),  # nats that a boundary of any shape would gain
        len(form.parts) / 4,
        math.log1p(min(max(lead, 0.0), MOST_LEAD)),  # nats over the best other answer
    ])  # fmt: skip


# Fitted to 864 fields of 765 generated recordings, a wrong one counted four times (ridge 0.5).
WEIGHTS = np.array([4.34, -0.57, -1.25, -1.46, 1.08])
MOST_LEAD = 1e3  # nats: more says no more


def step_levels(t: Table, form: Form) -> float:
    """Median height of the step at the form's boundary inside the frame, levels."""
    k = steps(t, form.radius(t))
    own = np.flatnonzero(form.radius(t) < t.exit_px - EDGE_PX)
    last = t.level.shape[1] - 1
    inside, outside = (t.level[own, np.clip(k[own] + d, 0, last)] for d in (-STEP_PX, STEP_PX))
    return float(np.median(inside - outside)) if own.size else 0.0


def confidence(t: Table, form: Form, others: list[Points]) -> float:
    """Chance, 0..1, that the form is the field: of its kind, and within OFF_RATIO."""
    chance = float(1 / (1 + math.exp(-float(WEIGHTS @ evidence(t, form, others)))))
    return chance if step_levels(t, form) >= CODEC_LEVELS else min(chance, UNSURE)
