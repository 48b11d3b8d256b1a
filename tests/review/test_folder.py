"""The page over a real OUT folder: from its documents alone, and with the recordings."""

from __future__ import annotations

import io
import json
import os
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.errors import InputError, UsageError
from pipeline.model.case import CaseConsent
from pipeline.model.decisions import Anchor, Decisions
from pipeline.model.field import FieldSpan
from pipeline.model.findings import Event, Findings, Speech
from pipeline.model.options import Options
from pipeline.model.plan import Chapter, Edit, Need, Piece, Plan, PlannedSource, Redaction
from pipeline.model.survey import Lettering, Survey, SurveyedRecording
from pipeline.review.case.copies import copy_path, make_copy
from pipeline.review.case.documents import remember_origin
from pipeline.review.decision_file import DecisionFile
from pipeline.review.decisions import append, sign, version
from pipeline.review.folder import FolderBackend
from pipeline.review.laid import lay_over, plan_is_current
from pipeline.review.payload import page_data
from pipeline.stages.room import SURE
from pipeline.store.catalogue import Catalogue

SAMPLE = Path(__file__).parents[2] / "sample_media"
SHA = ["9f2c41d07be85a6310c4ee90ab12cd34" * 2, "b81e77a05c93d24f6e1a8b0c4d5f9e21" * 2]


def survey(number: int) -> Survey:
    return Survey(
        recording=SurveyedRecording(
            sha256=SHA[number], duration_s=20, frame_rate_hz=25, width_px=640, height_px=360
        ),
        field=[
            FieldSpan(
                start_s=0,
                stop_s=20,
                shape="circle",
                center_x_px=320,
                center_y_px=180,
                radius_px=170,
                left_px=0,
                top_px=0,
                right_px=640,
                bottom_px=360,
                confidence=0.95,
            )
        ],
        lettering=[
            Lettering(start_s=0, stop_s=20, box_px=(5, 5, 60, 12), where="surround", confidence=1),
            Lettering(start_s=2, stop_s=6, box_px=(300, 90, 60, 12), where="field", confidence=1),
        ],
    )


def found(number: int) -> Findings:
    return Findings(
        sha256=SHA[number],
        events=[
            Event(kind="fog", start_s=4, stop_s=7, peak_loss=0.5, mean_loss=0.3, confidence=0.9),
            Event(kind="out_of_body", start_s=15, stop_s=20, confidence=0.9),
        ],
        speech=Speech(procedure=[(8.0, 9.0)], undecided=[(11.0, 12.0)]),
    )


def plan() -> Plan:
    """The second source first loses its last 5 s, which lie outside the body."""
    sources = [
        PlannedSource(
            number=n,
            sha256=SHA[n],
            recording=n,
            duration_s=20,
            width_px=640,
            height_px=360,
            frame_rate_hz=25,
            has_sound=True,
            fields=survey(n).field,
        )
        for n in (0, 1)
    ]
    pieces = [
        Piece(
            kind="play",
            source=n,
            start_s=0,
            length_s=15,
            case_start_s=20.0 * n,
            out_start_s=15.0 * n,
        )
        for n in (0, 1)
    ]
    return Plan(
        case="HL-1",
        title="Crusts",
        profile="web",
        audience="public",
        width_px=640,
        height_px=360,
        frame_rate_hz=25,
        matrix="bt709",
        duration_s=30,
        sources=sources,
        pieces=pieces,
        edits=[
            Edit(
                source=0,
                kind="fog",
                start_s=4.2,
                stop_s=7.0,
                action="clear",
                reason="x",
                origin="decision",
            ),
            Edit(
                source=0,
                kind="out_of_body",
                start_s=14.5,
                stop_s=20,
                action="cut",
                reason="x",
                origin="settings",
            ),
        ],
        redactions=[
            Redaction(what="speech", source=1, start_s=8, stop_s=9, reason="x", origin="survey")
        ],
        chapters=[
            Chapter(start_s=0, stop_s=15, title="Left"),
            Chapter(start_s=15, stop_s=30, title="Right"),
        ],
        narration=[(2.0, 5.0), (14.0, 18.0)],
        needs=[
            Need(code="field-unsure", message="look at the field", source=1, start_s=3.0),
            Need(
                code="narration-shares-room", message="consent must cover voices", approvable=False
            ),
        ],
    )


@pytest.fixture
def out(tmp_path: Path) -> Path:
    folder = tmp_path / "private" / "HL-1"
    folder.mkdir(parents=True)
    for n in (0, 1):
        tail = "" if n == 0 else "-2"
        (folder / f"survey{tail}.json").write_text(survey(n).to_json())
        (folder / f"findings{tail}.json").write_text(found(n).to_json())
        time_s = np.arange(0, 20, 0.2)
        np.savez(folder / f"series{tail}.npz", time_s=time_s, contrast_loss=np.full(100, 0.1 + n))
    (folder / "plan.json").write_text(plan().to_json())
    return tmp_path


def empty() -> Decisions:
    return Decisions(case="HL-1")


def test_a_case_shows_from_its_documents_alone(out: Path) -> None:
    view = FolderBackend(out, Options()).load_case("HL-1", empty())
    assert view.duration_s == 40
    assert [(s.start_s, s.length_s, s.source_start_s) for s in view.segments] == [
        (0, 20, 0),
        (20, 20, 0),
    ]
    found = {(f.kind, f.start_s, f.stop_s): f for f in view.findings}
    assert found["fog", 4, 7].action == "clear"  # what the plan does, in spite of its other span
    assert found["fog", 24, 27].action == "keep"
    assert found["fog", 24, 27].anchor == Anchor(sha256=SHA[1], start_s=4, stop_s=7, kind="fog")
    assert found["out_of_body", 35, 40].actions == ("cut", "freeze")
    assert found["undecided", 31, 32].severity == "the detectors gave no answer"
    need = found["field-unsure", 23, 40]
    assert need.needs_person and not need.rejectable and "asks for a look" in need.kept
    assert view.chapters == [(0, "Left"), (20, "Right")]  # of the clip's 15 s, in case time
    assert view.sound["narration_speech"] == [(2, 5), (14, 15), (20, 23)]
    assert view.sound["procedure_speech"] == [(28, 29)]
    assert any("consent must cover voices" in w for w in view.warnings)
    series = {k: np.asarray(v) for k, v in view.series.items()}
    assert series["time_s"][-1] == pytest.approx(39.8)
    assert set(series["contrast_loss"][series["time_s"] >= 20]) == {1.1}
    page = page_data(view, empty())
    outside = next(f for f in page["findings"] if f["severity"] == "outside the field")
    assert not outside["rejectable"] and outside["reasons"] == [], "black in any case"
    assert "outside the field" in outside["kept"]
    text = json.dumps(page)
    assert str(out) not in text and not any(s[:9] in text for s in SHA)


def test_speech_that_was_rejected_and_stays_replaced_is_said(out: Path) -> None:
    def stays() -> dict[tuple[str, float], bool]:
        view = FolderBackend(out, Options()).load_case("HL-1", empty())
        rows = page_data(view, empty())["findings"]
        return {(f["kind"], f["start"]): f["stays"] for f in rows}

    assert not any(stays().values())
    path = next(out.glob("private/*/plan.json"))
    path.write_text(path.read_text().replace("\"x\"", json.dumps(SURE)))
    assert [of for of, is_so in stays().items() if is_so] == [("speech", 28)]


def test_a_plan_of_another_profile_is_said(out: Path) -> None:
    options = Options()
    own = FolderBackend(out, options).load_case("HL-1", empty())
    assert "--profile" not in " ".join(own.warnings)
    options.output.profile = "square"
    shown = FolderBackend(out, options).load_case("HL-1", empty())
    assert "--profile web" in shown.warnings[0] and "renders square" in shown.warnings[0]


def test_states_and_counts_in_the_list(out: Path) -> None:
    backend = FolderBackend(out, Options())
    assert [(c.case, c.state, c.open_findings) for c in backend.list_cases()] == [
        ("HL-1", "needs a person", 1)
    ]
    view = backend.load_case("HL-1", empty())
    need = next(f for f in view.findings if f.needs_person)
    file = DecisionFile(backend.decisions_path("HL-1"), "HL-1")
    file.change(lambda d: append(d, seen=0, verb="accept", by="AB", anchor=need.anchor))
    assert backend.list_cases()[0].state == "withheld"  # consent cannot be resolved here
    release = out / "releases" / "HL-1" / "HL-1-web-r1.mp4"
    release.parent.mkdir(parents=True)
    release.write_bytes(b"x")
    assert backend.list_cases()[0].state == "released"
    (out / "private" / "HL-1" / "survey.json").write_text("{")
    assert backend.list_cases()[0].state == "needs a person"
    with pytest.raises(InputError, match="cannot be read"):
        backend.load_case("HL-1", empty())


def test_planned_rendered_and_withheld_for_lack_of_consent(out: Path) -> None:
    backend = FolderBackend(out, Options(), catalogue=out / "catalogue.db")
    private = out / "private" / "HL-1"
    document = plan().model_copy(update={"needs": []})
    (private / "plan.json").write_text(document.to_json())
    view = backend.load_case("HL-1", empty())
    assert view.state == "withheld"
    assert any("no consent is known" in w for w in view.warnings)
    with Catalogue(out / "catalogue.db") as known:
        known.note_consent("HL-1", SHA, CaseConsent(scope="public"))
    assert backend.list_cases()[0].state == "planned"
    (private / "HL-1-web-draft.mp4").write_bytes(b"x")
    assert backend.list_cases()[0].state == "rendered"
    assert not any("consent" in w for w in backend.load_case("HL-1", empty()).warnings)


def test_a_plan_older_than_the_decisions_is_known_as_such(out: Path) -> None:
    backend = FolderBackend(out, Options())
    file = DecisionFile(backend.decisions_path("HL-1"), "HL-1")
    assert plan_is_current(backend.load_case("HL-1", empty()), empty())
    anchor = Anchor(sha256=SHA[0], start_s=4, stop_s=7, kind="fog")
    later = time.time() + 5
    decisions = file.change(lambda d: append(d, seen=0, verb="reject", by="AB", anchor=anchor))
    os.utime(file.path, (later, later))
    assert not plan_is_current(backend.load_case("HL-1", decisions), decisions)


def test_a_plan_of_other_sources_is_not_believed(out: Path) -> None:
    other = plan()
    other.sources[0].sha256 = "c" * 64
    (out / "private" / "HL-1" / "plan.json").write_text(other.to_json())
    view = FolderBackend(out, Options()).load_case("HL-1", empty())
    assert view.plan_sha256 == "" and not plan_is_current(view, empty())
    assert not view.chapters


def test_without_the_recordings_it_says_so(out: Path) -> None:
    backend = FolderBackend(out, Options())
    with pytest.raises(InputError, match="not known here"):
        backend.plan_again("HL-1", empty())
    with pytest.raises(InputError, match="not known here"):
        backend.render("HL-1", empty(), lambda a, b: None, lambda: False)
    remember_origin(out, "HL-1", out / "gone")
    with pytest.raises(InputError, match="not known here"):
        backend.plan_again("HL-1", empty())
    assert (out / "private" / "HL-1" / "origin.json").stat().st_mode & 0o777 == 0o600


# --- with the recordings ------------------------------------------------------------------


def unsearched() -> Options:
    """Nothing here is about lettering and faces."""
    options = Options()
    options.anonymity.lettering = options.anonymity.faces = False
    return options


@pytest.fixture(scope="module")
def surveyed(tmp_path_factory: Any) -> tuple[Path, str]:
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked

    if not (SAMPLE / "voice.flac").is_file():
        pytest.fail("sample_media is not complete: run its generator")
    root = tmp_path_factory.mktemp("out")
    run = run_case(
        SAMPLE, root, unsearched(), Asked(survey_only=True),
        catalogue=root / "catalogue.db",
    )
    remember_origin(root, run.opened.case.case, SAMPLE)
    return root, run.opened.case.case


def read_wav(data: bytes) -> np.ndarray[Any, Any]:
    import soundfile

    samples, rate = soundfile.read(io.BytesIO(data), always_2d=True)
    assert rate == 48_000
    return np.asarray(samples).T


@pytest.mark.slow
def test_the_sample_case_is_planned_heard_seen_and_signed(
    surveyed: tuple[Path, str], tmp_path: Path
) -> None:
    import av
    import cv2

    from pipeline.analysis.sound.depth import DuckingFold
    from pipeline.analysis.sound.limiter import AAC_MARGIN_DB
    from pipeline.analysis.sound.mix import aim
    from pipeline.analysis.sound.tracks import render_tracks
    from pipeline.model.time import Span
    from pipeline.stages.rendering.loudness import to_loudness
    from pipeline.stages.rendering.sound import render_sound

    root, case = surveyed
    backend = FolderBackend(root, unsearched(), catalogue=root / "catalogue.db", proxies=False)
    try:
        decisions = Decisions(case=case)
        view = backend.plan_again(case, decisions)
        assert plan_is_current(view, decisions) and view.checklist
        truth = json.loads((SAMPLE / "truth.json").read_text())
        assert truth  # the generator's own record lies beside the media
        fog = [f for f in view.findings if f.kind == "fog"]
        assert fog

        # a moved event is cut by the next plan
        file = DecisionFile(backend.decisions_path(case), case)
        change = {"action": "freeze", "start_s": fog[0].anchor.start_s + 0.5}
        decisions = file.change(
            lambda d: append(d, seen=0, verb="change", by="AB", anchor=fog[0].anchor, value=change)
        )
        view = backend.plan_again(case, decisions)
        after = next(f for f in view.findings if f.id == fog[0].id)
        assert after.action == "freeze"
        assert lay_over(view, decisions).findings

        # speech in the room is replaced in the mix and heard untreated; the rest is the same span
        (a, b) = view.sound["procedure_speech"][0]
        raw = read_wav(backend.preview_sound(case, a, b, {}, False))
        mixed = read_wav(backend.preview_sound(case, a, b, {}, True))
        assert raw.shape == mixed.shape == (2, round((b - a) * 48_000))
        likeness = np.corrcoef(raw[0], mixed[0])[0, 1]
        narrated = any(x < b and y > a for x, y in view.sound["narration_speech"])
        assert narrated or abs(likeness) < 0.3

        # a plan made meanwhile takes nothing from who still listens to the one before
        ready = backend.session.prepare(case)
        plan = ready.run.plan
        held = backend.listener.stems(case, ready, plan, False)
        other = plan.model_copy(update={"pieces": plan.pieces[:1]})
        assert backend.listener.stems(case, ready, other, False) is not held
        assert held.procedure is not None and held.procedure.read(0, 48_000).any()
        folder = held.procedure.path.parent
        del held
        assert not folder.exists()

        # the depth that is drawn is the one that the checks count: the share they would find
        ready = backend.session.prepare(case)
        limit = time.monotonic() + 60
        while not backend.load_case(case, decisions).sound.get("difference_heard"):
            assert time.monotonic() < limit
            time.sleep(0.1)
        plan, view = ready.run.plan, backend.load_case(case, decisions)
        stems = backend.listener.stems(case, ready, plan, True)
        fold = DuckingFold(plan.sound_channels)
        behind, front = stems.procedure.blocks(), stems.narration.blocks()
        for back, voice in render_tracks(behind, front, plan.mix, plan.sound_channels):
            fold.step(voice, back)
        counted = fold.finish(plan.mix.depth_lu, [Span(*s) for s in plan.narration])
        assert view.sound["difference_share"] == pytest.approx(counted.share, abs=0.005)
        drawn = np.asarray(view.sound["difference_lu"])
        assert np.nanmedian(drawn) > 15 and np.mean(drawn[np.isfinite(drawn)] > 5) > 0.99

        # a greater depth lowers the background under the narration
        gain = np.asarray(view.sound["background_gain_db"])
        assert np.nanmin(gain) < np.nanmax(gain) - 3
        start, stop = view.sound["narration_speech"][0]
        deep = read_wav(backend.preview_sound(case, start, stop, {"ducking_depth_lu": 35.0}, True))
        plain = read_wav(backend.preview_sound(case, start, stop, {}, True))
        assert not np.allclose(deep, plain, atol=1e-3)

        # what is heard is what the render makes, loudness and limiter included
        work = tmp_path / "sound"
        work.mkdir()
        ready = backend.session.prepare(case)
        plan = ready.run.plan
        whole = render_sound(
            plan, ready.run.media, ready.narration.media, backend.session.options, work
        )
        assert whole.raw is not None
        wanted = aim(plan.mix, whole.raw.blocks, whole.raw.channels)
        options = backend.session.options
        done, gain_db, _ = to_loudness(whole.raw, *wanted, options, work, None, AAC_MARGIN_DB)
        early = read_wav(backend.preview_sound(case, start, stop, {}, True))
        stems = backend.listener.stems(case, ready, plan, True)
        assert backend.listener.final_gain(case, ready, plan, stems, wait=True) == gain_db
        heard = read_wav(backend.preview_sound(case, start, stop, {}, True))
        used = time.process_time()
        backend.preview_sound(case, 0.0, 30.0, {}, True)
        backend.preview_sound(case, 0.0, 30.0, {}, False)
        assert time.process_time() - used < 1.0  # both sides of the comparison, half a minute
        first = round(start * 48_000)  # nothing is cut before the first narration
        np.testing.assert_allclose(heard, done.read(first, heard.shape[1]), atol=1e-4)
        lift_db = 10 * np.log10(np.square(heard).mean() / np.square(early).mean())
        assert abs(lift_db) < 2.0  # until the gain is found, the plan's own expectation stands in

        # the finished picture: black outside the field, the mark where it is asked for
        data = backend.finished_frame(case, 2.0, None)
        assert data is not None
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
        assert picture[:20, :20].max() <= 12 and picture[-20:, -20:].max() <= 12
        assert picture[200:340, 400:560].mean() > 20
        here = [{"x": 0.0, "y": 0.0, "width_ratio": 0.8}]
        there = [{"x": 0.0, "y": 0.5, "width_ratio": 0.8}]
        one, two = (
            cv2.imdecode(
                np.frombuffer(backend.finished_frame(case, 2.0, p) or b"", np.uint8),
                cv2.IMREAD_GRAYSCALE,
            ).astype(int)
            for p in (here, there)
        )
        assert abs(one - two).max() > 10
        tried = backend.crop_loss(case, here, 2.0)
        assert 0 < tried["crop_loss"] < 1
        # measured on this picture, as painted: near the target where the tissue allows it
        assert 0.5 * plan.mark.band_low <= tried["visibility"] <= 1.5 * plan.mark.band_high
        nothing = [{"x": 0.0, "y": 0.0, "width_ratio": 0.8}]
        late = backend.crop_loss(case, nothing, 9.0)["visibility"]
        assert late is None or late != tried["visibility"]

        # the small copy is redacted like a release and keeps its time: first the survey's own
        coarse = copy_path(backend.session.folder(case), view.sources[0])
        assert coarse is not None and view.segments[0].proxy == coarse
        with av.open(str(coarse)) as box:
            frames = list(box.decode(video=0))
        assert np.diff([f.time for f in frames]).max() < 0.45
        assert frames[-1].time > view.segments[0].length_s - 0.45
        assert max(f.to_ndarray(format="gray")[:8, :8].max() for f in frames) <= 20
        make_copy(backend.session, case, ready, 0)
        path = copy_path(backend.session.folder(case), view.sources[0])
        assert path is not None and path != coarse
        with av.open(str(path)) as box:
            frames = list(box.decode(video=0))
        assert frames[-1].time == pytest.approx(view.segments[0].length_s - 0.04, abs=0.05)
        assert max(f.to_ndarray(format="gray")[:8, :8].max() for f in frames[::20]) <= 20

        # a sign-off holds for this plan and lapses with the next one that differs
        decisions = file.change(
            lambda d: sign(
                d,
                seen=version(d),
                by="AB",
                sources=view.sources,
                surveys=view.surveys,
                settings=view.settings_sha256,
                plan=view.plan_sha256,
                narration=view.narration_sha256,
            )
        )
        assert plan_is_current(view, decisions)
    finally:
        backend.close()
    assert not list((root / "private" / case).glob(".work.part-*"))


@pytest.mark.slow
def test_a_render_is_cancelled_without_a_trace(surveyed: tuple[Path, str]) -> None:
    root, case = surveyed
    backend = FolderBackend(root, unsearched(), catalogue=root / "catalogue.db", proxies=False)
    decisions = DecisionFile(backend.decisions_path(case), case).load()
    told: list[str] = []
    with pytest.raises(Exception, match="cancelled"):
        backend.render(
            case, decisions, lambda share, doing: told.append(doing), lambda: len(told) > 2
        )
    assert not (root / "releases" / case).exists() or not list((root / "releases" / case).iterdir())
    assert not list((root / "private" / case).glob(".work.part-*"))
    # an editor adds a decision while the render waits: what was asked for is out of date
    anchor = Anchor(sha256=SHA[0], kind="fog", start_s=1.0, stop_s=2.0)
    DecisionFile(backend.decisions_path(case), case).change(
        lambda d: append(d, seen=version(d), verb="accept", by="AB", anchor=anchor)
    )
    with pytest.raises(UsageError, match="Decisions were added"):
        backend.render(case, decisions, lambda a, b: None, lambda: False)
