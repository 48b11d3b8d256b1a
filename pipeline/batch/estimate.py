"""What a batch will take, before it begins: time from measured cases, disk from measured sizes."""

from __future__ import annotations

import os
import shutil
import statistics
from collections.abc import Iterable, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from pipeline.errors import FieldstopError, OutputError
from pipeline.media.container import open_media
from pipeline.model.batch import BatchEstimate

# Measured on two cores, all measures on: processor seconds of one second of 1920x1080 at
# 30 Hz, and what every case costs whatever its length (start, plan, report).
CPU_PER_LOAD = 125 / 60
CPU_PER_CASE_S = 8.0
# One case keeps about so many cores busy.
CORES_PER_CASE = 1.6
# While a case is made: sound stems and small pictures on disk. They do not grow with the
# size of the picture: measured 1.6 MB a second.
WORK_MB_PER_S = 1.7
# Finished clip beside its sources at the default quality; recorders code loosely, but a
# recording that was already coded tightly grows.
CLIP_PER_SOURCE = 1.3
KEPT_MB_PER_CASE = 3.0  # report, surveys, plan
FULL_RATE = 1920 * 1080 * 30.0
# Below this share of the estimate the disk is plainly too small.
PLAINLY = 0.6


@dataclass(frozen=True)
class Size:
    """length_s: of the recordings by their headers. load_s: seconds of 1080p30."""

    length_s: float = 0.0
    load_s: float = 0.0
    source_mb: float = 0.0

    @property
    def clip_mb(self) -> float:
        return self.source_mb * CLIP_PER_SOURCE + KEPT_MB_PER_CASE

    @property
    def work_mb(self) -> float:
        return self.length_s * WORK_MB_PER_S + self.source_mb * CLIP_PER_SOURCE


def size_of(recordings: Iterable[Path]) -> Size:
    """Sizes from headers alone; a file that cannot be read counts by its bytes only."""
    length_s = load_s = source_mb = 0.0
    for path in recordings:
        try:
            source_mb += path.stat().st_size / 1e6
            with closing(open_media(path)) as container:
                picture = next(iter(container.streams.video), None)
                if picture is None:
                    continue
                seconds = (container.duration or 0) / 1e6
                rate = float(picture.average_rate or 25)
                seconds = min(max(0.0, seconds), 1e6)
                length_s += seconds
                load_s += seconds * picture.width * picture.height * min(rate, 240) / FULL_RATE
        except (OSError, FieldstopError, ValueError, ZeroDivisionError):
            continue
    return Size(length_s, load_s, source_mb)


class Pace:
    """Processor seconds of a case, learned from (load_s, cpu_s) of cases made before."""

    def __init__(self, costs: Sequence[tuple[float, float]]) -> None:
        ratios = [
            max(0.0, cpu - CPU_PER_CASE_S) / load for load, cpu in costs if load >= 5 and cpu > 0
        ]
        self.cpu_per_load = statistics.median(ratios) if len(ratios) >= 3 else CPU_PER_LOAD

    def cpu_s(self, size: Size) -> float:
        return CPU_PER_CASE_S + self.cpu_per_load * size.load_s

    def wall_s(self, sizes: Sequence[Size], workers: int, cores: int) -> float:
        """Time for all: the cores shared, never less than the longest case alone."""
        if not sizes:
            return 0.0
        busy = min(float(cores), workers * CORES_PER_CASE)
        each = [self.cpu_s(s) for s in sizes]
        return max(sum(each) / max(1.0, busy), max(each) / min(CORES_PER_CASE, cores))


def disk_mb(sizes: Sequence[Size], workers: int) -> float:
    """Disk for all clips, and for the largest cases that are made at once."""
    at_once = sorted((s.work_mb for s in sizes), reverse=True)[:workers]
    return sum(s.clip_mb for s in sizes) + sum(at_once)


def estimated(
    sizes: Sequence[Size], pace: Pace, workers: int, cores: int, out: Path
) -> BatchEstimate:
    """What cases of these sizes are thought to need, and what of it the disk has."""
    return BatchEstimate(
        cases=len(sizes),
        length_s=round(sum(s.length_s for s in sizes), 3),
        wall_s=round(pace.wall_s(sizes, workers, cores)),
        disk_mb=round(disk_mb(sizes, workers)),
        free_mb=round(free_mb(out)),
    )


def free_mb(folder: Path) -> float:
    """Free disk space where `folder` lies or will lie."""
    place = Path(os.path.realpath(folder))
    while not place.exists() and place != place.parent:
        place = place.parent
    return shutil.disk_usage(place).free / 1e6


def refuse_small_disk(need_mb: float, have_mb: float, reserve_mb: float) -> None:
    """Raises OutputError where the disk is plainly too small for what is to be made."""
    if need_mb > 0 and have_mb - reserve_mb < PLAINLY * need_mb:
        raise OutputError(
            "The disk has too little space for what is to be made",
            f"about {size_text(need_mb)} needed, {size_text(have_mb)} free,"
            f" {size_text(reserve_mb)} to stay free",
            "free some space, give another --out, or make part of the folder",
        )


def size_text(mb: float) -> str:
    if mb >= 1e3:
        return f"{mb / 1e6:.1f} TB" if mb >= 1e6 else f"{mb / 1e3:.1f} GB"
    return f"{mb:.0f} MB"


def time_text(seconds: float) -> str:
    """`40 s`, `12 min`, `3 h 20 min`, `2 d 4 h`."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min" if minutes else f"{hours} h"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h" if hours else f"{days} d"
