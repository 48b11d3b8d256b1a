"""The mix brought to its loudness, and the loudness of a finished file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pipeline.analysis.sound.limiter import LimiterReport, fit_gain, limit
from pipeline.analysis.sound.loudness import LoudnessFold
from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.model.options import Options


def loudness_of(path: Path, channels: int) -> Any:
    """Loudness of the sound of a finished file (`analysis.sound.loudness.Loudness`)."""
    fold = LoudnessFold(channels)
    for block in read_sound(path, channels=channels):
        fold.step(block)
    return fold.finish()


def to_loudness(
    raw: Stem,
    loudness_lufs: float,
    most_db: float,
    options: Options,
    work: Path,
    gain_db: float | None,
    margin_db: float,
) -> tuple[Stem, float, dict[str, float]]:
    """Bring the mix to its loudness below the true peak: static gain and a limiter.

    gain_db: None finds it by measuring, at most most_db; else it is taken as it is.
    """
    peak = options.output.true_peak_dbtp
    if gain_db is None:
        fit = fit_gain(
            raw.blocks,
            raw.channels,
            loudness_lufs,
            peak,
            margin_db=margin_db,
            most_passes=6,
            limits_db=(-60.0, most_db),
        )
        gain_db = fit.gain_db
    report = LimiterReport()
    made = write_stem(
        work / "sound.f32",
        raw.channels,
        limit(raw.blocks(), gain_db, peak - margin_db, report=report),
        raw.length,
    )
    limited = {
        key: round(float(value), 4)
        for key, value in vars(report).items()
        if isinstance(value, (int, float))
    }
    return made, gain_db, limited
