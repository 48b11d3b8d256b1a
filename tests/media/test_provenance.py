"""Signed clips: the library, an independent look at the boxes, and files that were spoiled."""

from __future__ import annotations

import datetime
import errno
import getpass
import io
import json
import os
import random
import socket
import struct
import subprocess
import sys
import threading
import time
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import certificates
import pytest
from cryptography.x509.oid import ExtendedKeyUsageOID
from needed import needs

from pipeline.errors import OutputError, UsageError
from pipeline.media import provenance
from pipeline.media.mp4_added import only_signed
from pipeline.media.mp4_walk import signature_box
from pipeline.media.programs import ffmpeg_program
from pipeline.media.provenance_box import odd_parts
from pipeline.media.tags import check_container
from pipeline.media.write import finish
from pipeline.model.options import Options
from pipeline.settings import deciding_options, load_options
from pipeline.stages import signing

C2PA_UUID = "d8fec3d61b0e483c92975828877ec481"  # C2PA Technical Specification 2.4, annex A.5


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A finished clip as the renderer writes it, with chapters and captions."""
    folder = tmp_path_factory.mktemp("signed")

    def run(*arguments: str | Path) -> None:
        subprocess.run([ffmpeg_program(), "-v", "error", "-f", "lavfi", *arguments], check=True)

    run("-i", "testsrc2=s=160x120:d=2", "-c:v", "libx264", "-pix_fmt", "yuv420p", folder / "p.mkv")
    run("-i", "sine=d=2:r=48000", "-c:a", "aac", "-flags:a", "+bitexact", folder / "s.m4a")
    finish(
        folder / "p.mkv", folder / "s.m4a", folder / "clip.mp4", matrix="bt709", work=folder,
        end_s=2.0,
        chapters=[(0, 1, "Left side"), (1, 2, "Right side")], captions=[(0.5, 1.5, "Crusts")],
    )  # fmt: skip
    return folder / "clip.mp4"


@pytest.fixture(scope="module")
def signed(clip: Path) -> Path:
    return sign(clip, certificates.signer(clip.parent / "es256"), clip.with_name("signed.mp4"))


def sign(clip: Path, by: certificates.Signer, target: Path) -> Path:
    found = provenance.read_credentials(by.key, by.chain, lambda: None)
    provenance.sign_file(clip, target, found)
    return target


def options_of(by: certificates.Signer) -> Options:
    return Options.model_validate({"provenance": {"key": str(by.key), "chain": str(by.chain)}})


def failed(path: Path) -> set[str]:
    return {c.check for c in signing.signature_checks(path) if not c.passed}


def container(path: Path, *, may: bool) -> list[str]:
    checks = check_container(path, lambda _: True, captions=True, signed=may)
    return [str(c.measured) for c in checks if not c.passed]


@pytest.mark.parametrize("kind", ["ES256", "ES384", "ES512", "PS256", "ED25519"])
def test_each_kind_of_key_that_the_specification_allows(
    clip: Path, tmp_path: Path, kind: str
) -> None:
    """C2PA Technical Specification 2.4, 13.2.1, less RSA under other hashes; read back by the
    library with its own settings, not ours."""
    import c2pa

    path = sign(clip, certificates.signer(tmp_path, kind), tmp_path / "a.mp4")
    with open(path, "rb") as stream, c2pa.Reader("video/mp4", stream) as reader:
        assert reader.get_validation_state() == "Valid"
        manifest = reader.get_active_manifest()
    assert sorted(a["label"] for a in manifest["assertions"]) == [
        "c2pa.actions.v2", "c2pa.hash.bmff.v3",
    ]  # fmt: skip
    assert "ingredients" not in manifest or manifest["ingredients"] == []
    assert "thumbnail" not in manifest and "title" not in manifest
    assert "time" not in manifest["signature_info"]
    assert failed(path) == set() and odd_parts(signature_box(path)) == []
    assert only_signed(clip, path)


def test_a_signature_may_be_there_where_it_is_wanted_only(clip: Path, signed: Path) -> None:
    assert container(signed, may=True) == [] == container(clip, may=False)
    assert container(signed, may=False) == ["1: uuid"]
    data = signed.read_bytes()
    (size,) = struct.unpack_from(">I", data, 32)
    box, other = data[32 : 32 + size], signed.with_name("other.mp4")
    for spoiled in (
        data + box,  # one more at the end
        data + struct.pack(">I4s", 40, b"uuid") + bytes(32),
        data[:36] + b"udta" + data[40:],
        data[:40] + bytes(16) + data[56:],  # a box of another maker in its place
    ):
        other.write_bytes(spoiled)
        assert container(other, may=True)


def test_the_signed_file_is_the_clip_and_one_box(clip: Path, signed: Path, tmp_path: Path) -> None:
    """Held against the two files here, box by box (ISO/IEC 14496-12)."""

    def top(data: bytes) -> list[tuple[bytes, bytes]]:
        found, at = [], 0
        while at < len(data):
            size, kind = struct.unpack_from(">I4s", data, at)
            found.append((kind, data[at : at + size]))
            at += size
        return found

    was, now = top(clip.read_bytes()), top(signed.read_bytes())
    kind, box = now.pop(1)
    assert kind == b"uuid" and box[8:24].hex() == C2PA_UUID
    assert [k for k, _ in was] == [k for k, _ in now]
    assert all(a == b for (k, a), (_, b) in zip(was, now, strict=True) if k != b"moov")
    other = tmp_path / "other.mp4"
    for at in (clip.stat().st_size + len(box) - 9, 32 + len(box) + 60, 12):
        data = bytearray(signed.read_bytes())
        data[at] ^= 1
        other.write_bytes(data)
        assert not only_signed(clip, other), at
    assert not only_signed(clip, clip)


def test_an_independent_reader_finds_nothing_else(signed: Path, tmp_path: Path) -> None:
    """ExifTool reads JUMBF and CBOR by its own code; older ones only inside of a PNG."""
    needs("exiftool")
    png = provenance._PIXEL
    held = signature_box(signed)[37:]
    chunk = b"caBX" + held
    picture = tmp_path / "a.png"
    picture.write_bytes(
        png[:33] + struct.pack(">I", len(held)) + chunk + struct.pack(">I", zlib.crc32(chunk))
        + png[33:]
    )  # fmt: skip
    done = subprocess.run(
        ["exiftool", "-j", "-G3", "-a", "-u", picture], capture_output=True, check=True
    )
    tags = json.loads(done.stdout)[0]
    found: dict[str, list[Any]] = {}
    for key, value in tags.items():
        if key.startswith("Doc1"):
            found.setdefault(key.split(":")[1].lower(), []).append(value)
    assert set(found) == {
        "jumdtype", "jumdtoggles", "jumdlabel", "c2paactionsv2salt", "c2pahashbmffv3salt",
        "actionsaction", "actionsdigitalsourcetype", "exclusionsxpath", "exclusionsdataoffset",
        "exclusionsdatavalue", "alg", "hash", "name", "instanceid", "claim_generator_infoname",
        "claim_generator_infoorgcontentauthc2pa_rs", "signature", "created_assertionsurl",
        "created_assertionshash", "item0", "item1pad", "item2", "item3",
    }  # fmt: skip
    assert len(found["jumdlabel"]) == 7
    assert found["actionsaction"] == [["c2pa.created", "c2pa.edited"]]
    assert found["exclusionsxpath"] == [["/uuid", "/ftyp", "/mfra"]]
    assert found["claim_generator_infoname"] == ["Fieldstop"] and found["item2"] == ["null"]


def test_nothing_in_it_tells_machine_place_or_time(signed: Path) -> None:
    """The certificate itself may name its holder: it is taken out first."""
    box = signature_box(signed)
    certified = box.index(b"\x30\x82")
    said = box[:certified] + box[certified:].rstrip(b"\0")[-80:]
    today = datetime.datetime.now(datetime.UTC)
    words = [
        socket.gethostname(), getpass.getuser(), str(signed.parent), "/tmp", "home", "clip.mp4",
        today.strftime("%Y-%m"), today.strftime("%H:%M"), today.strftime("%y%m%d"), "Python",
        sys.platform, os.uname().release,
    ]  # fmt: skip
    assert [w for w in words if w.encode() in said] == []


def test_every_changed_bit_is_seen(signed: Path, tmp_path: Path) -> None:
    """In the media, the index, and anywhere in the signature's own box."""
    whole, other = signed.read_bytes(), tmp_path / "a.mp4"
    (size,) = struct.unpack_from(">I", whole, 32)
    media, chance = whole.rindex(b"mdat") + 4, random.Random(24)
    places = [chance.randrange(56, 32 + size) for _ in range(60)]
    places += [chance.randrange(media, len(whole)) for _ in range(10)]
    places += [chance.randrange(32 + size + 8, media) for _ in range(10)]
    unseen = []
    for at in places:
        data = bytearray(whole)
        data[at] ^= 1 << chance.randrange(8)
        other.write_bytes(data)
        unseen += [] if failed(other) else [at]
    assert unseen == []


def test_a_file_without_a_signature_is_said_to_have_none(clip: Path) -> None:
    assert failed(clip) == {signing.HOLDS, signing.LISTED}


def test_what_the_library_could_add_is_not_on_the_list(clip: Path, tmp_path: Path) -> None:
    """The same library, asked for more: a title, an agent, another assertion, a thumbnail."""
    import c2pa

    by = certificates.signer(tmp_path)
    known = provenance.read_credentials(by.key, by.chain, lambda: None)
    plain: dict[str, Any] = {"claim_generator_info": [{"name": "Fieldstop"}]}
    acts = {"label": "c2pa.actions", "data": provenance.ACTIONS}
    agent = {"actions": [{**provenance.ACTIONS["actions"][0], "softwareAgent": {"name": "box 7"}}]}
    dated = {"actions": [{**provenance.ACTIONS["actions"][0], "when": "2026-03-02T10:11:12Z"}]}
    for more, setting in (
        ({"assertions": [acts], "title": "Ms Berglund"}, {}),
        ({"assertions": [{**acts, "data": agent}]}, {}),
        ({"assertions": [{**acts, "data": dated}]}, {}),
        ({"assertions": [acts, {"label": "org.example.note", "data": {"who": "B"}}]}, {}),
        ({"assertions": [acts], "claim_generator_info": [{"name": "At host 7"}]}, {}),
        ({"assertions": [acts]}, {"bmff_hash_exclude_free_and_skip_boxes": True}),
    ):
        settings = {**provenance.SETTINGS, "builder": {**provenance.SETTINGS["builder"], **setting}}
        path = tmp_path / "more.mp4"
        with (
            c2pa.Context.from_dict(settings) as context,
            c2pa.Signer.from_callback(
                known.signature, c2pa.C2paSigningAlg.ES256, known.chain
            ) as key,
            c2pa.Builder(plain | more, context=context) as builder,
            open(clip, "rb") as source,
            open(path, "w+b") as target,
        ):
            builder.sign(key, "video/mp4", source, target)
        assert provenance.signature_faults(path) == []  # rightly signed, and yet
        assert failed(path) == {signing.LISTED}, more


def spoiled(folder: Path, how: str) -> certificates.Signer:
    good = certificates.signer(folder / "good")
    if how == "a folder":
        return certificates.Signer(folder, good.chain, good.ends)
    if how == "an endless device":
        (folder / "endless").symlink_to("/dev/zero")
        return certificates.Signer(folder / "endless", good.chain, good.ends)
    if how == "a pipe":
        os.mkfifo(folder / "pipe")
        return certificates.Signer(good.key, folder / "pipe", good.ends)
    if how == "not there":
        return certificates.Signer(folder / "nowhere", good.chain, good.ends)
    if how == "empty":
        (folder / "empty").touch()
        return certificates.Signer(good.key, folder / "empty", good.ends)
    if how == "large":
        (folder / "large").write_bytes(b"-" * 2_000_000)
        return certificates.Signer(folder / "large", good.chain, good.ends)
    if how == "swapped":
        return certificates.Signer(good.chain, good.key, good.ends)
    if how == "noise":
        (folder / "noise").write_bytes(random.Random(1).randbytes(900))
        return certificates.Signer(folder / "noise", good.chain, good.ends)
    if how == "a broken certificate":
        text = good.chain.read_text().splitlines()
        text[3] = "A" * len(text[3])
        good.chain.write_text("\n".join(text))
        return good
    if how == "of another key":
        other = certificates.signer(folder / "other")
        return certificates.Signer(other.key, good.chain, good.ends)
    made: dict[str, dict[str, Any]] = {
        "issuer first": {"order": (1, 0, 2)},
        "a link left out": {"order": (0, 2)},
        "ended": {"starts": -9 * certificates.DAY, "ends": -certificates.DAY},
        "an issuer that ended": {"root_ends": -certificates.DAY},
        "not yet": {"starts": certificates.DAY},
        "for servers": {"usage": ExtendedKeyUsageOID.SERVER_AUTH},
        "for anything": {"usage": ExtendedKeyUsageOID.ANY_EXTENDED_KEY_USAGE},
        "a passphrase": {"passphrase": "open sesame"},
        "RSA 1024": {"kind": "RSA 1024"}, "secp256k1": {"kind": "secp256k1"},
        "DSA": {"kind": "DSA"},
    }  # fmt: skip
    return certificates.signer(folder / "spoiled", **made[how])


FAULTS = {
    "a folder": "is no file", "an endless device": "is no file", "a pipe": "is no file",
    "not there": "was not found", "empty": "no PEM file", "large": "no PEM file",
    "swapped": "no private key", "noise": "no private key",
    "a broken certificate": "no certificates",
    "of another key": "do not belong together", "issuer first": "do not belong together",
    "a link left out": "no chain", "ended": "has ended", "an issuer that ended": "has ended",
    "not yet": "not valid yet", "for servers": "refuses it", "for anything": "refuses it",
    "a passphrase": "has a passphrase", "RSA 1024": "does not allow",
    "secp256k1": "does not allow", "DSA": "does not allow",
}  # fmt: skip


@pytest.mark.parametrize("how", FAULTS)
def test_what_cannot_sign_is_told_and_leaves_nothing(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    monkeypatch.delenv(signing.PASSPHRASE, raising=False)
    by, work = spoiled(tmp_path, how), tmp_path / "work"
    work.mkdir()
    with pytest.raises(UsageError, match=FAULTS[how]) as told:
        signing.signed_file(clip, options_of(by), work)
    assert told.value.exit_code == 2 and told.value.do
    assert str(tmp_path) not in str(told.value) and "Trial" not in str(told.value)
    assert list(work.iterdir()) == []


def test_a_full_disk_is_told_as_one(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a few writes, as a disk fills; the library says something else of it."""
    options, plain = options_of(certificates.signer(tmp_path)), open

    class Filling(io.FileIO):
        left = 20_000

        def write(self, data: Any) -> int:
            self.left -= len(data)
            if self.left < 0:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return super().write(data)

    def opened(path: Any, mode: str = "r") -> Any:
        return Filling(path, "w+") if mode == "w+b" else plain(path, mode)

    monkeypatch.setattr(provenance, "open", opened, raising=False)
    with pytest.raises(OutputError, match="full") as told:
        signing.signed_file(clip, options, tmp_path)
    assert told.value.exit_code == 6


def test_the_passphrase_comes_from_the_environment_or_a_person(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = options_of(certificates.signer(tmp_path, passphrase="open sesame"))
    monkeypatch.setattr(signing, "_typed", [])
    monkeypatch.setenv(signing.PASSPHRASE, "open says me")
    with pytest.raises(UsageError, match="does not open"):
        signing.check_signer(options, needed=False)
    monkeypatch.delenv(signing.PASSPHRASE)
    signing.check_signer(options, needed=False)  # may still be said
    with pytest.raises(UsageError, match=signing.PASSPHRASE):
        signing.check_signer(options, needed=True, ask=True)  # nobody is at a terminal
    monkeypatch.setattr(sys, "stdin", type("Terminal", (), {"isatty": lambda self: True})())
    monkeypatch.setattr(getpass, "getpass", lambda prompt: "wrong")
    with pytest.raises(UsageError, match="does not open"):
        signing.check_signer(options, needed=True, ask=True)
    assert signing._typed == []
    monkeypatch.setattr(getpass, "getpass", lambda prompt: "open sesame")
    signing.check_signer(options, needed=True, ask=True)
    done = signing.signed_file(clip, options, tmp_path)
    assert done is not None and failed(done.path) == set()
    monkeypatch.setattr(signing, "_typed", [])
    monkeypatch.setenv(signing.PASSPHRASE, "open sesame")
    signing.check_signer(options, needed=True)


def test_a_certificate_that_ended_since_says_nothing_about_the_file(
    clip: Path, tmp_path: Path
) -> None:
    by = certificates.signer(tmp_path, ends=datetime.timedelta(seconds=3))
    path = sign(clip, by, tmp_path / "a.mp4")
    while datetime.datetime.now(datetime.UTC) <= by.ends + datetime.timedelta(seconds=1):
        time.sleep(0.1)
    assert failed(path) == set()
    data = bytearray(path.read_bytes())
    data[-100] ^= 1
    path.write_bytes(data)
    assert failed(path) == {signing.HOLDS}


@pytest.fixture
def listener() -> Iterator[tuple[str, list[int]]]:
    """An address on this machine that counts who comes."""
    came: list[int] = []
    with socket.create_server(("127.0.0.1", 0)) as server:

        def count() -> None:
            while True:
                try:
                    server.accept()[0].close()
                except OSError:
                    return
                came.append(1)

        threading.Thread(target=count, daemon=True).start()
        yield f"http://127.0.0.1:{server.getsockname()[1]}/", came


def test_nobody_is_asked_whether_a_certificate_was_revoked(
    clip: Path, tmp_path: Path, listener: tuple[str, list[int]], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A certificate names where to ask (RFC 6960). Asked to, the library goes there."""
    address, came = listener
    path = sign(clip, certificates.signer(tmp_path, ocsp=address), tmp_path / "a.mp4")
    assert failed(path) == set() and came == []
    asking = {**provenance.SETTINGS["verify"], "ocsp_fetch": True}
    monkeypatch.setattr(provenance, "SETTINGS", {"version": 1, "verify": asking, "builder": {}})
    provenance.signature_faults(path)
    assert came, "the address is one that the library would ask"


def test_without_a_certificate_nothing_is_loaded(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path\n"
        "from pipeline.stages import ready, signing; from pipeline.model.options import Options\n"
        "signing.check_signer(Options(), needed=True)\n"
        "assert signing.signed_file(Path('x'), Options(), Path('y')) is None\n"
        "print({'c2pa', 'cbor2', 'cryptography'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"


def test_the_package_is_missing(
    clip: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    options = options_of(certificates.signer(tmp_path))
    monkeypatch.setitem(sys.modules, "c2pa", None)
    with pytest.raises(UsageError, match=r"fieldstop\[provenance\]"):
        signing.check_signer(options, needed=False)


def test_who_signs_is_no_part_of_what_is_made(tmp_path: Path) -> None:
    plain, by = Options(), options_of(certificates.signer(tmp_path))
    assert deciding_options(plain) == deciding_options(by)


def test_settings_name_both_files_beside_themselves(tmp_path: Path) -> None:
    config = tmp_path / "mine.toml"
    config.write_text('[provenance]\nkey = "key.pem"\nchain = "keys/chain.pem"\n')
    found = load_options("web", config).provenance
    assert found.key == str(tmp_path / "key.pem")
    assert found.chain == str(tmp_path / "keys" / "chain.pem")
    config.write_text('[provenance]\nkey = "key.pem"\n')
    with pytest.raises(UsageError, match="one of them"):
        load_options("web", config)
