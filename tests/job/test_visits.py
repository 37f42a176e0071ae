"""Visits of other shapes than left and right at three spots: each gives a sensible result."""

import json

import numpy as np
import pytest
import scipy.signal
import soundfile

from evenhall.acoustics.stimulus import pink_noise
from evenhall.job.tune.result import Result, to_json
from job.folders import RATE_HZ, Folder, heard, played, room, two_channels, with_peaks

PEAKS = ((250.0, 6.0, 2.0),)
DELAY_S = {"front": 0.009, "middle": 0.022, "back": 0.037}
OTHER = {"rate_hz": RATE_HZ, "seed": 8, "level_dbfs": -20.0}  # noise that `played()` is not


@pytest.fixture
def folder(tmp_path) -> Folder:
    return Folder(tmp_path)


def add(
    folder: Folder,
    side: str,
    spot: str,
    seed: int,
    *,
    impulse=None,
    fields: str = "",
    duration_s: float = 3.0,
):
    if impulse is None:
        impulse = room(seed, reverberant=0.008, delay_s=DELAY_S[spot])
    reference = played(duration_s)
    sound = two_channels(heard(reference, with_peaks(impulse, PEAKS), seed=seed), reference)
    folder.add(
        sound,
        f"{side}-{spot}.wav",
        side=side,
        spot=spot,
        fields=f"reference_channel = 2\n{fields}",
    )


def tuned(folder: Folder) -> dict:
    """The result as a reader of result.json meets it; it must read back as an equal one."""
    result = folder.tune()
    raw = to_json(result)
    assert Result.model_validate_json(raw) == result
    return json.loads(raw)


def fader_db(result: dict, hz: float, side: str = "both") -> float:
    (found,) = [fader["fader_db"] for fader in result["card"][side] if fader["hz"] == hz]
    return found


def test_one_spot_of_one_loudspeaker(folder):
    add(folder, "left", "front", 1)
    result = tuned(folder)
    assert result["evenness"] is None
    assert result["match"] is None
    assert result["proof"] is None
    assert set(result["card"]) == {"both"}
    # From one place nothing can be told apart from chance, and nothing is called so.
    assert not any(pattern["certain"] for pattern in result["patterns"])
    assert all(pattern["scope"] == "common" for pattern in result["patterns"])
    assert all(pattern["spots"] == ["front"] for pattern in result["patterns"])


def test_what_one_spot_can_show_by_chance_leaves_the_equalizer_flat(folder):
    add(folder, "left", "front", 1)
    result = tuned(folder)
    faders = result["card"]["both"]
    assert all((fader["fader_db"], fader["order"]) == (0.0, None) for fader in faders)
    assert result["card_steps"] == []
    forecast = result["forecast"]
    assert forecast["seat_after_db"] == forecast["seat_before_db"]
    assert all(abs(band["after_db"] - band["before_db"]) < 0.02 for band in forecast["bands"])
    (flat,) = [move for move in result["moves"] if "EQ flat" in move["text"]]
    assert flat["kind"] == "leave"
    assert flat["text"].startswith("Leave the EQ flat. Seats are ")


def test_one_spot_is_enough_for_what_chance_cannot_show(folder):
    impulse = with_peaks(room(1, reverberant=0.008, delay_s=DELAY_S["front"]), ((250.0, 9.0, 2.0),))
    add(folder, "left", "front", 1, impulse=impulse)
    result = tuned(folder)
    gain_db = {b["hz"]: b["after_db"] - b["before_db"] for b in result["forecast"]["bands"]}
    assert gain_db[250.0] - gain_db[1000.0] < -4.0
    assert result["forecast"]["seat_after_db"] < result["forecast"]["seat_before_db"] - 0.3


def test_left_alone_at_three_spots(folder):
    for k, spot in enumerate(("front", "middle", "back")):
        add(folder, "left", spot, k)
    result = tuned(folder)
    assert result["match"] is None
    assert list(result["evenness"]["sides"]) == ["left"]
    assert result["evenness"]["bands"] == result["evenness"]["sides"]["left"]
    # The build-up goes down against what lies an octave beside it: the level is free.
    beside_db = 0.5 * (fader_db(result, 125.0) + fader_db(result, 500.0))
    assert fader_db(result, 250.0) - beside_db < -2.5
    assert "copy them to the other side" not in result["moves"][-1]["text"]


def test_mono_at_two_spots(folder):
    add(folder, "mono", "front", 1)
    add(folder, "mono", "back", 2)
    result = tuned(folder)
    assert list(result["evenness"]["sides"]) == ["mono"]
    assert result["match"] is None
    assert result["forecast"] is not None
    assert {spot["side"] for spot in result["forecast"]["spots"]} == {"mono"}


def sub() -> np.ndarray:
    low_pass = scipy.signal.butter(4, 100.0, fs=RATE_HZ, output="sos")
    return scipy.signal.sosfilt(low_pass, room(3, reverberant=0.005))


def test_sub_alone_has_levels_and_no_card(folder):
    add(folder, "sub", "front", 3, impulse=sub(), duration_s=8.0)
    result = tuned(folder)
    (take,) = result["takes"]
    assert take["usable"]
    assert take["problems"] == []
    assert all(band["usable"] for band in take["bands"] if 40.0 <= band["hz"] <= 160.0)
    for name in ("evenness", "match", "forecast", "proof"):
        assert result[name] is None
    assert result["card"] == {}
    assert result["patterns"] == []
    assert all(move["kind"] != "equalize" for move in result["moves"])


def test_sub_in_the_noise_of_a_hall_is_recognized(folder):
    reference = played(8.0)
    microphone = heard(reference, with_peaks(sub(), PEAKS), seed=3, noise_db=-100.0)
    noise = pink_noise(8.0, rate_hz=RATE_HZ, seed=77, level_dbfs=-20.0)
    noise *= 10.0 ** (-40.0 / 20.0) * microphone.std() / noise.std()
    folder.add(two_channels(microphone + noise, reference), side="sub")
    (take,) = tuned(folder)["takes"]
    assert [problem["code"] for problem in take["problems"]] == []
    assert all(band["usable"] for band in take["bands"] if 50.0 <= band["hz"] <= 100.0)


@pytest.mark.parametrize("noise_db", [-60.0, -100.0])
def test_short_take_of_a_sub_is_used_or_refused_in_words_that_can_be_true(folder, noise_db):
    microphone = heard(played(), with_peaks(sub(), PEAKS), seed=3, noise_db=noise_db)
    folder.add(two_channels(microphone, played()), side="sub")
    (take,) = tuned(folder)["takes"]
    assert "time_varying" not in [problem["code"] for problem in take["problems"]]
    if take["usable"]:
        assert 0.0 < take["used_ratio"] <= 1.0


def test_sub_beside_the_mains_changes_no_card(folder):
    for k, spot in enumerate(("front", "back")):
        add(folder, "left", spot, k)
    without = tuned(folder)
    add(folder, "sub", "front", 3, impulse=sub(), duration_s=8.0)
    beside = tuned(folder)
    for name in ("evenness", "match", "patterns", "card", "forecast"):
        assert beside[name] == without[name], name


def test_delay_alone_is_no_main(folder):
    add(folder, "delay", "back", 2)
    result = tuned(folder)
    assert result["takes"][0]["usable"]
    assert result["evenness"] is None
    assert result["card"] == {}


def test_gain_of_the_preamp_changes_levels_and_nothing_else(folder, tmp_path_factory):
    other = Folder(tmp_path_factory.mktemp("other"))
    for k, spot in enumerate(("front", "middle", "back")):
        sound = two_channels(heard(played(), room(k), seed=k), played())
        folder.add(sound, f"{k}.wav", side="left", spot=spot)
        other.add(sound * [0.5, 1.0], f"{k}.wav", side="left", spot=spot)
    loud, soft = tuned(folder), tuned(other)
    assert loud["card"] == soft["card"]
    for one, two in zip(loud["takes"], soft["takes"], strict=True):
        assert one["level_db"] - two["level_db"] == pytest.approx(6.0206, abs=0.011)
        assert one["delay_s"] == pytest.approx(two["delay_s"], abs=1e-6)
        assert one["polarity"] == two["polarity"]


def test_inverted_loudspeaker_is_told_and_named(folder):
    for k, spot in enumerate(("front", "back")):
        add(folder, "left", spot, k)
        add(folder, "right", spot, 10 + k, impulse=-room(10 + k, reverberant=0.008))
    result = tuned(folder)
    assert {take["side"]: take["polarity"] for take in result["takes"]} == {"left": 1, "right": -1}
    assert not result["match"]["holds"]
    first = result["moves"][0]
    assert first["kind"] == "polarity"
    assert "Right is out of polarity with left" in first["text"]


def test_louder_side_is_told_and_by_how_much(folder):
    for k, spot in enumerate(("front", "back")):
        same_place = room(k, reverberant=0.008, delay_s=DELAY_S[spot])
        add(folder, "left", spot, k, impulse=10 ** (3.0 / 20.0) * same_place)
        add(folder, "right", spot, k)
    result = tuned(folder)
    assert not result["match"]["holds"]
    assert result["match"]["level_db"] == pytest.approx(3.0, abs=0.05)
    (gain,) = [move for move in result["moves"] if move["kind"] == "gain"]
    assert "Left is 3.0 dB hot. Pull it down 3.0 dB at the box" in gain["text"]


def test_distance_comes_from_the_delay_where_none_is_given(folder):
    add(folder, "left", "front", 1)
    add(folder, "left", "back", 2, fields="distance_m = 9.5\n")
    front, back = tuned(folder)["takes"]
    assert front["distance_m"] == pytest.approx(0.009 * 343.2, rel=0.005)  # 343.2 m/s at 20 C
    assert back["distance_m"] == 9.5


def test_reference_file_gives_no_delay_and_no_distance(folder):
    soundfile.write(folder.path / "stimulus.wav", played(), RATE_HZ, subtype="PCM_24")
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    folder.add(heard(played(), room(1, reverberant=0.004)), fields="")
    (take,) = tuned(folder)["takes"]
    assert take["usable"]
    assert take["delay_s"] is None
    assert take["distance_m"] is None
    assert abs(take["clock_ppm"]) < 2.0


def test_relative_delay_stays_as_measured_and_gives_no_distance(folder):
    relative = "delay_is_relative = true\n"
    add(folder, "left", "front", 1, fields=relative)
    add(folder, "left", "back", 2, fields=relative + "distance_m = 9.5\n")
    front, back = tuned(folder)["takes"]
    assert front["delay_s"] == pytest.approx(0.009, abs=2e-5)
    assert (front["distance_m"], back["distance_m"]) == (None, 9.5)


def test_reference_file_of_a_take_comes_before_that_of_the_job(folder):
    for name, sound in (("stimulus.wav", played()), ("own.wav", pink_noise(3.0, **OTHER))):
        soundfile.write(folder.path / name, sound, RATE_HZ, subtype="PCM_24")
    folder.head += '[reference]\nfile = "stimulus.wav"\n'
    folder.add(heard(played(), room(1, reverberant=0.004)), fields="")
    own = heard(pink_noise(3.0, **OTHER), room(1, reverberant=0.004))
    folder.add(own, "b.wav", spot="back", fields='reference_file = "own.wav"')
    first, second = tuned(folder)["takes"]
    assert (first["usable"], second["usable"]) == (True, True)
    # One impulse response: the same levels, whatever was played.
    assert second["level_db"] == pytest.approx(first["level_db"], abs=0.1)
    assert second["delay_s"] is None


def test_reference_file_of_a_take_that_is_no_sound_spoils_that_take_alone(folder):
    (folder.path / "own.wav").write_text("no sound")
    add(folder, "left", "front", 1)
    folder.add(heard(played(), room(2)), "b.wav", spot="back", fields='reference_file = "own.wav"')
    front, back = tuned(folder)["takes"]
    assert (front["usable"], back["usable"]) == (True, False)
    (problem,) = back["problems"]
    assert problem["code"] == "unreadable"
    assert problem["text"].startswith("reference_file = 'own.wav': This is not a sound file")


def test_calibration_of_the_microphone_is_taken_off(folder, tmp_path_factory):
    other = Folder(tmp_path_factory.mktemp("other"))
    (other.path / "mic.txt").write_text("20 -3.0\n400 0.0\n2000 0.0\n20000 4.0\n")
    other.head += '[microphone]\ncalibration = "mic.txt"\n'
    for each in (folder, other):
        add(each, "left", "front", 1)
    plain, calibrated = (tuned(each)["takes"][0]["bands"] for each in (folder, other))
    hz = np.array([band["hz"] for band in plain])
    known = np.array([band["usable"] for band in plain])
    change = np.array(
        [
            b["level_db"] - a["level_db"]
            for a, b in zip(plain, calibrated, strict=True)
            if a["usable"]
        ]
    )
    expected = -np.interp(np.log(hz), np.log([20, 400, 2000, 20000]), [-3.0, 0.0, 0.0, 4.0])[known]
    assert change == pytest.approx(expected, abs=0.06)
