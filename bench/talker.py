"""Holds speech index and gain before feedback against closed forms, a library, simulated halls.

Closed forms: decays of Gaussian noise read as impulse responses, ten a row. Second library:
pyrato's index of the same responses, and the time both take. Takes: pink noise recorded in the
simulated hall, the index of the measured response against that of the true one. Forecast:
rows of random simulated halls (their own loudspeaker model, image sources and all) against
`clarity_by_row()`, which knows size, reverberation time, nominal angles and the rows alone.

    OMP_NUM_THREADS=1 python bench/talker.py
"""

from __future__ import annotations

import platform
import time
import warnings

import numpy as np
import pyfar as pf
import pyrato

from evenhall.acoustics.intelligibility import (
    impulse_modulation,
    room_modulation,
    speech_transmission_index,
)
from evenhall.acoustics.stimulus import pink_noise
from evenhall.acoustics.transfer import transfer_function
from evenhall.acoustics.voice import hearing_factor, speech_db
from evenhall.hall.clarity import clarity_by_row
from evenhall.hall.feedback import Microphone, acoustic_gain
from evenhall.hall.gain_steps import gain_steps
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.sound import simulated

RATE_HZ = 48_000
RESPONSES, HALLS, TAKES = 10, 40, 12
OCTAVES = np.array([63, 125, 250, 500, 1000, 2000, 4000, 8000.0])


def sti(impulse, factor=1.0):
    """Index of a response; noise and hearing are left out without their factor."""
    modulation = impulse_modulation(impulse, rate_hz=RATE_HZ)
    return speech_transmission_index(modulation, factor=factor)


def timed(call):
    """Return the answer and the milliseconds it took."""
    start = time.perf_counter()
    answer = call()
    return answer, 1e3 * (time.perf_counter() - start)


def closed_forms():
    """Decaying noise against its closed form and pyrato, a row a reverberation time."""
    print("T s   closed   ours    pyrato   spread  ours ms  pyrato ms   ratio (10 to 90 %)")
    for decay_s in (0.3, 0.5, 1.0, 2.0, 3.0):
        closed = speech_transmission_index(
            room_modulation(np.zeros(7), np.ones(7), np.full(7, decay_s))
        )
        rows = []
        time_s = np.arange(round(max(1.6, 1.2 * decay_s) * RATE_HZ)) / RATE_HZ
        for seed in range(RESPONSES):
            rng = np.random.default_rng(seed)
            impulse = rng.normal(size=time_s.size) * 10.0 ** (-3.0 * time_s / decay_s)
            ours, ours_ms = timed(lambda h=impulse: sti(h))
            theirs, theirs_ms = timed(
                lambda h=impulse: pyrato.parameters.speech_transmission_index_indirect(
                    pf.Signal(h, RATE_HZ), rir_type="electrical"
                ).item()
            )
            rows.append((ours, theirs, ours_ms, theirs_ms, ours_ms / theirs_ms))
        ours, theirs, ours_ms, theirs_ms, ratio = np.array(rows).T
        print(
            f"{decay_s:3.1f}  {closed:7.4f} {ours.mean():7.4f} {theirs.mean():8.4f} "
            f"{ours.std():8.4f} {np.median(ours_ms):8.0f} {np.median(theirs_ms):9.0f} "
            f"{np.median(ratio):9.2f} ({np.quantile(ratio, 0.1):.2f} to "
            f"{np.quantile(ratio, 0.9):.2f})"
        )


def random_hall(rng):
    """Draw a hall with one loudspeaker at its front and five rows before it."""
    length_m, width_m, height_m = rng.uniform((12, 7, 3.5), (24, 14, 6))
    mid_s = rng.uniform(0.5, 2.0)
    # More in the bass than in the treble, as halls are.
    rt60_s = tuple(mid_s * np.interp(np.log2(OCTAVES), np.log2([63, 500, 8000]), [1.3, 1.0, 0.7]))
    speaker = Loudspeaker(rng.uniform(1.8, height_m - 0.8), rng.uniform(0, 12), 90.0, 60.0)
    audience = Audience(2.5, length_m - 3.5)
    rows_m = np.linspace(audience.first_row_m, audience.last_row_m, 5)
    across_m = width_m * rng.uniform(0.25, 0.4)
    hall = simulated.SimulatedHall(
        room=simulated.Room(length_m, width_m, height_m, rt60_s=rt60_s, seed=int(rng.integers(99))),
        elements={
            "left": simulated.Element(
                simulated.Box(), (1.0, across_m, speaker.height_m), down_deg=speaker.down_deg
            )
        },
        spots={
            f"row {k}": (1.0 + row_m, across_m + 0.2, audience.ear_height_m)
            for k, row_m in enumerate(rows_m)
        },
    )
    return hall, speaker, Room(length_m, width_m, height_m, rt60_s=mid_s), audience, rows_m


def forecasts():
    """Forecast against simulated rows."""
    errors, back, falls = [], [], []
    # The forecast hears at 65 dB(A); both are held without noise.
    heard = hearing_factor(speech_db(65.0), np.full(7, -np.inf))
    for seed in range(HALLS):
        hall, speaker, room, audience, rows_m = random_hall(np.random.default_rng(seed))
        true = np.array(
            [sti(hall.true_response("left", spot, rate_hz=RATE_HZ), heard) for spot in hall.spots]
        )
        forecast = clarity_by_row(speaker, room, audience, row_m=rows_m)
        quiet = np.array([row.quiet_sti for row in forecast.speech])
        errors.append(quiet - true)
        back.append(quiet[-1] - true[-1])
        falls.append((quiet[0] - quiet[-1]) - (true[0] - true[-1]))
    for name, error in (
        ("all rows", np.concatenate(errors)),
        ("last row", np.array(back)),
        ("first row less last", np.array(falls)),
    ):
        print(
            f"{name:20s} mean {error.mean():+.3f}, 9 in 10 within "
            f"{np.quantile(np.abs(error), 0.9):.3f}, worst {np.abs(error).max():.3f}, "
            f"within 0.1: {np.mean(np.abs(error) <= 0.1):.0%}"
        )


def takes():
    """Index of measured responses against that of true ones, pink noise of 12 s."""
    stimulus = pink_noise(12.0, rate_hz=RATE_HZ, seed=1)
    errors, unknown = [], 0
    for seed in range(TAKES):
        hall, *_ = random_hall(np.random.default_rng(100 + seed))
        spot = f"row {seed % 5}"
        samples, rate_hz = hall.take("left", spot, stimulus, rate_hz=RATE_HZ, seed=seed)
        response = transfer_function(
            samples[:, 0].astype(np.float32), samples[:, 1].astype(np.float32), rate_hz=rate_hz
        )
        found, true = sti(response.impulse), sti(hall.true_response("left", spot, rate_hz=RATE_HZ))
        if np.isnan(found):
            unknown += 1
        else:
            errors.append(found - true)
    error = np.array(errors)
    print(
        f"{error.size} takes known, {unknown} not: mean {error.mean():+.4f}, "
        f"worst {np.abs(error).max():.4f}"
    )


def feedback():
    """Print what a forecast costs."""
    scene = (
        Microphone(1.0, 2.0, open_count=3),
        Loudspeaker(2.2, 5.0),
        Room(18.0, 10.0, 4.5, rt60_s=0.9),
        Audience(2.0, 14.0),
    )
    for name, call in (
        ("acoustic_gain", lambda: acoustic_gain(*scene)),
        ("gain_steps", lambda: gain_steps(*scene, max_height_m=3.0)),
        ("clarity_by_row", lambda: clarity_by_row(*scene[1:])),
    ):
        call()
        print(f"{name}: {np.median([timed(call)[1] for _ in range(15)]):.1f} ms")


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    print(f"{platform.machine()}, Python {platform.python_version()}, numpy {np.__version__}")
    closed_forms()
    print("\nTakes")
    takes()
    print(f"\nForecast, {HALLS} halls, five rows each")
    forecasts()
    print()
    feedback()
