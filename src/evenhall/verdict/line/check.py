"""The line check: whether each element works, and what is wrong with it if not.

    LINE_SWEEP     what is played for each element
    hear()         its recording to `Heard`
    check_line()   all of the round to sentences; start here

Pairs are held against each other in `linepair`, the words are in `linewords`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from evenhall.verdict.line import words
from evenhall.verdict.line.element import LINE_SWEEP, ROUND_S, Heard, hear
from evenhall.verdict.line.pair import pair_findings
from evenhall.verdict.line.words import CODES, Finding

__all__ = ["CODES", "LINE_SWEEP", "ROUND_S", "Finding", "Heard", "check_line", "hear"]

# How far the noise lies below another element, before one that is not heard is called silent.
SILENT_UNDER_DB = 15.0
# Louder by this much than the quiet, without the sweep in it: somebody else makes sound.
ROSE_DB = 6.0
# Hum that lies deeper under the sweep than this is lost in any programme.
HUM_DB = -50.0
HUM_ALIKE_DB = 3.0
# Of the bands it is judged over; if more lie in noise nothing is said.
HIDDEN_SHARE = 1.0 / 3.0
# Without a partner an end of the range is held against the element's own middle.
ALONE_DB = 15.0
ALONE_MIDDLE = (EXACT_HZ > 390.0) & (EXACT_HZ < 1300.0)
ALONE_LOW = (EXACT_HZ > 155.0) & (EXACT_HZ < 510.0)
ALONE_HIGH = (EXACT_HZ > 4900.0) & (EXACT_HZ < 10_500.0)
ALONE_TOP = (EXACT_HZ > 2400.0) & (EXACT_HZ < 6500.0)
DISTORTED_ALONE_DB = -20.0  # 10 %
DISTORTED_BANDS = 3


def check_line(heard: Sequence[Heard], *, delay_is_absolute: bool) -> tuple[Finding, ...]:
    """Say of each element whether it works, and what is wrong with it if not.

    Parameters
    ----------
    heard : sequence of Heard
        In the order of the round: of two partners the first is the one that the microphone
        stands nearer, and it was not moved between them.
    delay_is_absolute : bool
        Whether the interface's latency is off the delays, so that they are distances.

    Returns
    -------
    tuple of Finding
        Element by element, the worst first; ``"works"`` stands alone.
    """
    by_name = {one.element: one for one in heard}
    found: dict[str, list[Finding]] = {one.element: [] for one in heard}
    sounding = [one for one in heard if one.was_heard]
    for one in heard:
        if not one.was_heard:
            found[one.element].append(_not_heard(one, sounding))
        elif _hidden(one) > HIDDEN_SHARE and _hidden_is_noise(one, by_name):
            found[one.element].append(words.noisy(one.element))
    with_subs = any(one.is_sub for one in heard)
    seen: set[str] = set()
    for one in sounding:
        partner = by_name.get(one.partner or "")
        if partner is None or not partner.was_heard:
            found[one.element] += _alone(one)
        elif partner.element not in seen:
            for finding in pair_findings(
                one, partner, delay_is_absolute=delay_is_absolute, with_subs=with_subs
            ):
                found[finding.element].append(finding)
        seen.add(one.element)
    everywhere = _alike_everywhere(heard)
    for one in heard:
        found[one.element] += _hum(one, everywhere=everywhere)
    well = {one.element for one in heard if not found[one.element]}
    for one in heard:
        if one.element in well:
            # It agrees with a partner only if nothing was found of that one either.
            partner_name = one.partner if one.partner in well else None
            found[one.element].append(words.works(one.element, partner_name))
    return tuple(
        finding
        for one in heard
        for finding in sorted(found[one.element], key=lambda finding: CODES.index(finding.code))
    )


def _not_heard(one: Heard, sounding: Sequence[Heard]) -> Finding:
    """Silent, if noise would not have hidden it."""
    if one.level_dbfs > one.quiet_dbfs + ROSE_DB and np.isfinite(one.quiet_dbfs):
        return words.noisy(one.element)
    beside = [other for other in sounding if other.is_sub == one.is_sub] or list(sounding)
    if beside and one.early is not None:
        loudest_db = max(_range_mean_db(other) for other in beside)
        noise_db = float(one.early.floor_db[one.range].mean())
        if noise_db > loudest_db - SILENT_UNDER_DB:
            return words.noisy(one.element)
    return words.silent(one.element, all_silent=not sounding)


def _range_mean_db(one: Heard) -> float:
    assert one.early is not None
    return float(one.early.level_db[one.range & one.audible].mean())


def _hidden(one: Heard) -> float:
    """Share of its bands that lie in noise."""
    return float((one.range & ~one.audible).sum() / one.range.sum())


def _hidden_is_noise(one: Heard, by_name: dict[str, Heard]) -> bool:
    """Whether the noise, and not a driver that is missing, hides those bands."""
    partner = by_name.get(one.partner or "")
    beside = partner if partner is not None and partner.was_heard else one
    assert one.early is not None
    assert beside.early is not None
    usual_db = beside.early.level_db
    if beside is one:
        usual_db = np.full(EXACT_HZ.size, _range_mean_db(one))
    hidden = one.range & ~one.audible
    return bool(np.median((usual_db - one.early.floor_db)[hidden]) < ALONE_DB)


def _alone(one: Heard) -> list[Finding]:
    """Judge an element that has no partner to be held against."""
    findings = [] if one.is_sub else _missing_alone(one)
    tones = one.harmonics
    if tones is not None:
        bad = tones.known & (tones.distortion_db > DISTORTED_ALONE_DB) & one.range
        if bad.sum() >= DISTORTED_BANDS:
            worst = int(np.argmax(np.where(bad, tones.distortion_db, -np.inf)))
            percent = 100.0 * 10.0 ** (tones.distortion_db[worst] / 20.0)
            at_hz = float(NOMINAL_HZ[worst])
            findings.append(
                words.distorted(one.element, at_hz, float(percent), partner=None, over_db=0.0)
            )
    return findings


def _missing_alone(one: Heard) -> list[Finding]:
    assert one.early is not None
    level_db = one.early.level_db

    def median(bands: NDArray[np.bool_]) -> float:
        return float(np.median(level_db[bands]))

    high_db = median(ALONE_MIDDLE) - median(ALONE_HIGH)
    low_db = median(ALONE_TOP) - median(ALONE_LOW)
    if high_db > ALONE_DB:
        return [words.no_highs(one.element, 4000.0, partner=None, below_db=high_db)]
    if low_db > ALONE_DB:
        return [words.no_lows(one.element, 1000.0, partner=None, below_db=low_db)]
    return []


def _alike_everywhere(heard: Sequence[Heard]) -> bool:
    """Whether all elements hum at one level with nothing playing."""
    levels = [one.quiet_hum.level_dbfs for one in heard if one.quiet_hum is not None]
    return len(levels) == len(heard) > 1 and float(np.ptp(levels)) < HUM_ALIKE_DB


def _hum(one: Heard, *, everywhere: bool) -> list[Finding]:
    for hum, playing in ((one.quiet_hum, False), (one.playing_hum, True)):
        if hum is not None and hum.level_dbfs > one.level_dbfs + HUM_DB:
            below_db = max(0.0, one.level_dbfs - hum.level_dbfs)
            return [
                words.hum(
                    one.element,
                    hum.mains_hz,
                    below_db,
                    playing=playing,
                    everywhere=everywhere and not playing,
                )
            ]
    return []
