"""The list of the series: what it shows and hides, its totals, its forms, through the command."""

from __future__ import annotations

import csv
import datetime
import io
import json
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt

from pipeline.model.case import CaseConsent, CaseMeasured
from pipeline.model.consent import KnownSource
from pipeline.model.release import ReleaseRecord, Sheet
from pipeline.model.series import Wanted, as_csv, as_markdown, totals_of
from pipeline.store import catalogue_file as module
from pipeline.store.catalogue import Catalogue
from pipeline.store.schema import MIGRATIONS

TODAY = datetime.date(2026, 6, 1)


def record(case: str, number: int | None, **changes: Any) -> ReleaseRecord:
    profile, revision = changes.get("profile", "web"), changes.get("revision", 1)
    mass = changes.get("mass")
    sheet = Sheet(
        case=case,
        title=changes.get("title", "Crust clearance"),
        number=number,
        series_title=changes.get("series", "Quillmere ENT"),
        profile=profile,
        audience=changes.get("audience", "public"),
        revision=revision,
        file=f"{case}-{profile}-r{revision}.mp4",
        sha256=f"{case}{profile}{revision}",
        duration_s=changes.get("duration_s", 60.0),
        width_px=320,
        height_px=240,
        year=2026,
        sides=changes.get("sides", []),
        measured=CaseMeasured(label="Crusts removed", value=mass, unit="mg") if mass else None,
    )
    return ReleaseRecord(
        sheet=sheet,
        released_at=f"{changes.get('on', '2026-03-01')}T10:00:00+00:00",
        program_version="0",
        sources=[changes.get("source", case)],
        settings_sha256="s",
        plan_sha256="p",
        survey_sha256=[],
        consent={"scope": "public", "given_on": "2026-01-01"},
        mark={},
        path=f"/nowhere/secret/releases/{case}/{sheet.file}",
    )


@pytest.fixture
def store(tmp_path: Path) -> Catalogue:
    catalogue = Catalogue(tmp_path / "c.sqlite3")
    for one in (
        record("QM-3", 3, sides=["left", "right"], mass=412, on="2026-03-05"),
        record("QM-1", 1, sides=["left"], mass=88, duration_s=30.5),
        record("QM-1", 1, sides=["left"], mass=90, duration_s=31.5, revision=2, on="2026-04-01"),
        record("QM-1", 1, profile="lecture", audience="teaching", mass=90, sides=["left"]),
        record("QM-2", 2, sides=["midline"], on="2026-05-02"),
        record("QM-2", None, profile="lecture-0m1s0-0m2s0", audience="teaching"),
    ):
        catalogue.add_release(one)
    return catalogue


def shown(store: Catalogue, **wanted: Any) -> list[str]:
    return [e.file for e in store.series(Wanted(**wanted), TODAY)[0]]


def test_the_newest_revisions_in_order_of_number_and_no_clips_of_parts(store: Catalogue) -> None:
    assert shown(store) == [
        "QM-1-web-r2.mp4", "QM-1-lecture-r1.mp4", "QM-2-web-r1.mp4", "QM-3-web-r1.mp4",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("wanted", "cases"),
    [
        ({"since": datetime.date(2026, 4, 1)}, ["QM-1", "QM-2"]),
        ({"until": datetime.date(2026, 3, 5), "audience": "public"}, ["QM-3"]),
        ({"since": datetime.date(2026, 3, 5), "until": datetime.date(2026, 3, 5)}, ["QM-3"]),
        ({"audience": "teaching"}, ["QM-1"]),
        ({"side": "left", "audience": "public"}, ["QM-1", "QM-3"]),
        ({"side": "right"}, ["QM-3"]),
        ({"measured": "crusts  REMOVED", "audience": "public"}, ["QM-1", "QM-3"]),
        ({"measured": "Crusts"}, []),
        ({"least": 412.0}, ["QM-3"]),
        ({"most": 90.0, "audience": "public"}, ["QM-1"]),
    ],
)
def test_filters(store: Catalogue, wanted: dict[str, Any], cases: list[str]) -> None:
    assert [e.case for e in store.series(Wanted(**wanted), TODAY)[0]] == cases


def test_a_case_in_two_profiles_is_measured_once(store: Catalogue) -> None:
    totals = totals_of(store.series(Wanted(), TODAY)[0])
    assert (totals.releases, totals.cases, totals.duration_s) == (4, 3, 31.5 + 60 + 60 + 60)
    assert totals.audiences == (("public", 3), ("teaching", 1))
    assert totals.measured == (("Crusts removed", "mg", 2, 502.0),)


def test_no_record_is_read(store: Catalogue) -> None:
    before = shown(store)
    raw = sqlite3.connect(store.path)
    raw.execute("UPDATE releases SET record = 'not a record'")
    raw.commit()
    raw.close()
    assert shown(store) == before


KIN = KnownSource(sha256="QM-3", pictures=["00000000000000aa"])


@pytest.mark.parametrize(
    "narrowed",
    ["withdrawn", "alike", "copy", "same source", "refused", "narrower", "ended", "not begun"],
)
def test_what_consent_does_not_cover_today_is_not_listed(store: Catalogue, narrowed: str) -> None:
    """Whatever it was narrowed by; the plain catalogue, which asks for each, agrees."""
    store.learn([KIN])
    copy = KnownSource(sha256="other", pictures=KIN.pictures)
    if narrowed in ("withdrawn", "alike"):
        store.withdraw("qm-3" if narrowed == "alike" else "QM-3")
    elif narrowed == "copy":
        store.withdraw("QM-9", [copy])
    elif narrowed == "same source":
        store.withdraw("QM-9", ["QM-3"])
    else:
        late = datetime.date(2026, 5, 1)
        said = {
            "refused": CaseConsent(scope="none", given_on=late),
            "narrower": CaseConsent(scope="teaching", given_on=late),
            "ended": CaseConsent(scope="public", expires_on=late),
            "not begun": CaseConsent(scope="public", given_on=datetime.date(2027, 1, 1)),
        }[narrowed]
        source: Any = copy if narrowed == "refused" else "QM-3"
        store.note_consent("QM-9", [source], said, at="2026-05-01T00:00:00+00:00")
    found, left_out = store.series(Wanted(), TODAY)
    assert [e.case for e in found] == ["QM-1", "QM-1", "QM-2"] and left_out == 1
    assert not store.consent_for(["QM-3"], "QM-3").covers("public", TODAY)


def test_teaching_consent_hides_no_teaching_release(store: Catalogue) -> None:
    store.note_consent("QM-1", ["QM-1"], CaseConsent(scope="teaching"))
    assert shown(store, audience="teaching") == ["QM-1-lecture-r1.mp4"]
    assert "QM-1-web-r2.mp4" not in shown(store)


def test_markdown_shows_titles_as_they_are(store: Catalogue) -> None:
    """Read by markdown-it-py, an implementation of CommonMark with GitHub's tables."""
    title = "A | *b* <script>x</script> [c](http://d) `e` \\"
    store.add_release(record("QM-4", 4, title=title, series="R & D"))
    text = as_markdown(store.series(Wanted(), TODAY)[0])
    tokens = MarkdownIt("commonmark").enable("table").parse(text)
    inline = [t for t in tokens if t.type == "inline"]
    plain = ["".join(c.content for c in t.children or []) for t in inline]
    assert title in plain and "R & D" in plain
    kinds = {c.type for t in inline for c in t.children or []}
    assert kinds <= {"text", "text_special", "hardbreak", "softbreak"}
    assert sum(t.type == "tr_open" for t in tokens) == 5 + 2


def test_csv_is_read_back_and_holds_no_formula(store: Catalogue) -> None:
    store.add_release(record("QM-4", 4, title='=HYPERLINK("x"), left'))
    rows = list(csv.DictReader(io.StringIO(as_csv(store.series(Wanted(), TODAY)[0]))))
    assert [r["number"] for r in rows] == ["1", "1", "2", "3", "4"]
    assert rows[4]["title"] == '\'=HYPERLINK("x"), left'
    assert (float(rows[3]["measured_value"]), rows[3]["sides"]) == (412, "left right")
    assert "secret" not in as_csv(store.series(Wanted(), TODAY)[0])


def test_an_older_catalogue_gets_its_columns(tmp_path: Path) -> None:
    old = next(k for k, step in enumerate(MIGRATIONS) if "ADD COLUMN title" in step)
    path = tmp_path / "c.sqlite3"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "MIGRATIONS", MIGRATIONS[:old])
        with Catalogue(path) as catalogue, catalogue._write() as db:
            one = record("QM-3", 3, title="Crust clearance", duration_s=12.5)
            db.execute(
                "INSERT INTO releases (case_name, profile, revision, audience, series, number,"
                " sha256, path, released_at, record) VALUES"
                " ('QM-3', 'web', 1, 'public', '', 3, 'x', 'y', '2026-03-01T10:00:00+00:00', ?)",
                (one.to_json(),),
            )
    with Catalogue(path) as catalogue:
        (entry,), _ = catalogue.series(Wanted(), TODAY)
    assert (entry.title, entry.duration_s, entry.sides) == ("Crust clearance", 12.5, ())


def run(store: Catalogue, *words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "pipeline.cli", "--catalogue", str(store.path), "catalogue"]
    return subprocess.run([*command, *words], capture_output=True, text=True, timeout=60)


def test_the_command(store: Catalogue) -> None:
    store.withdraw("QM-2")
    done = run(store, "--series", "--as", "json", "--audience", "public")
    value = json.loads(done.stdout)
    assert [e["case"] for e in value["series"]] == ["QM-1", "QM-3"] and value["left_out"] == 1
    assert "1 left out" in done.stderr and "QM-2" not in done.stdout
    assert done.stdout.count("secret") == 0
    table = run(store, "--series")
    assert table.stdout.startswith("# Quillmere ENT\n") and table.returncode == 0
    for wrong in (["--side", "left"], ["rebuild", "--series"], ["--series", "--since", "March"],
                  ["--series", "--side", "up"]):  # fmt: skip
        refused = run(store, *wrong)
        assert refused.returncode == 2 and "Traceback" not in refused.stderr, refused.stderr
    store.close()
    store.path.unlink()
    lost = run(store, "--series")
    assert lost.returncode == 0 and "rebuild OUT" in lost.stderr and not lost.stdout.strip()
