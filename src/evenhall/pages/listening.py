"""What is followed while the card of a visit is set, and what the pages show and say of it."""

from __future__ import annotations

from typing import Any

from evenhall.equalizer.graphic import positions_of
from evenhall.errors import InputError
from evenhall.hall.label import for_side
from evenhall.job.live.faders import FaderOrder, strip_of
from evenhall.job.live.taking import element_band_hz, spared_below_hz
from evenhall.job.live.watch import Guided
from evenhall.job.tune.result import Result
from evenhall.job.tune.tuning import unit_of
from evenhall.verdict.proof.guiding import Guidance
from evenhall.visits.visit import Visit, job_of
from evenhall.words import fader_name

__all__ = ["order_of", "shown_of", "spoken_of"]


def order_of(
    visit: Visit, result: Result | None, side: str, *, by_cable: bool, goes_on: bool
) -> FaderOrder:
    """Give what is followed on a side; `by_cable` and `goes_on` as in `FaderOrder`.

    Raises
    ------
    InputError
        There is no card, or it moves nothing on that side.
    """
    faders = () if result is None else for_side(result.card, side) or ()
    card = {fader.hz: fader.fader_db for fader in faders}
    if result is None or not any(card.values()):
        raise InputError(f"The card moves no fader of {side}: there is nothing to set.")
    job = job_of(visit)
    unit = unit_of(job, visit.folder, side)
    low_hz, high_hz = element_band_hz(side, low_limit_hz=spared_below_hz(job))
    return FaderOrder(
        unit=unit,
        wanted_db=positions_of(unit, card),
        start_db=positions_of(unit, visit.faders(side)),
        by_cable=by_cable,
        low_hz=low_hz,
        high_hz=high_hz,
        goes_on=goes_on,
        strip=strip_of(result, side),
    )


def shown_of(guidance: Guidance) -> dict[str, Any]:
    """Give what the page draws of it."""
    stray = " ".join(guidance.remarks)
    if guidance.hz is None:
        return {"name": "", "text": guidance.text, "way": guidance.way, "left": 0, "stray": stray}
    return {
        "name": fader_name(guidance.hz),
        "text": guidance.text,
        "way": guidance.way,
        "off_db": round(guidance.now_db - guidance.wanted_db, 1),
        "now_db": round(guidance.now_db, 1),
        "wanted_db": guidance.wanted_db,
        "left": len(guidance.left_hz),
        "stray": stray,
    }


def spoken_of(guided: Guided) -> str | None:
    """Give what came to stand and what is next: seldom, so that it can be read out."""
    guidance, before = guided.guidance, guided.before
    if before is not None and (before.left_hz, before.hz) == (guidance.left_hz, guidance.hz):
        return None
    words = [*guided.changes, *guidance.remarks]
    if guidance.hz is not None and guidance.way != "stands":
        words.append(f"Now {fader_name(guidance.hz)}, to {guidance.wanted_db:+.1f} dB.")
    return " ".join(words)
