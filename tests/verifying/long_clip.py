"""A clip of one part that is longer than what verify compares whole."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import media_zoo
import pytest

from pipeline.settings import load_options
from pipeline.stages import finishing
from pipeline.stages.damage import ShownDamage
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked
from pipeline.stages.verifying.expected import WHOLE_S, ExpectedPictures
from pipeline.stages.verifying.verify import verify_release

LENGTH_S = 46.0


def made_long(
    folder: Path, rate: int, key_every: int, look: Callable[[Path], None] = lambda _: None
) -> tuple[tuple[Any, ...], ExpectedPictures]:
    """(plan, media, coverage, options, series) as verify was given them, and what it compared.

    key_every: pictures from one key frame to the next. look: takes the finished file.
    """
    assert LENGTH_S > WHOLE_S
    coding = media_zoo.Coding(options={"preset": "veryfast", "crf": "20", "g": str(key_every)})
    media_zoo.scope_clip(folder / "a.mp4", LENGTH_S, size=(320, 240), seed=5, fps=rate,
                         coding=coding)  # fmt: skip
    options = load_options("web")
    options.anonymity.lettering = options.anonymity.faces = False
    kept: list[tuple[Any, ...]] = []

    def looked_at(path: Path, *given: Any, **named: Any) -> Any:
        look(path)
        kept.append((*given, named["series"]))
        return verify_release(path, *given, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(finishing, "verify_release", looked_at)
        run = run_case(folder / "a.mp4", folder / "out", options,
                       Asked(consent="public", approve="AB", looked="AB"),
                       catalogue=folder / "c.sqlite3")  # fmt: skip
    assert not run.withheld, run.withheld
    plan, media, *_ = kept[0]
    expected = ExpectedPictures(plan, media, options, ShownDamage(plan))
    expected.finish()
    return kept[0], expected
