"""What can be known of a case before it is made."""

from __future__ import annotations

import datetime

from pipeline.batch.found import NARRATION, FoundCase
from pipeline.media.guard import check_sound_apart, probe_apart
from pipeline.model.consent import KnownConsent
from pipeline.model.options import OutputOptions
from pipeline.stages.intake import STILL_SUFFIXES


def consent_words(known: KnownConsent, output: OutputOptions, today: datetime.date) -> str:
    """Whether consent covers the profile, in words; what to do where a scope is missing."""
    if not known.covers(output.audience, today):
        return known.why_not(output.audience, today)
    until = f" until {known.expires_on}" if known.expires_on is not None else ""
    return f"consent covers {known.scope}{until}"


def refuse_unreadable(found: FoundCase) -> None:
    """Raises InputError for a recording or narration whose header or first pictures fail."""
    for part in found.parts:
        for path in part.files:
            if part.place == NARRATION:
                check_sound_apart(path)
            elif path.suffix.lower() not in STILL_SUFFIXES:
                probe_apart(path, sha256="-")
