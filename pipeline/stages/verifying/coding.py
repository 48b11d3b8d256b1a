"""How much more coding may change where the settings ask for coarser coding."""

from __future__ import annotations

CRF = 26  # up to here the limits of the checks hold as they are
MOST_CRF = 35  # of the settings


def coarseness(crf: int) -> float:
    """By how much a limit on what coding changes grows, 1 for fine coding.

    The step of the quantiser doubles every 6 (ITU-T H.264, 8.5.9: LevelScale), and what it
    changes with it. Measured in clips that are right, at CRF 20, 26 and 30: 3.5 to 5.2, 6.5 to
    6.7 and 10.4 to 12.6 levels in the worst place.
    """
    return float(2.0 ** (max(0, min(crf, MOST_CRF) - CRF) / 6))
