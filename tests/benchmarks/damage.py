"""How much of random damage is found: through `make`, by the decode of the undamaged file.

    python tests/benchmarks/damage.py [--count 100] [--seed 1]

A concealed picture is one that differs from that of the undamaged file (see `tests/damages.py`).
It is missed if the finished clip shows it. Prints a table; gates nothing.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import damages

from pipeline.errors import FieldstopError
from pipeline.settings import load_options
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked

NAMES = (*damages.CODINGS, "dv.avi")
_whole: dict[str, Any] = {}


def one(job: tuple[str, int, Path]) -> dict[str, Any]:
    name, seed, folder = job
    source = folder / name
    if name not in _whole:
        _whole[name] = damages.lumas(source)
    data, harm = damages.harmed(source.read_bytes(), random.Random(f"{name} {seed}"))
    row: dict[str, Any] = {"name": name, "seed": seed, "harm": harm, "refused": "", "wrong": 0,
                           "missed": [], "black_s": 0.0, "withheld": []}  # fmt: skip
    with tempfile.TemporaryDirectory(dir=folder) as work:
        path = Path(work) / name
        path.write_bytes(data)
        config = Path(work) / "c.toml"
        config.write_text("[anonymity]\nlettering = false\nfaces = false\n")
        try:
            run = run_case(
                path, Path(work) / "out", load_options(None, config),
                Asked(consent="public", approve="AB", looked="AB"),
                catalogue=Path(work) / "c.sqlite3",
            )  # fmt: skip
        except FieldstopError as error:
            row["refused"] = error.what
            return row
        assert run.plan is not None
        row["withheld"] = [w.message for w in run.withheld]
        wrong = damages.wrong_times(damages.lumas(path), _whole[name])
        played = [
            (p.start_s, p.start_s + p.length_s if p.kind == "play" else p.start_s + 0.04)
            for p in run.plan.pieces
            if p.kind in ("play", "freeze")
        ]
        row["wrong"] = len(wrong)
        row["missed"] = [t for t in wrong if any(a - 1e-6 <= t < b for a, b in played)]
        row["black_s"] = sum(p.length_s for p in run.plan.pieces if p.kind == "black")
    return row


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        for name in NAMES:
            damages.clean(folder, name)
        jobs = [(NAMES[n % len(NAMES)], wanted.seed * 10_000 + n, folder)
                for n in range(wanted.count)]  # fmt: skip
        rows = []
        with ProcessPoolExecutor(wanted.jobs) as pool:
            for row in pool.map(one, jobs):
                rows.append(row)
                if row["missed"] or row["withheld"]:
                    print(row["name"], row["seed"], row["harm"], "wrong", row["wrong"], "missed",
                          len(row["missed"]), row["withheld"])  # fmt: skip
    print(f"{'file':10} damages  refused  seen  missed | pictures wrong  missed | s black")
    for name in (*NAMES, "all"):
        mine = [r for r in rows if name in (r["name"], "all")]
        print(
            f"{name:10} {len(mine):7} {sum(bool(r['refused']) for r in mine):8} "
            f"{sum(r['wrong'] > 0 for r in mine):5} {sum(bool(r['missed']) for r in mine):7} | "
            f"{sum(r['wrong'] for r in mine):14} {sum(len(r['missed']) for r in mine):7} | "
            f"{sum(r['black_s'] for r in mine):7.1f}"
        )


if __name__ == "__main__":
    main()
