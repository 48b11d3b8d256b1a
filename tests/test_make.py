"""The main job from the command line: what comes out, what is refused, what is withheld."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import av
import media_zoo
import numpy as np
import pytest
import soundfile
from forks import fork

from pipeline.media.captions import read_captions
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.media.sound import read_sound

PLAIN = "[anonymity]\nlettering = false\nfaces = false\n"


class Shell:
    """Runs `fieldstop` as a person would, in a process of its own."""

    def __init__(self, folder: Path, limit_s: float = 220) -> None:
        self.folder, self.limit_s = folder, limit_s
        self.config = folder / "config.toml"
        self.config.write_text(PLAIN)

    def __call__(self, *arguments: str | Path, config: str | None = None) -> Any:
        if config is not None:
            self.config.write_text(PLAIN + config)
        done = fork(
            "--json", "--quiet", "--config", self.config,
            "--catalogue", self.folder / "catalogue.sqlite3", *arguments, limit_s=self.limit_s,
        )  # fmt: skip
        assert "Traceback" not in done.stderr, done.stderr
        assert len(done.stdout.strip().splitlines()) <= 1
        value = json.loads(done.stdout) if done.stdout.strip() else {}
        return Result(done.returncode, value, done.stderr)


class Result:
    def __init__(self, code: int, value: dict[str, Any], said: str) -> None:
        self.code, self.value, self.said = code, value, said

    @property
    def codes(self) -> list[str]:
        return [w["code"] for w in self.value["withheld"]]


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    """Six seconds at 640x480 with suction-like noise: long enough for a sure field."""
    path = tmp_path_factory.mktemp("make") / "recording.mp4"
    return media_zoo.scope_clip(path, 6.0, size=(640, 480), seed=5, audio="noise")


@pytest.fixture(scope="session")
def voice(sample_media: Path) -> Path:
    return next(iter(sorted(sample_media.glob("voice.*"))))


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


@pytest.mark.slow
def test_a_bare_recording_becomes_a_release(
    fieldstop: Shell, recording: media_zoo.Clip, voice: Path, tmp_path: Path
) -> None:
    before = sha256(recording.path)
    out = tmp_path / "out"
    made = fieldstop("make", recording.path, "--narration", voice, "--consent", "public",
                     "--looked", "AB", "--out", out)  # fmt: skip
    assert made.code == 0, made.value
    assert set(made.value) >= {"case", "release", "draft", "sheet", "record", "survey", "plan",
                               "report", "checks", "withheld", "error"}  # fmt: skip
    assert made.value["withheld"] == [] and made.value["error"] is None
    assert all(c["passed"] for c in made.value["checks"])
    assert sha256(recording.path) == before, "the source was changed"
    release = Path(made.value["release"])
    assert release.parent.parent == out / "releases" and release.name.endswith("-web-r1.mp4")
    assert os.stat(out / "private").st_mode & 0o777 == 0o700
    assert not [p for p in out.rglob("*") if ".part-" in p.name], "temporary files are left"

    found = probe(release)
    assert (found.video.codec, found.video.pixel_format) == ("h264", "yuv420p")
    assert found.identifying == [] and not found.video.matrix_assumed
    with closing(av.open(str(release))) as container:
        assert [s.type for s in container.streams][:2] == ["video", "audio"]
        assert container.streams.audio[0].codec_context.sample_rate == 48_000
    head = release.read_bytes()[:4000]
    assert head.find(b"moov") < head.find(b"mdat") or b"mdat" not in head, "fast start"

    sheet = json.loads(Path(made.value["sheet"]).read_text())
    text = json.dumps(sheet)
    assert before not in text and "seed" not in text and "reference" not in text
    record = json.loads(Path(made.value["record"]).read_text())
    assert record["sources"] == [before] and isinstance(record["mark"]["seed"], int)
    page = Path(made.value["report"]).read_text()
    assert recording.path.name not in page and str(tmp_path) not in page
    assert "http://" not in page.replace("http://www.w3.org", "") and "<html" in page

    # Outside the true field every frame is black; inside, something is shown.
    truth = recording.field.mask(recording.width_px, recording.height_px, -6.0)
    for picture in read_pictures(release, found):
        luma = picture.planes()[0]
        assert int(luma[~truth].max(initial=0)) <= 16 + 12
        assert luma[truth].mean() > 40

    # The same again is the next revision, and names the one it replaces.
    again = fieldstop("make", recording.path, "--narration", voice, "--consent", "public",
                      "--looked", "AB", "--out", out)  # fmt: skip
    assert again.code == 0 and again.value["release"].endswith("-web-r2.mp4")
    assert json.loads(Path(again.value["sheet"]).read_text())["replaces"] == 1

    checked = fieldstop("verify", release)
    assert checked.code == 0 and checked.value["passed"]

    listed = fieldstop("catalogue")
    rows = listed.value["releases"]
    assert [r["profile"] for r in rows] == ["web-r1", "web-r2"]
    assert rows[0]["crop_loss"] > 0 and 6 <= rows[0]["visibility"] <= 12

    gone = fieldstop("withdraw", made.value["case"])
    assert {r["file"] for r in gone.value["take_down"]} == {r["file"] for r in rows}
    refused = fieldstop("make", recording.path, "--consent", "public", "--out", out)
    assert refused.code == 4 and "consent" in refused.codes and release.exists()
    assert refused.value["draft"] is None  # nothing at all is made any more
    beside = {r["file"]: r["beside"] for r in gone.value["take_down"]}
    assert beside[str(release)] == [
        str(release.with_suffix(suffix)) for suffix in (".jpg", ".sheet.json")
    ]
    # A catalogue made anew from the records keeps the withdrawal.
    (tmp_path / "catalogue.sqlite3").unlink()
    rebuilt = fieldstop("catalogue", "rebuild", out)
    assert len(rebuilt.value["releases"]) == 2
    again = fieldstop("make", recording.path, "--consent", "public", "--out", out)
    assert again.code == 4 and "consent" in again.codes


@pytest.mark.slow
def test_without_consent_a_draft_is_kept(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    made = fieldstop("make", recording.path, "--out", tmp_path / "out")
    assert made.code == 4 and made.codes == ["consent"] and made.value["release"] is None
    draft = Path(made.value["draft"])
    assert probe(draft).width_px == recording.width_px // 2
    assert not list((tmp_path / "out" / "releases").rglob("*.mp4"))
    narrow = fieldstop("make", recording.path, "--consent", "teaching", "--out", tmp_path / "out")
    assert narrow.code == 4 and narrow.codes == ["consent"]
    lecture = fieldstop("make", recording.path, "--consent", "teaching", "--profile", "lecture",
                        "--looked", "AB", "--out", tmp_path / "out")  # fmt: skip
    assert lecture.code == 0, lecture.value
    # What was noted as teaching is not widened by the command line.
    wider = fieldstop("make", recording.path, "--consent", "public", "--out", tmp_path / "out")
    assert wider.code == 4 and wider.codes == ["consent"]


def case_folder(folder: Path, clip: media_zoo.Clip, **values: Any) -> Path:
    folder.mkdir()
    os.link(clip.path, folder / "a.mp4")
    lines = {"case": "QM-0300", "title": "Crusts"} | values.pop("top", {})
    text = "\n".join(f"{k} = {json.dumps(v)}" for k, v in lines.items())
    text += '\n[[recording]]\nfiles = ["a.mp4"]\nside = "left"\n' + values.pop("recording", "")
    text += '\n[consent]\nscope = "public"\ngiven_on = 2026-03-02\n' + values.pop("consent", "")
    (folder / "case.toml").write_text(text + values.pop("more", ""))
    return folder


@pytest.mark.parametrize(
    ("top", "part"),
    [({"title": "Born 12.03.1967"}, "text"), ({"title": "Crusts, Berglund"}, "text")],
)
def test_a_title_that_identifies_withholds(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path, top: dict[str, str], part: str
) -> None:
    folder = case_folder(tmp_path / "case", recording, top=top)
    made = fieldstop("make", folder, "--out", tmp_path / "out")
    assert made.code == 4 and part in made.codes
    assert made.value["release"] is None and made.value["draft"] is None


def test_expired_consent_withholds(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    folder = case_folder(tmp_path / "case", recording, consent="expires_on = 2026-04-01\n")
    made = fieldstop("make", folder, "--out", tmp_path / "out")
    assert made.code == 4 and made.codes == ["consent"]


def test_keep_and_measured(fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path) -> None:
    more = '\n[measured]\nlabel = "Crusts removed"\nvalue = 412\nunit = "mg"\n'
    folder = case_folder(
        tmp_path / "case", recording, recording='keep = [["0:01", "0:03"], [4, 5.5]]\n', more=more
    )
    made = fieldstop("make", folder, "--looked", "AB", "--out", tmp_path / "out",
                     config="[output]\ncrf = 30\n")  # fmt: skip
    assert made.code == 0, made.value
    poster = Path(made.value["release"]).with_suffix(".jpg")
    data = poster.read_bytes()
    assert data[:4] == b"\xff\xd8\xff\xe0" and b"Exif" not in data
    release = probe(Path(made.value["release"]))
    assert release.duration_s == pytest.approx(3.5 + 3.0, abs=0.05)  # the card at the end


@pytest.mark.slow
def test_captions_follow_the_cuts_and_are_checked(
    fieldstop: Shell, recording: media_zoo.Clip, voice: Path, tmp_path: Path
) -> None:
    more = '\n[narration]\nfile = "v.wav"\noffset_s = 1.0\ncaptions = "v.srt"\n'
    folder = case_folder(
        tmp_path / "case", recording, recording="keep = [[0, 2.5], [3.5, 6]]\n", more=more
    )
    media_zoo.write_wav(folder / "v.wav", np.zeros((1, 96_000), np.float32) + 1e-4, 48_000)
    srt = "1\n00:00:00,250 --> 00:00:01,000\nHere is the <b>crust</b>.\n\n"
    (folder / "v.srt").write_text(srt)
    made = fieldstop("make", folder, "--looked", "AB", "--out", tmp_path / "out",
                     config="[output]\ncrf = 30\n")  # fmt: skip
    assert made.code == 0, made.value
    text = Path(made.value["release"]).with_suffix(".vtt").read_text()
    assert text.startswith("WEBVTT") and "00:00:01.250 --> 00:00:02.000\nHere is the crust." in text
    (folder / "v.srt").write_text(srt.replace("<b>crust</b>", "patient, NHS 943 476 5919"))
    again = fieldstop("make", folder, "--out", tmp_path / "out")
    assert again.code == 4 and "text" in again.codes
    (folder / "v.srt").write_bytes(b"\xff\xfe nothing")
    bad = fieldstop("make", folder, "--out", tmp_path / "out")
    assert bad.code == 3 and "captions" in bad.value["error"]["what"]


@pytest.mark.slow
def test_a_script_becomes_captions_where_it_is_spoken(
    fieldstop: Shell, recording: media_zoo.Clip, sample_media: Path, tmp_path: Path
) -> None:
    more = '\n[narration]\nfile = "v.wav"\noffset_s = 1.0\ncaptions = "v.txt"\n'
    folder = case_folder(tmp_path / "case", recording, more=more)
    voice, rate = soundfile.read(sample_media / "voice.flac", dtype="float32")
    media_zoo.write_wav(folder / "v.wav", voice[None, : round(4.8 * rate)], rate)
    first = "This is the left side of the nose, four weeks after sinus surgery."
    (folder / "v.txt").write_text(f"{first}\nHere sits Berglund.\n")
    named = fieldstop("make", folder, "--looked", "AB", "--out", tmp_path / "out")
    assert named.code == 4 and "text" in named.codes  # it is not spoken, but it may be
    (folder / "v.txt").write_text(f"{first}\nThe tip is warm.\n")
    made = fieldstop("make", folder, "--looked", "AB", "--out", tmp_path / "out",
                     config="[output]\ncrf = 30\n")  # fmt: skip
    assert made.code == 0, made.value
    (cue,) = read_captions(Path(made.value["release"]).with_suffix(".vtt"))
    assert " ".join(cue[2].split()) == first
    assert cue[0] == pytest.approx(1.6, abs=0.06) and cue[1] >= 5.0  # spoken from .6 to 4.13 s
    (written,) = (tmp_path / "out/private").glob("*/plan.json")
    plan = json.loads(written.read_text())
    assert any("1 of 2 sentences" in w and "line 2)" in w for w in plan["warnings"])
    (folder / "v.txt").write_text("Il faut attendre un peu avant de rincer.\n")
    other = fieldstop("make", folder, "--looked", "AB", "--out", tmp_path / "out")
    assert other.code == 3 and "Nothing of the script" in other.value["error"]["what"]


@pytest.mark.slow
def test_clip_of_a_case(fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path) -> None:
    folder = case_folder(tmp_path / "case", recording)
    made = fieldstop("clip", folder, "--from", "0:02", "--to", "4.5", "--looked", "AB",
                     "--out", tmp_path / "out")  # fmt: skip
    assert made.code == 0, made.value
    release = Path(made.value["release"])
    assert probe(release).duration_s == pytest.approx(2.5, abs=0.05)
    sheet = json.loads(Path(made.value["sheet"]).read_text())
    assert sheet["number"] is None and sheet["audience"] == "teaching"
    assert sheet["title"] == "Crusts", "of the case, where it has none of its own"
    cues = tmp_path / "cues.csv"
    cues.write_text("from,to,title\n0,2,First look\n0:03,0:05,Second look\n")
    many = fieldstop("clip", folder, "--cues", cues, "--looked", "AB",
                     "--out", tmp_path / "out")  # fmt: skip
    assert many.code == 0 and len(many.value["clips"]) == 2


@pytest.mark.parametrize("name", sorted(media_zoo.BAD_FILES))
def test_bad_input_is_refused_and_nothing_written(
    fieldstop: Shell, bad_file: Callable[[str], Path], tmp_path: Path, name: str
) -> None:
    made = fieldstop("make", bad_file(name), "--consent", "public", "--out", tmp_path / "out")
    assert made.code == 3, made.value
    assert made.value["error"]["what"] and made.value["error"]["do"]
    if name == "truncated":
        assert "cut short" in made.said, "whoever opens it first, as probe and a dry run say it"
    assert not [p for p in (tmp_path / "out").rglob("*") if p.is_file() and p.name != ".lock"]


def test_output_inside_the_input_is_refused(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    folder = case_folder(tmp_path / "case", recording)
    before = sorted(folder.rglob("*"))
    made = fieldstop("make", folder, "--out", folder / "out")
    assert made.code == 3 and "inside" in made.said
    assert sorted(folder.rglob("*")) == before


def test_unknown_key_in_case_toml(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    folder = case_folder(tmp_path / "case", recording, more='\n[narrator]\nname = "Ivy"\n')
    made = fieldstop("make", folder, "--out", tmp_path / "out")
    assert made.code == 3 and "narrator" in made.said and "Ivy" not in made.said


@pytest.mark.parametrize(
    "arguments", [["make"], ["nonsense"], ["make", "x.mp4", "--out", "o", "--profile", "nowhere"],
                  ["clip", "x.mp4", "--out", "o"], ["make", "x.mp4", "--consent", "maybe"]],
)  # fmt: skip
def test_usage_errors(fieldstop: Shell, arguments: list[str]) -> None:
    done = fieldstop(*arguments)
    assert done.code == 2 and done.said.startswith("fieldstop: ")


def test_bad_setting_is_named(fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path) -> None:
    done = fieldstop("make", recording.path, "--out", tmp_path / "o", config="[output]\ncrf = 99\n")
    assert done.code == 2 and "output.crf" in done.said and "35" in done.said


def test_output_that_cannot_be_written(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    made = fieldstop("make", recording.path, "--out", tmp_path / "file" / "out")
    assert made.code == 6


def test_full_disk(
    fieldstop: Shell, recording: media_zoo.Clip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file system of 2 MB: the run ends with 6 and leaves nothing half-made."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    small = tmp_path / "small"
    small.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(small)])
    if mounted.returncode != 0:
        pytest.skip("no file system can be mounted here")
    try:
        made = fieldstop("make", recording.path, "--consent", "public", "--out", small / "out")
        assert made.code == 6, made.value
        assert "full" in made.said
        assert not list((small / "out" / "releases").rglob("*.mp4"))
        assert not list((small / "out").rglob("*.part*"))
    finally:
        subprocess.run(["umount", str(small)], check=True)


def test_help_is_fast_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; sys.argv=['fieldstop','-h']\n"
        "from pipeline.cli import main\n"
        "try: main()\nexcept SystemExit: pass\n"
        "heavy={'numpy','cv2','av','scipy','librosa','pydantic','rich'}&set(sys.modules)\n"
        "print('HEAVY',sorted(heavy))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert "HEAVY []" in done.stdout


def test_split_files_join_without_a_gap(fieldstop: Shell, tmp_path: Path) -> None:
    """Frame numbers run on across the join, and the tone goes on in phase."""
    folder = tmp_path / "case"
    folder.mkdir()
    parts = media_zoo.split_recording(folder)
    names = json.dumps([p.path.name for p in parts])
    field = parts[0].field
    given = [field.center_x_px, field.center_y_px, field.radius_px, field.left_px, field.top_px,
             field.right_px, field.bottom_px]  # fmt: skip
    (folder / "case.toml").write_text(
        f'case = "QM-0301"\n[[recording]]\nfiles = {names}\nfield = {given}\n'
        '[consent]\nscope = "public"\nvoice = true\n'
    )
    made = fieldstop("make", folder, "--looked", "AB", "--out", tmp_path / "out",
                     config="[mark]\nvisibility_low = 2\nvisibility_high = 30\n")  # fmt: skip
    assert made.code == 0, made.value
    release = Path(made.value["release"])
    found = probe(release)
    times = [p.time_s for p in read_pictures(release, found)]
    assert len(times) == sum(len(p.pts_s) for p in parts)
    assert np.abs(np.diff(times) - np.median(np.diff(times))).max() < 0.005
    sound = np.concatenate(list(read_sound(release, channels=1)), axis=1)[0]
    assert abs(len(sound) / 48_000 - found.duration_s) < 0.05


def test_the_sample_case(sample_case: Path, tmp_path: Path, sample_truth: dict[str, Any]) -> None:
    """The demo's case: field, fog and narration against its truth."""
    made = Shell(tmp_path)("make", sample_case, "--looked", "AB",
                           "--out", tmp_path / "out")  # fmt: skip
    assert made.code == 0, made.value["withheld"]
    for path, truth in zip(made.value["survey"], sample_truth["files"], strict=True):
        survey = json.loads(Path(path).read_text())
        beside = Path(path).with_name(Path(path).name.replace("survey", "findings"))
        found = json.loads(beside.read_text())
        assert found["schema"] == "fieldstop.findings/1"
        assert found["sha256"] == survey["recording"]["sha256"]
        span, wanted = survey["field"][0], truth["field"][0]
        for key in ("center_x_px", "center_y_px", "radius_px", "top_px", "bottom_px"):
            assert abs(span[key] - wanted[key]) <= 7.2, key  # 1 % of the frame height
        fog = [e for e in found["events"] if e["kind"] == "fog"]
        true_fog = [e for e in truth["events"] if e["kind"] == "fog"]
        assert len(fog) == len(true_fog)
        for a, b in zip(fog, true_fog, strict=True):
            both = min(a["stop_s"], b["stop_s"]) - max(a["start_s"], b["start_s"])
            either = max(a["stop_s"], b["stop_s"]) - min(a["start_s"], b["start_s"])
            assert both / either >= 0.3
        for start, stop in truth["speech_s"]:
            assert any(a <= start and b >= stop for a, b in found["speech"]["procedure"])
    # A sample picture of a disturbance is one of it, at the time that it says.
    report = Path(made.value["report"]).read_text()
    for kind in ("fog", "smudge"):
        said = re.search(rf"(\d+):([\d.]+) · [^<>]* · {kind}(?: at its worst)?<", report)
        assert said is not None, kind
        at_s = 60 * int(said[1]) + float(said[2])
        assert any(
            f["case_start_s"] + e["start_s"] - 0.1 <= at_s <= f["case_start_s"] + e["stop_s"] + 0.1
            for f in sample_truth["files"] for e in f["events"] if e["kind"] == kind
        ), (kind, at_s)  # fmt: skip
    release = probe(Path(made.value["release"]))
    assert release.chapters == 2
    assert release.duration_s == pytest.approx(38.0, abs=0.5)
