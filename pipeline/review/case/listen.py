"""Sound for the page's player: as the render would mix it, or untreated."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import shutil
import tempfile
import weakref
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.analysis.sound.limiter import AAC_MARGIN_DB, fit_gain, limit
from pipeline.analysis.sound.mix import aim
from pipeline.analysis.sound.tracks import render_mix
from pipeline.errors import FieldstopError, UsageError
from pipeline.media.stems import Stem
from pipeline.model.options import Options
from pipeline.model.plan import Plan
from pipeline.model.time import Span
from pipeline.model.timeline import case_to_clip
from pipeline.review.case.session import Ready, Session
from pipeline.review.decision_values import MIX_SETTINGS
from pipeline.review.ducking import heard_levels
from pipeline.stages.measure import source_inputs
from pipeline.stages.planning.levels import mix_of
from pipeline.stages.planning.plan import plan_sha256
from pipeline.stages.rendering.sound import RATE_HZ, render_sound


class Sound:
    """What is heard of one plan: stems in a folder that goes when nobody reads them any more."""

    def __init__(self, folder: Path, procedure: Stem | None, narration: Stem | None) -> None:
        self.procedure, self.narration = procedure, narration
        weakref.finalize(self, shutil.rmtree, folder, ignore_errors=True)


def sound_key(plan: Plan, redactions: Sequence[Any]) -> str:
    """What the sound before the mix hangs on."""
    spoken = [r.model_dump() for r in redactions if r.what == "speech"]
    return _sha256(json.dumps([[p.model_dump() for p in plan.pieces], spoken]))


class Listener:
    """Makes the sound of a case once and plays any part of it."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def warm(self, case: str) -> None:
        """Makes the sound ready in the background, so that the first listen is quick."""

        def go() -> None:
            with contextlib.suppress(FieldstopError, OSError):
                ready, done = self._session.prepare(case), None
                while (plan := ready.run.plan) is not None and plan is not done:
                    done = plan  # planned anew meanwhile: that one, then
                    sound = self.stems(case, ready, plan, True)
                    if plan is not ready.run.plan:
                        continue
                    key = sound_key(plan, plan.redactions)
                    if key not in ready.levels:
                        heard = heard_levels(sound.narration, sound.procedure, plan.sound_channels)
                        ready.levels = {} if heard is None else {key: heard}
                    if plan.mix is not None:
                        self.final_gain(case, ready, plan, sound, wait=True)
                    if plan is ready.run.plan:
                        self.stems(case, ready, plan, False)

        self._session.background(f"sound {case}", go)

    def warming(self, case: str) -> bool:
        return self._session.busy(f"sound {case}")

    def stems(self, case: str, ready: Ready, plan: Plan, replaced: bool) -> Sound:
        """The sound on the clip's axis; made anew when what it hangs on changed.

        Whoever reads it holds on to it: another plan's sound may take its place meanwhile.
        """
        spoken = [r for r in plan.redactions if r.what == "speech"] if replaced else []
        key = sound_key(plan, spoken)
        with self._session.lock(f"sound {case}"):
            slot = "replaced" if replaced else "untreated"
            held = ready.stems.get(slot)
            if held is not None and held[0] == key:
                sound: Sound = held[1]
                return sound
            work = Path(tempfile.mkdtemp(prefix=f"{slot}-", dir=self._session.scratch(case)))
            try:
                shown = plan.model_copy(update={"redactions": spoken, "mix": None})
                options = self._session.options
                voice = ready.narration.media if ready.narration else None
                made = render_sound(shown, ready.run.media, voice, options, work)
            except BaseException:
                shutil.rmtree(work, ignore_errors=True)
                raise
            sound = Sound(work, made.procedure, made.narration)
            ready.stems[slot] = (key, sound)
            return sound

    def preview(
        self, case: str, start_s: float, stop_s: float, settings: Mapping[str, float], mixed: bool
    ) -> bytes:
        """WAV of [start_s, stop_s) of case time: see `backend.Backend.preview_sound`."""
        options = self._session.options
        ready = self._session.prepare(case)
        plan = _with_settings(ready, options, settings) if mixed else ready.run.plan
        if plan is None:
            raise UsageError("The case is not planned yet", "", "wait a moment, then listen")
        sound = self.stems(case, ready, plan, mixed)
        total = round((stop_s - start_s) * RATE_HZ)
        out = np.zeros((2, total), np.float32)
        for piece in plan.pieces:
            asked = piece.in_case.overlap(Span(start_s, stop_s))
            if asked is None or piece.kind == "card":
                continue
            first = round(case_to_clip(piece).at(asked.start_s) * RATE_HZ)
            count = min(round(asked.length_s * RATE_HZ), total)
            if mixed and plan.mix is not None:
                gain_db = self.final_gain(case, ready, plan, sound)
                made = _finished_sound(plan, options, sound, gain_db, first, count)
            else:
                made = np.zeros((2, count), np.float32)
                both = (sound.procedure, sound.narration)
                for part in (s.read(first, count) for s in both if s is not None):
                    made += part if part.shape[0] == 2 else np.repeat(part, 2, axis=0)
                made = np.clip(made, -1, 1)
            at = round((asked.start_s - start_s) * RATE_HZ)
            size = min(made.shape[1], total - at)
            out[:, at : at + size] = made[:, :size]
        return _wav(out)

    def final_gain(
        self, case: str, ready: Ready, plan: Plan, sound: Sound, wait: bool = False
    ) -> float:
        """Static gain in dB that brings this mix to the profile's loudness, as the render finds it.

        Found once for each mix, in the background; until then (and without `wait`) what the
        plan expects of it stands in.
        """
        assert plan.mix is not None
        mix, wanted = plan.mix, self._session.options.output
        key = _sha256(mix.model_dump_json() + json.dumps([p.model_dump() for p in plan.pieces]))
        known: dict[str, float] = ready.gains
        if key in known:
            return known[key]

        def find() -> None:
            def mixed() -> Iterator[NDArray[np.float32]]:
                return render_mix(
                    sound.procedure.blocks() if sound.procedure is not None else None,
                    sound.narration.blocks() if sound.narration is not None else None,
                    mix,
                    channels=plan.sound_channels,
                )

            channels = plan.sound_channels
            wanted_lufs, most_db = aim(mix, mixed, channels)
            fit = fit_gain(
                mixed, channels, wanted_lufs, wanted.true_peak_dbtp, most_passes=6,
                limits_db=(-60.0, most_db),
            )  # fmt: skip
            known[key] = fit.gain_db

        if wait:
            find()
            return known[key]
        self._session.background(f"gain {case} {key}", find)
        expected = mix.expected.integrated_lufs
        return 0.0 if expected is None else wanted.loudness_lufs - expected


def _finished_sound(
    plan: Plan, options: Options, sound: Sound, gain_db: float, first: int, count: int
) -> NDArray[np.float32]:
    """Samples [first, first + count) of the clip as the render makes them, (2, count).

    Mixed and limited from a second before on, so that the limiter is where it would be.
    """
    assert plan.mix is not None
    lead = min(first, RATE_HZ)
    total = lead + count + RATE_HZ // 10
    shift = (first - lead) / RATE_HZ
    mix = plan.mix.model_copy(
        update={
            "duration_s": total / RATE_HZ,
            "background_gain": [(t - shift, g) for t, g in plan.mix.background_gain],
            "narration_gain": [(t - shift, g) for t, g in plan.mix.narration_gain],
        }
    )
    behind, front = (
        [s.read(first - lead, total)] if s is not None else None
        for s in (sound.procedure, sound.narration)
    )
    ceiling = options.output.true_peak_dbtp - AAC_MARGIN_DB
    mixed = render_mix(behind, front, mix, plan.sound_channels)
    made = np.concatenate(list(limit(mixed, gain_db, ceiling)), axis=1)
    made = made[:, lead : lead + count]
    return made if made.shape[0] == 2 else np.repeat(made, 2, axis=0)


def _with_settings(ready: Ready, options: Options, settings: Mapping[str, float]) -> Plan | None:
    """The plan as it would be with these settings of the sound."""
    plan: Plan | None = ready.run.plan
    own = {k: float(getattr(options.sound, k)) for k in MIX_SETTINGS}
    for decision in ready.decisions:
        if decision.verb == "mix":
            own.update(decision.value)
    if plan is None or all(own.get(k) == v for k, v in settings.items()):
        return plan
    key = ("mix", json.dumps(sorted(settings.items())), plan_sha256(plan))
    held = ready.stems.get("mix")
    if held is None or held[0] != key:
        mix = _mixed_with(ready, options, plan, settings)
        held = (key, plan.model_copy(update={"mix": mix}))
        ready.stems["mix"] = held
    made: Plan = held[1]
    return made


def _mixed_with(ready: Ready, options: Options, plan: Plan, settings: Mapping[str, float]) -> Any:
    """The mix alone planned anew: the rest of the plan does not hang on these settings."""
    return mix_of(
        source_inputs(ready.run.opened.found, ready.run.surveyed),
        plan.pieces,
        ready.narration.measured if ready.narration else None,
        [Span(a, b) for a, b in plan.narration],
        plan.duration_s,
        options.sound.model_copy(update=dict(settings)),
        options,
        plan.redactions,
        plan.sound_channels,
        plan.live,
        [],
    )


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _wav(block: NDArray[np.float32]) -> bytes:
    import soundfile

    buffer = io.BytesIO()
    soundfile.write(buffer, block.T, RATE_HZ, format="WAV", subtype="PCM_16")
    return buffer.getvalue()
