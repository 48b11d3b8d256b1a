"""One white balance and exposure: the gains of a plan, and what they do to coded pictures."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, rgb2lab, rgb2ycbcr

from pipeline.analysis.tiles import TILES
from pipeline.model.options import Options
from pipeline.stages.planning.cards import ALTERED, closing_words
from pipeline.stages.planning.plan import make_plan
from pipeline.stages.rendering.matching import apply_gain, gain_table
from pipeline.stages.verifying.gained import with_gain
from tests.stages.test_plan import GLYPH, case, event, source

GAINS = [(1.1, 1.0, 0.9), (0.8, 0.85, 0.82), (1.3, 1.02, 0.95)]


@pytest.fixture(autouse=True)
def _no_mark(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipeline.stages.planning.plan.placed_mark", lambda *_: (None, []))


def codes(rgb: np.ndarray) -> np.ndarray:
    """Y, Cb, Cr of limited range by scikit-image, which follows ITU-R BT.601."""
    return np.asarray(rgb2ycbcr(rgb))


@pytest.mark.parametrize("gain", GAINS)
def test_the_table_is_a_gain_of_red_green_and_blue(gain: Any) -> None:
    rgb = np.random.default_rng(3).uniform(0.1, 0.7, (40, 3))
    table = gain_table(gain, "bt601")
    found = codes(rgb) @ table[:, :3].T + table[:, 3]
    np.testing.assert_allclose(found, codes(rgb * gain), atol=0.02)
    np.testing.assert_allclose(table @ [16, 128, 128, 1], [16, 128, 128], atol=1e-9)


@pytest.mark.parametrize("matrix", ["bt601", "bt709", "bt2020"])
@pytest.mark.parametrize("gain", GAINS)
def test_the_renderer_and_verify_come_to_the_same(matrix: str, gain: Any) -> None:
    make = np.random.default_rng(5)
    y = make.integers(30, 180, (24, 32)).astype(np.uint8)
    u, v = (make.integers(105, 150, (12, 16)).astype(np.uint8) for _ in range(2))
    lit = np.full((12, 16), 255, np.uint8)
    lit[:4] = 0
    u[:4] = v[:4] = 128
    y[:8] = 16  # the surround
    planes = [y.copy(), u.copy(), v.copy()]
    apply_gain(planes, gain_table(gain, matrix), lit)
    for mine, theirs in zip(planes, with_gain([y, u, v], gain, matrix, lit), strict=True):
        assert np.abs(mine.astype(int) - theirs).max() <= 1
    assert (planes[0][:8] == 16).all() and (planes[1][:4] == 128).all(), "black stays black"
    assert (planes[0][8:] != y[8:]).any()


def tiled(length_s: float, rgb: tuple[int, int, int], index: int, sha: str) -> Any:
    make = np.random.default_rng(index)
    count = int(length_s * 5)
    tiles = np.array(rgb) * make.uniform(0.8, 1.2, (count, *TILES, 1))
    given = source(length_s, index, sha=sha)
    series = dict(given.series) | {
        "tiles_time_s": np.arange(count) / 5, "tiles": tiles.astype(np.uint8),
    }  # fmt: skip
    return replace(given, series=series)


BOTH = [{"files": ["a.mp4"], "side": "left"}, {"files": ["b.mp4"], "side": "right"}]


def planned(given: Any, recording: Any = BOTH, matched: bool = True) -> Any:
    options = Options.model_validate({"colour": {"matched": matched}, "cards": {"closing": True}})
    return make_plan(case(recording=recording), given, None, options, glyph=GLYPH)


@pytest.mark.parametrize("other", [(150, 90, 80), (110, 80, 85), (90, 60, 50), (170, 140, 60)])
def test_medians_come_together(other: Any) -> None:
    """CIEDE2000 (CIE 142-2001), by scikit-image."""
    plan = planned([tiled(6, (150, 95, 80), 0, "a"), tiled(6, other, 1, "b")])
    seen = [np.array(rgb) * s.gain for rgb, s in zip([(150, 95, 80), other], plan.sources,
                                                     strict=True)]  # fmt: skip
    apart = deltaE_ciede2000(rgb2lab(seen[0] / 255), rgb2lab(seen[1] / 255))
    assert float(apart) <= 1.0
    product = np.prod([s.gain for s in plan.sources], axis=0)
    np.testing.assert_allclose(product, 1, atol=0.01, err_msg="both move by the same share")
    assert any("colour and exposure matched: recording 1" in w for w in plan.warnings)
    words = plan.pieces[-1].words.replace("\n", " ")
    assert ALTERED["matched"] in words and ALTERED["matched"] not in closing_words([])


def test_it_is_off_unless_asked_for() -> None:
    plan = planned([tiled(6, (150, 95, 80), 0, "a"), tiled(6, (90, 60, 50), 1, "b")], matched=False)
    assert not any(s.matched for s in plan.sources)


def test_parts_of_a_recording_have_one_gain() -> None:
    recording = [{"files": ["a.mp4", "c.mp4"], "side": "left"}, BOTH[1]]
    given = [tiled(6, (150, 95, 80), 0, "a"), tiled(6, (140, 90, 80), 0, "c"),
             tiled(6, (90, 60, 50), 1, "b")]  # fmt: skip
    gains = [s.gain for s in planned(given, recording).sources]
    assert gains[0] == gains[1] != gains[2]


def test_what_cannot_be_matched_is_said() -> None:
    plan = planned([tiled(6, (200, 190, 190), 0, "a"), tiled(6, (60, 8, 6), 1, "b")])
    assert not any(s.matched for s in plan.sources)
    assert any("too far" in w for w in plan.warnings)
    alone = planned([source(6.0), source(6.0, 1, sha="b")])
    assert any("fewer than two" in w for w in alone.warnings)


def test_fogged_pictures_do_not_count() -> None:
    """Half of a recording is fogged, and grey there."""
    clear = tiled(6, (150, 95, 80), 0, "a")
    clear.series["tiles"][15:] = 180
    events = replace(clear, findings=source(6.0, events=[event("fog", 2.9, 6.0)]).findings)
    other = tiled(6, (120, 80, 80), 1, "b")
    gain = planned([events, other]).sources[0].gain
    wanted = np.sqrt(np.array([120, 80, 80]) / [150, 95, 80])
    np.testing.assert_allclose(gain, wanted, atol=0.02)
