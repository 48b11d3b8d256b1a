"""What a plot shows, as plain data; `assets/plots.js` draws it.

The report and the local page use the same plots, so that they look the same.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from pipeline.model.findings import Event
from pipeline.model.kinds import KINDS
from pipeline.review.series import pack, reduce_together


class Look(NamedTuple):
    """How one kind of finding is drawn. Hatching and sign tell it without hue."""

    label: str
    color: str
    hatch: str
    sign: str


# Colours: Okabe and Ito, 'Color Universal Design' (2008), the set for figures that
# colour-blind readers can tell apart: orange, sky blue, bluish green, yellow, blue,
# vermillion, reddish purple, black.
LOOKS: dict[str, Look] = {k.kind: Look(k.name, k.color, k.pattern, k.sign) for k in KINDS} | {
    "narration": Look("Narration", "#0072B2", "solid", "N"),
    "redaction": Look("Redaction", "#CC79A7", "falling", "X"),
    "withheld": Look("Withheld", "#D55E00", "grid", "!"),
    "check": Look("Failed check", "#D55E00", "cross", "!"),
    "mark": Look("Mark", "#009E73", "level", "M"),
}


SILENT_LUFS = -60.0  # quieter than this is drawn as a gap


def look(kind: str) -> Look:
    return LOOKS.get(kind) or Look(kind.replace("_", " ").capitalize(), "#777777", "level", "•")


def kinds_payload() -> list[dict[str, Any]]:
    """The kinds of finding as the page takes them, in the order in which people read them.

    severity: its words for a measured loss ({} is the number), for an unknown one, and for
    each way in which it was found. event: it is drawn as a band over the loss.
    """
    return [
        {
            "kind": k.kind,
            "name": k.name,
            "sign": k.sign,
            "pattern": k.pattern,
            "color": k.color,
            "action": k.action,
            "actions": list(k.actions),
            "reasons": list(k.reasons),
            "event": k.event,
            "severity": {
                "measured": k.severity.measured,
                "unmeasured": k.severity.unmeasured,
                "told": dict(k.severity.told),
            },
        }
        for k in KINDS
    ]


def spans(pairs: Iterable[Sequence[float]]) -> list[list[float]]:
    return [[round(float(p[0]), 3), round(float(p[1]), 3)] for p in pairs]


def _packed(time_s: ArrayLike, series: Mapping[str, ArrayLike], points: int) -> dict[str, Any]:
    time = np.asarray(time_s, dtype=np.float64).ravel()
    whole = {k: np.asarray(v, dtype=np.float64).ravel() for k, v in series.items()}
    return pack(
        *reduce_together(time, {k: v for k, v in whole.items() if v.size == time.size}, points)
    )


def event_marks(events: Iterable[Event]) -> list[dict[str, Any]]:
    return [
        {"kind": e.kind, "start": round(e.start_s, 3), "stop": round(e.stop_s, 3)} for e in events
    ]


def loss_plot(
    series: Mapping[str, ArrayLike],
    events: Iterable[Event],
    *,
    name: str,
    event_loss: float = 0.15,
    points: int = 1200,
    sync: str = "",
) -> dict[str, Any]:
    """Contrast loss 0..1 with its bounds, events as bands, and the loss under smudges and by blur.

    series: arrays of shape (n,) named as in series.npz; `time_s` and `contrast_loss`
    must be there. Times are seconds on whatever axis the caller gives.
    """
    known = ("contrast_loss", "contrast_loss_low", "contrast_loss_high", "smudge", "blur")
    found = {k: np.asarray(series[k], dtype=np.float64) for k in known if k in series}
    for extra in ("smudge", "blur"):  # each drawn only where there is any
        if extra in found and not (np.nan_to_num(found[extra]) > 0.1).any():
            del found[extra]
    data = _packed(series["time_s"], found, points)
    lines = [
        {"of": of, "name": words, "look": look, "tone": "second"}
        for of, words, look in (
            ("smudge", "Loss under a smudge", "dashed"),
            ("blur", "Detail lost to blur", "dotted"),
        )
        if of in data["series"]
    ]
    words = "Contrast lost over the whole field"
    lines.append({"of": "contrast_loss", "name": words, "look": "solid", "tone": "first"})
    band = None
    if "contrast_loss_low" in data["series"] and "contrast_loss_high" in data["series"]:
        band = {
            "low": "contrast_loss_low",
            "high": "contrast_loss_high",
            "name": "between these bounds",
        }
    return {
        "name": name,
        "data": data,
        "lines": lines,
        "band": band,
        "range": [0, 1],
        "unit": "",
        "digits": 2,
        "limits": [{"at": event_loss, "name": f"listed from {event_loss:g}"}],
        "events": event_marks(events),
        "height": 190,
        "sync": sync,
    }


def sound_plots(
    sound: Mapping[str, Any], *, points: int = 1200, sync: str = "sound"
) -> list[dict[str, Any]]:
    """Levels, difference against the wanted depth, and the background's gain."""
    time = sound.get("time_s")
    if time is None or np.asarray(time).size == 0:
        return []
    out: list[dict[str, Any]] = []
    lanes = [
        {"kind": kind, "name": label, "spans": spans(sound.get(key) or [])}
        for kind, label, key in (
            ("narration", "narrator speaks", "narration_speech"),
            ("speech", "speech in the room, replaced", "procedure_speech"),
        )
        if sound.get(key)
    ]
    levels = {
        k: np.where(np.asarray(sound[k], dtype=np.float64) < SILENT_LUFS, np.nan, sound[k])
        for k in ("narration_lufs", "background_lufs")
        if sound.get(k) is not None
    }
    if levels:
        out.append(
            {
                "name": "Momentary loudness, narration and background",
                "data": _packed(time, levels, points),
                "lines": [
                    {"of": k, "name": n, "look": s, "tone": t, "gap": "below −60 LUFS"}
                    for k, n, s, t in (
                        ("narration_lufs", "Narration", "solid", "first"),
                        ("background_lufs", "Background", "dashed", "second"),
                    )
                    if k in levels
                ],
                "range": [SILENT_LUFS, 0],
                "unit": "LUFS",
                "digits": 1,
                "lanes": lanes,
                "height": 180,
                "sync": sync,
            }
        )
    if sound.get("difference_lu") is not None:
        depth = float(sound.get("depth_lu", 15.0))
        known = np.asarray(sound["difference_lu"], dtype=np.float64)
        top = float(np.nanmax(known)) if np.isfinite(known).any() else 0.0
        out.append(
            {
                "name": "Narration over background" + _reached(sound, depth),
                "data": _packed(time, {"difference_lu": known}, points),
                "lines": [
                    {
                        "of": "difference_lu",
                        "name": "Difference",
                        "look": "solid",
                        "tone": "first",
                        "gap": "no narration",
                    }
                ],
                "range": [0, min(80.0, max(45.0, top + 2))],
                "unit": "LU",
                "digits": 1,
                "limits": [{"at": depth, "name": f"at least {depth:g} LU"}],
                "lanes": [] if levels else lanes,
                "height": 130,
                "sync": sync,
            }
        )
    if sound.get("background_gain_db") is not None:
        gain = np.asarray(sound["background_gain_db"], dtype=np.float64)
        low = float(np.nanmin(gain)) if np.isfinite(gain).any() else -30.0
        out.append(
            {
                "name": "Gain of the background",
                "data": _packed(time, {"background_gain_db": gain}, points),
                "lines": [
                    {"of": "background_gain_db", "name": "Gain", "look": "solid", "tone": "first"}
                ],
                "range": [min(-24.0, low - 3), max(3.0, float(np.nanmax(np.append(gain, 0))) + 1)],
                "unit": "dB",
                "digits": 1,
                "height": 110,
                "sync": sync,
            }
        )
    return out


def _reached(sound: Mapping[str, Any], depth_lu: float) -> str:
    """How much of the narration has the depth, as the checks count it."""
    share = sound.get("difference_share")
    if share is None:
        return ""
    words = "" if sound.get("difference_heard", True) else ", expected"
    return f": at least {depth_lu:g} LU in {100 * share:.1f} % of it{words}"


def mark_plot(
    mark: Mapping[str, Any], *, points: int = 1200, sync: str = ""
) -> dict[str, Any] | None:
    """Visibility of the mark over time between the two lines that it must keep to."""
    series = mark.get("series") or {}
    if "visibility" not in series:
        return None
    stats = mark.get("visibility") or {}
    low, high = float(stats.get("low", 6.0)), float(stats.get("high", 12.0))
    values = np.asarray(series["visibility"], dtype=np.float64)
    top = float(np.nanmax(values)) if np.isfinite(values).any() else high
    return {
        "name": "Visibility of the mark",
        "data": _packed(series["time_s"], {"visibility": values}, points),
        "lines": [{"of": "visibility", "name": "Visibility", "look": "solid", "tone": "first"}],
        "zone": [low, high],
        "range": [0, max(high * 1.5, top * 1.1)],
        "unit": "L*",
        "digits": 1,
        "limits": [
            {"at": low, "name": f"least {low:g}"},
            {"at": high, "name": f"greatest {high:g}"},
        ],
        "height": 140,
        "sync": sync,
    }
