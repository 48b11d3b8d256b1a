"""A clip is signed when it leaves, last of all; what cannot be signed stays ready."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import certificates
import media_zoo
import pytest
from test_make import Shell, case_folder, sha256

from pipeline.stages import signing

GIVEN = "field = [166, 120, 112]\n"


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> media_zoo.Clip:
    path = tmp_path_factory.mktemp("signing") / "a.mp4"
    return media_zoo.scope_clip(path, 3.0, size=(320, 240), seed=5, audio="noise")


def failing(value: dict[str, list[dict[str, object]]]) -> list[object]:
    return [c["check"] for c in value["checks"] if not c["passed"]]


@pytest.mark.parametrize("command", ["make", "batch"])
def test_what_may_leave_at_once_asks_for_its_key_first(
    fieldstop: Shell, tiny: media_zoo.Clip, command: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is measured for a clip that could not be signed at its end."""
    monkeypatch.delenv(signing.PASSPHRASE, raising=False)
    by = certificates.signer(fieldstop.folder / "keys", passphrase="open sesame")
    (fieldstop.folder / "day").mkdir()
    case_folder(fieldstop.folder / "day/case", tiny, recording=GIVEN)
    given = fieldstop.folder / ("day/case" if command == "make" else "day")
    out = fieldstop.folder / "out"
    done = fieldstop(command, given, "--looked", "AB", "--out", out, config=by.settings)
    assert done.code == 2 and signing.PASSPHRASE in done.said
    assert not [p for p in out.rglob("*") if p.suffix in (".mp4", ".npz")]


@pytest.mark.slow
def test_signed_when_it_leaves(fieldstop: Shell, tiny: media_zoo.Clip) -> None:
    out = fieldstop.folder / "out"
    by = certificates.signer(fieldstop.folder / "keys")
    case_folder(fieldstop.folder / "case", tiny, recording=GIVEN)
    first = fieldstop("make", fieldstop.folder / "case", "--out", out, config=by.settings)
    ready = Path(first.value["ready"])
    plain = sha256(ready)
    assert b"c2pa" not in ready.read_bytes()
    before = {p.name: p.read_bytes() for p in ready.parent.glob("QM-0300-web*ready*")}

    by.key.rename(by.key.with_name("away.pem"))
    refused = fieldstop("release", "QM-0300", "--by", "AB", "--out", out)
    assert refused.code == 2 and "provenance.key" in refused.said
    assert sha256(ready) == plain and not [*(out / "releases").rglob("*.*")]
    assert not list(ready.parent.glob("*r1*")) and not list(ready.parent.glob(".work*"))
    by.key.with_name("away.pem").rename(by.key)

    done = fieldstop("release", "QM-0300", "--by", "AB", "--out", out)
    assert done.code == 0, done.said
    clip = Path(done.value["release"])
    sheet = json.loads(Path(done.value["sheet"]).read_text())
    record = json.loads(Path(done.value["record"]).read_text())
    kept = json.loads((ready.parent / "QM-0300-web-r1.clip.json").read_text())
    assert sheet["sha256"] == record["sheet"]["sha256"] == kept["sha256"] == sha256(clip) != plain
    assert record["unsigned_sha256"] == plain and kept["signed"]
    assert any("strip the signature" in line for line in sheet["provenance"])
    assert not list(ready.parent.glob(".work*"))
    secret = by.key.read_bytes().splitlines()[1]
    for path in [p for p in out.rglob("*") if p.is_file()]:
        data = path.read_bytes()
        assert secret not in data and str(by.key).encode() not in data, path
        assert path == clip or b"Quillmere trial" not in data, path

    # It is checked where it lies; a copy needs its sheet, or settings that sign.
    found = fieldstop("verify", clip)
    assert found.code == 0 and found.value["passed"]
    made = {c["check"] for c in found.value["checks"]}
    assert {signing.HOLDS, signing.LISTED, "file is the one of its sheet"} <= made
    away = fieldstop.folder / "away"
    away.mkdir()
    copy = Path(shutil.copy(clip, away))
    assert fieldstop("verify", copy).code == 0
    found = fieldstop("verify", copy, config="")
    assert found.code == 4 and failing(found.value) == ["boxes and fields not on the list"]
    shutil.copy(done.value["sheet"], away)
    assert fieldstop("verify", copy).code == 0

    # One byte of the picture.
    data = bytearray(clip.read_bytes())
    data[data.rindex(b"mdat") + 4000] ^= 1
    copy.write_bytes(data)
    assert signing.HOLDS in failing(fieldstop("verify", copy, config=by.settings).value)
    clip.write_bytes(data)
    assert {"file is the one of its sheet", signing.HOLDS} <= set(
        failing(fieldstop("verify", clip).value)
    )
    data[data.rindex(b"mdat") + 4000] ^= 1
    clip.write_bytes(data)

    # Killed between the release and the tidying: what was ready is known by what it was.
    for name, content in before.items():
        (ready.parent / name).write_bytes(content)
    again = fieldstop("release", "QM-0300", "--by", "AB", "--out", out)
    assert again.code == 3 and "released already" in again.said and not ready.exists()
