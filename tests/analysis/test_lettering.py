"""Burned-in lettering, planted in moving pictures made from scikit-image's retina photograph.

Planted boxes are known exactly, since this file draws them (Pillow's own font
and OpenCV's stroke fonts), so what is found is compared with the truth.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
import skimage.data
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pipeline.analysis.detect import Detectors
from pipeline.analysis.lettering import (
    ODD_STEP,
    OverlayFold,
    TextDetector,
    field_mask,
    merge_lettering,
    odd_colours,
    text_regions,
)
from pipeline.model.field import FieldSpan
from pipeline.model.survey import Lettering

WIDTH, HEIGHT = 960, 540
LINES = ["Ingrid Brekkestad", "MRN 00481516", "DOB 12.03.1967", "2026-03-02 10:11", "ID A4471902"]
INKS = [(255, 255, 255), (255, 255, 0), (0, 255, 0), (0, 255, 255), (20, 20, 20), (255, 0, 255)]


class Scene:
    """A scope picture that moves: (row, col, 3) at any time, with its field."""

    def __init__(self, seed: int, width: int = WIDTH, height: int = HEIGHT) -> None:
        self.rng = np.random.default_rng(seed)
        self.width, self.height = width, height
        self.x = width * self.rng.uniform(0.45, 0.55)
        self.y = height * self.rng.uniform(0.47, 0.53)
        self.r = height * self.rng.uniform(0.42, 0.5)
        self.texture = skimage.data.retina()[250:1150, 250:1150]
        self.gain = self.rng.uniform(0.8, 1.8)
        self.noise = self.rng.uniform(0.5, 3.0)
        self.way = self.rng.uniform(0, 2 * math.pi, 6)
        self.grain = self.rng.normal(0, self.noise, (height, width, 1)).astype(np.float32)
        self.outside = ~field_mask(self.field(), width, height)

    def field(self) -> FieldSpan:
        return FieldSpan(
            start_s=0, stop_s=1e4, shape="circle-clipped", center_x_px=self.x, center_y_px=self.y,
            radius_px=self.r, left_px=0, top_px=0, right_px=self.width, bottom_px=self.height,
            confidence=1,
        )  # fmt: skip

    def frame(self, time_s: float) -> NDArray[np.uint8]:
        turn = 10 * math.sin(self.way[0] + 0.7 * time_s)
        zoom = 2.6 * self.r / 900 * (1 + 0.15 * math.sin(self.way[1] + 0.5 * time_s))
        move = cv2.getRotationMatrix2D((450, 450), turn, zoom)
        move[0, 2] += self.x - 450 + 0.15 * self.r * math.sin(self.way[2] + 1.3 * time_s)
        move[1, 2] += self.y - 450 + 0.15 * self.r * math.sin(self.way[3] + 0.9 * time_s)
        picture = cv2.warpAffine(
            self.texture, move, (self.width, self.height), flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT,
        ).astype(np.float32)  # fmt: skip
        picture *= self.gain
        for index in range(4):  # glints
            at = self.rng.uniform(-0.5, 0.5, 2) * self.r + (self.x, self.y)
            cv2.circle(picture, (int(at[0]), int(at[1])), 3 + index, (250, 250, 250), -1)
        picture[self.outside] = 5
        roll = self.rng.integers(0, 500, 2)
        picture += np.roll(self.grain, (int(roll[0]), int(roll[1])), (0, 1))
        return np.clip(picture, 0, 255).astype(np.uint8)

    def place(self, w: int, h: int, inside: bool) -> tuple[int, int]:
        """Corner of a box that lies wholly inside or wholly outside the field."""
        for _ in range(20_000):
            x = int(self.rng.uniform(4, self.width - w - 4))
            y = int(self.rng.uniform(4, self.height - h - 4))
            corners = [math.hypot(a - self.x, b - self.y) for a in (x, x + w) for b in (y, y + h)]
            near = math.hypot(
                min(max(self.x, x), x + w) - self.x, min(max(self.y, y), y + h) - self.y
            )
            if max(corners) < 0.95 * self.r if inside else near > 1.03 * self.r + 10:
                return x, y
        raise AssertionError("no room for the line")


def write(
    picture: NDArray[np.uint8], line: str, at: tuple[int, int], size_px: int, ink: int, style: int
) -> tuple[NDArray[np.uint8], tuple[int, int, int, int]]:
    """Draws a line; the picture and the box of its ink (x, y, width, height).

    style: 0 plain, 1 outlined, 2 on a bar, 3 a stroke font.
    """
    colour = INKS[ink]
    other = (0, 0, 0) if sum(colour) > 200 else (240, 240, 240)
    if style == 3:
        out = picture.copy()
        scale, thick = size_px / 30, max(1, size_px // 14)
        (w, h), base = cv2.getTextSize(line, cv2.FONT_HERSHEY_SIMPLEX, scale, thick)
        start = (at[0], at[1] + h)
        cv2.putText(out, line, start, cv2.FONT_HERSHEY_SIMPLEX, scale, colour, thick, cv2.LINE_AA)
        return out, (at[0], at[1], w, h + base // 2)
    image = Image.fromarray(picture)
    pen = ImageDraw.Draw(image)
    font = ImageFont.load_default(size_px)
    edge = max(1, size_px // 12) if style == 1 else 0
    left, top, right, bottom = pen.textbbox(at, line, font=font, stroke_width=edge)
    if style == 2:
        pen.rectangle((left - 4, top - 4, right + 4, bottom + 4), fill=other)
    pen.text(at, line, font=font, fill=colour, stroke_width=edge, stroke_fill=other)
    box = (int(left), int(top), int(right - left), int(bottom - top))
    return np.asarray(image), box


def planted(
    seed: int, inside: bool = True
) -> tuple[Scene, tuple[str, tuple[int, int], int, int, int]]:
    scene = Scene(seed)
    size_px = int(scene.rng.integers(13, 41 if inside else 17))
    line = LINES[seed % len(LINES)]
    at = scene.place(int(0.62 * size_px * len(line)), int(1.4 * size_px), inside)
    ink = int(scene.rng.integers(len(INKS))) if inside else 0
    return scene, (line, at, size_px, ink, seed % 4)


def share(box: tuple[int, int, int, int], found: list[tuple[int, int, int, int]]) -> float:
    """Share of the box that the found boxes cover."""
    cover = np.zeros((4000, 4000), bool)
    for x, y, w, h in found:
        cover[y : y + h, x : x + w] = True
    return float(cover[box[1] : box[1] + box[3], box[0] : box[0] + box[2]].mean())


def watch(
    seed: int, inside: bool, samples: int = 16
) -> tuple[float, list[Lettering], list[Lettering]]:
    """Covered share of a static line, what was found with it, and without it."""
    scene, what = planted(seed, inside)
    folds = [OverlayFold([scene.field()], WIDTH, HEIGHT) for _ in range(2)]
    box = (0, 0, 1, 1)
    for index in range(samples):
        clean = scene.frame(float(index))
        marked, box = write(clean, *what)
        for fold, picture in zip(folds, (marked, clean), strict=True):
            fold.step(float(index), cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    with_it, without = folds[0].finish(), folds[1].finish()
    return share(box, [entry.box_px for entry in with_it]), with_it, without


@pytest.mark.parametrize(
    ("seeds", "least"), [(range(4), 4), pytest.param(range(4, 40), 33, marks=pytest.mark.slow)]
)
def test_static_lines_are_covered_and_clean_pictures_stay_clean(
    seeds: range, least: int
) -> None:
    shares, extra = [], 0
    for seed in seeds:
        covered, with_it, without = watch(seed, inside=True)
        shares.append(covered)
        extra += len(without)
        assert all(entry.where == "field" for entry in with_it)
    assert sum(covered > 0.9 for covered in shares) >= least
    assert extra <= 1


def test_lines_in_the_surround_are_told_apart() -> None:
    for seed in (3, 6):
        covered, with_it, _ = watch(seed, inside=False, samples=10)
        assert covered > 0.9 and {entry.where for entry in with_it} == {"surround"}


def test_an_overlay_lasts_as_long_as_it_was_seen() -> None:
    scene, what = planted(4)
    fold = OverlayFold([scene.field()], WIDTH, HEIGHT)
    for index in range(48):
        picture = scene.frame(float(index))
        if index >= 16:
            picture, _ = write(picture, *what)
        fold.step(float(index), cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    found = fold.finish()
    assert found and min(e.start_s for e in found) >= 14 and max(e.stop_s for e in found) >= 46


def test_a_frozen_picture_says_nothing_about_the_field() -> None:
    scene, what = planted(1)
    picture, _ = write(scene.frame(0.0), *what)
    fold = OverlayFold([scene.field()], WIDTH, HEIGHT)
    for index in range(20):
        fold.step(float(index), cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    assert fold.finish() == []


def test_flicker_on_a_still_picture_is_no_overlay() -> None:
    scene = Scene(5)
    picture = scene.frame(0.0).astype(float)
    fold = OverlayFold([scene.field()], WIDTH, HEIGHT)
    for index in range(20):
        brighter = np.clip(picture * (1 + 0.1 * (index % 2)), 0, 255).astype(np.uint8)
        fold.step(float(index), cv2.cvtColor(brighter, cv2.COLOR_RGB2GRAY))
    assert [e for e in fold.finish() if e.where == "field"] == []


def test_filled_boxes_are_no_lettering() -> None:
    """What redaction leaves behind: black boxes on moving tissue, coded by a lossy coder."""
    scene = Scene(7)
    fold = OverlayFold([scene.field()], WIDTH, HEIGHT)
    for index in range(16):
        picture = scene.frame(float(index))
        for x, y, w, h in ((-120, -60, 180, 40), (10, 30, 120, 30), (-60, 90, 90, 24)):
            left, top = int(scene.x) + x, int(scene.y) + y
            picture[top : top + h, left : left + w] = 0
        _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, 70])
        luma = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
        fold.step(float(index), luma)
    assert fold.finish() == []


def test_no_samples_no_lettering() -> None:
    assert OverlayFold([], WIDTH, HEIGHT).finish() == []


def test_large_pictures_give_boxes_in_their_own_pixels() -> None:
    scene = Scene(2, 2560, 1440)
    fold = OverlayFold([scene.field()], 2560, 1440)
    at, box = (int(scene.x) - 300, int(scene.y)), (0, 0, 1, 1)
    for index in range(8):
        picture, box = write(scene.frame(float(index)), LINES[0], at, 60, 0, 1)
        fold.step(float(index), cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    assert share(box, [entry.box_px for entry in fold.finish()]) > 0.9


def test_mask_of_the_field_has_the_area_of_the_circle() -> None:
    scene = Scene(0)
    span = scene.field().model_copy(update={"radius_px": 200.0})
    assert field_mask(span, WIDTH, HEIGHT).sum() == pytest.approx(math.pi * 200**2, rel=0.002)
    assert field_mask(span, 480, 270, 2).sum() == pytest.approx(math.pi * 100**2, rel=0.005)
    inset = field_mask(span, WIDTH, HEIGHT, inset_px=10)
    assert inset.sum() == pytest.approx(math.pi * 190**2, rel=0.002)
    square = [(100.0, 100.0), (200.0, 100.0), (200.0, 300.0), (100.0, 300.0)]
    outline = span.model_copy(update={"shape": "other", "outline_px": square})
    assert field_mask(outline, WIDTH, HEIGHT).sum() == pytest.approx(100 * 200, rel=0.03)
    assert field_mask(None, 20, 10).all()


def test_regions_hold_the_lettering_and_little_else() -> None:
    held, clean_share = [], []
    for seed in range(20, 40):
        scene, what = planted(seed)
        clean = scene.frame(1.0)
        marked, box = write(clean, *what)
        held.append(share(box, text_regions(marked, scene.field())))
        regions = text_regions(clean, scene.field())
        clean_share.append(sum(w * h for _, _, w, h in regions) / (WIDTH * HEIGHT))
    assert sum(part > 0.95 for part in held) >= 18
    assert float(np.mean(clean_share)) < 0.03


def test_regions_outside_the_field_are_left_out() -> None:
    scene, what = planted(6, inside=False)
    marked, box = write(scene.frame(1.0), *what)
    assert share(box, text_regions(marked, scene.field())) == 0
    assert share(box, text_regions(marked)) > 0.95


@pytest.fixture(scope="module")
def detector() -> TextDetector:
    return TextDetector()


def test_the_network_finds_lines_and_leaves_clean_pictures_alone(detector: TextDetector) -> None:
    found, false = [], 0
    for seed in range(60, 72):
        scene, what = planted(seed)
        clean = scene.frame(1.0)
        marked, box = write(clean, *what)
        boxes = detector.boxes(marked, text_regions(marked, scene.field()))
        found.append(share(box, [(x, y, w, h) for x, y, w, h, _ in boxes]))
        false += len(detector.boxes(clean, text_regions(clean, scene.field())))
        assert all(isinstance(value, int) for b in boxes for value in b[:4])
    assert sum(part > 0.6 for part in found) >= 10
    assert false == 0


def test_lettering_as_bright_as_the_tissue_is_found_by_its_colour(detector: TextDetector) -> None:
    """Luma weights of ITU-R BT.709: the ink differs from what is behind it in colour only."""
    held, plain, false = [], [], 0
    for seed in range(8):
        scene = Scene(500 + seed)
        rng, clean = scene.rng, scene.frame(1.0)
        line, size = LINES[seed % len(LINES)], 18 + 2 * seed
        at = scene.place(round(0.62 * size * len(line)), round(1.4 * size), True)
        mean = clean[at[1] : at[1] + size, at[0] : at[0] + 8 * size].reshape(-1, 3).mean(axis=0)
        while True:
            ink = rng.integers(0, 256, 3)
            if abs((ink - mean) @ (0.2126, 0.7152, 0.0722)) < 12 and np.ptp(ink - mean) > 80:
                break
        image = Image.fromarray(clean)
        pen = ImageDraw.Draw(image)
        font = ImageFont.load_default(size)
        left, top, right, bottom = pen.textbbox(at, line, font=font)
        pen.text(at, line, font=font, fill=tuple(int(i) for i in ink))
        box = (int(left), int(top), int(right - left), int(bottom - top))
        marked, field = np.asarray(image), scene.field()
        boxes = detector.boxes(marked, text_regions(marked, field))
        plain.append(share(box, [b[:4] for b in boxes]) > 0.8)
        for view in odd_colours(marked, field):
            boxes += detector.boxes(view, text_regions(view, field, ODD_STEP))
        held.append(share(box, [b[:4] for b in boxes]) > 0.8)
        for view in odd_colours(clean, field):
            false += len(detector.boxes(view, text_regions(view, field, ODD_STEP)))
    assert sum(held) >= 7 and false == 0
    assert sum(plain) < sum(held)


def test_the_whole_picture_is_read_in_tiles(detector: TextDetector) -> None:
    scene = Scene(80)
    picture = scene.frame(0.0)
    boxes = []
    for line, at in zip(LINES, [(8, 8), (780, 8), (8, 510), (760, 510), (400, 260)], strict=True):
        picture, box = write(picture, line, at, 18, 0, 1)
        boxes.append(box)
    found = [(x, y, w, h) for x, y, w, h, _ in detector.boxes(picture)]
    assert all(share(box, found) > 0.6 for box in boxes)


def test_a_letter_as_large_as_the_picture_is_dropped(detector: TextDetector) -> None:
    picture = np.full((HEIGHT, WIDTH, 3), 10, np.uint8)
    cv2.circle(picture, (480, 270), 255, (200, 120, 100), -1)
    assert detector.boxes(picture) == []


def test_everything_at_once_finds_a_line_and_leaves_out_the_mark(detector: TextDetector) -> None:
    """`detector` is asked for so that this is skipped where the networks are missing."""
    scene = Scene(90)
    field = scene.field()
    at = (int(scene.x) - 100, int(scene.y) - 80)
    mark = (int(scene.x) - 100, int(scene.y) + 60)
    runs = []
    for ignore in (False, True):
        detectors = Detectors([field], faces=False)
        for index in range(5):
            picture, box = write(scene.frame(float(index)), LINES[1], at, 24, 0, 1)
            picture, place = write(picture, "TEACHING COPY", mark, 24, 0, 0)
            detectors.step(float(index), picture)
        x, y, w, h = place
        lines, faces = detectors.finish(5.0, [(x - 6, y - 6, w + 12, h + 12)] if ignore else [])
        found = [e.box_px for e in lines]
        runs.append((share(box, found), share(place, found)))
        assert faces == [] and all(e.stop_s <= 5.0 for e in lines)
    assert min(runs[0]) > 0.9
    assert runs[1][0] > 0.9 and runs[1][1] < 0.1


# spans


def test_a_line_is_followed_while_it_lasts() -> None:
    samples = [(float(t), [(100, 200, 120, 20, 0.9)] if 3 <= t <= 6 else []) for t in range(10)]
    (line,) = merge_lettering(samples, 1.0, [], [Scene(0).field()], WIDTH, HEIGHT, 10.0)
    assert (line.start_s, line.stop_s) == (2.0, 7.0)
    x, y, w, h = line.box_px
    assert x <= 96 and y <= 196 and x + w >= 224 and y + h >= 224


@pytest.mark.parametrize("speed_px", [3, 20, 60])
def test_a_moving_line_is_covered_between_the_samples(speed_px: int) -> None:
    samples = [(float(t), [(50 + speed_px * t, 200, 120, 20, 0.9)]) for t in range(8)]
    lines = merge_lettering(samples, 1.0, [], [], WIDTH, HEIGHT)
    for time_s in np.arange(0, 7, 0.1):
        box = (round(50 + speed_px * float(time_s)), 200, 120, 20)
        here = [e.box_px for e in lines if e.start_s <= time_s < e.stop_s]
        assert share(box, here) == 1.0


def test_two_lines_below_each_other_stay_two() -> None:
    boxes = [(100, 200, 120, 20, 0.9), (100, 260, 120, 20, 0.9)]
    lines = merge_lettering([(0.0, boxes), (1.0, boxes)], 1.0, [], [], WIDTH, HEIGHT)
    assert len(lines) == 2 and all(e.box_px[3] < 50 for e in lines)


def test_overlays_and_found_lines_become_one() -> None:
    overlay = Lettering(
        start_s=0, stop_s=8, box_px=(98, 198, 124, 24), where="field", confidence=0.8
    )
    samples = [(float(t), [(100, 200, 120, 20, 0.95)]) for t in range(12)]
    (line,) = merge_lettering(samples, 1.0, [overlay], [Scene(0).field()], WIDTH, HEIGHT, 12.0)
    assert (line.start_s, line.stop_s, line.confidence) == (0.0, 12.0, 0.95)


def test_where_follows_the_field() -> None:
    field = Scene(0).field()
    samples = [(0.0, [(2, 2, 60, 16, 0.9), (int(field.center_x_px), 300, 60, 16, 0.9)])]
    lines = merge_lettering(samples, 1.0, [], [field], WIDTH, HEIGHT)
    assert {e.where for e in lines} == {"surround", "field"}
    assert merge_lettering([], 1.0, [], [], WIDTH, HEIGHT) == []


def test_many_marks_close_together_hide_no_line_beside_them() -> None:
    """A mark that moves gives many boxes: a line that each of them touches a little stays."""
    from pipeline.analysis.detect import _ignored, _now

    marks = [(100, 100 + k, 200, 40) for k in range(8)]
    assert _ignored((110, 105, 150, 30), marks)
    assert not _ignored((110, 132, 150, 40), marks)
    words = [(100, 100, 200, 40, 5.0, 8.0)]
    assert _now(words, 6.0, 6.0) == [(100, 100, 200, 40)]
    assert _now(words, 9.0, 9.0) == [] and _now(words, 0.0, 8.0) != []
    assert _now(words, 0.0, 20.0) == []  # a line that stands there all the time is no such word
