"""Elements heard in simulated rooms, whole or with one fault, for the line check.

round_of()      recordings of some elements in one room
FAULTS          what can be done to an element on its way
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
from scipy import signal

from evenhall.acoustics.stimulus import exponential_sweep
from evenhall.sound.simulated import Box, Element, Noise, Room, SimulatedHall
from evenhall.verdict.line.check import LINE_SWEEP, hear

RATE_HZ = 48_000
QUIET_S = 1.0
AFTER_S = 1.5
LATENCY_S = 0.011  # of the interface, where it is known

TOP = Box()
# Its amplifier's low-pass makes its slope fourth-order; see `recorded()`.
SUB = Box(low_limit_hz=35.0, high_limit_hz=110.0, crossover_hz=0.0, coverage_h_deg=360.0)
SUB_LOW_PASS = signal.butter(2, 110.0, "low", fs=RATE_HZ, output="sos")


@cache
def sent(sweep=LINE_SWEEP):
    """What a careful player plays: its level rises over the first second."""
    swept = exponential_sweep(
        sweep.duration_s,
        rate_hz=RATE_HZ,
        low_hz=sweep.low_hz,
        high_hz=sweep.high_hz,
        lead_s=sweep.lead_s,
    )
    ramp = np.minimum(1.0, np.arange(swept.size) / RATE_HZ)
    played = np.append(ramp * swept, np.zeros(round(AFTER_S * RATE_HZ)))
    played.setflags(write=False)
    return played


def hall(rt_s, *, near_m=2.0, far_m=2.8, apart_m=3.0, seed=1, size_m=(14.0, 9.0, 4.2)):
    """A room with two tops and two subs; the microphone stands nearer the left ones."""
    across = size_m[1] / 2.0
    left, right = across - apart_m / 2.0, across + apart_m / 2.0
    height, ear = 2.0, 1.4
    # From both distances, over the floor: where the two circles meet in front of the boxes.
    rise = height - ear
    near, far = np.sqrt(near_m**2 - rise**2), np.sqrt(far_m**2 - rise**2)
    aside = (near**2 - far**2 + apart_m**2) / (2.0 * apart_m)
    ahead = np.sqrt(near**2 - aside**2)
    front = 1.5
    # Bass rings longer and treble shorter than the middle (common practice, no source).
    rt60_s = tuple(rt_s * share for share in (1.3, 1.2, 1.05, 1.0, 1.0, 0.95, 0.85, 0.7))
    return SimulatedHall(
        room=Room(*size_m, rt60_s=rt60_s, seed=seed),
        elements={
            "left": Element(TOP, (front, left, height), turn_deg=5.0),
            "right": Element(TOP, (front, right, height), turn_deg=-5.0),
            "sub left": Element(SUB, (front, left, 0.35)),
            "sub right": Element(SUB, (front, right, 0.35)),
        },
        spots={"front": (front + ahead, left + aside, ear)},
    )


@dataclass(frozen=True)
class Line:
    """One element's way from the mixer to the microphone.

    `box` names whose place it plays at, if not its own; `along` who plays too, and at what gain in
    dB; `before` acts on what is played and
    `after` on what the box radiates; both take and give samples.
    """

    element: str
    partner: str | None = None
    box: str | None = None
    along: tuple[str, float] | None = None
    before: object = None
    after: object = None
    change: dict | None = None
    noise: Noise = field(default_factory=Noise)


def recorded(where, line, *, seed, snr_db=None, sweep=LINE_SWEEP):
    """Quiet stretch and recording of one line."""
    name = line.box or line.element
    if line.change:
        element = where.elements[name]
        keys = {k: v for k, v in line.change.items() if k in Element.__dataclass_fields__}
        box = {k: v for k, v in line.change.items() if k not in keys}
        element = replace(element, box=replace(element.box, **box), **keys)
        where = replace(where, elements={**where.elements, name: element})
    impulse = where.true_response(name, "front", rate_hz=RATE_HZ)
    if line.along:
        other, gain_db = line.along
        too = where.true_response(other, "front", rate_hz=RATE_HZ)
        both = np.zeros(max(impulse.size, too.size))
        both[: impulse.size] += impulse
        both[: too.size] += 10.0 ** (gain_db / 20.0) * too
        impulse = both
    played = line.before(sent(sweep)) if line.before else sent(sweep)
    if name.startswith("sub"):
        played = signal.sosfilt(SUB_LOW_PASS, played)
    played = line.after(played) if line.after else played
    sound = signal.oaconvolve(played, impulse)[: sent(sweep).size]
    sound = np.append(np.zeros(round(LATENCY_S * RATE_HZ)), sound)[: sent(sweep).size]
    noise = line.noise
    if snr_db is not None:
        # Re the half second in which the box is loudest: a sub plays in a part of the sweep only.
        rows = sound[: sound.size // (RATE_HZ // 2) * (RATE_HZ // 2)].reshape(-1, RATE_HZ // 2)
        level = np.sqrt(np.mean(rows**2, axis=1).max())
        if level > 0.0:
            noise = replace(noise, level_dbfs=20 * np.log10(level * np.sqrt(2.0)) - snr_db)
    rng = np.random.default_rng(seed)
    quiet_n = round(QUIET_S * RATE_HZ)
    whole = np.append(np.zeros(quiet_n), sound)
    whole = whole + noise.samples(whole, rate_hz=RATE_HZ, rng=rng)
    return whole[:quiet_n].astype(np.float32), whole[quiet_n:].astype(np.float32)


def heard(where, line, *, seed, snr_db=None, sweep=LINE_SWEEP):
    quiet, recording = recorded(where, line, seed=seed, snr_db=snr_db, sweep=sweep)
    return hear(
        recording,
        sent(sweep).astype(np.float32),
        rate_hz=RATE_HZ,
        sweep=sweep,
        quiet=quiet,
        element=line.element,
        partner=line.partner,
        latency_s=LATENCY_S,
    )
