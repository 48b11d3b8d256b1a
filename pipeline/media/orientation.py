"""How a picture is turned, mirrored and coloured, from headers and side data."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any, Literal


def holds_rgb(frame: Any) -> bool:
    return bool(getattr(frame.format, "is_rgb", False))


def colour_matrix(frame: Any, height: int) -> tuple[Literal["bt709", "bt601", "bt2020"], bool]:
    """Colour matrix by the codes of ITU-T H.273: 1 BT.709; 5, 6 BT.601; 9, 10 BT.2020."""
    code = int(getattr(frame, "colorspace", 2) or 2)
    if code == 1:
        return "bt709", False
    if code in (4, 5, 6, 7):
        return "bt601", False
    if code in (9, 10):
        return "bt2020", False
    if holds_rgb(frame):
        return "bt709", False
    # Common practice, no source: untagged standard definition is BT.601, the rest BT.709.
    return ("bt601" if height < 720 else "bt709"), True


def orientation(frame: Any) -> tuple[Literal[0, 90, 180, 270], bool]:
    """Clockwise turn that makes the picture upright, and mirroring, from the display matrix."""
    values = display_matrix(frame)
    if values is None:
        return 0, False
    a, b, c, d = values[0], values[1], values[3], values[4]
    mirrored = a * d - b * c < 0
    if mirrored:
        a, c = -a, -c
    turn = round(math.degrees(math.atan2(b, a)) / 90) * 90 % 360
    return {0: 0, 90: 90, 180: 180, 270: 270}[turn], mirrored  # type: ignore[return-value]


def display_matrix(frame: Any) -> tuple[int, ...] | None:
    """The nine numbers of the display matrix (ISO/IEC 14496-12, 8.3.2), if there is one."""
    try:
        data = _side_data(frame, lambda kind: "DISPLAYMATRIX" in kind)
    except ValueError:
        # The frame carries a kind that PyAV has no name for: then it lists none of them.
        turn = -math.radians(frame.rotation)
        a, b = round(math.cos(turn) * 65536), round(math.sin(turn) * 65536)
        return (a, b, 0, -b, a, 0, 0, 0, 1 << 30) if turn else None
    if data is None or len(data) < 36:
        return None
    return struct.unpack("=9i", data[:36])


def _side_data(frame: Any, wanted: Callable[[str], bool]) -> bytes | None:
    for item in frame.side_data:
        if wanted(str(item.type).upper()):
            return bytes(item)
    return None
