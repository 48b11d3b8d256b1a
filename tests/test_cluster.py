"""The same batch on a Dask cluster: real scheduler, real workers, one of them killed."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import distributed
import media_zoo
import pytest
from test_batch import Shell, case_of, leftovers, recording, releases, tree, whole  # noqa: F401

from pipeline.batch import cluster as module
from pipeline.batch.board import Board
from pipeline.batch.request import Request
from pipeline.batch.run import run_batch
from pipeline.batch.tasks import TASKS
from pipeline.errors import OutputError, UsageError
from pipeline.model.decisions import Anchor, Decision, Decisions
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.release import Check
from pipeline.model.survey import Lettering, Survey
from pipeline.stages import finishing
from pipeline.stages.progress import no_progress
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked, CaseResult
from pipeline.stages.verifying.identity import let_through
from pipeline.stages.verifying.verify import verify_release
from pipeline.store.catalogue import Catalogue

DASK = Path(sys.executable).with_name("dask")
ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def fieldstop(tmp_path: Path) -> Shell:
    return Shell(tmp_path)


class Grid:
    """A scheduler and workers of one thread each, started with Dask's own commands."""

    def __init__(self, folder: Path, workers: int = 2) -> None:
        self.folder, self.started = folder, []  # type: Path, list[subprocess.Popen[bytes]]
        note = folder / "scheduler.json"
        self._start("scheduler", "--host", "127.0.0.1", "--port", "0", "--dashboard-address",
                    "127.0.0.1:0", "--no-show", "--scheduler-file", str(note))  # fmt: skip
        until = time.monotonic() + 60
        while not note.is_file() or not note.read_text().strip():
            assert time.monotonic() < until, "the scheduler did not start"
            time.sleep(0.1)
        self.address: str = json.loads(note.read_text())["address"]
        self.workers = [self.worker() for _ in range(workers)]
        self.wait(workers)

    def worker(self) -> subprocess.Popen[bytes]:
        return self._start("worker", self.address, "--nthreads", "1", "--nworkers", "1",
                           "--no-dashboard", "--host", "127.0.0.1", "--memory-limit", "0",
                           "--local-directory", str(self.folder))  # fmt: skip

    def _start(self, *arguments: str) -> subprocess.Popen[bytes]:
        with (self.folder / "dask.log").open("ab") as log:
            process = subprocess.Popen(
                [str(DASK), *arguments], stdout=log, stderr=log, cwd=self.folder,
                env=os.environ | {"PYTHONPATH": str(ROOT)}, start_new_session=True,
            )  # fmt: skip
        self.started.append(process)
        return process

    def wait(self, workers: int) -> None:
        with distributed.Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(workers, timeout=90)

    def close(self) -> None:
        for process in reversed(self.started):
            with contextlib.suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@pytest.fixture
def grid(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Grid]:
    made = Grid(tmp_path_factory.mktemp("grid"))
    try:
        yield made
    finally:
        made.close()


def test_without_the_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError) as caught:
        module.connect("tcp://127.0.0.1:1")
    assert caught.value.exit_code == 2 and "fieldstop[cluster]" in str(caught.value)


def test_nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "CONNECT_S", 1.0)
    with pytest.raises(OutputError) as caught:
        module.connect("tcp://127.0.0.1:9")  # the discard port of RFC 863: nobody listens
    assert caught.value.exit_code == 6 and "dask scheduler" in str(caught.value)
    with pytest.raises(UsageError):
        module.connect("nonsense://x")


class Told:
    """A client whose workers have these versions."""

    def __init__(self, versions: list[str]) -> None:
        self.versions, self.closed = versions, False

    def run(self, _: Any) -> dict[str, str]:
        return {f"tcp://10.0.0.{n}:1": v for n, v in enumerate(self.versions)}

    def close(self, **_: Any) -> None:
        self.closed = True


@pytest.mark.parametrize(
    ("versions", "kind", "word"),
    [(["0.0.1"], UsageError, "0.0.1"), ([], OutputError, "no workers")],
)
def test_versions_of_the_workers(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, versions: list[str], kind: Any, word: str
) -> None:
    client = Told(versions)
    monkeypatch.setattr(module, "connect", lambda _: client)
    request = Request(tmp_path, tmp_path / "out", Options(), scheduler="tcp://x:1")
    with pytest.raises(kind, match=re.escape(word)), Catalogue(tmp_path / "c") as catalogue:
        module.Cluster(request, catalogue)
    assert client.closed


def test_workers_without_the_program(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Bare(Told):
        def run(self, _: Any) -> dict[str, str]:
            raise ModuleNotFoundError("No module named 'pipeline'")

    client = Bare([])
    monkeypatch.setattr(module, "connect", lambda _: client)
    request = Request(tmp_path, tmp_path / "out", Options(), scheduler="tcp://x:1")
    with pytest.raises(OutputError, match="cannot run the program"), Catalogue(
        tmp_path / "c"
    ) as catalogue:
        module.Cluster(request, catalogue)
    assert client.closed


def test_a_worker_of_another_version_that_came_later() -> None:
    answer = module.run_task({"version": "0.0.1", "kind": "hash"})
    assert answer["state"] == "failed" and "another version" in answer["error"]["what"]
    assert "0.0.1" in answer["error"]["got"]


def test_a_task_whose_process_was_killed_is_tried_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """It raises, so that the scheduler gives it out once more; a fault of the case does not."""
    from pipeline import __version__
    from pipeline.batch import pool

    job = {"version": __version__, "kind": "hash", "memory_mb": 0, "stall_s": 60, "silence_s": 60}
    dies = "import os, signal; os.kill(os.getpid(), signal.SIGKILL)"
    monkeypatch.setattr(pool, "command", lambda: [sys.executable, "-c", dies])
    with pytest.raises(RuntimeError):
        module.run_task(job)
    fails = "print('{\"answer\": {\"state\": \"failed\"}}')"
    monkeypatch.setattr(pool, "command", lambda: [sys.executable, "-c", fails])
    assert module.run_task(job)["state"] == "failed"
    idles = "import time; time.sleep(60)"
    monkeypatch.setattr(pool, "command", lambda: [sys.executable, "-c", idles])
    assert "stood still" in module.run_task({**job, "stall_s": 1.0})["error"]["what"]


# --- the steps of the recipe as tasks, without processes ---------------------------------


class Here:
    """A cluster of one worker: its tasks run here and at once; jobs and answers pass as JSON."""

    def __init__(self) -> None:
        self.kinds: list[str] = []

    def run(self, function: Any) -> dict[str, str]:
        return {"tcp://127.0.0.1:1": function()}

    def scheduler_info(self, **_: Any) -> dict[str, Any]:
        return {"workers": {"tcp://127.0.0.1:1": {"nthreads": 1}}}

    def submit(self, _: Any, job: dict[str, Any], **__: Any) -> Any:
        self.kinds.append(job["kind"])
        answer = TASKS[job["kind"]](json.loads(json.dumps(job)), no_progress)
        return Done(json.loads(json.dumps(answer)))

    def cancel(self, *_: Any, **__: Any) -> None: ...

    def close(self, **_: Any) -> None: ...


class Done:
    def __init__(self, answer: Any) -> None:
        self.answer = answer

    def done(self) -> bool:
        return True

    def result(self, **_: Any) -> Any:
        return self.answer


@pytest.mark.slow
def test_what_only_the_finished_clip_showed_is_covered_as_on_one_machine(
    scope_clip: media_zoo.Clip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The look at the finished clip is played: it sees a word until a box covers the place."""
    found = Lettering(start_s=1.0, stop_s=2.0, box_px=(150, 110, 20, 10), where="field",
                      confidence=0.9)  # fmt: skip
    looks = 0

    def verify(path: Path, plan: Plan, *rest: Any, **more: Any) -> Any:
        nonlocal looks
        looks += 1
        checked = verify_release(path, plan, *rest, **more)
        if not any(r.what == "lettering" for r in plan.redactions):
            seen = Check(check="lettering in the picture", measured=1, limit=0, passed=False)
            return replace(checked, missed=(found,), checks=(seen,))
        return checked

    monkeypatch.setattr(finishing, "verify_release", verify)
    options = Options()
    options.anonymity.lettering = options.anonymity.faces = False
    day = tmp_path / "day"
    case_of(day, "QM-0001", scope_clip.path)
    here = run_case(day / "QM-0001", tmp_path / "one", options, Asked(looked="AB"),
                    catalogue=tmp_path / "one.sqlite3")  # fmt: skip
    assert here.state == "released", here.withheld
    assert looks == 2

    client = Here()
    monkeypatch.setattr(module, "connect", lambda _: client)
    report = run_batch(
        Request(day, tmp_path / "out", options, catalogue=tmp_path / "out.sqlite3", looked="AB",
                scheduler="tcp://127.0.0.1:1"),
        Board(quiet=True),
    )  # fmt: skip
    row = report.cases[0]
    assert (row.state, row.error) == ("released", None), row
    assert client.kinds == ["hash", "survey", "render", "verify", "render", "verify"]
    assert looks == 4 and here.plan is not None
    plan = Plan.model_validate_json((tmp_path / "out/private/QM-0001/plan.json").read_bytes())
    assert plan.redactions == here.plan.redactions
    assert [r.what for r in plan.redactions].count("lettering") == 1
    assert leftovers(tmp_path / "out") == []


@pytest.mark.slow
def test_what_looks_at_each_finished_clip_went_on_finding_can_be_rejected(
    scope_clip: media_zoo.Clip, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The looks are played: each sees another place in tissue. Every one is a finding after it,
    and a clip goes out when a person has rejected the last one."""
    places = [(100 + 40 * n, 110, 20, 10) for n in range(3)]
    looks = 0

    def verify(path: Path, plan: Plan, *rest: Any, **more: Any) -> Any:
        nonlocal looks
        checked = verify_release(path, plan, *rest, **more)
        here = Lettering(start_s=1.0, stop_s=2.0, box_px=places[min(looks, 2)], where="field",
                         confidence=0.9)  # fmt: skip
        looks += 1
        if let_through(plan, "lettering", here):
            return checked
        seen = Check(check="lettering in the picture", measured=1, limit=0, passed=False)
        return replace(checked, missed=(here,), checks=(seen,))

    monkeypatch.setattr(finishing, "verify_release", verify)
    options = Options()
    options.anonymity.lettering = options.anonymity.faces = False
    case_of(tmp_path, "QM-0001", scope_clip.path)

    def made() -> CaseResult:
        return run_case(tmp_path / "QM-0001", tmp_path / "out", options, Asked(looked="AB"),
                        catalogue=tmp_path / "one.sqlite3")  # fmt: skip

    result = made()
    assert [w.code for w in result.withheld] == ["check"] and looks == 3
    private = tmp_path / "out/private/QM-0001"
    survey = Survey.model_validate_json((private / "survey.json").read_bytes())
    assert len(survey.lettering) == 3
    last = survey.lettering[-1]
    anchor = Anchor(sha256=survey.recording.sha256, kind="lettering", start_s=last.start_s,
                    stop_s=last.stop_s)  # fmt: skip
    no = Decision(number=1, at="2026-01-01T00:00:00Z", by="AB", verb="reject", anchor=anchor,
                  value={"box_px": list(last.box_px)},
                  reason="no lettering: tissue or instrument")  # fmt: skip
    (private / "decisions.json").write_text(Decisions(case="QM-0001", entries=[no]).to_json())
    result = made()
    assert result.state == "released" and looks == 4, result.withheld
    assert result.plan is not None
    assert [r.what for r in result.plan.redactions].count("lettering") == 2
    assert [r.box_px for r in result.plan.overruled] == [last.box_px]


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_a_day_on_two_workers_one_of_them_killed(
    grid: Grid, fieldstop: Shell, recording: Path, tmp_path: Path  # noqa: F811
) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    for number in range(2):
        case_of(day, f"QM-000{number}", recording)
    case_of(day, "QM-0009", recording, scope="none")
    (day / "QM-0008").mkdir()
    (day / "QM-0008" / "case.toml").write_text(
        'case = "QM-0008"\n[[recording]]\nfiles = ["x.mp4"]\n'
    )
    before = {p: p.read_bytes() for p in day.rglob("*") if p.is_file()}
    process = fieldstop.start("batch", day, "--looked", "AB", "--out", out,
                              "--scheduler", grid.address)  # fmt: skip
    # Kill a worker with its nanny in the middle of a task.
    until = time.monotonic() + 120
    victim = grid.workers[0]
    everyone: dict[int, str] = {}
    while not any("pipeline.batch.worker" in line for line in everyone.values()):
        assert time.monotonic() < until, "the worker was given nothing"
        time.sleep(0.05)
        everyone = tree(victim.pid)
    os.killpg(victim.pid, signal.SIGKILL)
    for pid in everyone:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    text, said = process.communicate(timeout=380)
    assert "Traceback" not in said, said
    value = json.loads(text)
    states = {c["case"]: c["state"] for c in value["cases"]}
    assert states == {"QM-0000": "released", "QM-0001": "released", "QM-0008": "failed",
                      "QM-0009": "withheld"}, value  # fmt: skip
    assert process.returncode == 5
    assert leftovers(out) == [] and len(whole(out)) == 2
    assert {p: p.read_bytes() for p in day.rglob("*") if p.is_file()} == before
    with Catalogue(fieldstop.catalogue) as catalogue:
        assert {r.sheet.number for r in catalogue.releases()} == {1, 2}
    withheld = next(c for c in value["cases"] if c["case"] == "QM-0009")
    assert withheld["withheld"][0]["code"] == "consent" and (out / withheld["draft"]).is_file()

    # The same on this machine: all that was released or withheld there stands.
    (day / "QM-0008" / "case.toml").unlink()
    code, value, _ = fieldstop("batch", day, "--looked", "AB", "--out", out)
    assert code == 4 and value["unchanged"] == 3
    assert len(releases(out)) == 2
    code, value, _ = fieldstop("batch", day, "--looked", "AB", "--out", out,
                              "--scheduler", grid.address)  # fmt: skip
    assert code == 4 and value["unchanged"] == 3


@pytest.mark.slow
def test_ctrl_c_on_a_cluster(
    grid: Grid, fieldstop: Shell, recording: Path, tmp_path: Path  # noqa: F811
) -> None:
    day, out = tmp_path / "day", tmp_path / "out"
    case_of(day, "QM-0001", recording)
    process = fieldstop.start("batch", day, "--looked", "AB", "--out", out,
                              "--scheduler", grid.address)  # fmt: skip
    until = time.monotonic() + 120
    while not list(out.glob("private/*/.work.part-*")) and time.monotonic() < until:
        time.sleep(0.05)
    time.sleep(2)
    process.send_signal(signal.SIGINT)
    text, said = process.communicate(timeout=60)
    assert process.returncode == 130 and "Traceback" not in said, said
    assert json.loads(text)["counts"]["stopped"] == 1 and leftovers(out) == []
