"""Contrast loss, lens events and clearing, against published laws and known airlight."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.analysis.lens import pairs, registration
from pipeline.analysis.lens.clear import clear_chroma_gain, clear_luma_lut
from pipeline.analysis.lens.events import find_events, recovery_time_constant_s
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.lens.tables import LensResult
from pipeline.model.field import FieldSpan, whole_picture
from pipeline.model.findings import Event
from tests.scenes_lens import (
    COLS,
    ROWS,
    Clip,
    Disturbance,
    Scene,
    fog_truth,
    match,
    picture_canvas,
    reduced,
    tissue_canvas,
)

cv2.setNumThreads(1)


def field_of(clip: Clip) -> list[FieldSpan]:
    return [
        FieldSpan(
            start_s=0,
            stop_s=clip.scene.duration_s + 1,
            shape="circle-clipped",
            center_x_px=clip.center_x,
            center_y_px=clip.center_y,
            radius_px=clip.radius,
            left_px=0,
            top_px=0,
            right_px=COLS,
            bottom_px=ROWS,
            confidence=1,
        )
    ]


def measured(scene: Scene, turn: bool = False) -> tuple[LensResult, np.ndarray, list[FieldSpan]]:
    clip = Clip(scene)
    fields = [whole_picture(ROWS, ROWS, 0, 1e6, 1)] if turn else field_of(clip)
    fold = LensFold(fields, ROWS if turn else COLS, ROWS)
    for time_s, rgb, _loss in clip.frames():
        if turn:
            cut = (COLS - ROWS) // 2
            rgb = np.ascontiguousarray(np.rot90(rgb[:, cut : cut + ROWS]))
        fold.step(time_s, reduced(rgb))
    return fold.finish(), np.array(clip.losses), fields


def fog(depth: float, start_s: float = 5.0, even: float = 1.0) -> Disturbance:
    return Disturbance("fog", start_s, 1.0, 2.0, 5.0, depth, even)


@pytest.fixture(scope="module")
def canvas() -> np.ndarray:
    return tissue_canvas(31, 0.6, 0.5)


def pair_loss(
    picture: np.ndarray, loss: float, gain: float = 1.0, blur_px: float = 0.0
) -> np.ndarray:
    """Loss per band (fine, middle, coarse) read from one pair with a uniform airlight."""
    linear = (picture / 255.0) ** 2.2
    if blur_px:
        linear = cv2.GaussianBlur(linear, (0, 0), blur_px)
    veiled = gain * (linear * (1 - loss) + 0.4 * loss)
    coded = np.rint(255 * np.clip(veiled, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    ok = np.ones(picture.shape[:2], np.uint8)
    a, b = registration.prepare(picture, ok, 0), registration.prepare(coded, ok, 1)
    motion = registration.find_motion(a, b)
    assert motion is not None
    reading = pairs.Comparer(*picture.shape[:2]).compare(a, b, motion)
    assert reading is not None
    return 1 - np.exp(reading.log_ratio)


@pytest.mark.parametrize("name", ["retina", "coffee", "chelsea", "gravel"])
@pytest.mark.parametrize("loss", [0.2, 0.4, 0.6])
def test_uniform_airlight_over_a_photograph_reads_its_loss(name: str, loss: float) -> None:
    """Koschmieder's law (H. Koschmieder 1924): differences in linear light scale by t."""
    from skimage import data

    photo = getattr(data, name)()
    if photo.ndim == 2:
        photo = np.repeat(photo[..., None], 3, -1)
    side = min(photo.shape[:2])
    y0, x0 = (photo.shape[0] - side) // 2, (photo.shape[1] - side) // 2
    photo = photo[y0 : y0 + side, x0 : x0 + side, :3]
    small = cv2.resize(photo, (96, 96), interpolation=cv2.INTER_AREA)
    small = np.clip(small, 0, 245).astype(np.uint8)
    # 0.01 is the goal; the middle and the coarse band are the ones that 8 bits leave whole
    assert pair_loss(small, loss)[1:] == pytest.approx(loss, abs=0.01)


def chart_pairs(loss: float, noise: float, count: int, seed: int = 6) -> np.ndarray:
    """(count, 3) loss per band of a dim photograph in shot noise, clear and then veiled.

    noise: standard deviation at full scale in linear light; shot noise goes with the root of
    the light (Poisson statistics). The camera moves by a pixel or less between pictures.
    """
    from skimage import data

    photo = cv2.resize(data.retina()[300:1100, 300:1100], (104, 104), interpolation=cv2.INTER_AREA)
    linear = 0.25 * (photo / 255.0) ** 2.2
    rng = np.random.default_rng(seed)
    ok = np.ones((96, 96), np.uint8)

    def picture(t: float, number: int) -> registration.Prepared:
        y, x = rng.integers(3, 5, 2)
        light = linear[y : y + 96, x : x + 96] * t + 0.15 * (1 - t)
        light = light + noise * np.sqrt(light) * rng.standard_normal(light.shape)
        coded = np.rint(255 * np.clip(light, 0, 1) ** (1 / 2.2)).astype(np.uint8)
        return registration.prepare(coded, ok, number)

    comparer = pairs.Comparer(96, 96)
    # neighbours without airlight, from which the noise is heard
    before = picture(1.0, 0)
    for number in range(1, 60):
        now = picture(1.0, number)
        motion = registration.find_motion(before, now)
        assert motion is not None
        assert comparer.compare(before, now, motion) is not None
        before = now
    out = []
    for number in range(count):
        a, b = picture(1.0, 100 + 10 * number), picture(1 - loss, 105 + 10 * number)
        motion = registration.find_motion(a, b)
        if motion is not None:
            reading = comparer.compare(a, b, motion)
            assert reading is not None
            out.append(1 - np.exp(reading.log_ratio))
    return np.array(out)


@pytest.mark.parametrize("noise", [0.004, 0.009, 0.014])
def test_noise_does_not_pass_for_contrast(noise: float) -> None:
    """Noise adds its own power to both pictures, which pulls a ratio of powers towards one."""
    read = chart_pairs(0.5, noise, 12)
    assert len(read) >= 8
    assert np.median(read[:, 1:], axis=0) == pytest.approx(0.5, abs=0.06)


def test_clipped_highlights_lose_no_contrast_and_are_left_out() -> None:
    """A mirror reflection many times brighter than white stays white under airlight."""
    from skimage import data

    rng = np.random.default_rng(2)
    photo = cv2.resize(data.retina()[300:1100, 300:1100], (288, 288), interpolation=cv2.INTER_AREA)
    linear = (photo / 255.0) ** 2.2
    for y, x in rng.integers(8, 280, (90, 2)):
        cv2.circle(linear, (int(x), int(y)), 2, (3.0, 3.0, 3.0), -1)
    pair = []
    for number, t in enumerate((1.0, 0.5)):
        seen = np.clip(linear * t + 0.3 * (1 - t), 0, 1) ** (1 / 2.2)
        small = cv2.resize(seen, (96, 96), interpolation=cv2.INTER_AREA)
        coded = np.rint(255 * small).astype(np.uint8)
        pair.append(registration.prepare(coded, np.ones((96, 96), np.uint8), number))
    motion = registration.find_motion(pair[0], pair[1])
    assert motion is not None
    reading = pairs.Comparer(96, 96).compare(pair[0], pair[1], motion)
    assert reading is not None
    assert 1 - np.exp(reading.log_ratio) == pytest.approx(0.5, abs=0.05)


def test_visual_range_law_and_contrast_threshold() -> None:
    """Contrast threshold 5 % of the meteorological optical range (IEV 845-31-020):
    at that range t = 0.05, so ln(1/0.05) = 3.00 optical depths and a loss of 0.95;
    half of it leaves sqrt(0.05). Read on a chart whose airlight is known.
    """
    assert -np.log(0.05) == pytest.approx(3.0, abs=0.005)
    rng = np.random.default_rng(4)
    chart = cv2.resize(
        rng.uniform(20, 240, (16, 16)).astype(np.float32), (96, 96), interpolation=cv2.INTER_CUBIC
    )
    rgb = np.repeat(np.clip(chart, 0, 245)[..., None], 3, -1).astype(np.uint8)
    half = 1 - np.sqrt(0.05)
    assert pair_loss(rgb, half)[1] == pytest.approx(half, abs=0.01)
    assert pair_loss(rgb, 0.95)[2] == pytest.approx(0.95, abs=0.015)


def test_more_airlight_more_loss_and_blur_keeps_coarse_contrast() -> None:
    from skimage import data

    small = cv2.resize(data.coffee()[:400, :400], (96, 96), interpolation=cv2.INTER_AREA)
    small = np.clip(small, 0, 245).astype(np.uint8)
    read = [pair_loss(small, x)[1] for x in (0.0, 0.15, 0.3, 0.5, 0.7, 0.85)]
    assert np.all(np.diff(read) > 0.1)
    fine, _middle, coarse = pair_loss(small, 0.0, blur_px=1.0)
    assert fine > 0.35
    assert coarse < 0.5 * fine


@pytest.mark.parametrize("even", [1.0, 0.6])
def test_fog_is_measured_and_found(canvas: np.ndarray, even: float) -> None:
    scene = Scene(
        seed=3, duration_s=20, canvas=canvas, disturbances=(fog(0.6, even=even),), quality=85
    )
    got, loss, fields = measured(scene)
    fogged = loss >= 0.15
    known = np.isfinite(got.contrast_loss)
    assert known[fogged].mean() >= 0.8
    assert np.abs(got.contrast_loss - loss)[fogged & known].mean() < 0.05
    assert np.nanmean(got.contrast_loss[loss < 0.02]) < 0.05
    events = find_events(got.series(), fields, 20.0)
    assert [e.kind for e in events if e.kind == "fog"] == ["fog"]
    found = [(e.start_s, e.stop_s) for e in events if e.kind == "fog"]
    assert len(match(found, fog_truth(got.time_s, loss))) == 1
    tau = recovery_time_constant_s(got.series(), next(e for e in events if e.kind == "fog"))
    assert tau is not None
    assert 0.5 < tau < 6


def test_recording_that_starts_fogged(canvas: np.ndarray) -> None:
    scene = Scene(
        seed=8, duration_s=16, canvas=canvas, disturbances=(Disturbance("fog", -1, 0.5, 3, 6, 0.6),)
    )
    got, loss, fields = measured(scene)
    assert np.nanmean(np.abs(got.contrast_loss - loss)[loss >= 0.15]) < 0.06
    assert any(e.kind == "fog" and e.start_s < 0.5 for e in find_events(got.series(), fields, 16.0))


def test_gain_alone_is_no_loss(canvas: np.ndarray) -> None:
    got, _loss, fields = measured(Scene(seed=21, duration_s=20, canvas=canvas, gain="steps"))
    assert np.nanmax(got.contrast_loss) < 0.12
    assert not [e for e in find_events(got.series(), fields, 20.0) if e.kind == "fog"]


def test_turned_picture_has_the_same_loss(canvas: np.ndarray) -> None:
    scene = Scene(
        seed=5, duration_s=14, canvas=canvas, disturbances=(fog(0.5, 4.0, 0.4),), full_frame=True
    )
    straight, loss, _ = measured(scene)
    turned, _, _ = measured(scene, turn=True)
    sel = loss > 0.15
    # not the same crop: the turned one is square
    assert np.nanmean(np.abs(straight.contrast_loss - turned.contrast_loss)[sel]) < 0.06


@pytest.mark.parametrize(
    ("kind", "depth"), [("blur", 5.0), ("dark", 0.02), ("glare", 8.0), ("out_of_body", 1.0)]
)
def test_other_disturbances_are_named_and_are_not_fog(
    canvas: np.ndarray, kind: str, depth: float
) -> None:
    scene = Scene(
        seed=12,
        duration_s=16,
        canvas=canvas,
        level=0.25,
        disturbances=(
            Disturbance(kind, 6.0, 0.4 if kind != "out_of_body" else 0.01, 3.0, 0.5, depth),
        ),
    )
    got, _loss, fields = measured(scene)
    events = find_events(got.series(), fields, 16.0)
    kinds = [e.kind for e in events]
    assert "fog" not in kinds
    assert match([(e.start_s, e.stop_s) for e in events if e.kind == kind], [(6.2, 9.3)])


def test_scene_change_to_smooth_tissue_is_not_fog() -> None:
    rough, smooth = tissue_canvas(1, 1.0, 0.4), tissue_canvas(2, 0.03, 0.8)
    from tests.scenes_lens import mosaic_canvas

    scene = Scene(
        seed=44, duration_s=20, canvas=mosaic_canvas([rough, smooth, smooth, rough]), speed=0.3
    )
    got, _loss, fields = measured(scene)
    assert not [e for e in find_events(got.series(), fields, 20.0) if e.kind == "fog"]


def series_of(loss: np.ndarray, **more: np.ndarray) -> dict[str, np.ndarray]:
    n = len(loss)
    base = {
        "time_s": np.arange(n) / 5.0,
        "contrast_loss": loss,
        "contrast_loss_low": loss - 0.05,
        "contrast_loss_high": loss + 0.05,
        "level": np.full(n, 0.5),
        "clipped_share": np.zeros(n),
        "foreign_share": np.zeros(n),
        "contrast": np.full(n, 0.1),
        "redness": np.full(n, 0.8),
        "blur": np.zeros(n),
        "blur_sure": np.zeros(n),
        "glare_sure": np.zeros(n),
        "dark_sure": np.zeros(n),
        "dark_share": np.zeros(n),
        "smudge": np.zeros(n),
        "break_before": np.zeros(n),
    }
    return base | more


def test_events_follow_the_threshold_and_the_least_length() -> None:
    loss = np.zeros(100)
    loss[20:22] = 0.4  # 0.4 s: too short
    loss[40:43] = 0.4  # 0.6 s
    loss[60:80] = 0.2
    fields = [whole_picture(320, 240, 0, 20, 1)]
    spans = [(e.start_s, e.stop_s) for e in find_events(series_of(loss), fields, 20.0)]
    assert spans == [(8.0, 8.6), (12.0, 16.0)]
    high = find_events(series_of(loss), fields, 20.0, {"event_loss": 0.3})
    assert [(e.start_s, e.stop_s) for e in high] == [(8.0, 8.6)]
    assert high[0].peak_loss == pytest.approx(0.4)


def test_fog_pales_the_colour_and_what_does_not_is_no_fog() -> None:
    """White airlight V in light M leaves (M - V) / M of the saturation, by Koschmieder's law."""
    fields = [whole_picture(320, 240, 0, 20, 1)]
    loss = np.zeros(100)
    loss[40:70] = 0.4
    light = np.full(100, 0.5) ** 2.2
    veiling = np.where(loss > 0, 0.3 * light, 0)
    pale = np.where(loss > 0, 0.7 * 0.5, 0.5)
    same = series_of(loss, veiling_luminance=veiling, saturation=np.full(100, 0.5))
    assert find_events(same, fields, 20.0) == []
    faded = find_events(series_of(loss, veiling_luminance=veiling, saturation=pale), fields, 20.0)
    assert [(e.kind, e.start_s, e.stop_s) for e in faded] == [("fog", 8.0, 14.0)]
    # a picture without colour tells nothing
    grey = series_of(loss, veiling_luminance=veiling, saturation=np.full(100, 0.02))
    assert [e.kind for e in find_events(grey, fields, 20.0)] == ["fog"]


def test_strong_fading_makes_fog_sure_and_bridges_what_has_no_number() -> None:
    """Where the airlight is open the interval is wide, but faded colour is still of airlight."""
    fields = [whole_picture(320, 240, 0, 20, 1)]
    loss = np.zeros(100)
    loss[40:70] = 0.4
    light = np.full(100, 0.5) ** 2.2
    more = {
        "veiling_luminance": np.where(loss > 0, 0.4 * light, 0),
        "saturation": np.where(loss > 0, 0.6 * 0.5, 0.5),
        "contrast_loss_low": np.zeros(100),
    }
    spans = [(e.start_s, e.stop_s) for e in find_events(series_of(loss, **more), fields, 20.0)]
    assert spans == [(8.0, 14.0)]
    # half the fading that the airlight should bring is not enough, and nor is a slow coming
    weak = more | {"saturation": np.where(loss > 0, 0.88 * 0.5, 0.5)}
    assert find_events(series_of(loss, **weak), fields, 20.0) == []
    slow = np.where(loss > 0, np.clip((np.arange(100) - 39) / 75, 0, 0.4), 0)
    assert find_events(series_of(slow, **more), fields, 20.0) == []
    loss[50:64] = np.nan
    gap = [(e.start_s, e.stop_s) for e in find_events(series_of(loss, **more), fields, 20.0)]
    assert gap == [(8.0, 14.0)]
    # colour that came back in between ends it
    vivid = more["saturation"].copy()
    vivid[52:64] = 0.5
    two = find_events(series_of(loss, **(more | {"saturation": vivid})), fields, 20.0)
    assert [(e.start_s, e.stop_s) for e in two] == [(8.0, 10.4), (12.8, 14.0)]


def test_each_view_is_compared_with_its_own_clear_colour() -> None:
    """A look at paler tissue through the fog: it pales both, each by as much as it should."""
    fields = [whole_picture(320, 240, 0, 20, 1)]
    loss, tissue, cut = np.zeros(100), np.full(100, 0.45), np.zeros(100)
    loss[40:70], tissue[:50], cut[50] = 0.4, 0.2, 1
    light = np.full(100, 0.5) ** 2.2
    veiling = np.where(loss > 0, 0.4 * light, 0)
    more = {"veiling_luminance": veiling, "saturation": tissue * np.where(loss > 0, 0.6, 1)}
    found = find_events(series_of(loss, **more, break_before=cut), fields, 20.0)
    assert [(e.kind, e.start_s, e.stop_s) for e in found] == [("fog", 8.0, 14.0)]
    # vivid tissue that comes into view with the loss is another thing
    assert find_events(series_of(loss, **more), fields, 20.0) == []


def test_two_of_three_witnesses_are_enough_for_fog() -> None:
    """Its interval, its sudden coming, and the colour that it takes."""
    fields = [whole_picture(320, 240, 0, 20, 1)]
    came = np.zeros(100)
    came[40:70] = 0.4
    crept = np.where(came > 0, np.clip((np.arange(100) - 39) / 75, 0, 0.4), 0)
    for loss, low, fades in [(came, 0.1, False), (came, 0, True), (crept, 0.1, True),
                             (came, 0, False), (crept, 0, True), (crept, 0.1, False)]:  # fmt: skip
        light = np.full(100, 0.5) ** 2.2
        keeps = 1 - (1 if fades else 0.4) * loss
        more = {
            "veiling_luminance": loss * light,
            "saturation": 0.5 * keeps,
            "contrast_loss_low": np.where(loss > 0, low, 0),
        }
        kinds = [e.kind for e in find_events(series_of(loss, **more), fields, 20.0)]
        assert kinds == (["fog"] if (loss is came) + (low > 0) + fades >= 2 else [])


@pytest.mark.parametrize(("clipped", "level"), [(0.9, 0.95), (0.0, 0.02)])
def test_fog_goes_on_while_it_is_too_bright_or_dark_to_see_it(clipped: float, level: float) -> None:
    fields = [whole_picture(320, 240, 0, 30, 1)]
    loss, clip, lit = np.zeros(150), np.zeros(150), np.full(150, 0.5)
    loss[40:90] = 0.4
    unseen = slice(55, 70)
    loss[unseen], clip[unseen], lit[unseen] = np.nan, clipped, level

    def fogs(series: dict[str, np.ndarray]) -> list[tuple[float, float]]:
        return [(e.start_s, e.stop_s) for e in find_events(series, fields, 30.0) if e.kind == "fog"]

    shown = series_of(loss, clipped_share=clip, level=lit)
    assert fogs(shown) == [(8.0, 18.0)]
    # after so long nobody can tell
    far = {k: np.insert(x, 60, np.repeat(x[60:61], 45)) for k, x in shown.items()}
    far["time_s"] = np.arange(195) / 5.0
    assert fogs(far) == [(8.0, 11.0), (23.0, 27.0)]
    # it was clear for a second before the light came back
    loss[70:75] = 0
    assert fogs(series_of(loss, clipped_share=clip, level=lit)) == [(8.0, 11.0), (15.0, 18.0)]


def test_smudge_under_fog_alone_is_uneven_fog() -> None:
    fields = [whole_picture(320, 240, 0, 20, 1)]
    loss, smudge = np.zeros(100), np.zeros(100)
    loss[40:70], smudge[40:72] = 0.4, 0.5
    assert [e.kind for e in find_events(series_of(loss, smudge=smudge), fields, 20.0)] == ["fog"]
    smudge[20:90] = 0.5
    kinds = [e.kind for e in find_events(series_of(loss, smudge=smudge), fields, 20.0)]
    assert kinds == ["smudge", "fog"]


def test_unknown_stays_unknown_and_overlaps_stay_apart() -> None:
    fields = [whole_picture(320, 240, 0, 20, 1)]
    assert find_events(series_of(np.full(100, np.nan)), fields, 20.0) == []
    loss, blur = np.zeros(100), np.zeros(100)
    loss[30:60], blur[40:70] = 0.5, 0.8
    kinds = [
        (e.kind, e.start_s, e.stop_s)
        for e in find_events(series_of(loss, blur=blur, blur_sure=blur), fields, 20.0)
    ]
    assert kinds == [("fog", 6.0, 12.0), ("blur", 8.0, 14.0)]
    # what takes no detail is no blur, however sure it looks
    assert not find_events(series_of(np.zeros(100), blur=blur / 80, blur_sure=blur), fields, 20.0)


def test_fog_that_is_known_by_its_least_loss_only_has_no_number() -> None:
    fields = [whole_picture(320, 240, 0, 20, 1)]
    loss, low = np.zeros(100), np.zeros(100)
    loss[40:70], low[40:70] = np.nan, 0.2
    (event,) = find_events(series_of(loss, contrast_loss_low=low), fields, 20.0)
    assert (event.kind, event.start_s, event.stop_s) == ("fog", 8.0, 14.0)
    assert event.peak_loss is None
    assert event.mean_loss is None
    assert 0.5 <= event.confidence <= 1
    known = series_of(loss, contrast_loss_low=low)
    assert find_events(known, fields, 20.0, {"event_loss": 0.3}) == []
    low[40:70] = 0.1
    assert find_events(series_of(loss, contrast_loss_low=low), fields, 20.0) == []


def test_blur_glare_and_dark_are_what_explains_the_moment_and_say_how_much() -> None:
    fields = [whole_picture(320, 240, 0, 20, 1)]
    for kind, share in (("blur", "blur"), ("glare", "clipped_share"), ("dark", "dark_share")):
        sure, much = np.zeros(100), np.full(100, 0.34)
        assert find_events(series_of(sure, **{share: much}), fields, 20.0) == []
        sure[20:60] = 0.9
        (event,) = find_events(
            series_of(np.zeros(100), **{share: much, f"{kind}_sure": sure}), fields, 20.0
        )
        assert (event.kind, event.start_s, event.stop_s) == (kind, 4.0, 12.0)
        assert event.peak_loss == pytest.approx(0.34)
    # a lamp that is off from first to last never fell
    (dark,) = find_events(series_of(np.zeros(100), level=np.full(100, 0.01)), fields, 20.0)
    assert (dark.kind, dark.start_s, dark.stop_s) == ("dark", 0.0, 20.0)


def test_time_without_a_field_is_out_of_body() -> None:
    fields = [
        FieldSpan(
            start_s=0,
            stop_s=10,
            shape="circle",
            center_x_px=160,
            center_y_px=120,
            radius_px=100,
            left_px=0,
            top_px=0,
            right_px=320,
            bottom_px=240,
            confidence=1,
        ),
        whole_picture(320, 240, 10, 20, 0.9),
    ]
    events = find_events(series_of(np.zeros(100)), fields, 20.0)
    assert [(e.kind, e.start_s, e.stop_s) for e in events] == [("out_of_body", 10.0, 20.0)]


@pytest.mark.parametrize(
    ("shown", "red", "outside"), [(0.01, 0.1, False), (0.02, 0.1, True), (0.01, 0.0, True)]
)
def test_fog_too_dense_to_follow_is_not_outside_but_another_view_in_it_is(
    shown: float, red: float, outside: bool
) -> None:
    """The view is lost at 8.2 s, with it comes no contrast, or that of another, or its colour.

    Contrast over the mean light goes with t and faster, by Koschmieder's law.
    """
    at = np.arange(100)
    lost, foreign = (at >= 36) & (at < 60), (at >= 40) & (at < 60)
    there = lost & (at >= 41)
    series = series_of(
        np.where(lost, np.nan, 0.0),
        contrast=np.where(there, shown, np.where(lost, 0.01, 0.1)),
        redness=np.where(there, red, np.where(lost, 0.1, 0.8)),
        foreign_share=np.where(foreign, 0.9, 0.0),
        break_before=np.isin(at, [41, 55]).astype(float),
    )
    events = find_events(series, [whole_picture(COLS, ROWS, 0, 30, 1)], 20.0)
    assert ("out_of_body" in [e.kind for e in events]) == outside


def test_a_room_seen_through_fog_is_out_of_body(canvas: np.ndarray) -> None:
    looks = Disturbance("out_of_body", 8.0, 0.01, 4.0, 0.01, 1.0)
    scene = Scene(
        seed=12, duration_s=18, canvas=canvas, airlight=(0.7, 0.7, 0.7), coarse=True,
        disturbances=(Disturbance("fog", 5.0, 0.8, 6.0, 3.0, 0.7), looks),
    )  # fmt: skip
    got, _loss, fields = measured(scene)
    kinds = [e.kind for e in find_events(got.series(), fields, 18.0)]
    assert "fog" in kinds
    assert "out_of_body" in kinds


def test_recovery_time_constant_of_an_exponential() -> None:
    time = np.arange(200) / 5
    loss = np.where(time < 10, 0.0, 0.7 * np.exp(-(time - 10) / 3.0))
    event = Event(kind="fog", start_s=10, stop_s=14.6, confidence=1)
    assert recovery_time_constant_s(series_of(loss), event) == pytest.approx(3.0, rel=0.05)
    steady = np.where(time < 10, 0.0, 0.5)
    assert (
        recovery_time_constant_s(
            series_of(steady), Event(kind="fog", start_s=10, stop_s=40, confidence=1)
        )
        is None
    )


def test_clearing_undoes_the_law_with_limited_strength() -> None:
    clear = np.arange(30, 200)
    coded = 16 + 219 * clear / 255.0
    veiled = 16 + 219 * (((clear / 255.0) ** 2.2) * 0.6 + 0.5 * 0.4) ** (1 / 2.2)
    at = np.rint(veiled).astype(int)
    back = clear_luma_lut(0.4, 0.5, 1.0)[at].astype(float)
    assert np.abs(back - coded).mean() < 1.0
    half = clear_luma_lut(0.4, 0.5, 0.2)[at].astype(float)
    assert veiled.std() < half.std() < back.std()
    lut = clear_luma_lut(0.4, 0.5, 1.0)
    assert np.all(np.diff(lut.astype(int)) >= 0)
    # the airlight itself is the fixed point of the law
    fixed = round(16 + 219 * 0.5 ** (1 / 2.2))
    assert abs(int(lut[fixed]) - fixed) <= 1
    assert np.array_equal(clear_luma_lut(0.0, 0.5), np.arange(256))
    assert np.array_equal(clear_luma_lut(float("nan"), 0.5), np.arange(256))
    # never more than three times the slope in linear light, however deep the fog
    linear = lambda y: np.clip((np.asarray(y, float) - 16) / 219, 0, 1) ** 2.2  # noqa: E731
    deep = clear_luma_lut(0.98, 0.5, 1.0)
    at = np.arange(180, 220)
    slope = (linear(deep[220]) - linear(deep[180])) / (linear(220) - linear(180))
    assert slope < 3.1, at
    assert 1.0 <= clear_chroma_gain(0.4, 0.5, 0.6) <= 3.0


def test_input_is_checked() -> None:
    fold = LensFold([whole_picture(320, 240, 0, 10, 1)], 320, 240)
    with pytest.raises(ValueError, match="uint8"):
        fold.step(0.0, np.zeros((120, 160), np.uint8))
    fold.step(0.0, np.zeros((120, 160, 3), np.uint8))
    with pytest.raises(ValueError, match="order"):
        fold.step(0.0, np.zeros((120, 160, 3), np.uint8))
    with pytest.raises(ValueError, match="size"):
        fold.step(1.0, np.zeros((60, 80, 3), np.uint8))
    got = fold.finish()
    assert np.isnan(got.contrast_loss).all()
    assert len(got.series()["time_s"]) == 1


def test_memory_is_flat_in_pictures() -> None:
    fold = LensFold([whole_picture(320, 240, 0, 1000, 1)], 320, 240)
    picture = reduced(
        np.clip(
            255
            * picture_canvas(
                np.random.default_rng(0).integers(0, 255, (64, 64, 3)).astype(np.uint8)
            )[:240, :320],
            0,
            255,
        ).astype(np.uint8)
    )
    for k in range(40):
        fold.step(k / 5, picture)
    got = fold.tables()
    held = (got.samples, got.pairs, got.blocks, got.sharp)
    assert sum(table.nbytes for table in held) < 40 * 1700
    assert len(fold._ring) <= 5


def test_explanations_of_one_moment_are_together_no_surer_than_certain() -> None:
    fields = [whole_picture(320, 240, 0, 20, 1)]
    loss, sure = np.zeros(100), np.zeros(100)
    loss[30:60], sure[40:70] = 0.5, 0.9
    both = find_events(series_of(loss, blur_sure=sure, blur=sure), fields, 20.0)
    alone = find_events(series_of(loss), fields, 20.0)
    alone += find_events(series_of(np.zeros(100), blur_sure=sure, blur=sure), fields, 20.0)
    assert [e.kind for e in both] == ["fog", "blur"]
    for together, single in zip(both, alone, strict=True):
        assert together.confidence < single.confidence
    # 4 of the 6 s lie under the other
    fog, blur = (e.confidence / (1 - e.confidence) for e in alone)
    share = 1 / 3 * blur / (1 + blur) + 2 / 3 * blur / (1 + blur + min(fog, 99))
    assert both[1].confidence == pytest.approx(share, abs=0.002)
    # a spell that lies wholly under two others leaves room for none of them
    glare = np.where(sure > 0, 0.9, 0)
    many = series_of(np.zeros(100), blur_sure=sure, glare_sure=glare, dark_sure=glare)
    assert sum(e.confidence for e in find_events(many, fields, 20.0)) < 1
