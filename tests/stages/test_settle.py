"""A kept survey under other settings: the same as measured afresh, without decoding again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import media_zoo
import pytest

from pipeline.model.options import Options
from pipeline.stages import detectors, measure
from pipeline.stages.intake import open_case
from pipeline.stages.progress import no_progress
from pipeline.stages.survey import Surveyed
from pipeline.store.cache import Cache


def plain(**changes: Any) -> Options:
    options = Options()
    options.anonymity.lettering = options.anonymity.faces = False
    for name, value in changes.items():
        section, key = name.split("__")
        setattr(getattr(options, section), key, value)
    return options


@pytest.fixture
def survey(scope_clip: media_zoo.Clip, tmp_path: Path) -> Any:
    opened = open_case(scope_clip.path)

    def run(options: Options, cache: str = "a") -> Surveyed:
        return measure.survey_source(
            opened, 0, options, tmp_path, no_progress, Cache(1, tmp_path / cache)
        )

    return run


def never(*_: Any, **__: Any) -> Any:
    raise AssertionError("the pictures were decoded again")


def test_the_same_settings_give_the_same_survey(
    survey: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the letter: a sign-off holds the hash of the survey."""
    fresh = survey(plain())
    monkeypatch.setattr(measure, "survey_file", never)
    monkeypatch.setattr(detectors, "look", never)
    kept = survey(plain())
    assert kept.survey.to_json() == fresh.survey.to_json()
    assert kept.proxy == fresh.proxy and set(kept.series) == set(fresh.series)
    other = survey(plain(anonymity__verify_samples_per_s=5.0, mark__text="OTHER"))
    assert other.survey.to_json() == fresh.survey.to_json()


def test_other_thresholds_find_events_in_the_kept_series(
    survey: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The clip's fog takes half of the contrast: found at 0.15, not at 0.8."""
    low = survey(plain())
    strict = plain(lens__event_loss=0.8)
    afresh = survey(strict, cache="b")
    monkeypatch.setattr(measure, "survey_file", never)
    settled = survey(strict)
    assert settled.survey.to_json() == afresh.survey.to_json()
    assert len(settled.survey.events) < len(low.survey.events)
    assert settled.proxy == b"", "the small copy may show what it must not"
    assert survey(plain()).survey.to_json() == low.survey.to_json()


def test_detectors_look_again_only_for_their_own_settings(
    survey: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    looks: list[float] = []

    def look(*_: Any, samples_per_s: float, **__: Any) -> Any:
        looks.append(samples_per_s)
        return [], []

    survey(plain())
    monkeypatch.setattr(measure, "survey_file", never)
    monkeypatch.setattr(detectors, "look", look)
    on = plain(anonymity__faces=True)
    assert survey(on).survey.measured["faces"] != "off"
    assert survey(plain()).survey.measured["faces"] == "off"
    survey(plain(anonymity__faces=True, lens__event_loss=0.3, output__crf=30))
    assert looks == [1.0], "once for faces; thresholds of fog are none of theirs"
    survey(plain(anonymity__faces=True, anonymity__samples_per_s=2.0))
    assert looks == [1.0, 2.0]
