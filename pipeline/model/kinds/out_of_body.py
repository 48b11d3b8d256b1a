"""The tip is outside the patient: never shown, and another patient may begin."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, Option, Spell, spell

FOREIGN_SHARE = 0.5  # of the field in colours that are not the body's
MORE, LESS_RED = 0.4, 0.04  # ln of contrast and of redness, of another view


def spells(seen: Evidence) -> list[Spell]:
    """Times without a field, in a recording that has one."""
    if all(f.shape == "none" for f in seen.fields):
        return []
    return [
        spell(f.start_s, min(f.stop_s, seen.duration_s), f.confidence)
        for f in seen.fields
        if f.shape == "none" and f.stop_s > f.start_s
    ]


def find(seen: Evidence) -> Found:
    """Foreign colours that came or went with another view, or at an end of the recording."""
    foreign, outside = seen.get("foreign_share"), seen.during(seen.spells("out_of_body"))
    base = float(np.nanmedian(foreign)) if np.isfinite(foreign).any() else 0.0
    veiled = np.nan_to_num(seen.get("contrast_loss_low")) > 0.1
    strange = (foreign > max(FOREIGN_SHARE, base + 0.35)) & ~seen.found("dark").on
    strange &= ~veiled & ~outside
    spans = [
        (a, b)
        for a, b in seen.spans(strange, 1.5, 1.0)
        if a == 0 or b == seen.count or _swapped(seen, a, 1) or _swapped(seen, b, -1)
    ]
    for a, b in spans:
        outside[a:b] = True
    return Found(outside, spans, sure=lambda a, b: np.nanmean(foreign[a:b]))


def _swapped(seen: Evidence, k: int, sign: int) -> bool:
    """True if within two samples of k the view was lost, and another is there at once.

    Fog too dense to follow loses the view as well. Outside, through fog too, there is contrast
    of its own, and less red, unless nothing is to be seen. sign: 1 as it comes, -1 as it goes.
    """
    near = slice(max(0, k - 3), k + 3)
    contrast = np.log(np.maximum(seen.get("contrast")[near], 1e-4))
    more, redder = (sign * np.diff(x) for x in (contrast, seen.get("redness")[near]))
    # what is unknown may be anything
    same = (more < MORE) & (redder > -LESS_RED)
    return bool((~same & (seen.get("break_before")[near][1:] > 0)).any())


KIND = Kind(
    kind="out_of_body",
    name="Out of body",
    sign="O",
    color="#D55E00",
    pattern="grid",
    action="cut",
    choices=("cut", "freeze"),
    setting="what happens to pictures outside the body; never shown",
    actions=("cut", "freeze"),
    options=(
        Option("out_of_body_margin_s", 0.5, "added on both sides of it", "s", {"ge": 0, "le": 5}),
    ),
    find=find,
    spells=spells,
)
