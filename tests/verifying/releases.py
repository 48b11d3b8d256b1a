"""Good clips of many kinds: sources, profiles and edits, each made small through the recipe.

Containers, codecs and time stamps are in `test_zoo_made.py`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import media_zoo
import numpy as np

from pipeline.settings import load_options
from pipeline.stages.recipe import run_case
from pipeline.stages.values import Asked, CaseResult

HEAD = 'case = "QM-0512"\ntitle = "Crusts"\n'
CARD = '[measured]\nlabel = "Crusts removed"\nvalue = 4.1\nunit = "mg"\n'
CONSENT = '[consent]\nscope = "public"\ngiven_on = 2026-03-02\n'


@dataclass(frozen=True)
class Kind:
    """How a case is made in a folder, under which profile and settings."""

    make: Callable[[Path], Any]
    profile: str = "web"
    toml: str = ""
    settings: dict[str, Any] = field(default_factory=dict)
    narrated: tuple[float, ...] = ()
    level_dbfs: float = -26.0


def zoo(name: str) -> Callable[[Path], Any]:
    return lambda folder: media_zoo.make(name, folder)


def scope(*clips: dict[str, Any], seconds: float = 4.0) -> Callable[[Path], Any]:
    def make(folder: Path) -> None:
        for number, more in enumerate(clips):
            given = {"size": (320, 240), "seed": 3 + number, "suction_s": [(0.3, 3.0)]} | more
            length = given.pop("seconds", seconds)
            suffix = given.pop("suffix", "mp4")
            media_zoo.scope_clip(folder / f"{number}.{suffix}", length, **given)

    return make


FIELD = media_zoo.scope_field(320, 240)
DRIFT = [(0.4 * k, dataclasses.replace(FIELD, center_x_px=FIELD.center_x_px + 1.5 * k))
         for k in range(10)]  # fmt: skip
ZOOM = [(0.0, FIELD), (2.2, dataclasses.replace(FIELD, radius_px=0.8 * FIELD.radius_px))]
WHOLE = media_zoo.FieldTruth(160, 120, 400, 0, 0, 320, 240)
FOG = media_zoo.FogTruth(start_s=1.2, peak_loss=0.6, hold_s=0.6, clear_s=0.5)


def loud(seconds: float = 4.0) -> np.ndarray:
    """Suction with knocks near full scale: the limiter has work."""
    sound = 3 * np.asarray(media_zoo.suction_sound(seconds, 48_000, [(0.2, 3.8)], 8))
    return np.clip(sound + media_zoo.sound_with_clicks(seconds, 48_000, 1, [0.6, 1.4, 2.9]),
                   -0.99, 0.99).astype(np.float32)  # fmt: skip


def speaking(seconds: float = 4.0) -> np.ndarray:
    sound = np.asarray(media_zoo.suction_sound(seconds, 48_000, [(0.0, seconds)], 5))
    voice = media_zoo.spoken_sentences()[0][: 48_000 * 2]
    sound[0, 48_000 : 48_000 + voice.size] += 0.5 * voice
    return sound


def photograph(folder: Path) -> None:
    media_zoo.scope_clip(folder / "0.mp4", 3.0, size=(320, 240), seed=4)
    y, x = np.mgrid[0:600, 0:800]
    picture = cv2.resize(media_zoo.zoo_picture(320, 240, 0, 0.0, False).astype(np.uint8),
                         (800, 600))  # fmt: skip
    picture[np.hypot(x - 400, y - 300) > 270] = 0
    cv2.imwrite(str(folder / "1.png"), picture)


def coded(**options: str) -> dict[str, Any]:
    return {"coding": media_zoo.Coding(options={"preset": "veryfast", "crf": "20"} | options)}


KINDS: dict[str, Kind] = {
    "pictures in another coding order": Kind(zoo("gap_mkv"), settings={"machine.threads": 3}),
    "plain": Kind(scope({})),
    "silent recording": Kind(scope({"audio": "silence"})),
    "no sound": Kind(scope({"audio": "none"}), "lecture"),
    "no sound but a narration": Kind(scope({"audio": "none"}), narrated=(0.5,)),
    "clicks": Kind(scope({"audio": "clicks"})),
    "loud knocks": Kind(scope({"sound": loud()})),
    "loud knocks and a narration": Kind(scope({"sound": loud()}), narrated=(0.3,)),
    "a quiet narration": Kind(scope({}), "broadcast", narrated=(0.3,), level_dbfs=-45.0),
    "twenty decibels for who hears badly": Kind(scope({}), "accessible", narrated=(0.3,)),
    "a narration that is hot": Kind(scope({}), narrated=(0.3,), level_dbfs=-14.0),
    "speech in the room": Kind(scope({"sound": speaking()})),
    "speech in the room, and a narration": Kind(scope({"sound": speaking()}), "lecture",
                                                narrated=(0.8,)),
    "the narration is longer": Kind(scope({"seconds": 2.0}), narrated=(0.2,)),
    "few bits of sound": Kind(scope({"sound": loud()}), settings={"output.audio_kbps": 64}),
    "few bits of sound, narrated": Kind(scope({}), settings={"output.audio_kbps": 64},
                                        narrated=(0.3,)),
    "mono": Kind(scope({}), settings={"sound.mono": "mono"}, narrated=(0.3,)),
    "coarse": Kind(scope({}), settings={"output.crf": 28}),
    "fine": Kind(scope({}), "broadcast", settings={"output.crf": 10}),
    "coarse and fast": Kind(scope({}), settings={"output.crf": 32,
                                                 "output.x264_preset": "ultrafast"}),
    "noisy": Kind(scope({"noise_levels": 8.0})),
    "very noisy": Kind(scope({"noise_levels": 16.0, "size": (640, 480)})),
    "fast": Kind(scope({"speed_px_s": 120.0})),
    "dim": Kind(scope({"gain": 0.3})),
    "bright surround": Kind(scope({"surround": 34.0})),
    "drifting": Kind(scope({"fields": DRIFT})),
    "zoom": Kind(scope({"fields": ZOOM})),
    "no field": Kind(scope({"field": WHOLE})),
    "flat field": Kind(scope({"field": media_zoo.FieldTruth(170, 118, 90, 80, 40, 260, 208)})),
    "small and first large": Kind(scope({"size": (480, 360)}, {"size": (240, 180)})),
    "large and first small": Kind(scope({"size": (240, 180)}, {"size": (640, 480)})),
    "scaled down": Kind(scope({"size": (640, 480)}), settings={"output.max_height_px": 240}),
    "sizes that are not even": Kind(scope({"size": (402, 302)}, {"size": (318, 238)})),
    "other shapes": Kind(scope({"size": (480, 270)}, {"size": (320, 240)})),
    "kept parts": Kind(scope({}), toml="keep = [[0.4, 1.6], [2.5, 3.9]]\n"),
    "fog is held": Kind(scope({"fog": FOG}), settings={"lens.fog": "freeze"}, narrated=(0.3,)),
    "fog is cut": Kind(scope({"fog": FOG}), settings={"lens.fog": "cut"}),
    "fog is undone": Kind(scope({"fog": FOG, "seconds": 8.0}), settings={"lens.fog": "clear"}),
    "a card": Kind(scope({}), toml=CARD),
    "a photograph": Kind(photograph),
    "pictures that lean on each other": Kind(scope({**coded(bf="3", g="250")}), "lecture"),
    "60 pictures a second": Kind(scope({"fps": 60, "seconds": 2.5})),
    "10 pictures a second": Kind(scope({"fps": 10})),
    "BT.601": Kind(scope({"coding": media_zoo.Coding(matrix="bt601",
                                                     options={"crf": "14"})})),
    "full range": Kind(scope({"coding": media_zoo.Coding("libx264", "yuvj420p", "bt709", True,
                                                         options={"crf": "14"})})),
}  # fmt: skip


def released(folder: Path, kind: Kind) -> CaseResult:
    """The case made as far as it goes, without the detectors."""
    case = folder / "case"
    case.mkdir(parents=True)
    kind.make(case)
    files = sorted(p for p in case.iterdir() if p.suffix not in (".json", ".wav", ".txt"))
    rows = []
    keep = kind.toml if kind.toml.startswith("keep") else ""
    for file in files:
        still = 'phase = "still"\n' if file.suffix == ".png" else ""
        rows.append(f'[[recording]]\nfiles = ["{file.name}"]\n{still}{keep}')
    text = HEAD + "".join(rows) + CONSENT + ("" if keep else kind.toml)
    if kind.narrated:
        media_zoo.narration_file(case / "voice.wav", 6.0, kind.narrated, kind.level_dbfs)
        text += '[narration]\nfile = "voice.wav"\noffset_s = 0\n'
    (case / "case.toml").write_text(text)
    options = load_options(kind.profile)
    options.anonymity.lettering = options.anonymity.faces = False
    for name, value in kind.settings.items():
        part, _, key = name.partition(".")
        setattr(getattr(options, part), key, value)
    asked = Asked(approve="AB", looked="AB", narrated=True)
    return run_case(case, folder / "out", options, asked, catalogue=folder / "c.sqlite3")


