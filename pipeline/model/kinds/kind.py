"""What a kind of finding says of itself, and the evidence that one is found in."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from pipeline.model.field import FieldSpan
from pipeline.model.time import round_s

F64 = NDArray[np.float64]
B1 = NDArray[np.bool_]
Range = tuple[int, int]  # samples [a, b)

GAP_S = 0.8  # between two spells of most kinds; shorter ones are one
EVENT_ACTIONS = ("keep", "cut", "freeze", "clear")


class Option(NamedTuple):
    """A setting of a kind beside its action, in the section `lens`: as `model.options.option`."""

    name: str
    default: Any
    comment: str
    unit: str = ""
    limits: Mapping[str, Any] = {}


@dataclass(frozen=True)
class Severity:
    """The severity of a finding, in words.

    measured: with its greatest loss in place of {}. unmeasured: where that is not known, or is
    no measure of this kind. told: for what was found in a certain way, by its key.
    """

    measured: str = "{} lost"
    unmeasured: str = "loss unknown"
    told: Mapping[str, str] = field(default_factory=dict)

    def words(self, found: float | str | None) -> str:
        """found: the greatest loss, the key of `told`, or None."""
        if isinstance(found, str):
            return self.told.get(found, found)
        return self.unmeasured if found is None else self.measured.format(f"{found:.2f}")


class Spell(NamedTuple):
    """A span [start_s, stop_s) found elsewhere than in a series."""

    start_s: float
    stop_s: float
    confidence: float


class Found(NamedTuple):
    """What a finder answers, in samples of the lens series.

    on: (n,) where it holds, before short spells drop out. spans: the findings. score: (n,) the
    loss it causes, 0..1, None if it has no number. covers: (n,) share of the field over which
    it causes that loss, None for all of it. sure: confidence in samples [a, b), cut to
    0..1. turned_down: spans that looked like it, and are something else.
    """

    on: B1
    spans: Sequence[Range]
    score: F64 | None = None
    sure: Callable[[int, int], Any] = lambda a, b: 1.0
    turned_down: Sequence[Range] = ()
    covers: F64 | None = None


class Evidence:
    """The kept series of a recording, and what is found in them.

    A kind may ask for another: each is found once, when it is first asked for.
    series: as in `series.npz`. damaged: spans of the picture that were not read as written.
    options: the settings of the section `lens` by name.
    """

    def __init__(
        self,
        series: Mapping[str, NDArray[Any]],
        fields: Sequence[FieldSpan],
        duration_s: float,
        damaged: Sequence[tuple[float, float]],
        options: Mapping[str, Any],
        kinds: Sequence[Kind],
    ) -> None:
        self.series, self.fields, self.duration_s = series, fields, duration_s
        self.damaged, self.options = damaged, options
        self.time_s = np.asarray(series["time_s"], np.float64)
        self.count = len(self.time_s)
        self.step_s = float(np.median(np.diff(self.time_s))) if self.count > 1 else 0.2
        self.least_s = float(options["event_min_s"])
        self._kinds = {k.kind: k for k in kinds}
        self._found: dict[str, Found] = {}

    def get(self, name: str) -> F64:
        """(n,) a series, NaN where it is unknown. Raises KeyError."""
        return np.asarray(self.series[name], np.float64)

    def found(self, kind: str) -> Found:
        """What there is of another kind in the series."""
        if kind not in self._found:
            find = self._kinds[kind].find
            if find is None or not self.count:
                self._found[kind] = Found(np.zeros(self.count, bool), ())
            else:
                self._found[kind] = find(self)
        return self._found[kind]

    def spells(self, kind: str) -> list[Spell]:
        """What there is of a kind that no series tells."""
        tell = self._kinds[kind].spells
        return [] if tell is None else tell(self)

    def during(self, spells: Sequence[Spell]) -> B1:
        """(n,) True for samples in one of the spells."""
        out = np.zeros(self.count, bool)
        for spell in spells:
            out |= (self.time_s >= spell.start_s) & (self.time_s < spell.stop_s)
        return out

    def spans(self, on: B1, gap_s: float = GAP_S, least_s: float | None = None) -> list[Range]:
        """Ranges where `on` holds; gaps up to gap_s closed, those under least_s dropped."""
        least_s = self.least_s if least_s is None else least_s
        edges = np.flatnonzero(np.diff(np.r_[0, on.astype(np.int8), 0]))
        spans: list[Range] = []
        for a, b in zip(edges[::2], edges[1::2], strict=True):
            if spans and self.time_s[a] - self.stop_s(spans[-1][1]) <= gap_s:
                spans[-1] = (spans[-1][0], int(b))
            else:
                spans.append((int(a), int(b)))
        return [(a, b) for a, b in spans if self.stop_s(b) - self.time_s[a] >= least_s - 1e-6]

    def stop_s(self, b: int) -> float:
        """Time at which samples [.., b) end."""
        return float(self.time_s[b - 1]) + self.step_s


@dataclass(frozen=True)
class Kind:
    """A kind of finding, declared once; report, page, events.csv and settings are made from it.

    kind: its key in documents, settings and decisions. name: shown to people. sign: one
    letter. color, pattern: how it is drawn; the pattern tells it without hue. action: what
    the plan proposes unless the settings say otherwise, one of `choices`. setting: comment of
    that setting, empty for a kind that has none. actions: what a person may choose instead.
    options: further settings. reasons: for which it may be let through; empty if it needs
    none. event: it is a disturbance listed in `findings.json`. find, spells: how it is found
    in the series, and elsewhere. restorable: 'clear' can undo it.
    """

    kind: str
    name: str
    sign: str
    color: str
    pattern: str
    action: str = "keep"
    choices: tuple[str, ...] = EVENT_ACTIONS
    setting: str = ""
    actions: tuple[str, ...] = EVENT_ACTIONS
    options: tuple[Option, ...] = ()
    severity: Severity = Severity()
    reasons: tuple[str, ...] = ()
    event: bool = True
    find: Callable[[Evidence], Found] | None = None
    spells: Callable[[Evidence], list[Spell]] | None = None
    restorable: bool = False


def spell(start_s: float, stop_s: float, confidence: float) -> Spell:
    """A spell with its times rounded as in documents."""
    return Spell(round_s(start_s), round_s(stop_s), confidence)


def median(x: F64, width: int) -> F64:
    """(n,) running median over `width` samples."""
    from scipy.ndimage import median_filter

    out: F64 = median_filter(x, size=width, mode="nearest")
    return out


def hidden(seen: Evidence) -> B1:
    """(n,) samples in which no loss can be told: dark, outside, or glare without a number."""
    glare = seen.found("glare").on & np.isnan(seen.get("contrast_loss"))
    return seen.found("dark").on | seen.found("out_of_body").on | glare
