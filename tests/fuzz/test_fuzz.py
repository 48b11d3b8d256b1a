"""Damaged, foreign and hostile files: no traceback, no hang, nothing outside --out, no network.

A part of the set runs by default, all of it with `-m slow`. Every run has limits of time and
memory of its own (`runner`); one that reaches them fails the test.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import socket
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

import damaged  # noqa: E402
from damaged import REFUSED, Damaged  # noqa: E402
from running import Runner  # noqa: E402

SEED = 20_260_311


@pytest.fixture(scope="module")
def runner(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Runner]:
    made = Runner(tmp_path_factory.mktemp("runs"))
    yield made
    made.close()


class Listener:
    """Somebody listening on this machine; counts whoever comes."""

    def __init__(self) -> None:
        self.calls = 0
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.address = f"http://127.0.0.1:{self._socket.getsockname()[1]}"
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        while True:
            try:
                call, _ = self._socket.accept()
            except OSError:
                return
            self.calls += 1
            call.close()

    def close(self) -> None:
        self._socket.close()


@pytest.fixture(scope="module")
def listener() -> Iterator[Listener]:
    made = Listener()
    with socket.create_connection(("127.0.0.1", int(made.address.rsplit(":", 1)[1]))):
        pass  # it does listen
    for _ in range(100):
        if made.calls:
            break
        threading.Event().wait(0.02)
    assert made.calls == 1
    made.calls = 0
    yield made
    made.close()


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory, listener: Listener) -> list[Damaged]:
    return damaged.write_all(tmp_path_factory.mktemp("damaged"), SEED, listener.address)


def state(folder: Path) -> dict[str, str]:
    """Every regular file below `folder` with a hash of its content."""
    return {
        str(p): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.is_symlink()
    }


def faults_of(run: Any, path: Path, codes: frozenset[int]) -> list[str]:
    """What is wrong with how a run ended; empty if nothing is."""
    faults = []
    if run["hung"]:
        faults.append(f"hung for {run['wall_s']} s")
    if run["code"] not in codes:
        faults.append(f"code {run['code']}: {run['out'][:300]} {run['err'][-300:]}")
    if "Traceback" in run["err"]:
        faults.append("traceback: " + run["err"][-300:])
    if run["code"] in (2, 3, 6):
        error = json.loads(run["out"])["error"]
        got = error["got"] or "unknown key" in error["what"] or "lacks" in error["what"]
        if not (error["what"] and got and error["do"]):
            faults.append(f"a message without what, got or do: {error}")
        said = " ".join(error.values())
        if str(path.parent) in said or (path.name in said and len(path.name) > 4):
            faults.append(f"a path in the message: {said}")
        if not all(c.isprintable() for c in said):
            faults.append(f"a control character in the message: {said!r}")
    return faults


def probed(runner: Runner, wanted: list[Damaged]) -> list[str]:
    found = []
    for item in wanted:
        run = runner("probe", "--", item.path, here=True, limit_s=60)
        codes = frozenset(0 if code == 4 else code for code in item.codes)
        found += [f"{item.path.name!a}: {fault}" for fault in faults_of(run, item.path, codes)]
        if run["peak_mb"] > 1500:
            found.append(f"{item.path.name!a}: {run['peak_mb']} MB")
    return found


def sources(files: list[Damaged]) -> Path:
    return files[0].path.parent.parent


def test_the_set_is_large_and_the_same_every_time(files: list[Damaged], tmp_path: Path) -> None:
    assert len(files) >= 300 and len({f.family for f in files}) >= 9
    (tmp_path / "again").mkdir()
    bases = {"mp4": sources(files) / "whole" / "base.mp4"}
    first = list(damaged._damage(bases, tmp_path, random.Random(4)))
    again = list(damaged._damage(bases, tmp_path / "again", random.Random(4)))
    assert [f.path.read_bytes() for f in first] == [f.path.read_bytes() for f in again]


def test_probe_of_a_part_of_the_set(
    runner: Runner, files: list[Damaged], listener: Listener
) -> None:
    """Every twelfth damaged file, and all that are no files or have odd names."""
    part = [f for n, f in enumerate(files) if n % 12 == 0 or f.family in ("node", "name")]
    heavy = ("same_again", "tiny_packets", "bomb", "index")
    part = [f for f in part if not any(word in f.path.name for word in heavy)]
    before = state(sources(files))
    assert probed(runner, part) == []
    assert listener.calls == 0, "somebody was called over the network"
    assert state(sources(files)) == before
    assert [p for place in runner.outside for p in place.rglob("*")] == []


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_probe_of_the_whole_set(runner: Runner, files: list[Damaged], listener: Listener) -> None:
    before = state(sources(files))
    assert probed(runner, files) == []
    assert listener.calls == 0, "somebody was called over the network"
    assert state(sources(files)) == before
    assert [p for place in runner.outside for p in place.rglob("*")] == []


def test_every_broken_case_file_is_refused(
    runner: Runner, files: list[Damaged], tmp_path: Path
) -> None:
    good = sources(files) / "whole" / "base.fast.mp4"
    found = []
    late = {"keep_beyond", "field_outside"}  # known only once the recording was measured
    for name, text in damaged.case_texts().items():
        folder = tmp_path / f"{name}_xq"
        folder.mkdir()
        shutil.copy(good, folder / "a.mp4")
        (folder / "case.toml").write_bytes(text)
        run = runner.make(folder)
        found += [f"{name}: {fault}" for fault in faults_of(run, folder, REFUSED)]
        if name not in late and run["cpu_s"] > 2:
            found.append(f"{name}: refused only after {run['cpu_s']} s")
    assert found == []


def test_case_files_that_are_no_files(runner: Runner, tmp_path: Path) -> None:
    found = []
    for name, make in {
        "device": lambda p: p.symlink_to("/dev/zero"),
        "pipe": os.mkfifo,
        "loop": lambda p: p.symlink_to(p),
        "dangling": lambda p: p.symlink_to(tmp_path / "nowhere"),
        "folder": lambda p: p.mkdir(),
    }.items():
        folder = tmp_path / f"{name}_xq"
        folder.mkdir()
        make(folder / "case.toml")  # type: ignore[operator]
        found += [f"{name}: {f}" for f in faults_of(runner.make(folder), folder, REFUSED)]
    assert found == []


def test_settings_that_are_no_settings(runner: Runner, tmp_path: Path) -> None:
    """The settings file: 2, whatever it is."""
    clip, found = tmp_path / "a.mp4", []
    clip.write_bytes(b"x")
    texts = {
        "broken": b"[mark\n", "no_text": b"\xff\xfe\x80", "deep": b"a = " + b"[" * 50_000,
        "number": b"[output]\ncrf = " + b"9" * 9000, "large": b"# " + b"x" * 3_000_000,
        "deep_tables": b"[" + b"a." * 20_000 + b"a]\n", "nan": b"[mark]\nsize_ratio = nan\n",
    }  # fmt: skip
    for name, text in texts.items():
        (tmp_path / name).write_bytes(text)
    (tmp_path / "device").symlink_to("/dev/zero")
    os.mkfifo(tmp_path / "pipe")
    for name in (*texts, "device", "pipe"):
        run = runner("--config", tmp_path / name, "make", "--out", runner.out, "--", clip)
        found += [f"{name}: {fault}" for fault in faults_of(run, tmp_path / name, frozenset({2}))]
    assert found == []


@pytest.mark.slow
def test_the_reader_is_stopped_where_a_file_makes_it_run_away(
    runner: Runner, files: list[Damaged]
) -> None:
    """An index of 178 million pictures in a few hundred bytes: the child has 3 GB, not the run."""
    path = next(f.path for f in files if "index_1" in f.path.name)
    assert path.stat().st_size < 10_000
    run = runner("probe", "--", path)
    assert faults_of(run, path, REFUSED) == []
    assert run["peak_mb"] < 400, "the run itself took the memory"


@pytest.mark.slow
def test_a_reader_that_hangs_or_crashes_is_an_input_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pipeline.errors import InputError
    from pipeline.media import guard

    path = tmp_path / "a.mp4"
    path.write_bytes(b"x" * 100)
    for body, limit_s in (
        ("import time; time.sleep(60)", 0.5),
        ("import os; os.kill(os.getpid(), 11)", 20.0),
        ("import resource as r; r.setrlimit(r.RLIMIT_CPU, (1, 2))\nwhile True: pass", 20.0),
        ("raise SystemExit(1)", 20.0),
    ):
        monkeypatch.setattr(guard, "_START", body)
        monkeypatch.setattr(guard, "PROBE_WALL_S", limit_s)
        with pytest.raises(InputError, match="crashes its reader"):
            guard.probe_apart(path)


@pytest.mark.slow
@pytest.mark.timeout(1500)
def test_make_of_what_a_look_lets_pass(
    runner: Runner, files: list[Damaged], listener: Listener
) -> None:
    """The other commands on files that are still readable, and on some of every family."""
    rng = random.Random(SEED)
    by_family: dict[str, list[Damaged]] = {}
    for item in files:
        by_family.setdefault(item.family, []).append(item)
    chosen = [item for family in by_family.values() for item in rng.sample(family, 1)]
    usable = [f for f in files if f.codes != REFUSED and f.family in ("flip", "patch", "cut")]
    chosen += rng.sample(usable, 6)
    words = ("same_again", "days", "again.mov", "negative.mkv", "tiny_packets", "huge_offsets")
    chosen += [f for f in files if any(word in f.path.name for word in words)]
    before, found = state(sources(files)), []
    for number, item in enumerate(dict.fromkeys(chosen)):
        more = ("--consent", "public", "--approve", "AB")
        if number % 9 == 8:
            run = runner.make(item.path, command="survey")
        elif number % 9 == 7:
            run = runner.make(item.path, "--from", "0", "--to", "0.4", *more, command="clip")
        elif number % 9 == 6:
            run = runner("--config", runner.config, "verify", "--", item.path)
        else:
            run = runner.make(item.path, *more)
        found += [f"{item.path.name!a}: {fault}" for fault in faults_of(run, item.path, item.codes)]
        if run["peak_mb"] > 1500:
            found.append(f"{item.path.name!a}: {run['peak_mb']} MB")
    assert found == []
    assert listener.calls == 0
    assert state(sources(files)) == before
    assert [p for place in runner.outside for p in place.rglob("*")] == []
    assert [p for p in runner.out.rglob("*") if ".part-" in p.name] == []


