"""From a run of a case to what its report shows. Redacted pictures and sound only."""

from __future__ import annotations

import io
import os
from collections.abc import Sequence
from typing import Any

import numpy as np

from pipeline import __version__
from pipeline.media.stems import Stem
from pipeline.model.case import Case
from pipeline.model.survey import Event, Survey, TrackLoudness
from pipeline.model.time import Span, merge_spans
from pipeline.review.report import (
    ChecklistRow,
    EditRow,
    EventStrip,
    MarkReport,
    Player,
    RecordingPart,
    ReportData,
    SoundPicture,
    SoundReport,
    Thumbnail,
    build_report,
)
from pipeline.review.standing import State
from pipeline.stages.make import CaseRun
from pipeline.stages.measure import source_inputs
from pipeline.stages.pictures import redacted_jpegs
from pipeline.stages.planning.chapters import chapter_title
from pipeline.stages.planning.parts import keep_parts

SHOWN_EVENTS = 16  # with pictures, fog first
SHOWN_SPANS = 24
PLAYER_S = 8.0
PICTURE_COLUMNS = 900


def case_report(run: CaseRun) -> str:
    """The text of report.html."""
    return build_report(report_data(run))


def report_data(run: CaseRun) -> ReportData:
    """Gathers everything; decodes a few pictures anew, blanked."""
    case = run.opened.case
    state: State = "surveyed"
    if run.plan is not None:
        state = run.state
    recordings = [
        RecordingPart(recording_name(case, run, n), one_surround(s.survey), _per_frame(s.series))
        for n, s in enumerate(run.surveyed)
    ]
    warnings = list(run.plan.warnings) if run.plan else []
    for surveyed in run.surveyed:
        warnings += surveyed.recording.warnings + surveyed.survey.warnings
    data = ReportData(
        case=case.case,
        title=run.plan.title if run.plan else case.title,
        profile=run.options.output.profile,
        state=state,
        program_version=__version__,
        recordings=recordings,
        thumbnails=_thumbnails(run),
        event_strips=_strips(run),
        sound=_sound(run),
        players=_players(run),
        checks=run.checks,
        withheld=run.withheld,
        edits=_edits(run),
        checklist=checklist(run),
        warnings=list(dict.fromkeys(warnings)),
        mark=_mark(run),
        event_loss=run.options.lens.event_loss,
        name=clip_name(run),
        looked=run.looked,
        approved_by=run.approved_by,
        links=_links(run),
    )
    from pipeline.review.case_axis import in_case_time

    pieces = run.plan.pieces if run.plan is not None else ()
    return in_case_time(data, keep_parts(case, source_inputs(run.opened, run.surveyed)), pieces)


def _links(run: CaseRun) -> list[tuple[str, str]]:
    """What was made, from where the report lies; the clip is found wherever it stands now."""
    here = run.folder.private_dir
    poster = run.released.path.with_suffix(".jpg") if run.released is not None else None
    made = (
        ("The released clip", run.released.path if run.released is not None else None),
        ("Its poster", poster if poster is not None and poster.is_file() else None),
        ("The clip that is ready", run.ready if run.released is None else None),
        ("The draft", run.draft),
    )
    return [(words, os.path.relpath(path, here)) for words, path in made if path is not None]


def clip_name(run: CaseRun) -> str:
    """`HL-0142-web`: what a ready clip is called."""
    return f"{run.opened.case.case}-{run.options.output.profile}{run.suffix}"


def one_surround(survey: Survey) -> Survey:
    """The survey with all lettering outside the field as one entry (with the box of the first).

    It is blacked out anyway, and would hide the findings that need a look.
    """
    outside = [x for x in survey.lettering if x.where == "surround"]
    if len(outside) < 2:
        return survey
    whole = outside[0].model_copy(
        update={
            "start_s": min(x.start_s for x in outside),
            "stop_s": max(x.stop_s for x in outside),
            "confidence": max(x.confidence for x in outside),
        }
    )
    inside = [x for x in survey.lettering if x.where == "field"]
    return survey.model_copy(update={"lettering": [whole, *inside]})


def recording_name(case: Case, run: CaseRun, number: int) -> str:
    """'recording 1, Left side', with the part where a recorder split it."""
    source = run.opened.sources[number]
    name = f"recording {source.recording + 1}"
    title = chapter_title(case, source.recording)
    parts = [s.number for s in run.opened.sources if s.recording == source.recording]
    if title and not run.opened.bare:
        name += f", {title}"
    if len(parts) > 1:
        name += f", part {parts.index(number) + 1}"
    return name


def _per_frame(series: dict[str, Any]) -> dict[str, Any]:
    length = len(series.get("time_s", ()))
    return {k: v for k, v in series.items() if v.ndim == 1 and len(v) == length}


def _thumbnails(run: CaseRun) -> list[Thumbnail]:
    out = []
    for number, surveyed in enumerate(run.surveyed):
        for wanted_s, words in sample_times(surveyed.survey, surveyed.series):
            for time_s, data, span in redacted_jpegs(run, number, [wanted_s], exact=False):
                words += "" if span.shape != "none" else "; no round field"
                out.append(Thumbnail(number, time_s, data, span, words))
    return out


def sample_times(survey: Survey, series: dict[str, Any]) -> list[tuple[float, str]]:
    """Moments worth a picture, in order: a clear one, each kind of event at its worst, the middle.

    Seconds of the recording, and what is seen there.
    """
    events = list(survey.events)
    out: list[tuple[float, str]] = []
    if "time_s" in series and "contrast_loss" in series and len(series["time_s"]):
        time_s = np.asarray(series["time_s"], float)
        loss = np.asarray(series["contrast_loss"], float).copy()
        for e in events:
            loss[(time_s >= e.start_s - 0.5) & (time_s < e.stop_s + 0.5)] = np.nan
        known = np.flatnonzero(np.isfinite(loss))
        if known.size:
            best = known[loss[known] <= np.nanmin(loss) + 0.01]
            out.append((float(time_s[best[best.size // 2]]), "clear"))
    for kind in dict.fromkeys(e.kind for e in events):
        worst = min((e for e in events if e.kind == kind), key=how_bad)
        words = f"{kind.replace('_', ' ')} at its worst"
        out.append((_worst_s(series, worst), words if len(events) > 1 else kind.replace("_", " ")))
    middle = survey.recording.duration_s / 2
    if all(abs(middle - t) > 1.0 for t, _ in out):
        inside = any(e.start_s <= middle < e.stop_s for e in events)
        out.append((middle, "the middle" if not inside else "the middle, inside an event"))
    return sorted(out)


def how_bad(event: Event) -> tuple[bool, float]:
    """Order of events in the report: fog first, the worst first.

    Fog without a number never had a clear moment: nothing is worse.
    """
    unknown = 1.0 if event.kind == "fog" else 0.0
    return event.kind != "fog", -(unknown if event.peak_loss is None else event.peak_loss)


def _strips(run: CaseRun) -> list[EventStrip]:
    from pipeline.analysis.lens.fold import recovery_time_constant_s

    out: list[EventStrip] = []
    for number, surveyed in enumerate(run.surveyed):
        shown = [e for e in surveyed.survey.events if e.kind != "out_of_body"]
        shown = sorted(shown, key=how_bad)[:SHOWN_EVENTS]
        for event in sorted(shown, key=lambda e: e.start_s):
            times = [event.start_s, _worst_s(surveyed.series, event), max(0.0, event.stop_s - 0.1)]
            pictures = [data for _, data, _ in redacted_jpegs(run, number, times, rows_px=200)]
            constant = (
                recovery_time_constant_s(surveyed.series, event) if event.kind == "fog" else None
            )
            out.append(EventStrip(number, event, pictures, constant))
    return out


def _worst_s(series: dict[str, Any], event: Event) -> float:
    time_s, loss = series["time_s"], series.get(event.kind, series["contrast_loss"])
    inside = (time_s >= event.start_s) & (time_s < event.stop_s) & np.isfinite(loss)
    if not inside.any():
        return (event.start_s + event.stop_s) / 2
    index = np.flatnonzero(inside)
    return float(time_s[index[np.argmax(loss[index])]])


def _sound(run: CaseRun) -> SoundReport:
    from pipeline.analysis.sound.loudness import LoudnessFold, momentary_lufs
    from pipeline.analysis.sound.mix import DuckingFold, gain_at, render_tracks

    plan, rendered = run.plan, run.rendered
    if plan is None or rendered is None or plan.mix is None:
        return SoundReport()
    tracks: dict[str, LoudnessFold] = {
        name: LoudnessFold(plan.sound_channels) for name in ("narration", "background", "mix")
    }
    ducking = run.verified.ducking if run.verified else None
    fold = None
    if ducking is None and rendered.narration is not None and plan.narration:
        fold = DuckingFold(plan.sound_channels)  # a draft is not verified
    for behind, front in render_tracks(
        rendered.stem.blocks() if rendered.stem else None,
        rendered.narration.blocks() if rendered.narration else None,
        plan.mix,
        plan.sound_channels,
    ):
        tracks["background"].step(behind)
        tracks["narration"].step(front)
        tracks["mix"].step(front + behind)
        if fold is not None:
            fold.step(front, behind)
    after = {name: track.finish() for name, track in tracks.items()}
    pictures, redacted = _heard_stems(run, fold)
    if fold is not None:
        ducking = fold.finish(plan.mix.depth_lu, [Span(*s) for s in plan.narration])
    front_lufs = momentary_lufs(after["narration"].hop_power)
    back_lufs = momentary_lufs(after["background"].hop_power)
    count = min(len(front_lufs), len(back_lufs))
    front_lufs, back_lufs = front_lufs[:count], back_lufs[:count]
    time_s = np.arange(count) * 0.1 + 0.2
    difference = np.full(count, np.nan)
    if ducking is not None and ducking.time_s.size:  # drawn is what was counted
        index = np.searchsorted(ducking.time_s, time_s).clip(0, ducking.time_s.size - 1)
        difference = np.asarray(ducking.depth_series_lu, np.float64)[index]
    numbers: list[tuple[str, float | str | None, str]] = []
    if ducking is not None:
        leads, releases = ducking.onset_lead_s, ducking.release_s
        numbers = [
            ("Share of the narration that stands that far over it", ducking.share, "of 1"),
            ("All but a twentieth of it stands over by", ducking.p5_lu, "LU"),
            ("At its least it stands over by", ducking.least_lu, "LU"),
            *(
                [("Background between narrations", ducking.background_gap_lufs, "LUFS")]
                if ducking.background_gap_lufs is not None
                else []
            ),
            ("Times the background goes down for the voice", len(leads), ""),
        ]
        if leads:
            numbers += [
                ("It is down before the first word by, at least", min(leads), "s"),
                ("… all but a twentieth of the times by", float(np.percentile(leads, 5)), "s"),
            ]
        if releases:
            numbers.append(("It is back after, as a rule", float(np.median(releases)), "s"))
    if plan.narration_offset_confidence is not None:
        numbers += [
            ("Narration placed at", plan.narration_offset_s, "s"),
            ("… how sure that place is", plan.narration_offset_confidence, "of 1"),
        ]
    if rendered.limited:
        limited = rendered.limited
        numbers += [
            ("The whole mix was raised by", rendered.gain_db, "dB"),
            ("Most that peaks were lowered by", limited.get("max_reduction_db"), "dB"),
            ("Time in which peaks were lowered", limited.get("reduced_s"), "s"),
            ("… by more than 3 dB", limited.get("strongly_reduced_s"), "s"),
        ]
    loudness: list[Any] = [
        (
            f"Procedure, {recording_name(run.opened.case, run, n)}",
            s.survey.loudness,
            None,
        )
        for n, s in enumerate(run.surveyed)
        if s.survey.loudness is not None
    ]
    loudness.append(("Procedure in the clip", redacted, after["background"].track()))
    if rendered.narration is not None:
        before = LoudnessFold(1)
        for block in rendered.narration.blocks():
            before.step(block)
        loudness.append(("Narration", before.finish().track(), after["narration"].track()))
    final = run.verified.loudness.track() if run.verified and run.verified.loudness else None
    loudness.append(("Mix, then the finished file", after["mix"].track(), final))
    replaced = _replaced_spans(run)
    return SoundReport(
        time_s=time_s,
        narration_lufs=front_lufs,
        background_lufs=back_lufs,
        difference_lu=difference,
        difference_share=None if ducking is None else ducking.share,
        background_gain_db=gain_at(plan.mix.background_gain, time_s)
        if plan.mix.background_gain
        else np.zeros(count),
        narration_speech=plan.narration,
        procedure_speech=replaced["procedure_speech"],
        undecided=replaced["undecided"],
        overruled=replaced["overruled"],
        pictures=pictures,
        depth_lu=plan.mix.depth_lu,
        ducking=numbers,
        loudness=loudness,
    )


def _heard_stems(run: CaseRun, fold: Any) -> tuple[list[SoundPicture], TrackLoudness | None]:
    """Mel pictures of both tracks before their gains, and the redacted track's loudness.

    fold: a DuckingFold that still needs the background before its gain, or None.
    """
    from pipeline.analysis.sound.loudness import LoudnessFold
    from pipeline.analysis.sound.mix import to_channels
    from pipeline.analysis.sound.narration import MelPictureFold

    plan, rendered = run.plan, run.rendered
    assert plan is not None and rendered is not None
    length = max(1, round(plan.duration_s * 48_000))
    out: list[SoundPicture] = []
    redacted: TrackLoudness | None = None
    for name, stem in (("Narration", rendered.narration), ("Procedure", rendered.stem)):
        if stem is None:
            continue
        picture = MelPictureFold(PICTURE_COLUMNS, length)
        meter = LoudnessFold(plan.sound_channels)
        for block in stem.blocks():
            picture.step(block)
            if name == "Procedure":
                same = to_channels(block, plan.sound_channels)
                meter.step(same)
                if fold is not None:
                    fold.step_source(same)
        if name == "Procedure":
            redacted = meter.finish().track()
        out.append(SoundPicture(name, _mel_png(picture.finish()), plan.duration_s))
    return out, redacted


def _mel_png(picture: np.ndarray[Any, Any]) -> bytes:
    """(band, column) in dB, -80..0, as a grey picture: ink where it sounds, low at the foot."""
    import cv2

    ink = np.clip((picture + 70.0) / 70.0, 0.0, 1.0)
    grey = (255 - 215 * ink[::-1]).astype(np.uint8)
    done, data = cv2.imencode(".png", grey)
    assert done
    return bytes(data)


def _replaced_spans(run: CaseRun) -> dict[str, list[Any]]:
    """Spans of the clip in which the procedure sound is replaced, by the reason, and kept ones."""
    from pipeline.stages.planning.levels import replaced_spans
    from pipeline.stages.room import NOT_TOLD

    plan = run.plan
    assert plan is not None
    told = {word: why for why, word in NOT_TOLD.items()}
    spoken = [r for r in plan.redactions if r.what == "speech" and r.reason not in told]
    out: list[tuple[float, float, str]] = []
    for word in NOT_TOLD.values():
        rows = [r for r in plan.redactions if r.what == "speech" and r.reason == word]
        out += [(s.start_s, s.stop_s, word) for s in replaced_spans(plan.pieces, rows)]
    return {
        "procedure_speech": [tuple(s) for s in replaced_spans(plan.pieces, spoken)],
        "undecided": sorted(out),
        "overruled": [tuple(s) for s in replaced_spans(plan.pieces, plan.overruled)],
    }


def _players(run: CaseRun) -> list[Player]:
    """Redacted procedure and narration side by side untreated, and the mix, as Ogg."""
    plan, rendered = run.plan, run.rendered
    if plan is None or rendered is None or rendered.mix is None or not plan.narration:
        return []
    out = []
    for start, stop in _phrases(plan.narration)[:SHOWN_SPANS]:
        first = max(0.0, start - 1.0)
        last = min(plan.duration_s, stop + 1.0, first + PLAYER_S)
        a, count = round(first * 48_000), round((last - first) * 48_000)
        before = np.zeros((2, count), np.float32)
        for stem in (rendered.stem, rendered.narration):
            if stem is not None:
                before += _stereo(stem, a, count)
        after = _stereo(rendered.mix, a, count)
        out.append(Player((first, last), _ogg(before), _ogg(after)))
    return out


def _phrases(spans: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Narrated spans; those less than 0.8 s apart are listened to as one."""
    return [(s.start_s, s.stop_s) for s in merge_spans(spans, 0.8)]


def _stereo(stem: Stem, start: int, count: int) -> np.ndarray[Any, Any]:
    block = stem.read(start, count)
    return np.repeat(block, 2, axis=0) if block.shape[0] == 1 else block


def _ogg(block: np.ndarray[Any, Any]) -> bytes:
    import soundfile

    buffer = io.BytesIO()
    peak = float(np.abs(block).max()) if block.size else 0.0
    soundfile.write(buffer, (block / max(1.0, peak)).T, 48_000, format="OGG", subtype="VORBIS")
    return buffer.getvalue()


def _edits(run: CaseRun) -> list[EditRow]:
    if run.plan is None:
        return []
    rows = [
        EditRow(
            recording=e.source, start_s=e.start_s, stop_s=e.stop_s, kind=e.kind, action=e.action,
            reason=e.reason, origin=e.origin,
        )
        for e in run.plan.edits
    ]  # fmt: skip
    words = {"speech": "replace", "lettering": "cover", "face": "cover"}
    rows += [
        EditRow(
            recording=r.source, start_s=r.start_s, stop_s=r.stop_s, kind=r.what,
            action=words[r.what], reason=r.reason, origin=r.origin,
        )
        for r in run.plan.redactions
        if r.what in words
    ]  # fmt: skip
    return rows


def _mark(run: CaseRun) -> MarkReport:
    plan = run.plan
    if plan is None or plan.mark is None:
        return MarkReport()
    mark = plan.mark
    report = MarkReport(
        text=mark.text or "emblem",
        places=[
            {"x": p.x, "y": p.y, "width_ratio": p.width_ratio, "angle_deg": p.angle_deg,
             "height_ratio": p.width_ratio / (run.glyph.aspect if run.glyph else 5.0)}
            for p in mark.chosen.positions
        ],
        candidates=[
            {
                "name": ", ".join(c.reasons[:1]) or f"group of {len(c.positions)}",
                "count": len(c.positions),
                "crop_loss": c.crop_loss,
                "chosen": c == mark.chosen,
            }
            for c in mark.candidates
        ],
        crop_loss=mark.chosen.crop_loss,
        crop_loss_goal=run.options.mark.crop_loss_goal,
    )  # fmt: skip
    seen = run.verified.visibility if run.verified else []
    if not seen and run.rendered is not None:
        seen = run.rendered.visibility
    if seen:
        values = np.array([v for _, v in seen], float)
        good = values[np.isfinite(values)]
        if good.size:
            report["visibility"] = {
                "low": mark.band_low,
                "high": mark.band_high,
                "p5": float(np.percentile(good, 5)),
                "median": float(np.median(good)),
                "p95": float(np.percentile(good, 95)),
                "share_inside": float(((good >= mark.band_low) & (good <= mark.band_high)).mean()),
            }
        report["series"] = {"time_s": np.array([t for t, _ in seen], float), "visibility": values}
    return report


def checklist(run: CaseRun) -> Sequence[ChecklistRow]:
    """Identifiers of 45 CFR 164.514(b)(2)(i) that a video with sound can hold.

    Treatment by the options of DICOM PS3.15 Annex E: Clean Pixel Data, Clean
    Recognizable Visual Features, Clean Descriptors.
    """
    plan = run.plan
    if plan is None:
        return []
    surveys = [s.survey for s in run.surveyed]
    letters = [x for s in surveys for x in s.lettering]
    in_field = sum(x.where == "field" for x in letters)
    faces = sum(len(s.faces) for s in surveys)
    speech = sum(r.what == "speech" for r in plan.redactions)
    tags = sum(len(s.recording.identifying) for s in run.surveyed)
    outside = sum(e.kind == "out_of_body" for e in plan.edits)
    by = run.approved_by
    looked = run.options.anonymity.lettering and "lettering" in surveys[0].measured
    voice = bool(run.consent and run.consent.voice)
    return [
        {
            "identifier": "Names, dates, numbers in the surround (Clean Pixel Data)",
            "treated": "everything outside the scope field is black in every frame",
            "found": "not looked for: removed without reading",
        },
        {
            "identifier": "Names, dates, numbers in the field (Clean Pixel Data)",
            "treated": "found lettering is filled with black"
            if looked
            else "not looked for by this run: a person must look",
            "found": f"{in_field} places" if looked else "unknown",
            "needs_person": by is None and not looked,
        },
        {
            "identifier": "Full-face pictures (Clean Recognizable Visual Features)",
            "treated": "pictures outside the body are cut, held or black",
            "found": f"{outside} spans outside the body, {faces} faces",
        },
        {
            "identifier": "Voices, spoken names in the room",
            "treated": "consent covers voices: kept" if voice else "replaced by room sound",
            "found": f"{speech} spans",
        },
        {
            "identifier": "Names spoken by the narrator",
            "treated": "not changed: a person listens to the narration",
            "found": "unknown",
            "needs_person": by is None and bool(plan.narration),
        },
        {
            "identifier": "Dates, places, device serials, names in file tags (Clean Descriptors)",
            "treated": "only an allow-list of tags is written",
            "found": f"{tags} in the sources",
        },
        {
            "identifier": "Record, account and telephone numbers, e-mail and web addresses",
            "treated": "as above; texts that leave are of the vocabulary or confirmed",
            "found": "see above",
        },
    ]
