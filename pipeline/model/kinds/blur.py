"""Fine detail is lost over the whole field: out of focus, or moved too fast."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, hidden

SURE, LEAST_S = 0.5, 0.3
LEAST = 0.02  # of the detail; what takes none is no blur


def find(seen: Evidence) -> Found:
    """Moments that blur explains best (`analysis/lens/explain.py`), however short."""
    sure = np.nan_to_num(seen.get("blur_sure"))
    on = (sure > SURE) & ~hidden(seen)
    lost = np.nan_to_num(seen.get("blur"))
    spans = [(a, b) for a, b in seen.spans(on, least_s=LEAST_S) if lost[a:b].mean() >= LEAST]
    return Found(on, spans, lost, lambda a, b: sure[a:b].max())


KIND = Kind(
    kind="blur",
    name="Blur",
    sign="B",
    color="#56B4E9",
    pattern="level",
    setting="what the plan proposes for blur",
    find=find,
)
