"""A damaged recording through `make`: nothing concealed is shown, and a person is asked."""

from __future__ import annotations

import random
import shutil
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import av
import damages
import media_zoo
import numpy as np
import pytest
import zoo_ends
from test_plan import GLYPH, _no_mark, case, decision, event, source, with_survey  # noqa: F401

from pipeline.analysis.damage import DamageFold
from pipeline.analysis.sound.clicks import ClickFold
from pipeline.media.avi_chunks import Chunks
from pipeline.media.frame import plane_view
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound
from pipeline.media.time_stamps import ReadReport
from pipeline.model.options import Options
from pipeline.model.survey import Damage
from pipeline.model.time import Span
from pipeline.settings import load_options
from pipeline.stages.damage import ShownDamage
from pipeline.stages.judged import REASONS
from pipeline.stages.planning.plan import make_plan
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked

SLOW = ("interlaced_1080i", "dv_avi", "ten_bit_hevc")


def doubts(path: Path) -> list[Any]:
    watch = DamageFold()
    for _ in read_pictures(path, probe(path), report=ReadReport(watch=watch)):
        pass
    return watch.finish()


@pytest.mark.parametrize("name", sorted(set(media_zoo.CLIPS) - set(SLOW)))
def test_nothing_is_damaged_in_whole_files(name: str, zoo: Any) -> None:
    path = zoo(name).path
    assert doubts(path) == []
    if probe(path).audio:
        found: list[tuple[float, float]] = []
        clicks = ClickFold()
        for block in read_sound(path, damage=found):
            clicks.step(block)
        assert found == [] and clicks.finish() == []


@pytest.mark.parametrize("name", ["h264.ts", "open.mkv", "mpeg2.ts"])
def test_what_was_overwritten_is_found(name: str, tmp_path: Path) -> None:
    path = damages.clean(tmp_path, name, 3.0)
    whole, data = damages.lumas(path), path.read_bytes()
    for seed, share in ((1, 0.3), (2, 0.6)):
        at, size = int(share * len(data)), len(data) // 10
        path.write_bytes(data[:at] + random.Random(seed).randbytes(size) + data[at + size :])
        found = doubts(path)
        assert found and found[0].start_s > 0.1
        wrong = damages.wrong_times(damages.lumas(path), whole)
        shown = [t for t in wrong if not any(d.start_s - 1e-6 <= t < d.stop_s for d in found)]
        assert not shown


def packets_of(path: Path) -> list[tuple[float, int, int, bool]]:
    """(time, place in the file, length, key) of the picture's packets."""
    with closing(av.open(str(path))) as container:
        return [
            (float(p.pts * p.time_base), p.pos, p.size, p.is_keyframe)
            for p in container.demux(video=0)
            if p.size
        ]


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Path], Path]:
    """small("mpeg4.avi", folder) is a copy of 64 pictures, a key frame every 50."""
    made = tmp_path_factory.mktemp("small")

    def get(name: str, folder: Path) -> Path:
        if not (made / name).exists():
            coding = media_zoo.Coding(
                codec=CODECS[name], options={"g": "50", "bf": "0"}, bit_rate=2_000_000
            )
            media_zoo.scope_clip(made / name, 2.56, 25, (320, 240), seed=3, coding=coding)
        return Path(shutil.copy(made / name, folder))

    return get


CODECS = {"mpeg4.avi": "mpeg4", "mpeg2.mov": "mpeg2video"}


@pytest.mark.parametrize("count, way", [(1, "gone"), (3, "zeros"), (2, "noise")])
def test_chunks_of_an_avi_that_are_lost_leave_a_gap(
    count: int, way: str, small: Callable[[str, Path], Path], tmp_path: Path
) -> None:
    """Whole pictures are lost, so that the decoder has nothing to complain of."""
    path = small("mpeg4.avi", tmp_path)
    data, packets = path.read_bytes(), packets_of(path)
    assert [p[3] for p in packets].index(True, 1) == 50 and doubts(path) == []
    first, last = packets[20], packets[20 + count - 1]
    start, stop = first[1] - 8, last[1] + last[2]  # from the header of the chunk on
    noise = random.Random(1).randbytes(stop - start)
    put = {"zeros": bytes(stop - start), "noise": noise, "gone": data[stop - 3 : stop]}[way]
    path.write_bytes(data[:start] + put + data[stop:])
    left = packets_of(path)
    assert len(left) == len(packets) - count
    key = next(p[0] for p in left[20:] if p[3])
    (found,) = doubts(path)
    assert found.start_s < left[20][0] and found.stop_s >= key and found.sign == "bytes are missing"


@pytest.mark.parametrize("count", [1, 2])
def test_chunks_of_an_avi_that_are_cut_at_their_border_leave_a_gap(
    count: int, small: Callable[[str, Path], Path], tmp_path: Path
) -> None:
    """What is left leads from chunk to chunk: only the index knows of the others."""
    path = small("mpeg4.avi", tmp_path)
    data, packets = path.read_bytes(), packets_of(path)
    first, last = packets[20], packets[20 + count]
    path.write_bytes(data[: first[1] - 8] + data[last[1] - 8 :])
    left = packets_of(path)
    assert len(left) == len(packets) - count
    key = next(p[0] for p in left[20:] if p[3])
    (found,) = doubts(path)
    assert found.start_s < left[20][0] and found.stop_s >= key and found.sign == "bytes are missing"


def test_what_follows_lost_chunks_of_an_avi_keeps_its_time(tmp_path: Path) -> None:
    """Pictures and sound, read from the start or from the middle, as without the loss."""
    path = tmp_path / "clicks.avi"
    coding = damages.CODINGS["mjpeg.avi"]
    media_zoo.scope_clip(path, 5.0, size=(96, 64), seed=4, audio="clicks", coding=coding)
    data, packets = path.read_bytes(), packets_of(path)

    def pictures(from_s: float = 0.0) -> dict[float, np.ndarray]:
        read = read_pictures(path, probe(path), start_s=from_s)
        return {p.time_s: plane_view(p.frame.planes[0]).copy() for p in read}

    whole = pictures()
    heard = np.concatenate(list(read_sound(path)), axis=1)
    start, stop = packets[40][1] - 8, packets[47][1] - 8  # sound lies between the pictures
    path.write_bytes(data[:start] + random.Random(2).randbytes(stop - start) + data[stop:])
    lost = {packets[n][0] for n in range(40, 47)}
    for from_s in (0.0, 1.5, 3.0):
        left = pictures(from_s)
        assert set(left) == {t for t in whole if t >= from_s} - lost
        assert all((shown == whole[at_s]).all() for at_s, shown in left.items())
    again = np.concatenate(list(read_sound(path)), axis=1)
    assert again.shape == heard.shape and (again[:, 96_000:] == heard[:, 96_000:]).all()


def test_the_end_of_an_avi_that_is_lost_is_said(
    small: Callable[[str, Path], Path], tmp_path: Path
) -> None:
    path = small("mpeg4.avi", tmp_path)
    data, last = path.read_bytes(), packets_of(path)[60]
    path.write_bytes(data[: last[1] - 8] + bytes(len(data) - last[1] + 8))
    assert doubts(path)[-1].sign == "bytes are missing"


@pytest.mark.parametrize("name", sorted(CODECS))
def test_a_packet_without_a_picture_in_it_is_damage(
    name: str, small: Callable[[str, Path], Path], tmp_path: Path
) -> None:
    """Its decoder passes it by without a word, and builds on the picture before."""
    path = small(name, tmp_path)
    data, (_, at, size, _) = path.read_bytes(), packets_of(path)[20]
    path.write_bytes(data[:at] + bytes(size) + data[at + size :])
    (found,) = doubts(path)
    assert found.start_s <= packets_of(path)[20][0] < found.stop_s


@pytest.fixture(scope="module")
def spoiled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[float, np.ndarray]]:
    """A recording with its middle overwritten, and the pictures of the whole one."""
    folder = tmp_path_factory.mktemp("spoiled")
    path = folder / "a.mp4"
    coding = media_zoo.Coding(options={"preset": "veryfast", "crf": "20", "g": "25"})
    media_zoo.scope_clip(path, 5.0, 25, (320, 240), seed=3, coding=coding)
    whole, data, rng = damages.lumas(path), bytearray(path.read_bytes()), random.Random(4)
    with closing(av.open(str(path))) as container:
        for packet in container.demux(video=0):
            inside = packet.pts is not None and 2.2 < packet.pts * packet.time_base < 3.2
            if inside and packet.size > 400 and packet.pos:
                at, size = packet.pos + 200, packet.size - 200
                data[at : at + size] = rng.randbytes(size)
    path.write_bytes(bytes(data))
    return path, whole


def made(path: Path, folder: Path, **more: Any) -> Any:
    config = folder / "c.toml"
    config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
    return run_case(
        path, folder / "out", load_options(None, config),
        Asked(consent="public", looked="AB", **more),
        catalogue=folder / "c.sqlite3",
    )  # fmt: skip


def test_a_damaged_recording_waits_for_a_person_and_shows_nothing_concealed(
    spoiled: tuple[Path, dict[float, np.ndarray]], tmp_path: Path
) -> None:
    path, whole = spoiled
    run = made(path, tmp_path)
    assert run.ending.released is None and "damage" in [w.code for w in run.withheld]
    run = made(path, tmp_path, approve="AB")
    assert run.ending.released is not None, run.withheld
    damage = [d for d in run.surveyed[0].survey.damage if d.what == "picture"]
    wrong = damages.wrong_times(damages.lumas(path), whole)
    assert wrong, "the fixture shows no damage"
    assert all(any(d.start_s <= t < d.stop_s for d in damage) for t in wrong)
    assert {c.check: c.passed for c in run.checks}["damaged pictures shown"]
    found = probe(run.ending.released.path)
    for picture in read_pictures(run.ending.released.path, found):
        black = picture.planes()[0].max() <= 16 + 12
        inside = any(d.start_s <= picture.time_s < d.stop_s for d in damage)
        near = any(d.start_s - 0.05 < picture.time_s < d.stop_s + 0.05 for d in damage)
        assert black if inside else near or not black
    assert found.duration_s == pytest.approx(5.0, abs=0.1), "black keeps the length"
    assert any("damage" in line for line in run.plan and _edits(run))


def _edits(run: Any) -> list[str]:
    from pipeline.stages.release import edit_lines

    return edit_lines(run.plan)


# ------------------------------------------------------------------ plan and verify alone


def damaged(*spans: tuple[float, float], what: Any = "picture") -> Any:
    inputs = source(events=[event("damage", a, b) for a, b in spans if what == "picture"])
    found = [Damage(what=what, start_s=a, stop_s=b, sign="decoded with errors") for a, b in spans]
    return with_survey(inputs, damage=found)


def planned(inputs: Any, *decisions: Any, **lens: Any) -> Any:
    options = Options.model_validate({"lens": lens})
    return make_plan(case(), [inputs], None, options, glyph=GLYPH, decisions=list(decisions))


def test_black_keeps_the_length_and_cut_does_not() -> None:
    plan = planned(damaged((4, 6)))
    assert [(p.kind, p.length_s, p.sound) for p in plan.pieces] == [
        ("play", 4, True), ("black", 2, True), ("play", 14, True),
    ]  # fmt: skip
    assert [(r.start_s, r.stop_s) for r in plan.redactions if r.what == "damage"] == [(4, 6)]
    assert [n.code for n in plan.needs] == ["damage"] and plan.needs[0].approvable
    assert planned(damaged((4, 6)), damage="cut").duration_s == pytest.approx(18)


def test_damaged_sound_is_replaced_and_the_picture_stays() -> None:
    plan = planned(damaged((4, 6), what="sound"))
    assert [p.kind for p in plan.pieces] == ["play"]
    assert [(r.what, r.start_s) for r in plan.redactions if r.of_sound] == [("damage", 4)]
    assert [n.code for n in plan.needs] == ["damage"]


def test_only_a_reason_lets_damage_be_shown_and_nobody_narrows_it() -> None:
    inputs = damaged((4, 6))
    for no in (
        decision("reject", "damage", 4, 6, ""),
        decision("change", "damage", 4, 6, action="keep"),
        decision("change", "damage", 4, 6, start_s=5.0, stop_s=5.5),
        decision("accept", "damage", 4, 6),
    ):
        plan = planned(inputs, no)
        assert [(p.kind, p.length_s) for p in plan.pieces][1] == ("black", 2)
    plan = planned(inputs, decision("reject", "damage", 4, 6, REASONS["damage"][0]))
    assert [p.kind for p in plan.pieces] == ["play"] and plan.needs == []
    assert plan.edits[0].by == "AB"
    wider = planned(inputs, decision("change", "damage", 4, 6, start_s=3.0, stop_s=7.0))
    assert [(p.kind, p.length_s) for p in wider.pieces][1] == ("black", 4)


def test_verify_sees_damage_that_a_plan_forgot(
    spoiled: tuple[Path, dict[float, np.ndarray]],
) -> None:
    path, _ = spoiled
    recording = probe(path)
    watch = DamageFold()
    for _ in read_pictures(path, recording, report=ReadReport(watch=watch)):
        pass
    forgot, knew = ShownDamage(planned(source())), ShownDamage(planned(source()))
    piece = planned(source()).pieces[0]
    forgot.read(watch, recording, piece, Span(0.0, 5.0))
    assert not forgot.check().passed
    found = watch.finish()[0]
    knew.read(watch, recording, piece, Span(0.0, found.start_s))
    assert knew.check().passed
    kept = planned(
        damaged((0, 20)), decision("reject", "damage", 0, 20, REASONS["damage"][1])
    )
    person = ShownDamage(kept)
    person.read(watch, recording, piece, Span(0.0, 5.0))
    assert person.check().passed and "judged by a person" in str(person.check().measured)


AVI = [*(n for n, (kind, _) in media_zoo.CLIPS.items() if kind == "avi"), "no_audio_avi"]


@pytest.mark.parametrize("name", AVI)
def test_the_chunks_of_a_whole_avi_lead_from_picture_to_picture(name: str, tmp_path: Path) -> None:
    """With and without sound between them, and with pictures of an odd number of bytes."""
    path = (media_zoo if name in media_zoo.CLIPS else zoo_ends).make(name, tmp_path).path
    with av.open(str(path)) as container, path.open("rb") as file:
        chunks = Chunks(file, path.stat().st_size)
        packets = [p for p in container.demux(video=0) if p.size]
        assert not any(chunks.lost_before(p.pos, p.size) for p in packets)
        assert not chunks.lost_after() and len(packets) > 9
        assert any(p.size % 2 for p in packets) == (name != "dv_avi")
