"""Events from the lens series alone: a new threshold needs no new measurement."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.survey import Event
from pipeline.model.time import round_s

F64 = NDArray[np.float64]
B1 = NDArray[np.bool_]

GAP_S = 0.8
DARK_EVENT_LEVEL = 0.10  # mean gamma-coded luma; or a third of the usual, up to 0.2
GLARE_SHARE = 0.25  # clipped share of the field
# or far brighter than usual, and either bright in itself or with more clipped than usual
GLARE_RATIO, GLARE_LEVEL, GLARE_CLIPPED = 1.4, 0.55, 0.05
BLUR_PEAK, BLUR_LOSS = 0.38, 0.3  # found at the first, as long as the second lasts
SMUDGE_PEAK, SMUDGE_LOSS = 0.22, 0.12  # found at the first, as long as the second lasts
FOREIGN_SHARE = 0.5
CERTAIN_LOW = 0.2  # from here on the time course is not asked
PALER_SHARE, PALER_LEAST = 0.25, 0.08  # of the colour that a veil of that brightness drains
COLOURLESS = 0.08  # saturation below which colour tells nothing
SURE_LOW = 0.03  # the interval's low end must rise this high somewhere in a fog event
# or colour fade so far: the airlight may be open, and the number with it, but not the fog
FADED_SHARE, FADED_LEAST = 0.5, 0.15
PALE, PALE_MOST_S = 0.75, 10.0  # share of the clear colour below which unknown samples stay fogged


def blur_score(b: F64, detail_ratio: F64, step_s: float) -> F64:
    """(n,) share of fine detail lost over the whole field beyond fog, 0..1.

    The smaller of two witnesses: b, ln lost as solved from pairs, and the fall of
    the fine over coarse contrast below its usual value within half a minute.
    """
    with np.errstate(all="ignore"):
        log = np.log(detail_ratio)
    filled = np.where(np.isfinite(log), log, np.nanmedian(log) if np.isfinite(log).any() else 0.0)
    usual = _median(filled, max(3, round(30 / step_s)) | 1)
    out: F64 = 1 - np.exp(-np.maximum(np.minimum(b, usual - filled), 0))
    return out


def _spans(
    on: B1, times: F64, step_s: float, gap_s: float, least_s: float
) -> list[tuple[int, int]]:
    """Index ranges [a, b) where `on` holds; gaps up to gap_s closed, short ones dropped."""
    edges = np.flatnonzero(np.diff(np.r_[0, on.astype(np.int8), 0]))
    spans: list[tuple[int, int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if spans and times[a] - (times[spans[-1][1] - 1] + step_s) <= gap_s:
            spans[-1] = (spans[-1][0], int(b))
        else:
            spans.append((int(a), int(b)))
    return [(a, b) for a, b in spans if times[b - 1] + step_s - times[a] >= least_s - 1e-6]


def find_events(
    series: dict[str, NDArray[Any]],
    fields: list[FieldSpan],
    duration_s: float,
    event_loss: float = 0.15,
    event_min_s: float = 0.5,
) -> list[Event]:
    """Disturbances decided from the series of `LensResult.series`.

    fog: contrast loss >= event_loss for >= event_min_s. Spans are half open and
    end at most at duration_s. Times without a field, in a recording that has one,
    are out_of_body. Sorted by start.
    """
    time = np.asarray(series["time_s"], np.float64)
    n = len(time)
    out: list[Event] = []
    if any(f.shape != "none" for f in fields):
        for f in fields:
            if f.shape == "none" and f.stop_s > f.start_s:
                out.append(
                    Event(
                        kind="out_of_body",
                        start_s=round_s(f.start_s),
                        stop_s=round_s(min(f.stop_s, duration_s)),
                        confidence=f.confidence,
                    )
                )
    if n == 0:
        return sorted(out, key=lambda e: e.start_s)
    step = float(np.median(np.diff(time))) if n > 1 else 0.2

    def get(name: str) -> F64:
        return np.asarray(series[name], np.float64)

    loss, low = get("contrast_loss"), get("contrast_loss_low")
    level, clipped = get("level"), get("clipped_share")
    outside = np.zeros(n, bool)
    for e in out:
        outside |= (time >= e.start_s) & (time < e.stop_s)

    def add(kind: Any, spans: list[tuple[int, int]], score: F64 | None, sure: Any) -> None:
        for a, b in spans:
            part = score[a:b] if score is not None else np.array([])
            part = part[np.isfinite(part)]
            stop = min(duration_s, float(time[b - 1]) + step)
            out.append(
                Event(
                    kind=kind,
                    start_s=round_s(float(time[a])),
                    stop_s=round_s(stop),
                    peak_loss=round(float(part.max()), 4) if len(part) else None,
                    mean_loss=round(float(part.mean()), 4) if len(part) else None,
                    confidence=round(float(np.clip(sure(a, b), 0, 1)), 3),
                )
            )

    lit = level[np.isfinite(level) & ~outside]
    usual_level = float(np.median(lit)) if len(lit) else 0.0
    dark_level = max(DARK_EVENT_LEVEL, min(0.2, 0.35 * usual_level))
    dark = (level < dark_level) & ~outside
    dark_spans = _spans(dark, time, step, GAP_S, event_min_s)
    add(
        "dark", dark_spans, None, lambda a, b: 0.6 + 0.4 * (1 - np.nanmean(level[a:b]) / dark_level)
    )
    usual = float(np.nanmedian(clipped)) if np.isfinite(clipped).any() else 0.0
    around = np.where(np.isfinite(level), level, usual_level)
    brighter = level / np.maximum(usual_level, _median(around, max(3, round(60 / step)) | 1))
    fogged = np.nan_to_num(loss) >= event_loss
    glare = (clipped > max(GLARE_SHARE, 2 * usual)) | (
        (brighter > GLARE_RATIO) & (clipped > GLARE_CLIPPED + 1.5 * usual)
    )
    glare |= (brighter > GLARE_RATIO) & (level > GLARE_LEVEL) & ~fogged
    glare &= ~outside
    glare_spans = _spans(glare, time, step, GAP_S, event_min_s)
    add("glare", glare_spans, None, lambda a, b: 0.5 + np.nanmean(clipped[a:b]))

    foreign = get("foreign_share")
    base = float(np.nanmedian(foreign)) if np.isfinite(foreign).any() else 0.0
    strange = (
        (foreign > max(FOREIGN_SHARE, base + 0.35)) & ~dark & ~(np.nan_to_num(low) > 0.1) & ~outside
    )
    strange_spans = [
        (a, b)
        for a, b in _spans(strange, time, step, 1.5, 1.0)
        if _cut_at(series, a) or _cut_at(series, b) or a == 0 or b == n
    ]
    add("out_of_body", strange_spans, None, lambda a, b: np.nanmean(foreign[a:b]))
    for a, b in strange_spans:
        outside[a:b] = True

    # very bright fog clips too: glare hides fog only where nothing could be measured
    off = dark | outside | (glare & np.isnan(loss))
    fog = (np.nan_to_num(loss) >= event_loss) & ~off
    bridge = np.isnan(loss) & ~off
    # fog that never leaves has no number, only a least one
    fog |= bridge & (np.nan_to_num(low) >= event_loss)
    # fog too dense to follow has no number, but it is still pale
    fog |= _still_pale(series, fog, np.isnan(loss) & ~dark & ~outside, step)
    fog_spans: list[tuple[int, int]] = []
    blur = np.nan_to_num(get("blur"))
    for a, b in _spans(fog | (bridge & _near(fog, int(1.0 / step))), time, step, 0.6, event_min_s):
        inside = np.flatnonzero(fog[a:b]) + a
        if len(inside) == 0:
            continue
        a, b = int(inside[0]), int(inside[-1]) + 1
        sure = float(np.nanmax(low[a:b]))
        fading = _fading(series, a, b, step)
        faded = fading is not None and fading[0] >= max(FADED_LEAST, FADED_SHARE * fading[1])
        if sure < SURE_LOW and not faded:
            continue
        if sure < CERTAIN_LOW and not _came_fast(loss, a, b, step):
            continue
        if fading is not None and fading[0] < max(PALER_LEAST, PALER_SHARE * fading[1]):
            # what looked like fog over a blurred picture is the coarser part of the blur
            part = slice(a, b)
            soft = 1 - (1 - blur[part]) * (1 - np.nan_to_num(loss[part]))
            blur[part] = np.where(blur[part] > 0.2, soft, blur[part])
            continue
        if time[b - 1] + step - time[a] >= event_min_s - 1e-6:
            fog_spans.append((a, b))
    add(
        "fog",
        fog_spans,
        loss,
        lambda a, b: 0.5 + np.nanmax(low[a:b]) / (2 * np.nanmax(np.r_[0.2, loss[a:b]])),
    )

    add(
        "blur",
        [
            (a, b)
            for a, b in _spans((blur > BLUR_LOSS) & ~off, time, step, GAP_S, event_min_s)
            if (blur[a:b] > BLUR_PEAK).sum() * step >= event_min_s - 1e-6
        ],
        blur,
        lambda a, b: np.nanmean(blur[a:b]),
    )
    smudge = get("smudge")
    # uneven fog looks alike while it lasts: a smudge is there before or after it as well
    under = np.zeros(n, bool)
    for a, b in fog_spans:
        under[max(0, a - round(1.0 / step)) : b + round(1.0 / step)] = True
    smudge = np.nan_to_num(smudge)
    smudged = (smudge > SMUDGE_LOSS) & ~off
    add(
        "smudge",
        [
            (a, b)
            for a, b in _spans(smudged, time, step, 2.0, 2.0)
            if not _rest_of_fog(a, b, fog_spans, round(1.0 / step))
            and ((smudge[a:b] >= SMUDGE_PEAK) & ~under[a:b]).any()
            and (smudged[a:b] & ~under[a:b]).sum() * step >= 2.0 - 1e-6
        ],
        smudge,
        lambda a, b: 0.4 + np.nanmax(smudge[a:b]),
    )
    return sorted(out, key=lambda e: (e.start_s, e.kind))


def _rest_of_fog(a: int, b: int, fog: list[tuple[int, int]], near: int) -> bool:
    """True if samples [a, b) began with fog and ended soon after: its last uneven rest.

    Fog thins out slowly, so what is left of it may last as long again.
    """
    return any(fa - near <= a < fb and b < 2 * fb - fa + near for fa, fb in fog)


def _came_fast(loss: F64, a: int, b: int, step_s: float) -> bool:
    """True if most of the loss of samples [a, b) came within about three seconds.

    Fog comes in a second or two; a drift of the estimate over changing tissue takes
    longer. True as well where the time before is unknown.
    """
    before = loss[max(0, a - round(2.0 / step_s)) : a]
    after = loss[a : min(b, a + round(1.4 / step_s) + 1)]
    before = before[np.isfinite(before)]
    if len(before) < 3:
        return True
    peak = float(np.nanmax(loss[a:b]))
    return float(np.nanmax(after)) - float(before.min()) >= 0.6 * peak


def _fading(
    series: dict[str, NDArray[Any]], a: int, b: int, step_s: float
) -> tuple[float, float] | None:
    """Share of colour lost in samples [a, b), and the share that the veil should take.

    A veil V in a picture of mean M takes about V / M of the saturation; blur and
    exposure take none. None where there is nothing to compare with.
    """
    if "saturation" not in series or "veil_level" not in series:
        return None
    loss = np.nan_to_num(np.asarray(series["contrast_loss"], np.float64), nan=1.0)
    colour = np.asarray(series["saturation"], np.float64)
    clear = _clear_colour(colour, loss, a, b, step_s)
    if clear is None:
        return None
    light = np.asarray(series["level"], np.float64)[a:b] ** 2.2
    veil = np.asarray(series["veil_level"], np.float64)[a:b]
    with np.errstate(all="ignore"):
        drained = np.clip(veil / np.maximum(light, 1e-3), 0, 0.95)
        faded = 1 - colour[a:b] / clear
    known = np.isfinite(drained) & np.isfinite(faded)
    weight = loss[a:b] * known
    if weight.sum() <= 0:
        return None
    expected = float((weight * np.nan_to_num(drained)).sum() / weight.sum())
    found = float((weight * np.nan_to_num(faded)).sum() / weight.sum())
    return found, expected


def _clear_colour(colour: F64, loss: F64, a: int, b: int, step_s: float) -> float | None:
    """Usual saturation of clear samples within 10 s of [a, b); None if too few or colourless."""
    part = slice(max(0, a - round(10 / step_s)), b + round(10 / step_s))
    clear = colour[part][(loss[part] < 0.08) & np.isfinite(colour[part])]
    usual = float(np.median(clear)) if len(clear) >= 5 else 0.0
    return usual if usual >= COLOURLESS else None


def _still_pale(series: dict[str, NDArray[Any]], fog: B1, unknown: B1, step_s: float) -> B1:
    """(n,) True in unknown samples beside fogged ones for as long as the colour stays faded."""
    out = np.zeros(len(fog), bool)
    if "saturation" not in series or not fog.any():
        return out
    loss = np.asarray(series["contrast_loss"], np.float64)
    colour = np.asarray(series["saturation"], np.float64)
    most = round(PALE_MOST_S / step_s)
    edges = np.flatnonzero(np.diff(np.r_[0, unknown.astype(np.int8), 0]))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        before, after = a > 0 and fog[a - 1], b < len(fog) and fog[b]
        if not (before or after):
            continue
        clear = _clear_colour(colour, loss, a, b, step_s)
        if clear is None:
            continue
        vivid = np.flatnonzero(~(colour[a:b] < PALE * clear))
        if before:
            out[a : min(a + most, a + int(vivid[0]) if len(vivid) else b)] = True
        if after:
            out[max(b - most, a + int(vivid[-1]) + 1 if len(vivid) else a) : b] = True
    return out


def _near(on: B1, reach: int) -> B1:
    """True within `reach` samples of a true one, on both sides."""
    if not on.any():
        return on
    at = np.flatnonzero(on)
    k = np.arange(len(on))
    right = np.searchsorted(at, k)
    before = np.where(right > 0, k - at[np.maximum(right - 1, 0)], len(on))
    after = np.where(right < len(at), at[np.minimum(right, len(at) - 1)] - k, len(on))
    out: B1 = (before <= reach) & (after <= reach)
    return out


def _median(x: F64, width: int | tuple[int, int]) -> F64:
    from scipy.ndimage import median_filter

    out: F64 = median_filter(x, size=width, mode="nearest")
    return out


def _cut_at(series: dict[str, NDArray[Any]], k: int) -> bool:
    """True if the view was lost within two samples of k."""
    cut = np.asarray(series["break_before"], np.float64)
    return bool(np.nan_to_num(cut[max(0, k - 2) : k + 3]).any())


def recovery_time_constant_s(series: dict[str, NDArray[Any]], event: Event) -> float | None:
    """Time constant in s of an exponential fitted to the loss from its peak to its end.

    How fast the tip warms. None where the fog does not fall, or too little is known.
    """
    time = np.asarray(series["time_s"], np.float64)
    loss = np.asarray(series["contrast_loss"], np.float64)
    sel = (time >= event.start_s) & (time < event.stop_s + 6.0) & np.isfinite(loss)
    if sel.sum() < 4:
        return None
    t, x = time[sel], loss[sel]
    inside = t < event.stop_s
    if inside.sum() < 2:
        return None
    top = float(x[inside].max())
    start = int(np.flatnonzero(inside & (x >= 0.9 * top))[-1])
    t, x = t[start:], x[start:]
    low = np.flatnonzero((x < 0.1 * top) | ((t > event.stop_s) & (x > 0.5 * top)))
    if len(low):
        t, x = t[: low[0]], x[: low[0]]
    if len(t) < 3 or x[-1] > 0.7 * x[0]:
        return None
    u = np.maximum(x, 0.02)
    slope = float(np.polyfit(t - t[0], np.log(u), 1, w=u)[0])
    return -1 / slope if slope < -1e-3 else None
