"""Fine detail is lost over the whole field: out of focus, or moved too fast."""

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, hidden

PEAK, LOSS = 0.38, 0.3  # found at the first, as long as the second lasts
SURE, SURE_S = 0.5, 0.3  # or where focus is seen to go and to come back, however short


def find(seen: Evidence) -> Found:
    loss, blur = seen.get("contrast_loss"), np.nan_to_num(seen.get("blur"))
    for a, b in seen.found("fog").turned_down:
        # what looked like fog over a blurred picture is the coarser part of the blur
        part = slice(a, b)
        soft = 1 - (1 - blur[part]) * (1 - np.nan_to_num(loss[part]))
        blur[part] = np.where(blur[part] > 0.2, soft, blur[part])
    asked = "blur_sure" in seen.series
    sure = np.nan_to_num(seen.get("blur_sure")) if asked else np.zeros(seen.count)
    went = sure > SURE
    on = ((blur > LOSS) | went) & ~hidden(seen)
    spans = [
        (a, b)
        for a, b in seen.spans(on, least_s=SURE_S)
        if went[a:b].any() or (blur[a:b] > PEAK).sum() * seen.step_s >= seen.least_s - 1e-6
    ]
    return Found(on, spans, blur, lambda a, b: max(np.nanmean(blur[a:b]), sure[a:b].max()))


KIND = Kind(
    kind="blur",
    name="Blur",
    sign="B",
    color="#56B4E9",
    pattern="level",
    setting="what the plan proposes for blur",
    find=find,
)
