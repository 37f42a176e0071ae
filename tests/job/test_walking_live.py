"""A walk recorded through JACK: on the way the microphone hears one response after another."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import rooms
from evenhall.acoustics.bands import NOMINAL_HZ, log_frequency_mean
from evenhall.errors import InputError
from evenhall.job.folder.reading import load_job
from evenhall.job.live.taking import WALK_LEAD_S, Order, record_into_folder
from evenhall.job.live.watch import Progress, Walking, Watch
from evenhall.sound.live.open_devices import CEILING_DBFS
from evenhall.sound.live.session import Live
from evenhall.sound.live.setup import SoundSetup
from jackroom import JackRoom, jack_tests

pytestmark = jack_tests("walking")

CARRIED = Path(__file__).parents[1] / "carried.py"
RATE_HZ = 48_000
PLACES, LENGTH_S = 16, 20.0
STEP_S = 0.25  # at each place


def response(seed):
    """One place of a small hall, 0.2 m farther than the last: early and late sound of its own."""
    found = np.append(np.zeros(28 * seed), rooms.hall(RATE_HZ, 0.4, seed)[:15_000])
    return 0.25 * found / np.linalg.norm(found)


RESPONSES = [response(seed) for seed in range(PLACES)]
CABLE = np.eye(1, 64)[0]
# What `carried.py` hears on its way comes back as input 2, and is the microphone's channel; the
# reference is a cable.
CABLES = {(1, PLACES + 1): CABLE, (2, PLACES + 2): CABLE}
PATHS = {(1, k): one for k, one in enumerate(RESPONSES, 1)} | CABLES
SETUP = SoundSetup(
    "hall",
    "hall",
    reference="cable",
    mic_channel=PLACES + 2,
    reference_channel=PLACES + 1,
    output_channels=(1,),
)
JOB = """\
[venue]
name = "Hall"
length_m = 12.0
width_m = 8.0
[audience]
first_row_m = 2.0
last_row_m = 9.0
[rig]
sides = ["left", "right"]
"""


class Walker(Watch):
    """Says when the middle is passed."""

    def __init__(self):
        self.walking, self.elapsed_s = None, 0.0

    def tell(self, news):
        if isinstance(news, Walking):
            self.walking = news
        elif isinstance(news, Progress):
            self.elapsed_s = news.elapsed_s

    def passed(self):
        return {"middle": 6.5}


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with JackRoom(tmp_path_factory.mktemp("jack"), PATHS, rate_hz=RATE_HZ, period=1024) as running:
        running.run_client(CARRIED, PLACES, STEP_S)
        running._wait_for("carried:out")
        for k in range(1, PLACES + 1):
            running.connect(f"hall:out_{k}", f"carried:in_{k}")
        running.connect("carried:out", "hall:in_2")
        yield running


@pytest.fixture(autouse=True)
def in_room(room, monkeypatch):
    monkeypatch.setenv("JACK_DEFAULT_SERVER", room.server_name)


def test_walk_is_recorded_true_and_listed(room, tmp_path):
    folder = tmp_path / "hall"
    folder.mkdir()
    (folder / "job.toml").write_text(JOB)
    watch = Walker()
    order = Order(side="left", spot="walk", length_s=LENGTH_S)
    with Live(SETUP) as live:
        taken = record_into_folder(folder, order, live, ceiling_dbfs=CEILING_DBFS, watch=watch)
    assert taken.usable, [problem.text for problem in taken.problems]
    # All places for as long: the mean of their powers.
    n_fft = 1 << 16
    power = np.mean([np.abs(np.fft.rfft(one, n_fft)) ** 2 for one in RESPONSES], axis=0)
    true_db = 10.0 * np.log10(log_frequency_mean(power, spacing_hz=RATE_HZ / n_fft))
    judged = (NOMINAL_HZ >= 250) & (NOMINAL_HZ <= 12_500)
    assert np.abs(taken.take.level_db - true_db)[judged].max() <= 0.7
    assert np.mean(np.abs(taken.take.level_db - true_db)[judged]) <= 0.3
    walked = taken.take.walked
    assert walked.noise_known
    assert walked.sounded_s == pytest.approx(LENGTH_S, abs=0.5)
    assert walked.start_s == pytest.approx(WALK_LEAD_S, abs=0.2) or walked.start_s <= 0.2
    (listed,) = load_job(folder).takes
    assert (listed.file, listed.spot, listed.reference_channel) == (
        "takes/left-walk.wav",
        "walk",
        2,
    )
    assert listed.walked_m == pytest.approx(watch.walking.path.length_m, abs=0.1)
    assert listed.passed["middle"] == 6.5
    assert listed.passed["front"] == WALK_LEAD_S
    assert WALK_LEAD_S < listed.passed["back"] < WALK_LEAD_S + LENGTH_S


def test_sweep_is_no_walk_and_nothing_is_played(room, tmp_path):
    with Live(SETUP) as live, pytest.raises(InputError, match="A walk needs noise"):
        record_into_folder(
            tmp_path / "hall",
            Order(side="left", spot="walk", kind="sweep"),
            live,
            ceiling_dbfs=CEILING_DBFS,
            watch=Watch(),
        )
