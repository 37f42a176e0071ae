"""What one move buys in gain before feedback, each by itself. Start at `gain_steps()`.

Talker nearer, microphone away, loudspeaker away, fewer open microphones: each is tried with
`acoustic_gain()` on a scene that differs in that alone.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from evenhall.cautions import LIFTING
from evenhall.hall.feedback import NEAREST_TALKER_M, Microphone, acoustic_gain
from evenhall.hall.setting import CEILING_GAP_M, Audience, Loudspeaker, Room

__all__ = ["GainStep", "gain_steps"]

STEP_M, RAISE_M = 1.0, 0.5
FIRST_ROW_LEAST_M = 1.0
WORTH_DB = 0.5


@dataclass(frozen=True)
class GainStep:
    """One thing to do, by itself.

    Parameters
    ----------
    kind : str
        "close", "cardioid", "talker", "microphone" or "loudspeaker".
    moved_m : float
        0 where nothing is moved.
    gain_db : float
        What it adds to the spare gain.
    """

    kind: str
    moved_m: float
    gain_db: float
    text: str


@dataclass(frozen=True)
class _Scene:
    microphone: Microphone
    speaker: Loudspeaker
    audience: Audience


def _moves(
    scene: _Scene, room: Room, max_height_m: float | None
) -> list[tuple[str, float, str, _Scene]]:
    """List what may be done: kind, metres, words, and how things then stand."""
    mic, speaker, audience = scene.microphone, scene.speaker, scene.audience
    moves: list[tuple[str, float, str, _Scene]] = []

    def add(kind: str, moved_m: float, words: str, then: _Scene) -> None:
        moves.append((kind, moved_m, words, then))

    if mic.open_count > 1:
        others = "the other one" if mic.open_count == 2 else f"the other {mic.open_count - 1}"
        add(
            "close",
            0.0,
            f"Close the microphones that nobody talks into ({others})",
            replace(scene, microphone=replace(mic, open_count=1)),
        )
    if not mic.cardioid:
        add(
            "cardioid",
            0.0,
            "Use a cardioid microphone with its back to the loudspeaker",
            replace(scene, microphone=replace(mic, cardioid=True)),
        )
    nearer_m = max(mic.talker_m / 2.0, NEAREST_TALKER_M)
    if nearer_m < mic.talker_m:
        add(
            "talker",
            mic.talker_m - nearer_m,
            f"Bring the talker from {mic.talker_m:.2f} m to {nearer_m:.2f} m from the microphone",
            replace(scene, microphone=replace(mic, talker_m=nearer_m)),
        )
    away = np.copysign(STEP_M, mic.aside_m)
    for words, moved in (
        ("back from the loudspeaker", replace(mic, behind_m=mic.behind_m + STEP_M)),
        ("sideways, away from the loudspeaker", replace(mic, aside_m=mic.aside_m + away)),
    ):
        add(
            "microphone",
            STEP_M,
            f"Move the microphone, and the talker with it, {STEP_M:g} m {words}",
            replace(scene, microphone=moved),
        )
    add(
        "loudspeaker",
        STEP_M,
        f"Move the loudspeaker {STEP_M:g} m sideways, away from the microphone",
        replace(scene, microphone=replace(mic, aside_m=mic.aside_m + away)),
    )
    if audience.first_row_m - STEP_M >= FIRST_ROW_LEAST_M:
        add(
            "loudspeaker",
            STEP_M,
            f"Move the loudspeaker {STEP_M:g} m towards the people",
            replace(
                scene,
                microphone=replace(mic, behind_m=mic.behind_m + STEP_M),
                audience=replace(
                    audience,
                    first_row_m=audience.first_row_m - STEP_M,
                    last_row_m=audience.last_row_m - STEP_M,
                ),
            ),
        )
    highest_m = min(
        speaker.height_m if max_height_m is None else max_height_m,
        np.inf if room.height_m is None else room.height_m - CEILING_GAP_M,
    )
    if speaker.height_m + RAISE_M <= highest_m + 1e-9:
        add(
            "loudspeaker",
            RAISE_M,
            f"Raise the loudspeaker by {RAISE_M:g} m",
            replace(scene, speaker=replace(speaker, height_m=speaker.height_m + RAISE_M)),
        )
    return moves


def gain_steps(
    microphone: Microphone,
    speaker: Loudspeaker,
    room: Room,
    audience: Audience,
    *,
    max_height_m: float | None = None,
) -> tuple[GainStep, ...]:
    """List what each move buys by itself, most decibels a metre first; what needs no metre leads.

    Of several ways to move one thing only the best is given, and none under half a decibel.

    Parameters
    ----------
    max_height_m : float or None
        To which the loudspeaker may be raised; None leaves its height alone.

    Raises
    ------
    InputError
        As `acoustic_gain`.

    Examples
    --------
    >>> steps = gain_steps(Microphone(1.0, 2.0), Loudspeaker(2.0), Room(), Audience(2.0, 12.0))
    >>> steps[0].text
    'Bring the talker from 0.30 m to 0.15 m from the microphone: 6.0 dB more for 0.15 m.'
    """
    scene = _Scene(microphone, speaker, audience)
    now = acoustic_gain(microphone, speaker, room, audience)
    best: dict[str, GainStep] = {}
    for kind, moved_m, words, then in _moves(scene, room, max_height_m):
        after = acoustic_gain(then.microphone, then.speaker, room, then.audience)
        gain_db = after.spare_db - now.spare_db
        if gain_db < WORTH_DB or (kind in best and gain_db <= best[kind].gain_db):
            continue
        effort = f" for {moved_m:.2g} m" if moved_m else ""
        lifting = f" {LIFTING}" if kind == "loudspeaker" else ""
        best[kind] = GainStep(
            kind, moved_m, gain_db, f"{words}: {gain_db:.1f} dB more{effort}.{lifting}"
        )

    def order(step: GainStep) -> tuple[bool, float]:
        return step.moved_m > 0.0, -step.gain_db / max(step.moved_m, 1e-9)

    return tuple(sorted(best.values(), key=order))
