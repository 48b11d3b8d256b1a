"""Times and half-open spans.

Frame times are integer pts with a rational time base inside `media`; seconds,
rounded to six decimals, are what documents and people see.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from pipeline.errors import UsageError

_TIME = re.compile(r"^(?:(?:(\d{1,3}):)?(\d{1,3}):)?(\d{1,6}(?:\.\d{1,6})?)$")


class Span(NamedTuple):
    """Half-open span [start_s, stop_s) in seconds."""

    start_s: float
    stop_s: float

    @property
    def length_s(self) -> float:
        return self.stop_s - self.start_s

    def overlap(self, other: Span) -> Span | None:
        start, stop = max(self.start_s, other.start_s), min(self.stop_s, other.stop_s)
        return Span(start, stop) if stop > start else None

    def padded(self, pad_s: float, limit_s: float = math.inf) -> Span:
        return Span(max(0.0, self.start_s - pad_s), min(limit_s, self.stop_s + pad_s))


def round_s(time_s: float) -> float:
    """Seconds rounded to six decimals, as documents store them."""
    return round(time_s, 6)


def parse_time(text: str | float | int) -> float:
    """Seconds from `90`, `1:30`, `1:30.5` or `0:01:30`.

    Raises UsageError for anything else, negative times included.
    """
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        if not math.isfinite(text) or text < 0:
            raise UsageError("A time must be zero or later", str(text), "write 90, 1:30 or 0:01:30")
        return float(text)
    match = _TIME.match(str(text).strip())
    if not match:
        raise UsageError(
            "A time cannot be read", _shown(str(text)), "write 90, 1:30, 1:30.5 or 0:01:30"
        )
    hours, minutes, seconds = match.groups()
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + float(seconds)


def _shown(text: str) -> str:
    """A mistyped time; of anything else only its length, since it may be a name."""
    typed = re.fullmatch(r"[-+0-9:.,;' hms]{1,20}", text)
    return repr(text) if typed else f"a text of {len(text)}"


def format_time(time_s: float) -> str:
    """`1:05.2` or `1:02:05.2`, rounded to a tenth of a second, for people."""
    tenths = round(max(0.0, time_s) * 10)
    hours, rest = divmod(tenths, 36000)
    minutes, tenths = divmod(rest, 600)
    tail = f"{tenths // 10:02d}.{tenths % 10}"
    return f"{hours}:{minutes:02d}:{tail}" if hours else f"{minutes}:{tail}"


def times(spans: Sequence[Span], most: int = 5) -> str:
    """When the first of the spans begin, for a sentence: `0:01.7, 0:04.0 and 3 times more`."""
    more = f" and {len(spans) - most} times more" if len(spans) > most else ""
    return ", ".join(format_time(s.start_s) for s in spans[:most]) + more


def merge_spans(spans: Iterable[tuple[float, float]], gap_s: float = 0.0) -> list[Span]:
    """Sorted union of spans; pieces at most `gap_s` apart are joined, empty ones dropped."""
    out: list[Span] = []
    for start, stop in sorted((float(a), float(b)) for a, b in spans):
        if stop <= start:
            continue
        if out and start <= out[-1].stop_s + gap_s:
            out[-1] = Span(out[-1].start_s, max(out[-1].stop_s, stop))
        else:
            out.append(Span(start, stop))
    return out


def subtract_spans(
    base: Iterable[tuple[float, float]], holes: Iterable[tuple[float, float]]
) -> list[Span]:
    """What is left of `base` when every span of `holes` is taken out."""
    left = merge_spans(base)
    for hole in merge_spans(holes):
        kept: list[Span] = []
        for span in left:
            if span.overlap(hole) is None:
                kept.append(span)
                continue
            if span.start_s < hole.start_s:
                kept.append(Span(span.start_s, hole.start_s))
            if span.stop_s > hole.stop_s:
                kept.append(Span(hole.stop_s, span.stop_s))
        left = kept
    return left


def total_s(spans: Iterable[tuple[float, float]]) -> float:
    """Summed length of the union of spans."""
    return sum(s.length_s for s in merge_spans(spans))
