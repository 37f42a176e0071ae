"""The two elements of a pair, held against each other. Start at `pair_findings()`.

The microphone stands nearer the first than the second and does not move between them. So the first
must arrive first; what is left once the distances are allowed for is the boxes' and their lines'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ, nearest_band
from evenhall.acoustics.early import Likeness, compare
from evenhall.verdict.boxes.low_cut import end_hz, one_cut
from evenhall.verdict.line import words
from evenhall.verdict.line.element import SUB_HIGH_HZ, SUB_LOW_HZ, SUB_RANGE, Heard
from evenhall.verdict.line.words import Finding
from evenhall.verdict.take import nan_mean

__all__ = ["pair_findings"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

SPEED_M_S = 343.0
# Half a metre is 1.5 ms. A top's arrival is known to 0.05 ms, a sub's to half a millisecond.
TOP_MARGIN_S, SUB_MARGIN_S = 0.0005, 0.001
NEAREST_M, FARTHEST_M = 0.3, 60.0  # beyond, a delay is no distance
# Where only the difference of the distances is known, the nearer box stands between so far away.
LEAST_DISTANCE_M, MOST_DISTANCE_M = 1.5, 6.0
# Of two boxes the rooms' answers differ: 0.8 at most in 200 simulated pairs. Of one box taken
# twice they are the same but for noise.
SAME_BOX = 0.9
SAME_BOX_S = 0.25
# Past the direct sound two boxes have little in common on the clock of what was sent: 0.33 at most,
# and 0.63 at least where one plays along as loud (150 simulated halls).
ALONG, ALONG_FROM_S, ALONG_S, ALONG_SLACK_S = 0.5, 0.02, 0.2, 0.0003
# How well the early responses must fit for their polarity to be told, and how much better than the
# other way up. A sub's two octaves fit nearly as well half a period later.
SURE, SURE_OVER = 0.5, 0.25
SURE_SUB, SURE_SUB_OVER = 0.7, 0.08
# The floor answers a top after 4 ms or more and is let in faded; of a sub 25 ms hold no wall that
# turns it over, and 45 ms do in one pair of twelve.
TOP_BAND_HZ = (300.0, 6000.0)
TOP_EARLY_S, SUB_EARLY_S = 0.008, 0.025
TOP_SLACK_S, SUB_SLACK_S = 0.0005, 0.005
SILENT_DB = 30.0  # below its partner: crosstalk of a mixer, no more
WEAK_DB = 4.0
# A sub's few bands are the room's more than the sub's.
WEAK_SUB_DB = 7.0
MISSING_DB = 15.0
MISSING_EVERYWHERE_DB = 10.0
# Lows and highs that tell a missing driver; between them lie the crossovers of small boxes.
LOWS = (EXACT_HZ > 240.0) & (EXACT_HZ < 820.0)
HIGHS = (EXACT_HZ > 3900.0) & (EXACT_HZ < 8200.0)
# Wide, so that the larger half of it lies beside any bell that may be left in.
MIDDLE = (EXACT_HZ > 305.0) & (EXACT_HZ < 2600.0)
# Below here a pair's early levels scatter by 2.5 dB over an octave, its whole levels by 1.8, each
# in its own way, and their mean by 1.5 dB (30 simulated pairs).
WHOLE_COUNTS = EXACT_HZ < 330.0
# How that mean scatters band by band, and how much of what the near box gains by being nearer it
# does not have in the bass, which comes from the room (24 simulated pairs, the even ones).
LOW_HZ, LOW_SD_DB = (31.5, 40.0, 50.0, 63.0, 315.0, 500.0), (9.0, 8.0, 5.0, 3.0, 2.5, 1.2)
NOT_NEARER_SHARE, NOT_NEARER_HZ = 0.5, (160.0, 330.0)
# Where both of a pair end, one microphone in one room cannot tell to better than a third octave.
ENDS_HIGH_HZ = 110.0
TONE_SD_DB = 1.5  # what a box strays from a straight line that ends
CUT_CLEAR = 1.5  # of its corner: from there on a low cut takes less than a decibel
# How the early sound of healthy pairs scatters, one standard deviation (simulated rooms of 0.35 to
# 1.6 s, and 1 dB for what no simulation has).
SCATTER_HZ = (40.0, 80.0, 125.0, 200.0, 315.0, 500.0, 20_000.0)
SCATTER_DB = (6.0, 4.7, 3.0, 2.0, 1.7, 1.2, 1.2)
# A mean over two neighbours, each at least half as far off: 3 dB in the middle.
EQUALIZED_SCATTERS = 2.5
EQUALIZED = (EXACT_HZ > 155.0) & (EXACT_HZ < 10_500.0)
# A bell is narrow beside what an aim does to the treble: it is held against its surroundings.
SURROUNDINGS = 5
# The far box is heard more from the side; this much less treble is its aim's.
TREBLE_BY_AIM_DB = 3.0
TREBLE_DB = 6.0
DISTORTED_OVER_DB = 10.0
DISTORTED_FROM_DB = -30.0
DISTORTED_BANDS = 3
# A sub's low-pass takes its harmonics down by 6 to 12 dB, and its range has few bands.
DISTORTED_SUB_FROM_DB, DISTORTED_SUB_BANDS = -36.0, 2


@dataclass(frozen=True)
class _Pair:
    """Both, and what lies between them.

    Parameters
    ----------
    like : Likeness
        Of their early responses.
    later_s : float
        How much later the second arrives.
    advantage_db : float
        What the first gains by being nearer.
    doubt_db : float
        By which the advantage may be wrong, where the distances are not known.
    difference_db : ndarray, shape (31,)
        Second less first, with what the first gains by being nearer allowed for; nan where
        both lie in noise.
    both : ndarray of bool, shape (31,)
        Where neither does.
    """

    first: Heard
    second: Heard
    like: Likeness
    later_s: float
    advantage_db: float
    doubt_db: float
    difference_db: FloatArray
    both: BoolArray

    def weaker(self, second_over_first: float) -> tuple[str, str]:
        """Name the weaker one, then the other."""
        names = self.first.element, self.second.element
        return names if second_over_first > 0.0 else (names[1], names[0])


def _pair(first: Heard, second: Heard, *, delay_is_absolute: bool) -> _Pair:
    assert first.early is not None
    assert second.early is not None
    like = _likeness(first, second)
    later_s = like.later_s if first.is_sub else second.delay_s - first.delay_s
    near_m, far_m = SPEED_M_S * first.delay_s, SPEED_M_S * second.delay_s
    sane = min(near_m, far_m) > NEAREST_M and max(near_m, far_m) < FARTHEST_M
    if delay_is_absolute and sane:
        advantage_db, doubt_db = float(20.0 * np.log10(far_m / near_m)), 0.0
    else:
        path_m = SPEED_M_S * later_s
        most_db, least_db = (
            float(20.0 * np.log10(1.0 + abs(path_m) / near_m))
            for near_m in (LEAST_DISTANCE_M, MOST_DISTANCE_M)
        )
        advantage_db = float(np.sign(path_m)) * 0.5 * (most_db + least_db)
        doubt_db = 0.5 * (most_db - least_db)
    either = first.audible | second.audible
    difference = second.early.level_db - first.early.level_db + advantage_db
    return _Pair(
        first,
        second,
        like,
        later_s,
        advantage_db,
        doubt_db,
        np.where(either, difference, np.nan),
        first.audible & second.audible,
    )


def pair_findings(
    first: Heard, second: Heard, *, delay_is_absolute: bool, with_subs: bool
) -> list[Finding]:
    """Hold two heard elements against each other.

    Parameters
    ----------
    first, second : Heard
        Both were heard; the microphone stands nearer the first.
    delay_is_absolute : bool
        Whether the interface's latency is off the delays, so that they are distances.
    with_subs : bool
        Whether subs are in the round: tops may then be cut on purpose.
    """
    pair = _pair(first, second, delay_is_absolute=delay_is_absolute)
    if abs(_likeness(first, second, length_s=SAME_BOX_S).correlation) > SAME_BOX:
        return words.same_box(first.element, second.element)
    # Where both arrive together the room may answer both alike: there nothing more is said.
    if not first.is_sub and pair.later_s > TOP_MARGIN_S and _along(first, second) > ALONG:
        return words.not_alone(first.element, second.element)
    level_db = _level_db(pair)
    if _is_faint(pair, level_db):
        faint, loud = pair.weaker(level_db)
        return [words.faint(faint, loud, abs(level_db))]
    findings = _side(pair)
    distorted = _distortion(pair)
    missing = _missing(pair)
    findings += missing + distorted
    if not missing:
        findings += _polarity(pair)
        findings += _level(pair, level_db)
        if not first.is_sub:
            shape = pair.difference_db - level_db
            # Harmonics spoil the whole level, and leave the early one alone.
            shape = shape if distorted else _with_whole(pair, shape)
            findings += _tone(pair, shape, with_subs=with_subs)
    return findings


def _along(first: Heard, second: Heard) -> float:
    """Correlation, at one time, of what comes after both have arrived."""
    assert first.harmonics is not None
    assert second.harmonics is not None
    from_s = max(first.arrival_s, second.arrival_s) + ALONG_FROM_S
    return compare(
        first.harmonics.linear,
        second.harmonics.linear,
        rate_hz=first.rate_hz,
        at_s=(from_s, from_s),
        band_hz=TOP_BAND_HZ,
        length_s=ALONG_S,
        slack_s=ALONG_SLACK_S,
    ).correlation


def _likeness(first: Heard, second: Heard, *, length_s: float | None = None) -> Likeness:
    """Likeness of the two, over the band and for as long as each kind of box allows."""
    assert first.harmonics is not None
    assert second.harmonics is not None
    sub = first.is_sub
    # The onset of a sub is known to a millisecond or two only: both are cut at one time, and
    # where they fit tells how much later the second is.
    both_s = min(first.arrival_s, second.arrival_s)
    return compare(
        first.harmonics.linear,
        second.harmonics.linear,
        rate_hz=first.rate_hz,
        at_s=(both_s, both_s) if sub else (first.arrival_s, second.arrival_s),
        band_hz=(SUB_LOW_HZ, SUB_HIGH_HZ) if sub else TOP_BAND_HZ,
        length_s=length_s or (SUB_EARLY_S if sub else TOP_EARLY_S),
        slack_s=SUB_SLACK_S if sub else TOP_SLACK_S,
    )


def _side(pair: _Pair) -> list[Finding]:
    first, second = pair.first, pair.second
    margin_s = SUB_MARGIN_S if first.is_sub else TOP_MARGIN_S
    if pair.later_s < -margin_s:
        return words.swapped(first.element, second.element, -pair.later_s)
    if not first.is_sub and pair.later_s < margin_s:
        return words.midway(first.element, second.element)
    return []


def _polarity(pair: _Pair) -> list[Finding]:
    like = pair.like
    size = abs(like.correlation)
    one, two = pair.first.response, pair.second.response
    assert one is not None
    assert two is not None
    turned, other = pair.second.element, pair.first.element
    # Which of the two is the odd one is told by its own phase; of a sub that says nothing.
    if not pair.first.is_sub and one.polarity < 0 < two.polarity:
        turned, other = other, turned
    sure, over = (SURE_SUB, SURE_SUB_OVER) if pair.first.is_sub else (SURE, SURE_OVER)
    if size < sure or size - like.opposite < over:
        return [words.unlike(turned, other)]
    return [words.inverted(turned, other)] if like.correlation < 0.0 else []


def _mean(values: FloatArray, bands: BoolArray, *, fewest: int = 2) -> float:
    inside = values[bands & np.isfinite(values)]
    return float(inside.mean()) if inside.size >= fewest else float("nan")


def _median(values: FloatArray, bands: BoolArray) -> float:
    inside = values[bands & np.isfinite(values)]
    return float(np.median(inside)) if inside.size >= 2 else float("nan")


def _usual(values: FloatArray, bands: BoolArray) -> float:
    """Mean of the half that lies closest together: what a bell or a hole does is left out."""
    inside = np.sort(values[bands & np.isfinite(values)])
    half = inside.size // 2 + 1
    if inside.size < 2:
        return float("nan")
    first = int(np.argmin(inside[half - 1 :] - inside[: inside.size - half + 1]))
    return float(inside[first : first + half].mean())


def _level_db(pair: _Pair) -> float:
    """How much louder the second is, where both are themselves; nan if that cannot be told."""
    if pair.first.is_sub:
        return _mean(pair.difference_db, _sub_bands(pair))
    return _usual(pair.difference_db, MIDDLE)


def _is_faint(pair: _Pair, level_db: float) -> bool:
    """Whether one is no more than crosstalk of the other, at both ends of the range as well."""
    ends = [level_db]
    if not pair.first.is_sub:
        ends += [_median(pair.difference_db, LOWS), _median(pair.difference_db, HIGHS)]
    return all(np.sign(level_db) * end > SILENT_DB for end in ends)


def _sub_bands(pair: _Pair) -> BoolArray:
    """Bands that the pair's subs play: within 12 dB of the stronger one's strongest."""
    assert pair.first.early is not None
    assert pair.second.early is not None
    stronger = np.maximum(pair.first.early.level_db, pair.second.early.level_db)
    return np.asarray(SUB_RANGE & (stronger > stronger[SUB_RANGE].max() - 12.0))


def _level(pair: _Pair, level_db: float) -> list[Finding]:
    over_db = abs(level_db) - pair.doubt_db
    if not over_db > (WEAK_SUB_DB if pair.first.is_sub else WEAK_DB):
        return []
    weaker, other = pair.weaker(level_db)
    return [words.weak(weaker, other, over_db, at_least=pair.doubt_db > 0.0)]


def _missing(pair: _Pair) -> list[Finding]:
    """Find a driver that is not heard: far below the partner, up to the very end of the range."""
    if pair.first.is_sub:
        return []
    lows, highs = (_median(pair.difference_db, ends) for ends in (LOWS, HIGHS))
    if not abs(lows - highs) > MISSING_DB:
        return []
    low_end = abs(lows) > abs(highs)
    bad, good = (lows, highs) if low_end else (highs, lows)
    weaker, other = pair.weaker(bad - good)
    sign = 1.0 if bad > good else -1.0
    gap = sign * (pair.difference_db - good)
    region = LOWS if low_end else HIGHS
    if not (gap[region & np.isfinite(gap)] > MISSING_EVERYWHERE_DB).all():
        return []
    # From the far end of the region on, up to where the two are within half of that again.
    order = np.flatnonzero(np.isfinite(gap) & (EXACT_HZ > 95.0) & (EXACT_HZ < 10_500.0))
    order = order if low_end else order[::-1]
    within = order[(gap[order] < MISSING_EVERYWHERE_DB / 2.0) & ~region[order]]
    past = within[NOMINAL_HZ[within] > 800.0] if low_end else within[NOMINAL_HZ[within] < 4000.0]
    edge_hz = float(NOMINAL_HZ[past[0]]) if past.size else (1000.0 if low_end else 4000.0)
    say = words.no_lows if low_end else words.no_highs
    return [say(weaker, edge_hz, partner=other, below_db=abs(bad - good))]


def _with_whole(pair: _Pair, shape: FloatArray) -> FloatArray:
    """Mean of what early and whole levels say, where rooms make either one scatter."""
    assert pair.first.response is not None
    assert pair.second.response is not None
    whole = pair.second.response.bands.level_db - pair.first.response.bands.level_db
    mean = 0.5 * (shape + whole - _usual(whole, MIDDLE))
    return np.where(WHOLE_COUNTS & np.isfinite(mean), mean, shape)


def _ends_high(pair: _Pair, scatter_db: FloatArray) -> list[Finding]:
    """Find a low cut that both have, by where both end."""
    curves = []
    for one in (pair.first, pair.second):
        assert one.early is not None
        assert one.response is not None
        for level_db in (one.early.level_db, one.response.bands.level_db):
            curves.append(np.where(one.audible, level_db, np.nan) - _usual(level_db, MIDDLE))
    curve = nan_mean(np.stack(curves))
    ends_hz = end_hz(curve, np.hypot(scatter_db / np.sqrt(2.0), TONE_SD_DB))
    if not ends_hz >= ENDS_HIGH_HZ:
        return []
    at_hz = float(NOMINAL_HZ[nearest_band(ends_hz)])
    return words.both_filtered(pair.first.element, pair.second.element, at_hz)


def _tone(pair: _Pair, shape: FloatArray, *, with_subs: bool) -> list[Finding]:
    """Find a low cut or an equalizer that only one of the two has."""
    findings, from_hz = [], 0.0
    scatter_db = np.interp(np.log(EXACT_HZ), np.log(LOW_HZ), LOW_SD_DB)
    share = NOT_NEARER_SHARE * np.interp(np.log(EXACT_HZ), np.log(NOT_NEARER_HZ), (1.0, 0.0))
    cut = one_cut(shape - share * pair.advantage_db, scatter_db)
    if cut is not None:
        weaker, other = pair.weaker(-1.0 if cut.of_first else 1.0)
        findings.append(words.filtered(weaker, other, cut.nominal_hz, cut.less_db))
        from_hz = CUT_CLEAR * cut.corner_hz
    elif not with_subs:
        findings += _ends_high(pair, scatter_db)
    return findings + _equalizer(pair, np.where(pair.both, shape, np.nan), from_hz)


def _equalizer(pair: _Pair, shape: FloatArray, from_hz: float) -> list[Finding]:
    used = np.flatnonzero(EQUALIZED & (1.2 * from_hz < EXACT_HZ) & np.isfinite(shape))
    if used.size < 2 * SURROUNDINGS:
        return []
    values = shape[used]
    around = np.array(
        [
            np.median(values[max(0, k - SURROUNDINGS) : k + SURROUNDINGS + 1])
            for k in range(values.size)
        ]
    )
    off = values - around
    limit = EQUALIZED_SCATTERS * np.interp(np.log(EXACT_HZ[used]), np.log(SCATTER_HZ), SCATTER_DB)
    share = off / limit
    both = 0.5 * (share[1:] + share[:-1])
    least = np.minimum(np.abs(share[1:]), np.abs(share[:-1]))
    beyond = (np.abs(both) > 1.0) & (least > 0.5) & (np.diff(used) == 1)
    second, first = pair.second.element, pair.first.element
    if beyond.any():
        at = int(np.argmax(np.abs(both) * beyond))
        worst = at + int(np.abs(off[at + 1]) > np.abs(off[at]))
        return [words.equalized(second, first, float(NOMINAL_HZ[used[worst]]), float(off[worst]))]
    by_aim_db = TREBLE_BY_AIM_DB * (1.0 if pair.later_s > 0.0 else -1.0)
    treble = _mean(shape, HIGHS) + 0.5 * by_aim_db
    if abs(treble) > TREBLE_DB:
        return [words.equalized(second, first, 5000.0, treble)]
    return []


def _distortion(pair: _Pair) -> list[Finding]:
    from_db, fewest = DISTORTED_FROM_DB, DISTORTED_BANDS
    if pair.first.is_sub:
        from_db, fewest = DISTORTED_SUB_FROM_DB, DISTORTED_SUB_BANDS
    for element, other in ((pair.first, pair.second), (pair.second, pair.first)):
        mine, its = element.harmonics, other.harmonics
        if mine is None or its is None:
            continue
        beside = np.where(its.known, its.distortion_db, its.most_db)
        over = mine.distortion_db - beside
        found = mine.known & (mine.distortion_db > from_db) & (over > DISTORTED_OVER_DB)
        found &= element.range
        if found.sum() >= fewest:
            worst = int(np.argmax(np.where(found, mine.distortion_db, -np.inf)))
            return [
                words.distorted(
                    element.element,
                    float(NOMINAL_HZ[worst]),
                    float(100.0 * 10.0 ** (mine.distortion_db[worst] / 20.0)),
                    partner=other.element,
                    over_db=float(np.median(over[found])),
                )
            ]
    return []
