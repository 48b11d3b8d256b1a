"""What is decided from kept measures is the same as measured afresh; nothing is decoded again."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import media_zoo
import numpy as np
import pytest
from test_plan import source

from pipeline.analysis.sound.speech import HOP_S, SpeechSeries
from pipeline.model.findings import Speech
from pipeline.model.options import Options
from pipeline.model.survey import Lettering
from pipeline.stages import detectors, measure
from pipeline.stages.decide import decide
from pipeline.stages.intake import open_case
from pipeline.stages.progress import no_progress
from pipeline.stages.proxy import proxy_name
from pipeline.stages.survey import Surveyed
from pipeline.store.cache import Cache
from pipeline.store.work import WorkFolder

LENS = (
    "contrast_loss", "contrast_loss_low", "contrast_loss_high", "level", "clipped_share",
    "foreign_share", "blur", "blur_sure", "glare_sure", "dark_sure", "dark_share", "smudge",
    "break_before",
)  # fmt: skip


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


def test_deciding_opens_nothing_and_gives_equal_bytes(
    survey: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = survey(plain())

    def opened(*_: Any, **__: Any) -> Any:
        raise AssertionError("a file was opened")

    decide(kept.survey, kept.series, plain())  # what it needs is imported
    for name in ("open", "io.open", "os.open"):
        module, _, attribute = name.rpartition(".")
        monkeypatch.setattr(f"{module or 'builtins'}.{attribute}", opened)
    twice = [decide(kept.survey, kept.series, plain()).to_json() for _ in range(2)]
    assert twice[0] == twice[1] == kept.findings.to_json()


def test_speech_is_decided_from_the_kept_scores() -> None:
    """Half a second sure of speech is padded and marked sure; too low a level is undecided."""
    hops = round(20 / HOP_S)
    score = np.zeros(hops, np.float16)
    score[100:120] = 0.95
    level = np.full(hops, -30, np.float16)
    level[400:] = -100
    kept = SpeechSeries({"silero": score}, level, np.zeros(hops, np.float16), 20.0)
    time_s = np.arange(0.0, 20.0, 0.2)
    quiet = {name: np.zeros(100, np.float32) for name in LENS}
    quiet["level"][:] = 0.5
    series = {"time_s": time_s, **quiet, **kept.arrays()}
    found = decide(source(20.0).survey, series, Options())
    assert found.events == []
    (spoken,) = found.speech.procedure
    assert spoken == pytest.approx((100 * HOP_S - 0.25, 120 * HOP_S + 0.25))
    assert found.speech.sure == [pytest.approx((100 * HOP_S, 120 * HOP_S))]
    assert found.speech.undecided_why == ["too low"] and found.speech.undecided[0][1] == 20.0
    silent = {k: v for k, v in series.items() if not k.startswith("speech")}
    assert decide(source(20.0).survey, silent, Options()).speech == Speech()


def test_a_copy_goes_with_what_it_covers(survey: Any, tmp_path: Path) -> None:
    """A copy made before lettering was found shows it: it must not stay beside the new survey."""
    folder = WorkFolder(tmp_path / "out", "QM-0217")
    folder.prepare()
    kept = survey(plain())
    names = [proxy_name(kept.survey.recording.sha256, full=full) for full in (False, True)]
    coarse, full = (folder.private_file(name) for name in names)
    measure.save_surveys([kept], folder)
    full.write_bytes(b"made by the page")
    measure.save_surveys([survey(plain(lens__event_loss=0.8))], folder)
    assert coarse.read_bytes() and full.read_bytes() == b"made by the page"
    letters = Lettering(start_s=0, stop_s=1, box_px=(9, 9, 9, 9), where="field", confidence=1)
    more = kept.survey.model_copy(update={"lettering": [letters]})
    measure.save_surveys([replace(kept, survey=more, copy=b"")], folder)
    assert not coarse.exists() and not full.exists()


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
    assert kept.findings == fresh.findings
    assert kept.copy == fresh.copy != b"" and set(kept.series) == set(fresh.series)
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
    again = survey(strict)
    assert again.survey.to_json() == afresh.survey.to_json() == low.survey.to_json()
    assert again.findings.to_json() == afresh.findings.to_json()
    assert len(again.findings.events) < len(low.findings.events)
    assert again.copy == low.copy, "fog is not covered: the small copy stays as it is"
    assert survey(plain()).findings == low.findings


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
