"""Names of recordings: from content and a secret, found again, and of no use to a stranger."""

from __future__ import annotations

import csv
import hashlib
import hmac
import os
import subprocess
import sys
from pathlib import Path

import pytest

from pipeline.errors import OutputError
from pipeline.model.case import CaseConsent
from pipeline.model.pseudonym import case_fault, has_date, is_made, made_name, printable
from pipeline.store import names as module
from pipeline.store.catalogue import Catalogue
from pipeline.store.names import NamedFile, Names, earlier_names, installation_secret, secret_file

SHA = [hashlib.sha256(bytes([n])).hexdigest() for n in range(40)]


def test_the_secret_is_made_once_and_is_private() -> None:
    first = installation_secret()
    assert len(first) == 32 and installation_secret() == first
    assert secret_file().stat().st_mode & 0o777 == 0o600
    assert secret_file().parent.stat().st_mode & 0o077 == 0


def at_once(count: int, go: Path, code: str) -> list[str]:
    """What processes print that do the same in the same moment; {n} is the number of each."""
    wait = f"import time; from pathlib import Path\nwhile not Path({str(go)!r}).exists(): pass\n"
    start = "from pipeline.store.names import *; print(flush=True)\n"
    running = [
        subprocess.Popen([sys.executable, "-c", start + wait + code.replace("{n}", str(n))],
                         stdout=subprocess.PIPE, text=True)
        for n in range(count)
    ]  # fmt: skip
    for one in running:
        assert one.stdout is not None
        one.stdout.readline()
    go.write_text("")
    said = [one.communicate(timeout=60)[0] for one in running]
    assert all(one.returncode == 0 for one in running)
    return said


def test_eight_processes_that_make_the_secret_at_once_get_one(tmp_path: Path) -> None:
    said = at_once(8, tmp_path / "go", "print(installation_secret().hex())")
    assert set(said) == {installation_secret().hex() + "\n"}


def test_a_damaged_secret_is_never_made_anew() -> None:
    installation_secret()
    secret_file().write_bytes(b"short")
    with pytest.raises(OutputError, match="5 bytes instead of 32"):
        Names().of(SHA[0])
    assert secret_file().read_bytes() == b"short"


def test_a_folder_that_cannot_be_written_is_an_error_of_the_machine(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "file"))
    with pytest.raises(OutputError):
        Names().of(SHA[0])


def test_names_come_from_content_alone() -> None:
    names = Names()
    assert len({names.of(sha) for sha in SHA}) == len(SHA)
    assert names.of(SHA[3]) == Names().of(SHA[3]) and all(is_made(names.of(s)) for s in SHA)


def test_the_name_is_the_hmac_of_a_reference() -> None:
    """HMAC-SHA256, RFC 4231 test case 2 for the library; then the digits by hand."""
    reference = hmac.new(b"Jefe", b"what do ya want for nothing?", "sha256").hexdigest()
    assert reference == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    secret = bytes(range(32))
    block = bytes(k ^ 0x36 for k in secret.ljust(64, b"\0"))
    outer = bytes(k ^ 0x5C for k in secret.ljust(64, b"\0"))
    inner = hashlib.sha256(block + b"rec\x000\x00" + SHA[0].encode()).digest()
    value = int.from_bytes(hashlib.sha256(outer + inner).digest())
    signs = ""
    for _ in range(12):
        signs, value = signs + "2346789cdfhjknprstvx"[value % 20], value // 20
    assert made_name(secret, "rec", SHA[0]) == f"rec-{signs}"


def test_a_list_of_guesses_finds_nothing_without_the_secret(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """A thief has the names and every recording and file name, but no secret: neither plain
    hashes of them nor another installation's names match."""
    guesses = [f"Berglund_{n:05d}_1967-03-12.mp4" for n in range(5000)]
    hashes = [hashlib.sha256(g.encode()).hexdigest() for g in guesses]
    mine = {Names().of(h).removeprefix("rec-") for h in hashes[:50]}
    for guess, sha in zip(guesses, hashes, strict=True):
        for text in (guess, sha):
            for kind in ("sha256", "sha1", "md5"):
                digest = hashlib.new(kind, text.encode()).hexdigest()
                assert not any(name in digest or digest[:6] in name for name in mine)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "thief"))
    theirs = {Names().of(h).removeprefix("rec-") for h in hashes}
    assert not mine & theirs


def row(names: Names, number: int, case: str = "", path: str = "/day/REC_0001.mp4") -> NamedFile:
    label = names.of(SHA[number])
    return NamedFile(label, case or label, "recording 1, file 1", Path(path), SHA[number])


def test_a_lost_secret_is_made_good_by_the_list_and_by_the_catalogue(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    names = Names(tmp_path / "out")
    names.note([row(names, 0)])
    old = [names.of(SHA[n]) for n in range(3)]
    with Catalogue(tmp_path / "catalogue") as catalogue:
        catalogue.note_consent(old[1], [SHA[1]], CaseConsent(scope="teaching"))
        catalogue.note_consent("QM-0001", [SHA[1], SHA[2]], CaseConsent(scope="teaching"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "fresh"))
    again = Names(tmp_path / "out", earlier_names(tmp_path / "catalogue"))
    assert again.of(SHA[0]) == old[0], "known to the list of the OUT folder"
    assert again.of(SHA[1]) == old[1], "known to the catalogue"
    assert again.of(SHA[2]) != old[2], "known to nobody: a case's own name is not taken over"
    assert is_made(again.of(SHA[2]))


def test_a_catalogue_that_cannot_be_read_knows_nothing(tmp_path: Path) -> None:
    (tmp_path / "bad").write_bytes(b"no database" * 100)
    assert earlier_names(tmp_path / "bad")(SHA[0]) == []
    assert earlier_names(tmp_path / "none")(SHA[0]) == []
    assert not (tmp_path / "none").exists()


def test_two_recordings_never_get_one_name(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    real = made_name

    def alike(secret: bytes, kind: str, text: str, attempt: int = 0) -> str:
        return real(secret, kind, "same" if attempt == 0 else text, attempt)

    monkeypatch.setattr(module, "made_name", alike)
    names = Names(tmp_path)
    names.note([row(names, 0)])
    assert Names(tmp_path).of(SHA[1]) != names.of(SHA[0])
    assert Names(tmp_path).of(SHA[0]) == names.of(SHA[0])


def rows(out: Path) -> list[dict[str, str]]:
    with (out / "private" / "names.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_key_list_says_which_file_a_name_is(tmp_path: Path) -> None:
    names = Names(tmp_path)
    odd = ["/day/a,b \"c\".mp4", "/day/two\nlines.mp4", "/day/=1+1.mp4", "/day/\udce4.mp4",
           "/day/Müller, Åsa.mp4", "/day/gnp‮4pm.mp4"]  # fmt: skip
    names.note([row(names, n, path=p) for n, p in enumerate(odd)])
    names.note([row(names, n, path=p) for n, p in enumerate(odd)])  # the same again
    names.note([row(names, 0, path="/copy/x.mp4")])
    file = tmp_path / "private" / "names.csv"
    assert file.stat().st_mode & 0o777 == 0o600
    assert file.parent.stat().st_mode & 0o777 == 0o700
    found = rows(tmp_path)
    assert len(found) == len(odd) + 1 == len(file.read_text().splitlines()) - 1
    assert found[0]["path"] == odd[0] and found[4]["file"] == "Müller, Åsa.mp4"
    assert found[1]["path"] == "/day/two\\nlines.mp4" and found[2]["file"] == "./=1+1.mp4"
    assert found[3]["path"] == "/day/\\udce4.mp4" and "‮" not in found[5]["path"]
    assert {r["label"] for r in found if r["sha256"] == SHA[0]} == {names.of(SHA[0])}
    assert found[0]["first_seen"][:2] == "20" and len(found[0]["first_seen"]) == 10


def test_many_writers_lose_no_row_and_write_none_twice(tmp_path: Path) -> None:
    code = f"""
names = Names(Path({str(tmp_path)!r}))
for number in (*range(10), 100 + {{n}}):
    path = Path(f"/day/{{number}}.mp4")
    names.note([NamedFile("rec-7k3xv9t2cd4h", "QM-0001", "recording", path, "0" * 64)])
""".replace("{{", "{").replace("}}", "}")
    at_once(6, tmp_path / "go", code)
    found = [(r["label"], r["path"]) for r in rows(tmp_path)]
    assert len(found) == len(set(found)) == 10 + 6


def test_a_row_that_was_cut_off_is_taken_out(tmp_path: Path) -> None:
    names = Names(tmp_path)
    names.note([row(names, 0), row(names, 1)])
    file = tmp_path / "private" / "names.csv"
    file.write_bytes(file.read_bytes()[:-30])
    names.note([row(names, 2)])
    assert [r["sha256"] for r in rows(tmp_path)] == [SHA[0], SHA[2]]


def test_a_list_saved_by_a_table_program_still_serves(tmp_path: Path) -> None:
    names = Names(tmp_path)
    names.note([row(names, 0, "QM-0001"), row(names, 1, "QM-0001"), row(names, 2, "QM-0002")])
    file = tmp_path / "private" / "names.csv"
    file.write_text("\ufeff" + file.read_text().replace(",", ";").replace("\n", "\r\n"))
    assert Names(tmp_path).of(SHA[0]) == names.of(SHA[0])
    assert Names(tmp_path).contents_of("QM-0001") == {SHA[0], SHA[1]}


@pytest.mark.parametrize("name", [
    "QM-0217", "HL-1", "A-1", "ENT-2026-031", "QM-1967", "KB-2026-13", "KB-67-33", "KB-0312-4",
    "KB-12-3", "HLKB-1234", "CASE-12", "rec-7k3xv9t2cd4h",
])  # fmt: skip
def test_pseudonyms(name: str) -> None:
    assert case_fault(name) is None


@pytest.mark.parametrize("name", [
    "Berglund", "berglund-astrid", "Berglund-Astrid", "Berglund-42", "Ivy-12", "HN48213", "CLIP",
    "1967-03-12", "19670312", "12-03-1967", "A-19670312", "A-1967-0312", "A-1203-1967", "A-481213",
    "AB-67-03", "KB-2026-03", "KB-2026-3", "KB-11-2025", "KB-31-12",
    "QM-0001\n", " QM-0001", "QM-0001 ", "", "..", "QM/1", "QM-\u0661\u0662",
    "rec-berglundastr", "HL-48213", "MRN-48213", "MRN-4821-3302", "A-123456", "AB-1-12345",
    "EVA-0142", "LEE-12", "NOSE-3", "LYN-1",
    "QM\u2010" "0001", "QM-0001.", "A" * 50, "case-7k3xv9t2cd4h", "李-12", "QM-00\u200b01",
])  # fmt: skip
def test_what_may_be_no_pseudonym(name: str) -> None:
    assert case_fault(name) is not None


def test_a_pattern_of_one_s_own_still_refuses_words_and_dates() -> None:
    own = r"[A-Za-z0-9._-]+"
    assert case_fault("s7k12", own) is None and case_fault("Study.7", own) is None
    for name in ("Berglund", "Astrid-Berglund", "b1967-03-12", "x670312", "12.3.67", "a-12-03-67"):
        assert case_fault(name, own) is not None, name


@pytest.mark.parametrize(("text", "is_date"), [
    ("1967-03-12", True), ("12.03.1967", True), ("3-12-67", True), ("19670312", True),
    ("120367", True), ("A1967B03C12", True), ("0217", False), ("2026-031", False),
    ("991399", False), ("19671399", False), ("1-2", False), ("12345", False), ("123456789", False),
    ("1967-3", True), ("03.1967", True), ("B1967C03", True), ("196703", True), ("121967", True),
    ("12-03", True), ("67-03", True), ("1967-13", False), ("1967", False), ("1-2-3456", False),
    ("199913", False), ("67-33", False),
])  # fmt: skip
def test_dates(text: str, is_date: bool) -> None:
    assert has_date(text) is is_date


def test_long_numbers_cost_nothing() -> None:
    assert not has_date("9" * 100_000) and not has_date("9-" * 50_000)


def test_names_of_files_are_one_line_on_a_terminal() -> None:
    assert printable("a\nb\x1b[31m\u202ec\udcff é 李") == "a\\nb\\x1b[31m\\u202ec\\udcff é 李"
    assert printable(os.fsdecode(b"a\xff.mp4")) == "a\\udcff.mp4"


def test_a_case_named_for_a_recording_is_refused_with_another(tmp_path: Path) -> None:
    """A batch lays loose recordings out as links: another recording may come to lie there."""
    from pipeline.errors import InputError
    from pipeline.stages.intake import open_case

    (tmp_path / "a.mp4").write_bytes(b"one")
    name = Names().of(hashlib.sha256(b"one").hexdigest())
    toml = tmp_path / "case.toml"
    toml.write_text(f'case = "{name}"\n[[recording]]\nfiles = ["a.mp4"]\n')
    opened = open_case(tmp_path)
    assert opened.case.case == name == open_case(tmp_path / "a.mp4").case.case
    assert [n.label for n in opened.named] == [name]
    (tmp_path / "a.mp4").write_bytes(b"two")
    with pytest.raises(InputError, match="not in it any more"):
        open_case(tmp_path)
