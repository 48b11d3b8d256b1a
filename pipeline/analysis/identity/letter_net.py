"""Where a view could show lettering of any script: a detection network with our last layer.

The network is the detector of PP-OCRv6 (small), from the wheel `rapidocr` (weights Apache
License 2.0, PaddleOCR authors). It meets strokes of any script, size and angle in one look,
but takes glints, gauze and instruments for lettering as well. So its last layer is replaced: a
small one that was taught on tissue (`_weights/lettering.npz` and `moved.npz`, ours; taught by
`tests/benchmarks/lettering_teach.py`) judges its features, cell by cell with what is around.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache
from importlib import resources
from importlib.util import find_spec
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.identity.letter_views import padded

SIDE_PX = 256  # of a view; letters from about 7 to 100 px are met
CELL_PX = 4
_MODEL = "PP-OCRv6_det_small.onnx"
_FEATURES = "p2o.pd_op.concat.1.0"  # four levels of 24 channels, 1/4 of the view's size
_AROUND = (5, 15)  # cells
_MEAN = np.array([0.485, 0.456, 0.406], np.float32)
_SPREAD = np.array([0.229, 0.224, 0.225], np.float32)
# What the network is fed for the 256 levels of blue, green and red.
_FED = ((np.arange(256, dtype=np.float32)[:, None] / 255 - _MEAN) / _SPREAD).T.copy()

Cells = NDArray[np.float32]
View = Literal["one", "mean", "moved"]  # a picture; `mean_view` of an average, of a residual


class LetterNet:
    """Judges views. Loads the network at the first one. threads: of the network."""

    def __init__(self, threads: int = 1) -> None:
        self._threads = threads
        self._net: Any = None

    def cells(self, view: NDArray[np.uint8], kind: View = "one") -> Cells:
        """Log odds of lettering for cells of 4 x 4 px, float32 (row, col).

        view: uint8 (row, col, 3) RGB, sides in multiples of 32.
        """
        deep, plain = self._run(view)
        out = np.full(plain.shape, -20.0, np.float32)
        rows, cols = np.nonzero(plain > LEAST)
        if len(rows):
            # Only the part that is asked about, with what is around it.
            far = _AROUND[-1] // 2
            top, left = max(0, int(rows.min()) - far), max(0, int(cols.min()) - far)
            part = deep[top : int(rows.max()) + far + 1, left : int(cols.max()) + far + 1]
            features = _with_around(np.ascontiguousarray(part))
            out[rows, cols] = _judge(features[rows - top, cols - left], kind)
        return out

    def features(self, view: NDArray[np.uint8]) -> tuple[Cells, Cells]:
        """Features of each cell with its surroundings (row, col, 288), and the network's own
        probability, the largest of a cell's pixels (row, col)."""
        deep, plain = self._run(view)
        return _with_around(deep), plain

    def _run(self, view: NDArray[np.uint8]) -> tuple[Cells, Cells]:
        planes = [table.take(view[..., 2 - k]) for k, table in enumerate(_FED)]
        plain, deep = self._load().run(None, {"x": np.stack(planes)[None]})
        return np.ascontiguousarray(deep[0].transpose(1, 2, 0)), _most(plain[0, 0])

    def _load(self) -> Any:
        if self._net is None:
            import onnxruntime

            options = onnxruntime.SessionOptions()
            options.intra_op_num_threads = self._threads
            options.inter_op_num_threads = 1
            options.log_severity_level = 4
            self._net = onnxruntime.InferenceSession(
                _with_output(without_subnormals(_model()), _FEATURES), options,
                providers=["CPUExecutionProvider"],
            )  # fmt: skip
        return self._net


def judged(net: LetterNet, view: NDArray[np.uint8], kind: View) -> Cells:
    """Log odds for the cells of a view of any size, without those of the edge that is repeated."""
    rows, cols = view.shape[:2]
    return net.cells(padded(view), kind)[: -(-rows // CELL_PX), : -(-cols // CELL_PX)]


def turned_over(net: LetterNet, view: NDArray[np.uint8], kind: View, upright: bool) -> Cells:
    """The same cells, judged in the view from its other side: mirrored, or with its upright lines
    laid level, as most lines are. What is taken for lettering by chance is not both ways."""
    if upright:
        return judged(net, np.ascontiguousarray(view.transpose(1, 0, 2)), kind).T
    return judged(net, np.ascontiguousarray(view[:, ::-1]), kind)[:, ::-1]


def _most(pixels: Cells) -> Cells:
    """The largest of the pixels of each cell; slices, since numpy is slow along short axes."""
    for _ in range(2):
        pixels = np.maximum.reduce([pixels[k::CELL_PX] for k in range(CELL_PX)]).T
    return np.ascontiguousarray(pixels)


def _with_around(deep: Cells) -> Cells:
    import cv2

    around = [cv2.blur(deep, (n, n), borderType=cv2.BORDER_REPLICATE) for n in _AROUND]
    return np.concatenate([deep, *around], axis=2)


LEAST = 0.02  # the network's own probability under which a cell is not asked about


def _model() -> bytes:
    """The network, without loading the package that brings it."""
    spec = find_spec("rapidocr")
    if spec is None or not spec.submodule_search_locations:
        raise ModuleNotFoundError("rapidocr")
    with open(f"{spec.submodule_search_locations[0]}/models/{_MODEL}", "rb") as file:
        return file.read()


def _with_output(model: bytes, name: str) -> bytes:
    """The model with one more output.

    Protocol buffers that are put one after the other are merged field by field, repeated ones
    appended (Protocol Buffers, "Encoding", section on last one wins): ModelProto.graph is
    field 7, GraphProto.output field 12, ValueInfoProto.name field 1 (onnx.proto).
    """
    text = name.encode()
    value = b"\x0a" + bytes([len(text)]) + text
    graph = b"\x62" + bytes([len(value)]) + value
    return model + b"\x3a" + bytes([len(graph)]) + graph


def without_subnormals(model: bytes) -> bytes:
    """The model with 0 for weights under the least normal float32 (IEEE 754).

    A tenth of the weights of this network are that small: they change nothing that it says, but
    processors that handle them in microcode take several times as long for a view. Weights:
    GraphProto.initializer is field 5, TensorProto.data_type 2 (1 for float32), raw_data 9
    (onnx.proto).
    """
    out = bytearray(model)
    for graph in _parts(out, (0, len(out)), 7):
        for tensor in _parts(out, graph, 5):
            for start, stop in _parts(out, tensor, 9):
                if b"\x10\x01" in out[tensor[0] : start] and (stop - start) % 4 == 0:
                    weights = np.frombuffer(out, "<f4", (stop - start) // 4, start)
                    weights[np.abs(weights) < np.finfo(np.float32).tiny] = 0
    return bytes(out)


def _parts(data: bytearray, within: tuple[int, int], number: int) -> Iterator[tuple[int, int]]:
    """Where the values of a field of a message lie, of those that tell their length."""
    at, stop = within

    def varint() -> int:
        nonlocal at
        value = shift = 0
        while True:
            value |= (data[at] & 127) << shift
            at, shift = at + 1, shift + 7
            if data[at - 1] < 128:
                return value

    while at < stop:
        key = varint()
        if key & 7 == 0:
            varint()
        else:
            length = varint() if key & 7 == 2 else {1: 8, 5: 4}[key & 7]
            if key == number << 3 | 2:
                yield at, at + length
            at += length


@lru_cache(maxsize=2)
def _head(name: str) -> dict[str, NDArray[np.float32]]:
    place = resources.files("pipeline.analysis.identity") / "_weights" / name
    with resources.as_file(place) as path, np.load(path, allow_pickle=False) as data:
        return {key: data[key].astype(np.float32) for key in data.files}


def _judge(features: Cells, kind: View) -> Cells:
    """Two layers: (n, 288) to log odds (n)."""
    head = _head("moved.npz" if kind == "moved" else "lettering.npz")
    bias = "mean" if kind == "mean" else "one"
    hidden = features @ head["in"] + head["in_" + bias]
    np.maximum(hidden, 0, out=hidden)
    return np.asarray(hidden @ head["out"] + head["out_" + bias], np.float32)


def mean_view(mean: NDArray[np.float32]) -> NDArray[np.uint8]:
    """An average of luma pictures as a view: its fine detail in units of the detail around.

    mean: float32 (row, col), levels. What stands still has added up, tissue that moves has
    gone. uint8 (row, col, 3), 128 for no detail.
    """
    import cv2

    detail = cv2.GaussianBlur(mean, (0, 0), 0.7) - cv2.blur(mean, (41, 41))
    spread = np.sqrt(np.maximum(0, cv2.blur(detail * detail, (61, 61))))
    grey = np.clip(128 + detail * (40 / np.maximum(spread, 1.0)), 0, 255).astype(np.uint8)
    return np.repeat(grey[..., None], 3, axis=2)
