"""A long part is compared in windows; between them every picture is counted all the same."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

import av
import media_zoo
import pytest

from pipeline.settings import load_options
from pipeline.stages import finishing
from pipeline.stages.damage import ShownDamage
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked
from pipeline.stages.verifying.expected import EVERY_S, WHOLE_S, ExpectedPictures
from pipeline.stages.verifying.moments import times_check
from pipeline.stages.verifying.verify import verify_release

LENGTH_S, RATE = 46.0, 5


@pytest.mark.slow
@pytest.mark.parametrize("key_every_s", [5.0, 60.0])
def test_a_picture_that_is_missing_between_the_windows_is_counted(
    tmp_path: Path, key_every_s: float
) -> None:
    """Also where only the first picture stands for itself: then all are compared."""
    assert LENGTH_S > WHOLE_S
    coding = media_zoo.Coding(options={"preset": "veryfast", "crf": "20",
                                       "g": str(round(key_every_s * RATE))})  # fmt: skip
    media_zoo.scope_clip(tmp_path / "a.mp4", LENGTH_S, size=(320, 240), seed=5, fps=RATE,
                         coding=coding)  # fmt: skip
    options = load_options("web")
    options.anonymity.lettering = options.anonymity.faces = False
    kept: dict[str, Any] = {}

    def looked_at(path: Path, *given: Any, **named: Any) -> Any:
        with closing(av.open(str(path))) as clip:
            video = clip.streams.video[0]
            kept["stamps"] = [float(p.pts * video.time_base) for p in clip.demux(video) if p.size]
        kept["given"] = given
        return verify_release(path, *given, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(finishing, "verify_release", looked_at)
        run = run_case(tmp_path / "a.mp4", tmp_path / "out", options,
                       Asked(consent="public", approve="AB", looked="AB"),
                       catalogue=tmp_path / "c.sqlite3")  # fmt: skip
    assert not run.withheld, run.withheld
    plan, media, _, _ = kept["given"]
    expected = ExpectedPictures(plan, media, options, ShownDamage(plan))
    expected.finish()
    compared = set(expected.compared)
    assert len(compared) == LENGTH_S * RATE if key_every_s > EVERY_S else max(compared) > 40
    stamps = sorted(kept["stamps"])
    assert len(stamps) == LENGTH_S * RATE

    def passed(times_s: list[float]) -> bool:
        return times_check(plan, times_s, expected.times, expected.parts).passed

    assert passed(stamps)
    for number in range(1, len(stamps) - 1):
        assert not passed(stamps[:number] + stamps[number + 1 :]), stamps[number]
        assert not passed([*stamps, stamps[number] + 0.1]), stamps[number]
