"""Signed provenance (C2PA) by c2pa-python: who signed a finished MP4, and that it is as it was.

Nothing is sent: no time stamp authority is asked, no revocation, no manifest elsewhere. The
private key stays in this process and is never handed to the library: it asks for a signature.
"""

from __future__ import annotations

import datetime
import stat
from collections.abc import Callable
from dataclasses import dataclass
from io import BytesIO
from itertools import pairwise
from pathlib import Path
from typing import Any, BinaryIO

from pipeline.errors import OutputError, UsageError
from pipeline.media.provenance_box import ACTIONS, NAME

LIMIT_BYTES = 1_000_000
_LEAST_RSA_BITS = 2048
SETTINGS = {
    "version": 1,
    # Above so much it works in a file that has no name; else it takes twice the clip of memory.
    "core": {"allowed_network_hosts": [], "backing_store_memory_threshold_in_mb": 32},
    "verify": {"remote_manifest_fetch": False, "ocsp_fetch": False, "verify_after_sign": True},
    "builder": {
        "thumbnail": {"enabled": False},
        "created_assertion_labels": ["c2pa.actions"],
        "bmff_hash_exclude_free_and_skip_boxes": False,
    },
}
# Who trusts whom is not for a clip to say; and that a certificate has ended since says nothing
# about the file.
_NO_FAULT = {"signingCredential.untrusted", "signingCredential.expired"}
# A PNG of one pixel, to try a certificate on.
_PIXEL = bytes.fromhex(
    "89504e470d0a1a0a0000000d49484452000000010000000108000000003a7e9b55"
    "0000000a49444154789c636000000002000148afa4710000000049454e44ae426082"
)


@dataclass(frozen=True, repr=False)
class Credentials:
    """A private key and its certificates. ends_on: the day of the first one to end, UTC."""

    key: Any
    chain: str
    algorithm: str
    ends_on: datetime.date

    def signature(self, data: bytes) -> bytes:
        """As COSE has it (RFC 9053): PSS with a salt as long as its hash, ECDSA as r and s."""
        from cryptography.hazmat.primitives import hashes
        from cryptography.hazmat.primitives.asymmetric import ec, padding, utils

        signed: bytes
        if self.algorithm == "ED25519":
            signed = self.key.sign(data)
        elif self.algorithm == "PS256":
            pss = padding.PSS(padding.MGF1(hashes.SHA256()), 32)
            signed = self.key.sign(data, pss, hashes.SHA256())
        else:
            digest: Any = getattr(hashes, f"SHA{self.algorithm[2:]}")()
            size = (self.key.curve.key_size + 7) // 8
            r, s = utils.decode_dss_signature(self.key.sign(data, ec.ECDSA(digest)))
            signed = int(r).to_bytes(size, "big") + int(s).to_bytes(size, "big")
        return signed


class _Watched:
    """A file that keeps the first error of the system: the library tells of none of them."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.failed: OSError | None = None

    def __getattr__(self, name: str) -> Callable[..., Any]:
        if name not in ("read", "write", "seek", "tell", "flush"):
            raise AttributeError(name)

        def noting(*arguments: Any) -> Any:
            try:
                return getattr(self._file, name)(*arguments)
            except OSError as error:
                self.failed = self.failed or error
                raise

        return noting


class NoPassphrase(UsageError):
    """The key has one, and nobody said it."""


def library() -> Any:
    """c2pa-python. Raises UsageError where it is not installed."""
    try:
        import c2pa
        import cbor2  # noqa: F401
        import cryptography  # noqa: F401
    except ImportError:
        raise UsageError(
            "The settings want clips signed, and what signs them is not installed",
            "no c2pa-python",
            "run: pip install 'fieldstop[provenance]', or take [provenance] out of your settings",
        ) from None  # fmt: skip
    return c2pa


def _fault(what: str, got: str, do: str) -> UsageError:
    return UsageError(f"The clip cannot be signed: {what}", got, do)


def _read(path: Path, name: str) -> bytes:
    """A small regular file, looked at before it is opened: no folder, device or pipe."""
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            got = "a folder" if stat.S_ISDIR(found.st_mode) else "no plain file"
            raise _fault(f"provenance.{name} is no file", got, "name a PEM file")
        if not 0 < found.st_size <= LIMIT_BYTES:
            raise _fault(f"provenance.{name} is no PEM file", f"{found.st_size} bytes",
                         "name a PEM file")  # fmt: skip
        return path.read_bytes()
    except FileNotFoundError:
        raise _fault(f"provenance.{name} was not found", "", "check its path") from None
    except (OSError, ValueError) as error:
        got = getattr(error, "strerror", None) or type(error).__name__
        raise _fault(f"provenance.{name} cannot be read", got, "check its permissions") from None


def read_credentials(key: Path, chain: Path, passphrase: Callable[[], str | None]) -> Credentials:
    """The key and the certificates that the settings name, held against each other and today.

    passphrase: asked only where the key has one; None where nobody can say it. Raises UsageError
    for whatever cannot sign, in particular for what the library itself would refuse.
    """
    library()
    from cryptography import x509

    private = _private_key(_read(key, "key"), passphrase)
    try:
        certificates = x509.load_pem_x509_certificates(_read(chain, "chain"))
        publics = [c.public_key() for c in certificates]
    except ValueError:
        raise _fault("provenance.chain holds no certificates that can be read", "",
                     "give them as PEM, the signer's own first") from None  # fmt: skip
    if publics[0] != private.public_key():
        later = private.public_key() in publics
        raise _fault(
            "the key and the certificate do not belong together",
            "another certificate stands first" if later else "the certificate of another key",
            "give the chain with the signer's own certificate first" if later
            else "name the key of this certificate",
        )  # fmt: skip
    for one, above in pairwise(certificates):
        try:
            one.verify_directly_issued_by(above)
        except Exception:
            raise _fault("the certificates are no chain", "one was not issued by the next",
                         "give the signer's own, then each one's issuer") from None  # fmt: skip
    _refuse_outdated(certificates)
    found = Credentials(
        private,
        "".join(c.public_bytes(_pem()).decode("ascii") for c in certificates),
        _algorithm(private),
        min(c.not_valid_after_utc for c in certificates).date(),
    )
    _try(found)
    return found


def _pem() -> Any:
    from cryptography.hazmat.primitives.serialization import Encoding

    return Encoding.PEM


def _private_key(data: bytes, passphrase: Callable[[], str | None]) -> Any:
    from cryptography.exceptions import UnsupportedAlgorithm
    from cryptography.hazmat.primitives.serialization import load_pem_private_key

    try:
        try:
            return load_pem_private_key(data, None)
        except TypeError:  # it has a passphrase
            said = passphrase()
        if said is None:
            raise NoPassphrase(
                "The clip cannot be signed: its key has a passphrase, and nobody said it", "",
                "set FIELDSTOP_KEY_PASSPHRASE, or run fieldstop release on a terminal",
            )  # fmt: skip
        try:
            return load_pem_private_key(data, said.encode())
        except ValueError:
            raise _fault("the passphrase does not open the key", "", "say it again") from None
    except (ValueError, UnsupportedAlgorithm):
        raise _fault("provenance.key holds no private key that can be read", "",
                     "give it as PEM") from None  # fmt: skip


def _algorithm(key: Any) -> str:
    from cryptography.hazmat.primitives.asymmetric import ec, ed25519, rsa

    if isinstance(key, ec.EllipticCurvePrivateKey):
        kinds = {"secp256r1": "ES256", "secp384r1": "ES384", "secp521r1": "ES512"}
        if key.curve.name in kinds:
            return kinds[key.curve.name]
    if isinstance(key, rsa.RSAPrivateKey) and key.key_size >= _LEAST_RSA_BITS:
        return "PS256"
    if isinstance(key, ed25519.Ed25519PrivateKey):
        return "ED25519"
    got = (
        f"{type(key).__name__.strip('_').removesuffix('PrivateKey')} {getattr(key, 'key_size', '')}"
    )
    raise _fault("its key is of a kind that C2PA does not allow", got.strip(),
                 "use one on P-256, P-384 or P-521, Ed25519, or RSA of 2048 bits")  # fmt: skip


def _refuse_outdated(certificates: list[Any]) -> None:
    now = datetime.datetime.now(datetime.UTC)
    for one in certificates:
        if now > one.not_valid_after_utc:
            raise _fault("a certificate has ended", f"on {one.not_valid_after_utc.date()}",
                         "name one that is valid today")  # fmt: skip
        if now < one.not_valid_before_utc:
            raise _fault("a certificate is not valid yet",
                         f"from {one.not_valid_before_utc.date()}",
                         "wait, or set the clock of this machine")  # fmt: skip


def _try(credentials: Credentials) -> None:
    """What the library asks of a certificate, asked before anything is made: on one pixel."""
    _sign(BytesIO(_PIXEL), BytesIO(), "image/png", credentials)


def _sign(source: BinaryIO, target: BinaryIO, kind: str, credentials: Credentials) -> None:
    c2pa = library()
    files = _Watched(source), _Watched(target)
    manifest = {
        "claim_generator_info": [{"name": NAME}],
        "assertions": [{"label": "c2pa.actions", "data": ACTIONS}],
    }
    try:
        with (
            c2pa.Context.from_dict(SETTINGS) as context,
            c2pa.Signer.from_callback(
                credentials.signature, c2pa.C2paSigningAlg[credentials.algorithm], credentials.chain
            ) as signer,
            c2pa.Builder(manifest, context=context) as builder,
        ):
            builder.sign(signer, kind, *files)
    except c2pa.C2paError as error:
        for file in files:
            if file.failed is not None:
                raise file.failed from None
        if isinstance(error, c2pa.C2paError.Io):  # of its own passing file
            raise OutputError("The clip could not be signed: the machine refused to read or write",
                              "", "free some space, for temporary files too") from None  # fmt: skip
        raise _fault(
            "the library refuses it", str(error)[:120],
            "use a certificate for signing media (C2PA certificate profile), with its chain",
        ) from None  # fmt: skip


def sign_file(source: Path, target: Path, credentials: Credentials) -> None:
    """Write a signed copy of an MP4; what is half written is the caller's to remove.

    Raises UsageError, OSError, OutputError.
    """
    with open(source, "rb") as reading, open(target, "w+b") as writing:
        _sign(reading, writing, "video/mp4", credentials)


def signature_faults(path: Path) -> list[str]:
    """Why the signature of a file does not hold, as codes of the specification; none if it does.

    Raises UsageError where the library is not installed.
    """
    c2pa = library()
    try:
        with (
            open(path, "rb") as stream,
            c2pa.Context.from_dict(SETTINGS) as context,
            c2pa.Reader("video/mp4", stream, context=context) as reader,
        ):
            found = (reader.get_validation_results() or {}).get("activeManifest", {})
            faults = {f["code"] for f in found.get("failure", [])} - _NO_FAULT
            good = {s["code"] for s in found.get("success", [])}
            foreign = not reader.is_embedded()
    except c2pa.C2paError as error:
        return [type(error).__name__.strip("_").removeprefix("C2pa") or "unreadable"]
    needed = {"claimSignature.validated", "assertion.bmffHash.match", "assertion.hashedURI.match"}
    return sorted([*faults, *(f"no {n}" for n in needed - good), *["elsewhere"] * foreign])
