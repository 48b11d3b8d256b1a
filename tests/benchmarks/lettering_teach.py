"""Teaches the last layer of the lettering network: makes views, asks the network, fits two layers.

    python tests/benchmarks/lettering_teach.py --tissue FOLDER [--plates N ...] --out lettering.npz
        [--single 4000] [--averaged 2000]
    python tests/benchmarks/lettering_teach.py --tissue FOLDER [--plates N ...] --out moved.npz
        --moved 4000 [--jobs 2]

Each made scene gives the cells of a clean view and of one with a line of lettering: single
pictures, and averages over .4 to 1 s of moving tissue. Cells where the network itself is
surest are drawn most. With --moved the views are what is left when the picture before is moved
as the tissue moved and taken away; those films are coded as recordings are. What came of it lies in
`pipeline/analysis/identity/_weights/lettering.npz` and `moved.npz`, taught on
nine photographs of microlaryngoscopy (CC BY 4.0, M.-H. Laves, J. Bicker, L. A. Kahrs,
T. Ortmaier, arXiv:1807.06081, 2018) turned, tinted and moved; the weights hold none of them.
"""

from __future__ import annotations

import argparse
import dataclasses
import io
import math
import multiprocessing
import sys
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import scenes_lettering as scenes  # noqa: E402

from pipeline.analysis.identity.letter_moved import residual  # noqa: E402
from pipeline.analysis.identity.letter_net import CELL_PX, LEAST, LetterNet, mean_view  # noqa: E402
from pipeline.analysis.identity.letter_views import scaled  # noqa: E402

SIDE = 320
CELLS = SIDE // CELL_PX
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
Rows = list[tuple[NDArray[np.float16], NDArray[np.int8]]]


def tinted(rng: np.random.Generator, plate: scenes.Rgb) -> scenes.Rgb:
    mix = np.eye(3) + rng.normal(0, 0.06, (3, 3))
    out = plate.astype(np.float32) @ mix.T * rng.uniform(0.7, 1.2) + rng.uniform(-10, 15)
    turned = np.rot90(np.clip(out, 0, 255).astype(np.uint8), int(rng.integers(4)))
    return np.ascontiguousarray(turned[:, ::-1] if rng.random() < 0.5 else turned)


class Taught:
    """Views of one seed and their cells."""

    def __init__(self, seed: int, averaged: bool, plates: list[scenes.Rgb], net: LetterNet) -> None:
        rng = self.rng = np.random.default_rng([5, seed, int(averaged)])
        self.net, self.rows = net, Rows()
        film = scenes.film(seed + 50_000)
        assert film.line is not None
        high = float(np.exp(rng.uniform(math.log(7), math.log(110))))
        opacity = float(np.exp(rng.uniform(math.log(0.08), math.log(0.6))))
        longest = max(2, int(1.5 * SIDE / high))
        self.line = dataclasses.replace(
            film.line, high_px=high, words=film.line.words[:longest].strip(), start_s=0.0,
            stop_s=100.0, shows="steady", moves="stays",
            opacity=opacity if averaged else film.line.opacity,
            at=(float(rng.uniform(-0.6, 0.6)), float(rng.uniform(-0.8, 0.8))),
        )  # fmt: skip
        self.film = dataclasses.replace(
            film, width=SIDE, height=SIDE, radius=float(rng.choice([0, 0.5, 0.6])), line=self.line
        )
        plate = tinted(rng, plates[int(rng.integers(len(plates)))])
        self.tissue = scenes.Tissue(self.film, [plate])
        self.tissue.zoom *= rng.uniform(0.4, 1.1)
        self.blur, self.quality = rng.uniform(0, 1.0), int(rng.integers(35, 95))
        self.holes = []
        if rng.random() < 0.35:  # what redaction leaves behind
            for _ in range(int(rng.integers(1, 5))):
                x, y = rng.integers(0, 300, 2)
                self.holes.append((x, y, int(rng.uniform(12, 160)), int(rng.uniform(8, 60))))
        both = scenes.written(self.film, self.tissue, 0.0)
        assert both is not None
        self.both = both
        self.ink = (both[0] > 60) & self.tissue.inside

    def coded(self, rgb: scenes.Rgb) -> scenes.Rgb:
        if self.blur > 0.3:
            rgb = cv2.GaussianBlur(rgb, (0, 0), self.blur)
        data = cv2.imencode(".jpg", rgb, [cv2.IMWRITE_JPEG_QUALITY, self.quality])[1]
        return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR))

    def pair(self, time_s: float) -> tuple[scenes.Rgb, scenes.Rgb]:
        """The picture without and with the line."""
        clean = self.tissue.picture(time_s)
        for x, y, w, h in self.holes:
            clean[y : y + h, x : x + w] = 16
        return clean, scenes.blend(clean, *self.both, self.line)

    def cells(self, view: scenes.Rgb, marked: bool, count: int) -> None:
        features, plain = self.net.features(view)
        features, plain = features.reshape(CELLS * CELLS, -1), plain.reshape(-1)
        asked = plain > LEAST
        free = np.ones(CELLS * CELLS, bool)
        if marked:
            reach = max(3, int(self.line.high_px * 0.5)) | 1
            oval = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
            line = cv2.morphologyEx(
                (self.both[0] > 60).astype(np.uint8), cv2.MORPH_CLOSE, oval
            ) * self.tissue.inside  # fmt: skip
            reach = max(9, int(self.line.high_px * 0.7)) | 1
            drawn = ((self.both[0] > 20) | (self.both[1] > 20)).astype(np.uint8)
            near = cv2.dilate(drawn, np.ones((reach, reach), np.uint8))
            free = small(near) == 0
            self._keep(features, np.flatnonzero((small(line) > 0.5) & asked), 1, count, None)
        weights = (free & asked) * (0.05 + plain)
        self._keep(features, np.flatnonzero(weights > 0), 0, count, weights)

    def _keep(self, features: NDArray[np.float32], which: NDArray[np.intp], label: int, count: int,
              weights: NDArray[np.float32] | None) -> None:  # fmt: skip
        if not len(which):
            return
        share = None if weights is None else weights[which] / weights[which].sum()
        which = self.rng.choice(which, min(count, len(which)), replace=False, p=share)
        self.rows.append((features[which].astype(np.float16), np.full(len(which), label, np.int8)))


def small(mask: NDArray[np.uint8]) -> NDArray[np.float64]:
    return mask.reshape(CELLS, CELL_PX, CELLS, CELL_PX).mean((1, 3)).reshape(-1)


def taught(seed: int, averaged: bool, plates: list[scenes.Rgb], net: LetterNet) -> Rows:
    scene = Taught(seed, averaged, plates, net)
    begun = float(scene.rng.uniform(0, 20))
    if not averaged:
        for number in range(2):
            clean, marked = scene.pair(begun + 3 * number)
            scene.cells(scene.coded(clean), False, 40)
            if number == 0 and scene.ink.sum() > 20:
                change = np.abs(marked[scene.ink].astype(float) - clean[scene.ink]).mean()
                if change >= 4:
                    scene.cells(scene.coded(marked), True, 40)
        return scene.rows
    count, span_s = int(scene.rng.integers(6, 14)), scene.rng.uniform(0.4, 1.0)
    pairs = [scene.pair(begun + span_s * n / count) for n in range(count)]
    means = [
        np.mean([scene.coded(p[k]).astype(np.float32) for p in pairs], axis=0) for k in (0, 1)
    ]
    scene.cells(mean_view((means[0] @ LUMA).astype(np.float32)), False, 50)
    if scene.ink.sum() > 20 and np.abs(means[1] - means[0])[scene.ink].mean() >= 3:
        scene.cells(mean_view((means[1] @ LUMA).astype(np.float32)), True, 50)
    return scene.rows


class Moved:
    """A coded film of a few pictures .1 s apart, clean and with a line; what is left of each."""

    COUNT = 5

    def __init__(self, seed: int, plates: list[scenes.Rgb], net: LetterNet) -> None:
        rng = self.rng = np.random.default_rng([6, seed])
        self.net, self.rows = net, Rows()
        film = scenes.film(seed + 250_000)
        assert film.line is not None
        self.side = side = int(rng.choice([SIDE, SIDE, 480]))
        self.step_s = float(rng.uniform(0.1, 0.13))
        high = float(np.exp(rng.uniform(math.log(7), math.log(110)))) * side / SIDE
        opacity = float(np.exp(rng.uniform(math.log(0.08), math.log(0.7))))
        begun, longest = float(rng.uniform(0, 20)), max(2, int(1.5 * side / high))
        start_s = begun + float(rng.uniform(-3, 3.5)) * self.step_s
        self.line = dataclasses.replace(
            film.line, high_px=high, words=film.line.words[:longest].strip(),
            start_s=start_s, stop_s=start_s + float(rng.uniform(0.3, 2.0)), shows="steady",
            opacity=opacity if rng.random() < 0.7 else film.line.opacity,
            at=(float(rng.uniform(-0.6, 0.6)), float(rng.uniform(-0.8, 0.8))),
        )  # fmt: skip
        self.film = dataclasses.replace(
            film, width=side, height=side, radius=float(rng.choice([0, 0.5, 0.6])), line=self.line
        )
        plate = tinted(rng, plates[int(rng.integers(len(plates)))])
        self.tissue = scenes.Tissue(self.film, [plate])
        self.tissue.zoom *= rng.uniform(0.4, 1.1)
        self.times = [begun + n * self.step_s for n in range(self.COUNT)]
        holes = []
        if rng.random() < 0.35:  # what redaction leaves behind
            for _ in range(int(rng.integers(1, 5))):
                x, y = rng.integers(0, side - 20, 2)
                holes.append((x, y, int(rng.uniform(12, 160)), int(rng.uniform(8, 60))))
        self.both, clean, marked = [], [], []
        for time_s in self.times:
            picture = self.tissue.picture(time_s)
            for x, y, w, h in holes:
                picture[y : y + h, x : x + w] = 16
            both = scenes.written(self.film, self.tissue, time_s)
            self.both.append(both)
            clean.append(picture)
            marked.append(picture if both is None else scenes.blend(picture, *both, self.line))
        self.clean, self.marked = clean, marked

    def see(self) -> Rows:
        codec, share = self.film.codec, self.film.quality / 100
        for shown, pictures in ((False, self.clean), (True, self.marked)):
            lumas = _coded(pictures, codec, share)
            for number in self.rng.choice(np.arange(1, len(lumas)), 2, replace=False).tolist():
                both = self.both[number]
                if shown and (both is None or not self._seen(number)):
                    continue
                view = mean_view(residual(lumas[number - 1], lumas[number]))
                self._cells(view, number if shown else None)
        return self.rows

    def _seen(self, number: int) -> bool:
        both = self.both[number]
        assert both is not None
        ink = (both[0] > 60) & self.tissue.inside
        off = self.marked[number][ink].astype(float) - self.clean[number][ink]
        return ink.sum() > 20 and float(np.abs(off @ LUMA).mean()) >= 4

    def _cells(self, view: scenes.Rgb, number: int | None) -> None:
        features, plain = self.net.features(view)
        features, plain = features.reshape(CELLS * CELLS, -1), plain.reshape(-1)
        asked = plain > LEAST
        free = np.ones(CELLS * CELLS, bool)
        high = self.line.high_px * SIDE / self.side
        if number is not None:
            both = self.both[number]
            assert both is not None
            here = cv2.resize((both[0] > 60).astype(np.uint8), (SIDE, SIDE))
            reach = max(3, int(high * 0.5)) | 1
            oval = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (reach, reach))
            inside = cv2.resize(self.tissue.inside.astype(np.uint8), (SIDE, SIDE))
            line = cv2.morphologyEx(here, cv2.MORPH_CLOSE, oval) * inside
            # Where it stood in the picture before, moved with the tissue, is neither.
            near = here | (0 if (b := self.both[number - 1]) is None else cv2.resize(
                (b[0] > 20).astype(np.uint8), (SIDE, SIDE)))  # fmt: skip
            reach = max(35, int(high * 0.7)) | 1
            free = small(cv2.dilate(near, np.ones((reach, reach), np.uint8))) == 0
            self._keep(features, np.flatnonzero((small(line) > 0.5) & asked), 1, 50, None)
        weights = (free & asked) * (0.05 + plain)
        self._keep(features, np.flatnonzero(weights > 0), 0, 25 if number else 50, weights)

    _keep = Taught._keep


def _coded(pictures: list[scenes.Rgb], codec: str, share: float) -> list[NDArray[np.uint8]]:
    """Lumas of the pictures, coded as `scenes.write` does, at the size of a view."""
    name = {"mpeg4": "mpeg4", "mjpeg": "mjpeg"}.get(codec, "libx264")
    file = io.BytesIO()
    with av.open(file, "w", format="matroska") as container:
        stream = container.add_stream(name, rate=25)
        rows, cols = pictures[0].shape[:2]
        stream.width, stream.height = cols, rows
        stream.pix_fmt = "yuvj420p" if codec == "mjpeg" else "yuv420p"
        if name == "libx264":
            stream.options = {"crf": str(round(16 + 18 * share)), "preset": "veryfast"}
        else:
            stream.bit_rate = round((0.35 - 0.25 * share) * cols * rows * 25)
        for rgb in pictures:
            frame = av.VideoFrame.from_ndarray(rgb, "rgb24").reformat(format=stream.pix_fmt)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode(None):
            container.mux(packet)
    file.seek(0)
    with av.open(file) as container:
        lumas = [f.to_ndarray(format="gray") for f in container.decode(video=0)]
    return [scaled(luma, (SIDE, SIDE)) for luma in lumas]


def taught_moved(seeds: range, folder: Path | None, numbers: list[int] | None) -> Rows:
    cv2.setNumThreads(1)
    plates = scenes.plates(folder)
    plates = [plates[n] for n in numbers] if numbers else plates
    net, rows = LetterNet(), Rows()
    for seed in seeds:
        rows += Moved(seed, plates, net).see()
    return rows


def fit(
    x: NDArray[np.float16], y: NDArray[np.int8], averaged: NDArray[np.bool_], hidden: int = 64
) -> dict[str, NDArray[np.float32]]:
    """One hidden layer for both kinds of view, with biases of their own."""
    from sklearn.neural_network import MLPClassifier

    wide = np.concatenate([x.astype(np.float32), averaged[:, None]], axis=1, dtype=np.float32)
    middle, spread = wide.mean(axis=0), wide.std(axis=0) + 1e-3
    middle[-1], spread[-1] = 0, 1
    net = MLPClassifier(
        (hidden,), alpha=0.03, batch_size=1024, learning_rate_init=1e-3, max_iter=10, random_state=1
    )
    net.fit((wide - middle) / spread, y)
    into, out = net.coefs_
    bias = net.intercepts_[0] - (middle / spread) @ into
    into = into / spread[:, None]
    return {
        "in": into[:-1].astype(np.float16), "in_one": bias.astype(np.float32),
        "in_mean": (bias + into[-1]).astype(np.float32), "out": out[:, 0].astype(np.float32),
        "out_one": np.float32(net.intercepts_[1][0]), "out_mean": np.float32(net.intercepts_[1][0]),
    }  # fmt: skip


def _moved(asked: tuple[range, Path | None, list[int] | None]) -> Rows:
    return taught_moved(*asked)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tissue", type=Path)
    parser.add_argument("--plates", type=int, nargs="*", help="numbers of the photographs to use")
    parser.add_argument("--single", type=int, default=4000)
    parser.add_argument("--averaged", type=int, default=2000)
    parser.add_argument("--moved", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    if arguments.moved:
        asked = [
            (range(n, n + 50), arguments.tissue, arguments.plates)
            for n in range(0, arguments.moved, 50)
        ]
        rows = Rows()
        with multiprocessing.get_context("spawn").Pool(arguments.jobs) as pool:
            for number, some in enumerate(pool.imap(_moved, asked)):
                rows += some
                print("moved", 50 * (number + 1), flush=True)
        x, y = (np.concatenate([r[n] for r in rows]) for n in (0, 1))
        np.savez(arguments.out, **fit(x, y, np.zeros(len(y), bool)))
        return 0
    plates = scenes.plates(arguments.tissue)
    if arguments.plates:
        plates = [plates[n] for n in arguments.plates]
    cv2.setNumThreads(1)
    net = LetterNet()
    x, y, kind = [], [], []
    for averaged, count in ((False, arguments.single), (True, arguments.averaged)):
        for seed in range(count):
            for features, labels in taught(seed, averaged, plates, net):
                x.append(features)
                y.append(labels)
                kind.append(np.full(len(labels), averaged))
            if seed % 100 == 99:
                print("averaged" if averaged else "single", seed + 1, flush=True)
    head = fit(np.concatenate(x), np.concatenate(y), np.concatenate(kind))
    np.savez(arguments.out, **head)
    return 0


if __name__ == "__main__":
    sys.exit(main())
