"""`NAME-proof.html`: one quiet page to look at before a clip is released, and to keep after.

Pictures of the finished clip every so often, every redaction with its picture, what was
looked for, by what and with what result, the checks, and who looked. It shows the clip only,
so nothing that the clip does not; it opens from disk, runs no script and asks no network.
"""

from __future__ import annotations

import hashlib
from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed
from typing import Any

from markupsafe import Markup

from pipeline import __version__
from pipeline.analysis.sound.voice_activity import PACKAGES
from pipeline.model.release import Check
from pipeline.model.time import format_time
from pipeline.review.pages import CAUTIONS, asset, data_uri, environment
from pipeline.review.report.named import clip_name
from pipeline.review.standing import standing
from pipeline.stages.proofs import (
    MOST_EXACT,
    SeenPicture,
    SeenRedaction,
    picture_at,
    seen_redactions,
)
from pipeline.stages.values import CaseResult

WORDS = {"lettering": "Lettering", "face": "Face", "speech": "Speech in the room"}
DONE = {"lettering": "covered with black", "face": "covered with black", "speech": "replaced"}
BY = {"decision": "a person", "survey": "found by the program", "case": "the case",
      "settings": "the settings"}  # fmt: skip


@dataclass(frozen=True)
class LookedFor:
    """One thing that could identify somebody. passed: None where no check can tell.

    person: only a person can tell.
    """

    what: str
    where: str
    by: str
    found: str
    result: str
    passed: bool | None
    person: bool = False


def proof_page(run: CaseResult) -> str:
    """The proof of a run that made a clip. Raises InputError if the clip cannot be read."""
    plan, rendered = run.plan, run.rendered
    assert plan is not None and rendered is not None
    redactions = seen_redactions(plan)
    now = standing(
        clip_name(run), run.state, checks=run.checks, looked=run.looked,
        approved_by=run.approved_by,
    )  # fmt: skip
    style = asset("page.css") + "\n" + asset("proof.css")
    return (
        environment()
        .get_template("proof.html")
        .render(
            policy=Markup(
                "default-src 'none'; img-src data:; base-uri 'none'; form-action 'none'; "
                f"style-src 'sha256-{b64encode(hashlib.sha256(style.encode()).digest()).decode()}'"
            ),
            style=Markup(style),
            version=__version__,
            standing=now,
            plan=plan,
            pictures=[_shown(p) for p in run.seen],
            redactions=_redactions(run, redactions),
            spans=sum(len(r.out) for r in redactions),
            lanes=_lanes(run, redactions),
            ticks=_ticks(plan.duration_s),
            looked_for=looked_for(run),
            checks=run.checks,
            cautions=CAUTIONS,
        )
    )


def _shown(p: SeenPicture) -> dict[str, Any]:
    return {"out": p.out_s, "case": p.case_s, "uri": data_uri(p.jpeg)}


def _redactions(run: CaseResult, rows: Sequence[SeenRedaction]) -> list[dict[str, Any]]:
    plan, rendered = run.plan, run.rendered
    assert plan is not None and rendered is not None
    out, exact = [], 0
    for r in rows:
        data = None
        if r.box is not None and exact < MOST_EXACT:
            data, exact = picture_at(rendered.path, plan, r.out_s), exact + 1
        out.append(
            {
                "what": WORDS.get(r.what, r.what),
                "kind": r.what,
                "done": DONE.get(r.what, "taken out"),
                "reason": r.reason,
                "by": BY.get(r.origin, r.origin),
                "out": r.out,
                "case": r.case,
                "at": r.out_s,
                "box": r.box,
                "uri": data_uri(data) if data is not None else None,
            }
        )
    return out


def _lanes(run: CaseResult, rows: Sequence[SeenRedaction]) -> list[dict[str, Any]]:
    """Where it lies in the clip, as shares of its length: one lane for each kind of thing."""
    plan = run.plan
    assert plan is not None
    whole = max(plan.duration_s, 1e-3)

    def share(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
        return [(100 * a / whole, max(0.15, 100 * (b - a) / whole)) for a, b in spans]

    covered = [s for r in rows if r.box is not None for s in r.out]
    replaced = [s for r in rows if r.what == "speech" for s in r.out]
    held: list[tuple[float, float]] = [
        p.in_clip for p in plan.pieces if p.kind in ("freeze", "black")
    ]
    lanes = [
        ("Narration", "narration", plan.narration),
        ("Covered in the picture", "redaction", covered),
        ("Room speech replaced", "speech", replaced),
        ("Picture held or black", "withheld", held),
    ]
    return [{"name": n, "kind": k, "spans": share(list(s))} for n, k, s in lanes if s]


def _ticks(duration_s: float) -> list[tuple[float, str]]:
    """Times on the axis, as (share of the length in %, text)."""
    for step_s in (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600):
        if duration_s / step_s <= 9:
            break
    count = int(duration_s // step_s)
    return [
        (100 * n * step_s / max(duration_s, 1e-3), format_time(n * step_s).partition(".")[0])
        for n in range(count + 1)
    ]


# --- what was looked for ----------------------------------------------------------------


@cache
def _package(name: str) -> str:
    try:
        return f"{name} {installed(name)}"
    except PackageNotFoundError:
        return f"{name}, not installed"


def _measure(run: CaseResult, name: str) -> str:
    """'field, version 4', or 'off'; several versions where sources were measured at other times."""
    found = sorted({s.survey.measured.get(name, "off") for s in run.surveyed})
    return "off" if found == ["off"] else f"{name}, version {' and '.join(found)}"


def _of(checks: Sequence[Check], *starts: str) -> list[Check]:
    return [c for c in checks if c.check.startswith(starts)]


def _result(checks: Sequence[Check]) -> tuple[str, bool | None]:
    if not checks:
        return "not measured again", None
    said = "; ".join(
        f"{c.check}: {c.measured}{f' {c.unit}' if c.unit else ''}"
        f"{f' (limit {c.limit})' if c.limit not in (None, '') else ''}"
        for c in checks
    )
    return said, all(c.passed for c in checks)


def _many(count: int, one: str) -> str:
    return f"no {one}" if not count else f"1 {one}" if count == 1 else f"{count} {one}s"


def looked_for(run: CaseResult) -> list[LookedFor]:
    """What could identify somebody, where and by what it was looked for, and what came of it."""
    plan, checks = run.plan, run.checks
    assert plan is not None
    surveys = [s.survey for s in run.surveyed]
    voice = run.opened.consent.voice
    letters = sum(x.where == "field" for s in surveys for x in s.lettering)
    faces = sum(len(s.faces) for s in surveys)
    spoken = sum(len(s.findings.speech.procedure) for s in run.surveyed)
    outside = sum(e.kind == "out_of_body" for s in run.surveyed for e in s.findings.events)
    tags = sum(len(s.recording.identifying) for s in run.surveyed)
    rows: list[tuple[str, str, str, str, Sequence[Check]]] = [
        (
            "Anything written outside the scope field",
            "not read: all of it is black in every picture",
            _measure(run, "field"),
            "the surround of the field",
            _of(checks, "surround"),
        ),
        (
            "Lettering in the field",
            "the recordings, then the finished clip",
            _of_detector(run, "lettering", "rapidocr"),
            _many(letters, "place"),
            _of(checks, "lettering"),
        ),
        (
            "Faces",
            "the recordings, then the finished clip",
            _of_detector(run, "faces", ""),
            _many(faces, "face"),
            _of(checks, "faces"),
        ),
        (
            "Pictures outside the body",
            "the recordings; cut out, held or black",
            _measure(run, "lens"),
            _many(outside, "span"),
            (),
        ),
        (
            "Voices in the room",
            "the recordings' sound, then the finished procedure sound",
            f"{_measure(run, 'voices')}; {', '.join(_package(p) for p in PACKAGES.values())}",
            _many(spoken, "span") + ("; consent covers voices: kept" if voice else ""),
            _of(checks, "speech", "procedure sound that cannot"),
        ),
        (
            "Dates, places, names in the file",
            "tags and extra streams; only an allow-list is written",
            f"fieldstop {__version__}",
            f"{tags} in the recordings",
            _of(checks, "streams", "tags", "nothing but", "no tags", "chapters", "metadata"),
        ),
    ]
    out = []
    for what, where, by, found, of in rows:
        said, passed = _result(of)
        off = by.startswith("off")
        out.append(
            LookedFor(
                what,
                where,
                "switched off" if off else by,
                "not looked for" if off else found,
                "a person has to look" if off else said,
                None if off else passed,
                off,
            )
        )
    if plan.narration:
        out.append(
            LookedFor(
                "Names that the narrator says", "not looked for", "–", "unknown",
                "a person listens to the narration", None, True,
            )
        )  # fmt: skip
    return out


def _of_detector(run: CaseResult, name: str, package: str) -> str:
    measure = _measure(run, name)
    return measure if measure == "off" or not package else f"{measure}; {_package(package)}"
