"""How the two tracks are put together: gains over time, with the reasons and the expectation."""

from __future__ import annotations

from pydantic import Field

from pipeline.model.document import Part

Keyframe = tuple[float, float]
"""(time_s, gain_db). Between keyframes the gain moves as a raised cosine in dB."""


class MixExpectation(Part):
    """What the plan expects the render to measure; None where there is nothing to measure."""

    integrated_lufs: float | None = None
    narration_lufs: float | None = None
    background_lufs: float | None = Field(
        default=None, description="background while nobody narrates, after its gain"
    )
    depth_share: float | None = Field(
        default=None, description="share of narrated 400 ms windows at or above the depth"
    )
    depth_p5_lu: float | None = Field(default=None, description="5th percentile of the depth")
    depth_min_lu: float | None = None


class MixPlan(Part):
    """Gains of narration and background on the output's time axis, [0, duration_s)."""

    duration_s: float
    loudness_lufs: float
    true_peak_dbtp: float
    depth_lu: float
    narration_gain: list[Keyframe] = Field(
        default=[], description="static gain and riding between sentences; empty: no narration"
    )
    background_gain: list[Keyframe] = Field(
        default=[], description="level, bursts and ducking; empty: no background"
    )
    narration_static_db: float = Field(
        default=0.0, description="static gain of the mix; the background gets at most this"
    )
    background_static_db: float = Field(
        default=0.0, description="background between narrations, before bursts are held"
    )
    trim_db: float = Field(default=0.0, description="gain of the whole mix that was needed on top")
    narrated: list[tuple[float, float]] = Field(
        default=[], description="spans kept ducked, holds included, ramps not"
    )
    expected: MixExpectation = MixExpectation()
    warnings: list[str] = []
