"""The tip is outside the patient: never shown, and another patient may begin."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, Option, Spell, spell

FOREIGN_SHARE = 0.5  # of the field in colours that are not the body's


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
    """Foreign colours that came or went with a cut, or at an end of the recording."""
    foreign, outside = seen.get("foreign_share"), seen.during(seen.spells("out_of_body"))
    base = float(np.nanmedian(foreign)) if np.isfinite(foreign).any() else 0.0
    veiled = np.nan_to_num(seen.get("contrast_loss_low")) > 0.1
    strange = (foreign > max(FOREIGN_SHARE, base + 0.35)) & ~seen.found("dark").on
    strange &= ~veiled & ~outside
    spans = [
        (a, b)
        for a, b in seen.spans(strange, 1.5, 1.0)
        if _cut_at(seen, a) or _cut_at(seen, b) or a == 0 or b == seen.count
    ]
    for a, b in spans:
        outside[a:b] = True
    return Found(outside, spans, sure=lambda a, b: np.nanmean(foreign[a:b]))


def _cut_at(seen: Evidence, k: int) -> bool:
    """True if the view was lost within two samples of k."""
    return bool(np.nan_to_num(seen.get("break_before")[max(0, k - 2) : k + 3]).any())


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
