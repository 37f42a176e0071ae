"""What is wrong with the boxes themselves, by the takes before the work. Start at `box_faults()`.

First drivers and filters: a horn or woofer that is not heard leaves a step at the crossover, a low
cut a difference that grows towards the bass. Then polarity and level, from bands clear of those.
A side with such a fault tells nothing about the room: it is not to inform a card.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ, nearest_band
from evenhall.acoustics.early import compare
from evenhall.verdict.boxes.drivers import SilentDriver, own_curves, silent_drivers
from evenhall.verdict.boxes.low_cut import LowCut, end_hz, one_cut
from evenhall.verdict.evenness import Match, judged_bands
from evenhall.verdict.move import Move
from evenhall.verdict.scatter import DEFAULT_RT60_S, scatter_db
from evenhall.verdict.take import ALIGN_BANDS, SpotResponse, nan_mean
from evenhall.words import hz_text

__all__ = ["BoxFaults", "box_faults"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# All limits here are common practice, no source, tried in simulated halls: bench/boxes.py.
GAIN_DB = 1.0
UNSURE_DB = 0.45  # more doubt of a level, one standard deviation, than a knob should be turned for
BOX_SD_DB = 0.7  # what two boxes of one kind differ by
TONE_SD_DB = 1.5  # what a box strays from a straight line there
# Small boxes end at 40 to 80 Hz. A stated limit is often where 10 dB are lost.
ENDS_HIGH_HZ, ENDS_HIGH_RATIO = 99.0, 1.5
STATED_FROM_HZ = 99.0
TONE_DB, TONE_SCATTERS = 3.0, 2.5
# Woofer against woofer: what is compared, for how long, and how alike they must be on average.
ALIKE_LOW_HZ, ALIKE_HIGH_HZ, ALIKE_S, ALIKE_SLACK_S = 200.0, 900.0, 0.008, 0.0005
ALIKE = 0.3


@dataclass(frozen=True)
class BoxFaults:
    """What the takes say of the boxes.

    Parameters
    ----------
    moves : tuple of Move
        In the order of the work.
    sides_out : frozenset of str
        Sides that are broken or filtered: their takes must not inform a card.
    withheld : str or None
        Why no card can be made; None where one can be made of what is sound.
    """

    moves: tuple[Move, ...] = ()
    sides_out: frozenset[str] = frozenset()
    withheld: str | None = None


def box_faults(
    spots: Sequence[SpotResponse],
    match: Match | None,
    *,
    rt60_s: float | None = None,
    low_limit_hz: float | None = None,
    has_subs: bool = False,
) -> BoxFaults:
    """Find what is wrong with the boxes.

    Parameters
    ----------
    spots : sequence of SpotResponse
        Before the work.
    match : Match or None
        Left against right, of the same spots.
    rt60_s : float or None
        Reverberation time: how far bass strays from place to place.
    low_limit_hz : float or None
        Where the mains end, as stated.
    has_subs : bool
        Whether subs are there: the mains may be cut on purpose.
    """
    own = own_curves(spots)
    pair = None if match is None else match.corrected_bands_db
    silent = silent_drivers(own, pair)
    out = {one.side for one in silent}
    moves = [_driver_move(one, alone=pair is None or len(out) > 1) for one in silent]
    clear = ALIGN_BANDS
    for one in silent:
        clear = one.clear
    strays = scatter_db(rt60_s or DEFAULT_RT60_S)
    if match is not None and not out:
        pair_sd_db = np.hypot(strays * np.sqrt(2.0 / len(match.spots_db)), BOX_SD_DB)
        cut = one_cut(match.corrected_bands_db, pair_sd_db)
        if cut is not None:
            side = "left" if cut.of_first else "right"
            moves.append(_cut_move(cut, side))
            out.add(side)
            clear = ALIGN_BANDS & (2.0 * cut.corner_hz < EXACT_HZ)
        else:
            tone = _tone(match, strays, low_limit_hz)
            moves += [move for move, _ in tone]
            clear = tone[0][1] if tone else clear
    if own and not out and not (has_subs and low_limit_hz is None):
        moves += _ends_high(own, strays / np.sqrt(len(spots)), low_limit_hz)
    if match is not None:
        horns = any(one.name == "horn" for one in silent)
        moves += _polarity(spots, _woofers_alike(spots) if horns else match.polarity, out)
        moves += _gain(match, clear, mended=not out)
    return BoxFaults(tuple(moves), frozenset(out), _withheld(own, silent, out))


def _driver_move(one: SilentDriver, *, alone: bool) -> Move:
    where, other = ("above 3 kHz", "middle") if one.name == "horn" else ("below 200 Hz", "top")
    beside = f"its own {other}" if alone else "the other side"
    likely = (
        "Look for a blown or unplugged driver, a blocked horn, or a high cut left in."
        if one.name == "horn"
        else "Look for a dead driver, a loose cable, or a low cut left in."
    )
    return Move(
        "check",
        f"Check the {one.name} of the {one.side} box: {where} it is {one.below_db:.0f} dB below "
        f"{beside}. {likely} Push no fader up into it.",
        expected={"below_db": 0.0, "was_db": one.below_db},
    )


def _cut_move(cut: LowCut, side: str) -> Move:
    return Move(
        "check",
        f"Look for a low cut left in on the {side} channel or box: {side} has "
        f"{cut.less_db:.0f} dB less below {hz_text(cut.nominal_hz)}. Switch it off, or set both "
        "sides alike, then take both again.",
        expected={"below_db": 0.0, "was_db": cut.less_db},
    )


def _ends_high(
    own: dict[str, FloatArray], places_db: FloatArray, low_limit_hz: float | None
) -> list[Move]:
    """Ask for a low cut where all sides end far above where they should."""
    ends_hz = end_hz(nan_mean(np.stack(list(own.values()))), np.hypot(places_db, TONE_SD_DB))
    from_hz, stated = ENDS_HIGH_HZ, ""
    if low_limit_hz is not None:
        from_hz = max(ENDS_HIGH_RATIO * low_limit_hz, STATED_FROM_HZ)
        stated = f", not at {low_limit_hz:.0f} Hz as stated"
    if not ends_hz >= from_hz:
        return []
    who = "both end" if len(own) > 1 else f"{next(iter(own))} ends"
    at = hz_text(float(NOMINAL_HZ[nearest_band(ends_hz)]))
    return [
        Move(
            "check",
            f"Look for a low cut left in on the channels or the boxes: {who} at {at}{stated}. "
            "Switch it off unless a sub plays what it takes away, then take them again.",
            expected={"was_hz": ends_hz},
        )
    ]


def _tone(
    match: Match, strays_db: FloatArray, low_limit_hz: float | None
) -> list[tuple[Move, BoolArray]]:
    """Look for what makes one side's tone unlike the other's; with it the bands that are alike."""
    pair = match.corrected_bands_db
    places_db = strays_db * np.sqrt(2.0 / len(match.spots_db))
    chance_db = np.hypot(places_db, match.doubt_db.min(axis=0))
    known = np.isfinite(pair)
    if known.sum() < 5:
        return []
    shape = pair - float(np.median(pair[known]))
    least_db = TONE_DB if match.uncertainty_db <= UNSURE_DB else 2.0 * TONE_DB
    beyond = np.abs(shape) > np.maximum(least_db, TONE_SCATTERS * chance_db)
    off = known & beyond & judged_bands(low_limit_hz)
    if (off & (EXACT_HZ > 95.0)).sum() < 2:
        return []
    worst = int(np.where(off, np.abs(shape), 0.0).argmax())
    loud, weak = ("left", "right") if shape[worst] > 0 else ("right", "left")
    move = Move(
        "check",
        f"Find out why {loud} and {weak} differ in tone: at {hz_text(NOMINAL_HZ[worst])} "
        f"{weak} is {abs(shape[worst]):.1f} dB below {loud}, with levels matched. Look for a "
        "channel EQ or filter left in, a cover on the grille, or a different aim.",
        expected={"left_minus_right_db": 0.0, "was_db": float(shape[worst])},
    )
    return [(move, ALIGN_BANDS & (np.abs(shape) < 0.5 * TONE_DB))]


def _woofers_alike(spots: Sequence[SpotResponse]) -> int:
    """Polarity of one side's woofer against the other's: 1 alike, -1 opposed, 0 cannot tell."""
    fits = []
    by_place = {(spot.side, spot.spot): spot.takes[0].response for spot in spots}
    for (side, name), left in by_place.items():
        right = by_place.get(("right", name))
        if side != "left" or left is None or right is None:
            continue
        if not (np.isfinite(left.arrival_s) and np.isfinite(right.arrival_s)):
            fits.append(float(left.polarity * right.polarity))
            continue
        if left.rate_hz != right.rate_hz:
            continue
        like = compare(
            left.impulse,
            right.impulse,
            rate_hz=left.rate_hz,
            at_s=(left.arrival_s, right.arrival_s),
            band_hz=(ALIKE_LOW_HZ, ALIKE_HIGH_HZ),
            length_s=ALIKE_S,
            slack_s=ALIKE_SLACK_S,
        )
        fits.append(like.correlation)
    mean = float(np.mean(fits)) if fits else 0.0
    return int(np.sign(mean)) if abs(mean) >= ALIKE else 0


def _polarity(
    spots: Sequence[SpotResponse], polarity: int, out: frozenset[str] | set[str]
) -> list[Move]:
    if polarity >= 0:
        return []
    votes = {
        side: sum(
            take.response.polarity
            for spot in spots
            if spot.side == side
            for take in spot.takes
            if take.response is not None
        )
        for side in ("left", "right")
    }
    # Of a box with a driver missing its own phase says little: the sound one's does.
    sound = [side for side in votes if side not in out]
    if len(sound) == 1:
        (one,) = sound
        broken = "right" if one == "left" else "left"
        votes[broken] = -int(np.sign(votes[one])) or -1
    side, other = sorted(votes, key=lambda name: votes[name])
    return [
        Move(
            "polarity",
            f"{side.capitalize()} is out of polarity with {other}. Check its cable first for a "
            "swapped pair; if that is good, flip it at the box. Then take both again.",
            from_={f"{side}_polarity": -1.0},
            to={f"{side}_polarity": 1.0},
        )
    ]


def _gain(match: Match, clear: BoolArray, *, mended: bool) -> list[Move]:
    """Level of one side against the other, over bands clear of any fault."""
    level_db, doubt_db = match.over(clear)
    if not np.isfinite(level_db):
        return []
    if doubt_db > UNSURE_DB:
        if match.well_placed:
            return []  # no other place would tell it better
        where = (
            "Put the microphone on the middle line, equally far from both boxes, or at the same "
            "spot mirrored for each side, and take both again: from here it is not sure which is "
            "louder."
        )
        return [Move("check", where)] if mended else []
    if abs(level_db) <= np.hypot(GAIN_DB, 2.0 * doubt_db):
        return []
    loud, weak = ("left", "right") if level_db > 0 else ("right", "left")
    size = abs(level_db)
    return [
        Move(
            "gain",
            f"{loud.capitalize()} is {size:.1f} dB hot. Pull it down {size:.1f} dB at the box, not "
            f"at the mixer: it is that much louder than {weak}, distance allowed for.",
            from_={f"{loud}_gain_db": 0.0},
            to={f"{loud}_gain_db": -size},
            expected={
                "left_minus_right_db": 0.0,
                "was_db": level_db,
                "uncertainty_db": doubt_db,
            },
        )
    ]


def _withheld(
    own: dict[str, FloatArray], silent: Sequence[SilentDriver], out: set[str]
) -> str | None:
    if not own or set(own) - out:
        return None
    names = {one.name for one in silent if one.side in own}
    if len(names) == 1:
        (name,) = names
        which = f"both {name}s" if len(own) > 1 else f"the {name}"
        dead = "drivers that are" if len(own) > 1 else "a driver that is"
        return f"Fix {which} first: no card is made that would push faders up into {dead} silent."
    return "Fix the boxes first: none of them is sound enough to make a card for."
