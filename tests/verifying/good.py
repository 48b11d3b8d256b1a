"""One good small clip with all that verify looks at, and means to make it anew, wrongly.

Two recordings of different size, a cut that fades, a held stretch, restored contrast, a box by the
machine and one by a person, replaced speech, a narration with captions, chapters and a card.
"""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import media_zoo
import numpy as np
import pytest

from pipeline.analysis.sound.limiter import limit
from pipeline.analysis.sound.tracks import render_mix
from pipeline.media.stems import Stem, write_stem
from pipeline.media.write import code_sound, finish, planes_of
from pipeline.model.options import Options
from pipeline.model.plan import Piece, Plan, Redaction, Restoration
from pipeline.model.release import Check
from pipeline.settings import load_options
from pipeline.stages import finishing, making
from pipeline.stages.recipe import run_case
from pipeline.stages.rendering import pictures as rendering
from pipeline.stages.rendering import render as whole
from pipeline.stages.values import Asked
from pipeline.stages.verifying.verify import verify_release
from pipeline.store.names import secret_file

SIZE, SMALL, RATE = (320, 240), (240, 180), 25
MACHINE, PERSON = (120, 70, 36, 20), (190, 150, 26, 24)  # boxes, px of the first recording
BOXED_S = ((4.2, 5.0), (3.8, 4.6))  # in its own time: 3.2 to 4.0 and 2.8 to 3.6 in the clip
Planes = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Good:
    """The clip, what it was made of and what it was made from."""

    folder: Path
    path: Path
    pictures: Path
    sound: Path
    plan: Plan
    media: Any
    coverage: Any
    options: Options
    stem: Stem
    narration: Stem
    gain_db: float
    secret: bytes
    series: Any

    def checks(self, path: Path, **other: Any) -> list[Check]:
        """What verify says of a file as if it were this clip."""
        given: dict[str, Any] = {
            "plan": self.plan, "media": self.media, "coverage": self.coverage,
            "options": self.options, "stem": self.stem, "narration": self.narration,
            "voice_consent": False, "series": self.series,
        } | other  # fmt: skip
        plan, media, coverage, options = (
            given.pop(k) for k in ("plan", "media", "coverage", "options")
        )
        return verify_release(path, plan, media, coverage, options, **given).checks

    def joined(self, into: Path, pictures: Path, sound: Path, **other: Any) -> Path:
        """Pictures and sound put together as the renderer does it."""
        target = into / "clip.mp4"
        channels = self.plan.sound_channels
        coded = into / "coded.m4a"
        code_sound(sound, coded, channels, self.options.output.audio_kbps)
        chapters = [(c.start_s, c.stop_s, c.title) for c in self.plan.chapters]
        given = {"matrix": self.plan.matrix, "end_s": self.plan.duration_s, "chapters": chapters,
                 "captions": self.cues, "work": into} | other  # fmt: skip
        finish(pictures, coded, target, **given)
        return target

    @property
    def cues(self) -> list[tuple[float, float, str]]:
        return [(c.start_s, c.stop_s, c.text) for c in self.plan.captions]

    def shown(
        self, into: Path, change: Callable[[Any, Planes], Any] | None = None,
        plan: Plan | None = None, **other: Any,
    ) -> Path:  # fmt: skip
        """Rendered anew, after another plan, and each picture changed before it is coded.

        change: called with `rendering.Shown` and its planes; False leaves the picture out.
        """
        plain = rendering.compose

        def changed(*arguments: Any, **named: Any) -> Iterator[Any]:
            for shown in plain(*arguments, **named):
                kept = None if change is None else change(shown, planes_of(shown.frame))
                if isinstance(kept, (int, float)) and not isinstance(kept, bool):
                    yield dataclasses.replace(shown, time_s=float(kept))
                elif kept is not False:
                    yield shown

        made = into / "pictures.mp4"
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(rendering, "compose", changed)
            rendering.render_pictures(plan or self.plan, self.media, self.coverage, self.options,
                                      made)  # fmt: skip
        return self.joined(into, made, self.sound, **other)

    @property
    def mix(self) -> np.ndarray:
        """The sound before coding, (channel, sample)."""
        return Stem(self.sound, self.plan.sound_channels).read(0, 10**9)[:, : self.length]

    @property
    def length(self) -> int:
        return Stem(self.sound, self.plan.sound_channels).length

    def heard(self, into: Path, sound: np.ndarray, **other: Any) -> Path:
        """The good pictures with another sound."""
        made = write_stem(into / "other.f32", self.plan.sound_channels, [sound.astype(np.float32)])
        return self.joined(into, self.pictures, made.path, **other)

    def remixed(self, plan: Plan | None = None, stem: Stem | None = None) -> np.ndarray:
        """The mix of another plan, or of another procedure sound, at the gain of the good one."""
        mix = (plan or self.plan).mix
        assert mix is not None
        raw = render_mix((stem or self.stem).blocks(), self.narration.blocks(), mix, 2)
        peak = self.options.output.true_peak_dbtp
        return np.concatenate(list(limit(raw, self.gain_db, peak - 0.6)), axis=1)


def changed_plan(plan: Plan) -> Plan:
    """As if a machine, a person and settings had asked for more: boxes, fog undone, a hold."""
    if plan.restorations:
        return plan
    boxes = [
        Redaction(what="lettering", source=0, start_s=a, stop_s=b, box_px=box, reason="",
                  origin=origin)
        for box, (a, b), origin in zip((MACHINE, PERSON), BOXED_S, ("survey", "decision"),
                                       strict=True)
    ]  # fmt: skip
    undone = Restoration(source=0, start_s=0.6, stop_s=1.8,
                         knots=[(0.6, 0.0, 0.4), (1.0, 0.25, 0.4), (1.8, 0.0, 0.4)])  # fmt: skip
    pieces: list[Piece] = []
    for piece in plan.pieces:
        if piece.source != 1 or piece.kind != "play":
            pieces.append(piece)
            continue
        parts = [("play", 0.0, 1.0), ("freeze", 1.0, 1.8), ("play", 1.8, piece.length_s)]
        pieces += [
            piece.model_copy(update={
                "kind": kind, "start_s": a if kind == "play" else 0.96, "length_s": b - a,
                "case_start_s": piece.case_start_s + a, "out_start_s": piece.out_start_s + a,
            })
            for kind, a, b in parts
        ]  # fmt: skip
    return plan.model_copy(update={"redactions": [*plan.redactions, *boxes],
                                   "restorations": [undone], "pieces": pieces})  # fmt: skip


def make_good(
    folder: Path, profile: str = "web", loose: bool = False, drawn: Any = "no",
    compared: bool = False,
) -> Good:  # fmt: skip
    """The clip as `make` makes it, and copies of what it was made of.

    drawn: where captions are drawn (`captions.drawn`). compared: the recordings are before and
    after of one side.
    """
    case = folder / "case"
    case.mkdir(parents=True)
    voice = 0.5 * np.concatenate(list(media_zoo.spoken_sentences()))
    room = np.asarray(media_zoo.suction_sound(6.0, 48_000, [(0.2, 5.8)], 3))
    room[0, 168_000 + 24_000 : 168_000 + 24_000 + 72_000] += 0.5 * voice[:72_000]
    first = media_zoo.scope_clip(case / "a.mp4", 6.0, size=SIZE, seed=5, sound=room)
    media_zoo.scope_clip(case / "b.mp4", 3.0, size=SMALL, seed=11, suction_s=[(0.1, 2.9)])
    media_zoo.narration_file(case / "voice.wav", 7.0, [2.0])
    (case / "said.vtt").write_text(
        "WEBVTT\n\n00:02.000 --> 00:03.500\nThe side wall is shown.\n\n"
        "00:03.600 --> 00:05.000\nThe crust is gone.\n"
    )
    (case / "case.toml").write_text(
        'case = "QM-0417"\ntitle = "Crusts"\n'
        '[[recording]]\nfiles = ["a.mp4"]\nkeep = [[0, 2.5], [3.5, 6]]\nside = "left"\n'
        '[[recording]]\nfiles = ["b.mp4"]\nside = "right"\n'
        '[narration]\nfile = "voice.wav"\noffset_s = 0\ncaptions = "said.vtt"\n'
        '[consent]\nscope = "public"\ngiven_on = 2026-03-02\n'
        '[measured]\nlabel = "Crusts removed"\nvalue = 412\nunit = "mg"\n'
    )
    assert first.path.is_file()
    if compared:
        said = (case / "case.toml").read_text().replace('side = "right"', 'side = "left"')
        first_side, _, rest = said.partition('side = "left"\n')
        said = first_side + 'side = "left"\nphase = "before"\n' + rest
        said = said.replace('[narration]', 'phase = "after"\n[narration]')
        (case / "case.toml").write_text(said)
    options = load_options(profile)
    options.anonymity.lettering = options.anonymity.faces = False
    options.captions.drawn = drawn
    kept: dict[str, Any] = {}
    plain_plan, plain_render, plain_finish = making.make_plan, making.render, whole.finish

    def plan_made(*arguments: Any, **named: Any) -> Any:
        return changed_plan(plain_plan(*arguments, **named))

    def finished(pictures: Path, sound: Path, target: Path, **named: Any) -> None:
        shutil.copyfile(pictures, folder / "pictures.mp4")
        plain_finish(pictures, sound, target, **named)

    def rendered(*arguments: Any, **named: Any) -> Any:
        made = plain_render(*arguments, **named)
        kept["gain_db"] = made.gain_db
        shutil.copyfile(made.mix.path, folder / "mix.f32")
        return made

    def looked_at(path: Path, *arguments: Any, **named: Any) -> Any:
        kept.update(given=arguments, series=named["series"])
        shutil.copyfile(path, folder / "clip.mp4")
        for name in ("stem", "narration"):
            stem = named[name]
            shutil.copyfile(stem.path, folder / f"{name}.f32")
            kept[name] = Stem(folder / f"{name}.f32", stem.channels)
        return verify_release(path, *arguments, **named)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(making, "make_plan", plan_made)
        patch.setattr(making, "render", rendered)
        patch.setattr(whole, "finish", finished)
        patch.setattr(finishing, "verify_release", looked_at)
        run = run_case(case, folder / "out", options, Asked(approve="AB", looked="AB"),
                       catalogue=folder / "c.sqlite3")  # fmt: skip
    assert not run.withheld or loose, run.withheld
    plan, media, coverage, _ = kept["given"]
    return Good(
        folder, folder / "clip.mp4", folder / "pictures.mp4", folder / "mix.f32", plan, media,
        coverage, options, kept["stem"], kept["narration"], kept["gain_db"],
        secret_file().read_bytes(), kept["series"],
    )  # fmt: skip
