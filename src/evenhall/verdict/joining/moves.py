"""What puts subs and delay loudspeakers in time with the mains. Start at `timing_moves()`."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from evenhall.equalizer.crossover import Crossover
from evenhall.verdict.joining.after import heard_as
from evenhall.verdict.joining.delays import delay_moves
from evenhall.verdict.joining.subs import join
from evenhall.verdict.joining.words import joining_moves, together_move
from evenhall.verdict.move import Move
from evenhall.verdict.take import Take

__all__ = ["timing_moves"]


def timing_moves(
    takes: Sequence[Take],
    *,
    has_processor: bool,
    target_db: NDArray[np.float64],
    temperature_c: float,
    crossover: Crossover | None = None,
    feeds_subs: bool = False,
) -> tuple[Move, ...]:
    """Join every sub, and time every delay loudspeaker, that was taken.

    Parameters
    ----------
    takes : sequence of Take
        Those before the work, of all elements: each alone, and the mains with the subs.
    has_processor : bool
        Whether a delay can be set.
    target_db : ndarray, shape (31,)
    crossover : Crossover, optional
        What can be set between mains and subs, and is not set in these takes.
    feeds_subs : bool
        Whether the equalizer stands before both.
    """
    together = [take for take in takes if take.with_subs]
    mains = [take for take in takes if take.element.is_main and not take.with_subs]
    subs = [take for take in takes if take.element.is_sub]
    delays: dict[str, list[Take]] = {}
    for take in takes:
        if take.element.kind == "delay":
            delays.setdefault(take.side, []).append(take)
    moves: list[Move] = []
    if mains and subs:
        joining = join(
            mains,
            subs,
            has_processor=has_processor,
            target_db=target_db,
            temperature_c=temperature_c,
            crossover=crossover,
        )
        moves += joining_moves(joining, heard_as(joining, together))
        if feeds_subs and not any(take.usable for take in together):
            moves.append(together_move(subs))
    if mains:
        for own in delays.values():
            moves += delay_moves(mains, own)
    return tuple(moves)
