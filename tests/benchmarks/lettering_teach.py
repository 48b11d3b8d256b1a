"""Teaches the last layer of the lettering network: makes views, asks the network, fits two layers.

    python tests/benchmarks/lettering_teach.py --tissue FOLDER [--plates N ...] --out lettering.npz
        [--single 4500] [--averaged 2800] [--rows FOLDER]

Each made scene gives the cells of a clean view and of one with a line of lettering: single
pictures, and averages over .4 to 1 s of what moves. Cells where the network itself is
surest are drawn most. Half of the scenes show the photographs of the folder, the others made cloth,
foam, fibres and the like (`lettering_plates.py`), alone or on such a photograph. What came of it
lies in `pipeline/analysis/identity/_weights/lettering.npz`, taught on
nine photographs of microlaryngoscopy (CC BY 4.0, M.-H. Laves, J. Bicker, L. A. Kahrs,
T. Ortmaier, arXiv:1807.06081, 2018) turned, tinted and moved; the weights hold none of them.
--rows: where the cells are kept, so that scenes once made are not made again.
"""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

sys.path[:0] = [str(Path(__file__).resolve().parents[1]), str(Path(__file__).resolve().parents[2])]

import lettering_plates  # noqa: E402
import scenes_lettering as scenes  # noqa: E402

from pipeline.analysis.identity import letter_mean  # noqa: E402
from pipeline.analysis.identity.letter_net import CELL_PX, LEAST, LetterNet, mean_view  # noqa: E402

SIDE = 320
CELLS = SIDE // CELL_PX
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709
Rows = list[tuple[NDArray[np.float16], NDArray[np.int8]]]


def tinted(rng: np.random.Generator, plate: scenes.Rgb) -> scenes.Rgb:
    mix = np.eye(3) + rng.normal(0, 0.06, (3, 3))
    out = 255 * (plate.astype(np.float32) / 255) ** rng.uniform(0.7, 1.4)
    out = out @ mix.T * rng.uniform(0.7, 1.2) + rng.uniform(-10, 15)
    turned = np.rot90(np.clip(out, 0, 255).astype(np.uint8), int(rng.integers(4)))
    return np.ascontiguousarray(turned[:, ::-1] if rng.random() < 0.5 else turned)


def drawn(rng: np.random.Generator, plates: list[scenes.Rgb]) -> scenes.Rgb:
    """What the scene moves."""
    plate, which = plates[int(rng.integers(len(plates)))], rng.random()
    if which < 0.5:
        return plate
    if which < 0.6:
        others = lettering_plates.photographs()
        return others[int(rng.integers(len(others)))]
    return lettering_plates.made(rng, plate if which < 0.8 else None)


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
        plate = tinted(rng, drawn(rng, plates))
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
    lumas = [[(scene.coded(p[k]) @ LUMA).astype(np.float32) for p in pairs] for k in (0, 1)]
    means = [np.mean([letter_mean.detail(luma) for luma in part], axis=0) for part in lumas]
    scene.cells(mean_view(means[0]), False, 50)
    if scene.ink.sum() > 20 and np.abs(np.mean(lumas[1], axis=0) - np.mean(lumas[0], axis=0))[
        scene.ink
    ].mean() >= 3:
        scene.cells(mean_view(means[1]), True, 50)
    return scene.rows


def rows_of(
    averaged: bool, count: int, plates: list[scenes.Rgb], folder: Path | None
) -> tuple[NDArray[np.float16], NDArray[np.int8]]:
    """Features and labels of the cells of all scenes, made by the hundred or read."""
    net, x, y = LetterNet(), [], []
    kind = "averaged" if averaged else "single"
    for first in range(0, count, 100):
        kept = folder / f"{kind}_{first}.npz" if folder is not None else None
        if kept is not None and kept.exists():
            with np.load(kept) as data:
                features, labels = data["x"], data["y"]
        else:
            rows = [r for n in range(first, first + 100) for r in taught(n, averaged, plates, net)]
            features, labels = (np.concatenate([r[k] for r in rows]) for k in (0, 1))
            if kept is not None:
                np.savez(kept, x=features, y=labels)
        x.append(features)
        y.append(labels)
        print(kind, first + 100, flush=True)
    return np.concatenate(x), np.concatenate(y)


def fit(
    x: NDArray[np.float16], y: NDArray[np.int8], averaged: NDArray[np.bool_], hidden: int = 64
) -> dict[str, NDArray[np.float32]]:
    """One hidden layer for both kinds of view, with biases of their own.

    In parts, so that a million cells need not lie in memory as float32; the last three of ten
    rounds in smaller steps.
    """
    from sklearn.neural_network import MLPClassifier

    some = x[::7].astype(np.float32)
    middle, spread = some.mean(axis=0), some.std(axis=0) + 1e-3
    net = MLPClassifier(
        (hidden,), alpha=0.03, batch_size=1024, learning_rate_init=1e-3, random_state=1
    )
    rng = np.random.default_rng(1)
    for turn in range(10):
        if turn == 7:
            net._optimizer.learning_rate_init = net._optimizer.learning_rate = 3e-4
        order = rng.permutation(len(y))
        for first in range(0, len(order), 65_536):
            some_ = order[first : first + 65_536]
            wide = (x[some_].astype(np.float32) - middle) / spread
            wide = np.concatenate([wide, averaged[some_, None]], axis=1, dtype=np.float32)
            net.partial_fit(wide, y[some_], classes=[0, 1])
    into, out = net.coefs_
    bias = net.intercepts_[0] - (middle / spread) @ into[:-1]
    return {
        "in": (into[:-1] / spread[:, None]).astype(np.float16), "in_one": bias.astype(np.float32),
        "in_mean": (bias + into[-1]).astype(np.float32), "out": out[:, 0].astype(np.float32),
        "out_one": np.float32(net.intercepts_[1][0]), "out_mean": np.float32(net.intercepts_[1][0]),
    }  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--tissue", type=Path)
    parser.add_argument("--plates", type=int, nargs="*", help="numbers of the photographs to use")
    parser.add_argument("--single", type=int, default=4500)
    parser.add_argument("--averaged", type=int, default=2800)
    parser.add_argument("--rows", type=Path, help="folder of the cells made so far")
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    plates = scenes.plates(arguments.tissue)
    if arguments.plates:
        plates = [plates[n] for n in arguments.plates]
    cv2.setNumThreads(1)
    single = rows_of(False, arguments.single, plates, arguments.rows)
    averaged = rows_of(True, arguments.averaged, plates, arguments.rows)
    kind = np.repeat([False, True], [len(single[1]), len(averaged[1])])
    head = fit(*(np.concatenate(both) for both in zip(single, averaged, strict=True)), kind)
    np.savez(arguments.out, **head)
    return 0


if __name__ == "__main__":
    sys.exit(main())
