"""A visit that is walked: takes of the demo's hall while the microphone is carried through it.

The recordings are real files of a real folder; what they are worth is judged against what the
hall's seats hear, that no take was made at.
"""

import json

import numpy as np
import pytest
import soundfile
import tomlkit
from typer.testing import CliRunner

from evenhall.acoustics.bands import BAND_COUNT, MID_BANDS, NOMINAL_HZ, log_frequency_mean
from evenhall.acoustics.stimulus import pink_noise
from evenhall.cli import app
from evenhall.errors import InputError
from evenhall.hall.path import walk_path
from evenhall.hall.setting import Audience
from evenhall.job.demo.folder import write_demo
from evenhall.job.demo.hall import (
    FIRST_ROW_M,
    HALL_LENGTH_M,
    HALL_WIDTH_M,
    LAST_ROW_M,
    MICROPHONE,
    SPEAKER_FROM_WALL_M,
    demo_hall,
    demo_way,
)
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.tuning import tune
from evenhall.report.views import evenness_view, response_view
from evenhall.sound.simulated.recorder import sloped_noise
from evenhall.sound.simulated.walking import place_response

RATE_HZ = 48_000
LEAD_S, LENGTH_S = 3.0, 30.0
PATH = walk_path(
    Audience(FIRST_ROW_M, LAST_ROW_M),
    length_m=HALL_LENGTH_M - SPEAKER_FROM_WALL_M,
    width_m=HALL_WIDTH_M,
)
PASSED = {spot: round(LEAD_S + LENGTH_S * share, 2) for spot, share in PATH.passes.items()}
NOISE = pink_noise(LENGTH_S, rate_hz=RATE_HZ, seed=2, level_dbfs=-20.0).astype(np.float32)
SILENCE = np.zeros(round(LEAD_S * RATE_HZ), np.float32)


def walk(side, *, card=None, seed=1):
    """Microphone and reference of a walk."""
    way = demo_way(side, rate_hz=RATE_HZ, length_s=LENGTH_S, card=card)
    heard = np.concatenate([SILENCE, *way(NOISE, 0)])
    noise = sloped_noise(heard.size, -5.0, rate_hz=RATE_HZ, rng=np.random.default_rng(seed))
    heard = heard + noise * 10.0 ** (-70.0 / 20.0) / np.std(noise)
    played = np.zeros(heard.size)
    played[SILENCE.size : SILENCE.size + NOISE.size] = NOISE
    return np.column_stack([heard, played])


def add(folder, name, samples, **fields):
    soundfile.write(folder / "takes" / name, samples, RATE_HZ, subtype="PCM_24")
    document = tomlkit.parse((folder / "job.toml").read_text())
    entry = tomlkit.table()
    entry.update({"file": f"takes/{name}", "spot": "walk", **fields})
    if "passed" in fields:
        entry["passed"] = tomlkit.inline_table()
        entry["passed"].update(fields["passed"])
    document["take"].append(entry)
    (folder / "job.toml").write_text(tomlkit.dumps(document))


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """Folder of the demo with a walk a side, and its result."""
    folder = tmp_path_factory.mktemp("walk") / "demo"
    write_demo(folder)
    for seed, side in enumerate(("left", "right")):
        add(folder, f"{side}-walk.wav", walk(side, seed=seed), side=side, reference_channel=2,
            walked_m=round(PATH.length_m, 1), passed=PASSED)  # fmt: skip
    return folder, tune(load_job(folder), folder)


@pytest.fixture(scope="module")
def unwalked(tmp_path_factory):
    folder = tmp_path_factory.mktemp("walk") / "demo"
    write_demo(folder)
    return tune(load_job(folder), folder)


def walks(result):
    return [take for take in result.takes if take.walk is not None]


def test_walk_is_measured_and_has_no_phase(walked):
    _, result = walked
    left, right = walks(result)
    for take in (left, right):
        assert take.usable
        assert take.problems == ()
        assert (take.delay_s, take.polarity, take.distance_m, take.clock_ppm) == (
            None,
            0,
            None,
            None,
        )
        assert sum(band.usable for band in take.bands) >= 26
        assert take.walk.length_m == round(PATH.length_m, 1)
        assert take.walk.pace_m_s == pytest.approx(PATH.length_m / LENGTH_S, rel=0.25)
        assert [row.share for row in take.walk.rows] == [0.1, 0.3, 0.5, 0.7, 0.9]
    # The right channel of the demo is 1.6 dB low.
    assert left.level_db - right.level_db == pytest.approx(1.6, abs=0.7)


def test_walk_tells_the_area_better_than_spots_alone(walked, unwalked):
    # Where nobody measured: forty places over the rows, by the hall in which the walk was made.
    _, result = walked
    hall, rng = demo_hall(), np.random.default_rng(5)
    n_fft = 1 << 16
    levels = []
    for _ in range(40):
        place = (
            SPEAKER_FROM_WALL_M + rng.uniform(FIRST_ROW_M, LAST_ROW_M),
            rng.uniform(0.8, HALL_WIDTH_M - 0.8),
            1.2,
        )
        power = 0.0
        for side in ("left", "right"):
            source = hall.source(side, rate_hz=RATE_HZ)
            heard = place_response(hall.room, source, place, rate_hz=RATE_HZ)
            power = power + log_frequency_mean(
                np.abs(np.fft.rfft(heard, n_fft)) ** 2, spacing_hz=RATE_HZ / n_fft
            )
        level = 10.0 * np.log10(power)
        levels.append(level - level[MID_BANDS].mean())
    points_hz, points_db = np.transpose(MICROPHONE.deviation)
    deviation = np.interp(np.log(NOMINAL_HZ), np.log(points_hz), points_db)
    true = np.mean(levels, axis=0) - deviation
    judged = (NOMINAL_HZ >= 63) & (NOMINAL_HZ <= 12_500)

    def error_db(found):
        area = {band.hz: band.before_db for band in found.forecast.bands}
        strays = np.array([area.get(hz, np.nan) for hz in NOMINAL_HZ.tolist()]) - true
        strays = strays[judged] - strays[judged].mean()
        return float(np.sqrt(np.mean(strays**2)))

    assert error_db(result) <= 0.7 * error_db(unwalked)
    assert error_db(result) <= 1.0
    # And it says so beforehand, and afterwards.
    foretold = unwalked.forecast
    assert foretold.seat_doubt_walked_db < 0.6 * foretold.seat_doubt_db
    assert result.forecast.seat_doubt_db == pytest.approx(foretold.seat_doubt_walked_db, abs=0.1)
    assert result.forecast.seat_doubt_walked_db is None
    assert result.forecast.seat_doubt_spots_db == pytest.approx(foretold.seat_doubt_db, abs=0.1)
    assert foretold.seat_doubt_spots_db is None


def test_walk_is_asked_for_where_it_brings_much_and_no_longer_once_made(walked, unwalked):
    asked = [move for move in unwalked.moves if move.text.startswith("Walk the rows")]
    assert len(asked) == 1
    assert asked[0].expected["seat_doubt_db"] < asked[0].expected["was_db"]
    _, result = walked
    assert not any(move.text.startswith("Walk the rows") for move in result.moves)


def test_walk_draws_rows_and_a_curve(walked):
    folder, result = walked
    view = evenness_view(result, "before")
    labels = [row.label for row in view.sides[0].rows]
    assert labels == ["front", "middle", "back", *(f"walk {k} of 5" for k in range(1, 6))]
    at_1k = view.band_hz.index(1000.0)
    front, back = (view.sides[0].rows[k].level_db[at_1k] for k in (3, 7))
    assert front > back
    assert [curve.name for curve in response_view(result, load_job(folder)).walks] == ["walk", ""]


def test_walk_after_the_card_is_the_proof(walked):
    folder, result = walked
    card = {
        side: {fader.hz: fader.fader_db for fader in faders if fader.fader_db}
        for side, faders in result.card.items()
    }
    for seed, side in enumerate(("left", "right")):
        add(folder, f"{side}-after.wav", walk(side, card=card, seed=20 + seed), side=side,
            reference_channel=2, state="after")  # fmt: skip
    proof = tune(load_job(folder), folder).proof
    assert proof.holds
    assert proof.takes == 2
    assert proof.forecast_error_db <= 0.7


def test_recorder_in_the_hand_and_walks_alone_make_a_card(tmp_path):
    # One channel, begun by hand, and the file that was played; no spot was measured at all.
    (tmp_path / "takes").mkdir()
    soundfile.write(tmp_path / "stimulus.wav", NOISE, RATE_HZ, subtype="PCM_24")
    (tmp_path / "job.toml").write_text(
        '[venue]\nname = "Hall"\n[reference]\nfile = "stimulus.wav"\n[rig]\nsides = '
        '["left", "right"]\n[[take]]\nfile = "takes/both-walk.wav"\nside = "both"\nspot = "walk"\n'
    )
    heard = walk("both")[:, 0]
    soundfile.write(tmp_path / "takes" / "both-walk.wav", heard, RATE_HZ, subtype="PCM_24")
    ran = CliRunner().invoke(app, ["tune", str(tmp_path), "--date", "2026-11-30"])
    assert ran.exit_code == 0, ran.output
    found = json.loads((tmp_path / "out" / "result.json").read_text())
    (take,) = found["takes"]
    assert take["usable"]
    assert take["walk"]["rows"] == []
    assert any(fader["fader_db"] for fader in found["card"]["both"])
    assert found["evenness"] is None
    assert found["match"] is None
    # The demo booms at 250 Hz and is harsh at 3150 Hz.
    below = {fader["hz"]: fader["fader_db"] for fader in found["card"]["both"]}
    assert below[250.0] < -1.0
    assert below[3150.0] < -1.0
    assert len(take["bands"]) == BAND_COUNT


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('spot = "front"\nwalked_m = 20.0', 'walked_m is of a walk. Give spot = "walk"'),
        ('spot = "front"\npassed = {front = 3.0}', 'passed is of a walk. Give spot = "walk"'),
        ('spot = "walk"\nat = "stage"', 'at = "stage". Leave at out'),
        ('spot = "walk"\npassed = {front = "soon"}', "passed"),
        ('spot = "walk"\nwalked_m = 0.0', "1 to 2000 metres"),
        ('spot = "walk"\npassed = {front = 20.0, back = 4.0}', "the front first"),
    ],
)
def test_wrong_fields_of_a_walk_are_said_in_a_line(tmp_path, line, words):
    soundfile.write(tmp_path / "a.wav", np.zeros((48_000, 2)), RATE_HZ)
    (tmp_path / "job.toml").write_text(
        '[venue]\nname = "Hall"\n[[take]]\nfile = "a.wav"\nside = "left"\nreference_channel = 2\n'
        f"{line}\n"
    )
    with pytest.raises(InputError, match=r"job\.toml") as error:
        load_job(tmp_path)
    assert len(error.value.faults) == 1
    assert words in error.value.faults[0]
