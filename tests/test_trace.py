"""`fieldstop trace` from the command line: what was stolen is found, what is not ours is not."""

from __future__ import annotations

import hashlib
import json
import stat
import subprocess
from pathlib import Path
from typing import Any
from unittest import mock

import imageio_ffmpeg
import media_zoo
import pytest
from click.testing import CliRunner

from pipeline.cli import main
from pipeline.model.release import ReleaseRecord, Sheet
from pipeline.store.catalogue import Catalogue

SIZE = (360, 270)


class Series:
    """A catalogue with releases of made-up cases, as a rebuild finds them: records and files."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.out = folder, folder / "out"
        self.catalogue = folder / "catalogue.sqlite3"

    def release(self, case: str, seed: int, revision: int = 1, seconds: float = 12.0) -> Path:
        name = f"{case}-web-r{revision}"
        file = self.out / "releases" / case / f"{name}.mp4"
        file.parent.mkdir(parents=True, exist_ok=True)
        media_zoo.scope_clip(file, seconds, 12, SIZE, seed=seed, audio="none", surround=0.0)
        sheet = Sheet(
            case=case, title="Made for a test", number=None, profile="web", audience="public",
            revision=revision, file=file.name, duration_s=seconds, width_px=SIZE[0],
            height_px=SIZE[1], year=2026, sha256=hashlib.sha256(file.read_bytes()).hexdigest(),
        )  # fmt: skip
        record = ReleaseRecord(
            sheet=sheet, released_at=f"2026-03-0{revision}T10:00:00+00:00", program_version="0",
            sources=[f"{case}".ljust(64, "0")], settings_sha256="s", plan_sha256="p",
            survey_sha256=[], consent={"scope": "public", "given_on": "2026-01-01"}, mark={},
            path=str(file),
        )  # fmt: skip
        private = self.out / "private" / case
        private.mkdir(parents=True, exist_ok=True)
        (private / f"{name}.release.json").write_text(record.to_json())
        return file

    def __call__(self, *arguments: str | Path) -> tuple[int, dict[str, Any]]:
        words = ["--json", "--quiet", "--catalogue", str(self.catalogue), *map(str, arguments)]
        with mock.patch("sys.argv", ["fieldstop", *words]):
            found = CliRunner().invoke(main, words)
        assert found.exception is None or isinstance(found.exception, SystemExit), found.exception
        return found.exit_code, json.loads(found.stdout.strip().splitlines()[-1])


@pytest.fixture(scope="module")
def series(tmp_path_factory: pytest.TempPathFactory) -> Series:
    series = Series(tmp_path_factory.mktemp("trace"))
    series.release("HL-0142", 3)
    series.release("HL-0143", 4)
    code, said = series("catalogue", "rebuild", series.out)
    assert code == 0 and said["notes"] == []
    return series


def stolen(source: Path, target: Path, filters: str, *before: str) -> Path:
    command = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-y", *before, "-i", str(source),
               "-an", "-vf", filters, "-c:v", "libx264", "-preset", "ultrafast", "-crf", "30",
               str(target)]  # fmt: skip
    subprocess.run(command, check=True)
    return target


def file_of(series: Series, case: str) -> Path:
    return series.out / "releases" / case / f"{case}-web-r1.mp4"


@pytest.mark.parametrize(("filters", "mirrored", "speed"), [
    ("hflip,crop=ih*0.7:ih*0.7,scale=240:-2,setpts=PTS/1.25", True, 1.25),
    ("eq=gamma=1.5:saturation=0,scale=200:-2,pad=400:300:150:90:white", False, 1.0),
])  # fmt: skip
def test_what_was_stolen_is_found(
    series: Series, tmp_path: Path, filters: str, mirrored: bool, speed: float
) -> None:
    suspect = stolen(file_of(series, "HL-0143"), tmp_path / "s.mp4", filters, "-ss", "2")
    code, said = series("trace", suspect, "--out", tmp_path / "evidence")
    assert code == 0 and said["error"] is None
    (found,) = said["found"]
    assert (found["case"], found["profile"], found["revision"]) == ("HL-0143", "web", 1)
    assert found["false_alarms"] < 1e-3 and found["consent"] == "public"
    match = max(found["matches"], key=lambda m: m["stop_s"] - m["start_s"])
    assert match["mirrored"] is mirrored
    assert match["speed"] == pytest.approx(speed, rel=0.03)
    assert match["release_start_s"] == pytest.approx(2.0 + match["start_s"] * speed, abs=0.5)
    assert found["matched_s"] >= 0.8 * said["suspect_duration_s"]
    page, document = Path(said["report"]), Path(said["evidence"])
    for path in (page, document):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
        assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    text = page.read_text()
    assert text.count("data:image/jpeg") >= 2 and "HL-0143-web-r1" in text
    assert str(series.folder) not in text and str(tmp_path) not in text
    assert found["sha256"] in text and said["suspect_sha256"] in text


@pytest.mark.parametrize("from_s", [1.0, 2.3, 4.6])
def test_a_short_copy_is_not_said_to_run_slower(
    series: Series, tmp_path: Path, from_s: float
) -> None:
    """Places are known to half a second: of 4.5 s that tells no speed but that of the release."""
    suspect = stolen(file_of(series, "HL-0143"), tmp_path / "s.mp4", "scale=240:-2",
                     "-ss", str(from_s), "-t", "4.5")  # fmt: skip
    code, said = series("trace", suspect, "--out", tmp_path / "evidence")
    assert code == 0
    (match,) = said["found"][0]["matches"]
    assert match["speed"] == 1.0
    assert match["release_start_s"] == pytest.approx(from_s + match["start_s"], abs=0.3)


def test_what_is_not_ours_is_not_found(series: Series, tmp_path: Path) -> None:
    media_zoo.scope_clip(tmp_path / "s.mp4", 11, 12, SIZE, seed=77, audio="none")
    code, said = series("trace", tmp_path / "s.mp4", "--out", tmp_path / "evidence")
    assert code == 0 and said["found"] == [] and said["comparisons"] >= 4
    assert "No release was found" in Path(said["report"]).read_text()


def test_a_withdrawn_and_replaced_release_is_found_and_said_so(tmp_path: Path) -> None:
    series = Series(tmp_path)
    first = series.release("HL-0200", 21, seconds=8)
    series.release("HL-0200", 22, revision=2, seconds=8)
    assert series("catalogue", "rebuild", series.out)[0] == 0
    suspect = stolen(first, tmp_path / "s.mp4", "scale=320:-2")
    assert series("withdraw", "HL-0200")[0] == 0
    first.unlink()  # taken away, and the prints with it: the index still knows
    code, said = series("trace", suspect, "--out", tmp_path / "evidence")
    assert code == 0 and len(said["found"]) == 1
    found = said["found"][0]
    assert found["revision"] == 1 and found["withdrawn"] and found["replaced_by"] == 2
    assert not found["file_there"]
    text = Path(said["report"]).read_text()
    assert "withdrawn" in text and "replaced by revision 2" in text


def test_a_release_without_prints_is_named(tmp_path: Path) -> None:
    series = Series(tmp_path)
    series.release("HL-0300", 31, seconds=6)
    with Catalogue(series.catalogue) as store:
        records = list((series.out / "private").rglob("*.release.json"))
        store.rebuild(records)
    media_zoo.scope_clip(tmp_path / "s.mp4", 6, 12, (320, 240), seed=77, audio="none")
    code, said = series("trace", tmp_path / "s.mp4", "--out", tmp_path / "evidence")
    assert code == 0 and said["not_compared"] == ["HL-0300-web-r1"] and said["releases"] == 0
    assert "HL-0300-web-r1" in Path(said["report"]).read_text()


def test_what_cannot_be_traced_gets_a_sentence(series: Series, tmp_path: Path) -> None:
    still, text, short = (tmp_path / n for n in ("Berglund.png", "Berglund.mp4", "short.mp4"))
    import cv2
    import numpy as np

    cv2.imwrite(str(still), np.full((200, 300, 3), 90, np.uint8))
    text.write_text("no film")
    media_zoo.scope_clip(short, 2, 12, (320, 240), audio="none")
    out = tmp_path / "evidence"
    for suspect, word in ((still, ""), (text, ""), (short, "too short"), (tmp_path / "no.mp4", "")):
        code, said = series("trace", suspect, "--out", out)
        assert code == 3 and said["error"]["what"] and word in said["error"]["what"], said
        assert "Berglund" not in json.dumps(said)
    assert not out.exists()
    empty = Series(tmp_path / "none")
    code, said = empty("trace", short, "--out", out)
    assert code == 3 and "no catalogue" in said["error"]["what"]
    assert not empty.catalogue.exists()
    empty.folder.mkdir()
    Catalogue(empty.catalogue).close()
    code, said = empty("trace", short, "--out", out)
    assert code == 3 and "Nothing was released" in said["error"]["what"]


def test_evidence_never_lies_among_releases(series: Series, tmp_path: Path) -> None:
    place = series.out / "releases" / "HL-0142"
    code, said = series("trace", file_of(series, "HL-0142"), "--out", place)
    assert code == 2 and "private" in said["error"]["what"]
    assert not list(place.glob("clip-*"))
