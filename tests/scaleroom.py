"""Units that do otherwise than their scale says, and hands that set a fader wrong, by cable.

KINDS        what may be the matter
random_case()    takes by cable of one or both sides, and the card that was asked for
said_of()        what is said: who is blamed
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import band_gain_db, graphic_unit
from evenhall.verdict.proof.by_cable import cable_moves, cable_proofs
from handroom import Rack
from verdict.builders import take

__all__ = ["KINDS", "random_case", "said_of"]

UNIT = graphic_unit(31)
NODES_HZ = EXACT_HZ[:, None] * 10.0 ** np.linspace(-0.0475, 0.0475, 15)
KINDS = (
    "as it says",
    "treble",
    "top cut",
    "one fader",
    "all weaker",
    "all wider",
    "hand",
    "hands",
    "all up",
)


def rack_of(kind, rng):
    """What is in the rack: half a per cent to two off anywhere, and what the kind says."""
    count = UNIT.fader_count
    share, q, power = rng.uniform(0.98, 1.02, count), UNIT.q * rng.uniform(0.97, 1.03, count), 0.5
    if kind == "treble":
        share[UNIT.nominal_hz >= 5000.0] *= rng.choice([rng.uniform(0.4, 0.7), 1.4])
    if kind == "one fader":
        share[rng.integers(3, 29)] *= 0.5
    if kind == "all weaker":
        share *= rng.uniform(0.6, 0.75)
    if kind == "all wider":
        q, power = q * rng.uniform(0.5, 0.65), float(rng.choice([0.0, 0.5]))
    return Rack(UNIT.centre_hz * rng.uniform(0.995, 1.005, count), q, share, power, UNIT.range_db)


def random_case(kind, rng, *, sides=("left", "right")):
    """Takes by cable, and the card: a third of the faders moved, 1 to 9 dB down or up to 5 up."""
    asked = 0.5 * rng.integers(-18, 11, UNIT.fader_count) * (rng.random(UNIT.fader_count) < 0.33)
    asked[rng.choice(np.flatnonzero(UNIT.nominal_hz >= 8000.0))] = -4.0
    rack, takes = rack_of(kind, rng), []
    wrong = 1 if kind == "hand" else 2
    up_db = rng.choice([-3.0, -1.5, 1.5, 3.0])
    for k, side in enumerate(sides):
        scale = asked.copy()
        if kind == "hands" or (kind == "hand" and k == 0):
            which = rng.choice(np.arange(3, 29), wrong, replace=False)
            scale[which] += rng.choice([-1.0, 1.0], wrong) * rng.uniform(2.0, 6.0, wrong)
        if kind == "all up":
            scale = scale + up_db
        other = replace(rack, share=rack.share * rng.uniform(0.99, 1.01, UNIT.fader_count))
        power = np.square(np.abs(other.sections(scale, NODES_HZ.ravel()).prod(axis=0)))
        if kind == "top cut":  # a unit's own end: 3 dB down somewhere from 10 to 16 kHz
            power = power / (1.0 + (NODES_HZ.ravel() / corner_hz(rack)) ** 4)
        did = 10.0 * np.log10(power.reshape(NODES_HZ.shape).mean(axis=1))
        one = take(did - 7.0, side=side, spot="cable", state="after", uncertainty_db=0.02)
        takes.append(replace(one, at="cable"))
    gain_db = band_gain_db(UNIT, asked)
    card = SimpleNamespace(
        solutions={"both": SimpleNamespace(fader_db=asked)},
        gain_db=lambda side: gain_db,
        strip_db=lambda side: np.zeros(31),
        unit_of=lambda side: UNIT,
    )
    return takes, card


def corner_hz(rack):
    """Where the top ends: some figure of this very unit."""
    return 10_000.0 + 6_000.0 * float(np.modf(1e4 * rack.q[0])[0])


def said_of(takes, card):
    """Say what comes of it: "holds", "hand", "either", "unit", "hand and unit", or "nothing".

    "all" is said where all faders stand off alike.

    "Either" is a figure for the hand, and to learn the unit if it is set there already.
    """
    proofs = cable_proofs(takes, card)
    moves = cable_moves(proofs)
    if not moves:
        return "holds" if all(proof.holds for proof in proofs) else "nothing"
    if any("all faders are about" in move.text for move in moves):
        return "all"
    figures = [move.text for move in moves if move.kind == "equalize"]
    hand = any("If it is set there already" not in text for text in figures)
    said = ["hand" if hand else "either"] if figures else []
    return " and ".join([*said, *(["unit"] if len(figures) < len(moves) else [])])
