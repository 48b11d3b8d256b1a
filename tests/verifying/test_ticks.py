"""Times between two milliseconds: pictures keep them; where a file rounds them, they are known."""

from __future__ import annotations

from collections import Counter
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import av
import media_zoo
import pytest
from test_make import Shell, case_folder

from pipeline.model.plan import Plan
from pipeline.stages.verifying.reading_plan import piece_number

CARD = '\n[measured]\nlabel = "Crusts removed"\nvalue = 412\nunit = "mg"\n'


@pytest.mark.slow
@pytest.mark.parametrize("pictures", [91, 92])
def test_a_part_that_begins_between_two_milliseconds(tmp_path: Path, pictures: int) -> None:
    """At 30 pictures a second 91 end a third over a millisecond, 92 a third under one."""
    fieldstop = Shell(tmp_path)
    clip = media_zoo.scope_clip(tmp_path / "a.mp4", pictures / 30, fps=30, seed=pictures)
    folder = case_folder(tmp_path / "case", clip, recording="field = [166, 120, 112]\n", more=CARD)
    done = fieldstop("make", folder, "--out", tmp_path / "out")
    assert done.value["ready"], done.value["withheld"]
    with closing(av.open(done.value["ready"])) as made:
        stamps = sorted(p.pts for p in made.demux(video=0) if p.pts is not None)
    steps = Counter(b - a for a, b in pairwise(stamps))
    assert sum(n for step, n in steps.items() if abs(step - 3000) <= 1) >= len(stamps) - 3, steps
    plan = Plan.model_validate_json(next(tmp_path.rglob("plan.json")).read_bytes())
    begins_s = plan.pieces[-1].out_start_s
    assert plan.pieces[-1].kind == "card" and abs(1000 * begins_s % 1 - 0.5) < 0.25
    for rounded_s in (round(begins_s, 3), begins_s):
        assert piece_number(plan, rounded_s) == len(plan.pieces) - 1
        assert piece_number(plan, rounded_s - 1 / 30) == len(plan.pieces) - 2
