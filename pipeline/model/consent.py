"""Consent: what was said about it, and the rules by which it binds. Pure.

- The narrowest of all notes for a case or any of its sources binds; a later, wider note
  changes nothing.
- `scope = "none"` without `given_on` says 'not yet asked': it binds nothing later, and
  nothing may be released while it stands.
- `scope = "none"` with `given_on` is a refusal: it binds like a withdrawal until a newer
  form was signed, that is a note with a later `given_on` and a wider scope.
- A withdrawal is final.
- A form whose day was still to come when it was noted may have a mistyped day. It binds every
  other case as it stands; for its own case a later form with an earlier day corrects that day,
  never what else the form says. A refusal is never later than the day on which it was noted.
- Two cases whose names look alike (`case_key`) are one case.
"""

from __future__ import annotations

import datetime
import difflib
import json
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from pipeline.model.case import SCOPES, CaseConsent, Scope
from pipeline.model.document import Document, Part

CLOCK_SLACK = datetime.timedelta(minutes=10)  # clocks of machines that share a catalogue
WITHDRAWN = "consent was withdrawn: nothing may be made from these recordings"
REFUSED = (
    "consent was refused: nothing may be made from these recordings until a newer form"
    " is signed (`given_on` and `scope` in case.toml)"
)
# What looks alike in usual fonts, after case folding; common practice, no source.
_ALIKE = str.maketrans("01i|", "olll")


def case_key(name: str) -> str:
    """A case's name by which it is compared: names that look alike have the same key.

    NFKC (Unicode Standard Annex 15), no white space or invisible characters, case folded;
    letters of other scripts as the Latin ones they look like (the data of Unicode Technical
    Standard 39); 0 as O, 1 and I as l, rn as m. Empty for a name that holds nothing visible.
    """
    text = unicodedata.normalize("NFKC", name)
    shown = [c for c in text if not c.isspace() and unicodedata.category(c) not in ("Cf", "Cc")]
    latin = "".join(c if c.isascii() else _latin(c) for c in shown)
    return latin.casefold().translate(_ALIKE).replace("rn", "m")


def _latin(letter: str) -> str:
    from confusable_homoglyphs.confusables import confusables_data

    looks: list[dict[str, str]] = confusables_data.get(letter, [])
    return next((o["c"] for o in looks if (o["c"].isascii() and o["c"].isalnum()) or o["c"] == "-"),
                letter)  # fmt: skip


@dataclass(frozen=True)
class KnownConsent:
    """The consent that binds a render: the narrowest of all that is known.

    scope: none if nothing is known, or withdrawn, refused, or not yet given.
    expires_on: the earliest known. voice: only if every note covers voices.
    references: of the signed forms. known: False if nothing was ever noted.
    newest: time of the newest entry of the whole catalogue. A clock that shows less was
    set back: whether consent has ended is then judged by `newest`.
    doubt: what a person must resolve before anything may be released; empty if nothing.
    review_on: the latest known; after it nothing leaves until a later one is noted.
    """

    scope: Scope
    known: bool
    withdrawn: bool
    given_on: datetime.date | None
    expires_on: datetime.date | None
    voice: bool
    references: tuple[str, ...]
    newest: datetime.datetime | None = None
    refused: bool = False
    doubt: str = ""
    review_on: datetime.date | None = None

    @property
    def forbidden(self) -> bool:
        """True if nothing at all may be made: withdrawn or refused."""
        return self.withdrawn or self.refused

    def ended_by(self, today: datetime.date) -> bool:
        """True if consent has ended on `today`, or had when the catalogue was last written."""
        return self.expires_on is not None and self._latest(today) > self.expires_on

    def review_due(self, today: datetime.date) -> bool:
        """True if consent was to be reviewed before `today`, by the same clock."""
        return self.review_on is not None and self._latest(today) > self.review_on

    def _latest(self, today: datetime.date) -> datetime.date:
        return today if self.newest is None else max(today, self.newest.astimezone().date())

    def clock_warning(self, now: datetime.datetime) -> str | None:
        """What to tell where the clock (`now`, with a zone) is behind the catalogue."""
        if self.newest is None or now >= self.newest - CLOCK_SLACK:
            return None
        return (
            f"the clock of this machine shows {now:%Y-%m-%d %H:%M} UTC, but the catalogue was "
            f"written on {self.newest:%Y-%m-%d %H:%M}: ended consent is judged by the later "
            "date; set the clock"
        )

    def refusal(self, audience: str, today: datetime.date) -> str:
        """Why nothing may be released for `audience` on `today`, in a sentence.

        Meant for where `covers` is False.
        """
        if self.withdrawn:
            return WITHDRAWN
        if self.refused:
            return REFUSED
        if self.doubt:
            return self.doubt
        if not self.known:
            return f"no consent is known, the profile needs {audience}"
        if self.ended_by(today):
            return f"consent ended on {self.expires_on}"
        if self.given_on is not None and today < self.given_on:
            return f"consent begins on {self.given_on}"
        if self.scope == "none":
            return f"consent was not asked for yet, the profile needs {audience}"
        if self.review_due(today):
            return (
                f"consent was to be reviewed by {self.review_on}: ask again, then set a later"
                " `review_on` in case.toml"
            )
        return f"consent covers {self.scope}, the profile needs {audience}"

    def why_not(self, audience: str, today: datetime.date) -> str:
        """The refusal, and what to do about it where a scope is all that is missing."""
        said = self.refusal(audience, today)
        if not said.endswith(f"the profile needs {audience}"):
            return said
        if self.scope == "none":
            return f"{said}: say it in case.toml, or with --consent for a bare recording"
        return (
            f"{said}: make it with a profile for {self.scope}; a scope that was noted once is"
            " never widened"
        )

    def covers(self, audience: str, today: datetime.date) -> bool:
        """True if a release for `audience` (teaching or public) may be made on `today`."""
        if self.forbidden or self.doubt or audience not in ("teaching", "public"):
            return False
        if self.ended_by(today) or self.review_due(today):
            return False
        if self.given_on is not None and today < self.given_on:
            return False
        return SCOPES.index(self.scope) >= SCOPES.index(audience)

    def state(self, today: datetime.date) -> str:
        """For lists: withdrawn, refused, in doubt, ended, to review, not asked, or the scope."""
        if self.withdrawn:
            return "withdrawn"
        if self.refused:
            return "refused"
        if self.doubt:
            return "in doubt"
        if self.ended_by(today):
            return "ended"
        if self.scope == "none":
            return "not asked"
        return "to review" if self.review_due(today) else self.scope


def is_refusal(consent: CaseConsent) -> bool:
    return consent.scope == "none" and consent.given_on is not None


def binds_later(consent: CaseConsent) -> bool:
    """False for 'not yet asked', which says nothing that could bind later."""
    return consent.scope != "none" or consent.given_on is not None


@dataclass(frozen=True)
class Noted:
    """A note, the case (by its key) that it was noted for, and when (UTC, ISO 8601)."""

    consent: CaseConsent
    case: str
    at: str

    @property
    def day(self) -> datetime.date:
        return datetime.date.fromisoformat(self.at[:10])

    @property
    def is_to_come(self) -> bool:
        """True if its day was still to come when it was noted; a day of slack for zones."""
        given = self.consent.given_on
        return given is not None and given > self.day + datetime.timedelta(days=1)


def corrected(
    noted: Sequence[Noted], case: str, now: CaseConsent | None = None
) -> list[CaseConsent]:
    """The notes as they bind the case of that key, without days that it has corrected since.

    now: what the case says today, which is later than all that was noted.
    """
    own = [n for n in noted if n.case == case and is_form(n.consent)]

    def binding(note: Noted) -> CaseConsent:
        said = note.consent
        if not note.is_to_come:
            return said
        if is_refusal(said):
            return said.model_copy(update={"given_on": note.day})
        later = [n.consent for n in own if n.at > note.at]
        later += [now] if now is not None and is_form(now) else []
        mended = note.case == case and any(_earlier(form, said) for form in later)
        return said.model_copy(update={"given_on": None}) if mended else said

    return [binding(note) for note in noted]


def is_form(consent: CaseConsent) -> bool:
    """True for a signed form with its day."""
    return consent.scope != "none" and consent.given_on is not None


def _earlier(form: CaseConsent, other: CaseConsent) -> bool:
    return bool(form.given_on and other.given_on and form.given_on < other.given_on)


def narrows(consent: CaseConsent) -> bool:
    """True for what must not be lost: anything less than public without an end or review."""
    wide = consent.scope == "public" and consent.expires_on is None and consent.review_on is None
    return binds_later(consent) and not wide


def narrowest(
    notes: Sequence[CaseConsent],
    now: CaseConsent | None = None,
    *,
    withdrawn: bool = False,
    newest: datetime.datetime | None = None,
) -> KnownConsent:
    """The consent that binds. notes: all that is known; now: what the case says today, which
    can narrow the result and never widen it, but for a form newer than a refusal."""
    said = [*notes, *([now] if now is not None else [])]
    signed = [note for note in said if note.scope != "none"]
    newest_form = max((n.given_on for n in signed if n.given_on), default=datetime.date.min)
    refused = any(n.given_on is not None and n.given_on >= newest_form
                  for n in said if n.scope == "none")  # fmt: skip
    asked = [*signed, *([now] if now is not None and now.scope == "none" else [])]
    scope: Scope = "none"
    if asked and not withdrawn and not refused:
        scope = SCOPES[min(SCOPES.index(note.scope) for note in asked)]
    return KnownConsent(
        scope=scope,
        known=bool(said),
        withdrawn=withdrawn,
        given_on=max((n.given_on for n in signed if n.given_on), default=None),
        expires_on=min((n.expires_on for n in signed if n.expires_on), default=None),
        voice=bool(asked) and all(n.voice for n in asked) and not (withdrawn or refused),
        references=tuple(dict.fromkeys(n.reference for n in said if n.reference)),
        newest=newest,
        refused=refused and not withdrawn,
        review_on=max((n.review_on for n in signed if n.review_on), default=None),
    )


class KnownSource(Part):
    """A source by its content: what a copy of it is recognised by.

    pictures, sounds: hashes of coded packets (see `media.packets`), 16 hexadecimal digits
    each. prints: fingerprint of its pictures (see `analysis.identity.fingerprint`), base64; heard:
    of its sound (see `analysis.sound.sound_print`).
    """

    sha256: str
    pictures: list[str] = []
    sounds: list[str] = []
    prints: str = ""
    heard: str = ""


class ConsentFact(Document):
    """One line of `consent.jsonl`: what was said about a case and its sources."""

    schema_: Literal["fieldstop.consent/1"] = Field(default="fieldstop.consent/1", alias="schema")
    at: str = Field(description="UTC, ISO 8601")
    case: str
    what: Literal["noted", "withdrawn"]
    consent: CaseConsent | None = Field(default=None, description="of what was noted")
    sources: list[KnownSource] = []

    @property
    def key(self) -> str:
        """The same for the same fact, whenever and wherever it was written."""
        said = self.consent.model_dump(mode="json") if self.consent is not None else None
        known = [
            [s.sha256, bool(s.pictures), bool(s.prints), *([True] if s.heard else [])]
            for s in self.sources
        ]
        return json.dumps([case_key(self.case), self.what, said, sorted(known)])

    def line(self) -> str:
        return self.model_dump_json(by_alias=True) + "\n"


def nearest_names(name: str, known: Iterable[str], most: int = 5) -> list[str]:
    """Known case names that look most like `name`, the nearest first."""
    by_key = {case_key(one): one for one in sorted(known, reverse=True)}
    found = difflib.get_close_matches(case_key(name), by_key, n=most, cutoff=0.5)
    return [by_key[key] for key in found]
