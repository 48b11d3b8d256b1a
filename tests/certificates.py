"""Certificate chains of invented signers, made with `cryptography` for each test."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import dsa, ec, ed25519, rsa
from cryptography.x509.oid import AuthorityInformationAccessOID, ExtendedKeyUsageOID, NameOID

KEYS: dict[str, Any] = {
    "ES256": lambda: ec.generate_private_key(ec.SECP256R1()),
    "ES384": lambda: ec.generate_private_key(ec.SECP384R1()),
    "ES512": lambda: ec.generate_private_key(ec.SECP521R1()),
    "PS256": lambda: rsa.generate_private_key(65537, 2048),
    "ED25519": ed25519.Ed25519PrivateKey.generate,
    "RSA 1024": lambda: rsa.generate_private_key(65537, 1024),
    "secp256k1": lambda: ec.generate_private_key(ec.SECP256K1()),
    "DSA": lambda: dsa.generate_private_key(2048),
}
DAY = datetime.timedelta(days=1)


@dataclass(frozen=True)
class Signer:
    """Files as the settings name them. ends: of the signer's own certificate."""

    key: Path
    chain: Path
    ends: datetime.datetime

    @property
    def settings(self) -> str:
        return f'[provenance]\nkey = "{self.key}"\nchain = "{self.chain}"\n'


def _name(text: str) -> x509.Name:
    return x509.Name([
        x509.NameAttribute(NameOID.ORGANIZATION_NAME, "Quillmere trial"),
        x509.NameAttribute(NameOID.COMMON_NAME, text),
    ])  # fmt: skip


def signer(
    folder: Path,
    kind: str = "ES256",
    *,
    starts: datetime.timedelta = -DAY,
    ends: datetime.timedelta = 365 * DAY,
    root_ends: datetime.timedelta = 3650 * DAY,
    usage: x509.ObjectIdentifier = ExtendedKeyUsageOID.EMAIL_PROTECTION,
    ocsp: str = "",
    passphrase: str = "",
    order: tuple[int, ...] = (0, 1, 2),
) -> Signer:
    """A signer, under an intermediate, under a root: RFC 5280 with what C2PA asks of it."""
    now = datetime.datetime.now(datetime.UTC).replace(microsecond=0)
    keys = [KEYS[kind](), KEYS["ES256"](), KEYS["ES256"]()]
    names = [_name("Trial signer"), _name("Trial intermediate"), _name("Trial root")]
    made = []
    for at, key in enumerate(keys):
        above, authority = min(at + 1, 2), at > 0
        build = (
            x509.CertificateBuilder()
            .subject_name(names[at])
            .issuer_name(names[above])
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + (-DAY * 2 if authority else starts))
            .not_valid_after(now + (root_ends if authority else ends))
            .add_extension(x509.BasicConstraints(authority, None), True)
            .add_extension(
                x509.KeyUsage(not authority, False, False, False, False, authority, authority,
                              False, False), True)
            .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), False)
            .add_extension(
                x509.AuthorityKeyIdentifier.from_issuer_public_key(keys[above].public_key()), False)
        )  # fmt: skip
        if not authority:
            build = build.add_extension(x509.ExtendedKeyUsage([usage]), False)
        if ocsp and at < 2:
            where = x509.AccessDescription(
                AuthorityInformationAccessOID.OCSP, x509.UniformResourceIdentifier(ocsp)
            )
            build = build.add_extension(x509.AuthorityInformationAccess([where]), False)
        made.append(build.sign(keys[above], hashes.SHA256()))
    folder.mkdir(parents=True, exist_ok=True)
    hidden: Any = serialization.NoEncryption()
    if passphrase:
        hidden = serialization.BestAvailableEncryption(passphrase.encode())
    pem = serialization.Encoding.PEM
    found = Signer(folder / "key.pem", folder / "chain.pem", now + ends)
    found.key.write_bytes(keys[0].private_bytes(pem, serialization.PrivateFormat.PKCS8, hidden))
    found.chain.write_bytes(b"".join(made[at].public_bytes(pem) for at in order))
    return found
