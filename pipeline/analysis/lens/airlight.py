"""Fog that is there all the time a scene can be followed.

The joint solve calls the clearest picture of a scene clear. That is wrong where the
fog never left it, so each stretch that hangs together by registered pairs is asked
whether its clearest pictures look like airlight. No single cue will do: smooth bright
tissue has no dark content, pale tissue little colour. Airlight takes all three at once,
because it adds the same light everywhere (Koschmieder's law): the darkest percent comes
near the mean, the colour fades, and the contrast is small beside the mean. What is not
shown to be veiled is taken as clear, as most recordings are.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.lens.registration import LUMA

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

CLEAREST_U = 0.15  # a stretch is judged by its pictures with less fog than this
LEAST_SAMPLES = 5
# where each cue says nothing, what counts as one unit of evidence, and the most it may give
DARK_OVER_MEAN, DARK_UNIT = 0.40, 0.15
SATURATION, SATURATION_UNIT = 0.30, 0.08
CONTRAST, CONTRAST_UNIT = 0.15, 0.5  # of the coarse band over the mean; unit in ln
CUE_MOST = 2.0
LEAST_DARK = 0.45  # below it there is too much dark content, whatever the rest says
TAIL = 0.1  # share of a stretch's pictures that may speak against it
AIR_LEAST = 0.5  # the airlight may be so much less than was found


def standing_airlight(
    i: I64,
    j: I64,
    u: F64,
    gain: F64,
    air: F64,
    mean: F64,
    dark: F64,
    saturation: F64,
    contrast: F64,
) -> tuple[F64, F64, F64]:
    """Evidence of airlight that stays, how much it may hide, and how long it was seen.

    i, j: (p,) sample numbers of registered pairs. u, gain: (n,) fog as -ln t, and gain,
    both as solved. air: (3,) airlight in linear light. mean, dark: (n, 3) mean and dark
    bound in linear light. saturation: (n,). contrast: (n,) of the coarse band, linear.
    Returns (n,) evidence, -6 to 6, -6 where nothing was judged; (n,) share of contrast
    that the darkest percent allows to be hidden, 0..1; (n,) samples of the stretch.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    n = len(u)
    evidence, hidden, length = np.full(n, -3 * CUE_MOST), np.zeros(n), np.zeros(n)
    graph = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    size = np.bincount(label)
    light = np.maximum(mean @ LUMA, 1e-4)
    lowest = dark.min(1) / light
    allowed = (dark / (AIR_LEAST * gain[:, None] * air)).min(1)
    flat = contrast / light
    for part in np.flatnonzero(size >= LEAST_SAMPLES):
        all_of = label == part
        at = np.flatnonzero(all_of & (u < CLEAREST_U) & np.isfinite(lowest + saturation + flat))
        if len(at) < LEAST_SAMPLES:
            continue
        low = float(np.quantile(lowest[at], TAIL))
        if low < LEAST_DARK:
            continue
        colour = float(np.quantile(saturation[at], 1 - TAIL))
        most = float(np.quantile(flat[at], 1 - TAIL))
        cues = (
            (low - DARK_OVER_MEAN) / DARK_UNIT,
            (SATURATION - colour) / SATURATION_UNIT,
            np.log(CONTRAST / max(most, 1e-4)) / CONTRAST_UNIT,
        )
        evidence[all_of] = sum(np.clip(c, -CUE_MOST, CUE_MOST) for c in cues)
        hidden[all_of] = np.clip(np.quantile(allowed[at], TAIL), 0, 0.95)
        length[all_of] = size[part]
    return evidence, hidden, length
