"""The box that a signature adds to an MP4, read raw against a list of what it may hold.

C2PA Technical Specification 2.4: the box in BMFF files (annex A.5), JUMBF (ISO/IEC 19566-5), the
claim as CBOR, its signature as COSE_Sign1 (RFC 9052, certificates in header 33 by RFC 9360). What
is not on the list is named by its place; what it says is never repeated.
"""

from __future__ import annotations

import re
import struct
import uuid
from collections.abc import Iterator
from io import BytesIO
from typing import Any

from pipeline.media.mp4_file import BrokenFile, boxes_in

BOX_UUID = bytes.fromhex("d8fec3d61b0e483c92975828877ec481")
LARGEST = 1 << 20
_HEAD = BOX_UUID + bytes(4) + b"manifest\0" + bytes(8)  # no update manifest, none elsewhere
_TYPE_TAIL = bytes.fromhex("00110010800000aa00389b71")

NAME = "Fieldstop"
_LIBRARY = "org.contentauth.c2pa_rs"
# IPTC digital source types: several elements that are all captures of real life.
CAPTURES = "http://cv.iptc.org/newscodes/digitalsourcetype/compositeCapture"
ACTIONS = {
    "actions": [
        {"action": "c2pa.created", "digitalSourceType": CAPTURES},
        {"action": "c2pa.edited"},
    ]
}
# What the hash leaves out: the box itself, and two that the container's own list holds to
# a few bytes (`ftyp`) or does not let in at all (`mfra`).
_LEFT_OUT = [
    {"xpath": "/uuid", "data": [{"offset": 8, "value": BOX_UUID}]},
    {"xpath": "/ftyp"},
    {"xpath": "/mfra"},
]
_ASSERTIONS = ("c2pa.actions.v2", "c2pa.hash.bmff.v3")
_ALGORITHMS = {-7, -35, -36, -37, -38, -39, -8}  # ES256, 384, 512; PS256, 384, 512; EdDSA


def odd_parts(payload: bytes) -> list[str]:
    """Names of the parts of a signature's box that are not on the list; none if all are.

    payload: of the `uuid` box. Raises ImportError where cbor2 is not installed.
    """
    import cbor2

    try:
        return list(_odd(payload))
    except (BrokenFile, struct.error, IndexError, KeyError, TypeError, ValueError):
        return ["form"]
    except cbor2.CBORError:
        return ["form"]


def _odd(payload: bytes) -> Iterator[str]:
    if not payload.startswith(_HEAD):
        yield "head"
        return
    (store,) = _children(payload[len(_HEAD) :], {b"jumb"})
    kind, label, _, (manifest,) = _described(store[1])
    if (kind, label) != (b"c2pa", "c2pa"):
        yield "store"
    kind, label, salt, parts = _described(manifest[1])
    if kind != b"c2ma" or salt or not _random(label, "urn:c2pa:"):
        yield "manifest"
    kinds = [_described(p[1])[:2] for p in parts]
    if kinds != [(b"c2as", "c2pa.assertions"), (b"c2cl", "c2pa.claim.v2"),
                 (b"c2cs", "c2pa.signature")]:  # fmt: skip
        yield "parts of the manifest"
        return
    assertions, claim, signature = (_described(p[1])[3] for p in parts)
    said = {}
    for assertion in assertions:
        kind, name, _, inner = _described(assertion[1])
        said[name] = _cbor(inner) if kind == b"cbor" else None
    if tuple(said) != _ASSERTIONS or len(assertions) != len(said):
        yield "assertions"
        return
    if said["c2pa.actions.v2"] != ACTIONS:
        yield "actions"
    if not _is_hash(said["c2pa.hash.bmff.v3"]):
        yield "hash"
    if not _is_claim(_cbor(claim), label):
        yield "claim"
    if not _is_signature(_cbor(signature)):
        yield "signature"


def _children(data: bytes, kinds: set[bytes]) -> list[tuple[bytes, bytes]]:
    found = list(boxes_in(data))
    if {kind for kind, _ in found} - kinds:
        raise BrokenFile("a box that is not on the list")
    return found


def _described(data: bytes) -> tuple[bytes, str, bytes, list[tuple[bytes, bytes]]]:
    """Kind, label, salt and content of a JUMBF superbox. Its description box has the label, and
    where bit 4 of its toggles says so one private box: the salt, 16 random bytes."""
    head, *rest = _children(data, {b"jumd", b"jumb", b"cbor"})
    name, description = head
    if name != b"jumd" or description[4:16] != _TYPE_TAIL or description[16] not in (0x03, 0x13):
        raise BrokenFile("a description that is not on the list")
    label, _, private = description[17:].partition(b"\0")
    salt = b""
    if description[16] == 0x13:
        ((kind, salt),) = boxes_in(private)
        if kind != b"c2sh" or len(salt) != 16:
            raise BrokenFile("a private box that is not on the list")
    elif private:
        raise BrokenFile("bytes behind a label")
    return description[:4], label.decode("ascii"), salt, rest


def _cbor(boxes: list[tuple[bytes, bytes]]) -> Any:
    ((kind, data),) = boxes
    if kind != b"cbor":
        raise BrokenFile("a box that is not on the list")
    return _whole(data)


def _whole(data: bytes) -> Any:
    """The one value that `data` is. Raises ValueError for bytes behind it."""
    import cbor2

    stream = BytesIO(data)
    value = cbor2.CBORDecoder(stream).decode()
    if stream.tell() != len(data) or cbor2.dumps(value) != data:
        raise ValueError
    return value


def _random(text: str, before: str) -> bool:
    """A UUID of version 4: other versions hold a time or the machine's address."""
    if not text.startswith(before):
        return False
    value = text[len(before) :]
    return str(uuid.UUID(value)) == value and uuid.UUID(value).version == 4


def _is_hash(said: Any) -> bool:
    wanted = {"exclusions": _LEFT_OUT, "alg": "sha256", "name": "jumbf manifest"}
    return {**said, "hash": len(said["hash"])} == {**wanted, "hash": 32}


def _is_claim(claim: Any, label: str) -> bool:
    generator = dict(claim["claim_generator_info"])
    library = generator.pop(_LIBRARY, "0")
    links = [*claim["created_assertions"], *claim.get("gathered_assertions", [])]
    return (
        set(claim) - {"gathered_assertions"}
        == {"instanceID", "claim_generator_info", "signature", "created_assertions", "alg"}
        and _random(claim["instanceID"], "xmp.iid:")
        and generator == {"name": NAME}
        and re.fullmatch(r"[0-9.]{1,20}", library) is not None
        and claim["alg"] == "sha256"
        and claim["signature"] == f"self#jumbf=/c2pa/{label}/c2pa.signature"
        and sorted(link["url"] for link in links)
        == [f"self#jumbf=c2pa.assertions/{name}" for name in _ASSERTIONS]
        and all(set(link) == {"url", "hash"} and len(link["hash"]) == 32 for link in links)
    )


def _is_signature(signature: Any) -> bool:
    """COSE_Sign1 with its algorithm and certificates, detached; filled up with zeros. No time
    stamp and no answer about revocation."""
    if signature.tag != 18:
        return False
    protected, filling, content, signed = signature.value
    header = _whole(protected)
    chain = [header[33]] if isinstance(header[33], bytes) else header[33]
    return (
        set(header) == {1, 33}
        and header[1] in _ALGORITHMS
        and all(isinstance(c, bytes) and c[:1] == b"\x30" for c in chain)
        and set(filling) <= {"pad", "pad2"}
        and not any(value.strip(b"\0") for value in filling.values())
        and content is None
        and 64 <= len(signed) <= 1024
    )
