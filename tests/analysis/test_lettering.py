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

from pipeline.analysis.identity.detect import Detectors, LitBox, Shown
from pipeline.analysis.identity.letter_spans import counted
from pipeline.analysis.identity.letter_watch import (
    LONGEST_S,
    LetterWatch,
    Planes,
    Sight,
    grid,
    rgb_view,
)
from pipeline.analysis.identity.lettering import field_box, field_mask, merge_lettering
from pipeline.model.field import FieldSpan

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


def planes_of(rgb: NDArray[np.uint8]) -> Planes:
    """As decoded: yuv420p, limited range, weights of ITU-R BT.601 (what OpenCV writes)."""
    rows, cols = rgb.shape[:2]
    both = cv2.cvtColor(rgb, cv2.COLOR_RGB2YUV_I420)
    flat = both.reshape(-1)
    u = flat[rows * cols :][: rows * cols // 4].reshape(rows // 2, cols // 2)
    v = flat[rows * cols * 5 // 4 :].reshape(rows // 2, cols // 2)
    return both[:rows], u, v


def shown(time_s: float, rgb: NDArray[np.uint8]) -> Shown:
    return Shown(time_s, planes_of(rgb), lambda: rgb)


def test_a_view_has_the_colours_of_the_picture() -> None:
    """Against OpenCV's own conversion."""
    rgb = Scene(3).frame(0.0)
    rgb[100:200, 300:500] = (10, 200, 30)
    view = rgb_view(planes_of(rgb), (0, 0, WIDTH, HEIGHT), (WIDTH, HEIGHT), "bt601")
    there = cv2.cvtColor(cv2.cvtColor(rgb, cv2.COLOR_RGB2YUV_I420), cv2.COLOR_YUV2RGB_I420)
    assert np.abs(view.astype(int) - there).mean() < 2
    assert np.abs(view[150, 400].astype(int) - (10, 200, 30)).max() < 6


def test_the_windows_cover_the_picture() -> None:
    covered = np.zeros((700, 1000), bool)
    for x, y in grid(1000, 700, 384):
        assert x >= 0 and y >= 0 and x + 384 <= 1000 and y + 384 <= 700
        covered[y : y + 384, x : x + 384] = True
    assert covered.all()


@pytest.mark.parametrize("rate", [10, 15, 24, 25, 30])
def test_no_lettering_of_an_eighth_of_a_second_lies_between_two_looks(rate: int) -> None:
    """But where the pictures themselves are further apart."""
    watch = LetterWatch()
    watch._look = lambda time_s, *_: (  # type: ignore[method-assign]
        watch.looks.append(time_s), setattr(watch, "_look_s", time_s)
    )
    watch._look_at_mean = lambda *_: None  # type: ignore[method-assign]
    still = planes_of(np.full((64, 96, 3), 90, np.uint8))
    for number in range(2 * rate):
        watch.step(number / rate, still, (0, 0, 96, 64))
    longest = float(np.diff(watch.looks).max())
    assert longest <= max(LONGEST_S, 1 / rate) + 1e-6
    assert len(watch.looks) <= 2 * 15 + 1


def film(
    detectors: Detectors, scene: Scene, what: tuple, span: tuple[float, float],
    opacity: float = 1.0, seconds: float = 1.2, rate: int = 12,
) -> tuple[int, int, int, int]:  # fmt: skip
    """Feeds a moving scene with a line in a span of time; the box of its ink."""
    box = (0, 0, 1, 1)
    for number in range(round(seconds * rate)):
        time_s = number / rate
        picture = scene.frame(time_s)
        if span[0] <= time_s < span[1]:
            marked, box = write(picture, *what)
            mixed = picture + opacity * (marked.astype(np.float32) - picture)
            picture = mixed.astype(np.uint8)
        detectors.step(shown(time_s, picture))
    return box


@pytest.mark.parametrize("seed", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in (1, 2, 3))])
def test_a_line_of_one_picture_is_found_and_only_there(seed: int) -> None:
    scene, what = planted(seed)
    detectors = Detectors([scene.field()], faces=False, matrix="bt601")
    box = film(detectors, scene, what, (0.49, 0.6), seconds=2.0)
    lines, _ = detectors.finish(2.0)
    assert share(box, [e.box_px for e in lines if e.start_s <= 0.5 < e.stop_s]) > 0.9
    assert share(box, [e.box_px for e in lines if e.stop_s > 1.9]) < 0.2


def test_a_faint_line_that_stays_is_found() -> None:
    scene, what = planted(4)
    detectors = Detectors([scene.field()], faces=False, matrix="bt601")
    box = film(detectors, scene, what, (0.0, 2.0), opacity=0.12, seconds=2.0)
    lines, _ = detectors.finish(2.0)
    assert share(box, [e.box_px for e in lines if e.start_s <= 1.0 < e.stop_s]) > 0.9


def test_clean_pictures_and_filled_boxes_stay_clean() -> None:
    """The boxes are what redaction leaves behind."""
    scene = Scene(7)
    detectors = Detectors([scene.field()], faces=False, matrix="bt601")
    for number in range(24):
        picture = scene.frame(number / 12)
        for x, y, w, h in ((-120, -60, 180, 40), (10, 30, 120, 30), (-60, 90, 90, 24)):
            left, top = int(scene.x) + x, int(scene.y) + y
            picture[top : top + h, left : left + w] = 0
        detectors.step(shown(number / 12, picture))
    assert detectors.finish(2.0) == ([], [])


def test_lettering_as_bright_as_the_tissue_is_found_by_its_colour() -> None:
    """Luma weights of ITU-R BT.709: the ink differs from what is behind it in colour only."""
    held = []
    for seed in range(4):
        scene = Scene(500 + seed)
        rng, clean = scene.rng, scene.frame(1.0)
        line, size = LINES[seed % len(LINES)], 18 + 4 * seed
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
        detectors = Detectors([scene.field()], faces=False, matrix="bt601")
        for number in range(2):
            detectors.step(shown(number / 8, np.asarray(image)))
        lines, _ = detectors.finish()
        held.append(share(box, [e.box_px for e in lines]) > 0.8)
    assert all(held)


def test_lettering_that_is_meant_to_be_there_is_left_out() -> None:
    scene = Scene(90)
    field = scene.field()
    at = (int(scene.x) - 100, int(scene.y) - 80)
    mark = (int(scene.x) - 100, int(scene.y) + 60)
    runs = []
    for ignore in (False, True):
        detectors = Detectors([field], faces=False, matrix="bt601")
        for number in range(5):
            picture, box = write(scene.frame(number / 8), LINES[1], at, 24, 0, 1)
            picture, place = write(picture, "TEACHING COPY", mark, 24, 0, 0)
            detectors.step(shown(number / 8, picture))
        x, y, w, h = place
        pad = 16
        around = (x - pad, y - pad, w + 2 * pad, h + 2 * pad)
        lines, _ = detectors.finish(5.0, [around] if ignore else [])
        found = [e.box_px for e in lines]
        runs.append((share(box, found), share(place, found)))
        assert all(e.stop_s <= 5.0 for e in lines)
    assert min(runs[0]) > 0.9
    assert runs[1][0] > 0.9 and runs[1][1] < 0.1


def test_one_sure_look_counts_and_doubtful_ones_only_together() -> None:
    box = (10, 10, 80, 20)
    sure = [Sight(1.0, 1.0, "whole", box, 12.0)]
    doubtful = [Sight(t / 9, t / 9, "whole", box, 4.5) for t in range(9)]
    far = Sight(1.0, 1.0, "whole", (400, 400, 80, 20), 4.5)
    assert counted(sure) == sure
    assert counted(doubtful) == doubtful
    assert counted(doubtful[:2]) == [] and counted([far]) == []
    assert counted([*doubtful, far]) == doubtful
    weak = Sight(1.1, 1.1, "whole", (14, 12, 80, 20), 1.5)
    assert counted([*sure, weak]) == [*sure, weak]


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


def test_what_is_lit_is_found_without_the_field_and_stays() -> None:
    scene, lit = Scene(6), LitBox()
    boxes = [lit.step(planes_of(scene.frame(n / 12))[0]) for n in range(24)]
    x, y, w, h = boxes[-1]
    left, top, wide, high = field_box(scene.field(), WIDTH, HEIGHT)
    assert x <= left + 4 and y <= top + 4 and x + w >= left + wide - 4 and y + h >= top + high - 4
    assert w < wide + 90 and len(set(boxes)) <= 2
    assert LitBox().step(np.full((HEIGHT, WIDTH), 16, np.uint8)) == (0, 0, WIDTH, HEIGHT)


# spans


def see(time_s: float, box: tuple[int, int, int, int]) -> Sight:
    return Sight(time_s, time_s, "whole", box, 9.0)


def test_a_line_is_followed_while_it_lasts() -> None:
    sights = [see(t / 8, (100, 200, 120, 20)) for t in range(24, 49)]
    (line,) = merge_lettering(sights, 0.25, [Scene(0).field()], WIDTH, HEIGHT, 10.0)
    assert (line.start_s, line.stop_s) == (2.75, 6.25)
    x, y, w, h = line.box_px
    assert x <= 96 and y <= 196 and x + w >= 224 and y + h >= 224


@pytest.mark.parametrize("speed_px", [3, 20, 60])
def test_a_moving_line_is_covered_between_the_samples(speed_px: int) -> None:
    sights = [see(1 + t / 8, (150 + speed_px * t, 200, 120, 20)) for t in range(8)]
    lines = merge_lettering(sights, 0.25, [], WIDTH, HEIGHT)
    for time_s in np.arange(0.92, 1.98, 0.02):
        box = (round(150 + speed_px * 8 * (float(time_s) - 1)), 200, 120, 20)
        here = [e.box_px for e in lines if e.start_s <= time_s < e.stop_s]
        assert share(box, here) == 1.0


def test_a_line_that_moves_over_the_edge_has_boxes_inside_the_picture() -> None:
    sights = [see(1 + t / 8, (150, 96 - 24 * t, 120, 40)) for t in range(5)]
    lines = merge_lettering(sights, 0.25, [], WIDTH, HEIGHT)
    for entry in lines:
        x, y, w, h = entry.box_px
        assert 0 <= x < x + w <= WIDTH and 0 <= y < y + h <= HEIGHT
    assert any(e.box_px[1] == 0 for e in lines)


def test_two_lines_below_each_other_stay_two() -> None:
    sights = [see(t, (100, y, 120, 20)) for t in (0.0, 0.1) for y in (200, 260)]
    lines = merge_lettering(sights, 0.25, [], WIDTH, HEIGHT)
    assert len(lines) == 2 and all(e.box_px[3] < 50 for e in lines)


def test_a_line_seen_in_the_average_lasts_as_long_as_the_average() -> None:
    sights = [Sight(1.0, 2.0, "mean", (100, 200, 120, 20), 9.0), see(2.0, (100, 200, 120, 20))]
    (line,) = merge_lettering(sights, 0.25, [Scene(0).field()], WIDTH, HEIGHT, 12.0)
    assert (line.start_s, line.stop_s) == (0.75, 2.25) and line.confidence > 0.99


def test_where_follows_the_field() -> None:
    field = Scene(0).field()
    sights = [see(0.0, (2, 2, 60, 16)), see(0.0, (int(field.center_x_px), 300, 60, 16))]
    lines = merge_lettering(sights, 0.25, [field], WIDTH, HEIGHT)
    assert {e.where for e in lines} == {"surround", "field"}
    assert merge_lettering([], 0.25, [], WIDTH, HEIGHT) == []
    assert field_box(field, WIDTH, HEIGHT)[2] <= 2 * field.radius_px + 2
    assert field_box(None, WIDTH, HEIGHT) == (0, 0, WIDTH, HEIGHT)


def test_many_marks_close_together_hide_no_line_beside_them() -> None:
    """A mark that moves gives many boxes: a line that each of them touches a little stays."""
    from pipeline.analysis.identity.detect import _ignored, _now

    marks = [(100, 100 + k, 200, 40) for k in range(8)]
    assert _ignored((110, 105, 150, 30), marks)
    assert not _ignored((110, 132, 150, 40), marks)
    words = [(100, 100, 200, 40, 5.0, 8.0)]
    assert _now(words, 6.0, 6.0) == [(100, 100, 200, 40)]
    assert _now(words, 9.0, 9.0) == [] and _now(words, 0.0, 8.0) != []
    assert _now(words, 0.0, 20.0) == []  # a line that stands there all the time is no such word


@pytest.mark.parametrize(("width", "height"), [(640, 360), (320, 256), (1000, 562), (130, 90)])
def test_what_lies_in_the_repeated_edge_of_a_view_is_no_box(
    monkeypatch: pytest.MonkeyPatch, width: int, height: int
) -> None:
    """A view has sides in multiples of 32; every box still lies inside the picture."""

    class Everywhere:
        def __init__(self, *_: object) -> None:
            pass

        def cells(self, view: np.ndarray, averaged: bool = False) -> np.ndarray:
            out = np.full((view.shape[0] // 4, view.shape[1] // 4), -9.0, np.float32)
            out[-6:, -30:], out[:3, :30] = 12.0, 12.0
            return out

    monkeypatch.setattr("pipeline.analysis.identity.letter_watch.LetterNet", Everywhere)
    watch = LetterWatch()
    chroma = np.full((height // 2, width // 2), 128, np.uint8)
    for k in range(30):
        luma = np.full((height, width), 90 + k % 3, np.uint8)
        watch.step(k / 25, (luma, chroma, chroma), (0, 0, width, height))
    assert watch.sights
    for sight in watch.sights:
        x, y, w, h = sight.box
        assert x >= 0 and y >= 0 and 0 < w <= width - x and 0 < h <= height - y
    assert merge_lettering(counted(watch.sights), 0.25, [], width, height, 2.0)
