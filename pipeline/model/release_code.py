"""The invisible release code of a clip: what the painter obeys, and what is kept to read it by.

Private: who knows the seed can read the code, and write one.
"""

from __future__ import annotations

from pydantic import Field

from pipeline.model.document import Part


class CodePlan(Part):
    """seed: derived from the installation's secret and the recordings."""

    number: int = Field(ge=0, lt=1 << 16)
    seed: str = Field(min_length=32)


class KeptCode(Part):
    """What the code of a release is read by again.

    discs: start_s and stop_s in the clip, then x, y and radius in pixels of the clip: where the
    code was laid. kept: share of it that coding left in the pictures, as verified.
    """

    number: int
    seed: str
    kept: float
    discs: list[tuple[float, float, float, float, float]]
