"""The decoded pictures of one piece at their times in the clip."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from pipeline.media.frame import Picture
from pipeline.media.pictures import read_pictures
from pipeline.media.prefetch import prefetched
from pipeline.media.time_stamps import ReadReport
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan
from pipeline.model.time import format_time
from pipeline.model.timeline import pictures
from pipeline.stages.rendering.given import SourceMedia

SHORTEST_S = 0.002  # a picture that would stand for less is left out at the end of a part
Reader = Callable[..., Iterator[Picture]]  # reads as `read_pictures` does


def piece_pictures(
    piece: Piece,
    plan: Plan,
    media: Sequence[SourceMedia],
    options: Options,
    damage: list[str] | None = None,
    read: Reader = read_pictures,
) -> Iterator[tuple[float, Picture | None]]:
    """(out time, picture) of one piece; a held or black picture is repeated."""
    source = media[piece.source]
    size_px = plan.placement(piece.source).picture_px
    shown = pictures(piece)
    if piece.kind == "play":
        empty = True
        report = ReadReport()
        reading = read(
            source.path,
            source.recording,
            report=report,
            start_s=piece.start_s,
            stop_s=shown.stop_s,
            size_px=size_px,
            matrix=plan.matrix,
            double_rate=options.output.deinterlace == "double",
            threads=options.machine.threads,
        )
        for picture in prefetched(reading):
            out_s = shown.at(max(piece.start_s, picture.time_s))
            if not empty and piece.in_clip.stop_s - out_s < SHORTEST_S:
                continue  # the next part begins at once: containers would give both one time
            yield (0.0 if empty and piece.out_start_s == 0 else out_s), picture
            empty = False
            stood, stood_s = picture, out_s
        if damage is not None:
            damage += told_damage(report, piece, source)
        # Damaged at its end: the last picture stands until the part ends.
        step_s = 1 / max(plan.frame_rate_hz, 1.0)
        end_s = piece.in_clip.stop_s - step_s
        if not empty and end_s - stood_s > 1.5 * step_s:
            yield end_s, stood
        return
    held: Picture | None = None
    if piece.kind == "freeze":
        last = None
        for picture in read(
            source.path,
            source.recording,
            start_s=max(0.0, piece.start_s - 1.0),
            stop_s=piece.start_s + 1e-4,
            from_key=True,  # a picture may stand for longer
            size_px=size_px,
            matrix=plan.matrix,
            threads=options.machine.threads,
        ):
            last = picture
        held = last
    count = max(1, round(piece.length_s * plan.frame_rate_hz))
    for number in range(count):
        yield piece.out_start_s + number * piece.length_s / count, held


def told_damage(report: ReadReport, piece: Piece, media: SourceMedia) -> list[str]:
    """A sentence where packets of a played part could not be decoded.

    What lies before the part is left out: decoding after a seek begins in mid-air.
    """
    played = pictures(piece)
    spans = [
        f"{format_time(a)} to {format_time(b)}"
        for a, b in report.damaged_spans(media.recording.jumps)
        if b >= played.start_s and a < played.stop_s
    ]
    if not spans:
        return []
    where = ", ".join(spans[:10]) + (" and more" if len(spans) > 10 else "")
    return [
        f"damaged packets in the picture of recording {piece.source + 1}, at {where}: look there"
    ]
