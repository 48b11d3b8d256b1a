"""A card with before and after that shows another picture, box, mark or word is seen."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from faults import with_options
from good import Good, Planes, make_good

from pipeline.model.plan import Redaction
from pipeline.stages.verifying.compared import PREFIX

pytestmark = pytest.mark.slow

LIKE = PREFIX + "picture like its source"
Change = Callable[[Good, Path], Path]


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory) -> Good:
    return make_good(tmp_path_factory.mktemp("compared") / "made", compared=True)


def card(good: Good) -> Any:
    return next(p for p in good.plan.pieces if p.compared)


def other(change: Callable[[list[Any]], list[Any]]) -> Change:
    """The renderer draws another card than the plan says; change: of what is compared."""

    def make(good: Good, into: Path) -> Path:
        pieces = [
            p.model_copy(update={"compared": change(list(p.compared))}) if p.compared else p
            for p in good.plan.pieces
        ]
        return good.shown(into, plan=good.plan.model_copy(update={"pieces": pieces}))

    return make


def first(**changes: Callable[[Any], Any]) -> Change:
    def changed(c: list[Any]) -> list[Any]:
        return [c[0].model_copy(update={k: f(getattr(c[0], k)) for k, f in changes.items()}), c[1]]

    return other(changed)


def painted(good: Good, into: Path, change: Callable[[Planes], Any], since_s: float = 1.0) -> Path:
    at = card(good).out_start_s + since_s

    def draw(shown: Any, planes: Planes) -> None:
        if at <= shown.time_s < at + 0.4:
            change(planes)

    return good.shown(into, draw)


def _spot(planes: Planes) -> None:
    rows, cols = planes[0].shape
    planes[0][rows // 2 - 8 : rows // 2 + 8, cols // 4 - 8 : cols // 4 + 8] = 200


def _unmarked(good: Good, into: Path) -> Path:
    """Strokes of the card's second picture wiped as a blur does it."""
    import cv2

    def wipe(planes: Planes) -> None:
        half = planes[0].shape[1] // 2
        planes[0][:, half:] = cv2.medianBlur(planes[0][:, half:].copy(), 15)

    return painted(good, into, wipe)


def _swapped(c: list[Any]) -> list[Any]:
    return [c[0].model_copy(update={"words": c[1].words}),
            c[1].model_copy(update={"words": c[0].words})]  # fmt: skip


FAULTS: dict[str, tuple[str, Change]] = {
    "another moment": (LIKE, first(start_s=lambda s: s - 0.4 if s > 0.8 else s + 0.4)),
    "the field lies 8 px to the side": (LIKE, first(moved=lambda m: (m[0], m[1] + 8, m[2]))),
    "the field is a tenth larger": (LIKE, first(moved=lambda m: (1.1 * m[0], m[1], m[2]))),
    "the words are exchanged": (PREFIX + "named in words", other(_swapped)),
    "a spot for some pictures": (LIKE, lambda good, into: painted(good, into, _spot)),
    "one side without its mark": (PREFIX + "mark visible on both", _unmarked),
    "lettering beside": ("surround black", lambda good, into: painted(
        good, into, lambda planes: planes[0].__setitem__((slice(1, 5), slice(1, 9)), 90))),
}  # fmt: skip


def failed(good: Good, path: Path, **other: Any) -> list[str]:
    return [c.check for c in good.checks(path, **other) if not c.passed]


def test_the_good_one_passes(compared: Good) -> None:
    shown = card(compared).compared
    assert [c.words for c in shown] == ["Left side, before", "Left side, after"]
    checks = compared.checks(compared.path)
    assert [c.check for c in checks if not c.passed] == []
    assert sum(c.check.startswith(PREFIX) for c in checks) == 6


def seen(good: Good, name: str, into: Path) -> None:
    check, make = FAULTS[name]
    assert check in failed(good, make(good, into))


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_every_fault_is_named(compared: Good, name: str, tmp_path: Path) -> None:
    seen(compared, name, tmp_path)


def test_a_box_that_the_card_leaves_out_is_seen(compared: Good) -> None:
    of = card(compared).compared[0]
    box = Redaction(what="lettering", source=of.source, start_s=of.start_s - 0.01,
                    stop_s=of.start_s + 0.01, box_px=(140, 100, 24, 20), reason="",
                    origin="survey")  # fmt: skip
    plan = compared.plan.model_copy(update={"redactions": [*compared.plan.redactions, box]})
    assert LIKE in failed(compared, compared.path, plan=plan)


def test_its_words_pass_the_search_for_lettering(compared: Good) -> None:
    assert failed(compared, compared.path, options=with_options(compared, lettering=True)) == []
