"""`*.prints.json`: what a release is found by again, taken from its finished file. Private.

Numbers only: no picture can be made from them. It lies beside the private record of the release
and can be made again from the file (`fieldstop catalogue rebuild`).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from pipeline.model.document import Document


class ReleasePrints(Document):
    """Prints of one release; arrays are base64 of little-endian numbers."""

    schema_: Literal["fieldstop.prints/1"] = Field(default="fieldstop.prints/1", alias="schema")
    case: str
    profile: str
    revision: int
    sha256: str = Field(pattern=r"^[0-9a-f]{64}$", description="of the released file")
    step_s: float = Field(description="of the grid of moments")
    at: str = Field(description="uint32 (m): moments, in steps")
    hashes: str = Field(description="uint8 (m, 32): bits of the disc")
    spots_at: str = Field(default="", description="uint32 (k): moments that have spots")
    spots_count: str = Field(default="", description="uint16 (k): how many each has")
    spots_xy: str = Field(default="", description="float16 (n, 2): in radii of the disc")
    spots_bits: str = Field(default="", description="uint8 (n, 16)")
