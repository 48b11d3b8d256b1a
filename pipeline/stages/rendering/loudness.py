"""The mix brought to its loudness and coded, and the loudness of a finished file."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.analysis.sound.coded import MOST_TRIES, Try, next_gain_db
from pipeline.analysis.sound.limiter import AAC_MARGIN_DB, LimiterReport, fit_gain, limit
from pipeline.analysis.sound.loudness import LoudnessFold
from pipeline.media.sound import read_sound
from pipeline.media.stems import Stem, write_stem
from pipeline.media.write import code_sound
from pipeline.model.options import Options

CODED_MOST_DB = 0.5  # what coding took may be given back
_STILL_OVER_DB = 0.1
_LOUDER = 3.0  # a clip that is too loud is worse than one that is too quiet


@dataclass(frozen=True)
class CodedSound:
    """The mix at its loudness: as samples and coded; what the limiter did.

    limited: also how often the encoder ended itself before it was coded, where it did.
    """

    path: Path
    mix: Stem
    gain_db: float
    limited: dict[str, float]


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


def coded_to_loudness(
    raw: Stem, wanted_lufs: float, most_db: float, options: Options, work: Path
) -> CodedSound:
    """The mix `raw` coded so that it measures wanted_lufs, its true peak under the profile's.

    Measured after coding, on the sound alone. The best of the tries is given; `raw` stays.
    """
    peak_dbtp = options.output.true_peak_dbtp
    margin_db, gain_db = AAC_MARGIN_DB, None
    best: CodedSound | None = None
    least = math.inf
    tries: list[Try] = []
    limit_db = most_db + CODED_MOST_DB
    number = 0
    while True:
        mix, used_db, limited = to_loudness(
            raw, wanted_lufs, most_db, options, work, gain_db, margin_db
        )
        coded = work / f"sound{number % 2}.m4a"
        if aborted := code_sound(mix.path, coded, mix.channels, options.output.audio_kbps):
            limited["encoder_aborted"] = float(aborted)
        measured = loudness_of(coded, mix.channels)
        over_db, over_lu = 0.0, 0.0
        if measured.true_peak_dbtp is not None:
            over_db = max(0.0, measured.true_peak_dbtp - peak_dbtp)
        if measured.integrated_lufs is not None:
            over_lu = measured.integrated_lufs - wanted_lufs
        if (error := max(-over_lu, _LOUDER * over_lu) + 100 * over_db) < least:
            least = error
            kept = mix.path.replace(work / "kept.f32")
            best = CodedSound(coded, Stem(kept, mix.channels), used_db, limited)
            number += 1  # the other name is free for the next
        tries.append(Try(used_db, over_lu))
        if over_db:
            margin_db += over_db + _STILL_OVER_DB
        if (following := next_gain_db(tries, limit_db)) is not None:
            gain_db = following
        elif over_db and len(tries) < MOST_TRIES:
            gain_db = used_db  # once more at this gain, under a lower ceiling
        else:
            break
    assert best is not None
    return best
