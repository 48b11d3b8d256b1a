"""Which clips are wanted: from the command line, or from a cue sheet (TOML or CSV)."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

from pipeline.errors import InputError, UsageError
from pipeline.media.container import check_plain_file
from pipeline.model.faults import TOML_HINT, toml_place
from pipeline.model.time import Span, parse_time
from pipeline.model.toml_text import load_toml
from pipeline.stages.values import ClipCut


def cuts_of(from_: str | None, to: str | None, title: str, cues: Path | None) -> list[ClipCut]:
    """Clips in order. Raises UsageError or InputError with what is wrong."""
    if cues is not None:
        if from_ is not None or to is not None:
            raise UsageError("--cues stands alone", "--from or --to too", "give one of the two")
        rows = _rows(cues)
        if not rows:
            raise InputError("The cue sheet lists no clips", "", "write from, to and title")
        cuts = [_cut(row, number) for number, row in enumerate(rows, 1)]
        # The same part under two titles is two clips.
        count: Counter[str] = Counter()
        for number, cut in enumerate(cuts):
            count[cut.name] += 1
            if count[cut.name] > 1:
                cuts[number] = replace(cut, name=f"{cut.name}-{count[cut.name]}")
        return cuts
    if from_ is None or to is None:
        raise UsageError("clip takes --from and --to, or --cues", "", "give both times")
    return [_cut({"from": from_, "to": to, "title": title}, None)]


def _cut(row: dict[str, Any], number: int | None) -> ClipCut:
    where = f"cue {number}" if number else "the clip"
    if not {"from", "to"} <= set(row):
        raise InputError(f"{where} lacks from or to", "", "write from, to and title")
    unknown = sorted(set(row) - {"from", "to", "title"})
    if unknown:
        raise InputError(f"{where} has a key that is not known", "", "use from, to, title")
    try:
        start_s, stop_s = parse_time(row["from"] or ""), parse_time(row["to"] or "")
    except UsageError as error:
        said = f"{where}: {error.what[0].lower()}{error.what[1:]}"
        raise UsageError(said, error.got, error.do) from None
    if stop_s - start_s < 0.1:
        raise UsageError(f"{where} is too short or ends before it starts",
                         f"{start_s:g} to {stop_s:g} s", "give a later end")  # fmt: skip
    span = Span(start_s, stop_s)
    return ClipCut(span, str(row.get("title") or ""), part_name(span))


def part_name(span: Span) -> str:
    """`0m02s5-0m08s0`: a title may name somebody, times do not."""
    return "-".join(_time_name(t) for t in span)


def _time_name(time_s: float) -> str:
    whole, _, rest = f"{time_s:.3f}".partition(".")
    minutes, seconds = divmod(int(whole), 60)
    return f"{minutes}m{seconds:02d}s{rest.rstrip('0') or '0'}"


def _rows(path: Path) -> list[dict[str, Any]]:
    check_plain_file(path)
    if (size := path.stat().st_size) > 1_000_000:
        raise InputError("The cue sheet is too large", f"{size} bytes", "give one with the cues")
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        raise InputError("The cue sheet cannot be read", "", "save it as UTF-8") from None
    if path.suffix.lower() == ".csv":
        head = text.partition("\n")[0]
        between = next((c for c in ",;\t" if c in head), ",")  # table programs differ
        reader = csv.DictReader(io.StringIO(text), delimiter=between, restkey="more")
        rows = [
            {(k or "").strip().lower(): (v or "").strip() if k != "more" else v
             for k, v in row.items()}
            for row in reader
        ]  # fmt: skip
        for number, row in enumerate(rows, 1):
            if "more" in row:
                raise InputError(
                    f"cue {number} has more columns than the first line names", "",
                    "put a title that holds the separator into quotes",
                )  # fmt: skip
        return rows
    try:
        values = load_toml(text)
    except (ValueError, RecursionError) as error:
        raise InputError("The cue sheet is not valid TOML", toml_place(error), TOML_HINT) from None
    clips = values.get("clip")
    good = isinstance(clips, list) and all(isinstance(clip, dict) for clip in clips)
    if not isinstance(clips, list) or not good or set(values) != {"clip"}:
        raise InputError("The cue sheet holds no [[clip]] list", "", "write [[clip]] tables")
    return clips
