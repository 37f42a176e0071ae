"""How loud it is, how long it may be so, and what to say of it. Start at `Limit` and `dose()`.

Powers are re 20 uPa: 1.0 is 0 dB. A limit is a level over a time. A dose of 1 is that level for all
of that time, so 3 dB more halves the time and 3 dB below the limit is half a dose.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.correction import Deviation
from evenhall.acoustics.level import FULL_SCALE_RMS, db_from_power, power_from_db
from evenhall.acoustics.loudness import LoudnessState, mean_power
from evenhall.words import capitalised, hz_listed

__all__ = [
    "AUDIENCE",
    "NOT_CERTIFIED",
    "WORK",
    "How",
    "Limit",
    "Loudness",
    "Sensitivity",
    "audience_dose",
    "audience_left_s",
    "basis_text",
    "level_text",
    "limit_text",
    "limits_text",
    "loudness_lines",
    "loudness_of",
    "time_text",
    "warning",
    "work_dose",
    "work_left_s",
]

FloatArray = NDArray[np.float64]
How = Literal["calibrator", "meter", "given"]

# How far levels of a cheap microphone without a class may be off: our own estimate, of the
# microphone's response over frequency and angle (1.5 dB) and of what it was compared with.
UNCERTAINTY_DB: dict[How, float] = {"calibrator": 2.0, "meter": 3.0, "given": 3.0}
NEAR_DB = 3.0  # below the limit: a quiet warning
LONGEST_S = 24 * 3600.0  # beyond it no time left is told

NOT_CERTIFIED = (
    "This is no certified measurement. Local law decides, and may ask for less: where it asks for "
    "a level, use a sound level meter that it accepts."
)
HOW_TEXT: dict[How, str] = {
    "calibrator": "calibrated by a calibrator",
    "meter": "calibrated by a second meter",
    "given": "with the sensitivity that was given",
}


@dataclass(frozen=True)
class Sensitivity:
    """What makes levels of samples levels of sound.

    Parameters
    ----------
    db_spl : float
        Unweighted level that reads as a full-scale sine.
    how : {"calibrator", "meter", "given"}
        Where it comes from.
    """

    db_spl: float
    how: How

    @property
    def uncertainty_db(self) -> float:
        """How far a level may be off."""
        return UNCERTAINTY_DB[self.how]


@dataclass(frozen=True)
class Limit:
    """A level over a time.

    Parameters
    ----------
    name : str
        Whom it is for.
    level_db : float
        dB(A).
    over_s : float
        Time over which it is averaged.
    source : str
        Who recommends it; empty where the user chose it.
    """

    name: str
    level_db: float
    over_s: float
    source: str = ""

    @property
    def full(self) -> float:
        """Power times seconds of a dose of 1."""
        return float(power_from_db(self.level_db)) * self.over_s


@dataclass(frozen=True)
class Loudness:
    """Levels at the loudest audience place, and what of the limits is used and left.

    Parameters
    ----------
    a_fast_db, c_fast_db : float
        Time weighting F, dB(A) and dB(C) as all below; nan or -inf where nothing was heard yet.
    leq_1_db, leq_15_db, leq_60_db, leq_db : float
        LAeq of what was heard of the last 1, 15 and 60 minutes, and since the start.
    peak_db : float
        Highest C-weighted peak since the start.
    audience_dose, work_dose : float
        Share of a limit that is used.
    audience_left_s, work_left_s : float
        Time until it is used up at the level of the last minute; inf where it never is.
    """

    a_fast_db: float
    c_fast_db: float
    leq_1_db: float
    leq_15_db: float
    leq_60_db: float
    leq_db: float
    peak_db: float
    audience_dose: float
    audience_left_s: float
    work_dose: float
    work_left_s: float


def loudness_of(state: LoudnessState, offset_db: float, audience: Limit) -> Loudness:
    """Turn what a meter has heard into levels.

    Parameters
    ----------
    offset_db : float
        Sensitivity of the microphone, and what the loudest place has more than its own.
    """
    scale = float(power_from_db(offset_db))
    leq = [scale * mean_power(state, over_s) for over_s in (60, 900, 3600, None)]
    leq_1_db, leq_15_db, leq_60_db, leq_db = map(float, db_from_power(leq))
    a_fast_db, c_fast_db = db_from_power(scale * state.meter.fast / FULL_SCALE_RMS**2)
    seconds, now = scale * state.seconds, float(np.nan_to_num(leq[0]))
    return Loudness(
        a_fast_db=float(a_fast_db),
        c_fast_db=float(c_fast_db),
        leq_1_db=leq_1_db,
        leq_15_db=leq_15_db,
        leq_60_db=leq_60_db,
        leq_db=leq_db,
        peak_db=float(db_from_power(scale * max(state.highest_peak, state.peak))),
        audience_dose=audience_dose(seconds, audience),
        audience_left_s=audience_left_s(seconds, now, audience),
        work_dose=work_dose(scale * state.total),
        work_left_s=work_left_s(scale * state.total, now),
    )


# WHO global standard for safe listening venues and events (2022).
AUDIENCE = Limit("audience", 100.0, 900.0, "WHO 2022")
# NIOSH, recommended exposure limit: 85 dB(A) for 8 h, 3 dB exchange.
WORK = Limit("work", 85.0, 8 * 3600.0, "NIOSH")


def _filled(seconds: FloatArray, limit: Limit) -> FloatArray:
    """Give what a sliding limit looks at: a gap as loud as the rest, before the start nothing."""
    last = seconds[-round(limit.over_s) :]
    heard = np.isfinite(last)
    return np.where(heard, last, last[heard].mean()) if heard.any() else np.zeros(0)


def audience_dose(seconds: FloatArray, limit: Limit = AUDIENCE) -> float:
    """Share of the limit that the last stretch of its length has used; before the start was quiet.

    Parameters
    ----------
    seconds : ndarray, shape (n_seconds,)
        A-weighted power of each second; nan where nothing was heard.

    Examples
    --------
    >>> mixed = power_from_db(np.repeat([103.0, 97.0], [300, 600]))
    >>> round(audience_dose(mixed), 3)
    0.999
    """
    return float(_filled(seconds, limit).sum()) / limit.full


def audience_left_s(seconds: FloatArray, power: float, limit: Limit = AUDIENCE) -> float:
    """Time until a sliding average passes the limit, if it goes on at one level.

    Parameters
    ----------
    seconds : ndarray, shape (n_seconds,)
        A-weighted power of each second so far; nan where nothing was heard.
    power : float
        A-weighted power from now on.

    Returns
    -------
    float
        0 where it has passed; inf where it will not.

    Examples
    --------
    >>> [audience_left_s(np.zeros(0), float(power_from_db(db))) for db in (99.0, 103.01)]
    [inf, 450.0]
    """
    last = _filled(seconds, limit)
    n = round(limit.over_s)
    past = np.concatenate([np.zeros(n - last.size), last])
    # After k seconds the first k of the past are out of the window.
    window = np.append(past.sum() - np.cumsum(np.append(0.0, past[:-1])), 0.0)
    window = window + power * np.arange(n + 1)
    over = np.flatnonzero(window > limit.full * (1.0 + 1e-9))
    return float(max(over[0] - 1, 0)) if over.size else float("inf")


def work_dose(total: float, limit: Limit = WORK) -> float:
    """Share of a day's limit that a sum of power times seconds has used.

    As energy: double at 3.01 dB more. NIOSH's own formula, 2 ^ (3 dB / 3), is 2 % off at 115 dB(A).

    Examples
    --------
    >>> round(work_dose(7200.0 * float(power_from_db([94.0, 88.0]).sum())), 2)
    2.48
    """
    return total / limit.full


def work_left_s(total: float, power: float, limit: Limit = WORK) -> float:
    """Time until a day's limit is used up, if it goes on at one level; inf beyond a day.

    Examples
    --------
    >>> [round(work_left_s(0.0, float(power_from_db(db))) / 60.0) for db in (85.0, 100.0)]
    [480, 15]
    """
    left_s = max(limit.full - total, 0.0) / max(power, 1e-30)
    return left_s if left_s < LONGEST_S else float("inf")


def basis_text(
    sensitivity: Sensitivity, louder_db: float, microphone: Deviation | None = None
) -> str:
    """Say what the levels rest on, how far they may be off, and of which place they are."""
    words = [
        f"Microphone {HOW_TEXT[sensitivity.how]}: levels give or take "
        f"{sensitivity.uncertainty_db:g} dB for a cheap microphone, by our own estimate."
    ]
    if microphone is not None:
        ends = hz_listed([round(float(microphone.freq_hz[end])) for end in (0, -1)], "to")
        words.append(f"Its deviation from {ends} is taken off by its calibration file.")
    if louder_db:
        words.append(
            f"{louder_db:.1f} dB are added: the loudest audience place is louder than the "
            "microphone by so much."
        )
    else:
        words.append("They are those where the microphone is.")
    return " ".join(words)


def limits_text(audience: Limit) -> str:
    """Say both limits."""
    return (
        f"{capitalised(limit_text(audience))}; {limit_text(WORK)}, each 3 dB more halves the time."
    )


def warning(dose: float, limit: Limit) -> str:
    """Say how near a limit is: nothing, quietly from 3 dB below on, plainly from the limit on.

    Examples
    --------
    >>> warning(0.4, AUDIENCE), warning(0.6, AUDIENCE)
    ('', 'Within 3 dB of the audience limit, 100 dB(A) over 15 minutes (WHO 2022).')
    >>> warning(1.1, WORK)
    'TURN IT DOWN: the work limit, 85 dB(A) over 8 hours (NIOSH), is passed.'
    """
    if dose > 1.0:
        return f"TURN IT DOWN: the {limit_text(limit)}, is passed."
    if dose >= float(power_from_db(-NEAR_DB)):
        return f"Within {NEAR_DB:g} dB of the {limit_text(limit)}."
    return ""


def limit_text(limit: Limit) -> str:
    """Say a limit, and who recommends it.

    Examples
    --------
    >>> limit_text(Limit("audience", 99.0, 1800.0))
    'audience limit, 99 dB(A) over 30 minutes'
    """
    hours = limit.over_s >= 7200.0
    minutes = limit.over_s / 60.0
    over = f"{minutes / 60.0:g} hours" if hours else f"{minutes:g} minute{'s'[: minutes != 1.0]}"
    source = f" ({limit.source})" if limit.source else ""
    return f"{limit.name} limit, {limit.level_db:g} dB(A) over {over}{source}"


def time_text(time_s: float) -> str:
    """Say a time that is left.

    Examples
    --------
    >>> [time_text(s) for s in (0.0, 45.0, 754.0, 7740.0, float("inf"))]
    ['none', 'under a minute', '12 min', '2 h 9 min', 'unlimited']
    """
    if not np.isfinite(time_s):
        return "unlimited"
    if time_s < 60.0:
        return "under a minute" if time_s else "none"
    hours, minutes = divmod(int(time_s // 60.0), 60)
    return f"{hours} h {minutes} min" if hours else f"{minutes} min"


def loudness_lines(loudness: Loudness) -> str:
    """Say all levels, and below them what time is left; each line fits a terminal."""
    return "\n".join(
        [
            f"{level_text(loudness.a_fast_db)} dB(A) {level_text(loudness.c_fast_db)} dB(C)  "
            f"LAeq 1 min {level_text(loudness.leq_1_db)}  15 min {level_text(loudness.leq_15_db)}"
            f"  60 min {level_text(loudness.leq_60_db)}  all {level_text(loudness.leq_db)}",
            f"Peak {level_text(loudness.peak_db)} dB(C)  Time left at this level: audience "
            f"{time_text(loudness.audience_left_s)}, work {time_text(loudness.work_left_s)}",
        ]
    )


def level_text(level_db: float) -> str:
    """Say a level; nothing where nothing was heard."""
    return f"{level_db:.1f}" if np.isfinite(level_db) else "--"
