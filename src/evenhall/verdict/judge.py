"""From takes to the whole verdict. Start at `judge()`; it reads like the visit goes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from evenhall.acoustics.bands import EXACT_HZ
from evenhall.equalizer.graphic import GraphicUnit
from evenhall.hall.label import BOTH
from evenhall.hall.rows import RowsHeard
from evenhall.verdict.boxes.faults import BoxFaults, box_faults
from evenhall.verdict.card.estimate import Estimate, estimate
from evenhall.verdict.card.faders import Card, Forecast, forecast, make_card
from evenhall.verdict.card.headroom import Headroom, headroom
from evenhall.verdict.card.patterns import Pattern, cancelled_bands, find_patterns
from evenhall.verdict.evenness import Evenness, Match, evenness, judged_bands, match
from evenhall.verdict.move import Move, Stage
from evenhall.verdict.proof.by_cable import CableProof, cable_moves, cable_proofs
from evenhall.verdict.proof.proving import Proof, prove
from evenhall.verdict.proof.wrong_faders import correcting_moves
from evenhall.verdict.take import (
    SpotResponse,
    Take,
    as_played,
    spot_responses,
    walk_responses,
)
from evenhall.verdict.target import Points, target_db
from evenhall.verdict.trust import flag_disagreement
from evenhall.verdict.walks import flag_walks
from evenhall.verdict.worklist import AtTheRack, worklist

if TYPE_CHECKING:
    from evenhall.equalizer.crossover import Crossover
    from evenhall.equalizer.parametric import Parametric
    from evenhall.verdict.card.console import ConsoleCard
    from evenhall.verdict.talker.ringing import PlaceRinging
    from evenhall.verdict.talker.speech import SpotSpeech

__all__ = ["Setting", "Verdict", "judge"]

FloatArray = NDArray[np.float64]

# A third octave above the crossover the mains' high-pass takes 1 to 2 dB, and no more.
CLEAR_OF_CROSSOVER = 2.0 ** (1.0 / 3.0)


@dataclass(frozen=True)
class Setting:
    """What is known beside the takes.

    Parameters
    ----------
    target : tuple of (hz, db)
    low_limit_hz : float or None
        Of the mains; nothing is boosted below it.
    has_processor : bool
        Whether a delay can be set on mains, subs and delay loudspeakers.
    console : Parametric or None
        Sections of a digital console, where there is one.
    other_units : mapping of str to GraphicUnit
        Of sides whose channel of the equalizer is not like `unit`.
    strip : Parametric or None
        A channel strip before it.
    crossover : Crossover or None
        What can be set between mains and subs, where it is not set yet.
    crossed_hz : float or None
        Where it is set: the mains are not asked for what lies below.
    feeds_subs : bool
        Whether the equalizer stands before the subs too.
    """

    unit: GraphicUnit
    target: Points
    stage: Stage
    low_limit_hz: float | None
    has_processor: bool = False
    console: Parametric | None = None
    other_units: Mapping[str, GraphicUnit] = field(default_factory=dict)
    strip: Parametric | None = None
    crossover: Crossover | None = None
    crossed_hz: float | None = None
    feeds_subs: bool = False

    @property
    def lowest_hz(self) -> float | None:
        """Below it nothing is raised: the mains' own limit, or what the sub plays."""
        limits = [self.low_limit_hz]
        if self.crossed_hz is not None:
            limits.append(CLEAR_OF_CROSSOVER * self.crossed_hz)
        return max((limit for limit in limits if limit is not None), default=None)


@dataclass(frozen=True)
class Verdict:
    """What the takes together say, and what to do.

    What could not be found (no usable take, one spot, one side) is None or empty.
    """

    takes: tuple[Take, ...]
    spots: tuple[SpotResponse, ...]
    rt60_s: float | None
    evenness: Evenness | None
    match: Match | None
    boxes: BoxFaults
    area: Estimate | None
    patterns: tuple[Pattern, ...]
    card: Card | None
    forecast: Forecast | None
    moves: tuple[Move, ...]
    proof: Proof | None
    by_cable: tuple[CableProof, ...]
    rows: RowsHeard | None
    speech: tuple[SpotSpeech, ...]
    ringing: tuple[PlaceRinging, ...]
    console: ConsoleCard | None
    headroom: tuple[Headroom, ...]


def reverberation_time_s(spots: Sequence[SpotResponse]) -> float | None:
    """Mid-band T20 at the farthest spot of each main element; None if no decay is long enough."""
    farthest = {spot.side: spot for spot in spots if spot.element.is_main}
    responses = [spot.takes[0].response for spot in farthest.values()]
    times = [time for response in responses if response is not None for time in response.t20_s]
    known = [time for time in times if np.isfinite(time)]
    return float(np.median(known)) if known else None


def _hands(
    stage: Stage, even: Evenness | None, spots: Sequence[SpotResponse]
) -> tuple[Sequence[Move], RowsHeard | None]:
    if stage.speaker is None or stage.audience is None:
        return (), None
    from evenhall.verdict.stance.moves import (
        hands,  # slow to import, and not wanted without figures
    )

    found = hands(stage, even, spots)
    return found.moves, found.rows


def _speech(mains: Sequence[SpotResponse]) -> tuple[SpotSpeech, ...]:
    if not mains:
        return ()
    from evenhall.verdict.talker.speech import speech_by_spot  # slow to import

    return speech_by_spot(mains, last_alone=True)


def _console(card: Card | None, area: Estimate | None, setting: Setting) -> ConsoleCard | None:
    if card is None or area is None or setting.console is None:
        return None
    from evenhall.verdict.card.console import console_card  # seldom wanted

    return console_card(card, area, setting.console)


def _ringing(takes: Sequence[Take], card: Card | None) -> tuple[PlaceRinging, ...]:
    if not any(take.at == "stage" for take in takes):
        return ()
    from evenhall.verdict.talker.ringing import ringing_at  # seldom wanted

    return ringing_at(takes, card)


def _times(take: Take) -> bool:
    return take.state == "before" and not take.is_walk


def _timing(takes: Sequence[Take], setting: Setting) -> tuple[Move, ...]:
    if all(take.element.is_main for take in takes):
        return ()
    from evenhall.verdict.joining.moves import timing_moves  # slow to import, and seldom wanted

    return timing_moves(
        takes,
        has_processor=setting.has_processor,
        target_db=target_db(setting.target, EXACT_HZ),
        temperature_c=setting.stage.room.temperature_c,
        crossover=setting.crossover,
        feeds_subs=setting.feeds_subs,
    )


def _correcting(proof: Proof | None, by_cable: Sequence[CableProof]) -> tuple[Move, ...]:
    """List the moves of what stands wrong; what a cable says goes before the air.

    Where the proof holds the air asks for nothing first: see `worklist()`.
    """
    moves = cable_moves(by_cable)
    if proof is None or proof.holds:
        return moves
    told = {one.side for one in by_cable}
    scale = proof.unlike_scale
    if scale is not None and told.intersection(fader.side for fader in scale.faders):
        scale = None
    hand = [fader for fader in proof.faders_wrong if fader.side not in told]
    return moves + correcting_moves(hand, scale)


def _is_unlike(proof: Proof | None, by_cable: Sequence[CableProof]) -> bool:
    in_air = proof is not None and proof.unlike_scale is not None
    return in_air or any(one.is_unlike for one in by_cable)


def judge(takes: Sequence[Take], setting: Setting) -> Verdict:
    """Judge all takes of a visit together.

    Parameters
    ----------
    takes : sequence of Take
        Each judged for itself.
    """
    every = flag_walks(flag_disagreement(takes))
    audience = [take for take in every if take.at == "audience"]
    played = as_played(audience)
    takes = [take for take in played if not take.is_walk]
    walked = [take for take in played if take.is_walk and take.element.is_main]
    whole = any(take.with_subs for take in played)
    spots = spot_responses(takes, state="before")
    rt60_s = setting.stage.room.rt60_s or reverberation_time_s(spots)
    stage = replace(setting.stage, room=replace(setting.stage.room, rt60_s=rt60_s))
    lowest_hz = None if whole else setting.lowest_hz
    before = [take for take in takes if take.state == "before"]
    even, alike = evenness(spots, before, low_limit_hz=lowest_hz), match(spots, stage)
    boxes = box_faults(
        spots,
        alike,
        rt60_s=rt60_s,
        low_limit_hz=lowest_hz,
        has_subs=whole or any(take.element.is_sub for take in every),
    )
    mains = [spot for spot in spots if spot.element.is_main]
    area = card = outlook = proof = None
    heights: tuple[Headroom, ...] = ()
    patterns: tuple[Pattern, ...] = ()
    walks = [
        walk
        for walk in walk_responses(walked, state="before")
        if walk.side not in boxes.sides_out and not (walk.side == BOTH and boxes.sides_out)
    ]
    if mains or walks:
        target = target_db(setting.target, EXACT_HZ)
        sound = [spot for spot in mains if spot.side not in boxes.sides_out]
        area = estimate(sound or mains, target, rt60_s=rt60_s, low_limit_hz=lowest_hz, walks=walks)
        area = area.sparing(cancelled_bands(area))
        if even is not None:
            even = replace(even, judged=judged_bands(area.low_hz))
        if boxes.withheld is None:
            card = make_card(
                area, setting.unit, other_units=setting.other_units, strip=setting.strip
            )
            patterns = find_patterns(area, card, rt60_s=rt60_s)
            outlook = forecast(area, card)
            heights = headroom(card, area)
            after = spot_responses(takes, state="after")
            then = [take for take in takes if take.state == "after"]
            proof = prove(
                area,
                after,
                card,
                walks=walk_responses(walked, state="after"),
                even=evenness(after, then, low_limit_hz=area.low_hz),
            )
    by_cable = cable_proofs(every, card)
    correcting = _correcting(proof, by_cable)
    hand_moves, rows = _hands(stage, even, spots)
    return Verdict(
        takes=tuple(every),
        spots=spots,
        rt60_s=rt60_s,
        evenness=even,
        match=alike,
        boxes=boxes,
        area=area,
        patterns=patterns,
        card=card,
        forecast=outlook,
        moves=correcting
        + worklist(
            takes=every,
            boxes=boxes,
            area=area,
            patterns=patterns,
            rack=AtTheRack(
                card,
                outlook,
                proof if not correcting else None,
                unlike=_is_unlike(proof, by_cable),
            ),
            hands=hand_moves,
            timing=_timing([take for take in audience if _times(take)], setting),
        ),
        proof=proof,
        by_cable=by_cable,
        rows=rows,
        speech=_speech(mains),
        ringing=_ringing(every, card),
        console=_console(card, area, setting),
        headroom=heights,
    )
