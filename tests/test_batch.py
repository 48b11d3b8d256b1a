"""A folder of cases in one command: finding, estimating, limits, resume, faults."""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import media_zoo
import pytest

from pipeline.batch import pool as pool_module
from pipeline.batch.board import Board
from pipeline.batch.estimate import (
    PLAINLY,
    Pace,
    Size,
    disk_mb,
    refuse_small_disk,
    size_of,
    size_text,
    time_text,
)
from pipeline.batch.find import Settled, look_through
from pipeline.batch.found import FoundCase
from pipeline.batch.locks import folder_lock, out_lock
from pipeline.batch.loose import name_loose
from pipeline.batch.pool import Doing, Pool, workers_and_memory
from pipeline.batch.request import Request
from pipeline.batch.run import Batch
from pipeline.errors import InputError, OutputError, UsageError
from pipeline.model.batch import BatchCase, BatchReport
from pipeline.model.options import BatchOptions, Options
from pipeline.model.pseudonym import CASE_PATTERN
from pipeline.settings import load_options
from pipeline.stages.intake import remembered_sha256
from pipeline.store.cache import Cache
from pipeline.store.catalogue import Catalogue
from pipeline.store.names import Names

ROOT = Path(__file__).resolve().parent.parent
RULE = BatchOptions().name_rule
PLAIN = "[anonymity]\nlettering = false\nfaces = false\n"


def toml(folder: Path, case: str, file: str = "a.mp4", content: bytes = b"x") -> Path:
    folder.mkdir(parents=True)
    (folder / file).write_bytes(content)
    (folder / "case.toml").write_text(f'case = "{case}"\n[[recording]]\nfiles = ["{file}"]\n')
    return folder


def names(found: list[FoundCase]) -> list[str]:
    return [one.case for one in found]


def find_cases(
    folder: Path, out: Path, rule: str, consent: Any = None, pattern: str = CASE_PATTERN
) -> list[FoundCase]:
    """The cases of a folder, the loose ones named, as a batch takes them."""
    given = Names(out)
    found = look_through(folder, out, rule, consent, names=given, case_pattern=pattern).cases
    return [
        name_loose(one, consent, given, remembered_sha256) if one.toml is None else one
        for one in found
    ]


# --- finding cases ----------------------------------------------------------------------


def test_cases_at_any_depth(tmp_path: Path) -> None:
    day = tmp_path / "day"
    toml(day / "b", "QM-0002")
    toml(day / "a" / "deep" / "er", "QM-0001")
    toml(day / "b" / "inner", "QM-0003")
    (day / "b" / "sub").mkdir()
    (day / "b" / "sub" / "other.mp4").write_bytes(b"x")  # belongs to the case above it
    assert names(find_cases(day, tmp_path / "out", RULE)) == ["QM-0001", "QM-0002", "QM-0003"]


def test_what_is_not_looked_into(tmp_path: Path) -> None:
    day = tmp_path / "day"
    toml(day / "a", "QM-0001")
    out = day / "out"
    toml(out / "private" / "QM-0009", "QM-0009")
    old = day / "clips of last week"
    (old / "private").mkdir(parents=True)
    (old / "releases" / "QM-0005").mkdir(parents=True)
    (old / "releases" / "QM-0005" / "QM-0005-web-r1.mp4").write_bytes(b"x")
    toml(day / ".trash", "QM-0008")
    outside = toml(tmp_path / "elsewhere", "QM-0007")
    (day / "link").symlink_to(outside)
    (day / "REC1.mp4").symlink_to(outside / "a.mp4")
    (day / "loop").symlink_to(day)
    found = find_cases(day, out, RULE)
    assert names(found) == ["QM-0001"], "no clip, no hidden folder, no link out, no OUT"
    (day / "REC2.mp4").symlink_to(day / "a" / "a.mp4")
    assert len(find_cases(day, out, RULE)) == 2, "a link that stays inside counts"


def test_loose_recordings_are_grouped_by_their_names(tmp_path: Path) -> None:
    day = tmp_path / "day"
    day.mkdir()
    for name in ("HL-0142_left_10.mp4", "HL-0142_left_9.MP4", "HL-0142_right.mov",
                 "HL-0142_voice.wav", "HL-0143 2.mkv", "HL-0143 1.mkv", "notes.txt",
                 "Ivy Quill.mp4"):  # fmt: skip
        (day / name).write_bytes(b"x")
    found = {one.case: one for one in find_cases(day, tmp_path / "out", RULE, "teaching")}
    hashed = next(c for c in found if c.startswith("rec-"))
    assert set(found) == {"HL-0142", "HL-0143", hashed}
    one = found["HL-0142"]
    linked = dict(one.links)
    text = one.text
    left = re.search(r'files = \["(.*)", "(.*)"\]\nside = "left"', text)
    assert left is not None
    assert [linked[n].name for n in left.groups()] == ["HL-0142_left_9.MP4", "HL-0142_left_10.mp4"]
    assert linked["narration.wav"].name == "HL-0142_voice.wav"
    assert 'side = "right"' in text and 'scope = "teaching"' in text
    assert [p.name for p in found["HL-0143"].recordings] == ["HL-0143 1.mkv", "HL-0143 2.mkv"]
    assert "Ivy" not in found[hashed].text + hashed


def test_a_recording_is_named_by_its_content_alone(tmp_path: Path) -> None:
    """Recorders count anew each day: the same name is two cases, the same content is one."""
    for day, content in (("2026-03-02", b"x"), ("2026-03-03", b"y")):
        (tmp_path / "year" / day).mkdir(parents=True)
        (tmp_path / "year" / day / "REC001.mp4").write_bytes(content)
    year = names(find_cases(tmp_path / "year", tmp_path / "out", RULE))
    day = names(find_cases(tmp_path / "year" / "2026-03-02", tmp_path / "out", RULE))
    assert len(set(year)) == 2 and day == year[:1]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "Ivy Quill 1967-03-12.mp4").write_bytes(b"x")
    assert names(find_cases(tmp_path / "other", tmp_path / "elsewhere", RULE)) == day


def test_two_cases_of_one_name_are_both_refused(tmp_path: Path) -> None:
    toml(tmp_path / "day" / "a", "QM-0001")
    toml(tmp_path / "day" / "b", "qm-0001")
    toml(tmp_path / "day" / "c", "QM-0002")
    found = find_cases(tmp_path / "day", tmp_path / "out", RULE, pattern=r"[A-Za-z]{2}-\d{4}")
    assert [one.fault is not None for one in found] == [True, True, False]


def test_a_bad_case_toml_is_a_faulty_case_without_its_words(tmp_path: Path) -> None:
    (tmp_path / "day" / "Ivy Quill").mkdir(parents=True)
    (tmp_path / "day" / "Ivy Quill" / "case.toml").write_text('case = "Ivy Quill!"\n')
    (one,) = find_cases(tmp_path / "day", tmp_path / "out", RULE)
    assert isinstance(one.fault, InputError)
    assert "Ivy" not in one.case + str(one.fault)


def test_own_naming_rule(tmp_path: Path) -> None:
    day = tmp_path / "day"
    day.mkdir()
    for name in ("s7k12-01.mp4", "s7k12-02.mp4", "s7k13-01.mp4"):
        (day / name).write_bytes(b"x")
    rule = r"(?P<case>s\d+k\d+)-(?P<part>\d+)"
    found = find_cases(day, tmp_path / "out", rule, pattern=r"s\d+k\d+")
    assert names(found) == ["s7k12", "s7k13"]
    assert all(n.startswith("rec-") for n in names(find_cases(day, tmp_path / "out", rule)))


@pytest.mark.parametrize("rule", ["(?P<case>", "[A-Z]+"])
def test_a_bad_naming_rule_is_a_fault_of_the_settings(tmp_path: Path, rule: str) -> None:
    config = tmp_path / "c.toml"
    config.write_text(f"[batch]\nname_rule = '{rule}'\n")
    with pytest.raises(UsageError, match="name_rule"):
        load_options("web", config)


def test_in_and_out_may_not_be_one(tmp_path: Path) -> None:
    toml(tmp_path / "day" / "a", "QM-0001")
    for out in (tmp_path / "day", tmp_path):
        with pytest.raises(InputError, match="inside the output"):
            find_cases(tmp_path / "day", out, RULE)
    with pytest.raises(InputError, match="not found"):
        find_cases(tmp_path / "nowhere", tmp_path / "out", RULE)


# --- watching ---------------------------------------------------------------------------


def test_a_recording_is_taken_when_it_has_stopped_growing(tmp_path: Path) -> None:
    day = toml(tmp_path / "day", "QM-0001")
    settled = Settled(60)

    def ready(now_s: float) -> list[str]:
        return names(settled.ready(find_cases(tmp_path / "day", tmp_path / "out", RULE), now_s))

    assert ready(0) == []
    assert ready(59) == []
    (day / "a.mp4").write_bytes(b"grown")
    assert ready(61) == [], "it grew, so the wait begins anew"
    assert ready(120) == []
    assert ready(121) == ["QM-0001"]
    assert ready(500) == [], "given out once"
    (day / "case.toml").write_text((day / "case.toml").read_text() + 'title = "Late"\n')
    assert ready(501) == []
    # A change makes it a new case, also one of the case.toml alone. (The line is no title.)
    assert ready(562) == ["QM-0001"]


def test_a_case_whose_recordings_are_still_missing_waits(tmp_path: Path) -> None:
    day = toml(tmp_path / "day", "QM-0001")
    (day / "a.mp4").unlink()
    settled = Settled(10)
    for now_s in (0.0, 20.0, 1000.0):
        assert settled.ready(find_cases(tmp_path / "day", tmp_path / "o", RULE), now_s) == []
    (day / "a.mp4").write_bytes(b"x")
    assert settled.ready(find_cases(tmp_path / "day", tmp_path / "o", RULE), 1001) == []
    assert len(settled.ready(find_cases(tmp_path / "day", tmp_path / "o", RULE), 1011)) == 1


# --- estimates --------------------------------------------------------------------------


def test_estimate_follows_what_was_measured() -> None:
    size = Size(length_s=600, load_s=600, source_mb=300)
    assert Pace([]).cpu_s(size) == pytest.approx(8 + 125 * 10)
    fast = Pace([(100, 108.0), (200, 208.0), (300, 308.0)])
    assert fast.cpu_s(size) == pytest.approx(608)
    assert Pace([(100, 108.0)]).cpu_per_load == Pace([]).cpu_per_load, "one case is no measure"
    assert fast.wall_s([size] * 8, 2, 2) == pytest.approx(8 * 608 / 2)
    assert fast.wall_s([size], 2, 2) == pytest.approx(608 / 1.6), "one case alone"
    assert fast.wall_s([], 2, 2) == 0


def test_disk_for_all_clips_and_the_largest_at_work() -> None:
    small, large = Size(60, 60, 10), Size(600, 600, 100)
    one, two = disk_mb([small, large], 1), disk_mb([small, large], 2)
    assert two - one == pytest.approx(small.work_mb)
    assert one == pytest.approx(small.clip_mb + large.clip_mb + large.work_mb)


def test_a_disk_that_is_plainly_too_small() -> None:
    refuse_small_disk(1000, 1000 * PLAINLY + 501, 500)
    with pytest.raises(OutputError) as caught:
        refuse_small_disk(1000, 1000 * PLAINLY + 499, 500)
    assert caught.value.exit_code == 6
    assert "1.0 GB needed" in str(caught.value) and "500 MB to stay free" in str(caught.value)
    refuse_small_disk(0, 0, 500)  # nothing to make


def test_size_from_the_header(scope_clip: media_zoo.Clip) -> None:
    size = size_of([scope_clip.path, scope_clip.path.with_name("missing.mp4")])
    assert size.length_s == pytest.approx(4.0, abs=0.1)
    assert size.load_s == pytest.approx(4 * 320 * 240 * 25 / (1920 * 1080 * 30), rel=0.05)
    assert size.source_mb == pytest.approx(scope_clip.path.stat().st_size / 1e6)


def test_lengths_for_people() -> None:
    assert [time_text(s) for s in (40, 720, 12000, 187200)] == ["40 s", "12 min", "3 h 20 min",
                                                               "2 d 4 h"]  # fmt: skip
    assert [size_text(m) for m in (12, 1200, 2.5e6)] == ["12 MB", "1.2 GB", "2.5 TB"]


def test_workers_by_cores_and_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pool_module, "cores", lambda: 8)
    monkeypatch.setattr(pool_module, "free_memory_mb", lambda: 4000.0)
    assert workers_and_memory(None, 0)[0] == 4, "four of 700 MB fit into 3200 MB"
    assert workers_and_memory(None, 3000) == (1, 3000.0)
    assert workers_and_memory(6, 0)[0] == 6
    monkeypatch.setattr(pool_module, "free_memory_mb", lambda: 300.0)
    assert workers_and_memory(None, 0)[0] == 1
    monkeypatch.setattr(pool_module, "free_memory_mb", lambda: 1e6)
    assert workers_and_memory(None, 0)[0] == 8


# --- the pool of workers ----------------------------------------------------------------


@pytest.fixture
def play(monkeypatch: pytest.MonkeyPatch) -> Callable[[str], None]:
    """Makes the next workers run these lines instead of the program."""

    def use(lines: str) -> None:
        code = (
            "import json, sys, time, os, signal, subprocess\n"
            "job = json.loads(sys.stdin.readline())\n"
            "def say(**v): print(json.dumps(v), flush=True)\n" + textwrap.dedent(lines)
        )
        monkeypatch.setattr(pool_module, "command", lambda: [sys.executable, "-c", code])

    return use


def one_answer(pool: Pool, limit_s: float = 20) -> dict[str, Any]:
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        for _, answer in pool.poll(0.2):
            return answer
    raise AssertionError("the worker was not ended")


def test_an_answer_and_its_progress(play: Callable[[str], None], tmp_path: Path) -> None:
    play("""
        say(stage="render", share=0.5)
        time.sleep(1)
        say(answer={"state": "released", "case": job["case"]})
    """)
    pool = Pool(1, 1000, 60, 60)
    pool.start("QM-0001", {"case": "QM-0001", "out": str(tmp_path)})
    assert not pool.room()
    pool.poll(0.6)
    assert pool.doing()["QM-0001"].stage == "render"
    answer = one_answer(pool)
    assert answer["state"] == "released" and answer["case"] == "QM-0001"
    assert 0.9 < answer["wall_s"] < 10 and pool.room()


def test_memory_of_a_worker_counts_its_children(
    play: Callable[[str], None], tmp_path: Path
) -> None:
    play("""
        child = "x = bytearray(200_000_000); x[::4096] = b'1' * len(x[::4096]);"
        child += "import time; time.sleep(60)"
        p = subprocess.Popen([sys.executable, "-c", child])
        say(stage="child", share=p.pid)
        time.sleep(60)
    """)
    pool = Pool(1, 150, 60, 60)
    pool.start("QM-0001", {"case": "QM-0001", "out": str(tmp_path)})
    answer = one_answer(pool)
    assert answer["state"] == "failed" and "memory" in answer["error"]["what"]
    assert answer["peak_mb"] > 150


def test_a_child_does_not_outlive_its_worker(play: Callable[[str], None], tmp_path: Path) -> None:
    play("""
        p = subprocess.Popen(["sleep", "60"])
        open(job["out"] + "/pid", "w").write(str(p.pid))
        os.kill(os.getpid(), signal.SIGKILL)
    """)
    pool = Pool(1, 1000, 60, 60)
    pool.start("QM-0001", {"case": "QM-0001", "out": str(tmp_path)})
    answer = one_answer(pool)
    assert answer["died"] and "signal 9" in answer["error"]["got"]
    pid = int((tmp_path / "pid").read_text())
    assert gone(pid), "its child runs on"


def gone(pid: int, limit_s: float = 5) -> bool:
    until = time.monotonic() + limit_s
    while time.monotonic() < until:
        try:
            state = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]
        except OSError:
            return True
        if state == "Z":
            return True
        time.sleep(0.05)
    return False


@pytest.mark.parametrize(
    ("lines", "what"),
    [
        ("time.sleep(60)", "stood still"),
        ("while True: pass", "reported nothing"),
    ],
)
def test_a_worker_that_hangs_is_ended(
    play: Callable[[str], None], tmp_path: Path, lines: str, what: str
) -> None:
    """One that computes without a word is given longer than one that does nothing."""
    play(lines)
    pool = Pool(1, 1000, 1.5, 4)
    pool.start("QM-0001", {"case": "QM-0001", "out": str(tmp_path)})
    assert what in one_answer(pool)["error"]["what"]


def test_a_worker_that_dies_without_a_word(play: Callable[[str], None], tmp_path: Path) -> None:
    play("sys.exit(3)")
    pool = Pool(1, 1000, 60, 60)
    pool.start("QM-0001", {"case": "QM-0001", "out": str(tmp_path)})
    answer = one_answer(pool)
    assert answer["state"] == "failed" and "code 3" in answer["error"]["got"]


# --- the batch with workers that only pretend -------------------------------------------


class Actor:
    """A runner that gives the answers it was told, one at a time."""

    def __init__(self, answers: dict[str, Any], interrupt_after: int | None = None) -> None:
        self.answers, self.interrupt_after = answers, interrupt_after
        self.given: list[str] = []
        self.now: list[str] = []
        self.stopped = False

    def room(self) -> bool:
        return len(self.now) < 2

    def start(self, key: str, job: dict[str, Any]) -> None:
        self.given.append(key)
        self.now.append(key)

    def poll(self, wait_s: float) -> list[tuple[str, dict[str, Any]]]:
        if self.interrupt_after is not None and len(self.given) > self.interrupt_after:
            raise KeyboardInterrupt
        if not self.now:
            time.sleep(min(wait_s, 0.05))
            return []
        key = self.now.pop(0)
        return [(key, {"inputs": f"of {key}", "cpu_s": 1.0, **self.answers[key]})]

    def doing(self) -> dict[str, Doing]:
        return {key: Doing("render", 0.5) for key in self.now}

    def stop(self) -> None:
        self.stopped = True

    def describe(self) -> str:
        return "pretended"


def day_of(tmp_path: Path, *cases: str) -> Path:
    for case in cases:
        toml(tmp_path / "day" / case, case, content=case.encode())
    return tmp_path / "day"


def play_batch(tmp_path: Path, actor: Actor, **more: Any) -> BatchReport:
    request = Request(
        tmp_path / "day", tmp_path / "out", more.pop("options", Options()),
        catalogue=tmp_path / "c.sqlite3", **more,
    )  # fmt: skip
    (tmp_path / "out").mkdir(exist_ok=True)
    return Batch(request, Board(quiet=True), actor).run()


RELEASED = {"state": "released", "release": "releases/x/x-web-r1.mp4"}
WITHHELD = {"state": "withheld", "withheld": [{"code": "consent", "message": "no consent"}]}
FAILED = {"state": "failed", "error": {"what": "A file is cut short", "got": "", "do": "copy it"}}


def test_one_bad_case_never_stops_the_others(tmp_path: Path) -> None:
    day_of(tmp_path, "QM-0001", "QM-0002", "QM-0003")
    (tmp_path / "day" / "bad").mkdir()
    (tmp_path / "day" / "bad" / "case.toml").write_text("case = ")
    actor = Actor({"QM-0001": FAILED, "QM-0002": WITHHELD, "QM-0003": RELEASED})
    report = play_batch(tmp_path, actor)
    states = {c.case: c.state for c in report.cases}
    assert states.pop(next(c for c in states if c.startswith("case-"))) == "failed"
    assert states == {"QM-0001": "failed", "QM-0002": "withheld", "QM-0003": "released"}
    written = BatchReport.model_validate_json((tmp_path / "out" / "batch.json").read_text())
    assert written.ended_at and written.cases == report.cases and not written.interrupted
    page = (tmp_path / "out" / "batch.html").read_text()
    assert "no consent" in page and "A file is cut short" in page and str(tmp_path) not in page
    assert page.index("A file is cut short") < page.index("no consent") < page.index("x-web-r1.mp4")
    assert str(tmp_path) not in written.to_json() and "a.mp4" not in written.to_json()


def test_an_interrupted_batch_says_what_was_not_done(tmp_path: Path) -> None:
    cases = [f"QM-000{n}" for n in range(1, 7)]
    day_of(tmp_path, *cases)
    actor = Actor(dict.fromkeys(cases, RELEASED), interrupt_after=3)
    report = play_batch(tmp_path, actor)
    assert actor.stopped and report.interrupted
    assert report.count("released") == 2 and report.count("stopped") == 4
    written = BatchReport.model_validate_json((tmp_path / "out" / "batch.json").read_text())
    assert written.interrupted and written.count("stopped") == 4


def inputs_of(tmp_path: Path, options: Options | None = None) -> str:
    """What the batch itself finds for the only case; its worker finds the same."""
    request = Request(
        tmp_path / "day", tmp_path / "out", options or Options(), catalogue=tmp_path / "c.sqlite3"
    )
    batch = Batch(request, Board(quiet=True), Actor({}))
    with Catalogue(tmp_path / "c.sqlite3") as catalogue:
        batch._plan(catalogue)
    assert re.fullmatch("[0-9a-f]{64}", batch.waiting[0].inputs)
    return batch.waiting[0].inputs


def test_what_was_withheld_is_not_made_again_until_something_changes(tmp_path: Path) -> None:
    day_of(tmp_path, "QM-0001")
    inputs = inputs_of(tmp_path)
    play_batch(tmp_path, Actor({"QM-0001": WITHHELD | {"inputs": inputs}}))
    again = Actor({})
    report = play_batch(tmp_path, again)
    assert again.given == [] and report.cases[0].unchanged
    assert report.cases[0].state == "withheld"
    assert report.cases[0].withheld[0].message == "no consent", "the reason is said again"
    for change in ("recording", "case.toml", "setting", "initials", "decisions"):
        options, more = Options(), {}
        folder = tmp_path / "day" / "QM-0001"
        kept = (folder / "a.mp4").read_bytes(), (folder / "case.toml").read_text()
        private = tmp_path / "out" / "private" / "QM-0001"
        if change == "recording":
            (folder / "a.mp4").write_bytes(b"other")
        elif change == "case.toml":
            (folder / "case.toml").write_text('title = "New"\n' + kept[1])
        elif change == "setting":
            options.mark.text = "OTHER"
        elif change == "initials":
            more = {"approve": "AB"}
        else:
            private.mkdir(parents=True, exist_ok=True)
            (private / "decisions.json").write_text(
                '{"schema": "fieldstop.decisions/1", "case": "QM-0001", "entries": []}'
            )
        actor = Actor({"QM-0001": WITHHELD})
        play_batch(tmp_path, actor, options=options, **more)
        assert actor.given == ["QM-0001"], change
        (folder / "a.mp4").write_bytes(kept[0])
        (folder / "case.toml").write_text(kept[1])
        (private / "decisions.json").unlink(missing_ok=True)
        play_batch(tmp_path, Actor({"QM-0001": WITHHELD | {"inputs": inputs}}))


def test_the_machine_is_no_input(tmp_path: Path) -> None:
    day_of(tmp_path, "QM-0001")
    found = []
    for threads in (1, 2):
        options = Options()
        options.machine.threads, options.batch.retries = threads, threads
        found.append(inputs_of(tmp_path, options))
    assert found[0] == found[1] != ""


def test_a_full_disk_fails_the_case_before_it_is_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day_of(tmp_path, "QM-0001", "QM-0002")
    free = iter([1e6, 1e6, 10.0])  # at the estimate, before the first, before the second
    for module in ("run", "estimate"):
        monkeypatch.setattr(f"pipeline.batch.{module}.free_mb", lambda _: next(free))
    actor = Actor({"QM-0001": RELEASED})
    report = play_batch(tmp_path, actor)
    assert actor.given == ["QM-0001"]
    assert report.cases[1].error is not None and "too little space" in report.cases[1].error.what


def test_the_disk_is_looked_at_before_anything_is_begun(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day_of(tmp_path, "QM-0001")
    monkeypatch.setattr("pipeline.batch.estimate.free_mb", lambda _: 10.0)
    actor = Actor({})
    with pytest.raises(OutputError, match="too little space"):
        play_batch(tmp_path, actor)
    assert actor.given == []


def test_watch_takes_new_recordings_and_ends_at_ctrl_c(tmp_path: Path) -> None:
    """Idle at Ctrl-C: an end as meant, not an interruption."""
    options = Options()
    options.batch.settle_s = options.batch.scan_every_s = 0.2
    day_of(tmp_path, "QM-0001")

    class Day(Actor):
        def poll(self, wait_s: float) -> list[tuple[str, dict[str, Any]]]:
            if self.given == ["QM-0001"] and not (tmp_path / "day" / "QM-0002").exists():
                day_of(tmp_path, "QM-0002")
            if self.given == ["QM-0001", "QM-0002"] and not self.now:
                raise KeyboardInterrupt
            assert time.monotonic() - begun < 20, self.given
            return super().poll(wait_s)

    begun = time.monotonic()
    actor = Day({"QM-0001": RELEASED, "QM-0002": FAILED})
    report = play_batch(tmp_path, actor, options=options, watch=True)
    assert not report.interrupted
    assert [c.state for c in report.cases] == ["released", "failed"]


def test_a_new_program_looks_again_at_what_was_withheld(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day_of(tmp_path, "QM-0001")
    withheld = WITHHELD | {"inputs": inputs_of(tmp_path)}
    play_batch(tmp_path, Actor({"QM-0001": withheld}))
    actor = Actor({})
    play_batch(tmp_path, actor)
    assert actor.given == []
    monkeypatch.setattr("pipeline.batch.run.__version__", "99.0")
    actor = Actor({"QM-0001": WITHHELD})
    play_batch(tmp_path, actor)
    assert actor.given == ["QM-0001"]


def test_the_catalogue_is_copied_before_a_batch(tmp_path: Path) -> None:
    day_of(tmp_path, "QM-0001")
    play_batch(tmp_path, Actor({"QM-0001": RELEASED}))
    copy = tmp_path / "c.sqlite3.backup"
    assert copy.is_file() and copy.stat().st_mode & 0o777 == 0o600
    first = copy.stat().st_mtime_ns
    play_batch(tmp_path, Actor({"QM-0001": RELEASED}))
    assert copy.stat().st_mtime_ns == first, "once a day is enough"
    os.utime(copy, (0, 0))
    play_batch(tmp_path, Actor({"QM-0001": RELEASED}))
    with Catalogue(copy) as kept:
        assert kept.batch_note(
            Batch(Request(tmp_path / "day", tmp_path / "out", Options()), Board(True)).place,
            "QM-0001", "web",
        )  # fmt: skip


def test_a_catalogue_that_is_busy_and_a_share_that_goes_away(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both are said, and neither ends the batch."""
    options = Options()
    options.batch.settle_s = options.batch.scan_every_s = 0.2
    day_of(tmp_path, "QM-0001")

    def busy(*_: Any) -> None:
        raise OutputError("The catalogue is in use by another process", "", "wait")

    monkeypatch.setattr(Catalogue, "note_batch", busy)

    class Away(Actor):
        gone = 0

        def poll(self, wait_s: float) -> list[tuple[str, dict[str, Any]]]:
            assert time.monotonic() - begun < 20
            if self.given == ["QM-0001"] and not self.now:
                if self.gone == 0:
                    (tmp_path / "day").rename(tmp_path / "away")
                self.gone += 1
                if self.gone == 15:
                    (tmp_path / "away").rename(tmp_path / "day")
                    day_of(tmp_path, "QM-0002")
            if len(self.given) == 2 and not self.now:
                raise KeyboardInterrupt
            return super().poll(wait_s)

    begun = time.monotonic()
    actor = Away({"QM-0001": RELEASED, "QM-0002": RELEASED})
    request = Request(tmp_path / "day", tmp_path / "out", options, watch=True,
                      catalogue=tmp_path / "c.sqlite3")  # fmt: skip
    (tmp_path / "out").mkdir()
    report = Batch(request, Board(), actor).run()
    assert report.count("released") == 2 and not report.interrupted
    said = capsys.readouterr().err
    assert said.count("was not found") == 1 and said.count("in use by another") == 1


def test_the_live_table_on_a_terminal() -> None:
    """On a terminal: a table with what is at work, and when it will be done."""
    import io

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    shown = Terminal()
    board = Board(stream=shown)
    rows = [BatchCase(case=f"QM-000{n}", length_s=60) for n in range(3)]
    for row in rows:
        board.listed(row)
    board.begun(rows[0])
    board.doing("QM-0000", Doing("render", 0.5, 321.0))
    board._begun_s -= 30
    board.refresh()
    rows[0].state = "released"
    board.ended(rows[0])
    board.close()
    text = shown.getvalue()
    assert "render" in text and "50%" in text and "321" in text and "QM-0002" in text
    assert "left (until" in text and "QM-0000: released" in text


def test_time_left_follows_what_was_done() -> None:
    board = Board(quiet=True)
    rows = [BatchCase(case=f"QM-000{n}", length_s=92) for n in range(4)]
    for row in rows:
        board.listed(row)
    assert board.left_s() is None
    board._begun_s -= 100
    rows[0].state = "released"
    board.ended(rows[0])
    assert board.left_s() == pytest.approx(300, rel=0.01), "three more of what took 100 s"
    board.begun(rows[1])
    board.doing("QM-0001", Doing("verify", 1.0))
    assert board.left_s() == pytest.approx(100, rel=0.01)
    for row in rows:
        row.state = "released"
    assert board.left_s() is None


# --- two at once ------------------------------------------------------------------------


@contextlib.contextmanager
def held(lock: str, path: Path) -> Iterator[None]:
    """Another process holds that lock."""
    code = (
        f"import time; from pathlib import Path; from pipeline.batch.locks import {lock}\n"
        f"with {lock}(Path({str(path)!r})): print('held', flush=True); time.sleep(60)"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    try:
        assert process.stdout is not None and process.stdout.readline() == "held\n"
        yield
    finally:
        process.kill()
        process.wait()


def test_the_second_batch_on_a_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    before = sorted(p for p in (tmp_path / "day").rglob("*"))
    with held("folder_lock", tmp_path / "day"):
        with pytest.raises(OutputError, match="works on this folder"), folder_lock(
            tmp_path / "day"
        ):
            pass
        assert sorted((tmp_path / "day").rglob("*")) == before, "nothing is written there"
    with folder_lock(tmp_path / "day"):
        pass  # the other was killed: its lock is gone


def test_the_second_batch_on_an_output_is_refused(tmp_path: Path) -> None:
    with held("out_lock", tmp_path / "out"), pytest.raises(
        OutputError, match=r"process \d+"
    ), out_lock(tmp_path / "out"):
        pass
    with out_lock(tmp_path / "out"):
        pass


# --- the whole program ------------------------------------------------------------------


class Shell:
    """Runs `fieldstop batch` as a person would, in a process of its own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.catalogue = folder / "catalogue.sqlite3"
        self.config = folder / "config.toml"

    def command(self, *arguments: str | Path, config: str = "") -> list[str]:
        self.config.write_text(PLAIN + config)
        return [sys.executable, "-m", "pipeline.cli", "--json", "--config", str(self.config),
                "--catalogue", str(self.catalogue), *map(str, arguments)]  # fmt: skip

    def start(self, *arguments: str | Path, config: str = "") -> subprocess.Popen[str]:
        return subprocess.Popen(
            self.command(*arguments, config=config), stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, text=True, cwd=ROOT,
        )  # fmt: skip

    def __call__(self, *arguments: str | Path, config: str = "") -> tuple[int, dict[str, Any], str]:
        process = self.start(*arguments, config=config)
        out, said = process.communicate(timeout=230)
        assert "Traceback" not in said, said
        assert len(out.splitlines()) <= 1, "more than one object"
        return process.returncode, json.loads(out) if out.strip() else {}, said


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


@pytest.fixture(scope="session")
def recording(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("batch") / "recording.mp4"
    return media_zoo.scope_clip(path, 5.0, size=(480, 360), seed=5, audio="noise").path


def case_of(day: Path, name: str, recording: Path, scope: str = "public", **more: Any) -> Path:
    folder = day / name
    folder.mkdir(parents=True)
    shutil.copy(recording, folder / "x.mp4")
    # Another content for each: consent is bound to it.
    with (folder / "x.mp4").open("ab") as file:
        file.write(len(name).to_bytes(4) + b"free" + name.encode())
    media_zoo.write_case(folder, [folder / "x.mp4"], case=name, scope=scope, **more)
    return folder


def leftovers(out: Path) -> list[str]:
    return [str(p) for p in out.rglob("*") if ".part-" in p.name]


def releases(out: Path) -> list[str]:
    return sorted(p.name for p in (out / "releases").rglob("*.mp4"))


def test_a_day_and_the_same_day_again(fieldstop: Shell, recording: Path, tmp_path: Path) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    case_of(day, "QM-0001", recording)
    (day / "QM-0002").mkdir()
    (day / "QM-0002" / "x.mp4").write_bytes(b"no recording")
    media_zoo.write_case(day / "QM-0002", [day / "QM-0002" / "x.mp4"], case="QM-0002")
    before = {p: p.read_bytes() for p in day.rglob("*") if p.is_file()}

    code, value, said = fieldstop("batch", "--looked", "AB", day, "--out", out, "--dry-run")
    assert code == 5 and not out.exists() and not fieldstop.catalogue.exists()
    assert value["dry_run"] and value["estimate"]["cases"] == 1 and "estimate:" in said
    assert value["file"] is None

    code, value, said = fieldstop("batch", "--looked", "AB", day, "--out", out)
    assert code == 5, value
    assert value["counts"]["released"] == 1 and value["counts"]["failed"] == 1
    good, bad = value["cases"]
    assert (out / good["release"]).is_file() and good["cpu_s"] > 0 and good["peak_mb"] > 50
    assert bad["error"]["what"] and bad["error"]["do"]
    assert "QM-0001: released" in said and "QM-0002: failed" in said
    assert leftovers(out) == []
    assert {p: p.read_bytes() for p in day.rglob("*") if p.is_file()} == before
    for path in (out / "batch.json", out / "batch.html"):
        text = path.read_text()
        assert str(tmp_path) not in text and "x.mp4" not in text

    shutil.rmtree(day / "QM-0002")
    code, value, said = fieldstop("batch", "--looked", "AB", day, "--out", out)
    assert code == 0 and value["unchanged"] == 1 and value["estimate"]["cases"] == 0
    assert releases(out) == ["QM-0001-web-r1.mp4"], "not released again"
    (again,) = value["cases"]
    assert again["length_s"] == good["length_s"] == pytest.approx(5, abs=0.1), "the recording's"
    assert again["clip_s"] == pytest.approx(good["clip_s"], abs=0.05), "the clip's"


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["batch"], 2),
        (["batch", "nowhere", "--out", "o"], 3),
        (["batch", ".", "--out", "o", "--jobs", "0"], 2),
        (["batch", ".", "--out", "o", "--jobs", "2", "--scheduler", "tcp://x:1"], 2),
    ],
)
def test_wrong_calls(fieldstop: Shell, arguments: list[str], code: int, tmp_path: Path) -> None:
    process = subprocess.run(
        fieldstop.command(*arguments), capture_output=True, text=True, cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert process.returncode == code and process.stderr.startswith("fieldstop: ")
    assert json.loads(process.stdout)["error"]["what"]
    assert not (tmp_path / "o" / "releases").exists()


def test_a_folder_without_cases(fieldstop: Shell, tmp_path: Path) -> None:
    (tmp_path / "day").mkdir()
    code, value, _ = fieldstop("batch", tmp_path / "day", "--out", tmp_path / "out")
    assert code == 3 and "no cases" in value["error"]["what"]


def test_a_damaged_catalogue_stops_the_batch_and_is_kept(fieldstop: Shell, tmp_path: Path) -> None:
    day_of(tmp_path, "QM-0001")
    damage = b"SQLite format 3\x00" + b"\xff" * 5000
    fieldstop.catalogue.write_bytes(damage)
    code, value, _ = fieldstop("batch", tmp_path / "day", "--out", tmp_path / "out")
    assert code == 6 and "damaged" in value["error"]["what"] and "backup" in value["error"]["do"]
    assert fieldstop.catalogue.read_bytes() == damage
    assert fieldstop.catalogue.with_name("catalogue.sqlite3.damaged").read_bytes() == damage
    assert not fieldstop.catalogue.with_name("catalogue.sqlite3.backup").exists()
    assert not (tmp_path / "out" / "releases").exists()


# --- faults -----------------------------------------------------------------------------


def tree(root: int) -> dict[int, str]:
    """Command lines of a process and all below it."""
    found, stack = {}, [root]
    while stack:
        pid = stack.pop()
        try:
            line = Path(f"/proc/{pid}/cmdline").read_bytes().replace(b"\0", b" ").decode()
            for task in Path(f"/proc/{pid}/task").iterdir():
                stack += [int(c) for c in (task / "children").read_text().split()]
        except OSError:
            continue
        found[pid] = line
    return found


def victim(kind: str, root: int, chance: random.Random) -> int | None:
    """A process of that kind below `root`, or None if there is none now."""
    everyone = tree(root)
    if kind == "parent":
        return root
    wanted = "pipeline.batch.worker" if kind == "worker" else "ffmpeg"
    found = [p for p, line in everyone.items() if wanted in line.split(" -i ")[0] and p != root]
    return chance.choice(sorted(found)) if found else None


def whole(out: Path) -> list[str]:
    """Names of the releases; each is the file that its sheet and its record speak of."""
    import hashlib

    for sheet in (out / "releases").rglob("*.sheet.json"):
        value = json.loads(sheet.read_text())
        path = sheet.with_name(value["file"])
        assert hashlib.sha256(path.read_bytes()).hexdigest() == value["sha256"], path.name
        name = path.name.replace(".mp4", ".release.json")
        record = json.loads((out / "private" / value["case"] / name).read_text())
        assert record["sheet"]["sha256"] == value["sha256"]
    return releases(out)


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_kill_at_random_moments(fieldstop: Shell, recording: Path, tmp_path: Path) -> None:
    """kill -9 of worker, parent and encoder: the same command then completes, once."""
    chance = random.Random(20260302)
    day, out = tmp_path / "day", tmp_path / "out"
    for name in ("QM-0001", "QM-0002"):
        case_of(day, name, recording)
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in day.rglob("*") if p.is_file()}
    begun = time.monotonic()
    code, told, said = fieldstop("batch", "--looked", "AB", day, "--out", out, "--jobs", "2")
    usual_s = time.monotonic() - begun
    assert code == 0, told
    hit = dict.fromkeys(("worker", "parent", "encoder"), 0)
    for turn in range(6):
        kind = ("worker", "parent", "encoder")[turn % 3]
        config = f'[mark]\ntext = "Turn {turn}"\n'  # each turn must render anew
        process = fieldstop.start("batch", "--looked", "AB", day, "--out", out,
                                  "--jobs", "2", config=config)  # fmt: skip
        # The first run also surveyed: later ones are shorter.
        time.sleep(chance.uniform(0.1, 0.9) * usual_s * (0.2 if kind == "encoder" else 0.5))
        while process.poll() is None:
            target = victim(kind, process.pid, chance)
            if target is not None:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(target, signal.SIGKILL)
                    hit[kind] += 1
                break
            time.sleep(0.01)
        everyone = list(tree(process.pid)) if kind == "parent" else []
        out_text, said = process.communicate(timeout=120)
        assert "Traceback" not in said
        assert all(gone(pid) for pid in everyone), "a worker outlived the batch"
        if kind != "parent" and process.returncode == 5:
            value = json.loads(out_text)
            assert value["counts"]["failed"] == 1, "the other case was made"
        whole(out)
        again = fieldstop("batch", "--looked", "AB", day, "--out", out,
                          "--jobs", "2", config=config)  # fmt: skip
        assert again[0] == 0, again[1]
        assert leftovers(out) == []
        now = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in before}
        assert now == before, "a source was changed"
        # Each case once a turn: nothing was released twice, nothing was lost.
        assert len(whole(out)) == 2 * (turn + 2)
    assert min(hit.values()) >= 1 and sum(hit.values()) >= 5, hit
    with Catalogue(fieldstop.catalogue) as catalogue:
        known = {Path(r.path).name for r in catalogue.releases()}
    assert known == set(releases(out)), "every file is in the catalogue"


@pytest.mark.slow
def test_what_changes_is_made_again_and_the_picture_is_not_surveyed_again(
    fieldstop: Shell, recording: Path, tmp_path: Path
) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    for name in ("QM-0001", "QM-0002"):
        folder = case_of(day, name, recording)
        media_zoo.narration_file(folder / "voice.wav", 5.0, [0.5])
        media_zoo.write_case(folder, [folder / "x.mp4"], case=name, narration="voice.wav")
    code, value, _ = fieldstop("batch", "--looked", "AB", day, "--out", out)
    assert code == 0, value
    entries = Cache(1).use().entries

    media_zoo.narration_file(day / "QM-0001" / "voice.wav", 5.0, [1.2])
    code, value, said = fieldstop("batch", "--looked", "AB", day, "--out", out)
    assert code == 0 and [c["unchanged"] for c in value["cases"]] == [False, True]
    assert releases(out) == ["QM-0001-web-r1.mp4", "QM-0001-web-r2.mp4", "QM-0002-web-r1.mp4"]
    assert "survey" not in said

    mark = '[mark]\ntext = "ANOTHER COPY"\n'
    code, value, said = fieldstop("batch", "--looked", "AB", day, "--out", out, config=mark)
    assert code == 0 and not any(c["unchanged"] for c in value["cases"])
    assert "survey" not in said and Cache(1).use().entries == entries
    code, value, _ = fieldstop("batch", "--looked", "AB", day, "--out", out,
                               "--profile", "lecture", config=mark)  # fmt: skip
    assert code == 0 and Cache(1).use().entries == entries
    assert sum("lecture-r1" in name for name in releases(out)) == 2

    # A release that was spoilt is made again.
    (out / value["cases"][0]["release"]).write_bytes(b"spoilt")
    code, value, _ = fieldstop("batch", "--looked", "AB", day, "--out", out,
                               "--profile", "lecture", config=mark)  # fmt: skip
    assert code == 0 and [c["unchanged"] for c in value["cases"]] == [False, True]
    assert value["cases"][0]["release"].endswith("lecture-r2.mp4")


@pytest.mark.slow
def test_ctrl_c_ends_the_workers_cleanly(fieldstop: Shell, recording: Path, tmp_path: Path) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    for number in range(3):
        case_of(day, f"QM-000{number}", recording)
    process = fieldstop.start("batch", "--looked", "AB", day, "--out", out, "--jobs", "2")
    until = time.monotonic() + 60
    while not list(out.glob("private/*/.work.part-*")) and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(1)
    everyone = list(tree(process.pid))
    assert len(everyone) > 2, "workers are at work"
    process.send_signal(signal.SIGINT)
    text, said = process.communicate(timeout=60)
    assert process.returncode == 130 and "Traceback" not in said
    value = json.loads(text)
    assert value["interrupted"] and value["counts"]["stopped"] == 3
    assert all(gone(pid) for pid in everyone) and leftovers(out) == []
    code, value, _ = fieldstop("batch", "--looked", "AB", day, "--out", out)
    assert code == 0 and len(whole(out)) == 3


@pytest.mark.slow
def test_two_batches_at_once(fieldstop: Shell, recording: Path, tmp_path: Path) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    case_of(day, "QM-0001", recording)
    first = fieldstop.start("batch", "--looked", "AB", day, "--out", out)
    until = time.monotonic() + 60
    while not list(out.glob("private/*/.work.part-*")) and time.monotonic() < until:
        time.sleep(0.05)
    code, value, _ = fieldstop("batch", "--looked", "AB", day, "--out", tmp_path / "other")
    assert code == 6 and "Another batch" in value["error"]["what"]
    (tmp_path / "second").mkdir()
    case_of(tmp_path / "second", "QM-0009", recording)
    code, value, _ = fieldstop("batch", "--looked", "AB", tmp_path / "second", "--out", out)
    assert code == 6 and str(first.pid) in value["error"]["got"]
    first.communicate(timeout=120)
    assert first.returncode == 0 and releases(out) == ["QM-0001-web-r1.mp4"]


@pytest.mark.slow
def test_watch_from_the_command_line(fieldstop: Shell, recording: Path, tmp_path: Path) -> None:
    """A recording that is copied slowly is taken when it is whole; Ctrl-C when idle is an end."""
    day, out = tmp_path / "day", tmp_path / "out"
    day.mkdir()
    config = "[batch]\nsettle_s = 1.5\nscan_every_s = 0.3\n[output]\nlook = 'after'\n"
    process = fieldstop.start("batch", day, "--out", out, "--watch", "--consent", "public",
                              config=config)  # fmt: skip
    data = recording.read_bytes()
    with (day / "HL-0150.mp4").open("wb") as file:
        for at in range(0, len(data), len(data) // 6):
            file.write(data[at : at + len(data) // 6])
            file.flush()
            time.sleep(0.7)
            assert not (out / "private" / "HL-0150").exists(), "taken while it still grew"
    until = time.monotonic() + 90
    while time.monotonic() < until:
        with contextlib.suppress(OSError, ValueError):
            cases = json.loads((out / "batch.json").read_text())["cases"]
            if cases and cases[0]["state"] == "released":
                break
        time.sleep(0.2)
    process.send_signal(signal.SIGINT)
    text, _ = process.communicate(timeout=60)
    assert process.returncode == 0, text
    assert whole(out) == ["HL-0150-web-r1.mp4"]
