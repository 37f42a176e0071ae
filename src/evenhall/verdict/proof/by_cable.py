"""What a cable behind the equalizer says of the card, once its faders are set.

Start at `cable_proofs()`. What was asked is held against what the unit did; its level is free.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import NOMINAL_HZ
from evenhall.equalizer.solver import Solution
from evenhall.hall.label import BOTH, for_side
from evenhall.verdict.card.faders import Card
from evenhall.verdict.move import Move
from evenhall.verdict.proof.wrong_faders import (
    LEARN_IT,
    UnlikeScale,
    WrongFader,
    common_offset_db,
    correcting_moves,
    hand_or_scale,
    is_other_make,
    wrong_faders,
)
from evenhall.verdict.take import Take
from evenhall.words import capitalised, hz_text

__all__ = ["CableProof", "cable_moves", "cable_proofs"]

FloatArray = NDArray[np.float64]

# Less than this from the lowest to the highest band, and no fader is heard at all.
DEAF_DB = 0.7
# As far as a hand sets faders to a scale and the ear lets pass (Toole and Olive 1988, broad
# errors, from memory).
HOLDS_DB = 1.0
# By cable there is no room in the way: less is named than in the air.
LEAST_OFF_DB = 1.0
# The other side's card fits so much better: then it is the other side's channel.
OTHER_RATIO = 0.5


@dataclass(frozen=True, eq=False)
class CableProof:
    """The unit of one side, as the faders stand.

    Parameters
    ----------
    side, file : str
        The take by cable.
    did_db, asked_db : ndarray, shape (31,)
        What the unit does and what the card wants, both with their mean over the known bands
        taken off; nan where the cable tells nothing.
    fault : str
        What is wrong with the whole of it, and what to do; empty where nothing is.
    unlike_scale : UnlikeScale or None
        What is off by no hand's doing, here and on the other side.
    other_make : bool
        Whether all of it is off as a wider, narrower, weaker or stronger unit would be.
    """

    side: str
    file: str
    did_db: FloatArray
    asked_db: FloatArray
    faders_wrong: tuple[WrongFader, ...]
    fault: str
    unlike_scale: UnlikeScale | None = None
    other_make: bool = False

    @property
    def rms_db(self) -> float:
        """How far the unit is from the card."""
        return _rms_db(self.did_db - self.asked_db)

    @property
    def holds(self) -> bool:
        """Whether the faders are set as the card asks."""
        named = self.fault or self.faders_wrong or self.unlike_scale or self.other_make
        return not named and self.rms_db <= HOLDS_DB

    @property
    def text(self) -> str:
        """Say how it stands, in a sentence or two."""
        if self.fault:
            return f"{self.side}, by cable: {self.fault}"
        named = (self.unlike_scale, *self.faders_wrong)
        lines = " ".join(one.text for one in named if one is not None)
        if lines:
            return f"{self.side}, by cable: {self.rms_db:.1f} dB from the card. {lines}"
        if self.holds:
            return f"{self.side}, by cable: as the card asks, within {self.rms_db:.1f} dB (rms)."
        off_db = self.did_db - self.asked_db
        worst = int(np.nanargmax(np.abs(off_db)))
        return (
            f"{self.side}, by cable: {self.rms_db:.1f} dB from the card, most around "
            f"{hz_text(NOMINAL_HZ[worst])} ({off_db[worst]:+.1f} dB), and no few faders explain "
            "it. Check that all are set as the card says; if they are, this unit does not do what "
            f"its scale says: {LEARN_IT}."
        )

    @property
    def is_unlike(self) -> bool:
        """Whether the unit itself seems to do otherwise than its scale says."""
        named = self.fault or self.faders_wrong
        return self.unlike_scale is not None or not (named or self.holds)


def _rms_db(off_db: FloatArray) -> float:
    return float(np.sqrt(np.nanmean(np.square(off_db))))


def cable_proofs(takes: Sequence[Take], card: Card | None) -> tuple[CableProof, ...]:
    """Hold what the unit of each side did against the card; the last take by cable counts.

    Parameters
    ----------
    takes : sequence of Take
        Those not by cable are left aside.
    card : Card or None
    """
    if card is None or not card.solutions:
        return ()
    last = {take.side: take for take in takes if take.at == "cable" and take.usable}
    proofs = [
        _proof(take, card, solution)
        for take in last.values()
        if (solution := for_side(card.solutions, take.side)) is not None
    ]
    _, scale = hand_or_scale([fader for proof in proofs for fader in proof.faders_wrong])
    return tuple(_with_scale(proof, scale) for proof in proofs)


def _with_scale(proof: CableProof, scale: UnlikeScale | None) -> CableProof:
    """Take from a side's wrong faders what is the unit's own doing."""
    if scale is None or not set(proof.faders_wrong) & set(scale.faders):
        return proof
    hand = tuple(fader for fader in proof.faders_wrong if fader not in scale.faders)
    return replace(proof, faders_wrong=hand, unlike_scale=scale)


def _proof(take: Take, card: Card, solution: Solution) -> CableProof:
    side = take.side
    did_db, doubt_db = take.level_db, take.uncertainty_db
    known = np.isfinite(did_db) & np.isfinite(doubt_db)
    did_db = np.where(known, did_db - np.mean(did_db[known]), np.nan)

    def asked_of(other: str) -> FloatArray:
        gain_db = card.gain_db(other)
        return np.where(known, gain_db - np.mean(gain_db[known]), np.nan)

    asked_db = asked_of(side)
    fault = _fault(did_db, asked_db)
    wrong: tuple[WrongFader, ...] = ()
    off_db = _rms_db(did_db - asked_db)
    others = [
        other
        for other in card.solutions
        if other not in (side, BOTH) and _rms_db(did_db - asked_of(other)) < OTHER_RATIO * off_db
    ]
    if not fault and off_db > HOLDS_DB and others:
        fault = (
            f"this is the card of {others[0]}. The cable is on its channel, or the two channels "
            "are swapped. Fix that, and record it again."
        )
    if not fault:
        told = (card.unit_of(side), solution.fader_db, did_db - card.strip_db(side), doubt_db)
        if abs(common_db := common_offset_db(*told)) >= LEAST_OFF_DB:
            fault = _common_fault(common_db)
            return CableProof(side, take.file, did_db, asked_db, (), fault)
        wrong = wrong_faders(*told, side=side, least_off_db=LEAST_OFF_DB)
        if wrong and is_other_make(*told, wrong):
            return CableProof(side, take.file, did_db, asked_db, (), fault, other_make=True)
    return CableProof(side, take.file, did_db, asked_db, wrong, fault)


def _common_fault(common_db: float) -> str:
    way, cure = ("high", "Pull down") if common_db > 0.0 else ("low", "Push up")
    return (
        f"all faders are about {abs(common_db):g} dB too {way}. {cure} all by "
        f"{abs(common_db):g} dB, those at 0 too, and set the level again at the mixer."
    )


def _fault(did_db: FloatArray, asked_db: FloatArray) -> str:
    # Slow to import: it learns units, too.
    from evenhall.equalizer.checking import BYPASSED, changes_against

    if np.nanmax(asked_db) - np.nanmin(asked_db) <= DEAF_DB:
        return ""
    if np.nanmax(did_db) - np.nanmin(did_db) < DEAF_DB:
        return f"nothing of the card is heard: {BYPASSED}"
    if changes_against(np.nan_to_num(asked_db), did_db):
        return (
            "the unit does the reverse of the card. Either the faders are set the other way, or "
            "the two inputs are swapped. Fix that, and record it again."
        )
    return ""


def cable_moves(proofs: Sequence[CableProof]) -> tuple[Move, ...]:
    """List what is to be done before the sides stand as the card asks."""
    faults = [
        Move("check", capitalised(proof.text))
        for proof in proofs
        if proof.fault or (proof.is_unlike and proof.unlike_scale is None)
    ]
    hand = [fader for proof in proofs for fader in proof.faders_wrong]
    scale = next((proof.unlike_scale for proof in proofs if proof.unlike_scale), None)
    return (*faults, *correcting_moves(hand, scale))
