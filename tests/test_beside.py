"""What is made beside a clip that left: from the file itself, asked anew, named in take-down."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import av
import media_zoo
import numpy as np
import pytest
from test_make import Shell

from pipeline.media.still_files import png_chunks
from pipeline.review.cases import case_files
from pipeline.stages.stills import png
from pipeline.store.work import WorkFolder

CASE = """case = "QM-0300"
title = "Crust clearance after sinus surgery"
[[recording]]
files = ["a.mp4"]
side = "left"
keep = [["0:01", "0:04"]]
[[recording]]
files = ["b.mp4"]
side = "right"
[consent]
scope = "public"
given_on = 2026-03-02
[measured]
label = "Crusts removed"
value = 412
unit = "mg"
[teaching]
objective = "Crusts"
author = "ENT surgeon"
"""
QUICK = '[output]\ncrf = 30\nx264_preset = "ultrafast"\n'


class Released(Shell):
    """A case that left, with its material, catalogue and OUT folder."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.config.write_text(self.config.read_text() + QUICK)
        self.out, self.case = folder / "out", folder / "case"
        self.private = self.out / "private" / "QM-0300"
        self.clip = self.out / "releases/QM-0300/QM-0300-web-r1.mp4"
        self.home = {k: v for k, v in os.environ.items() if k.startswith("XDG_")}

    def still(self, *times: str, name: str = "QM-0300") -> Any:
        at = [word for time in times for word in ("--at", time)]
        return self("still", name, *at, "--out", self.out)

    def beside(self) -> list[str]:
        return sorted(p.name for p in self.clip.parent.iterdir() if p != self.clip)


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Released]:
    """In an installation of its own: what is withdrawn here must not bind other tests."""
    with pytest.MonkeyPatch.context() as patch:
        for name in ("DATA", "CONFIG", "CACHE", "STATE"):
            folder = tmp_path_factory.mktemp(name.lower())
            patch.setenv(f"XDG_{name}_HOME", str(folder))
        yield _released(tmp_path_factory)


def _released(tmp_path_factory: pytest.TempPathFactory) -> Released:
    here = Released(tmp_path_factory.mktemp("beside"))
    here.case.mkdir()
    for name, length_s, seed in (("a.mp4", 5.0, 5), ("b.mp4", 3.0, 7)):
        media_zoo.scope_clip(here.case / name, length_s, size=(320, 240), seed=seed, audio="noise")
    (here.case / "case.toml").write_text(CASE)
    ready = here("make", here.case, "--out", here.out)
    assert ready.code == 0, ready.value
    only = here.still("1")
    assert only.code == 4 and only.codes == ["look"], "ready, but nobody looked"
    assert here("release", "QM-0300", "--out", here.out, "--by", "AB").code == 0
    return here


@pytest.fixture
def origin(first: Released, monkeypatch: pytest.MonkeyPatch) -> Released:
    """The case as it was released, in the same installation. Leave it as it is."""
    for name, value in first.home.items():
        monkeypatch.setenv(name, value)
    return first


@pytest.fixture
def left(origin: Released, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Released:
    """A copy of all of it for one test, the installation too: it remembers withdrawals."""
    for one in ("out", "case"):
        shutil.copytree(origin.folder / one, tmp_path / one)
    shutil.copytree(origin.home["XDG_DATA_HOME"], tmp_path / "installation")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "installation"))
    here = Released(tmp_path)
    # A withdrawal is told where the material lies: that of the copy, not of the other tests.
    noted = here.private / "origin.json"
    noted.write_text(noted.read_text().replace(str(origin.case), str(here.case)))
    assert here("catalogue", "rebuild", here.out).code == 0
    return here


def decoded(path: Path, time_s: float) -> np.ndarray[Any, Any]:
    """RGB of the picture on screen, as PyAV and swscale show it (BT.709 limited range)."""
    from av.video.reformatter import ColorRange, Colorspace

    with closing(av.open(str(path))) as container:
        shown = [f for f in container.decode(video=0) if f.time <= time_s + 1e-3][-1]
        rgb = shown.reformat(format="rgb24", src_colorspace=Colorspace.ITU709,
                             src_color_range=ColorRange.MPEG)  # fmt: skip
        return np.asarray(rgb.to_ndarray())


@pytest.mark.slow
def test_a_still_is_a_picture_of_the_clip_and_nothing_else(left: Released) -> None:
    from PIL import Image

    made = left.still("0:01.5", "4")
    assert made.code == 0, made.value
    path = Path(made.value["stills"][0]["still"])
    assert [p for p in left.beside() if p.endswith(".png")] == [
        "QM-0300-web-r1-still-0m01s500.png", "QM-0300-web-r1-still-0m04s000.png",
    ]  # fmt: skip
    with Image.open(path) as image:
        assert image.info == {} and image.size == (320, 240)
        shown = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(shown - decoded(left.clip, 1.5)).max() <= 2
    text = path.with_suffix(".sheet.json").read_text()
    sheet = json.loads(text)
    assert sheet["chapter"] == "Left side" and sheet["clip"] == left.clip.name
    record = json.loads(next(left.private.glob("*r1.release.json")).read_text())
    for private in (*record["sources"], record["plan_sha256"], str(left.folder), "a.mp4", '"AB"'):
        assert private not in text
    assert all(c["passed"] for c in sheet["checks"])


def test_each_shot_begins_with_a_picture_of_its_own(origin: Released) -> None:
    """Else specks of tissue stay on the card at this coarse coding, in one clip of forty."""
    with av.open(str(origin.clip)) as file:
        keys = [float(p.pts * p.time_base) for p in file.demux(video=0) if p.is_keyframe]
    for cut_s in (3.0, 6.0):
        assert min(abs(key - cut_s) for key in keys) < 0.02, keys



def test_all_that_goes_with_a_clip(left: Released) -> None:
    """All that is named lies there, nothing private is in it, and take-down knows it."""
    from PIL import Image

    made = left("publish", left.case, "--out", left.out)
    assert made.code == 0, made.said
    files = {Path(f).name.removeprefix("QM-0300-web-r1"): Path(f) for f in made.value["files"]}
    assert sorted(files) == [
        "-poster-2.jpg", "-poster-3.jpg", "-preview.mp4", ".description.txt", ".publish.json",
    ]  # fmt: skip
    document = files[".publish.json"]
    value = json.loads(document.read_text())
    assert value["description"] == files[".description.txt"].read_text() and value["captions"] == []
    for name in (value["clip"], *value["posters"], value["preview"]["file"]):
        assert (left.clip.parent / name).is_file()
    assert value["posters"][0] == "QM-0300-web-r1.jpg" and len(value["posters"]) == 3
    record = json.loads(next(left.private.glob("*r1.release.json")).read_text())
    for private in (*record["sources"], str(left.folder), "a.mp4", '"AB"'):
        assert private not in document.read_text()
    listed = json.loads((left.private / "QM-0300-web-r1.beside.json").read_text())["files"]
    assert {f["file"] for f in listed} == {p.name for p in files.values()}
    shown = []
    for name in value["posters"]:
        with Image.open(left.clip.parent / name) as image:
            assert not image.getexif() and image.size == (320, 240)
            shown.append(np.asarray(image.convert("L")).astype(float))
    assert min(np.abs(a - b).mean() for k, a in enumerate(shown) for b in shown[:k]) > 1.5

    start_s, stop_s = value["preview"]["clip_s"]
    with closing(av.open(str(files["-preview.mp4"]))) as loop:
        assert not loop.streams.audio and loop.metadata.keys() <= {
            "major_brand", "minor_version", "compatible_brands",
        }  # fmt: skip
        length_s = float(loop.duration) / av.time_base
    assert made.value["scorecard"]["of"] == 18 and len(made.value["scorecard"]["items"]) == 9
    assert "Objective: Crusts" in value["description"] and value["teaching"]["author"]
    assert 1 <= stop_s - start_s <= 5 and abs(length_s - (stop_s - start_s)) <= 0.05
    shown = [f for f in case_files(WorkFolder(left.out, "QM-0300")) if f.place.endswith(".mp4")]
    assert [(f.kind, f.words) for f in shown] == [
        ("release", "Released clip r1"), ("preview", "Preview"),
    ]  # fmt: skip
    verified = left("verify", left.clip)
    assert verified.code == 0, verified.said
    named = {c["check"] for c in verified.value["checks"]}
    assert {"poster-2 is a picture of the clip", "preview looks as the clip"} <= named


@pytest.mark.slow
def test_a_preview_or_poster_of_another_clip_is_found(left: Released) -> None:
    """A spoiled one fails by name: another moment, a picture too many, sound, another case."""
    assert left("publish", "QM-0300", "--out", left.out).code == 0
    preview = left.clip.with_name("QM-0300-web-r1-preview.mp4")
    poster = left.clip.with_name("QM-0300-web-r1-poster-2.jpg")
    document = left.clip.with_name("QM-0300-web-r1.publish.json")

    def failed() -> set[str]:
        done = left("verify", left.clip)
        assert done.code == 4
        return {c["check"] for c in done.value["checks"] if not c["passed"]}

    told = document.read_text()
    start_s, stop_s = json.loads(told)["preview"]["clip_s"]
    for moved in ((start_s + 0.4, stop_s + 0.4), (start_s, stop_s - 0.2)):
        value = json.loads(told)
        value["preview"]["clip_s"] = moved
        document.write_text(json.dumps(value))
        assert failed() & {"preview looks as the clip", "preview shows the clip's pictures"}
    document.write_text(told)
    whole = preview.read_bytes()
    shutil.copyfile(left.clip, preview)
    assert "preview without sound" in failed()
    preview.write_bytes(whole[: len(whole) // 2])
    assert any(name.startswith(("preview", "file")) for name in failed())
    preview.write_bytes(whole)
    media_zoo.scope_clip(left.folder / "x.mp4", 1.0, size=(320, 240), seed=99, audio="none")
    import cv2

    rgb = decoded(left.folder / "x.mp4", 0.4)
    cv2.imwrite(str(poster), rgb[..., ::-1])
    assert failed() == {"poster-2 is a picture of the clip"}


@pytest.mark.parametrize("at", ["0:30", "-1", "noon"])
def test_times_that_the_clip_does_not_show(left: Released, at: str) -> None:
    refused = left.still(at)
    assert refused.code in (2, 3) and not [p for p in left.beside() if ".png" in p]


def test_what_changed_since_withholds(left: Released) -> None:
    """A decision, the file itself, what is kept of it, a lost catalogue."""
    decisions = left.private / "decisions.json"
    entry = {"number": 1, "at": "2026-03-03T10:00:00+00:00", "by": "AB", "verb": "add",
             "value": {"box": [10, 10, 20, 20]}}  # fmt: skip
    decisions.write_text(
        json.dumps({"schema": "fieldstop.decisions/1", "case": "QM-0300", "entries": [entry]})
    )
    refused = left.still("1")
    assert (refused.code, refused.codes) == (4, ["changed"])
    decisions.unlink()

    whole = left.clip.read_bytes()
    left.clip.write_bytes(whole[:-1] + b"x")
    assert left.still("1").code == 3
    left.clip.write_bytes(whole)

    kept = left.private / "QM-0300-web-r1.clip.json"
    text = kept.read_text()
    kept.write_text(text.replace('"audience": "public"', '"audience": "teaching"', 1))
    assert left.still("1").code == 3
    kept.write_text(text)

    catalogue = left.folder / "catalogue.sqlite3"
    catalogue.rename(left.folder / "kept.sqlite3")
    assert left.still("1").code == 4
    assert left("catalogue", "rebuild", left.out).code == 0
    assert left.still("1", name="QM-0800").code == 3


def test_take_down_names_stills_even_when_they_are_gone(left: Released) -> None:
    made = left.still("1.5", "2.5")
    assert made.code == 0, made.said
    one, two = (Path(s["still"]) for s in made.value["stills"])
    two.unlink()
    (left.folder / "catalogue.sqlite3").unlink()
    assert left("catalogue", "rebuild", left.out).code == 0
    assert left("withdraw", "QM-0300").code == 0
    refused = left.still("1")
    assert (refused.code, refused.codes) == (4, ["consent"])
    gone = left("withdraw", "QM-0300", "--move-to", left.folder / "moved")
    (row,) = gone.value["take_down"]
    assert str(one) in row["beside"]
    there = {m["file"]: m["there"] for m in row["made_beside"]}
    assert there[one.name] and not there[two.name]
    assert not left.beside() and (left.folder / "moved/QM-0300" / one.name).is_file()


def test_chunks_of_a_png_are_read_to_its_last_byte() -> None:
    data = png(np.zeros((4, 4, 3), np.uint8))
    assert png_chunks(data) == [b"IHDR", b"IDAT", b"IEND"]
    text = b"\x00\x00\x00\x04tEXtname\x00\x00\x00\x00"
    for spoiled in (data + b"name", data[:33] + text + data[33:], data[:-1], b"GIF89a", b""):
        assert set(png_chunks(spoiled)) - {b"IHDR", b"IDAT", b"IEND"}


def test_consent_narrowed_in_the_case_file_withholds(origin: Released) -> None:
    """The last of this file: what narrows consent is noted for good."""
    toml = origin.case / "case.toml"
    toml.write_text(CASE.replace('"public"', '"teaching"') + "# later\n")
    try:
        narrower = origin.still("1")
    finally:
        toml.write_text(CASE)
    assert (narrower.code, narrower.codes) == (4, ["consent"])
