"""Joint solve for contrast loss, camera gain, blur and airlight over a recording.

Unknown per sample: u = -ln t >= 0 (fog), g (log camera gain), b >= 0 (log
attenuation of the finest band by blur); per recording: ln A per channel.

Contrast of band k:   ln s_k = (g_j - u_j) - (g_i - u_i) - k_k (b_j - b_i)
Mean brightness:      m_j - V_j = exp((g_j - u_j) - (g_i - u_i)) (m_i - V_i)
                      V = (1 - exp(-u)) exp(g) A          (Koschmieder's law)

Gain and fog are held over breaks, where no pair tells how they changed.

Gauss-Newton with robust weights; the normal matrix is banded (one 3x3 block per
sample, as wide as the longest lag) with a border of three for the airlight.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
I64 = NDArray[np.int64]

# a Gaussian blur attenuates by exp(-(w s)^2 / 2): bands an octave apart differ by 4
BLUR_SHARE = np.array([1.0, 0.35, 0.1])
AIR_PRIOR = 0.55
AIR_PRIOR_SD = 0.4
AIR_LOW_SD = 0.1  # airlight darker than usual is less likely than a brighter one
AIRLIGHT_SD = np.array([0.1, 0.05, 1.0])
AIR_MOST, AIR_MOST_SD = 1.0, 0.02  # airlight brighter than full scale could not be seen through
AIR_TINT_SD = 0.15
GAIN_STEP_SD = 0.01
GAIN_BREAK_SD = 0.15  # the camera does not know that the view was lost; a cut costs little more
FOG_BREAK_SD = 0.02  # nor does the fog on the lens: a look elsewhere does not take it off
COMMON_0, COMMON_1 = 0.006, 0.004
TINT_0, TINT_1 = 0.003, 0.003
DARK_SLACK = 1.05
HOLD_TURNS = 6
SPARSE_FOG = 0.15
SPARSE_BLUR = 0.15


@dataclass
class Pairs:
    """Readings of all registered pairs, arrays over pairs (p,).

    i, j: sample numbers, i < j. log_ratio, log_sd: (p, 3) ln contrast of j over i
    per band. mean_i, mean_j: (p, 3) linear light of the overlap per channel.
    """

    i: I64
    j: I64
    log_ratio: F64
    log_sd: F64
    mean_i: F64
    mean_j: F64


@dataclass
class Solved:
    """u, g, b: (n,). air: (3,) linear light at g = 0. sd_u: (n,)."""

    u: F64
    g: F64
    b: F64
    air: F64
    sd_u: F64


def _rho(r2: F64, nu: float) -> F64:
    return 0.5 * nu * np.log1p(r2 / nu)


def air_sd(mean_log_air: float) -> float:
    """Standard deviation of the prior of ln A on this side of its mean."""
    return AIR_LOW_SD if mean_log_air < np.log(AIR_PRIOR) else AIR_PRIOR_SD


def solve(
    n: int,
    pairs: Pairs,
    dark: F64,
    free_step: NDArray[np.bool_],
    air0: float = AIR_PRIOR,
    iterations: int = 25,
) -> Solved:
    """Solve for n samples.

    dark: (n, 3) darkest level of each sample per channel, an upper bound of V.
    free_step: (n - 1,) True where the gain may jump (a break).
    """
    from scipy.linalg import cho_solve_banded, cholesky_banded, solve_banded

    lag = int((pairs.j - pairs.i).max()) if len(pairs.i) else 1
    bw = 3 * lag + 2
    u, g, b = np.zeros(n), np.zeros(n), np.zeros(n)
    log_air = np.full(3, np.log(air0))
    gap = (pairs.j - pairs.i).astype(float)
    has = np.isfinite(pairs.log_ratio)
    sd_c = np.sqrt(np.nan_to_num(pairs.log_sd, nan=1.0) ** 2 + (0.008 + 0.006 * gap[:, None]) ** 2)
    # airlight that brightens the picture brings its own unevenness, most in the coarse
    # band (its noise is taken off)
    brighter = np.abs(np.log((pairs.mean_j.sum(1) + 0.01) / (pairs.mean_i.sum(1) + 0.01)))
    sd_c = np.hypot(sd_c, AIRLIGHT_SD * brighter[:, None])
    lr = np.nan_to_num(pairs.log_ratio)
    sd_common = COMMON_0 + COMMON_1 * gap
    sd_tint = TINT_0 + TINT_1 * gap
    p = len(pairs.i)
    nu = 3.0
    frame = np.arange(n)
    damp = 1e-3

    def model(u: F64, g: F64, b: F64, log_air: F64, need: bool) -> tuple[float, Any]:
        air = np.exp(log_air)
        (ui, gi, bi), (uj, gj, bj) = ((u[at], g[at], b[at]) for at in (pairs.i, pairs.j))
        d = (gj - uj) - (gi - ui)
        # contrast rows
        rc = (lr - (d[:, None] - BLUR_SHARE * (bj - bi)[:, None])) / sd_c
        rc = np.where(has, rc, 0)
        # brightness rows, relative to the later mean
        vi = ((1 - np.exp(-ui)) * np.exp(gi))[:, None] * air
        vj = ((1 - np.exp(-uj)) * np.exp(gj))[:, None] * air
        ed = np.exp(np.clip(d, -4, 4))[:, None]
        e = ed * (pairs.mean_i - vi)
        norm = np.maximum(pairs.mean_j, 0.01)
        rel = (pairs.mean_j - vj - e) / norm
        mix = np.array([[1 / 3, 1 / 3, 1 / 3], [1, -1, 0], [0.5, 0.5, -1]])
        scale = np.stack([1 / sd_common, 1 / sd_tint, 1 / sd_tint], 1)
        rb = rel @ mix.T * scale
        r = np.concatenate([rc, rb], 1)
        cost = float(_rho(r**2, nu).sum())
        # gain steps
        dg = np.diff(g)
        sg = np.where(free_step, GAIN_BREAK_SD, GAIN_STEP_SD)
        cost += float((np.sqrt(1 + (dg / sg) ** 2) - 1).sum())
        du = np.diff(u)[free_step]
        cost += float((np.sqrt(1 + (du / FOG_BREAK_SD) ** 2) - 1).sum())
        cost += float((0.5 * (g / 1.5) ** 2).sum()) * 0.02
        cost += SPARSE_FOG * float(np.abs(u).sum()) + 0.5 * float(
            (np.minimum(u, 0) / 0.01) ** 2 @ np.ones(n)
        )
        cost += SPARSE_BLUR * float(np.abs(b).sum()) + 0.5 * float(
            (np.minimum(b, 0) / 0.02) ** 2 @ np.ones(n)
        )
        v = ((1 - np.exp(-u)) * np.exp(g))[:, None] * air
        over = np.maximum(0, v - dark * DARK_SLACK - 0.003) / (0.004 + 0.05 * dark)
        cost += float(_rho(over**2, nu).sum())
        mean_air = log_air.mean()
        cost += 0.5 * ((mean_air - np.log(AIR_PRIOR)) / air_sd(mean_air)) ** 2
        cost += 0.5 * (max(0.0, mean_air - np.log(AIR_MOST)) / AIR_MOST_SD) ** 2
        cost += 0.5 * float((((log_air - mean_air) / AIR_TINT_SD) ** 2).sum())
        if not need:
            return cost, None
        # Jacobians (p, 6 rows, 6 unknowns), (p, 6 rows, 3)
        jac = np.zeros((p, 6, 6))
        c = np.where(has, 1 / sd_c, 0)
        jac[:, :3, 0] = -c
        jac[:, :3, 1] = c
        jac[:, :3, 2] = -c * BLUR_SHARE
        jac[:, :3, 3] = c
        jac[:, :3, 4] = -c
        jac[:, :3, 5] = c * BLUR_SHARE
        vui = np.exp(gi - ui)[:, None] * air
        vuj = np.exp(gj - uj)[:, None] * air
        raw = np.stack([-e + ed * vui, e + ed * vi, -vuj + e, -vj - e], 2) / norm[:, :, None]
        mixed = np.einsum("rc,pcx->prx", mix, raw) * scale[:, :, None]
        jac[:, 3:, [0, 1, 3, 4]] = mixed
        ja = np.zeros((p, 6, 3))
        da = (-vj + ed * vi) / norm
        ja[:, 3:, :] = mix[None] * da[:, None, :] * scale[:, :, None]
        w = 1 / (1 + r**2 / nu)
        return cost, (r, jac, ja, w, dg, sg, v, over)

    cost, parts = model(u, g, b, log_air, True)
    chol: Any = None
    for turn in range(iterations):
        r, jac, ja, w, dg, sg, v, over = parts
        jw = jac * w[:, :, None]
        h = np.matmul(jw.transpose(0, 2, 1), jac)
        grad = -np.einsum("prx,pr->px", jw, r)
        border_p = np.matmul(jw.transpose(0, 2, 1), ja)
        haa = np.einsum("prx,pr,pry->xy", ja, w, ja)
        ga = -np.einsum("prx,pr,pr->x", ja, w, r)
        band = np.zeros((bw + 1, 3 * n))
        rhs = np.zeros(3 * n)
        border = np.zeros((3 * n, 3))
        idx = np.stack([3 * at + k for at in (pairs.i, pairs.j) for k in range(3)], 1)
        for x in range(6):
            rhs += np.bincount(idx[:, x], grad[:, x], 3 * n)
            for k in range(3):
                border[:, k] += np.bincount(idx[:, x], border_p[:, x, k], 3 * n)
            for y in range(x, 6):
                flat = (idx[:, y] - idx[:, x]) * (3 * n) + idx[:, x]
                np.add.at(band.reshape(-1), flat, h[:, x, y])
        iu, ig, ib = 3 * frame, 3 * frame + 1, 3 * frame + 2
        # gain steps
        wg = 1 / np.sqrt(1 + (dg / sg) ** 2) / sg**2
        band[0, ig[:-1]] += wg
        band[0, ig[1:]] += wg
        band[3, ig[:-1]] -= wg
        rhs[ig[:-1]] += wg * dg
        rhs[ig[1:]] -= wg * dg
        # fog held over breaks
        du = np.diff(u)
        wd = free_step / np.sqrt(1 + (du / FOG_BREAK_SD) ** 2) / FOG_BREAK_SD**2
        band[0, iu[:-1]] += wd
        band[0, iu[1:]] += wd
        band[3, iu[:-1]] -= wd
        rhs[iu[:-1]] += wd * du
        rhs[iu[1:]] -= wd * du
        band[0, ig] += 0.02 / 1.5**2
        rhs[ig] -= 0.02 / 1.5**2 * g
        # sparse, not negative
        wu = np.where(u < 0, 1e4, SPARSE_FOG / (np.abs(u) + 0.01))
        band[0, iu] += wu
        rhs[iu] -= wu * u
        wb = np.where(b < 0, 2500, SPARSE_BLUR / (np.abs(b) + 0.02))
        band[0, ib] += wb
        rhs[ib] -= wb * b
        # dark bound
        air = np.exp(log_air)
        wo = np.where(over > 0, 1 / (1 + over**2 / nu), 0)
        s = 1 / (0.004 + 0.05 * dark)
        vu = np.exp(g - u)[:, None] * air
        du, dgv = vu * s, v * s
        band[0, iu] += (wo * du * du).sum(1)
        band[0, ig] += (wo * dgv * dgv).sum(1)
        band[1, iu] += (wo * du * dgv).sum(1)
        rhs[iu] -= (wo * du * over).sum(1)
        rhs[ig] -= (wo * dgv * over).sum(1)
        border[iu] += wo * du * dgv
        border[ig] += wo * dgv * dgv
        haa += np.diag((wo * dgv * dgv).sum(0))
        ga -= (wo * dgv * over).sum(0)
        # airlight prior
        one = np.ones((3, 3)) / 3
        ha_prior = one / 3 / air_sd(float(log_air.mean())) ** 2 + (np.eye(3) - one) / AIR_TINT_SD**2
        haa += ha_prior
        ga -= ha_prior @ (log_air - np.log(AIR_PRIOR))
        beyond = float(log_air.mean()) - np.log(AIR_MOST)
        if beyond > 0:
            haa += one / 3 / AIR_MOST_SD**2
            ga -= beyond / 3 / AIR_MOST_SD**2
        # solve with the border
        ok = False
        for _try in range(5):
            lower = band.copy()
            lower[0] *= 1 + damp
            lower[0] += 1e-6
            # the lower form: the upper one is slow where the library runs threads
            chol = cholesky_banded(lower, lower=True, check_finite=False)
            sol = cho_solve_banded((chol, True), np.c_[rhs, border], check_finite=False)
            schur = haa - border.T @ sol[:, 1:]
            step_a = np.linalg.solve(schur + 1e-9 * np.eye(3), ga - border.T @ sol[:, 0])
            step_a = np.zeros(3) if turn < HOLD_TURNS else np.clip(step_a, -0.4, 0.4)
            step = sol[:, 0] - sol[:, 1:] @ step_a
            step = np.clip(step, -0.6, 0.6)
            nu_, ng_, nb_ = u + step[0::3], g + step[1::3], b + step[2::3]
            nu_, nb_ = np.maximum(nu_, -0.02), np.maximum(nb_, -0.05)
            na_ = log_air + step_a
            new_cost, _ = model(nu_, ng_, nb_, na_, False)
            if new_cost < cost:
                ok = True
                damp = max(damp * 0.3, 1e-5)
                break
            damp = damp * 8 + 1e-4
        if not ok:
            if turn < HOLD_TURNS:
                continue
            break
        gain = cost - new_cost
        u, g, b, log_air = nu_, ng_, nb_, na_
        # only the product of airlight and gain shows: the usual gain is called 1
        usual = float(np.median(g))
        g, log_air = g - usual, log_air + usual
        cost, parts = model(u, g, b, log_air, True)
        if gain < 1e-4 * max(1.0, cost) and turn >= HOLD_TURNS:
            break
    # spread: draws with the covariance of the normal matrix, airlight included
    rng = np.random.default_rng(1)
    upper = np.zeros_like(chol)
    for k in range(bw + 1):
        upper[bw - k, k:] = chol[k, : 3 * n - k]
    draws = solve_banded((0, bw), upper, rng.standard_normal((3 * n, 24)), check_finite=False)
    var = (draws[0::3] ** 2).mean(1)
    cov_a = np.linalg.inv(schur + 1e-9 * np.eye(3))
    sens = sol[0::3, 1:]
    var = var + np.einsum("na,ab,nb->n", sens, cov_a, sens)
    return Solved(np.maximum(u, 0), g, np.maximum(b, 0), np.exp(log_air), np.sqrt(var))
