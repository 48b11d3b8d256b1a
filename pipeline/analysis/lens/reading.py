"""Contrast loss and its companions, solved from the kept tables of samples and pairs."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens import airlight, explain, registration, smudge, solve
from pipeline.analysis.lens.tables import (
    CELLS,
    DARK,
    DETAIL,
    DETAIL_WEIGHT,
    F64,
    MEAN,
    PAIR_WIDTH,
    SAMPLE_WIDTH,
    SHARP,
    LensResult,
    Tables,
)
from pipeline.model.kinds.out_of_body import FOREIGN_SHARE

# evidence of airlight that stays: from here on the interval reaches up, there is no number,
# and, seen for so long, there is fog of at least so much
AIRLIGHT_MAYBE, AIRLIGHT_LIKELY, AIRLIGHT_SURE = 0.5, 3.0, 4.5
AIRLIGHT_SURE_S, AIRLIGHT_SURE_LOSS = 8.0, 0.2


def _stray(n: int, i: NDArray[np.int64], j: NDArray[np.int64], u: F64) -> NDArray[np.bool_]:
    """(n,) True in short stretches cut off from the rest where the rest is fogged.

    Such a stretch (under 5 s) has no clear picture of its own to compare with.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    out = np.zeros(n, bool)
    graph = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    size = np.bincount(label)
    for part in np.flatnonzero((size > 1) & (size < 25)):
        at = np.flatnonzero(label == part)
        around = np.r_[u[max(0, at[0] - 5) : at[0]], u[at[-1] + 1 : at[-1] + 6]]
        if len(around) and around.max() > 0.08:
            out[at] = True
    return out


def pairs_of(tables: Tables) -> solve.Pairs:
    """All pairs of the tables."""
    q = tables.pairs.reshape(-1, PAIR_WIDTH)
    head = q[:, 2:].astype(np.float64)
    i, j = q[:, 0].astype(np.int64), q[:, 1].astype(np.int64)
    return solve.Pairs(i, j, head[:, :3], head[:, 3:6], head[:, 6:9], head[:, 9:])


def cues_of(tables: Tables, fog: F64) -> explain.Cues:
    """What single moments say of anything but fog. fog: (n,) -ln of the transmission."""
    s = tables.samples.astype(np.float64).reshape(len(tables.times), SAMPLE_WIDTH)
    ways, lower = s[:, SHARP][:, :4], s[:, SHARP][:, 4]
    p, at = pairs_of(tables), tables.blocks[:, 0].astype(np.int64)
    change, weight = (tables.blocks[:, x].astype(np.float64) for x in (DETAIL, DETAIL_WEIGHT))
    with np.errstate(invalid="ignore", divide="ignore"):
        seen = explain.Moments(
            light=registration.GAMMA * np.log(np.maximum(s[:, 6], 0.02)),
            sharp=0.5 * (ways.mean(1) - lower),
            least_sharp=0.5 * (ways.min(1) - lower),
            detail=np.log(s[:, 11] / s[:, 12]),
            clipped=np.log(s[:, 8] + 0.01),
            dark=s[:, 9],
            fog=fog,
        )
    return explain.cues(p, explain.Blocks(p.i[at], p.j[at], change, weight), seen)


def solve_tables(tables: Tables) -> LensResult:
    """The series from the tables of `LensFold.tables`."""
    times, samples, _, blocks, sharp, size = tables
    n = len(times)
    s = samples.astype(np.float64).reshape(n, SAMPLE_WIDTH)
    p = pairs_of(tables)
    i, j = p.i, p.j
    near = np.zeros(max(n - 1, 0), bool)
    near[i[j - i == 1]] = True
    nan = np.full(n, np.nan)
    if n < 3 or len(i) < 2:
        loss = low = high = veiling = blur = gain = air = nan
        sure = dict.fromkeys(explain.WEIGHTS, np.zeros(n))
        smudged = covers = nan
    else:
        dark = np.where(np.isfinite(s[:, DARK]), s[:, DARK], 1.0)
        got = solve.solve(n, p, dark, ~near)
        known = np.zeros(n, bool)
        known[i] = known[j] = True
        # the solver's own spread is too small (readings of neighbours are not
        # independent), and blur takes some of the coarser contrast too
        spread = np.clip(2.5 * got.sd_u + 0.02 + 0.5 * got.b, 0.02, 5)
        known &= ~_stray(n, i, j, got.u)
        loss = np.where(known, 1 - np.exp(-got.u), np.nan)
        # sparse fog and readings in noise both err towards too little
        low = np.where(known, 1 - np.exp(-np.maximum(got.u - 1.1 * spread, 0)), np.nan)
        high = np.where(known, 1 - np.exp(-(got.u + 1.6 * spread)), np.nan)
        step_s = float(np.median(np.diff(times)))
        evidence, hidden, seen = airlight.standing_airlight(
            i, j, got.u, np.exp(got.g), got.air, s[:, MEAN], s[:, DARK], s[:, 7], s[:, 12]
        )
        high = np.where(evidence >= AIRLIGHT_MAYBE, 1 - (1 - high) * (1 - hidden), high)
        loss[evidence >= AIRLIGHT_LIKELY] = np.nan
        stands = known & (evidence >= AIRLIGHT_SURE) & (seen * step_s >= AIRLIGHT_SURE_S)
        low = np.where(stands, np.maximum(low, AIRLIGHT_SURE_LOSS), low)
        luma_air = float(got.air @ registration.LUMA)
        veiling = loss * np.exp(got.g) * luma_air
        at = blocks[:, 0].astype(np.int64)
        change = blocks[:, DETAIL].astype(np.float64)
        heard = blocks[:, DETAIL_WEIGHT].astype(np.float64)
        spells = explain.find_spells(cues_of(tables, np.where(known, got.u, 0)))
        sure = {kind: explain.sureness(spells, kind, n) for kind in explain.WEIGHTS}
        # of two witnesses the lesser: solved from pairs, and below what is usual
        with np.errstate(invalid="ignore", divide="ignore"):
            below = -explain.unusual(np.log(s[:, 11] / s[:, 12]))
        softer = np.maximum(np.minimum(got.b, below), 0)
        blur = np.where(known, 1 - np.exp(-softer), np.nan)
        for spell in spells:
            if spell.kind == "blur":
                part = slice(spell.start, spell.stop)
                blur[part] = np.fmax(blur[part], 1 - np.exp(-max(spell.depth, 0)))
        gain = np.where(known, np.exp(got.g), np.nan)
        air = np.full(n, luma_air)
        light_i, light_j = (mean[at] @ registration.LUMA for mean in (p.mean_i, p.mean_j))
        readings = smudge.Readings(
            i[at],
            j[at],
            change,
            heard,
            blocks[:, -6:].astype(np.float64).reshape(-1, 2, 3),
            np.log((light_j + 1e-4) / (light_i + 1e-4)),
        )
        foreign = np.nan_to_num(s[:, 10], nan=1.0)
        inside = foreign < max(FOREIGN_SHARE, float(np.median(foreign)) + 0.35)
        smudges = smudge.find_smudges(
            n,
            readings,
            sharp[:, :CELLS].astype(np.float64),
            sharp[:, CELLS : 2 * CELLS].astype(np.float64) * inside[:, None],
            size,
            np.where(known, got.u, 0),
            np.nan_to_num(blur),
            sharp[:, 2 * CELLS :].astype(np.float64) * inside[:, None],
        )
        smudged, covers = smudge.smudge_share(smudges, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        contrast = s[:, 12] / (s[:, MEAN] @ registration.LUMA)
        redness = np.log(s[:, 0] / s[:, 1:3].mean(1))
    f = np.float32
    return LensResult(
        time_s=times,
        contrast_loss=np.asarray(loss, f),
        contrast_loss_low=np.asarray(low, f),
        contrast_loss_high=np.asarray(high, f),
        veiling_luminance=np.asarray(veiling, f),
        contrast=np.asarray(contrast, f),
        redness=np.asarray(redness, f),
        saturation=np.asarray(s[:, 7], f),
        clipped_share=np.asarray(s[:, 8], f),
        dark_share=np.asarray(s[:, 9], f),
        level=np.asarray(s[:, 6], f),
        blur=np.asarray(blur, f),
        **{f"{kind}_sure": np.asarray(x, f) for kind, x in sure.items()},
        smudge=np.asarray(smudged, f),
        smudge_covers=np.asarray(covers, f),
        foreign_share=np.asarray(s[:, 10], f),
        break_before=np.asarray(np.r_[False, ~near][:n], f),
        gain=np.asarray(gain, f),
        airlight=np.asarray(air, f),
    )
