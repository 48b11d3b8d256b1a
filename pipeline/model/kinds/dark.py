"""A picture too dark to show anything."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, Severity

LEVEL = 0.10  # mean gamma-coded luma below which no loss is told; or a third of the usual, to 0.2
BLACK = 0.05  # below which no picture shows anything
SURE, LEAST_S = 0.5, 0.3


def usual_level(seen: Evidence) -> float:
    """Mean level of the pictures inside the body; 0 where there is none."""
    level, outside = seen.get("level"), seen.during(seen.spells("out_of_body"))
    lit = level[np.isfinite(level) & ~outside]
    return float(np.median(lit)) if len(lit) else 0.0


def find(seen: Evidence) -> Found:
    """Moments that a fall of the light explains best, and those in which nothing can show.

    A look into a cavity that darkens by itself is none, as long as something shows.
    """
    level, sure = seen.get("level"), np.nan_to_num(seen.get("dark_sure"))
    outside = seen.during(seen.spells("out_of_body"))
    least = max(LEVEL, min(0.2, 0.35 * usual_level(seen)))
    fell = (sure > SURE) | (level < BLACK)
    # gamma-coded luma is about the lightness that an eye sees
    lost = np.maximum(seen.get("dark_share"), 1 - level / max(usual_level(seen), BLACK))
    return Found(
        (level < least) & ~outside,
        seen.spans(fell & ~outside, least_s=LEAST_S),
        np.clip(np.nan_to_num(lost), 0, 1),
        lambda a, b: max(sure[a:b].max(), np.mean(level[a:b] < BLACK)),
    )


KIND = Kind(
    kind="dark",
    name="Dark",
    sign="D",
    color="#777777",
    pattern="cross",
    setting="what the plan proposes for a dark picture",
    severity=Severity("{} of the light lost"),
    find=find,
)
