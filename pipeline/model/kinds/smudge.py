"""Something on the lens takes part of the field, and stays until it is wiped."""

from collections.abc import Sequence

import numpy as np

from pipeline.model.kinds.kind import Evidence, Found, Kind, Range, hidden

PEAK, LOSS = 0.22, 0.12  # found at the first, as long as the second lasts
LEAST_S = 2.0


def find(seen: Evidence) -> Found:
    """Uneven fog looks alike while it lasts: a smudge is there before or after it as well."""
    smudge, fog = np.nan_to_num(seen.get("smudge")), seen.found("fog").spans
    near = round(1.0 / seen.step_s)
    under = np.zeros(seen.count, bool)
    for a, b in fog:
        under[max(0, a - near) : b + near] = True
    on = (smudge > LOSS) & ~hidden(seen)
    spans = [
        (a, b)
        for a, b in seen.spans(on, LEAST_S, LEAST_S)
        if not _rest_of_fog(a, b, fog, near)
        and ((smudge[a:b] >= PEAK) & ~under[a:b]).any()
        and (on[a:b] & ~under[a:b]).sum() * seen.step_s >= LEAST_S - 1e-6
    ]
    covers = np.nan_to_num(seen.get("smudge_covers")) if "smudge_covers" in seen.series else None
    return Found(on, spans, smudge, lambda a, b: 0.4 + np.nanmax(smudge[a:b]), covers=covers)


def _rest_of_fog(a: int, b: int, fog: Sequence[Range], near: int) -> bool:
    """True if samples [a, b) began with fog and ended soon after: its last uneven rest.

    Fog thins out slowly, so what is left of it may last as long again.
    """
    return any(fa - near <= a < fb and b < 2 * fb - fa + near for fa, fb in fog)


KIND = Kind(
    kind="smudge",
    name="Smudge",
    sign="S",
    color="#E69F00",
    pattern="dots",
    setting="what the plan proposes for a smudged lens",
    find=find,
)
