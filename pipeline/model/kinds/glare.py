"""A picture so bright that much of it is clipped."""

import numpy as np

from pipeline.model.kinds.dark import usual_level
from pipeline.model.kinds.kind import Evidence, Found, Kind, Severity, median

SHARE = 0.25  # clipped share of the field
# or far brighter than usual, and either bright in itself or with more clipped than usual
RATIO, LEVEL, CLIPPED = 1.4, 0.55, 0.05
SURE, LEAST_S = 0.5, 0.3


def find(seen: Evidence) -> Found:
    """Moments that more light than usual explains best; `on` is all that is too bright to tell."""
    level, clipped = seen.get("level"), seen.get("clipped_share")
    usual = float(np.nanmedian(clipped)) if np.isfinite(clipped).any() else 0.0
    lit = usual_level(seen)
    around = np.where(np.isfinite(level), level, lit)
    brighter = level / np.maximum(lit, median(around, max(3, round(60 / seen.step_s)) | 1))
    fogged = np.nan_to_num(seen.get("contrast_loss")) >= seen.options["event_loss"]
    glare = (clipped > max(SHARE, 2 * usual)) | (
        (brighter > RATIO) & (clipped > CLIPPED + 1.5 * usual)
    )
    glare |= (brighter > RATIO) & (level > LEVEL) & ~fogged
    outside = seen.found("out_of_body").on
    sure = np.nan_to_num(seen.get("glare_sure"))
    return Found(
        glare & ~seen.during(seen.spells("out_of_body")),
        seen.spans((sure > SURE) & ~outside, least_s=LEAST_S),
        np.nan_to_num(clipped),
        lambda a, b: sure[a:b].max(),
    )


KIND = Kind(
    kind="glare",
    name="Glare",
    sign="G",
    color="#F0E442",
    pattern="upright",
    setting="what the plan proposes for glare",
    severity=Severity("{} of the picture clipped"),
    find=find,
)
