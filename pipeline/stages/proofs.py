"""What a proof shows of a finished clip: pictures of it, and where its redactions stand in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipeline.media.frame import Picture, jpeg
from pipeline.media.pictures import read_pictures
from pipeline.media.probe import probe
from pipeline.model.plan import Piece, Plan, Redaction
from pipeline.model.timeline import Timeline, case_to_clip, seen_in_clip

EVERY_S = 2.0
MOST_PICTURES = 60
MOST_EXACT = 60


@dataclass(frozen=True)
class SeenPicture:
    """A picture of the finished clip. case_s: None where it shows no moment of the case."""

    out_s: float
    case_s: float | None
    jpeg: bytes


@dataclass(frozen=True)
class SeenRedaction:
    """A redaction that the clip shows or lets hear, with its spans on both axes.

    box: x, y, width, height as shares of the finished picture; None for sound. out_s: a
    moment at which it stands in the clip. reason: empty for what a person decided: what they
    wrote stays private, the proof may leave.
    """

    what: str
    reason: str
    origin: str
    out: tuple[tuple[float, float], ...]
    case: tuple[tuple[float, float], ...]
    box: tuple[float, float, float, float] | None

    @property
    def out_s(self) -> float:
        start, stop = max(self.out, key=lambda s: s[1] - s[0])
        return (start + stop) / 2


def case_time(plan: Plan, out_s: float) -> float | None:
    """Case time of a moment of the clip; None on a card or where the picture is held black."""
    timeline = Timeline(pieces=[p for p in plan.pieces if p.kind in ("play", "freeze")])
    at_s = timeline.case_at_clip(out_s)
    return None if at_s is None else round(at_s, 3)


def picture_times(plan: Plan) -> list[float]:
    """Clip times of the pictures: one in the middle of every part of equal length."""
    count = max(1, min(MOST_PICTURES, round(plan.duration_s / EVERY_S)))
    step_s = plan.duration_s / count
    return [round((n + 0.5) * step_s, 3) for n in range(count)]


class SeenFold:
    """Pictures of the finished clip every so often, from the decode of who verifies it."""

    def __init__(self, plan: Plan, rows_px: int = 240) -> None:
        self._plan, self._rows_px = plan, rows_px
        self._times = picture_times(plan)[::-1]
        self._last: Picture | None = None
        self._seen: list[SeenPicture] = []

    def step(self, picture: Picture) -> None:
        """A decoded picture, in order of time: the first at or after a wanted time is kept."""
        self._last = picture
        if self._times and picture.time_s >= self._times[-1]:
            while self._times and picture.time_s >= self._times[-1]:
                self._times.pop()
            self._keep(picture)

    def _keep(self, picture: Picture) -> None:
        data = jpeg(picture.frame, self._rows_px, self._plan.matrix, 80)
        at_s = picture.time_s
        self._seen.append(SeenPicture(at_s, case_time(self._plan, at_s), data))

    def finish(self) -> tuple[SeenPicture, ...]:
        """With the last one of the clip, which stands until its end, where that is wanted."""
        last, seen = self._last, self._seen
        if self._times and last is not None and (not seen or seen[-1].out_s < last.time_s):
            self._keep(last)
        return tuple(seen)


def picture_at(finished: Path, plan: Plan, out_s: float, rows_px: int = 240) -> bytes | None:
    """The picture of the clip at `out_s` as a JPEG; None if there is none."""
    recording = probe(finished)
    for picture in read_pictures(finished, recording, start_s=max(0.0, out_s - 0.02)):
        return jpeg(picture.frame, rows_px, plan.matrix, 80)
    return None


def seen_redactions(plan: Plan) -> list[SeenRedaction]:
    """Every redaction that falls on what the clip shows, in order; equal ones are one.

    What was cut out of the clip has none, and the surround is black throughout.
    """
    rows: dict[tuple[object, ...], list[tuple[float, float, float]]] = {}
    for r in plan.redactions:
        if r.what == "surround":
            continue
        for piece in plan.pieces:
            span = _in_piece(piece, r)
            if span is not None:
                said = "" if r.origin == "decision" else r.reason
                key = (r.what, said, r.origin, r.source, r.box_px)
                rows.setdefault(key, []).append(span)
    out = []
    for (what, reason, origin, source, box), spans in rows.items():
        spans.sort()
        shown = _joined([(a, b) for a, b, _ in spans])
        cased = _joined([(c, c + b - a) for a, b, c in spans])
        place = _box_share(plan, source, box) if box is not None else None  # type: ignore[arg-type]
        out.append(SeenRedaction(str(what), str(reason), str(origin), shown, cased, place))
    return sorted(out, key=lambda r: (r.what == "speech", r.out[0][0]))


def _in_piece(piece: Piece, r: Redaction) -> tuple[float, float, float] | None:
    """Clip start, clip stop and case start of a redaction in a piece; None if it shows none."""
    if piece.source != r.source or (r.what == "speech" and piece.kind != "play"):
        return None
    shown = seen_in_clip(piece, (r.start_s, r.stop_s))
    if shown is None:
        return None
    case_s = case_to_clip(piece).back.at(shown.start_s)
    return round(shown.start_s, 3), round(shown.stop_s, 3), round(case_s, 3)


def _joined(spans: list[tuple[float, float]]) -> tuple[tuple[float, float], ...]:
    out: list[tuple[float, float]] = []
    for start, stop in sorted(spans):
        if out and start <= out[-1][1] + 0.05:
            out[-1] = (out[-1][0], max(stop, out[-1][1]))
        else:
            out.append((start, stop))
    return tuple((round(a, 3), round(b, 3)) for a, b in out)


def _box_share(
    plan: Plan, source: int, box: tuple[int, int, int, int]
) -> tuple[float, float, float, float]:
    """A box of a source as shares of the finished picture."""
    x, y, w, h = plan.placement(source).box(box)
    a, b = max(0.0, x / plan.width_px), max(0.0, y / plan.height_px)
    c = min(1.0, (x + w) / plan.width_px)
    d = min(1.0, (y + h) / plan.height_px)
    return a, b, max(0.0, c - a), max(0.0, d - b)
