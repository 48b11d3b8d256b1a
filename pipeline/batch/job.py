"""What a worker is given and what it answers, as JSON holds them."""

from __future__ import annotations

from typing import Any

from pipeline.model.batch import BatchCase, BatchError
from pipeline.model.release import Withheld

Job = dict[str, Any]
Answer = dict[str, Any]


def take_answer(row: BatchCase, answer: Answer) -> None:
    """Put what came of a case into its row."""
    row.wall_s = round(answer.get("wall_s", 0.0), 1)
    row.cpu_s = round(answer.get("cpu_s", 0.0), 1)
    row.peak_mb = answer.get("peak_mb", 0.0)
    row.state = answer["state"]
    row.unchanged = answer.get("unchanged", False)
    row.release, row.draft = answer.get("release"), answer.get("draft")
    row.ready = answer.get("ready")
    row.report, row.clip_s = answer.get("report"), answer.get("clip_s")
    row.withheld = [Withheld.model_validate(w) for w in answer.get("withheld", [])]
    if answer.get("error"):
        row.error = BatchError.model_validate(answer["error"])
