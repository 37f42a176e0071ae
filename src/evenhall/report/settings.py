"""What stood where, and what somebody wrote down: what the next visit starts from."""

from __future__ import annotations

from collections.abc import Sequence

from evenhall.job.folder.reading import Job
from evenhall.job.tune.result import Result
from evenhall.report.point import Point, short
from evenhall.words import listed

__all__ = ["noted", "rig_and_settings"]


def noted(notes: Sequence[tuple[str, str]]) -> tuple[Point, ...]:
    """Say what somebody wrote down, place by place, all of it."""
    return tuple(
        Point(short(where), " ".join(text.split())) for where, text in notes if text.strip()
    )


def rig_and_settings(result: Result, job: Job) -> tuple[Point, ...]:
    """Say what stood where, so that the next visit can start from it."""
    venue, audience, rig, unit = job.venue, job.audience, job.rig, job.equalizer
    size = [f"{side:g}" for side in (venue.length_m, venue.width_m, venue.height_m) if side]
    room = [f"{' × '.join(size)} m" if len(size) == 3 else "size not given"]
    room.append(f"{venue.temperature_c:g} °C, {venue.humidity_pct:g} % humidity")
    if venue.rt60_s is not None:
        room.append(f"reverberation {venue.rt60_s:g} s")
    rows = f"ears at {audience.ear_height_m:g} m"
    if audience.first_row_m is not None and audience.last_row_m is not None:
        rows = f"rows from {audience.first_row_m:g} to {audience.last_row_m:g} m, {rows}"
    boxes = [", ".join(rig.sides)]
    if rig.speaker_height_m is not None:
        boxes.append(f"at {rig.speaker_height_m:g} m, {rig.speaker_down_deg:g}° down")
    boxes.append(f"covering {rig.coverage_h_deg:g}° × {rig.coverage_v_deg:g}°")
    if rig.low_limit_hz is not None:
        boxes.append(f"low limit {rig.low_limit_hz:g} Hz")
    count = unit.bands if isinstance(unit.bands, int) else len(unit.bands)
    step = f"steps of {unit.step_db:g} dB" if unit.step_db else "continuous"
    faders = (
        f"{count} faders, {unit.response}, ±{unit.range_db:g} dB, {step}, "
        f"raised at most {unit.max_boost_db:g} dB"
    )
    used = sum(take.usable for take in result.takes)
    calibration = job.microphone.calibration
    takes = f"{used} of {len(result.takes)} usable; {_walked(result)}microphone " + (
        f"calibrated by {calibration}" if calibration else "without a calibration file"
    )
    shown = (
        ("Room", "; ".join(room)),
        ("Audience", rows),
        ("Loudspeakers", "; ".join(boxes)),
        ("Equalizer", faders),
        ("Target", result.target.shape),
        ("Takes", takes),
    )
    return tuple(Point(head, short(body)) for head, body in shown)


def _walked(result: Result) -> str:
    """Say with what the rows were walked."""
    walks = {take.side: take.walk for take in result.takes if take.walk and take.usable}
    lengths = [walk.length_m for walk in walks.values() if walk and walk.length_m is not None]
    if not lengths:
        return ""
    return f"walked {max(lengths):.0f} m with {listed(list(walks))}; "
