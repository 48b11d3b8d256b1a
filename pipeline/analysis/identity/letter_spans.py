"""What of the looks at all pictures counts as lettering, and from when to when it is seen.

Log odds of looks at the same place are added up while it is seen: one look that is sure is
enough, and several that are less so. What counts is followed back and on through the weaker looks
that touch it.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import reduce

from pipeline.analysis.boxes import Pixels, area, overlap, swept, union
from pipeline.analysis.identity.letter_stays import BLOCK_S, LONG_S
from pipeline.analysis.identity.letter_watch import MEAN_S, PLAIN, Sight

SURE = 8.5  # log odds of a single look that is enough
TOGETHER = 6.0  # of looks within `WITHIN_S`, each less `DOUBT`
DOUBT = 3.5
WITHIN_S = 1.1  # averages are looked at up to once a second
FIRM = 4.5  # log odds of a look that says when it shows
TAIL_S = 0.25  # for which weaker looks before the first and after the last of those count
LEFT_S = 3.5  # for which bold lettering leaves a trace in the average
STEADY_S, STEADY = 0.5, 4  # plain looks in so long, of some five, that see what is plainly there
LASTING = 6.0  # log odds of such a look while it lasts
BOTH = 7.0  # as SURE, of a look from both sides
BURST = 9.0  # as TOGETHER, of such looks within
MOST = 3  # looks of which most see it again: as good
BURST_S = 0.5  # since tissue that looks like lettering does so now and then for long
STAYS = 7.0  # as SURE, of a look at what stood still for seconds
STAYS_S = 1.0  # between two of them that are taken together
GAP_S = 1.0  # longest time between two of them
BESIDE_S = 0.3  # plain looks this near say where faint ones are not needed
PARTS_S = 0.4
ALONG = 3.0  # heights of a line, between parts of it
GATHERED = 1.2  # times the area of two boxes, that one around both may have
WELL = 2  # sure plain looks around a faint one, which then must be enough by itself
AVERAGES = ("mean", "tint", "stays")
FAINT = (*AVERAGES, "moved")  # looks for what a picture alone does not show
ALIKE = 6.0  # times as high: what belongs together has letters of about one height
AGAIN_S = 0.6  # longest time without a sight for the same lettering: it may blink


@dataclass(eq=False)
class _Track:
    """Sights that follow each other at about one place."""

    sights: list[Sight] = field(default_factory=list)

    def near(self, sight: Sight) -> bool:
        """True if the sight touches one of the last, widened by half a line's height."""
        for other in reversed(self.sights):
            if sight.since_s - other.time_s > AGAIN_S:
                break
            if _touch(other.box, sight.box):
                return True
        return False

    def counts(self) -> bool:
        return any(_enough(self.sights))

    def beside(self, other: _Track) -> bool:
        """True where both may be of one line: a sight of each, near in time and place."""
        return any(
            abs(a.time_s - b.time_s) <= AGAIN_S and _touch(a.box, b.box, ALONG)
            for a in self.sights for b in other.sights
        )  # fmt: skip

    def borne_out(self) -> bool:
        """False where views that saw something there did not when they were turned over:
        lettering is seen from both sides, tissue that one of many looks was taken by is not."""
        asked = [
            (s.kind in AVERAGES, replace(s, odds=_both(s)))
            for s in self.sights if s.again is not None
        ]  # fmt: skip
        if not asked or any(s.odds >= PLAIN for s in self.sights):
            return True
        agains = sorted(s.again for s in self.sights if s.again is not None)
        if len(agains) >= MOST and agains[len(agains) // 2] >= FIRM:
            return True
        means = [s for mean, s in asked if mean]
        singles = [s for mean, s in asked if not mean]
        return any(_enough(means, BOTH, TOGETHER, WITHIN_S)) or any(
            _enough(singles, BOTH, BURST, BURST_S)
        )

    def timed(self) -> list[Sight]:
        """The sights without what was left of it when it had gone.

        Looks for faint lettering go where plain ones are enough by themselves: these see its
        outline better. Where these see it steadily, doubtful averages beside it are of tissue.
        Weak looks count between strong ones, and `TAIL_S` before the first and after the last.
        """
        singles = [s for s in self.sights if s.kind not in FAINT]
        strong = [s for s, much in zip(singles, _enough(singles), strict=True) if much]
        times = [s.time_s for s in strong]

        def plainly(sight: Sight) -> tuple[float, float]:
            """From when to when plain looks saw steadily what was there when an average ended, or
            before they did; nothing where they did not, or stop for long and go on."""
            last = bisect_right(times, sight.time_s)
            if not last:
                return 0.0, 0.0
            stop_s = times[last - 1]
            since_s = stop_s - STEADY_S
            least, until_s = (LASTING, times[last]) if last < len(times) else (0.0, stop_s)
            near = strong[bisect_right(times, since_s) : last]
            steady = len({s.time_s for s in near if s.odds >= least}) >= STEADY
            return (since_s, stop_s) if steady and until_s - stop_s <= GAP_S else (0.0, 0.0)

        def left_over(sight: Sight) -> bool:
            """Lettering that plain looks saw while it lasted, or in an average bold before."""
            mean = sight.kind in AVERAGES
            after = mean and bool(times) and sight.time_s > times[-1]
            since_s, stop_s = plainly(sight) if after else (0.0, 0.0)
            first = bisect_left(times, sight.time_s - (LEFT_S if mean else BESIDE_S))
            last = bisect_right(times, sight.time_s + (0 if mean else BESIDE_S))
            area = sight.box[2] * sight.box[3]
            for other in strong[first:last]:
                if mean and other.odds < SURE and not since_s < other.time_s <= stop_s:
                    continue  # what plain looks hardly see leaves too little behind
                long_ago = mean and other.time_s < sight.since_s - MEAN_S
                least = 0.5 if long_ago else 0.1
                if overlap(sight.box, other.box) >= least * area:
                    return True
            return False

        faint = [s for s in self.sights if s.kind in FAINT and not left_over(s)]
        well = [s.time_s for s in strong if s.odds >= SURE]

        def seen_well(sight: Sight) -> bool:
            """Lettering that plain looks see for themselves around that time."""
            first = bisect_left(well, sight.since_s - BESIDE_S)
            last = bisect_right(well, sight.time_s + BESIDE_S)
            return len(set(well[first:last])) >= WELL

        if strong:
            # What plain looks saw must not lend its weight to rough tissue beyond it.
            faint = [
                s for s, much in zip(faint, _enough(faint), strict=True)
                if much or (times[0] <= s.time_s and s.since_s <= times[-1] and not seen_well(s)
                            and not (s.kind in AVERAGES and s.odds < DOUBT
                                     and s.time_s < times[-1] and plainly(s)[1]))
            ]  # fmt: skip
        kept = sorted([*singles, *faint], key=_time)
        firm = [s for s, much in zip(kept, _enough(kept), strict=True) if much and s.odds >= FIRM]
        return _whole(_within(kept, firm or kept), seen_well)


def _touch(one: Pixels, other: Pixels, along: float = 0.5) -> bool:
    """True if the boxes touch, `one` widened by half a line's height, `along` of it in the way
    that it runs, and by a quarter of the other's.

    Never where one is far higher than the other: weak looks at half the field would reach over
    to lettering in the surround, and count by its weight.
    """
    x, y, w, h = one
    high, beside = min(w, h), min(other[2], other[3])
    if max(high, beside) > ALIKE * max(1, min(high, beside)):
        return False
    more, line = 0.25 * beside, min(high, 2 * beside)
    dx = more + line * (along if w >= h else 0.5)
    dy = more + line * (along if h > w else 0.5)
    return overlap((x - dx, y - dy, w + 2 * dx, h + 2 * dy), other) > 0


def _within(kept: Sequence[Sight], firm: Sequence[Sight]) -> list[Sight]:
    """What is kept, from `TAIL_S` before the first firm look to as long after the last.

    Where weaker ones go on soon, so does what was firmly seen.
    """
    first_s, last_s = min(s.since_s for s in firm), max(s.time_s for s in firm)
    start_s, stop_s = first_s - TAIL_S, last_s + TAIL_S
    out = []
    for sight in kept:
        if sight.time_s < first_s - AGAIN_S or sight.since_s > last_s + AGAIN_S:
            continue
        since_s, time_s = max(sight.since_s, start_s), min(sight.time_s, stop_s)
        out.append(replace(sight, since_s=min(since_s, stop_s), time_s=max(time_s, start_s)))
    ends = [s for s in firm if s.kind not in AVERAGES]
    if any(s.time_s >= stop_s - 1e-9 for s in out):
        out += [
            replace(s, since_s=stop_s, time_s=stop_s) for s in ends if s.time_s > last_s - TAIL_S
        ]
    if any(s.time_s <= start_s + 1e-9 for s in out):
        out += [
            replace(s, since_s=start_s, time_s=start_s) for s in ends if s.time_s < first_s + TAIL_S
        ]
    return out


def _whole(sights: Sequence[Sight], well: Callable[[Sight], bool]) -> list[Sight]:
    """Faint lettering is seen in parts, now these, now those: each look gets what others saw
    `PARTS_S` before or after it, and a window, where `well` is not true of it."""
    times = [s.time_s for s in sights]
    order = sorted(range(len(sights)), key=times.__getitem__)
    sorted_times = [times[n] for n in order]
    out = []
    for sight in sights:
        if sight.kind in FAINT or (
            sight.kind == "close" and sight.odds < SURE and not well(sight)
        ):
            first = bisect_left(sorted_times, sight.since_s - PARTS_S)
            last = bisect_right(sorted_times, sight.time_s + PARTS_S)
            near = [sights[number].box for number in order[first:last]]
            ways = [swept(sight.box, b) for b in {*near} if _touch(b, sight.box, ALONG)]
            parts = _gathered([sight.box, *(b for way in ways for b in way)])
            sight = replace(sight, box=reduce(union, parts), parts=tuple(parts))
        out.append(sight)
    return out


def _gathered(boxes: Sequence[Pixels]) -> list[Pixels]:
    """Boxes around those of which one around both covers little else."""
    left, out = sorted(set(boxes)), []
    while left:
        box, at = left.pop(), 0
        while at < len(left):
            both = union(box, left[at])
            if both[2] * both[3] <= GATHERED * area((box, left[at])):
                box = both
                del left[at]
                at = 0
            else:
                at += 1
        out.append(box)
    return out


def _both(sight: Sight) -> float:
    """Log odds of what was seen from both sides, or was too sure to be asked about."""
    return sight.odds if sight.again is None else (sight.odds + sight.again) / 2


def _enough(
    sights: Sequence[Sight], sure_odds: float = SURE, together: float = TOGETHER,
    within_s: float = WITHIN_S,
) -> list[bool]:  # fmt: skip
    """For each of the sights (times rising), whether it is part of looks that are enough."""
    best: dict[float, float] = {}
    for sight in sights:
        best[sight.time_s] = max(best.get(sight.time_s, 0.0), sight.odds)
    times = sorted(best)
    sure: set[float] = {t for t in times if best[t] >= sure_odds}
    first, total, marked = 0, 0.0, -1
    for number, time_s in enumerate(times):
        total += max(0.0, best[time_s] - DOUBT)
        while times[first] < time_s - within_s:
            total -= max(0.0, best[times[first]] - DOUBT)
            first += 1
        if total >= together:
            sure.update(times[max(first, marked + 1) : number + 1])
            marked = number
    return [s.time_s in sure for s in sights]


def _time(sight: Sight) -> float:
    return sight.time_s


def counted(sights: Sequence[Sight]) -> list[Sight]:
    """The sights that belong to lettering, in order of time."""
    return told_apart(sights)[0]


def told_apart(sights: Sequence[Sight]) -> tuple[list[Sight], list[Sight]]:
    """The sights that belong to lettering, and those that would be enough but are not borne out,
    which are hardly ever of any; both in order of time."""
    tracks: list[_Track] = []
    done: list[_Track] = []
    looks = [s for s in sights if s.kind != "stays"]
    for sight in sorted(looks, key=lambda s: (s.time_s, -s.odds)):
        # An average that is still to come reaches back.
        before_s = sight.time_s - 2 * MEAN_S - AGAIN_S
        for track in [t for t in tracks if t.sights[-1].time_s < before_s]:
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
    enough = [t for t in [*done, *tracks] if t.counts()]
    sure = [t for t in enough if t.borne_out()]
    # Of a line of which some letters are seen well the others need not be.
    kept = [t for t in enough if t in sure or any(t.beside(other) for other in sure)]
    out = [s for t in kept for s in t.timed()]
    plain = [s for s in out if s.kind not in FAINT and s.odds >= SURE]
    stayed, doubted = _stayed(sights, sorted(plain, key=_time))
    doubted += [s for t in enough if t not in kept for s in t.timed()]
    return sorted([*out, *stayed], key=_time), sorted(doubted, key=_time)


def _stayed(
    sights: Sequence[Sight], plain: Sequence[Sight]
) -> tuple[list[Sight], list[Sight]]:  # fmt: skip
    """What stood still for seconds: sure looks, and doubtful ones beside them at the same place;
    and what would be sure but is not borne out, as a streak on the glass.

    Doubtful ones alone are not added up, since they share pictures: what a drop on the glass
    leaves while nothing moves was seen so five times. It is known to half a second from when to
    when it stood; by sure plain looks of it, better.
    """
    some = sorted((s for s in sights if s.kind == "stays" and s.odds >= DOUBT), key=_time)
    times, sure = [s.time_s for s in some], [s.time_s for s in plain]
    kept: set[int] = set()
    sure_ones = [s for s in some if s.odds >= STAYS]
    for sight in (s for s in sure_ones if _both(s) >= STAYS):
        first = bisect_left(times, sight.since_s - STAYS_S)
        last = bisect_right(times, sight.time_s + LONG_S)
        kept.update(
            n for n in range(first, last)
            if some[n].since_s <= sight.time_s + STAYS_S and _touch(some[n].box, sight.box)
        )  # fmt: skip
    left = {id(some[n]) for n in kept}
    doubted = [s for s in sure_ones if id(s) not in left]
    return [_as_plainly_seen(some[n], plain, sure) for n in sorted(kept)], doubted


def _as_plainly_seen(sight: Sight, plain: Sequence[Sight], times: Sequence[float]) -> Sight:
    """With the ends of plain looks, where those lie near its own."""
    first, last = bisect_left(times, sight.since_s), bisect_right(times, sight.time_s)
    least = 0.5 * area([sight.box])
    same = [s.time_s for s in plain[first:last] if overlap(s.box, sight.box) > least]
    if same and same[0] <= sight.since_s + BLOCK_S:
        sight = replace(sight, since_s=same[0])
    if same and same[-1] >= sight.time_s - BLOCK_S:
        sight = replace(sight, time_s=same[-1])
    return sight
