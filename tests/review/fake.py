"""A made-up backend for the page: one case of two recordings, and one that is released."""

from __future__ import annotations

import hashlib
import io
import shutil
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from pipeline.errors import NeedsPerson
from pipeline.model.decisions import Anchor, Decisions
from pipeline.model.field import FieldSpan
from pipeline.model.findings import Event
from pipeline.model.release import Check
from pipeline.review.backend import (
    CaseFinding,
    CaseSummary,
    CaseView,
    Progress,
    RenderResult,
    Segment,
)
from pipeline.review.decisions import effective, version
from pipeline.review.pages import CAUTIONS
from pipeline.stages.texts import ShownText

SHA = ["9f2c41d07be85a6310c4ee90ab12cd34" * 2, "b81e77a05c93d24f6e1a8b0c4d5f9e21" * 2]
WIDTH, HEIGHT, RATE = 1280, 720, 25


def make_proxy(path: Path, seconds: float, seed: int) -> None:
    """A small clip in which a white bar moves: its column tells the frame number."""
    import av

    rng = np.random.default_rng(seed)
    small = rng.normal(0, 1, (12, 20)).astype(np.float32)
    rough = np.asarray(Image.fromarray(small).resize((480, 270), Image.Resampling.BICUBIC))
    row, col = np.mgrid[:270, :480]
    lit = ((col - 240) ** 2 + (row - 135) ** 2 < 128**2) & (abs(row - 135) < 120)
    with av.open(str(path), "w", format="mp4", options={"movflags": "faststart"}) as box:
        stream = box.add_stream("libx264", rate=RATE)
        stream.width, stream.height, stream.pix_fmt = 480, 270, "yuv420p"
        stream.options = {"preset": "ultrafast", "crf": "30", "g": "5", "bf": "0"}
        for n in range(round(seconds * RATE)):
            base = 0.5 + 0.16 * np.roll(rough, n, axis=1)
            rgb = np.stack([base * 200, base * 105, base * 88], axis=-1) * lit[..., None]
            rgb[262:270, (n * 2) % 480 : (n * 2) % 480 + 4] = 255
            frame = av.VideoFrame.from_ndarray(rgb.clip(0, 255).astype(np.uint8), format="rgb24")
            for packet in stream.encode(frame):
                box.mux(packet)
        for packet in stream.encode():
            box.mux(packet)


def field_span(duration_s: float) -> FieldSpan:
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


class FakeBackend:
    """Keeps decisions on disk like the real one; the rest is made up but answers truly."""

    def __init__(
        self, root: Path, *, length_s: float = 24.0, proxies: Sequence[Path] | bool = True
    ) -> None:
        self._root = root
        self.closed: set[str] = set()
        self.length_s = length_s
        self.folder = root / "private" / "HL-0142"
        self.folder.mkdir(parents=True, exist_ok=True)
        (root / "private" / "HL-0143").mkdir(parents=True, exist_ok=True)
        self.report = self.folder / "report.html"
        self.report.write_text("<!doctype html><title>Report</title><p>HL-0142</p>")
        self.proxies: list[Path | None] = [None, None]
        if proxies:
            for i in (0, 1):
                path = self.folder / f"proxy{i}.mp4"
                if isinstance(proxies, Sequence):
                    shutil.copyfile(proxies[i], path)
                elif not path.exists():
                    make_proxy(path, length_s, i)
                self.proxies[i] = path
        self.planned: Decisions | None = None
        self.asked_sound: list[tuple[float, float, dict[str, float], bool]] = []
        self.rendered: list[int] = []
        self.render_s = 0.8
        self.fail: Exception | None = None
        self.hold = threading.Event()
        self.texts: list[ShownText] = []
        self.confirmed: list[tuple[str, str, str]] = []

    @property
    def root(self) -> Path:
        return self._root

    def confirm_texts(self, case: str, view: CaseView, by: str) -> None:
        self.confirmed += [(case, t.judged.text, by) for t in view.texts if t.by is None]

    def list_cases(self) -> Sequence[CaseSummary]:
        return [
            CaseSummary(
                "HL-0142", "Crust clearance after sinus surgery", "needs a person", 3, 48.0
            ),
            CaseSummary("HL-0143", "Left side, six weeks on", "released", 0, 312.4),
        ]

    def check_open(self, case: str) -> None:
        if case in self.closed:
            raise NeedsPerson(f"Consent for {case} was withdrawn", "1 released file", "")

    def decisions_path(self, case: str) -> Path:
        return self._root / "private" / case / "decisions.json"

    def load_case(self, case: str, decisions: Decisions) -> CaseView:
        n = self.length_s
        rng = np.random.default_rng(8)
        time_s = np.arange(0, 2 * n, 0.2)
        k = n / 24
        found = [
            (
                0,
                Event(
                    kind="fog",
                    start_s=4.0 * k,
                    stop_s=9.0 * k,
                    peak_loss=0.62,
                    mean_loss=0.3,
                    confidence=0.9,
                ),
            ),
            (
                0,
                Event(
                    kind="smudge",
                    start_s=14.0 * k,
                    stop_s=20.0 * k,
                    peak_loss=0.27,
                    mean_loss=0.2,
                    confidence=0.8,
                ),
            ),
            (
                1,
                Event(
                    kind="fog",
                    start_s=3.0 * k,
                    stop_s=6.5 * k,
                    peak_loss=0.44,
                    mean_loss=0.2,
                    confidence=0.9,
                ),
            ),
            (1, Event(kind="out_of_body", start_s=21.0 * k, stop_s=24.0 * k, confidence=0.99)),
        ]
        loss = 0.02 + 0.01 * np.abs(rng.normal(size=time_s.size))
        findings = []
        for i, (source, e) in enumerate(found):
            a, b = e.start_s + source * n, e.stop_s + source * n
            if e.peak_loss:
                on = (time_s >= a) & (time_s < b)
                loss[on] = e.peak_loss * np.exp(-(time_s[on] - a) / (b - a) * 2)
            findings.append(
                CaseFinding(
                    id=f"e{i}",
                    kind=e.kind,
                    where=f"recording {source + 1}",
                    start_s=a,
                    stop_s=b,
                    severity=f"{e.peak_loss} lost" if e.peak_loss else "loss unknown",
                    level=e.peak_loss,
                    lost_s=e.lost_s,
                    action="cut" if e.kind == "out_of_body" else "keep",
                    actions=("cut", "freeze")
                    if e.kind == "out_of_body"
                    else ("keep", "cut", "freeze", "clear"),
                    anchor=Anchor(
                        sha256=SHA[source], start_s=e.start_s, stop_s=e.stop_s, kind=e.kind
                    ),
                )
            )
        for i, (kind, a, b, box, severity) in enumerate(
            [
                ("speech", 11.0 * k, 12.5 * k, None, "speech in the room"),
                ("undecided", 17.0 * k, 18.0 * k, None, "too low to tell"),
                ("lettering", 1.0 * k, 8.0 * k, (560, 90, 160, 36), "inside the field"),
                ("face", 22.0 * k, 23.0 * k, (500, 200, 220, 240), "a face, perhaps"),
            ]
        ):
            findings.append(
                CaseFinding(
                    id=f"a{i}",
                    kind=kind,
                    where="recording 1",
                    start_s=a,
                    stop_s=b,
                    severity=severity,
                    level=None,
                    action="replace" if box is None else "blank",
                    actions=("replace",) if box is None else ("blank",),
                    anchor=Anchor(sha256=SHA[0], start_s=a, stop_s=b, kind=kind),
                    needs_person=kind in ("undecided", "lettering", "face"),
                    box_px=box,
                )
            )
        narrated = [(2.0 * k, 10.0 * k), (13.0 * k, 22.0 * k), (30.0 * k, 41.0 * k)]
        on = np.zeros(time_s.size, bool)
        for a, b in narrated:
            on |= (time_s >= a) & (time_s < b)
        planned = self.planned if self.planned is not None else Decisions(case=case)
        return CaseView(
            case=case,
            title="Crust clearance after sinus surgery",
            profile="web",
            texts=self.texts,
            state="needs a person",
            duration_s=2 * n,
            segments=[
                Segment(
                    f"recording {i + 1}, {side}",
                    SHA[i],
                    i * n,
                    n,
                    0.0,
                    WIDTH,
                    HEIGHT,
                    RATE,
                    [field_span(n)],
                    self.proxies[i],
                )
                for i, side in enumerate(("left", "right"))
            ],
            findings=findings,
            series={
                "time_s": time_s,
                "contrast_loss": loss,
                "contrast_loss_low": np.clip(loss - 0.04, 0, 1),
                "contrast_loss_high": np.clip(loss + 0.06, 0, 1),
            },
            sound={
                "time_s": time_s,
                "difference_lu": np.where(on, 19 + 2 * rng.normal(size=time_s.size), np.nan),
                "background_gain_db": np.where(on, -21.0, -3.0),
                "narration_speech": narrated,
                "procedure_speech": [(11.0 * k, 12.5 * k)],
                "depth_lu": 15.0,
            },
            sound_settings={
                "ducking_depth_lu": 15.0,
                "duck_lead_s": 0.2,
                "duck_fall_s": 0.4,
                "duck_hold_s": 0.8,
                "duck_release_s": 0.6,
                "background_below_narration_lu": 8.0,
            },
            mark={
                "text": "TEACHING COPY",
                "places": [
                    {"x": -0.35, "y": -0.35, "width_ratio": 0.6, "height_ratio": 0.09},
                    {"x": 0.32, "y": 0.3, "width_ratio": 0.6, "height_ratio": 0.09},
                ],
                "crop_loss": 0.36,
                "crop_loss_goal": 0.35,
                "visibility": {"low": 6.0, "high": 12.0, "median": 8.6},
            },
            chapters=[(0.0, "Left side"), (n, "Right side")],
            checklist=[
                {
                    "identifier": "Lettering",
                    "found": "1 place in the field",
                    "treated": "blacked out",
                },
                {"identifier": "Faces", "found": "1 span", "treated": "blacked out"},
                {"identifier": "Speech in the room", "found": "1 span", "treated": "replaced"},
            ],
            sources=SHA,
            surveys=[hashlib.sha256(s.encode()).hexdigest() for s in SHA],
            settings_sha256=hashlib.sha256(b"settings").hexdigest(),
            narration_sha256="",
            plan_sha256=hashlib.sha256(
                "".join(
                    e.model_dump_json() for e in effective(planned) if e.verb != "sign"
                ).encode()
            ).hexdigest(),
            decided=version(planned),
            report=self.report,
            cautions=CAUTIONS,
        )

    def plan_again(self, case: str, decisions: Decisions) -> CaseView:
        self.planned = decisions
        return self.load_case(case, decisions)

    def preview_sound(
        self, case: str, start_s: float, stop_s: float, settings: Mapping[str, float], mixed: bool
    ) -> bytes:
        import soundfile

        self.asked_sound.append((start_s, stop_s, dict(settings), mixed))
        time_s = np.arange(round((stop_s - start_s) * 16000)) / 16000 + start_s
        level = 0.02 if mixed else 0.2
        out = io.BytesIO()
        tone = level * np.sin(2 * np.pi * (440 if mixed else 220) * time_s)
        soundfile.write(out, tone.astype(np.float32), 16000, format="WAV")
        return out.getvalue()

    def crop_loss(
        self, case: str, positions: Sequence[Mapping[str, float]], time_s: float | None = None
    ) -> dict[str, Any]:
        radius = [float(np.hypot(p["x"], p["y"])) for p in positions]
        seen = 8.0 if time_s is None else 8.0 + 2.0 * positions[0]["x"]
        return {"crop_loss": max(0.0, 0.6 - 0.5 * max(radius)), "visibility": seen}

    def finished_frame(
        self, case: str, time_s: float, positions: Sequence[Mapping[str, float]] | None
    ) -> bytes | None:
        picture = np.zeros((270, 480, 3), np.uint8)
        picture[:, :, 1] = int(time_s * 5) % 256
        out = io.BytesIO()
        Image.fromarray(picture).save(out, "JPEG")
        return out.getvalue()

    def render(
        self, case: str, decisions: Decisions, progress: Progress, cancelled: Callable[[], bool]
    ) -> RenderResult:
        steps = 20
        for i in range(steps):
            if cancelled():
                return RenderResult("planned", "Cancelled; nothing was kept.", [])
            progress(i / steps, "pictures and sound")
            time.sleep(self.render_s / steps)
        if self.fail is not None:
            raise self.fail
        self.rendered.append(version(decisions))
        return RenderResult(
            "released" if decisions.sign_off else "withheld",
            "Released as HL-0142-web-r1." if decisions.sign_off else "A draft was kept.",
            [
                Check(
                    check="Integrated loudness", measured=-14.02, limit=0.1, unit="LU", passed=True
                ),
                Check(
                    check="Black outside the field", measured=0.0, limit=0.0, unit="px", passed=True
                ),
            ],
        )


def lengthen(view: CaseView, hours: float, rate_hz: float = 10.0) -> CaseView:
    """The same case with as many samples as a long one has."""
    total = 3600 * hours
    time_s = np.arange(0, total, 1 / rate_hz)
    rng = np.random.default_rng(1)
    series = {k: rng.random(time_s.size) for k in view.series if k != "time_s"}
    sound = {**view.sound, "time_s": time_s}
    sound["difference_lu"] = 15 + rng.random(time_s.size)
    sound["background_gain_db"] = -rng.random(time_s.size)
    part = replace(view.segments[0], length_s=total)
    return replace(
        view,
        duration_s=total,
        segments=[part],
        series={"time_s": time_s, **series},
        sound=sound,  # type: ignore[arg-type]
    )
