"""`events.csv`: rows, what the plan does about them, nothing that names a file."""

from __future__ import annotations

import csv
import io
import os
from types import SimpleNamespace
from typing import Any

from pipeline.model.findings import Event, Findings
from pipeline.model.plan import Edit
from pipeline.stages.events import COLUMNS, events_csv, write_events
from pipeline.store.work import WorkFolder


def run_of(edits: list[Edit] | None) -> Any:
    found = [
        [
            Event(kind="fog", start_s=4, stop_s=9.2, peak_loss=0.6, mean_loss=0.41234,
                  confidence=0.9),
            Event(kind="dark", start_s=1, stop_s=2, confidence=0.7),
        ],
        [],
        [Event(kind="fog", start_s=4, stop_s=6, peak_loss=0.3, mean_loss=0.2, confidence=0.8)],
    ]  # fmt: skip
    sources = [
        SimpleNamespace(recording=r, path=f"Jane_Roe_{k}.mp4") for k, r in enumerate([0, 0, 1])
    ]
    return SimpleNamespace(
        sources=sources,
        findings=[Findings(events=e) for e in found],
        plan=None if edits is None else SimpleNamespace(edits=edits),
    )


def told(run: Any) -> str:
    return events_csv(run.sources, run.findings, run.plan)


def rows_of(run: Any) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(told(run))))


def edit(source: int, kind: str, start_s: float, stop_s: float, **more: Any) -> Edit:
    return Edit(
        source=source, kind=kind, start_s=start_s, stop_s=stop_s, reason="", origin="settings",
        **more,
    )  # fmt: skip


def test_each_event_has_the_edit_of_its_own_file_and_kind() -> None:
    edits = [
        edit(0, "fog", 1, 2, action="freeze"),  # of another time
        edit(0, "fog", 4, 9.2, action="cut", narrated=True),
        edit(2, "fog", 4, 6, action="clear"),
        edit(0, "dark", 0.5, 2.5, action="keep"),
    ]
    rows = rows_of(run_of(edits))
    got = [(r["recording"], r["part"], r["kind"], r["narrated"], r["action"]) for r in rows]
    assert got == [
        ("1", "1", "dark", "no", "keep"),
        ("1", "1", "fog", "yes", "cut"),
        ("2", "1", "fog", "no", "clear"),
    ]
    assert rows[1] | {"peak_loss": "0.600", "mean_loss": "0.412"} == rows[1]
    assert (rows[1]["start_s"], rows[1]["stop_s"]) == ("4.000", "9.200")
    assert rows[0]["peak_loss"] == ""
    # 5.2 s of .41234, and a second of which nothing is known
    assert (rows[1]["lost_s"], rows[0]["lost_s"]) == ("2.144", "1.000")


def test_before_a_plan_nothing_is_said_of_it() -> None:
    text = told(run_of(None))
    assert text.splitlines()[0] == ",".join(COLUMNS)
    assert [r["action"] + r["narrated"] for r in rows_of(run_of(None))] == ["", "", ""]
    assert "Roe" not in text and ".mp4" not in text


def test_it_lies_beside_the_report_for_its_owner_only(tmp_path: Any) -> None:
    folder = WorkFolder(tmp_path, "QM-0217")
    folder.prepare()
    run = run_of([])
    write_events(folder, run.sources, run.findings, run.plan)
    path = tmp_path / "private" / "QM-0217" / "events.csv"
    assert path.read_bytes().startswith(b"recording,part,kind,")
    assert os.stat(path).st_mode & 0o077 == 0
