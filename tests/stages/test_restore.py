"""The edit `clear`, the words that name it, the card, and the fade at a cut."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import media_zoo
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.time import Span
from pipeline.stages.card import card_box, draw_card
from pipeline.stages.restore import (
    RESTORED_WORDS,
    Restorer,
    draw_words,
    plan_restoration,
    words_box,
    words_shown,
)

FOG = media_zoo.FogTruth(start_s=4.0, rise_s=0.6, peak_loss=0.5, hold_s=2.0, clear_s=1.0)


def series(**more: Any) -> dict[str, NDArray[Any]]:
    time_s = np.arange(0, 10, 0.2)
    loss = np.where((time_s >= 4) & (time_s < 7), 0.5, 0.0)
    ones = np.ones_like(time_s)
    return {"time_s": time_s, "contrast_loss": loss, "airlight": 0.4 * ones, "gain": ones} | more


def planes(luma: NDArray[np.uint8]) -> list[NDArray[np.uint8]]:
    half = np.full((luma.shape[0] // 2, luma.shape[1] // 2), 140, np.uint8)
    return [luma, half, half.copy()]


def test_the_airlight_is_undone_by_koschmieders_law() -> None:
    """I = J t + A (1 - t) in linear light (Koschmieder 1924); black outside stays black."""
    plan = plan_restoration(0, Span(4, 7), series())
    assert plan is not None and plan.knots[0][1] == 0 and plan.knots[-1][1] == 0
    rng = np.random.default_rng(0)
    scene = rng.uniform(0.05, 0.5, (64, 64))
    t = 1 - 0.5
    veiled = np.rint(16 + 219 * (scene * t + 0.4 * (1 - t)) ** (1 / 2.2)).astype(np.uint8)
    veiled[:8] = 16
    clear = 16 + 219 * scene ** (1 / 2.2)
    picture = planes(veiled.copy())
    assert Restorer([plan]).apply(picture, 5.5)
    before = np.abs(veiled[8:] - clear[8:]).mean()
    assert np.abs(picture[0][8:] - clear[8:]).mean() < 0.35 * before
    assert (picture[0][:8] == 16).all() and (picture[1] > 140).all()
    untouched = planes(veiled.copy())
    assert not Restorer([plan]).apply(untouched, 7.5) and (untouched[0] == veiled).all()


@pytest.mark.parametrize("fog", [FOG, media_zoo.FogTruth(3.0, 2.0, 0.4, 0.5, 2.5)])
def test_nothing_jumps_where_the_restoration_begins_and_ends(fog: media_zoo.FogTruth) -> None:
    """From one fifth of a second to the next mean luma changes as little as the clear scene's,
    but for the rounding of the tables."""
    time_s = np.arange(0, 14, 0.2)
    loss = np.array([fog.loss(float(t)) for t in time_s])
    seen = time_s[loss >= 0.15]
    air = float(np.dot((0.42, 0.41, 0.40), (0.2126, 0.7152, 0.0722)))
    found = {"time_s": time_s, "contrast_loss": loss, "airlight": air + 0 * time_s,
             "gain": 1 + 0 * time_s}  # fmt: skip
    plan = plan_restoration(0, Span(float(seen[0]), float(seen[-1])), found)
    assert plan is not None
    restorer = Restorer([plan])

    def means(veiling: media_zoo.FogTruth | None) -> NDArray[Any]:
        pictures = media_zoo.scope_frames(
            len(time_s), Fraction(5), (160, 120), seed=3, fog=veiling, surround=0, noise_levels=0
        )
        out = []
        for t, rgb in zip(time_s, pictures, strict=True):
            y = 16 + 219 / 255 * (rgb @ np.array([0.2126, 0.7152, 0.0722], np.float32))
            picture = planes(np.rint(y).astype(np.uint8))
            restorer.apply(picture, float(t)) if veiling else None
            out.append(picture[0][30:90, 40:120].mean())
        return np.array(out)

    clear, restored = means(None), means(fog)
    most = np.abs(np.diff(clear)).max() + 0.8
    steps = np.abs(np.diff(restored))
    ends = (np.abs(time_s[1:] - plan.start_s) < 1.0) | (np.abs(time_s[1:] - plan.stop_s) < 1.0)
    assert steps[ends].max() <= most, (steps[ends].max(), most)
    late = time_s[1:] > fog.start_s + fog.rise_s + 0.4
    assert steps[late].max() <= most, (steps[late].max(), most)


def test_unknown_loss_is_not_restored() -> None:
    loss = series()["contrast_loss"].copy()
    loss[20:32] = np.nan
    assert plan_restoration(0, Span(4, 7), series(contrast_loss=loss)) is None
    assert plan_restoration(0, Span(4, 7), {"sound_hop_power": np.zeros(3)}) is None


def test_words_are_legible_on_any_tissue_and_stay_in_the_field() -> None:
    span = FieldSpan(
        start_s=0, stop_s=9, shape="circle-clipped", center_x_px=320, center_y_px=240,
        radius_px=250, left_px=0, top_px=10, right_px=640, bottom_px=470, confidence=1,
    )  # fmt: skip
    for level in (30, 120, 230):
        luma = np.full((480, 640), level, np.uint8)
        box = words_box(span, 640, 480, [])
        x, y, wide, high = box
        corners = [np.hypot(a - 320, b - 240) for a in (x, x + wide) for b in (y, y + high)]
        assert max(corners) < 250 and y + high < 470
        assert words_shown(luma, RESTORED_WORDS, box) < 0.1
        draw_words(planes(luma), RESTORED_WORDS, box)
        assert words_shown(luma, RESTORED_WORDS, box) > 0.85
        part = luma[y : y + high, x : x + wide].astype(int)
        assert np.ptp(part) > 150
    other = words_box(span, 640, 480, [box])
    assert not (other[1] < y + high and other[1] + other[3] > y)


def test_the_card_fits_any_text() -> None:
    for text in ("Crusts removed\n412 mg", "W" * 60 + "\n1 mg", "A\n1"):
        x, y, wide, high = card_box(text, 640, 480)
        assert x >= 0 and y >= 0 and x + wide <= 640 and y + high <= 480
        picture = planes(np.full((480, 640), 16, np.uint8))
        draw_card(picture, text)
        assert picture[0].max() > 200
        picture[0][y - 12 : y + high + 12, max(0, x - 12) : x + wide + 12] = 16
        assert picture[0].max() == 16


def frames(path: Path) -> dict[float, NDArray[np.uint8]]:
    with av.open(str(path)) as container:
        return {
            float(f.time): np.asarray(f.to_ndarray(format="gray"), np.uint8)
            for f in container.decode(video=0)
        }


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_a_fogged_case_is_cleared_and_says_so(tmp_path: Path) -> None:
    from pipeline.model.options import Options
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked

    folder = tmp_path / "case"
    folder.mkdir()
    clips = [
        media_zoo.scope_clip(path, 14.0, size=(640, 480), seed=5, fog=fog)
        for path, fog in ((folder / "a.mp4", FOG), (tmp_path / "clear.mp4", None))
    ]
    (folder / "case.toml").write_text(
        'case = "QM-0310"\ntitle = "Crusts"\n[[recording]]\nfiles = ["a.mp4"]\n'
        '[consent]\nscope = "public"\ngiven_on = 2026-03-02\n'
        '[measured]\nlabel = "Crusts removed"\nvalue = 412\nunit = "mg"\n'
    )
    options = Options()
    options.lens.fog = "clear"
    options.anonymity.faces = False
    run = run_case(
        folder, tmp_path / "out", options, Asked(looked="AB"),
        catalogue=tmp_path / "c.sqlite3",
    )
    assert run.plan is not None and run.plan.restorations, run.plan and run.plan.edits
    assert run.ending.released is not None, run.withheld
    checks = {c.check: c for c in run.checks}
    named = checks["restored contrast is named in the picture"]
    assert named.passed and named.measured > 0.7
    assert checks["lettering in the picture"].passed  # the words and the card are meant to be there
    shown, clear = frames(run.ending.released.path), frames(clips[1].path)
    fogged = frames(clips[0].path)
    assert max(shown) == pytest.approx(14 + 3, abs=0.2)
    assert shown[max(shown)].max() > 190  # the card
    # Scene contrast in the middle of the field, away from mark and words, in linear light.
    part = (slice(190, 290), slice(250, 390))

    def linear(picture: NDArray[np.uint8]) -> NDArray[np.float64]:
        return np.asarray(np.clip((picture[part].astype(float) - 16) / 219, 0, 1) ** 2.2)

    def gap(pictures: dict[float, NDArray[np.uint8]], time_s: float) -> float:
        near = min(pictures, key=lambda t: abs(t - time_s))
        want = min(clear, key=lambda t: abs(t - time_s))
        return float(np.abs(linear(pictures[near]) - linear(clear[want])).mean())

    restored = [gap(shown, t) for t in (5.2, 5.8, 6.4)]
    veiled = [gap(fogged, t) for t in (5.2, 5.8, 6.4)]
    assert np.mean(restored) < 0.5 * np.mean(veiled), (restored, veiled)
    sheet = json.loads(run.ending.released.sheet.read_text())
    assert any("contrast restored" in json.dumps(line) for line in sheet["edits"])


def test_a_cut_fades_without_showing_what_was_cut(tmp_path: Path) -> None:
    from pipeline.model.options import Options
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked

    folder = tmp_path / "case"
    folder.mkdir()
    media_zoo.scope_clip(folder / "a.mp4", 8.0, size=(320, 240), seed=7)
    (folder / "case.toml").write_text(
        'case = "QM-0311"\ntitle = "Crusts"\n[[recording]]\nfiles = ["a.mp4"]\n'
        'keep = [[0, 3], [5, 8]]\n[consent]\nscope = "public"\ngiven_on = 2026-03-02\n'
    )
    options = Options()
    options.anonymity.faces = options.anonymity.lettering = False
    options.output.crf = 12
    out, catalogue = tmp_path / "out", tmp_path / "c.sqlite3"
    run = run_case(folder, out, options, Asked(looked="AB", approve="AB"), catalogue=catalogue)
    assert run.ending.released is not None, run.withheld
    assert run.plan is not None and run.plan.pieces[1].fade_s > 0.2
    shown, source = frames(run.ending.released.path), frames(folder / "a.mp4")
    part = (slice(100, 140), slice(120, 200))

    def at(pictures: dict[float, NDArray[np.uint8]], time_s: float) -> NDArray[np.float64]:
        near = min(pictures, key=lambda t: abs(t - time_s))
        return pictures[near][part].astype(float)

    before, after = at(source, 2.96), at(source, 5.12)
    mixed = at(shown, 3.12)
    share = float(((mixed - after) * (before - after)).sum() / ((before - after) ** 2).sum())
    assert 0.3 < share < 0.7  # half-way through the fade
    assert np.abs(at(shown, 3.4) - at(source, 5.4)).mean() < 2.5
