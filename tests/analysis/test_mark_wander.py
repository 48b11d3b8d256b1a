"""A mark that wanders: where it may go, how fast, how its shape changes, what a median leaves."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import BSpline

from pipeline.analysis.mark.activity import GRID, cost_map
from pipeline.analysis.mark.judge import evaluate, work_covered
from pipeline.analysis.mark.painter import MarkPainter
from pipeline.analysis.mark.planning import LITTLE_ROOM, plan_mark
from pipeline.analysis.mark.spline import placed_at
from pipeline.analysis.mark.strokes import Moment, shape_knots, two_tone
from pipeline.analysis.mark.wander import (
    MOST_TURN_DEG,
    STEP_S,
    Room,
    Stretch,
    control_points,
    rooms,
)
from pipeline.media.glyphs import text_glyph
from pipeline.model.field import FieldSpan
from pipeline.model.mark import MarkPath, MarkPosition
from pipeline.model.options import MarkOptions

WIDE, HIGH = 640, 360
CONTENT = "5eed" * 16


def disc(**more: object) -> FieldSpan:
    given_ = {
        "start_s": 0, "stop_s": 60, "shape": "circle", "center_x_px": 320, "center_y_px": 180,
        "radius_px": 170, "left_px": 0, "top_px": 0, "right_px": WIDE, "bottom_px": HIGH,
        "confidence": 1,
    }  # fmt: skip
    return FieldSpan(**{**given_, **more})


@pytest.fixture(scope="module")
def glyph():
    return text_glyph("TEACHING COPY", width_px=1000)


def planned(glyph, seed=5, content=CONTENT, stop_s=60.0, field=None, activity=None, **options):
    return plan_mark(
        [field or disc()], activity, MarkOptions(**options), glyph.coverage, glyph.x_height_ratio,
        [], seed, height_px=HIGH, shown=[Stretch(0, content, 0.0, stop_s)],
    )  # fmt: skip


@pytest.fixture(scope="module")
def plan(glyph):
    return planned(glyph)


def spline(way: MarkPath) -> BSpline:
    """The same way by scipy, from the definition in the plan: control k peaks at its time."""
    points = np.array(way.marks).transpose(1, 0, 2)
    return BSpline(way.start_s + way.step_s * (np.arange(len(points) + 4) - 2.0), points, 3)


sides = st.floats(0, 0.15)


@given(sides, sides, sides, sides, st.floats(0.002, 0.03), st.integers(0, 2**40))
@settings(max_examples=60, deadline=None)
def test_the_way_keeps_to_its_room_and_its_speed_without_jerk(left, right, up, down, speed, seed):
    room = Room(left, right, up, down)
    points = control_points(room, speed, 80, (seed, 0))
    knots = STEP_S * (np.arange(84) - 2.0)
    way = BSpline(knots, points, 3)
    times = np.linspace(STEP_S, STEP_S * 77, 2000)
    x, y, turn = way(times).T
    assert x.min() >= -left - 1e-9 and x.max() <= right + 1e-9
    assert y.min() >= -up - 1e-9 and y.max() <= down + 1e-9
    assert np.abs(turn).max() <= MOST_TURN_DEG + 1e-9
    pace = way.derivative(1)(times)
    assert np.hypot(pace[:, 0], pace[:, 1]).max() <= speed * (1 + 1e-6)
    # no jerk: the acceleration does not leap, and a change of pace takes a step or longer
    sharp = way.derivative(2)(times)[:, :2]
    assert np.hypot(*sharp.T).max() <= 2 * speed / STEP_S * (1 + 1e-6)
    assert np.abs(np.diff(sharp, axis=0)).max() < 0.1 * speed / STEP_S * 4


def test_the_renderers_spline_is_that_of_scipy(plan):
    way = plan.paths[0]
    reference = spline(way)
    for time_s in (0.0, 0.3, 7.77, 31.0, 60.0):
        got = placed_at(plan.chosen.positions, plan.paths, 0, time_s)
        for home, mark, off in zip(plan.chosen.positions, got, reference(time_s), strict=True):
            found = (mark.x - home.x, mark.y - home.y, mark.angle_deg - home.angle_deg)
            assert found == pytest.approx(tuple(off), abs=1e-9)


def test_it_does_wander_and_never_repeats(plan):
    times = np.arange(0, 60, 0.5)
    way = spline(plan.paths[0])(times)
    for mark in range(way.shape[1]):
        spread = np.ptp(way[:, mark, :2], axis=0)
        assert (spread > LITTLE_ROOM).all()
        # with no period is it back within a stroke's width, 1 % of the radius, at most moments
        for lag in range(8, 80):
            back = np.hypot(*(way[lag:, mark, :2] - way[:-lag, mark, :2]).T) < 0.01
            assert back.mean() < 0.5


def test_the_way_is_of_the_recording_the_shape_of_the_release(glyph, plan):
    again, release = planned(glyph), planned(glyph, seed=6)
    other = planned(glyph, content="ab" * 32)
    assert again == plan
    assert release.paths == plan.paths and release.seed != plan.seed
    assert other.paths != plan.paths
    # a clip of a part has its mark where the whole clip has it
    part = plan_mark(
        [disc()], None, MarkOptions(), glyph.coverage, glyph.x_height_ratio, [], 9,
        height_px=HIGH, shown=[Stretch(0, CONTENT, 21.0, 30.0)],
    )  # fmt: skip
    for time_s in (21.0, 24.4, 30.0):
        whole = placed_at(plan.chosen.positions, plan.paths, 0, time_s)
        assert placed_at(part.chosen.positions, part.paths, 0, time_s) == whole


@pytest.mark.parametrize(
    "field",
    [
        disc(),
        disc(shape="circle-clipped", radius_px=210),
        disc(shape="none", radius_px=180),
        disc(radius_px=120, center_x_px=300),
    ],
)
def test_at_every_moment_the_promises_of_the_place_hold(glyph, field):
    plan = planned(glyph, field=field)
    tones = two_tone(glyph.coverage)
    options = MarkOptions()
    for time_s in np.arange(0, 60, 4.0):
        got = evaluate(
            placed_at(plan.chosen.positions, plan.paths, 0, float(time_s)), [field], None,
            tones.shape[-1] / tones.shape[-2], options, [], height_px=HIGH,
            x_height_ratio=glyph.x_height_ratio * glyph.coverage.shape[-1] / tones.shape[-1],
            coverage=tones.max(axis=0),
        )  # fmt: skip
        assert got.crop_loss >= options.crop_loss_goal
        assert got.crop_loss >= plan.crop_loss - 0.01
        assert got.inside and got.legible == plan.chosen.legible


def test_it_keeps_off_the_work_beside_its_place(glyph):
    quiet = {k: np.zeros((GRID, GRID)) for k in ("motion", "instrument", "detail", "glare")}
    quiet["samples"] = np.array([50.0])
    aspect = 9.0
    home = MarkPosition(x=0.0, y=-0.42, width_ratio=0.8)
    free = rooms([home], [disc()], aspect, cost_map([disc()], quiet, []), [], 0.0)[0]
    busy = {k: v.copy() for k, v in quiet.items()}
    low = int((-0.33 + 1) * GRID / 2)
    for key in ("motion", "instrument", "detail", "glare"):
        busy[key][low:] = 1.0  # an instrument at work just below it
        busy[key][low:] *= 40 if key in ("motion", "detail") else 1
    cost = cost_map([disc()], busy, [])
    kept = rooms([home], [disc()], aspect, cost, [], 0.0)[0]
    assert kept.down < free.down - 0.02
    for x, y in kept.corners:
        moved = home.model_copy(update={"x": home.x + x, "y": home.y + y})
        assert work_covered(cost, moved, aspect) < work_covered(cost, home, aspect) + 0.1


def test_lettering_beside_it_is_not_wandered_over(glyph):
    home = MarkPosition(x=0.0, y=-0.42, width_ratio=0.8)
    cost = cost_map([disc()], None, [])
    free = rooms([home], [disc()], 9.0, cost, [], 0.0)[0]
    box = (300.0, 180 - 0.53 * 170, 40.0, 6.0)
    kept = rooms([home], [disc()], 9.0, cost, [box], 0.0)[0]
    assert kept.up < 0.05 < free.up


def test_no_room_is_said(glyph):
    field = disc(radius_px=170, top_px=150, bottom_px=210)
    plan = planned(glyph, field=field, crop_loss_goal=0.0)
    assert any("little room" in w for w in plan.warnings)


def test_still_stands_still(glyph):
    plan = planned(glyph, motion="still")
    assert plan.paths == [] and plan.crop_loss == plan.chosen.crop_loss
    assert placed_at(plan.chosen.positions, plan.paths, 0, 3.0) == plan.chosen.positions


def test_the_shape_glides_and_keeps_its_size():
    times = np.arange(0, 30, 0.04)
    shapes = np.stack([shape_knots(Moment(7, time_s=float(t)), 0, 9.0) for t in times])
    assert np.square(shapes[..., :2]).mean() == pytest.approx(1, abs=0.1)
    assert np.abs(np.diff(shapes, axis=0)).max() < 0.25  # a picture's step, of a size of 1
    assert shapes[..., 2].min() >= 0.5 and shapes[..., 2].max() <= 1
    assert shapes[..., 2].std() > 0.08
    apart = np.abs(shapes[0, ..., :2] - shapes[200, ..., :2])
    assert apart.mean() > 0.5
    other = shape_knots(Moment(8, time_s=0.0), 0, 9.0)
    assert np.abs(other - shapes[0]).mean() > 0.3


def marked(plan, glyph, times: np.ndarray) -> np.ndarray:
    """Marked pictures of grey noise that changes, less the noise: (time, row, col) float."""
    painter = MarkPainter(plan, glyph.coverage, disc(), HIGH, WIDE, "bt709", False, 0)
    half = np.full((HIGH // 2, WIDE // 2), 128, np.uint8)
    out = []
    for time_s in times:
        y = np.full((HIGH, WIDE), 120, np.uint8)
        painter.move(disc(), 0, 0, float(time_s))
        seen = painter.paint(y, half, half, float(time_s))
        assert seen == pytest.approx(plan.target, abs=0.3)
        out.append(y.astype(np.float32) - 120)
    return np.stack(out)


@pytest.mark.parametrize("window_s, least", [(60, 0.8), (10, 0.7)])
def test_the_median_over_time_leaves_the_mark(glyph, plan, window_s, least):
    # Dekel et al., CVPR 2017: what stands still in all pictures is found by the median.
    # The least that is promised; benchmarks/mark_attacks.py
    # measures them on finished files.
    times = np.linspace(0, window_s, 41)
    for motion, most in (("drift", math.inf), ("still", 0.1)):
        pictures = marked(planned(glyph, motion=motion), glyph, times)
        pattern = np.median(pictures, axis=0)
        truth = pictures[20]
        left = float(((truth - pattern) * truth).sum() / (truth * truth).sum())
        assert left <= most
        if motion == "drift":
            assert left >= least


def test_pictures_of_one_moment_have_one_mark(glyph, plan):
    a, b, c = marked(plan, glyph, np.array([12.0, 12.0, 12.04]))
    assert (a == b).all() and (a != c).any()  # a held picture holds its mark
    moved = cv2.phaseCorrelate(a.astype(np.float64), c.astype(np.float64))[0]
    assert np.hypot(*moved) < 1.0


def test_the_mark_hangs_on_its_clock_not_on_the_order_of_pictures(glyph, plan):
    forwards = marked(plan, glyph, np.array([3.0, 8.0]))
    backwards = marked(plan, glyph, np.array([8.0, 3.0]))
    assert np.abs(forwards - backwards[::-1]).max() <= 1
