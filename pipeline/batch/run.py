"""The batch: what is there, what must be made, and its making, until all is done."""

from __future__ import annotations

import contextlib
import os
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pipeline import __version__
from pipeline.batch.before import look_before, open_known
from pipeline.batch.board import Board
from pipeline.batch.cluster import Cluster
from pipeline.batch.dry import refuse_unreadable
from pipeline.batch.estimate import Pace, Size, estimated, free_mb, refuse_small_disk, size_of
from pipeline.batch.files import Files
from pipeline.batch.find import Settled, look_through
from pipeline.batch.found import DUPLICATE, FoundCase, Search
from pipeline.batch.job import Answer, Job, take_answer
from pipeline.batch.locks import folder_lock, keep_backup, out_lock
from pipeline.batch.loose import case_folder, name_loose
from pipeline.batch.page import page
from pipeline.batch.pool import Pool, Runner, cores, tidy, workers_and_memory
from pipeline.batch.request import ASKED, Request
from pipeline.errors import FieldstopError, InputError, OutputError, UsageError
from pipeline.model.batch import BatchCase, BatchError, BatchFile, BatchLeftOut, BatchReport
from pipeline.model.pseudonym import is_made
from pipeline.model.release import Withheld
from pipeline.stages.intake import remembered_sha256
from pipeline.stages.values import now_text
from pipeline.store.batches import BatchNote
from pipeline.store.catalogue import Catalogue
from pipeline.store.catalogue_file import default_catalogue
from pipeline.store.consent_files import Found, check_catalogue
from pipeline.store.names import NamedFile, Names, earlier_names, keyed
from pipeline.store.stale import sweep
from pipeline.store.work import WorkFolder, atomic_write

_SAVE_S = 5.0
_POLL_S = 0.5
_ENDED = ("released", "ready", "withheld", "failed")


@dataclass
class Entry:
    """A case of this batch."""

    found: FoundCase
    row: BatchCase
    size: Size = field(default_factory=Size)
    inputs: str = ""
    withheld_before: str = ""


def run_batch(request: Request, board: Board) -> BatchReport:
    """Run every case of a folder; the report is written to OUT as it goes.

    Ctrl-C stops the cases in work cleanly; the report then says `interrupted`. Raises
    InputError, UsageError, OutputError for what stops the whole batch: a folder or a
    catalogue that cannot be used, a disk plainly too small, another batch at work.
    """
    if request.watch and request.looked is not None:
        raise UsageError(
            "--looked cannot speak for recordings that are still to come",
            "--watch",
            "look at what is ready, then give fieldstop release",
        )
    with contextlib.ExitStack() as stack:
        if not request.dry_run:
            stack.enter_context(folder_lock(request.folder))
            stack.enter_context(out_lock(request.out))
        batch = Batch(request, board)
        try:
            return batch.run()
        finally:
            board.close()


class Batch:
    """One run over a folder. `runner` is chosen by the request unless given."""

    def __init__(self, request: Request, board: Board, runner: Runner | None = None) -> None:
        self.request, self.board = request, board
        self.options = request.options
        self.profile = request.options.output.profile
        self.names = Names(request.out, earlier_names(request.catalogue))
        self.files = Files(request.folder, self.names)
        self.place = keyed("place", os.path.realpath(request.out))
        self.entries: dict[str, Entry] = {}
        self.waiting: list[Entry] = []
        self.working: dict[str, Entry] = {}
        self.runner = runner
        self.said = Found()  # about consent in OUT, when the batch began
        self.workers, self.memory_mb = workers_and_memory(
            request.jobs, self.options.batch.memory_mb
        )
        self.report = BatchReport(
            program_version=__version__,
            profile=self.profile,
            started_at=now_text(),
            dry_run=request.dry_run,
        )
        self._saved_s = 0.0
        self._left = Search()
        self._settled = Settled(self.options.batch.settle_s)

    # --- the whole run ---

    def run(self) -> BatchReport:
        catalogue_file = self.request.catalogue or default_catalogue()
        if self.request.dry_run and not catalogue_file.is_file():
            # A dry run writes nothing, so it makes no catalogue either.
            with tempfile.TemporaryDirectory() as folder, Catalogue(Path(folder) / "c") as empty:
                return self._plan(empty)
        with Catalogue(self.request.catalogue) as self.catalogue:
            if self.request.dry_run:
                return self._plan(self.catalogue)
            keep_backup(self.catalogue)
            sweep(self.request.out)
            try:
                self._plan(self.catalogue)
                self._start_runner()
                self._work()
            except KeyboardInterrupt:
                self._interrupted()
            finally:
                if self.runner is not None:
                    self.runner.stop()
                self.report.ended_at = now_text()
            self._save(at_once=True)
        return self.report

    def _plan(self, catalogue: Catalogue) -> BatchReport:
        self.catalogue = catalogue
        self.said = check_catalogue(self.request.out, catalogue)
        found = self._find()
        if not found and not self.request.watch:
            for left in self._left.left_out:
                self._leave(left.path, left.reason)
            raise InputError(
                "The folder holds no cases",
                "no case.toml and no recording",
                "give the folder that holds the day's cases",
            )
        if self.request.watch and not self.request.dry_run:
            found = self._settled.ready(found, time.monotonic())
        for number, one in enumerate(found):
            self.board.reading(number, len(found))
            self._take(one)
        self._note_names()
        self._estimate()
        return self.report

    def _find(self) -> list[FoundCase]:
        self._left = look_through(
            self.request.folder,
            self.request.out,
            self.options.batch.name_rule,
            self.request.consent,
            names=self.names,
            case_pattern=self.options.anonymity.case_pattern,
        )
        return self._left.cases

    def _leave(self, path: Path, reason: str) -> None:
        """Say, once, that no case is made from a file."""
        label = self.files.left_out(path, reason)
        if label is not None:
            self.report.left_out.append(BatchLeftOut(label=label, reason=reason))
            self.board.left_out(label, self.files.place(path), reason)

    def _note_names(self) -> None:
        for one in self._left.left_out:
            self._leave(one.path, one.reason)
        self.files.keep(written=not self.request.dry_run)

    def _take(self, found: FoundCase) -> None:
        """Put a case on the list: to be made, left as it is, or faulty."""
        if found.toml is None and found.parts:
            found = name_loose(found, self.request.consent, self.names, remembered_sha256)
        same = self._same_case(found)
        if same is not None and (same.found.files[0].exists() or same.row.state == "working"):
            self._leave(found.files[0], DUPLICATE)
            return
        if same is not None:  # renamed, or moved within the folder
            self.entries = {found.key: self.entries.pop(same.found.key), **self.entries}
        entry = Entry(found, BatchCase(case=found.case))
        self._note_files(entry, found.named)
        before = self.entries.get(found.key)
        if before is not None:
            self.report.cases[self.report.cases.index(before.row)] = entry.row
        else:
            self.report.cases.append(entry.row)
        self.entries[found.key] = entry
        self.board.listed(entry.row, self.files.places(found))
        if found.fault is not None:
            self._failed(entry, found.fault)
            return
        try:
            self._decide(entry)
            if self.request.dry_run and entry.row.state == "waiting":
                refuse_unreadable(found)
        except FieldstopError as error:
            if error.exit_code == OutputError.exit_code:
                raise
            self._failed(entry, error)
            return
        entry.size = size_of(found.recordings)
        entry.row.length_s = round(entry.size.length_s, 3)
        if entry.row.state == "waiting":
            self.waiting.append(entry)

    def _same_case(self, found: FoundCase) -> Entry | None:
        """Another file of this folder with the same content."""
        if found.toml is not None or not is_made(found.case):
            return None
        others = (e for key, e in self.entries.items() if key != found.key)
        return next((e for e in others if e.found.case == found.case), None)

    def _note_files(self, entry: Entry, named: Sequence[NamedFile]) -> None:
        self.files.name(named)
        entry.row.files += [
            BatchFile(place=n.place, label=n.label) for n in named if n.place != "case.toml"
        ]

    def _decide(self, entry: Entry) -> None:
        """Leave a case as it is where the same inputs were released or withheld before."""
        row, folder = entry.row, WorkFolder(self.request.out, entry.found.case)
        note = self.catalogue.batch_note(self.place, entry.found.case, self.profile)
        if note is not None and note.state == "withheld" and note.program_version == __version__:
            entry.withheld_before = note.inputs_sha256
        with case_folder(entry.found, self.request.out, lasting=False) as path:
            found = open_known(path, self.request, self.names)
            if found is None:
                return
            if entry.found.toml is not None:
                self._note_files(entry, found.named)
            before = look_before(
                found, folder, self.request, entry.withheld_before, self.catalogue, self.said
            )
        row.covered, row.consent, entry.inputs = before.covered, before.consent, before.inputs
        if before.state is None:
            return
        row.state, row.unchanged = before.state, True
        row.release, row.ready, row.clip_s = before.release, before.ready, before.clip_s
        if row.state == "withheld" and note is not None:
            row.withheld = [Withheld.model_validate(w) for w in note.outcome.get("withheld", [])]
        row.report = self._report_of(folder)

    def _report_of(self, folder: WorkFolder) -> str | None:
        path = folder.private_file("report.html")
        return path.relative_to(self.request.out).as_posix() if path.is_file() else None

    def _estimate(self) -> None:
        pace = Pace(self.catalogue.batch_costs())
        sizes = [e.size for e in self.waiting]
        estimate = estimated(sizes, pace, self.workers, cores(), self.request.out)
        self.report.estimate = estimate
        self.board.estimated(estimate, pace, [e.row for e in self.entries.values()])
        if not self.request.dry_run:
            reserve_mb = self.options.batch.disk_reserve_gb * 1e3
            refuse_small_disk(estimate.disk_mb, estimate.free_mb, reserve_mb)

    def _start_runner(self) -> None:
        if self.runner is None:
            if self.request.scheduler is not None:
                self.runner = Cluster(self.request, self.catalogue)
            else:
                limits = self.options.batch
                self.runner = Pool(
                    self.workers, self.memory_mb, limits.stall_s, limits.silence_s
                )
        self.report.workers = self.runner.describe()
        self.board.workers(self.report.workers)

    def _work(self) -> None:
        assert self.runner is not None
        looked_s = time.monotonic()
        while True:
            while self.waiting and self.runner.room():
                self._begin(self.waiting.pop(0))
            if not self.working and not self.waiting and not self.request.watch:
                return
            for case, answer in self.runner.poll(_POLL_S):
                self._done(case, answer)
            for case, doing in self.runner.doing().items():
                self.board.doing(case, doing)
            self.board.refresh()
            self._save()
            if (
                self.request.watch
                and time.monotonic() - looked_s >= self.options.batch.scan_every_s
            ):
                looked_s = time.monotonic()
                self._look_again()

    def _look_again(self) -> None:
        """Watch: take what has stopped growing since the last look."""
        try:
            everything = self._find()
        except FieldstopError as error:
            self.board.note(str(error))  # a share that went away may come back
            return
        busy = {e.found.key for e in (*self.working.values(), *self.waiting)}
        found = [one for one in everything if one.key not in busy]
        for one in self._settled.ready(found, time.monotonic()):
            self._take(one)
        self._note_names()

    # --- one case ---

    def _begin(self, entry: Entry) -> None:
        assert self.runner is not None
        row, out = entry.row, self.request.out
        need_mb = entry.size.work_mb + entry.size.clip_mb
        try:
            refuse_small_disk(need_mb, free_mb(out), self.options.batch.disk_reserve_gb * 1e3)
            WorkFolder(out, row.case).prepare()
            with case_folder(entry.found, out, lasting=True) as path:
                job: Job = {
                    "kind": "case",
                    "case": row.case,
                    "path": os.path.realpath(path),
                    "out": os.path.abspath(out),
                    "options": self.request.options_of_worker(max(1, -(-cores() // self.workers))),
                    "catalogue": os.path.abspath(self.catalogue.path),
                    "asked": ASKED.dump_python(
                        self.request.asked(entry.withheld_before), mode="json"
                    ),
                }
                self.runner.start(row.case, job)
        except FieldstopError as error:
            self._failed(entry, error)
            return
        row.state = "working"
        self.working[row.case] = entry
        self.board.begun(row)

    def _done(self, case: str, answer: Answer) -> None:
        entry = self.working.pop(case)
        row = entry.row
        take_answer(row, answer)
        note = None
        if row.state == "withheld" and row.unchanged:
            note = self.catalogue.batch_note(self.place, case, self.profile)
            said = note.outcome.get("withheld", []) if note is not None else []
            row.withheld = [Withheld.model_validate(w) for w in said]
        if answer.get("died"):
            tidy({"out": str(self.request.out), "case": case})
        if row.state in _ENDED and not row.unchanged:
            note = BatchNote(
                answer.get("inputs", ""),
                row.state,
                __version__,
                {"withheld": answer.get("withheld", []), "error": answer.get("error")},
                entry.size.load_s,
                row.cpu_s,
            )
            try:
                self.catalogue.note_batch(self.place, case, self.profile, note)
            except FieldstopError as error:
                # What was released is known from its record; the rest is only made again.
                self.board.note(str(error))
        self.board.ended(row)

    def _failed(self, entry: Entry, error: FieldstopError) -> None:
        entry.row.state = "failed"
        entry.row.error = BatchError.model_validate(error.as_dict())
        self.board.ended(entry.row)

    # --- ends ---

    def _interrupted(self) -> None:
        # Ctrl-C while watching and idle is how a watch ends.
        self.report.interrupted = bool(self.working or self.waiting) or not self.request.watch
        if self.runner is not None:
            self.runner.stop()
        for entry in (*self.working.values(), *self.waiting):
            entry.row.state = "stopped"
            self.board.ended(entry.row)

    def _save(self, at_once: bool = False) -> None:
        now = time.monotonic()
        if not at_once and now - self._saved_s < _SAVE_S:
            return
        self._saved_s = now
        try:
            atomic_write(self.request.out / "batch.json", self.report.to_json())
        except FieldstopError as error:
            if at_once:
                raise
            self.board.note(str(error))
        if at_once:
            atomic_write(self.request.out / "batch.html", page(self.report))
