"""The catalogue: numbers, releases, consent that only ever narrows, damage and upkeep."""

from __future__ import annotations

import datetime
import itertools
import os
import random
import re
import sqlite3
import stat
import subprocess
import sys
import textwrap
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.errors import InputError, NeedsPerson, OutputError, UsageError
from pipeline.model.case import SCOPES, CaseConsent
from pipeline.model.consent import ConsentFact, KnownSource
from pipeline.model.release import ReleaseRecord, Sheet
from pipeline.settings import user_folder
from pipeline.store import catalogue_file as module
from pipeline.store.batches import BatchNote
from pipeline.store.catalogue import Catalogue
from pipeline.store.catalogue_file import default_catalogue
from pipeline.store.schema import MIGRATIONS

ROOT = Path(__file__).resolve().parents[2]
TODAY = datetime.date(2026, 6, 1)


def next_number(catalogue: Catalogue, series: str) -> int:
    """What a new case would get."""
    with catalogue._guard() as db:
        (row,) = db.execute("SELECT max(number) FROM numbers WHERE series = ?", (series,))
    return int(row[0] or 0) + 1


def record(
    case: str = "HL-0142", sources: tuple[str, ...] = ("a" * 64,), **changes: Any
) -> ReleaseRecord:
    profile, revision = changes.get("profile", "web"), changes.get("revision", 1)
    sheet = Sheet(
        case=case,
        title="Crust clearance after sinus surgery",
        number=changes.get("number"),
        series_title=changes.get("series", ""),
        profile=profile,
        audience=changes.get("audience", "public"),
        revision=revision,
        file=f"{case}-{profile}-r{revision}.mp4",
        sha256=changes.get("sha256", f"{case}{profile}{revision}"),
        duration_s=10.0,
        width_px=1920,
        height_px=1080,
        year=2026,
    )
    return ReleaseRecord(
        sheet=sheet,
        released_at=changes.get("at", f"2026-03-0{revision}T10:00:00+00:00"),
        program_version="0",
        sources=list(sources),
        settings_sha256="s",
        plan_sha256="p",
        survey_sha256=[],
        consent=changes.get("consent", {"scope": "public"}),
        mark={"seed": 1},
        path=f"out/releases/{case}/{sheet.file}",
    )


def public(**changes: Any) -> CaseConsent:
    return CaseConsent(**{"scope": "public", **changes})


def test_the_file_is_private_and_lies_in_the_data_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8: an absolute XDG_DATA_HOME, else ~/.local/share."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    assert default_catalogue() == tmp_path / "data/fieldstop/catalogue.sqlite3"
    with Catalogue() as catalogue:
        assert stat.S_IMODE(catalogue.path.stat().st_mode) == 0o600


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="the specification of Linux")
@pytest.mark.parametrize(
    ("kind", "usual"), [("config", ".config"), ("data", ".local/share"), ("cache", ".cache")]
)
def test_folders_of_the_user_are_those_of_the_specification(
    kind: str, usual: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """XDG Base Directory Specification 0.8: a relative or empty path in a variable is ignored."""
    monkeypatch.setenv("HOME", str(tmp_path))
    variable = f"XDG_{kind.upper()}_HOME"
    for ignored in ("relative", "", "../up"):
        monkeypatch.setenv(variable, ignored)
        assert user_folder(kind) == tmp_path / usual / "fieldstop"
    monkeypatch.delenv(variable)
    assert user_folder(kind) == tmp_path / usual / "fieldstop"
    monkeypatch.setenv(variable, str(tmp_path / "own"))
    assert user_folder(kind) == tmp_path / "own" / "fieldstop"


def test_releases_come_back_whole_and_in_order(tmp_path: Path) -> None:
    records = [record(revision=2, number=4), record(number=4), record("HL-2", number=5)]
    with Catalogue(tmp_path / "c") as catalogue:
        for one in records:
            catalogue.add_release(one)
            catalogue.add_release(one)  # again: no change
    with Catalogue(tmp_path / "c") as catalogue:
        assert catalogue.releases("HL-0142") == [records[1], records[0]]
        assert len(catalogue.releases()) == 3
        assert catalogue.next_revision("HL-0142", "web") == 3
        assert catalogue.next_revision("HL-0142", "lecture") == 1
        with pytest.raises(UsageError):
            catalogue.add_release(record(revision=2, sha256="other"))


def test_a_number_is_never_used_twice(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        assert next_number(catalogue, "nose") == 1
        assert catalogue.claim_number("nose", "A") == 1
        assert catalogue.claim_number("nose", "A") == 1
        assert catalogue.claim_number("nose", "B", 12) == 12
        assert next_number(catalogue, "nose") == 13 and next_number(catalogue, "ear") == 1
        for case, number in (("C", 12), ("A", 7)):
            with pytest.raises(UsageError):
                catalogue.claim_number("nose", case, number)
        with pytest.raises(UsageError):
            catalogue.add_release(record("C", number=12, series="nose"))
        assert catalogue.releases("C") == []  # all or nothing
        catalogue.withdraw("B")
        assert next_number(catalogue, "nose") == 13
    raw = sqlite3.connect(tmp_path / "c")
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute("DELETE FROM numbers")
    raw.close()


def test_numbers_claimed_by_many_processes_differ(tmp_path: Path) -> None:
    code = textwrap.dedent(
        f"""
        import sys
        sys.path.insert(0, {str(ROOT)!r})
        from pipeline.store.catalogue import Catalogue
        with Catalogue({str(tmp_path / "c")!r}) as catalogue:
            for index in range(8):
                print(catalogue.claim_number("nose", f"{{sys.argv[1]}}-{{index}}"))
        """
    )
    children = [
        subprocess.Popen([sys.executable, "-c", code, str(i)], stdout=subprocess.PIPE, text=True)
        for i in range(3)
    ]
    numbers = [int(line) for child in children for line in child.communicate()[0].split()]
    assert sorted(numbers) == list(range(1, 25))


@given(
    notes=st.lists(
        st.tuples(st.sampled_from(SCOPES), st.sampled_from("AB"), st.sets(st.sampled_from("xyz"))),
        max_size=6,
    ),
    asked=st.sets(st.sampled_from("xyz")),
    case=st.sampled_from("AB"),
)
@settings(max_examples=20, deadline=None)
def test_the_narrowest_note_that_touches_case_or_source_wins(
    tmp_path_factory: pytest.TempPathFactory,
    notes: list[tuple[str, str, set[str]]],
    asked: set[str],
    case: str,
) -> None:
    path = tmp_path_factory.mktemp("c") / "c"
    expected: list[int] = []
    with Catalogue(path) as catalogue:
        for scope, of, sources in notes:
            catalogue.note_consent(of, sorted(sources), CaseConsent(scope=scope))  # type: ignore[arg-type]
            # "none" without a date says 'not yet asked' and binds nothing.
            if scope != "none" and (of == case or sources & asked):
                expected.append(SCOPES.index(scope))  # type: ignore[arg-type]
            known = catalogue.consent_for(sorted(asked), case)
            assert SCOPES.index(known.scope) == min(expected, default=0)
            assert known.known is bool(expected)


def test_neither_a_new_case_file_nor_a_new_name_widens(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent("A", ["x"], CaseConsent(scope="teaching"))
        catalogue.note_consent("A", ["x"], public())
        assert catalogue.consent_for(["x"], "A", public()).scope == "teaching"
        assert catalogue.consent_for(["x"], "RENAMED", public()).scope == "teaching"
        assert catalogue.consent_for(["re-encoded"], "A", public()).scope == "teaching"
        assert catalogue.consent_for(["y"], "B", public()).scope == "public"
        assert catalogue.consent_for(["y"], "B").known is False  # asking is not noting


def test_not_yet_asked_binds_nothing_and_releases_nothing(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        for silent in (CaseConsent(), CaseConsent(scope="none")):
            catalogue.note_consent("A", ["x"], silent)
            assert catalogue.consent_for(["x"], "A", public()).scope == "public"
            assert catalogue.consent_for(["x"], "A", silent).scope == "none"


def test_a_refusal_binds_until_a_newer_form_is_signed(tmp_path: Path) -> None:
    day = datetime.date
    refused = CaseConsent(scope="none", given_on=day(2026, 4, 1))
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent("A", ["x"], public(given_on=day(2026, 3, 1)))
        catalogue.note_consent("A", ["x"], refused)
        for case, sources, now in (
            ("A", ["x"], public()), ("B", ["x"], public()), ("A", ["new"], public()),
            ("B", ["x"], None), ("A", ["x"], public(given_on=day(2026, 3, 31))),
            ("A", ["x"], public(given_on=day(2026, 4, 1))),
        ):  # fmt: skip
            known = catalogue.consent_for(sources, case, now)
            assert known.refused and known.forbidden and not known.covers("teaching", TODAY)
        newer = CaseConsent(scope="teaching", given_on=day(2026, 5, 1))
        known = catalogue.consent_for(["x"], "A", newer)
        assert known.scope == "teaching" and known.covers("teaching", TODAY)
        assert not known.covers("public", TODAY)
        catalogue.note_consent("A", ["x"], newer)
        assert not catalogue.consent_for(["x"], "A").refused
        catalogue.note_consent("A", ["x"], CaseConsent(scope="none", given_on=day(2026, 5, 2)))
        assert catalogue.consent_for(["x"], "A").refused
        catalogue.withdraw("A")  # a withdrawal is no refusal: no form revives it
        last = catalogue.consent_for(["x"], "A", public(given_on=day(2026, 6, 1)))
        assert last.withdrawn and not last.covers("teaching", TODAY)


def test_a_mistyped_day_to_come_is_corrected_by_its_own_case_only(tmp_path: Path) -> None:
    day, good = datetime.date, public(given_on=datetime.date(2026, 3, 2))
    first, then, last = (f"2026-03-02T0{hour}:00:00+00:00" for hour in (7, 8, 9))
    typed = public(given_on=day(2062, 3, 2), expires_on=day(2063, 1, 1))
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent("A-1", ["x"], good, first)
        catalogue.note_consent("A-1", ["x"], typed, then)
        for case, now in (
            ("A-1", None), ("A-1", typed), ("A-1", public()), ("B-1", good), ("B-1", None),
            ("A-1", public(given_on=day(2061, 1, 1))), ("A-1", CaseConsent()),
        ):  # fmt: skip
            assert not catalogue.consent_for(["x"], case, now).covers("teaching", TODAY), case
        known = catalogue.consent_for(["x"], "a-1", good)
        assert known.covers("public", TODAY) and known.expires_on == day(2063, 1, 1)
        catalogue.note_consent("A-1", ["x"], good, last)  # the same form as at first, said again
        catalogue.note_consent("A-1", ["x"], good, last)
        assert catalogue.consent_for(["x"], "A-1").covers("public", TODAY)
        assert not catalogue.consent_for(["x"], "B-1", good).covers("teaching", TODAY)
        to_come = public(given_on=day(2027, 1, 1))
        catalogue.note_consent("A-1", ["x"], to_come, "2026-03-03T07:00:00+00:00")
        assert not catalogue.consent_for(["x"], "A-1").covers("teaching", TODAY)


def test_a_refusal_is_no_later_than_the_day_it_was_noted_on(tmp_path: Path) -> None:
    day, at = datetime.date, "2026-03-02T09:00:00+00:00"
    refused = CaseConsent(scope="none", given_on=day(2062, 3, 2))
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent("A-1", ["x"], refused, at)
        for given, stands in ((1, True), (2, True), (3, False)):
            form = public(given_on=day(2026, 3, given))
            assert catalogue.consent_for(["x"], "A-1", form).refused is stands, given
        catalogue.note_consent("B-1", ["x"], public(given_on=day(2070, 1, 1)), at)
        for case in ("A-1", "B-1"):  # a form to come, corrected to an old day, revives nothing
            known = catalogue.consent_for(["x"], case, public(given_on=day(2026, 3, 1)))
            assert not known.covers("teaching", TODAY)


def test_names_that_look_alike_are_one_case(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent("QM-1001", ["x"], CaseConsent(scope="teaching"))
        catalogue.withdraw("QM-2001")
        for name in ("qm-1001", "QM-1O01", "QM-l0Ol", " QM-1001 ", "QM\u20131001"):
            assert catalogue.consent_for([], name).scope == "teaching", name
            assert catalogue.alike(name) == ["QM-1001"]
        assert catalogue.is_withdrawn("qm-2oo1")
        assert not catalogue.consent_for([], "QM-1002").known


def test_dates_and_voice_narrow_too(tmp_path: Path) -> None:
    day = datetime.date
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent(
            "A", ["x"], public(given_on=day(2026, 3, 2), expires_on=day(2031, 3, 2), voice=True)
        )
        known = catalogue.consent_for(["x"], "A")
        assert known.voice and known.covers("public", TODAY) and known.covers("teaching", TODAY)
        assert known.covers("public", day(2031, 3, 2))
        assert not known.covers("public", day(2031, 3, 3))
        assert not known.covers("public", day(2026, 3, 1))
        assert not known.covers("everyone", TODAY)
        catalogue.note_consent("A", ["x"], public(expires_on=day(2026, 5, 31), reference="form 88"))
        known = catalogue.consent_for(["x"], "A")
        assert not known.voice and not known.covers("teaching", TODAY)
        assert known.references == ("form 88",)


@pytest.mark.parametrize(
    ("scope", "audience", "covered"),
    [("none", "teaching", False), ("none", "public", False), ("teaching", "teaching", True),
     ("teaching", "public", False), ("public", "teaching", True), ("public", "public", True)],
)
def test_scope_covers_audience(tmp_path: Path, scope: Any, audience: str, covered: bool) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        known = catalogue.consent_for(["x"], "A", CaseConsent(scope=scope))
        assert known.covers(audience, TODAY) is covered


def test_withdrawal_lists_every_release_and_is_final(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        one, two = record("A", ("x", "y")), record("A", ("x",), revision=2, profile="lecture")
        other, unrelated = record("B", ("y",), revision=3), record("C", ("z",))
        for each in (one, two, other, unrelated):
            catalogue.add_release(each)
        catalogue.note_consent("A", ["unreleased"], public())
        assert catalogue.withdraw("A") == [one, two, other]
        assert catalogue.withdraw("A") == [one, two, other]  # asked again: the same list
        for case, source in (("A", "new"), ("NEW", "x"), ("NEW", "y"), ("NEW", "unreleased")):
            assert catalogue.is_withdrawn(case, [source])
            known = catalogue.consent_for([source], case, public())
            assert known.withdrawn and known.scope == "none"
            assert not known.covers("teaching", TODAY)
        assert not catalogue.is_withdrawn("C", ["z"])
        # what a withdrawn case brings along later is withdrawn with it
        catalogue.note_consent("A", ["copy"], public())
        assert catalogue.is_withdrawn("NEW", ["copy"])
        assert catalogue.releases_from(["y"]) == [one, other]


def test_withdrawing_an_unknown_case_binds_its_sources(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        assert catalogue.withdraw("A", ["x"]) == []
        assert catalogue.is_withdrawn("B", ["x"])
    with Catalogue(tmp_path / "c") as catalogue:
        assert catalogue.is_withdrawn("A")


@pytest.mark.parametrize("table", ["consent", "withdrawn_cases", "withdrawn_sources"])
def test_the_file_itself_refuses_to_forget(tmp_path: Path, table: str) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.note_consent("A", ["x"], public())
        catalogue.withdraw("A")
    raw = sqlite3.connect(tmp_path / "c")
    with pytest.raises(sqlite3.IntegrityError):
        raw.execute(f"DELETE FROM {table}")
    raw.close()


def test_rebuild_from_release_records(tmp_path: Path) -> None:
    records = [
        record("A", ("x",), number=3, series="nose", consent={"scope": "teaching", "more": 1}),
        record("A", ("x",), revision=2, number=3, series="nose"),
        record("B", ("y",), number=9, series="nose"),
    ]
    paths = []
    for index, one in enumerate(records):
        paths.append(tmp_path / f"{index}.release.json")
        paths[-1].write_text(one.to_json())
    random.Random(1).shuffle(paths)
    with Catalogue(tmp_path / "old") as old, Catalogue(tmp_path / "new") as new:
        for one in records:
            old.add_release(one)
        gone = ConsentFact(
            at="2026-04-01T00:00:00+00:00", case="B", what="withdrawn",
            sources=[KnownSource(sha256="older")],
        )  # fmt: skip
        assert new.rebuild(paths, [gone]) == 3
        assert new.rebuild(paths) == 0
        assert new.releases() == old.releases()
        assert next_number(new, "nose") == 10 and new.next_revision("A", "web") == 3
        assert new.consent_for(["x"], "A").scope == "teaching"
        assert new.is_withdrawn("NEW", ["y"]) and new.is_withdrawn("NEW", ["older"])
        (tmp_path / "bad.release.json").write_text(records[0].to_json()[:-40])
        extra = tmp_path / "extra.release.json"
        extra.write_text(record("D").to_json())
        with pytest.raises(InputError, match="bad"):
            new.rebuild([extra, tmp_path / "bad.release.json"])
        assert new.releases("D") == []


def test_backup_is_whole_and_opens(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.add_release(record())
        catalogue.withdraw("X", ["x"])
        path = catalogue.backup(tmp_path / "copy")
        assert stat.S_IMODE(path.stat().st_mode) == 0o600
    with Catalogue(path) as copy:
        assert copy.releases() == [record()] and copy.is_withdrawn("Y", ["x"])


def test_a_damaged_file_is_kept_and_named(tmp_path: Path) -> None:
    path = tmp_path / "c"
    with Catalogue(path) as catalogue:
        for index in range(40):
            catalogue.add_release(record(f"A{index}"))
    data = bytearray(path.read_bytes())
    for start in (0, 3 * 4096, len(data) // 2):
        broken = bytearray(data)
        broken[start : start + 5000] = os.urandom(5000)
        path.write_bytes(broken)
        with pytest.raises(OutputError, match="damaged") as info:
            Catalogue(path)
        assert "backup" in info.value.do and path.read_bytes() == broken
    copies = [p.read_bytes() for p in tmp_path.glob("c.damaged*")]
    assert len(copies) == 3 and bytes(broken) in copies


def test_an_emptied_file_is_damage_not_a_new_catalogue(tmp_path: Path) -> None:
    path = tmp_path / "c"
    path.write_bytes(b"")
    old = time.time() - 3600
    os.utime(path, (old, old))
    with pytest.raises(NeedsPerson, match="cut to nothing") as info:
        Catalogue(path)
    assert "rebuild" in info.value.do and path.read_bytes() == b""
    Catalogue(path, anew=True).close()


def test_a_foreign_and_a_newer_file_are_refused(tmp_path: Path) -> None:
    raw = sqlite3.connect(tmp_path / "foreign")
    raw.execute("CREATE TABLE t (a)")
    raw.commit()
    raw.close()
    with pytest.raises(OutputError, match="another program"):
        Catalogue(tmp_path / "foreign")
    Catalogue(tmp_path / "newer").close()
    raw = sqlite3.connect(tmp_path / "newer")
    raw.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    raw.close()
    with pytest.raises(OutputError, match="newer version"):
        Catalogue(tmp_path / "newer")


def test_migrations_run_once_in_order_and_keep_the_rows(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Catalogue(tmp_path / "c") as catalogue:
        catalogue.add_release(record())
    steps = (*MIGRATIONS, "ALTER TABLE releases ADD COLUMN note TEXT;",
             "UPDATE releases SET note = 'second';")  # fmt: skip
    monkeypatch.setattr(module, "MIGRATIONS", steps)
    for _ in range(2):
        with Catalogue(tmp_path / "c") as catalogue:
            assert catalogue.releases() == [record()]
    raw = sqlite3.connect(tmp_path / "c")
    assert raw.execute("SELECT note FROM releases").fetchall() == [("second",)]
    raw.close()


def test_a_failed_migration_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    Catalogue(tmp_path / "c").close()
    steps = (*MIGRATIONS, "CREATE TABLE extra (a);\nDROP TABLE missing;")
    with monkeypatch.context() as patch:
        patch.setattr(module, "MIGRATIONS", steps)
        with pytest.raises(sqlite3.OperationalError, match="missing"):
            Catalogue(tmp_path / "c")
    raw = sqlite3.connect(tmp_path / "c")
    names = [row[0] for row in raw.execute("SELECT name FROM sqlite_schema")]
    raw.close()
    assert "extra" not in names
    Catalogue(tmp_path / "c").close()


def test_version_1_files_still_open(tmp_path: Path) -> None:
    """Baseline of schema version 1, as its first publication wrote it."""
    folder = Path(__file__).parent / "baseline"
    raw = sqlite3.connect(tmp_path / "c")
    raw.executescript((folder / "catalogue-1.sql").read_text())
    raw.close()
    with Catalogue(tmp_path / "c") as catalogue:
        (only,) = catalogue.releases()
        assert only.sheet.case == "HL-0142" and next_number(catalogue, "nose") == 13
        assert catalogue.consent_for(["y"], "Z", public()).scope == "teaching"
        assert catalogue.is_withdrawn("NEW", ["w"])


def test_a_locked_catalogue_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_BUSY_S", 0.2)
    with Catalogue(tmp_path / "c") as catalogue:
        other = sqlite3.connect(tmp_path / "c", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(OutputError, match="in use"):
            catalogue.note_consent("A", ["x"], public())
        other.execute("ROLLBACK")
        other.close()
        catalogue.note_consent("A", ["x"], public())


def test_a_folder_that_cannot_be_made_is_an_output_error(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(OutputError):
        Catalogue(tmp_path / "file" / "c")


def test_killed_in_a_transaction_leaves_the_old_state(tmp_path: Path) -> None:
    code = textwrap.dedent(
        f"""
        import os, sys
        sys.path.insert(0, {str(ROOT)!r})
        from pipeline.store.catalogue import Catalogue
        catalogue = Catalogue({str(tmp_path / "c")!r})
        catalogue.claim_number("nose", "A")
        with catalogue._write() as db:
            db.execute("INSERT INTO numbers VALUES ('nose', 2, 'B')")
            os._exit(1)
        """
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    with Catalogue(tmp_path / "c") as catalogue:
        assert next_number(catalogue, "nose") == 2


def test_every_scope_pair_is_ordered() -> None:
    assert list(itertools.pairwise(SCOPES)) == [("none", "teaching"), ("teaching", "public")]


def test_a_large_catalogue_is_checked_once_a_day(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A batch opens it for each case; the check reads all of it."""
    path = tmp_path / "catalogue.sqlite3"
    monkeypatch.setattr(module, "_LARGE_BYTES", 10_000)
    with Catalogue(path) as catalogue:
        for number in range(20):
            catalogue.add_release(record(f"HL-{number:04d}", (f"{number:064d}",)))
        catalogue.backup(catalogue.backup_path)
    data = bytearray(path.read_bytes())
    rows = data.rindex(b"HL-0019")
    page = rows // 4096
    data[page * 4096 : page * 4096 + 12] = b"\xff" * 12
    path.write_bytes(data)
    Catalogue(path).close()  # a fresh copy is there: the check is left out
    with monkeypatch.context() as patch, pytest.raises(OutputError, match="damaged"):
        patch.setattr(module, "_LARGE_BYTES", 10**9)
        Catalogue(path)  # a small one is checked each time
    os.utime(path.with_name(f"{path.name}.backup"), (0, 0))
    with pytest.raises(OutputError, match="damaged"):
        Catalogue(path)


def test_consent_is_looked_up_by_index(tmp_path: Path) -> None:
    """Every case asks for it; reading all notes would take longer each day."""
    path = tmp_path / "catalogue.sqlite3"
    with Catalogue(path) as catalogue:
        said: list[str] = []
        assert catalogue._db is not None
        catalogue._db.set_trace_callback(said.append)
        catalogue.consent_for(["a" * 64], "HL-0142")
        catalogue._db.set_trace_callback(None)
        asked = [s for s in said if s.startswith("SELECT")]
        assert len(asked) >= 2
        for statement in asked:
            plan = catalogue._db.execute(f"EXPLAIN QUERY PLAN {statement}").fetchall()
            for step in (str(row["detail"]) for row in plan):
                table = re.match(r"(?:SCAN|SEARCH) (\w+)", step)
                if table and table[1] in ("consent", "releases", "consent_sources"):
                    assert "USING" in step, step


def test_notes_of_a_batch(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.sqlite3"
    note = BatchNote("f" * 64, "withheld", "0.1.0", {"withheld": [{"code": "consent"}]}, 60.0, 99.0)
    with Catalogue(path) as catalogue:
        assert catalogue.batch_note("here", "HL-0142", "web") is None
        catalogue.note_batch("here", "HL-0142", "web", note)
        catalogue.note_batch("here", "HL-0142", "lecture", note)
        assert catalogue.batch_note("here", "HL-0142", "web") == note
        assert catalogue.batch_note("there", "HL-0142", "web") is None
        assert catalogue.batch_costs() == [], "costs are learned from releases only"
        later = BatchNote("e" * 64, "released", "0.1.0", {}, 120.0, 250.0)
        catalogue.note_batch("here", "HL-0142", "web", later)
        assert catalogue.batch_note("here", "HL-0142", "web") == later
        assert catalogue.batch_costs() == [(120.0, 250.0)]


def test_the_latest_release(tmp_path: Path) -> None:
    path = tmp_path / "catalogue.sqlite3"
    with Catalogue(path) as catalogue:
        assert catalogue.latest_release("HL-0142", "web") is None
        for revision in (1, 2, 10):
            catalogue.add_release(record(revision=revision, sha256=f"{revision:064d}"))
        found = catalogue.latest_release("HL-0142", "web")
        assert found is not None and found.sheet.revision == 10
        assert catalogue.has_release("HL-0142", "web", 2)
        assert not catalogue.has_release("HL-0142", "web", 3)
        assert catalogue.latest_release("HL-0142", "lecture") is None


def test_an_older_catalogue_gets_the_tables_of_batches(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A catalogue of the first schema version keeps its rows."""
    path = tmp_path / "catalogue.sqlite3"
    with monkeypatch.context() as patch:
        patch.setattr(module, "MIGRATIONS", MIGRATIONS[:1])
        raw = sqlite3.connect(path)
        for statement in module.statements(MIGRATIONS[0]):
            raw.execute(statement)
        raw.execute("PRAGMA user_version = 1")
        raw.execute(f"PRAGMA application_id = {module.APPLICATION_ID}")
        raw.execute("INSERT INTO numbers VALUES ('', 7, 'HL-0142')")
        raw.commit()
        raw.close()
    with Catalogue(path) as catalogue:
        assert catalogue.claim_number("", "HL-0142") == 7
        assert catalogue.batch_costs() == []
