"""Every setting, once: type, unit, default, allowed range and a one-line comment.

`configs/default.toml`, the checks, the help and the documentation are derived
from these classes (see `pipeline.settings`).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, create_model, field_validator

from pipeline.model.kinds import KINDS
from pipeline.model.kinds.kind import Kind
from pipeline.model.pseudonym import CASE_PATTERN

Audience = Literal["teaching", "public"]
Look = Literal["before-release", "after"]


class Section(BaseModel):
    """A group of settings. Unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", validate_default=True, allow_inf_nan=False)


def option(default: Any, comment: str, unit: str = "", **limits: Any) -> Any:
    """A setting: default, one-line comment, unit, and pydantic limits (ge, le, ...)."""
    if isinstance(default, (list, dict)):
        value = default
        return Field(
            default_factory=lambda: type(value)(value),
            description=comment,
            json_schema_extra={"unit": unit},
            **limits,
        )
    return Field(default=default, description=comment, json_schema_extra={"unit": unit}, **limits)


class OutputOptions(Section):
    """The finished file."""

    profile: str = option(
        "web", "name of the profile, part of file names", pattern=r"^[a-z0-9-]{1,20}$"
    )
    audience: Audience = option("public", "who may see it; consent must cover it")
    loudness_lufs: float = option(-14.0, "integrated loudness of the mix", "LUFS", ge=-36, le=-6)
    true_peak_dbtp: float = option(-1.0, "highest true peak of the mix", "dBTP", ge=-9, le=-1)
    crf: int = option(20, "x264 constant rate factor; lower is better and larger", ge=10, le=35)
    x264_preset: Literal[
        "ultrafast", "superfast", "veryfast", "faster", "fast", "medium", "slow"
    ] = option("veryfast", "x264 speed preset")
    audio_kbps: int = option(192, "AAC bit rate", "kbit/s", ge=64, le=512)
    max_height_px: int = option(
        2160, "larger pictures are scaled down to this", "px", ge=144, le=4320
    )
    deinterlace: Literal["same", "double"] = option(
        "same", "interlaced sources: one picture per frame, or one per field"
    )
    text_track: bool = option(
        True, "captions inside the file too, for players that can show them"
    )
    series_title: str = option("", "name of the series, shown in the sheet", max_length=80)
    look: Look = option(
        "before-release",
        "whether a person looks at a clip before it is released; no profile that comes with the"
        " program says after, only your own settings can, also for a public audience",
    )


class FormOptions(Section):
    """The shape of the clip's picture."""

    aspect: Literal["source", "16:9", "1:1", "9:16"] = option(
        "source", "width to height; other than source: cut closely around the field"
    )
    margin_ratio: float = option(
        0.03, "black left around the field on each side", "x its size", ge=0, le=0.5
    )
    most_s: float = option(0.0, "longest clip; 0 for any length", "s", ge=0, le=86400)


class CardOptions(Section):
    """Words on black, for a few seconds each."""

    title: bool = option(False, "before the pictures: series, number, title")
    chapters: bool = option(False, "before each recording: its side and phase, or its title")
    compared: bool = option(
        True, "after the pictures: before and after side by side, for each side that has both"
    )
    measured: bool = option(True, "after the pictures: the measured value, if the case has one")
    closing: bool = option(False, "at the end: cautions, what was altered, consent")


class CaptionOptions(Section):
    """Captions as a part of the picture; the file and the text track are there besides."""

    drawn: Literal["no", "below", "beside"] = option(
        "no", "draw them off the field, never over it: below or to the right of it"
    )
    font: str = option("", "font file (TTF or OTF) for them; empty for the bundled one")


class FieldOptions(Section):
    """Finding the scope field."""

    sure: float = option(
        0.9, "confidence from which a field is believed without a person", ge=0.5, le=1
    )
    edge_inset_px: float = option(
        1.5, "blanking starts this far inside the lit edge", "px", ge=0, le=20
    )


class ColourOptions(Section):
    """Colour and exposure; of pictures for teaching, never for judging tissue."""

    matched: bool = option(
        False, "bring the recordings to one white balance and exposure, by one constant gain each"
    )


class MarkOptions(Section):
    """The semi-transparent mark inside the field."""

    text: str = option(
        "TEACHING COPY", "text of the mark; empty for an emblem alone", max_length=60
    )
    emblem: str = option("", "PNG or SVG with transparency to use instead of text; a file path")
    font: str = option("", "font file (TTF or OTF); empty for the bundled one")
    count: int = option(0, "number of marks, 1 to 4; 0 chooses by crop loss", ge=0, le=4)
    size_ratio: float = option(
        0.9, "width of one mark relative to the field radius", "x radius", ge=0.1, le=1.5
    )
    visibility_low: float = option(6.0, "least L* difference over the strokes", "L*", ge=1, le=40)
    visibility_high: float = option(
        12.0, "greatest L* difference over the strokes", "L*", ge=2, le=60
    )
    warp_px: float = option(1.5, "size of the seeded warp at 1080 rows", "px", ge=0, le=2)
    motion: Literal["drift", "still"] = option(
        "drift", "drift: the mark wanders slowly, so that the median over time does not show it"
    )
    speed_ratio: float = option(
        0.025,
        "fastest drift; above 0.03 the eye follows it, and slower uncovers less in a few seconds",
        "field radii a second",
        ge=0.002,
        le=0.03,
    )
    release_code: bool = option(
        True,
        "an invisible number in the luma of the field, new every second, by which fieldstop trace"
        " tells which release, and whose copy, a stolen clip is",
    )
    crop_loss_goal: float = option(
        0.35, "share of the lit picture a crop must lose to be rid of the mark", ge=0, le=0.9
    )


class _LensLimits(Section):
    event_loss: float = option(0.15, "contrast loss from which fog is an event", ge=0.05, le=0.9)
    event_min_s: float = option(0.5, "shortest event", "s", ge=0.1, le=10)


def _settings_of(kinds: Iterable[Kind]) -> dict[str, Any]:
    """Fields of the section `lens` that the kinds of finding declare."""
    out: dict[str, Any] = {}
    for kind in kinds:
        if kind.setting:
            out[kind.kind] = Literal[kind.choices], option(kind.action, kind.setting)
        for more in kind.options:
            value = option(more.default, more.comment, more.unit, **more.limits)
            out[more.name] = type(more.default), value
    return out


if TYPE_CHECKING:

    class LensOptions(_LensLimits):
        """As below; what is asked for by name."""

        out_of_body_margin_s: float = 0.5

else:
    LensOptions = create_model(
        "LensOptions",
        __base__=_LensLimits,
        __doc__="Fog and other disturbances, and what is done about them.",
        **_settings_of(KINDS),
    )


class SoundOptions(Section):
    """Narration, procedure sound, ducking."""

    ducking_depth_lu: float = option(
        15.0, "least level of narration over background", "LU", ge=6, le=40
    )
    duck_lead_s: float = option(
        0.2, "the fall is complete this long before speech", "s", ge=0.05, le=2
    )
    duck_fall_s: float = option(0.4, "length of the fall", "s", ge=0.05, le=3)
    duck_hold_s: float = option(0.8, "pauses shorter than this stay ducked", "s", ge=0, le=5)
    duck_release_s: float = option(0.6, "length of the rise after speech", "s", ge=0.05, le=5)
    background_below_narration_lu: float = option(
        8.0, "background between narrations, below the narration", "LU", ge=0, le=30
    )
    speech_threshold: float = option(
        0.5, "voice activity from which narration is speech", ge=0.1, le=0.95
    )
    redact_speech: bool = option(
        True, "replace speech in the procedure sound unless consent covers voices"
    )
    redact_pad_s: float = option(0.25, "added on both sides of found speech", "s", ge=0.25, le=2)
    mono: Literal["dual", "mono"] = option("dual", "mono sources: two equal channels, or one")


class AnonymityOptions(Section):
    """What is looked for so that nothing identifies the patient."""

    lettering: bool = option(True, "look for burned-in lettering in the field")
    faces: bool = option(True, "look for faces")
    samples_per_s: float = option(1.0, "pictures looked at by the survey", "1/s", ge=0.1, le=10)
    verify_samples_per_s: float = option(2.0, "pictures looked at by verify", "1/s", ge=0.1, le=25)
    patient_gap_s: float = option(
        60.0, "out of the body this long, it may be another patient", "s", ge=5, le=3600
    )
    case_pattern: str = option(
        CASE_PATTERN,
        "what a case may be called, as a regular expression; never a plain word, nor with a date;"
        " longer numbers may be those of patients' records",
    )

    @field_validator("case_pattern")
    @classmethod
    def _pattern(cls, value: str) -> str:
        try:
            re.compile(value)
        except re.error as error:
            raise ValueError(f"it is no regular expression: {error}") from None
        return value


class MachineOptions(Section):
    """Use of the machine."""

    cache_gb: float = option(
        20.0, "largest size of the cache of measurements", "GB", ge=0.1, le=10000
    )
    threads: int = option(0, "threads of the decoder and encoder; 0 for all cores", ge=0, le=256)


class BatchOptions(Section):
    """A folder of cases in one command."""

    name_rule: str = option(
        r"(?P<case>[A-Za-z]{2,4}-\d{2,4})(?:[ _-](?P<side>left|right|midline))?"
        r"(?:[ _-](?P<part>\d{1,4}))?(?:[ _-](?P<voice>voice|narration))?",
        "names of loose recordings, without ending, as a regular expression with the groups"
        " case (a pseudonym), side, part, voice",
    )
    memory_mb: int = option(
        0, "memory of one worker with its children; 0 shares what is free", "MB", ge=0, le=1000000
    )
    stall_s: float = option(
        600.0, "a case that does not go on for so long is stopped", "s", ge=5, le=86400
    )
    silence_s: float = option(
        7200.0, "a case that reports nothing for so long is stopped", "s", ge=10, le=604800
    )
    disk_reserve_gb: float = option(1.0, "disk space that stays free", "GB", ge=0, le=100000)
    settle_s: float = option(
        60.0, "--watch takes a recording that has not grown for so long", "s", ge=0.1, le=86400
    )
    scan_every_s: float = option(10.0, "--watch looks this often", "s", ge=0.1, le=3600)
    retries: int = option(3, "how often a task of a lost worker is tried again", ge=0, le=20)

    @field_validator("name_rule")
    @classmethod
    def _rule(cls, value: str) -> str:
        try:
            rule = re.compile(value)
        except re.error as error:
            raise ValueError(f"it is no regular expression: {error}") from None
        if "case" not in rule.groupindex:
            raise ValueError("it needs a group (?P<case>...)")
        return value


class RetentionOptions(Section):
    """How long private material is kept. Local law and policy decide; this only lists by it."""

    private_days: int = option(
        0, "`fieldstop retention` names private material older than this; 0: none by its age",
        "days", ge=0, le=36500,
    )  # fmt: skip


class ProvenanceOptions(Section):
    """A signature in each clip that leaves (C2PA), by the user's own certificate."""

    key: str = option(
        "", "file of the private key (PEM) that signs what leaves; it is never copied or kept"
    )
    chain: str = option(
        "", "file of its certificates (PEM): the signer's own, then each one's issuer"
    )


class Options(Section):
    """All settings."""

    output: OutputOptions = OutputOptions()
    form: FormOptions = FormOptions()
    cards: CardOptions = CardOptions()
    captions: CaptionOptions = CaptionOptions()
    field: FieldOptions = FieldOptions()
    colour: ColourOptions = ColourOptions()
    mark: MarkOptions = MarkOptions()
    lens: LensOptions = LensOptions()
    sound: SoundOptions = SoundOptions()
    anonymity: AnonymityOptions = AnonymityOptions()
    machine: MachineOptions = MachineOptions()
    batch: BatchOptions = BatchOptions()
    retention: RetentionOptions = RetentionOptions()
    provenance: ProvenanceOptions = ProvenanceOptions()
