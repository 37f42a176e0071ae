"""The line check's round: one element after the other, quiet and then a sweep.

Start at `check_round()`. What was heard is judged in `verdict.linecheck`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from evenhall.acoustics.stimulus import Sweep, exponential_sweep
from evenhall.acoustics.transfer import transfer_function
from evenhall.errors import DeviceError, InputError
from evenhall.job.live.taking import element_band_hz
from evenhall.job.live.watch import Solo, Watch, progress_to
from evenhall.sound.live.capture import Captured, capture
from evenhall.sound.live.open_devices import OpenDevices
from evenhall.verdict.line.check import Finding, check_line
from evenhall.verdict.line.element import ANSWER_S, LINE_SWEEP, QUIET_S, Heard, hear

__all__ = ["Soloed", "check_round", "elements_of", "line_sweep"]

LEVEL_DBFS = -26.0  # of a sweep: one tone at a time strains a driver more than noise
SIDES = ("left", "right")
TRIES = 3  # a sweep with a gap in it says nothing


@dataclass(frozen=True)
class Soloed:
    """Something that is soloed for a sweep, and the other of its pair."""

    name: str
    partner: str | None


def elements_of(names: Sequence[str]) -> tuple[Soloed, ...]:
    """Elements of a round, each pair together, the left one first.

    Parameters
    ----------
    names : sequence of str
        Such as left, right, sub left, sub right, delay.

    Raises
    ------
    InputError
        None is named, or one twice.

    Examples
    --------
    >>> [(one.name, one.partner) for one in elements_of(["sub", "right", "left"])]
    [('left', 'right'), ('right', 'left'), ('sub', None)]
    """
    plain = [" ".join(name.lower().split()) for name in names]
    if not plain or "" in plain:
        raise InputError("Name the elements to check, such as: left right sub")
    twice = sorted({name for name in plain if plain.count(name) > 1})
    if twice:
        raise InputError(f'"{twice[0]}" is named twice. Name each element once.')
    elements: list[Soloed] = []
    pairs: list[Soloed] = []
    for name in plain:
        partner = _other_side(name)
        if partner == name or partner not in plain:
            elements.append(Soloed(name, None))
        elif SIDES[0] in name.split():
            pairs += [Soloed(name, partner), Soloed(partner, name)]
    return (*pairs, *elements)


def _other_side(name: str) -> str:
    swap = dict(zip(SIDES, SIDES[::-1], strict=True))
    return " ".join(swap.get(word, word) for word in name.split())


def line_sweep(element: str, *, low_limit_hz: float | None) -> Sweep:
    """Sweep for an element: as quick as any, within the band that the element may be given."""
    low_hz, high_hz = element_band_hz(element, low_limit_hz=low_limit_hz)
    low_hz, high_hz = max(low_hz, LINE_SWEEP.low_hz), min(2.0 * high_hz, LINE_SWEEP.high_hz)
    wanted = replace(LINE_SWEEP, low_hz=low_hz, high_hz=high_hz)
    return replace(wanted, duration_s=LINE_SWEEP.duration_s * LINE_SWEEP.octave_s / wanted.octave_s)


def check_round(
    live: OpenDevices,
    elements: Sequence[Soloed],
    *,
    low_limit_hz: float | None,
    watch: Watch,
) -> tuple[Finding, ...] | None:
    """Lead through the elements and judge what was heard.

    Parameters
    ----------
    live : OpenDevices
        Open devices with one clock; the microphone does not move between the two of a pair, and
        stands nearer the left one.
    low_limit_hz : float or None
        Lower limit of the mains, where it is known.

    Returns
    -------
    tuple of Finding, or None where nothing was heard because the person stopped.

    Raises
    ------
    DeviceError
        The devices cannot serve, or are gone.
    """
    if not live.setup.plays or not live.one_clock:
        raise DeviceError(
            "The line check needs one device that both plays and records. Choose one "
            "with `evenhall devices --device NAME --reference inside`, or cable."
        )
    heard: list[Heard] = []
    absolute = False
    for element in elements:
        if watch.ask(Solo(element.name)) == "end":
            break
        sweep = line_sweep(element.name, low_limit_hz=low_limit_hz)
        for _ in range(TRIES):
            quiet = capture(live, length_s=QUIET_S, stop_wanted=watch.stop_wanted)
            captured = _play(live, sweep, watch) if quiet.ended == "finished" else quiet
            if captured.ended == "stopped" or not captured.lost:
                break
        if captured.ended == "stopped":
            break
        if captured.lost:
            raise DeviceError(
                f"Sound was lost whenever {element.name} played. Close other programs, and check "
                "again."
            )
        latency_s = _latency_s(live, captured)
        absolute = latency_s is not None
        start = int(np.flatnonzero(captured.sent)[0])
        heard.append(
            hear(
                captured.microphone[start:],
                captured.sent[start:],
                rate_hz=live.rate_hz,
                sweep=sweep,
                quiet=quiet.microphone,
                element=element.name,
                partner=element.partner,
                latency_s=latency_s or 0.0,
            )
        )
    return check_line(heard, delay_is_absolute=absolute) if heard else None


def _play(live: OpenDevices, sweep: Sweep, watch: Watch) -> Captured:
    signal = exponential_sweep(
        sweep.duration_s,
        rate_hz=live.rate_hz,
        level_dbfs=LEVEL_DBFS,
        low_hz=sweep.low_hz,
        high_hz=sweep.high_hz,
        lead_s=sweep.lead_s,
    )
    length_s = signal.size / live.rate_hz
    return capture(
        live,
        signal,
        length_s=length_s,
        tail_s=ANSWER_S,
        on_block=progress_to(watch, rate_hz=live.rate_hz, length_s=length_s, channels=1),
        stop_wanted=watch.stop_wanted,
    )


def _latency_s(live: OpenDevices, captured: Captured) -> float | None:
    """Time from what was sent to the cable that hears it, or as it was measured before."""
    if live.setup.reference != "cable":
        return live.setup.latency_s
    assert captured.reference is not None, "a cable shares the microphone's clock"
    cable = transfer_function(captured.reference, captured.sent, rate_hz=live.rate_hz)
    if cable is None or cable.match_score < 1.0 or not np.isfinite(cable.delay_s):
        return None
    return cable.delay_s
