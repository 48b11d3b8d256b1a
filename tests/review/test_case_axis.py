"""A report is told in case time: lists, plots and pictures alike."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from conftest import make_data

from pipeline.model.findings import Event, Findings
from pipeline.model.plan import Piece
from pipeline.model.time import Span
from pipeline.model.timeline import Kept, Timeline
from pipeline.review.case_axis import clip_words, in_case_time
from pipeline.review.plots import loss_plot
from pipeline.review.report.listed import findings
from pipeline.review.report.pictured import sample_times
from pipeline.review.series import unpack

# The first recording keeps 40 to 60 s, the second all of it behind that.
KEPT = [Kept(0, 40.0, 60.0, 0.0), Kept(1, 0.0, 300.0, 20.0)]


def piece(case_s: float, out_s: float, length_s: float) -> Piece:
    return Piece(
        kind="play", source=0, start_s=case_s, length_s=length_s, case_start_s=case_s,
        out_start_s=out_s,
    )  # fmt: skip


CUT = [piece(0.0, 0.0, 5.0), piece(15.0, 5.0, 20.0)]  # ten seconds are cut out


def test_a_span_stands_where_the_case_shows_it() -> None:
    assert Timeline(KEPT).case_of_source(0, (30.0, 45.0)) == [(0.0, 5.0)]
    assert Timeline(KEPT).case_of_source(0, (10.0, 30.0)) == []


def test_list_plot_and_pictures_share_one_axis() -> None:
    data: Any = make_data()
    before = {e.kind: e for e in data.recordings[0].findings.events if 40 <= e.start_s < 60}
    loss = np.asarray(data.recordings[0][2]["contrast_loss"])
    time_s = np.asarray(data.recordings[0][2]["time_s"])
    told = in_case_time(data, Timeline(KEPT))
    _, _, series, kept = told.recordings[0]
    fog = next(e for e in kept.events if e.kind == "fog")
    assert fog.start_s == pytest.approx(before["fog"].start_s - 40.0)
    assert np.max(series["time_s"]) < 20.0 and np.min(series["time_s"]) >= 0.0
    at = np.argmax(series["contrast_loss"])
    where = np.flatnonzero(loss == series["contrast_loss"][at])[0]
    assert series["time_s"][at] == pytest.approx(time_s[where] - 40.0)
    assert all(t.time_s <= 320.0 for t in told.thumbnails)
    listed = [f for f in findings(told) if f.kind == "fog" and f.plots == "r0"]
    assert [f.start_s for f in listed] == [fog.start_s]


def test_the_time_of_the_clip_stands_beside_where_it_differs() -> None:
    assert clip_words([piece(0.0, 0.0, 30.0)], 3.0, 4.0) == ""
    assert clip_words(CUT, 6.0, 9.0) == "not in the clip"
    assert clip_words(CUT, 16.0, 18.0) == "0:06.0 – 0:08.0"
    np.testing.assert_allclose(Timeline(pieces=CUT).case_times([1.0, 6.0]), [1.0, 16.0])


def test_sample_pictures_show_a_clear_moment_and_each_disturbance_at_its_worst() -> None:
    data: Any = make_data()
    _, survey, series, listed = data.recordings[0]
    arrays = {k: np.asarray(v) for k, v in series.items()}
    found = {words: time_s for time_s, words in sample_times(survey, listed, arrays)}
    clear = found.pop("clear")
    assert not any(e.start_s <= clear < e.stop_s for e in listed.events)
    for kind in {e.kind for e in listed.events}:
        at = next(t for words, t in found.items() if words.startswith(kind.replace("_", " ")))
        assert any(e.kind == kind and e.start_s <= at < e.stop_s for e in listed.events)


def test_the_clear_sample_picture_is_one_that_no_box_covers() -> None:
    data: Any = make_data()
    survey = data.recordings[0].survey
    time_s = np.arange(0, 20, 0.2)
    series = {"time_s": time_s, "contrast_loss": np.zeros(100)}

    def clear(*covered: Span) -> float:
        return next(t for t, w in sample_times(survey, Findings(), series, covered) if w == "clear")

    assert clear(Span(3.0, 20.0)) < 3.0 and clear(Span(0.0, 17.0)) >= 17.0
    assert clear(Span(0.0, 20.0)) == clear(), "where all is covered, any"


def test_a_smudge_is_shown_where_its_own_series_is_worst() -> None:
    data: Any = make_data()
    survey = data.recordings[0].survey
    event = Event(kind="smudge", start_s=4, stop_s=9, peak_loss=0.5, mean_loss=0.3, confidence=1)
    time_s = np.arange(0, 20, 0.2)
    series = {"time_s": time_s, "contrast_loss": np.zeros(100), "smudge": np.zeros(100)}
    series["smudge"][np.abs(time_s - 8.0) < 0.05] = 0.5
    found = sample_times(survey, Findings(events=[event]), series)
    assert (8.0, "smudge") in [(round(t, 3), words) for t, words in found]


def test_a_smudge_is_drawn_by_the_series_it_was_found_in() -> None:
    time_s = np.arange(0, 20, 0.2)
    series = {"time_s": time_s, "contrast_loss": np.zeros(100), "smudge": np.zeros(100)}
    assert [line["of"] for line in loss_plot(series, (), name="x")["lines"]] == ["contrast_loss"]
    series["smudge"][20:40] = 0.5
    plot = loss_plot(series, (), name="x")
    assert [line["of"] for line in plot["lines"]] == ["smudge", "contrast_loss"]
    _, drawn = unpack(plot["data"])
    assert drawn["smudge"].max() == pytest.approx(0.5, abs=1e-3) and plot["name"] == "x"
