"""A made-up case for the report and the page, and a browser to look at them with."""

from __future__ import annotations

import io
import os
import shutil
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageFilter

from pipeline.model.field import FieldSpan
from pipeline.model.findings import Event, Findings, Speech
from pipeline.model.release import Check, Withheld
from pipeline.model.survey import Face, Lettering, Survey, SurveyedRecording, TrackLoudness
from pipeline.review.report.data import RecordingPart, ReportData

WIDTH, HEIGHT = 1280, 720
SHA = ["9f2c41d07be85a6310c4ee90ab12cd34" * 2, "b81e77a05c93d24f6e1a8b0c4d5f9e21" * 2]


def jpeg(seed: int, fog: float = 0.0) -> bytes:
    """A round field with smooth blotches, veiled by `fog` (0..1)."""
    rng = np.random.default_rng(seed)
    small = rng.normal(0, 1, (24, 42)) + 0.6 * rng.normal(0, 1, (1, 42))
    rough = np.asarray(
        Image.fromarray(small.astype(np.float32)).resize((480, 270), Image.Resampling.BICUBIC)
    )
    fine = np.asarray(
        Image.fromarray(rng.normal(128, 60, (270, 480)).clip(0, 255).astype(np.uint8)).filter(
            ImageFilter.GaussianBlur(2)
        ),
        dtype=np.float32,
    )
    base = 0.5 + 0.13 * rough + 0.004 * (fine - 128)
    rgb = np.stack([base * 205, base * 110 - 4, base * 92 - 6], axis=-1).clip(0, 255)
    rgb = rgb * (1 - fog) + 215 * fog
    row, col = np.mgrid[:270, :480]
    lit = ((col - 240) ** 2 + (row - 135) ** 2 < 128**2) & (abs(row - 135) < 120)
    rgb = rgb * (1 - 0.3 * np.hypot(col - 240, row - 135)[..., None] / 128)
    picture = Image.fromarray((rgb * lit[..., None]).clip(0, 255).astype(np.uint8))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=80)
    return out.getvalue()


def mel_png() -> bytes:
    """A sound picture: grey noise."""
    out = io.BytesIO()
    noise = np.random.default_rng(2).integers(40, 255, (64, 300), np.uint8)
    Image.fromarray(noise).save(out, "PNG")
    return out.getvalue()


def span(duration_s: float) -> FieldSpan:
    return FieldSpan(
        start_s=0,
        stop_s=duration_s,
        shape="circle-clipped",
        center_x_px=640,
        center_y_px=360,
        radius_px=341,
        left_px=299,
        top_px=40,
        right_px=981,
        bottom_px=680,
        confidence=0.97,
    )


def series(duration_s: float, events: list[Event], seed: int, rate: float = 5.0) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    time = np.arange(0, duration_s, 1 / rate)
    loss = 0.02 + 0.01 * np.abs(rng.normal(size=time.size))
    for event in events:
        if event.peak_loss is None:
            continue
        on = (time >= event.start_s) & (time < event.stop_s)
        since = time - event.start_s
        tau = (event.stop_s - event.start_s) / 2.2
        curve = event.peak_loss * np.where(since < 0.8, since / 0.8, np.exp(-(since - 0.8) / tau))
        loss = np.where(on, np.maximum(loss, curve), loss)
    loss[(time > duration_s * 0.91) & (time < duration_s * 0.94)] = np.nan
    width = 0.03 + 0.1 * loss
    return {
        "time_s": time,
        "contrast_loss": loss,
        "contrast_loss_low": np.clip(loss - width, 0, 1),
        "contrast_loss_high": np.clip(loss + width, 0, 1),
        "veiling_luminance": np.clip(0.05 + 0.8 * loss + 0.01 * rng.normal(size=time.size), 0, 1),
    }


def wav(seconds: float = 0.3) -> bytes:
    import soundfile

    out = io.BytesIO()
    tone = 0.1 * np.sin(2 * np.pi * 440 * np.arange(int(8000 * seconds)) / 8000)
    soundfile.write(out, tone, 8000, format="WAV")
    return out.getvalue()


def make_data(
    *, recordings: int = 2, duration_s: float = 372.0, rate: float = 5.0, state: str = "withheld"
) -> ReportData:
    """A case with fog, smudge, lettering, room speech and one thing left to resolve."""
    parts, thumbs, strips = [], [], []
    for index in range(recordings):
        k = duration_s / 372
        events = [
            Event(
                kind="fog",
                start_s=41.2 * k,
                stop_s=52.8 * k,
                peak_loss=0.62 - 0.1 * index,
                mean_loss=0.31,
                confidence=0.94,
            ),
            Event(
                kind="smudge",
                start_s=118.0 * k,
                stop_s=161.4 * k,
                peak_loss=0.28,
                mean_loss=0.24,
                confidence=0.81,
            ),
            Event(
                kind="fog",
                start_s=203.0 * k,
                stop_s=209.5 * k,
                peak_loss=0.41,
                mean_loss=0.22,
                confidence=0.9,
            ),
            Event(
                kind="glare", start_s=240.0 * k, stop_s=243.0 * k, peak_loss=None, confidence=0.7
            ),
            Event(
                kind="out_of_body",
                start_s=352.0 * k,
                stop_s=366.0 * k,
                peak_loss=None,
                confidence=0.99,
            ),
        ]
        survey = Survey(
            recording=SurveyedRecording(
                sha256=SHA[index % 2],
                duration_s=duration_s,
                frame_rate_hz=25,
                width_px=WIDTH,
                height_px=HEIGHT,
                frames=int(duration_s * 25),
            ),
            field=[span(duration_s)],
            lettering=[
                Lettering(
                    start_s=0,
                    stop_s=duration_s,
                    box_px=(40, 60, 180, 30),
                    where="surround",
                    confidence=0.98,
                )
            ],
            faces=[
                Face(
                    start_s=355.0 * k, stop_s=358.0 * k, box_px=(500, 200, 220, 260), confidence=0.8
                )
            ]
            if index == 0
            else [],
        )
        side = "left" if index == 0 else "right"
        parts.append(
            RecordingPart(
                f"recording {index + 1}, {side}",
                survey,
                series(duration_s, events, index, rate),
                Findings(events=events, speech=Speech(procedure=[(12.0, 14.5)])),
            )
        )
        for i, at in enumerate((0.05, 0.45, 0.8)):
            thumbs.append(
                (
                    index,
                    at * duration_s,
                    jpeg(10 * index + i),
                    span(duration_s),
                    f"{side}, {('start', 'middle', 'end')[i]}",
                )
            )
        strips.append(
            (
                index,
                events[0],
                [jpeg(30 + index), jpeg(40 + index, 0.6), jpeg(50 + index, 0.1)],
                4.2,
            )
        )
        strips.append(
            (index, events[1], [jpeg(33 + index), jpeg(43 + index, 0.25), jpeg(53 + index)], None)
        )
    total = recordings * duration_s
    time = np.arange(0, total, 0.1 * max(1.0, total / 3600))
    rng = np.random.default_rng(5)
    talk = [(6 + 40 * i, 6 + 40 * i + 14 + 9 * (i % 3)) for i in range(int(total / 40) - 1)]
    talking = np.zeros(time.size, bool)
    for a, b in talk:
        talking |= (time >= a) & (time < b)
    narration = np.where(talking, -17 + 3 * rng.normal(size=time.size), -70.0)
    gain = np.where(talking, -21.0, -3.0)
    gain = np.convolve(gain, np.ones(9) / 9, "same")
    background = -24 + gain + 1.5 * rng.normal(size=time.size)
    difference = np.where(talking, narration - background, np.nan)
    track = TrackLoudness(
        integrated_lufs=-27.31,
        short_term_max_lufs=-19.2,
        momentary_max_lufs=-15.0,
        range_lu=9.4,
        true_peak_dbtp=-3.2,
    )
    done = TrackLoudness(
        integrated_lufs=-14.02,
        short_term_max_lufs=-11.0,
        momentary_max_lufs=-9.0,
        range_lu=4.1,
        true_peak_dbtp=-1.1,
    )
    return ReportData(
        case="HL-0142",
        title="Crust clearance after sinus surgery",
        profile="web",
        state=state,
        program_version="0.1.0",
        made_on_year=2026,  # type: ignore[arg-type]
        recordings=parts,
        thumbnails=thumbs,
        event_strips=strips,
        sound={
            "time_s": time,
            "narration_lufs": narration,
            "background_lufs": background,
            "difference_lu": difference,
            "background_gain_db": gain,
            "narration_speech": talk,
            "procedure_speech": [(21.0, 23.4), (130.2, 131.9)],
            "undecided": [(288.0, 290.5)],
            "pictures": [(name, mel_png(), 330.0) for name in ("Narration", "Procedure")],
            "depth_lu": 15.0,
            "ducking": [
                ("Windows with at least 15 LU", 97.4, "%"),
                ("Fall complete before speech, least", 0.21, "s"),
                ("Background at rest under narration", 8.0, "LU"),
            ],
            "loudness": [
                ("Narration", track, None),
                ("Procedure", track, None),
                ("Mix", None, done),
            ],
        },
        players=[((6.0, 20.0), wav(), wav()), ((46.0, 69.0), wav(), wav())],
        checks=[
            Check(
                check="Integrated loudness",
                measured=-14.02,
                limit=0.2,
                unit="LU from -14 LUFS",
                passed=True,
            ),
            Check(check="True peak", measured=-1.1, limit=-1.0, unit="dBTP", passed=True),
            Check(
                check="Black outside the field", measured=0.0, limit=0.0, unit="pixels", passed=True
            ),
            Check(
                check="Speech left in the procedure sound",
                measured=0.3,
                limit=0.0,
                unit="s",
                passed=False,
            ),
        ],
        withheld=[
            Withheld(
                code="undecided-sound",
                message="Sound that could not be judged has no decision",
                start_s=288.0,
            )
        ],
        edits=[
            {
                "recording": 0,
                "start_s": 351.5,
                "stop_s": 366.5,
                "kind": "out_of_body",
                "action": "cut",
                "reason": "never shown",
                "origin": "settings",
            },
            {
                "recording": 0,
                "start_s": 41.2,
                "stop_s": 52.8,
                "kind": "fog",
                "action": "clear",
                "reason": "narration goes on",
                "origin": "AB",
            },
        ],
        checklist=[
            {
                "identifier": "Lettering in the surround",
                "found": "2 places",
                "treated": "blacked out",
            },
            {
                "identifier": "Faces",
                "found": "1 span",
                "treated": "cut with the pictures outside the body",
            },
            {
                "identifier": "Names in the narration",
                "found": "not looked for",
                "treated": "a person listens",
            },
        ],
        warnings=["The narration is 12 s longer than the picture and was faded out"],
        mark={
            "text": "TEACHING COPY",
            "places": [
                {"x": -0.32, "y": -0.3, "width_ratio": 0.5, "height_ratio": 0.1},
                {"x": 0.3, "y": 0.28, "width_ratio": 0.5, "height_ratio": 0.1},
                {"x": 0.0, "y": 0.0, "width_ratio": 0.5, "height_ratio": 0.1, "angle_deg": -20.0},
            ],
            "candidates": [
                {"name": "one, centre", "count": 1, "crop_loss": 0.31, "visibility": 8.1},
                {
                    "name": "three, diagonal",
                    "count": 3,
                    "crop_loss": 0.372,
                    "visibility": 8.6,
                    "chosen": True,
                },
                {"name": "four, square", "count": 4, "crop_loss": 0.402, "visibility": 9.9},
            ],
            "crop_loss": 0.372,
            "crop_loss_goal": 0.35,
            "visibility": {
                "low": 6.0,
                "high": 12.0,
                "p5": 6.9,
                "median": 8.6,
                "p95": 11.2,
                "share_inside": 0.993,
            },
            "series": {
                "time_s": time,
                "visibility": 8.6 + np.sin(time / 9) + 0.4 * rng.normal(size=time.size),
            },
        },
    )


@pytest.fixture(scope="session")
def data() -> ReportData:
    return make_data()


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A headless Chromium. Missing, it is a failure under CI and a skip elsewhere."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        sync_playwright = None  # type: ignore[assignment]
    if program is None or sync_playwright is None:
        message = "needs Debian's chromium and the playwright package"
        if os.environ.get("CI"):
            pytest.fail(message)
        pytest.skip(message)
    with sync_playwright() as play:
        browser = play.chromium.launch(
            executable_path=program,
            args=[
                "--no-sandbox",
                "--disable-gpu",
                "--disable-quic",
                "--no-first-run",
                "--disable-background-networking",
            ],
        )
        yield browser
        browser.close()
