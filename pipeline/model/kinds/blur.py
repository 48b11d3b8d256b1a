"""Fine detail is lost over the whole field: out of focus, or moved too fast."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, hidden

PEAK, LOSS = 0.38, 0.3  # found at the first, as long as the second lasts


def find(seen: Evidence) -> Found:
    loss, blur = seen.get("contrast_loss"), np.nan_to_num(seen.get("blur"))
    for a, b in seen.found("fog").turned_down:
        # what looked like fog over a blurred picture is the coarser part of the blur
        part = slice(a, b)
        soft = 1 - (1 - blur[part]) * (1 - np.nan_to_num(loss[part]))
        blur[part] = np.where(blur[part] > 0.2, soft, blur[part])
    on = (blur > LOSS) & ~hidden(seen)
    spans = [
        (a, b)
        for a, b in seen.spans(on)
        if (blur[a:b] > PEAK).sum() * seen.step_s >= seen.least_s - 1e-6
    ]
    return Found(on, spans, blur, lambda a, b: np.nanmean(blur[a:b]))


KIND = Kind(
    kind="blur",
    name="Blur",
    sign="B",
    color="#56B4E9",
    pattern="level",
    setting="what the plan proposes for blur",
    find=find,
)
