"""A shown frame with its time, views of its planes, and small copies of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Picture:
    """One shown frame: `time_s` on the source's axis, `frame` a PyAV yuv420p frame."""

    time_s: float
    frame: Any

    @property
    def between(self) -> bool:
        """True for a B picture: coded from pictures before and after it, in few bytes."""
        from av.video.frame import PictureType

        return bool(self.frame.pict_type == PictureType.B)

    def planes(self) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.uint8]]:
        """Views (row, col) of the Y, U and V planes, without copying. Do not write to them."""
        y, u, v = (plane_view(p) for p in self.frame.planes[:3])
        return y, u, v


def plane_view(plane: Any) -> NDArray[np.uint8]:
    """(row, col) uint8 view of a PyAV plane, its padding cut off."""
    rows = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
    return rows[:, : plane.width]


def reduce_rgb(frame: Any, rows_px: int, matrix: str) -> NDArray[np.uint8]:
    """The working picture as RGB uint8 (row, col, 3), averaged to at most `rows_px` rows.

    Gamma-coded; converted by the file's own matrix (swscale). Blocks of a whole number
    of pixels are averaged, so that 1080 rows become 360 for a limit of 480.
    """
    import av
    import cv2
    from av.video.reformatter import ColorRange, Colorspace

    y, u, v = (plane_view(p) for p in frame.planes[:3])
    rows, cols = y.shape
    step = max(1, -(-rows // rows_px))
    space = {"bt709": Colorspace.ITU709, "bt601": Colorspace.ITU601}.get(matrix)
    colour: dict[str, Any] = {
        "format": "rgb24",
        "src_colorspace": space or Colorspace.ITU709,
        "src_color_range": ColorRange.MPEG,
    }
    if step == 1:
        return np.asarray(frame.reformat(**colour).to_ndarray(), dtype=np.uint8)
    size = (cols // step, rows // step)
    small = av.VideoFrame(size[0], size[1], "yuv444p")
    whole = y[: size[1] * step, : size[0] * step]
    for plane, source in zip(small.planes, (whole, u, v), strict=True):
        area = source.shape[0] >= size[1]
        mode = cv2.INTER_AREA if area else cv2.INTER_LINEAR
        plane_view(plane)[:] = cv2.resize(source, size, interpolation=mode)
    return np.asarray(small.reformat(**colour).to_ndarray(), dtype=np.uint8)


def jpeg(frame: object, rows_px: int, matrix: str, quality: int = 82) -> bytes:
    """A yuv420p frame as a JPEG without any tags."""
    import cv2

    rgb = reduce_rgb(frame, rows_px, matrix)
    _, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])
    return data.tobytes()
