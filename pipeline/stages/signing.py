"""The signature of a clip, put in when it leaves: last of all, by the user's own certificate.

Why so late: what nobody has looked at, and what is withheld, is never signed; the key is needed
only where a person lets clips leave, never by a worker of a cluster; and a passphrase is said by
that person. A clip that cannot be signed stays ready.
"""

from __future__ import annotations

import datetime
import getpass
import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import NeedsPerson
from pipeline.media.container import file_sha256
from pipeline.media.mp4_added import only_signed
from pipeline.media.mp4_walk import signature_box
from pipeline.media.provenance import (
    Credentials,
    NoPassphrase,
    read_credentials,
    sign_file,
    signature_faults,
)
from pipeline.media.provenance_box import odd_parts
from pipeline.model.options import Options
from pipeline.model.release import Check
from pipeline.stages.verifying.result import make_check
from pipeline.store.work import writing

PASSPHRASE = "FIELDSTOP_KEY_PASSPHRASE"
HOLDS = "signature holds"
LISTED = "parts of the signature not on the list"
_typed: list[str] = []  # by the person at the terminal, for this process alone


@dataclass(frozen=True)
class SignedFile:
    """A signed copy. lines: what its signature covers, for the sheet."""

    path: Path
    sha256: str
    checks: Sequence[Check]
    lines: Sequence[str]


def wanted(options: Options) -> bool:
    return bool(options.provenance.key)


def credentials(options: Options) -> Credentials:
    """Of the files that the settings name. Asks nobody. Raises UsageError."""
    named = options.provenance
    return read_credentials(Path(named.key), Path(named.chain), _passphrase)


def _passphrase() -> str | None:
    return os.environ.get(PASSPHRASE) or (_typed[-1] if _typed else None)


def leaves_at_once(options: Options, looked: object) -> bool:
    """Whether what is made now may leave now."""
    return looked is not None or options.output.look == "after"


def check_signer(options: Options, *, needed: bool, ask: bool = False) -> None:
    """Refuse settings that cannot sign before anything is made. Raises UsageError.

    needed: without the passphrase of the key it goes no further. ask: who is at the terminal may
    be asked for it; never the page or a worker, where nobody would see that.
    """
    if not wanted(options):
        return
    try:
        credentials(options)
    except NoPassphrase:
        if ask and sys.stdin.isatty():
            _typed.append(getpass.getpass("Passphrase of the key that signs: "))
            try:
                credentials(options)
            except BaseException:
                _typed.pop()
                raise
        elif needed:
            raise


def signed_file(file: Path, options: Options, work: Path) -> SignedFile | None:
    """A signed copy of a finished clip in `work`, read back; None where none is wanted.

    Raises UsageError where it cannot be signed, NeedsPerson where what came out is not the clip
    with a valid signature and nothing else.
    """
    if not wanted(options):
        return None
    by = credentials(options)
    target = work / "signed.mp4"
    with writing():
        sign_file(file, target, by)
    checks = signature_checks(target)
    if not only_signed(file, target):
        checks.append(make_check("signed clip is the one that was checked", "no", "yes", "", False))
    for check in checks:
        if not check.passed:
            raise NeedsPerson(
                "The clip stays here: its signature did not come out right",
                f"{check.check}: {check.measured}", "look at the certificate in your settings",
                code="check",
            )  # fmt: skip
    return SignedFile(target, file_sha256(target), checks, sheet_lines(by.ends_on))


def signature_checks(path: Path) -> list[Check]:
    """Whether the signature of a file holds, and holds only what is on the list.

    Raises UsageError where the library is not installed.
    """
    faults = signature_faults(path)
    box = signature_box(path)
    odd = odd_parts(box) if box else ["none"]
    return [
        make_check(HOLDS, ", ".join(faults[:4]) or "yes", "yes", "", not faults),
        make_check(LISTED, ", ".join(odd) or 0.0, 0.0, "", not odd),
    ]


def sheet_lines(ends_on: datetime.date) -> list[str]:
    """What a signature covers and what it does not, for the sheet."""
    return [
        "This video file is signed (C2PA): a program for that tells by whose certificate, and"
        " whether pictures, sound, captions or chapters in it were changed since.",
        "Signed is this file alone: not the poster, captions and texts beside it, nor this sheet.",
        "It says who signed, not that what is shown is true, nor when: no time stamp authority was"
        " asked.",
        "Encoding it again, cutting it, and most video sites strip the signature: that a copy has"
        " none says nothing.",
        f"The certificate is valid until {ends_on}; after that programs may no longer accept it.",
    ]
