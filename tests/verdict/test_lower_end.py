"""Nothing is said of, or asked from, what the rig does not play: high-passes, subs or not."""

import re

import numpy as np
import pytest
from scipy import signal

from evenhall.acoustics.bands import EXACT_HZ, NOMINAL_HZ
from verdict.builders import judged, take

RATE_HZ = 48_000
ROOM_NOISE_DB = -25.0


def hall(rng, high_pass_hz, slope_db):
    """A direct sound and a diffuse decay, through a Butterworth high-pass."""
    rt60_s = rng.uniform(0.5, 1.2)
    tail = rng.normal(size=30_000) * 10.0 ** (-3.0 * np.arange(30_000) / (rt60_s * RATE_HZ))
    tail[:240] = 0.0
    impulse = np.concatenate([np.zeros(480), tail / np.sqrt(np.square(tail).sum())])
    impulse[480] += 1.0
    order = slope_db // 6
    through = signal.butter(order, high_pass_hz, "high", fs=RATE_HZ, output="sos")
    return signal.sosfilt(through, impulse)


def level_db(impulse):
    """Mean power of each band, on a fine spectrum."""
    power = np.square(np.abs(np.fft.rfft(impulse, 1 << 17)))
    edges = np.searchsorted(
        np.fft.rfftfreq(1 << 17, 1 / RATE_HZ),
        np.outer(EXACT_HZ, [10**-0.05, 10**0.05]).ravel(),
    )
    return 10.0 * np.log10(np.add.reduceat(power, edges)[::2] / np.diff(edges)[::2])


def verdict_behind(high_pass_hz, slope_db, seed, *, with_subs=False, **setting):
    rng = np.random.default_rng(seed)
    modes_db = np.where(EXACT_HZ < 120.0, rng.normal(0.0, 3.0, 31), 0.0)
    modes_db[(NOMINAL_HZ > 190.0) & (NOMINAL_HZ < 330.0)] += 7.0  # something to speak of
    takes = []
    for side in ("left", "right"):
        for place, spot in enumerate(("front", "middle", "back")):
            impulse = hall(rng, high_pass_hz, slope_db)
            power = 10.0 ** ((level_db(impulse) + modes_db) / 10.0)
            power += 10.0 ** ((ROOM_NOISE_DB + rng.normal(0.0, 1.0, 31)) / 10.0)
            takes.append(
                take(
                    10.0 * np.log10(power),
                    side=side,
                    spot=spot,
                    distance_m=3.0 + 4.0 * place,
                    impulse=impulse,
                    arrival_s=0.01,
                    with_subs=with_subs,
                )
            )
    return judged(*takes, **setting)


def ends_hz(high_pass_hz, slope_db):
    """Where a Butterworth high-pass is 10 dB down, closed form."""
    return high_pass_hz * 9.0 ** (-3.0 / slope_db)


def spoken_hz(verdict):
    """Every band that a sentence of worklist and patterns names, but where the boxes end."""
    texts = [move.text for move in verdict.moves if "as stated" not in move.text]
    texts += [pattern.why for pattern in verdict.patterns]
    return [float(hz) for text in texts for hz in re.findall(r"(\d+(?:\.\d+)?) Hz", text)]


@pytest.mark.parametrize(
    ("high_pass_hz", "slope_db", "setting"),
    [
        (32.0, 24, {"with_subs": True}),
        (32.0, 48, {"low_limit_hz": 20.0}),
        (45.0, 12, {}),
        (45.0, 24, {"low_limit_hz": 25.0}),
        (60.0, 48, {"with_subs": True}),
        (80.0, 24, {"low_limit_hz": 40.0}),
        (80.0, 48, {}),
    ],
)
def test_no_sentence_fader_or_count_is_of_a_band_under_the_high_pass(
    high_pass_hz, slope_db, setting
):
    verdict = verdict_behind(high_pass_hz, slope_db, 1000 + int(high_pass_hz), **setting)
    below = 0.95 * ends_hz(high_pass_hz, slope_db)
    assert spoken_hz(verdict)
    assert min(spoken_hz(verdict)) > below
    raised = verdict.card.solutions.get("both") or verdict.card.solutions["left"]
    assert not np.any(raised.fader_db[below > NOMINAL_HZ] > 0.0)
    assert not verdict.evenness.judged[below > NOMINAL_HZ].any()
    assert not verdict.area.in_range[below > NOMINAL_HZ].any()
