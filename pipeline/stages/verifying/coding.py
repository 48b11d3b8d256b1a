"""How much more coding may change where the settings ask for coarser coding."""

from __future__ import annotations

CRF = 26  # up to here the limits of the checks hold as they are
MOST_CRF = 35  # of the settings
_QP_OVER_CRF = 8  # of the coarsest blocks of B pictures


def coarseness(crf: int) -> float:
    """By how much a limit on what coding changes grows, 1 for fine coding.

    The step of the quantiser doubles every 6 (ITU-T H.264, 8.5.9: LevelScale), and what it
    changes with it. Measured in clips that are right, at CRF 20, 26 and 30: 3.5 to 5.2, 6.5 to
    6.7 and 10.4 to 12.6 levels in the worst place.
    """
    return float(2.0 ** (max(0, min(crf, MOST_CRF) - CRF) / 6))


def dead_zone(crf: int) -> float:
    """Levels by which the mean of a tile of 8 x 8 samples may move without a coder's showing it.

    One step of the quantiser on its DC coefficient, which is 8 times the mean. The step is .625 at
    QP 0 and doubles every 6 (ITU-T H.264, 8.5.9, with the scaling of an orthonormal transform). A
    B picture has a QP some 4 above the CRF, and adaptive quantisation as much more.
    """
    return float(0.625 * 2 ** ((crf + _QP_OVER_CRF) / 6) / 8)
