"""The hall alone, before any take exists: what height, aim and place would bring. `plan_hall()`.

With takes in the folder it also says where they part from what any hall explains.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from evenhall.errors import InputError
from evenhall.hall.choosing import WalkSpot, spots_for
from evenhall.hall.clarity import clarity_by_row, clarity_texts
from evenhall.hall.elements import Element
from evenhall.hall.feedback import Microphone, acoustic_gain, gain_text
from evenhall.hall.gain_steps import gain_steps
from evenhall.hall.pair import PairProposal
from evenhall.hall.reach import what_would
from evenhall.hall.setting import check_setting
from evenhall.hall.stance_words import stance_lines
from evenhall.job.folder.model import Job
from evenhall.job.tune.measuring import measuring
from evenhall.job.tune.result import Row
from evenhall.job.tune.serializing import rows_of
from evenhall.job.tune.stage import stage_of
from evenhall.verdict.judge import reverberation_time_s
from evenhall.verdict.stance.proposal import stand
from evenhall.verdict.take import Take, as_played, spot_responses
from evenhall.verdict.talker.ringing import ringing_at, ringing_texts
from evenhall.verdict.talker.speech import speech_by_spot, speech_texts

__all__ = ["HallPlan", "plan_hall", "talker_lines"]

NEEDED = {
    "[audience] first_row_m": "audience",
    "[audience] last_row_m": "audience",
    "[rig] speaker_height_m": "rig",
}


@dataclass(frozen=True)
class HallPlan:
    """What the hands can do for a hall.

    Parameters
    ----------
    found : PairProposal
        Height, tilt and turn that leave the seats most alike.
    stance : tuple of str
        What to do, what it gains, and how sure that is.
    beyond : tuple of str
        What would help where that leaves too much; empty where it does not.
    speech : tuple of str
        How well it is understood, row by row, as things stand; and as the takes have it.
    talker : tuple of str
        Gain before feedback, and what a metre buys of it; empty without [talker].
    spots : tuple of WalkSpot
        Places for the microphone, in walking order.
    rows : tuple of Row
        How loud each is, now and as proposed.
    checks : tuple of str
        What to look at first, where takes part from the forecast.
    lacking : tuple of str
        What could not be said, and which figure it wants.
    """

    found: PairProposal
    stance: tuple[str, ...]
    beyond: tuple[str, ...]
    speech: tuple[str, ...]
    talker: tuple[str, ...]
    spots: tuple[WalkSpot, ...]
    rows: tuple[Row, ...]
    checks: tuple[str, ...]
    lacking: tuple[str, ...]

    @property
    def proposed(self) -> dict[str, float]:
        """Height, tilt and turn, by the names that moves give them; empty where all stays."""
        if self.found.proposed == self.found.was:
            return {}
        return {
            f"speaker_{name}": getattr(self.found.proposed, name)
            for name in ("height_m", "down_deg", "inwards_deg")
        }


def plan_hall(job: Job, folder: Path) -> HallPlan:
    """Forecast a job's hall.

    Parameters
    ----------
    job : Job
        With takes or without.
    folder : Path
        Where its files lie.

    Raises
    ------
    InputError
        A figure is missing or cannot be: one line a fault.
    """
    missing = [
        f"job.toml: {name} is missing. The forecast of the hall needs it."
        for name, section in NEEDED.items()
        if getattr(getattr(job, section), name.split()[1]) is None
    ]
    if missing:
        raise InputError(*missing)
    every = _taken(job, folder)
    among = as_played([take for take in every if take.at == "audience"])
    taken = spot_responses(among, state="before")
    stage = stage_of(job, folder)
    speaker, audience, rig = stage.speaker, stage.audience, job.rig
    assert speaker is not None
    assert audience is not None
    room = replace(stage.room, rt60_s=stage.room.rt60_s or reverberation_time_s(taken))
    check_setting(speaker, room, audience)
    heard = replace(stage, room=room).known_room
    lone = len([side for side in rig.sides if Element.named(side).is_main]) == 1
    mains = [spot for spot in taken if spot.element.is_main]
    stood = stand(replace(stage, room=room), mains, lone=lone)
    found, seats = stood.found, stood.seats
    rows = clarity_by_row(speaker, room, audience)
    lacking = []
    if rows is None:
        lacking.append(
            "Speech: give [venue] the room's three sizes and rt60_s, or the folder a take that "
            "tells it."
        )
    if heard.rt60_s != room.rt60_s:
        lacking.append(
            f"Reverberation time: {heard.rt60_s:.1f} s is assumed, which suits speech in a hall of "
            "this size. Many halls ring longer, and their rows differ less."
        )
    if job.talker is None:
        lacking.append("Gain before feedback: give a [talker].")
    if stood.ask:
        lacking.append(stood.ask)
    return HallPlan(
        found=found,
        stance=stance_lines(found, seats, reason=stood.reason),
        beyond=tuple(one.text for one in what_would(found.pair, seats, heard)),
        talker=(*talker_lines(job, folder), *_rings(every)),
        speech=(
            *(() if rows is None else clarity_texts(rows)),
            *speech_texts(speech_by_spot(taken)),
        ),
        spots=spots_for(audience, room, found.pair),
        rows=rows_of(stood.rows_heard),
        checks=stood.checks,
        lacking=tuple(lacking),
    )


def talker_lines(job: Job, folder: Path) -> tuple[str, ...]:
    """Say how much gain there is before feedback, and what brings more.

    Empty where there is no [talker], or rows and loudspeakers are not known.

    Raises
    ------
    InputError
        The polar data cannot be read.
    """
    stage = stage_of(job, folder)
    if job.talker is None or stage.speaker is None or stage.audience is None:
        return ()
    speaker, room, audience = stage.speaker, stage.room, stage.audience
    microphone = Microphone(**dict(job.talker))
    gain = acoustic_gain(microphone, speaker, room, audience)
    steps = gain_steps(microphone, speaker, room, audience, max_height_m=job.rig.max_height_m)
    return (gain_text(gain), *(step.text for step in steps))


def _rings(takes: Sequence[Take]) -> tuple[str, ...]:
    """Say where a microphone on stage would ring, where takes were made there."""
    return tuple(
        f"{place.side}, {place.spot}: {line}"
        for place in ringing_at(takes, None)
        for line in ringing_texts(place.ringing, with_card=False)
    )


def _taken(job: Job, folder: Path) -> tuple[Take, ...]:
    """Measure what takes there are."""
    if not job.takes:
        return ()
    with measuring(job, folder) as measured:
        return tuple(measured)
