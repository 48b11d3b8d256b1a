"""What of the looks at all pictures counts as lettering, and from when to when it is seen.

Log odds of looks at the same place are added up while it is seen: one look that is sure is
enough, and several that are less so. What counts is followed back and on through the weaker looks
that touch it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.analysis.boxes import overlap
from pipeline.analysis.identity.letter_watch import MEAN_S, Sight

BOLD = 9.0  # log odds of lettering that every look at it sees: those say when it shows
SURE = 8.5  # log odds of a single look that is enough
TOGETHER = 6.0  # of looks within `WITHIN_S`, each less `DOUBT`
DOUBT = 3.5
WITHIN_S = 1.0
AGAIN_S = 0.6  # longest time without a sight for the same lettering: it may blink


@dataclass
class _Track:
    """Sights that follow each other at about one place."""

    sights: list[Sight] = field(default_factory=list)

    def near(self, sight: Sight) -> bool:
        """True if the sight touches one of the last, widened by half a line's height."""
        for other in reversed(self.sights):
            if sight.since_s - other.time_s > AGAIN_S:
                break
            x, y, w, h = other.box
            reach = 0.5 * min(w, h) + 0.25 * min(sight.box[2], sight.box[3])
            if overlap((x - reach, y - reach, w + 2 * reach, h + 2 * reach), sight.box) > 0:
                return True
        return False

    def counts(self) -> bool:
        best: dict[float, float] = {}
        for sight in self.sights:
            if sight.odds >= SURE:
                return True
            best[sight.time_s] = max(best.get(sight.time_s, 0.0), sight.odds)
        times = sorted(best)
        first, total = 0, 0.0
        for time_s in times:
            total += max(0.0, best[time_s] - DOUBT)
            while times[first] < time_s - WITHIN_S:
                total -= max(0.0, best[times[first]] - DOUBT)
                first += 1
            if total >= TOGETHER:
                return True
        return False

    def timed(self) -> list[Sight]:
        """The sights without averages in which bold lettering is left from before."""
        bold = [s for s in self.sights if s.kind != "mean" and s.odds >= BOLD]
        times = [b.time_s for b in bold]

        def left_over(sight: Sight) -> bool:
            first = bisect_left(times, sight.since_s - MEAN_S)
            lately = bold[first : bisect_right(times, sight.time_s)]
            least = 0.1 * sight.box[2] * sight.box[3]
            return any(overlap(sight.box, b.box) >= least for b in lately)

        return [s for s in self.sights if s.kind != "mean" or not left_over(s)]


def _time(sight: Sight) -> float:
    return sight.time_s


def counted(sights: Sequence[Sight]) -> list[Sight]:
    """The sights that belong to lettering, in order of time."""
    tracks: list[_Track] = []
    done: list[_Track] = []
    for sight in sorted(sights, key=lambda s: (s.time_s, -s.odds)):
        for track in [t for t in tracks if sight.since_s - t.sights[-1].time_s > AGAIN_S]:
            tracks.remove(track)
            done.append(track)
        near = [t for t in tracks if t.near(sight)]
        if not near:
            tracks.append(_Track([sight]))
            continue
        longest = max(near, key=lambda t: len(t.sights))
        for other in near:
            if other is not longest:
                for known in other.sights:
                    insort(longest.sights, known, key=_time)
                tracks.remove(other)
        longest.sights.append(sight)
    out = [s for t in [*done, *tracks] if t.counts() for s in t.timed()]
    return sorted(out, key=lambda s: s.time_s)
