"""Focus lost and found again: readings of pairs, and made clips."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.analysis.lens.events import find_events
from pipeline.analysis.lens.explain import Blocks, Moments, Spell, cues, find_spells
from pipeline.analysis.lens.fold import LensFold
from pipeline.analysis.lens.solve import Pairs
from tests.analysis.test_lens import field_of
from tests.scenes_lens import Clip, Disturbance, Scene, match, reduced, tissue_canvas


def losses_of(
    band_losses: np.ndarray, share: float = 1.0, seed: int = 0, noise: float = 0.03
) -> list[Spell]:
    """What pairs of lag 1 and 5 tell where the bands lose so much. band_losses: (n, 3) ln.

    share: of the blocks in which it is lost.
    """
    rng = np.random.default_rng(seed)
    n = len(band_losses)
    i = np.concatenate([np.arange(n - lag) for lag in (1, 5)])
    j = i + np.repeat([1, 5], [n - 1, n - 5])
    ratio = band_losses[i] - band_losses[j] + noise * rng.standard_normal((len(i), 3))
    light = np.full((len(i), 3), 0.3)
    pairs = Pairs(i, j, ratio, np.full((len(i), 3), noise), light, light)
    far = np.flatnonzero(j - i == 5)
    change = np.repeat((band_losses[i] - band_losses[j])[far, 1:2] * 2, 64, 1)
    change[:, round(64 * share) :] = 0
    change = change + noise * rng.standard_normal(change.shape)
    blocks = Blocks(i[far], j[far], change, np.ones_like(change))
    kept = band_losses[:, 2] - band_losses[:, 0]
    return find_spells(cues(pairs, blocks, moments(kept + noise / 3 * rng.standard_normal(n))))


def moments(detail: np.ndarray, **more: np.ndarray) -> Moments:
    """Single samples of steady light, with so much ln of fine over coarse detail."""
    none = np.zeros(len(detail))
    steady = dict.fromkeys(Moments._fields, none) | {"light": none - 1.5, "clipped": none - 4.6}
    softer = {"detail": detail, "sharp": detail, "least_sharp": detail}
    return Moments(**(steady | softer | more))


def lost(n: int, start: int, stop: int, bands: tuple[float, float, float]) -> np.ndarray:
    out = np.zeros((n, 3))
    out[start:stop] = bands
    return out


# A Gaussian of s px leaves exp(-(2 pi f s)^2 / 2) of a frequency f (the transform of a Gaussian,
# in any table of Fourier pairs), so an octave lower loses a quarter of it in ln
FOCUS = (0.4, 0.1, 0.025)


@pytest.mark.parametrize("length", [2, 3, 6, 20, 100])
def test_a_loss_of_focus_is_found_where_it_was(length: int) -> None:
    (found,) = losses_of(lost(200, 60, 60 + length, FOCUS))
    assert abs(found.start - 60) <= 1
    assert abs(found.stop - 60 - length) <= 1
    assert found.score > 0
    if length > 2:
        assert found.depth == pytest.approx(FOCUS[0], abs=0.12)


def test_what_takes_all_scales_a_part_of_the_field_or_never_comes_back_is_no_loss_of_focus() -> (
    None
):
    assert losses_of(lost(200, 60, 66, (0.4, 0.4, 0.4))) == []
    assert losses_of(lost(200, 60, 66, (0.2, 0.16, 0.12)), share=0.3) == []
    assert losses_of(lost(200, 60, 200, FOCUS)) == []
    assert losses_of(np.zeros((200, 3)), noise=0.06) == []


def test_two_losses_stay_two_and_the_same_backwards() -> None:
    bands = lost(200, 60, 66, FOCUS) + lost(200, 90, 100, FOCUS)
    found = [(x.start, x.stop) for x in losses_of(bands, noise=0.01)]
    assert np.abs(np.array(found) - [(60, 66), (90, 100)]).max() <= 1
    back = [(200 - x.stop, 200 - x.start) for x in losses_of(bands[::-1], noise=0.01)]
    assert back[::-1] == found


def test_a_slight_loss_is_found_where_the_readings_are_quiet() -> None:
    (found,) = losses_of(lost(200, 60, 66, (0.15, 0.03, 0.0)), noise=0.005)
    assert abs(found.start - 60) <= 1
    assert losses_of(np.zeros((200, 3)), noise=0.005) == []


def test_nothing_to_compare_says_nothing() -> None:
    none = np.zeros(0, np.int64)
    empty = np.zeros((0, 3))
    blocks = Blocks(none, none, np.zeros((0, 64)), np.zeros((0, 64)))
    pairs = Pairs(none, none, empty, empty, empty, empty)
    assert find_spells(cues(pairs, blocks, moments(np.zeros(40)))) == []


def light_of(factor: np.ndarray, clipped: np.ndarray | float = 0.0) -> list[tuple[str, int, int]]:
    """Spells where only the light changes, by a factor in linear light; nothing is followed."""
    none, empty = np.zeros(0, np.int64), np.zeros((0, 3))
    rng = np.random.default_rng(3)
    n = len(factor)
    light = np.log(0.2 * factor) + 0.03 * rng.standard_normal(n)
    seen = moments(
        0.02 * rng.standard_normal(n),
        light=light,
        clipped=np.log(0.01 + clipped + np.zeros(n)),
        dark=(light < -4).astype(float),
    )
    pairs = Pairs(none, none, empty, empty, empty, empty)
    blocks = Blocks(none, none, np.zeros((0, 64)), np.zeros((0, 64)))
    return [(s.kind, s.start, s.stop) for s in find_spells(cues(pairs, blocks, seen))]


@pytest.mark.parametrize(("start", "stop"), [(60, 63), (60, 90), (0, 40), (170, 200)])
def test_light_that_falls_and_light_that_clips_are_named(start: int, stop: int) -> None:
    """Also where the recording begins or ends in it."""
    inside = (np.arange(200) >= start) & (np.arange(200) < stop)
    (dark,) = light_of(np.where(inside, 0.02, 1.0))
    assert dark[0] == "dark" and abs(dark[1] - start) <= 1 and abs(dark[2] - stop) <= 1
    (glare,) = light_of(np.where(inside, 3.0, 1.0), np.where(inside, 0.4, 0.0))
    assert glare[0] == "glare" and abs(glare[1] - start) <= 1 and abs(glare[2] - stop) <= 1


def test_a_slow_change_a_slight_one_and_steady_light_are_nothing() -> None:
    slow = np.exp(-1.5 * np.sin(np.linspace(0, np.pi, 200)) ** 2)
    assert light_of(slow) == light_of(np.ones(200)) == light_of(np.ones(200), 0.4) == []
    assert light_of(np.where(np.arange(200) // 20 == 5, 1.3, 1.0)) == []


@pytest.mark.parametrize("kind", ["blur", "rack", "flicker"])
def test_short_losses_of_focus_are_named_on_moving_tissue(kind: str) -> None:
    """Gaussians of 3 px at 480 rows for .8 s; and a lamp that flickers takes no focus."""
    depth = {"blur": 1.5, "rack": 3.0, "flicker": 0.08}[kind]
    over = tuple(Disturbance(kind, t, 0.1, 0.7, 0.1, depth) for t in (4.0, 8.4))
    scene = Scene(
        seed=15,
        duration_s=12,
        canvas=tissue_canvas(31, 0.6, 0.5),
        disturbances=over,
        coarse=True,
    )
    clip = Clip(scene)
    fold = LensFold(field_of(clip), 320, 240)
    for time_s, rgb, _loss in clip.frames():
        fold.step(time_s, reduced(rgb))
    events = find_events(fold.finish().series(), field_of(clip), 12.0)
    found = [(e.start_s, e.stop_s) for e in events if e.kind == "blur"]
    true = [] if kind == "flicker" else [(4.05, 4.85), (8.45, 9.25)]
    assert len(found) == len(true) == len(match(found, true))
    assert not [e for e in events if e.kind not in ("blur", "glare")]
