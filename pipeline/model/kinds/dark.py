"""A picture too dark to show anything."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind

LEVEL = 0.10  # mean gamma-coded luma; or a third of the usual, up to 0.2


def usual_level(seen: Evidence) -> float:
    """Mean level of the pictures inside the body; 0 where there is none."""
    level, outside = seen.get("level"), seen.during(seen.spells("out_of_body"))
    lit = level[np.isfinite(level) & ~outside]
    return float(np.median(lit)) if len(lit) else 0.0


def find(seen: Evidence) -> Found:
    level = seen.get("level")
    least = max(LEVEL, min(0.2, 0.35 * usual_level(seen)))
    dark = (level < least) & ~seen.during(seen.spells("out_of_body"))
    return Found(
        dark,
        seen.spans(dark),
        sure=lambda a, b: 0.6 + 0.4 * (1 - np.nanmean(level[a:b]) / least),
    )


KIND = Kind(
    kind="dark",
    name="Dark",
    sign="D",
    color="#777777",
    pattern="cross",
    setting="what the plan proposes for a dark picture",
    find=find,
)
