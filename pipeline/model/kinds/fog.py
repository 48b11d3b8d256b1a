"""Fog on the lens: airlight over the whole field that comes in a second or so and clears."""

from __future__ import annotations

import numpy as np

from pipeline.model.kinds.kind import B1, F64, Evidence, Found, Kind, Range, hidden

CERTAIN_LOW = 0.2  # below it two of three speak for fog: interval, time course, colour
PALER_SHARE, PALER_LEAST = 0.25, 0.08  # of the colour that airlight of that brightness drains
COLOURLESS = 0.08  # saturation below which colour tells nothing
SURE_LOW = 0.03  # the interval's low end rises this high somewhere in the event
# colour fades so far: the airlight may be open, and the number with it, but not the fog
FADED_SHARE, FADED_LEAST = 0.5, 0.15
PALE, PALE_MOST_S = 0.75, 10.0  # share of the clear colour below which unknown samples stay fogged
JOIN_S = 0.6


def find(seen: Evidence) -> Found:
    """Contrast loss >= event_loss for >= event_min_s."""
    loss, low = seen.get("contrast_loss"), seen.get("contrast_loss_low")
    least = seen.options["event_loss"]
    # very bright fog clips too: glare hides fog only where nothing could be measured
    off = hidden(seen)
    fog = (np.nan_to_num(loss) >= least) & ~off
    bridge = np.isnan(loss) & ~off
    # fog that never leaves has no number, only a least one
    fog |= bridge & (np.nan_to_num(low) >= least)
    # fog too dense to follow has no number, but it is still pale
    unseen = seen.found("dark").on | seen.found("out_of_body").on
    fog |= _still_pale(seen, fog, np.isnan(loss) & ~unseen)
    spans: list[Range] = []
    turned_down: list[Range] = []
    near = _near(fog, int(1.0 / seen.step_s))
    for first, last in seen.spans(fog | (bridge & near), JOIN_S):
        inside = np.flatnonzero(fog[first:last]) + first
        if len(inside) == 0:
            continue
        a, b = int(inside[0]), int(inside[-1]) + 1
        sure = float(np.nanmax(low[a:b]))
        fading = _fading(seen, a, b)
        faded = fading is not None and fading[0] >= max(FADED_LEAST, FADED_SHARE * fading[1])
        if sure < CERTAIN_LOW:
            witnesses = (sure >= SURE_LOW) + faded + _came_fast(loss, a, b, seen.step_s)
            if witnesses < 2:
                continue
        if fading is not None and fading[0] < max(PALER_LEAST, PALER_SHARE * fading[1]):
            turned_down.append((a, b))
        elif seen.stop_s(b) - seen.time_s[a] >= seen.least_s - 1e-6:
            joins = bool(spans) and _blind(seen, spans[-1][1], a)
            spans.append((spans.pop()[0] if joins else a, b))

    def confidence(a: int, b: int) -> float:
        return float(0.5 + np.nanmax(low[a:b]) / (2 * np.nanmax(np.r_[0.2, loss[a:b]])))

    return Found(fog, spans, loss, confidence, turned_down)


def _blind(seen: Evidence, a: int, b: int) -> bool:
    """True if it is too bright or dark to see that fog goes on in samples [a, b)."""
    blind = seen.found("dark").on | seen.found("glare").on
    seen_s, unseen_s = (x * seen.step_s for x in ((~blind[a:b]).sum(), blind[a:b].sum()))
    return bool(seen_s <= JOIN_S and 0 < unseen_s <= PALE_MOST_S)


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


def _fading(seen: Evidence, a: int, b: int) -> tuple[float, float] | None:
    """Share of colour lost in samples [a, b), and the share that the airlight should take.

    Airlight V in a picture of mean M takes about V / M of the saturation; blur and
    exposure take none. Each view is compared with its own clear samples, if it has some: other
    tissue has another colour. None where there is nothing to compare with.
    """
    if "saturation" not in seen.series or "veiling_luminance" not in seen.series:
        return None
    loss = np.nan_to_num(seen.get("contrast_loss"), nan=1.0)
    colour = seen.get("saturation")
    clear = np.full(b - a, np.nan)
    usual = _clear_colour(colour, loss, a, b, seen.step_s)
    view = np.cumsum(np.nan_to_num(seen.get("break_before")))
    for of in np.unique(view[a:b]):
        own = _clear_colour(np.where(view == of, colour, np.nan), loss, a, b, seen.step_s)
        clear[view[a:b] == of] = own or usual or np.nan
    if not np.isfinite(clear).any():
        return None
    light, veiling = seen.get("level")[a:b] ** 2.2, seen.get("veiling_luminance")[a:b]
    with np.errstate(all="ignore"):
        drained = np.clip(veiling / np.maximum(light, 1e-3), 0, 0.95)
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


def _still_pale(seen: Evidence, fog: B1, unknown: B1) -> B1:
    """(n,) True in unknown samples beside fogged ones for as long as the colour stays faded."""
    out = np.zeros(len(fog), bool)
    if "saturation" not in seen.series or not fog.any():
        return out
    loss, colour = seen.get("contrast_loss"), seen.get("saturation")
    most = round(PALE_MOST_S / seen.step_s)
    edges = np.flatnonzero(np.diff(np.r_[0, unknown.astype(np.int8), 0]))
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        before, after = a > 0 and fog[a - 1], b < len(fog) and fog[b]
        if not (before or after):
            continue
        clear = _clear_colour(colour, loss, a, b, seen.step_s)
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


KIND = Kind(
    kind="fog",
    name="Fog",
    sign="F",
    color="#0072B2",
    pattern="rising",
    setting="what the plan proposes for fog",
    find=find,
    restorable=True,
)
