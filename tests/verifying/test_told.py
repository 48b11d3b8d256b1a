"""What looks only a little like lettering withholds nothing, but a person is told where."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from pipeline.analysis.identity.overlays import DOUBTED
from pipeline.model.options import Options
from pipeline.model.survey import Lettering
from pipeline.model.time import Span, times
from pipeline.stages.verifying.identity import identity_checks
from pipeline.stages.verifying.result import Verifying


def checked(*found: Lettering) -> Verifying:
    search: Any = SimpleNamespace(finish=lambda: (list(found), []))
    plan: Any = SimpleNamespace(overruled=[], pieces=[])
    result = Verifying()
    result.checks += identity_checks(search, plan, Options(), result)
    return result


def seen(start_s: float, confidence: float) -> Lettering:
    return Lettering(start_s=start_s, stop_s=start_s + 0.5, box_px=(100, 100, 40, 12),
                     where="field", confidence=confidence)  # fmt: skip


def test_a_doubtful_place_is_told_and_a_sure_one_withholds() -> None:
    doubtful = checked(seen(1.7, DOUBTED), seen(64.0, DOUBTED)).done()
    assert doubtful.passed and not doubtful.missed
    assert "0:01.7, 1:04.0: look there" in doubtful.told[0] and len(doubtful.told) == 1
    sure = checked(seen(1.7, 0.9)).done()
    assert not sure.passed and len(sure.missed) == 1 and not sure.told


def test_no_more_than_five_times_are_named() -> None:
    assert times([Span(float(n), n + 0.5) for n in range(8)]).endswith("0:04.0 and 3 times more")
