"""Faults put into a run on purpose. After each: a rerun completes, the sources are as they
were, every released file is whole and recorded, and nothing temporary is left.

The runs are forks of one process (`tests/fuzz/runner.py`); the detectors are off unless a
test is about them.
"""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import media_zoo
import numpy as np
import pytest

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "fuzz"))

from running import PLAIN, Runner  # noqa: E402

from pipeline.errors import InputError, OutputError  # noqa: E402
from pipeline.model.case import CaseConsent  # noqa: E402
from pipeline.settings import load_options  # noqa: E402
from pipeline.store.catalogue import Catalogue  # noqa: E402

CASE = "QM-0910"


@pytest.fixture(scope="session")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two seconds of tissue with sound, as small as a field can be."""
    path = tmp_path_factory.mktemp("tiny") / "tiny.mp4"
    media_zoo.scope_clip(path, 2.0, size=(320, 240), seed=9, audio="noise")
    return path


@pytest.fixture(scope="module")
def runner(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Runner]:
    made = Runner(tmp_path_factory.mktemp("fault_runs"))
    yield made
    made.close()


def case_folder(folder: Path, source: Path, more: str = "") -> Path:
    folder.mkdir(parents=True)
    shutil.copy(source, folder / "a.mp4")
    (folder / "case.toml").write_text(
        f'case = "{CASE}"\n[[recording]]\nfiles = ["a.mp4"]\nfield = [166, 120, 112]\n'
        f'[consent]\nscope = "public"\n{more}'
    )
    return folder


class Bench:
    """One case, its OUT folder, its catalogue; runs it with faults and looks at what is left."""

    def __init__(self, runner: Runner, folder: Path, source: Path, detectors: bool = False) -> None:
        self.runner, self.folder = runner, folder
        self.case = case_folder(folder / "case", source)
        self.out, self.catalogue = folder / "out", folder / "catalogue.sqlite3"
        self.hashes = self.sources()
        self.config = runner.config
        if detectors:
            self.config = folder / "detectors.toml"
            self.config.write_text(
                runner.config.read_text().replace("lettering = false", "lettering = true")
            )

    def sources(self) -> dict[str, str]:
        return {
            p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in self.case.iterdir()
        }

    def run(self, *more: str, **faults: Any) -> Any:
        run = self.runner(
            "--config", self.config, "--catalogue", self.catalogue, "make", "--looked", "AB", *more,
            "--out", self.out, "--", self.case, **faults,
        )  # fmt: skip
        assert not run["hung"] and "Traceback" not in run["err"], run
        return run

    def forget_surveys(self) -> None:
        shutil.rmtree(self.runner.folder / "cache", ignore_errors=True)
        (self.runner.folder / "cache").mkdir()

    def releases(self) -> list[Path]:
        return sorted((self.out / "releases").rglob("*.mp4"))

    def left_over(self) -> list[Path]:
        here = [p for p in self.out.rglob("*") if ".part-" in p.name or p.suffix == ".f32"]
        return here + [p for place in self.runner.outside for p in place.rglob("*")]

    def check_released(self) -> None:
        """What lies under releases is whole and has its record, whatever was killed."""
        for path in self.releases():
            record = self.out / "private" / CASE / f"{path.stem}.release.json"
            sheet = json.loads(record.read_text())["sheet"]
            assert sheet["sha256"] == hashlib.sha256(path.read_bytes()).hexdigest(), path.name
        assert self.sources() == self.hashes, "a source was changed"

    def check_rerun(self) -> None:
        run = self.run()
        assert run["code"] == 0, run
        self.check_released()
        assert self.left_over() == []
        with Catalogue(self.catalogue) as known:
            rows = {Path(r.path).name for r in known.releases()}
        assert {p.name for p in self.releases()} == rows, "a file without a row, or the reverse"
        for path in self.releases():
            assert (path.parent / f"{path.stem}.sheet.json").is_file(), path.name
        newest = max(self.releases(), key=lambda p: p.stat().st_mtime)
        seen = self.runner("--config", self.config, "verify", "--", newest)
        assert seen["code"] == 0, seen


@pytest.fixture
def bench(runner: Runner, tiny: Path, tmp_path: Path) -> Bench:
    return Bench(runner, tmp_path, tiny)


# ---------------------------------------------------------------- kill -9


def test_a_run_killed_while_it_works_leaves_nothing_that_the_next_does_not_clear(
    bench: Bench,
) -> None:
    run = bench.run(kill="main", after_s=0.7)
    assert run["killed"] and run["code"] == -9
    bench.check_released()
    bench.check_rerun()


def test_a_killed_encoder_ends_the_run_with_a_sentence(bench: Bench) -> None:
    run = bench.run(kill="faststart", after_s=0.0)
    assert run["killed"] and run["code"] == 6, run
    assert "encoder" in json.loads(run["out"])["error"]["what"]
    assert bench.releases() == [] and bench.left_over() == []


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_kill_at_fifty_moments(runner: Runner, tiny: Path, tmp_path: Path) -> None:
    """The whole run, then the encoder, at random moments; with and without a survey."""
    bench = Bench(runner, tmp_path, tiny)
    begun, again = bench.run(), bench.run()  # the second finds its survey in the cache
    assert begun["code"] == again["code"] == 0
    rng = random.Random(50)
    killed = 0
    # A machine that was busy at first is faster later: a run that ends before its kill says so.
    lengths_s = {True: begun["wall_s"], False: again["wall_s"]}
    for number in range(50):
        surveys = number % 3 == 0
        if surveys:
            bench.forget_surveys()
        if number % 5 == 4:
            run = bench.run(kill="ffmpeg", after_s=rng.uniform(0, 0.15))
            assert run["code"] in ((6,) if run["killed"] else (0,)) or run["code"] == 0, run
        else:
            run = bench.run(kill="main", after_s=rng.uniform(0.02, lengths_s[surveys]))
            assert run["code"] in (-9, 0), run
            if not run["killed"]:
                lengths_s[surveys] = min(lengths_s[surveys], run["wall_s"])
        killed += run["killed"]
        bench.check_released()
    assert killed >= 30, "too few runs were killed at all"
    bench.check_rerun()


@pytest.mark.slow
def test_a_killed_detector_ends_the_run_with_a_sentence(
    runner: Runner, tiny: Path, tmp_path: Path
) -> None:
    rng = random.Random(7)
    bench = Bench(runner, tmp_path, tiny, detectors=True)
    for _ in range(3):
        bench.forget_surveys()
        run = bench.run(kill="stages.detectors", after_s=rng.uniform(0, 1.0), limit_s=300)
        assert run["killed"] and run["code"] == 6, run
        assert "lettering" in json.loads(run["out"])["error"]["what"]
        assert bench.releases() == [] and bench.left_over() == []


@pytest.mark.slow
def test_nothing_lives_on_after_a_kill(bench: Bench) -> None:
    """Linux: encoders end with their parent (PR_SET_PDEATHSIG, prctl(2))."""
    run = bench.run(kill="main", beside="ffmpeg")
    assert run["killed"] and run["beside"], "no encoder was at work"
    until = time.monotonic() + 5
    while time.monotonic() < until and _lives(run["beside"]):
        time.sleep(0.02)
    assert not _lives(run["beside"])


def _lives(process: int) -> bool:
    """True for a process that is there and no zombie."""
    try:
        status = Path(f"/proc/{process}/stat").read_text()
    except OSError:
        return False
    return status.rpartition(")")[2].split()[0] != "Z"


# ---------------------------------------------------------------- power cut


def test_every_file_is_on_the_disk_before_its_name(
    tiny: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """POSIX promises a rename on disk only after fsync of the file, and then of its folder."""
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked

    events: list[tuple[str, Any]] = []
    sync, replace = os.fsync, os.replace

    def traced_sync(handle: int) -> None:
        found = os.fstat(handle)
        events.append(("sync", (found.st_ino, found.st_size)))
        sync(handle)

    def traced_replace(source: Any, target: Any) -> None:
        found = os.stat(source)
        events.append(("name", (str(target), found.st_ino, found.st_size)))
        replace(source, target)

    monkeypatch.setattr(os, "fsync", traced_sync)
    monkeypatch.setattr(os, "replace", traced_replace)
    folder, out = case_folder(tmp_path / "case", tiny), tmp_path / "out"
    config = tmp_path / "c.toml"
    config.write_text(PLAIN)
    run = run_case(
        folder, out, load_options(None, config), Asked(approve="AB", looked="AB"),
        catalogue=tmp_path / "c.sqlite3",
    )  # fmt: skip
    assert run.ending.released is not None
    kept = [p for p in out.rglob("*") if p.is_file() and p.name not in (".lock", "names.csv")]
    assert run.ending.released.path in kept and len(kept) >= 6
    listed = (out / "private" / "names.csv").stat()  # rows are added to it, not a file put there
    assert ("sync", (listed.st_ino, listed.st_size)) in events
    for path in kept:
        named = [n for n, (what, v) in enumerate(events) if what == "name" and v[0] == str(path)]
        assert named, f"{path.name} was written in place"
        _, inode, size = events[named[-1]][1]
        assert size == path.stat().st_size
        before = [v for what, v in events[: named[-1]] if what == "sync"]
        assert (inode, size) in before, f"{path.name} was named before it was on the disk"
        after = [v[0] for what, v in events[named[-1] :] if what == "sync"]
        assert path.parent.stat().st_ino in after, f"the name of {path.name} was not synced"
    synced = [v[0] for what, v in events if what == "sync"]
    for made in (out / "releases", out / "private" / CASE, out / "releases" / CASE):
        assert made.parent.stat().st_ino in synced, f"{made.name} was not synced"
    with Catalogue(tmp_path / "c.sqlite3") as known:
        assert known._db is not None
        # FULL: "the database will not be corrupted by a power failure" (sqlite.org/pragma.html).
        assert known._db.execute("PRAGMA synchronous").fetchone()[0] == 2


# ---------------------------------------------------------------- disk full


@pytest.mark.slow
@pytest.mark.parametrize("file_bytes", [3_000, 20_000, 150_000, 400_000])
def test_a_file_that_may_not_grow_further(bench: Bench, file_bytes: int) -> None:
    """RLIMIT_FSIZE: a write beyond it fails, whoever makes it (setrlimit(2))."""
    run = bench.run(file_bytes=file_bytes)
    assert run["code"] == 6, run
    error = json.loads(run["out"])["error"]
    assert error["what"] and error["do"]
    assert bench.releases() == [] and bench.left_over() == []


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_disk_full_at_each_write(runner: Runner, tiny: Path, tmp_path: Path) -> None:
    """A file system that holds a little more each time, so that every write is once the last."""
    if os.geteuid() != 0:
        pytest.skip("mounting a small file system needs root")
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", str(small)]).returncode:
        pytest.skip("no file system can be mounted here")
    try:
        bench = Bench(runner, tmp_path, tiny)
        bench.out, bench.catalogue = small / "out", small / "catalogue.sqlite3"
        codes = []
        for size_kb in (40, 80, 120, 200, 320, 500, 800, 1200, 1700, 2300, 3000, 4000, 5500):
            shutil.rmtree(bench.out, ignore_errors=True)
            for path in small.glob("catalogue*"):
                path.unlink()
            if size_kb % 3:
                bench.forget_surveys()
            subprocess.run(["mount", "-o", f"remount,size={size_kb}k", str(small)], check=True)
            run = bench.run()
            codes.append(run["code"])
            assert run["code"] in (0, 6), run
            if run["code"] == 6:
                assert "full" in str(json.loads(run["out"])["error"]), run["out"]
                bench.check_released()
            assert bench.left_over() == []
        assert codes[0] == 6 and codes.count(6) >= 6
        subprocess.run(["mount", "-o", "remount,size=64m", str(small)], check=True)
        bench.check_rerun()
    finally:
        subprocess.run(["umount", str(small)], check=True)


# ---------------------------------------------------------------- the input


def _touch(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(-5, os.SEEK_END)
        byte = file.read(1)
        file.seek(-5, os.SEEK_END)
        file.write(bytes([byte[0] ^ 1]))


def _cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


CHANGES: dict[str, Callable[[Path], None]] = {
    "removed": lambda p: p.unlink(),
    "changed": _touch,
    "cut": _cut,
    "replaced": lambda p: p.write_bytes(b"no recording"),
}
MOMENTS = ("survey", "render", "verify")


def _change_at(
    tiny: Path, tmp_path: Path, what: str, stage: str, **more: Any
) -> tuple[Path, list[str]]:
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked

    folder, out = case_folder(tmp_path / "case", tiny), tmp_path / "out"
    config = tmp_path / "c.toml"
    config.write_text(PLAIN)
    done: list[str] = []

    def progress(at: str, _done: float, _whole: float) -> None:
        if at == stage and not done:
            done.append(at)
            CHANGES[what](folder / "a.mp4")

    with pytest.raises(InputError) as caught:
        run_case(
            folder, out, load_options(None, config), Asked(looked="AB", **more),
            catalogue=tmp_path / "c.sqlite3", progress=progress,
        )  # fmt: skip
    assert done and caught.value.exit_code == 3 and caught.value.do
    assert not list((out / "releases").rglob("*.mp4"))
    assert not [p for p in out.rglob("*") if ".part-" in p.name]
    # Put back, the same case goes through: nothing of the other content was kept.
    shutil.copy(tiny, folder / "a.mp4")
    again = run_case(
        folder, out, load_options(None, config), Asked(looked="AB", **more),
        catalogue=tmp_path / "c.sqlite3",
    )  # fmt: skip
    return out, [w.code for w in again.withheld]


@pytest.mark.parametrize(("what", "stage"), [("changed", "verify")])
def test_a_source_that_changes_while_it_is_worked_on(
    tiny: Path, tmp_path: Path, what: str, stage: str
) -> None:
    assert _change_at(tiny, tmp_path, what, stage)[1] == []


@pytest.mark.slow
@pytest.mark.parametrize("what", sorted(CHANGES))
@pytest.mark.parametrize("stage", MOMENTS)
def test_a_source_that_changes_at_any_stage(
    tiny: Path, tmp_path: Path, what: str, stage: str
) -> None:
    assert _change_at(tiny, tmp_path, what, stage)[1] == []


def test_a_survey_is_not_kept_under_the_hash_of_another_content(
    tiny: Path, tmp_path: Path
) -> None:
    """Changed after it was hashed and before it was measured."""
    from pipeline.stages.intake import open_case
    from pipeline.stages.measure import survey_source

    folder = case_folder(tmp_path / "case", tiny)
    config = tmp_path / "c.toml"
    config.write_text(PLAIN)
    opened = open_case(folder)
    other = tmp_path / "other.mp4"
    media_zoo.zoo_clip(other)
    shutil.copy(other, folder / "a.mp4")
    with pytest.raises(InputError, match="changed"):
        survey_source(opened, 0, load_options(None, config), tmp_path, lambda *_: None)
    cache = Path(os.environ["XDG_CACHE_HOME"])
    assert not list(cache.rglob("survey.json"))


@pytest.mark.slow
def test_an_unreadable_source(bench: Bench) -> None:
    (bench.case / "a.mp4").chmod(0)
    run = bench.run(plain=True)
    assert run["code"] == 3 and "permission" in json.loads(run["out"])["error"]["do"], run
    (bench.case / "a.mp4").chmod(0o600)
    bench.check_rerun()


# ---------------------------------------------------------------- damage in the middle


def damaged_middle(source: Path, target: Path, share: tuple[float, float], seed: int) -> None:
    """Overwrites the coded pictures between two shares of the length; sound and index stay."""
    import av

    raw = bytearray(source.read_bytes())
    rng = np.random.default_rng(seed)
    with av.open(str(source)) as container:
        stream = container.streams.video[0]
        packets = [p for p in container.demux(stream) if p.size]
        first, last = (round(s * len(packets)) for s in share)
        for packet in packets[first:last]:
            assert packet.pos is not None
            raw[packet.pos + 5 : packet.pos + packet.size] = rng.integers(
                0, 256, packet.size - 5, dtype=np.uint8
            ).tobytes()
    target.write_bytes(bytes(raw))


@pytest.fixture(scope="session")
def longer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six seconds of tissue with a key frame each second."""
    folder = tmp_path_factory.mktemp("longer")
    whole, path = folder / "whole.mp4", folder / "longer.mp4"
    media_zoo.scope_clip(whole, 6.0, size=(320, 240), seed=9, audio="noise")
    media_zoo.run_ffmpeg("-i", whole, "-c:v", "libx264", "-preset", "veryfast", "-crf", "22",
                         "-g", "25", "-bf", "2", "-c:a", "copy", path)  # fmt: skip
    return path


def _made_from_damaged(longer: Path, tmp_path: Path, share: tuple[float, float], seed: int) -> Any:
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked

    folder, out = case_folder(tmp_path / "case", longer), tmp_path / "out"
    damaged_middle(longer, folder / "a.mp4", share, seed)
    config = tmp_path / "c.toml"
    config.write_text(PLAIN)
    return run_case(
        folder, out, load_options(None, config), Asked(approve="AB", looked="AB"),
        catalogue=tmp_path / "c.sqlite3",
    )  # fmt: skip


def _best_shift_s(run: Any, time_s: float) -> float:
    """By how much the clip is late at `time_s`: where its luma is nearest to the source's."""
    from pipeline.media.pictures import read_pictures
    from pipeline.media.probe import probe

    def shown(path: Path) -> dict[int, Any]:
        return {
            round(p.time_s * 25): p.planes()[0][60:180, 100:230].astype(float)
            for p in read_pictures(path, probe(path))
        }

    clip, source = shown(run.ending.released.path), shown(run.opened.sources[0].path)
    wanted = [round(time_s * 25) + k for k in range(5)]
    cost = {
        shift: np.mean([np.abs(clip[n] - source[n - shift]).mean() for n in wanted])
        for shift in range(-8, 21)
        if all(n in clip and n - shift in source for n in wanted)
    }
    return min(cost, key=cost.__getitem__) / 25


def _check_damaged(run: Any, share: tuple[float, float]) -> None:
    """The place is named, the length is as planned, what is not damaged is there."""
    from pipeline.media.pictures import read_pictures
    from pipeline.media.probe import probe

    told = [w for w in [*run.plan.warnings, *run.warnings] if "is damaged from" in w]
    length_s = run.plan.duration_s
    lost = [w for w in run.plan.warnings if "cannot be decoded and are left out" in w]
    assert all(" to " in w for w in told), told
    assert told or (share[0] == 0 and lost), run.plan.warnings
    # Garbage may look like a picture outside the body: such a cut is an edit, and told.
    cut_s = sum(e.stop_s - e.start_s for e in run.plan.edits if e.action == "cut")
    assert length_s + cut_s == pytest.approx(6.0, abs=0.06) or (share[0] == 0 and lost)
    assert run.ending.released is not None, run.withheld
    record = json.loads(run.ending.released.record.read_text())
    assert set(told) <= set(record["warnings"]), "the record does not tell of the damage"
    found = probe(run.ending.released.path)
    assert found.duration_s == pytest.approx(length_s, abs=0.06), "shorter than planned"
    times = [p.time_s for p in read_pictures(run.ending.released.path, found)]
    assert times[-1] == pytest.approx(length_s - 0.04, abs=0.06), "the end is missing"
    if cut_s:
        return
    # From the key frame after the damage on, and before it, every picture is there.
    first_s, next_s = 6 * share[0] - 0.2, np.ceil(6 * share[1]) + 0.05
    good = [t for t in times if t < first_s or t > next_s]
    assert len(good) >= 25 * (max(0.0, first_s) + max(0.0, length_s - next_s)) - 3
    # And at its own time: as the undamaged recording shows it there.
    if share[1] < 1:
        assert _best_shift_s(run, next_s + 0.3) == 0.0, "late or early after the damage"


def test_a_damaged_middle_is_reported_and_the_rest_is_made(longer: Path, tmp_path: Path) -> None:
    _check_damaged(_made_from_damaged(longer, tmp_path, (0.4, 0.55), 3), (0.4, 0.55))


@pytest.mark.slow
@pytest.mark.parametrize("share", [(0.2, 0.25), (0.55, 0.8), (0.9, 1.0), (0.0, 0.1)])
def test_damage_anywhere(longer: Path, tmp_path: Path, share: tuple[float, float]) -> None:
    _check_damaged(_made_from_damaged(longer, tmp_path, share, 11), share)


# ---------------------------------------------------------------- catalogue and clock


@pytest.mark.slow
def test_a_damaged_catalogue_stops_the_run_and_is_kept(bench: Bench) -> None:
    bench.catalogue.write_bytes(b"SQLite format 3\0" + os.urandom(5000))
    before = bench.catalogue.read_bytes()
    run = bench.run()
    error = json.loads(run["out"])["error"]
    assert run["code"] == 6 and "damaged" in error["what"] and "rebuild" in error["do"]
    copies = list(bench.folder.glob("catalogue.sqlite3.damaged*"))
    assert [c.read_bytes() for c in copies] == [before]
    assert bench.releases() == [] and bench.left_over() == []
    bench.catalogue.unlink()
    bench.check_rerun()


def test_a_locked_catalogue_stops_the_run_with_a_sentence(
    tiny: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.stages.recipe import run_case
    from pipeline.stages.values import Asked
    from pipeline.store import catalogue_file

    monkeypatch.setattr(catalogue_file, "_BUSY_S", 0.3)
    path = tmp_path / "c.sqlite3"
    Catalogue(path).close()
    config = tmp_path / "c.toml"
    config.write_text(PLAIN)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    folder, out = case_folder(tmp_path / "case", tiny), tmp_path / "out"
    with pytest.raises(OutputError, match="in use by another process"):
        run_case(folder, out, load_options(None, config), Asked(looked="AB"), catalogue=path)
    holder.execute("ROLLBACK")
    holder.close()
    assert not list((out / "releases").rglob("*.mp4"))
    assert not [p for p in out.rglob("*") if ".part-" in p.name]


LATER = "2091-05-01T12:00:00+00:00"


def _written_later(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A catalogue that was last written long after what the clock shows now."""
    from pipeline.store import catalogue

    with monkeypatch.context() as patch:
        patch.setattr(catalogue, "_now", lambda: LATER)
        with Catalogue(path) as known:
            known.note_consent("QM-0001", ["0" * 64], CaseConsent(scope="public"))


@pytest.mark.slow
def test_a_clock_set_back_does_not_revive_ended_consent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    today = datetime.date.today()
    consent = CaseConsent(scope="public", expires_on=today + datetime.timedelta(days=30))
    path = tmp_path / "c.sqlite3"
    with Catalogue(path) as known:
        assert known.consent_for(["1" * 64], "QM-2", consent).covers("public", today)
    _written_later(path, monkeypatch)
    with Catalogue(path) as known:
        found = known.consent_for(["1" * 64], "QM-2", consent)
        assert not found.covers("public", today), "ended before the catalogue was last written"
        # A consent that begins later is not brought forward by it either.
        begins = CaseConsent(scope="public", given_on=today + datetime.timedelta(days=1))
        assert not known.consent_for(["1" * 64], "QM-2", begins).covers("public", today)
        assert known.consent_for([], "QM-3", CaseConsent(scope="public")).covers("public", today)
        now = datetime.datetime.now(datetime.UTC)
        assert "2091-05-01" in (found.clock_warning(now) or "")
        assert found.clock_warning(datetime.datetime.fromisoformat(LATER)) is None


@pytest.mark.slow
def test_a_run_with_a_clock_set_back_says_so_and_keeps_the_order_of_releases(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    _written_later(bench.catalogue, monkeypatch)
    run = bench.run()
    value = json.loads(run["out"])
    assert run["code"] == 0 and any("clock" in w for w in value["warnings"]), value["warnings"]
    record = json.loads(Path(value["record"]).read_text())
    assert record["released_at"] >= LATER
    toml = bench.case / "case.toml"
    toml.write_text(toml.read_text() + "expires_on = 2090-01-01\n")
    run = bench.run()
    assert run["code"] == 4
    assert [w["code"] for w in json.loads(run["out"])["withheld"]] == ["consent"]
