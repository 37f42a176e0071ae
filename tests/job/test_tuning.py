"""The whole job, from files to the result, held to the job folder's definitions.

What result.json says is worked out again here from result.json alone: band gains of the card by
scipy's analog responses and a dense mean, sums and roots by numpy.
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
import scipy.signal

from evenhall.job.tune.result import to_json
from evenhall.verdict.card.patterns import COMMON_DB
from job.folders import (
    RATE_HZ,
    Folder,
    heard,
    played,
    room,
    two_channels,
    with_peaks,
)

EXACT_HZ = 1000.0 * 10.0 ** (np.arange(-17, 14) / 10.0)  # IEC 61260-1, base ten
NOMINAL_HZ = np.array(
    [
        *(20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000),
        *(1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000, 12500, 16000, 20000),
    ]
)
PEAKS = ((250.0, 6.0, 2.0), (3150.0, 4.0, 3.0), (800.0, -3.5, 1.0))
LOW_LIMIT_HZ = 60.0
FIGURES = """
[audience]
first_row_m = 2.0
last_row_m = 14.0
[rig]
speaker_height_m = 1.6
low_limit_hz = 60.0
max_height_m = 3.0
"""
ROOM = "length_m = 18.0\nwidth_m = 10.0\nheight_m = 4.5\n"
SPOTS_M = {"front": 3.0, "middle": 7.0, "back": 13.0}


def write_visit(
    path: Path,
    *,
    equalizer: str = "",
    target: str = "",
    sides: tuple[str, ...] = ("left", "right"),
    spots: tuple[str, ...] = tuple(SPOTS_M),
    figures: str = ROOM + FIGURES,
) -> Folder:
    """Folder with a take for each side and spot; the loudspeakers have `PEAKS`."""
    folder = Folder(path)
    folder.head += figures
    if equalizer:
        folder.head += f"[equalizer]\n{equalizer}\n"
    if target:
        folder.head += f"[target]\n{target}\n"
    add_takes(folder, sides=sides, spots=spots)
    return folder


def add_takes(folder, *, sides=("left", "right"), spots=tuple(SPOTS_M), state="before", card=None):
    """Add a take for each side and spot, the loudspeaker heard through `card` if there is one."""
    reference = played(3.0)
    for s, side in enumerate(sides):
        for k, spot in enumerate(spots):
            place = room(10 * s + k, direct=0.5 * 0.8**k, reverberant=0.012)
            impulse = with_peaks(place, PEAKS, low_hz=LOW_LIMIT_HZ)
            if card is not None:
                impulse = through_card(impulse, card)
            name = f"{side}-{spot}-{state}.wav".replace(" ", "-")
            fields = f'reference_channel = 2\nstate = "{state}"\ndistance_m = {SPOTS_M[spot]}'
            folder.add(
                two_channels(heard(reference, impulse, seed=10 * s + k), reference),
                name,
                side=side,
                spot=spot,
                fields=fields,
            )


def through_card(impulse, fader_db):
    """Impulse response behind a 31-fader proportional-q unit, applied as a spectrum."""
    n_fft = 1 << int(np.ceil(np.log2(impulse.size + RATE_HZ)))
    freq_hz = np.fft.rfftfreq(n_fft, 1.0 / RATE_HZ)
    unit = np.ones(freq_hz.size, dtype=complex)
    for f0, fader in zip(EXACT_HZ, fader_db, strict=True):
        g = 10.0 ** (fader / 40.0)
        unit *= scipy.signal.freqs(
            [1.0, g / 4.318, 1.0], [1.0, 1.0 / (g * 4.318), 1.0], worN=freq_hz / f0
        )[1]
    return np.fft.irfft(np.fft.rfft(impulse, n_fft) * unit, n_fft)[: impulse.size + RATE_HZ // 4]


UNITS = {
    "31": ("bands = 31", NOMINAL_HZ, 4.318, "proportional-q"),
    "15": ("bands = 15", NOMINAL_HZ[1::2], 2.145, "proportional-q"),
    "10": ("bands = 10", NOMINAL_HZ[2::3], 1.414, "proportional-q"),
    "31 constant-q": ('bands = 31\nresponse = "constant-q"', NOMINAL_HZ, 4.318, "constant-q"),
    "31 continuous": ("bands = 31\nstep_db = 0", NOMINAL_HZ, 4.318, "proportional-q"),
    "10 coarse": (
        "bands = 10\nstep_db = 2\nrange_db = 6\nmax_boost_db = 2",
        NOMINAL_HZ[2::3],
        1.414,
        "proportional-q",
    ),
    "list": (
        "bands = [80, 250, 700, 3150, 9000]",
        np.array([80.0, 250.0, 700.0, 3150.0, 9000.0]),
        None,
        "proportional-q",
    ),
    "own q": ("bands = 15\nq = 1.2", NOMINAL_HZ[1::2], 1.2, "proportional-q"),
}
LIMITS = {"10 coarse": (6.0, 2.0, 2.0), "31 continuous": (12.0, 0.01, 6.0)}  # range, step, boost
DEFAULT_LIMITS = (12.0, 0.5, 6.0)


def centres_hz(nominal_hz):
    """Exact mid-bands of what lies within 3 % of a nominal third octave; others as given."""
    centres = []
    for hz in nominal_hz:
        ratio = NOMINAL_HZ / hz
        near = int(np.abs(np.log(ratio)).argmin())
        centres.append(EXACT_HZ[near] if abs(1.0 / ratio[near] - 1.0) <= 0.03 else hz)
    return np.array(centres)


def spacing_q(centre_hz):
    """Q = sqrt(r) / (r - 1), r the geometric mean of the ratios to the neighbours there are."""
    ratios = centre_hz[1:] / centre_hz[:-1]
    r = [ratios[0], *np.sqrt(ratios[1:] * ratios[:-1]), ratios[-1]]
    return np.array([np.sqrt(x) / (x - 1.0) for x in r])


def band_gain_db(unit: str, fader_db, bands):
    """Power mean over log frequency of the card's response, by dense sampling of scipy's."""
    _, nominal_hz, q, model = UNITS[unit]
    centre_hz = centres_hz(nominal_hz)
    qs = spacing_q(centre_hz) if q is None else np.full(centre_hz.size, q)
    places = 10.0 ** ((np.arange(400) + 0.5) / 4000.0 - 0.05)
    freq_hz = (EXACT_HZ[bands, None] * places).ravel()
    response = np.ones(freq_hz.size, dtype=complex)
    for f0, section_q, fader in zip(centre_hz, qs, fader_db, strict=True):
        g = 10.0 ** (fader / 20.0)
        if model == "constant-q":
            b, a = [1.0, max(g, 1.0) / section_q, 1.0], [1.0, max(1.0 / g, 1.0) / section_q, 1.0]
        else:
            b, a = [1.0, np.sqrt(g) / section_q, 1.0], [1.0, 1.0 / (np.sqrt(g) * section_q), 1.0]
        response *= scipy.signal.freqs(b, a, worN=freq_hz / f0)[1]
    power = np.mean(np.abs(response.reshape(len(bands), -1)) ** 2, axis=1)
    return 10.0 * np.log10(power)


def weighted_rms(values, weight):
    share = weight / weight.sum()
    return float(np.sqrt(share @ (values - share @ values) ** 2))


@pytest.fixture(scope="module")
def visits(tmp_path_factory):
    """Results as they are written, one a unit, made when first asked for."""
    made: dict[str, dict] = {}

    def visit(unit: str) -> dict:
        if unit not in made:
            folder = write_visit(tmp_path_factory.mktemp("visit"), equalizer=UNITS[unit][0])
            made[unit] = json.loads(to_json(folder.tune()))
        return made[unit]

    return visit


class Card:
    """The figures of one result, as arrays."""

    def __init__(self, unit: str, result: dict):
        self.unit = unit
        self.faders = result["card"]["both"]
        self.fader_db = np.array([fader["fader_db"] for fader in self.faders])
        forecast = result["forecast"]
        bands = forecast["bands"]
        self.hz = np.array([band["hz"] for band in bands])
        self.bands = [int(np.flatnonzero(hz == NOMINAL_HZ)[0]) for hz in self.hz]
        for name in ("before_db", "after_db", "target_db", "weight", "doubt_db"):
            setattr(self, name, np.array([band[name] for band in bands]))
        self.forecast, self.steps = forecast, result["card_steps"]
        self.range_db, self.step_db, self.boost_db = LIMITS.get(unit, DEFAULT_LIMITS)

    def left_db(self, fader_db):
        return self.before_db + band_gain_db(self.unit, fader_db, self.bands) - self.target_db

    def seat_db(self, fader_db):
        """Error at a seat with other faders."""
        return self.seat_with_db(self.left_db(fader_db))

    def seat_with_db(self, left_db):
        """The same with this left of each band: what no card takes away stays as it is."""
        judged = (self.hz <= 12500.0).astype(float)
        mended = weighted_rms(self.left_db(self.fader_db), judged)
        stays = self.forecast["seat_after_db"] ** 2 - mended**2
        return float(np.sqrt(stays + weighted_rms(left_db, judged) ** 2))


@pytest.fixture(params=list(UNITS))
def card(request, visits) -> Card:
    return Card(request.param, visits(request.param))


def test_card_lists_the_unit_s_faders(card):
    assert [fader["hz"] for fader in card.faders] == UNITS[card.unit][1].tolist()


def test_forecast_after_is_before_and_the_card_s_gain(card):
    change = card.after_db - card.before_db - band_gain_db(card.unit, card.fader_db, card.bands)
    # The level of either is lined up with the target, so that a constant is free.
    assert np.ptp(change) <= 0.06
    assert np.abs(change - change.mean()).max() <= 0.03


def test_rms_is_that_of_the_bands(card):
    for when in ("before", "after"):
        left = getattr(card, f"{when}_db") - card.target_db
        assert card.forecast[f"rms_{when}_db"] == pytest.approx(
            weighted_rms(left, card.weight), abs=0.02
        )


def test_card_is_worth_setting(card):
    assert card.forecast["rms_after_db"] < 0.8 * card.forecast["rms_before_db"]


def test_faders_stand_on_steps_within_their_limits(card):
    steps = card.fader_db / card.step_db
    assert np.abs(steps - np.round(steps)).max() < 1e-6
    assert card.fader_db.min() >= -card.range_db
    assert card.fader_db.max() <= card.boost_db


def test_no_fader_below_the_low_limit_is_raised(card):
    below = np.array([fader["hz"] < LOW_LIMIT_HZ for fader in card.faders])
    assert np.all(card.fader_db[below] <= 0.0)


def test_no_setting_of_all_faders_would_better_a_seat_by_more_than_a_tenth(card):
    low = np.full(card.fader_db.size, -card.range_db)
    high = np.array([card.boost_db if f["hz"] >= LOW_LIMIT_HZ else 1e-9 for f in card.faders])
    judged = np.sqrt(card.weight / card.weight.sum())

    def left(fader_db):
        return judged * (card.left_db(fader_db) - judged**2 @ card.left_db(fader_db))

    start = np.clip(card.fader_db, low, high)
    best = scipy.optimize.least_squares(
        left, start, bounds=(low, high), diff_step=0.05, max_nfev=12
    ).x
    seat_db = card.forecast["seat_after_db"]
    assert card.seat_db(best) >= seat_db - 0.1
    # And the card does most of what there is to do.
    assert card.forecast["seat_before_db"] - card.seat_db(best) > 0.5


def test_error_at_a_seat_before_and_after_differ_by_what_the_card_does(card):
    flat = card.seat_db(np.zeros(card.fader_db.size))
    assert flat == pytest.approx(card.forecast["seat_before_db"], abs=0.02)
    low, high = card.forecast["seat_after_90_db"]
    assert 0.0 < low < card.forecast["seat_after_db"] < high


def test_steps_are_what_the_first_faders_bring(card):
    moved = {f["order"]: k for k, f in enumerate(card.faders) if f["order"] is not None}
    assert sorted(moved) == list(range(1, np.count_nonzero(card.fader_db) + 1))
    assert [step["faders"] for step in card.steps] == sorted(moved)
    first = np.zeros(card.fader_db.size)
    for step in card.steps:
        first[moved[step["faders"]]] = card.fader_db[moved[step["faders"]]]
        assert step["seat_after_db"] == pytest.approx(card.seat_db(first), abs=0.02)
    assert card.steps[-1]["seat_after_db"] == card.forecast["seat_after_db"]
    assert np.array_equal(first, card.fader_db)


def test_first_fader_brings_more_than_any_other_would(card):
    """With what it is set to in the whole card; its neighbours' overlap counts."""
    alone = {}
    for k in np.flatnonzero(card.fader_db):
        one = np.zeros(card.fader_db.size)
        one[k] = card.fader_db[k]
        alone[card.faders[k]["order"]] = card.seat_db(one)
    assert alone[1] <= min(alone.values()) + 0.02


def test_forecast_answers_for_every_band_of_the_range_and_weighs_them_alike(card):
    assert card.hz.tolist() == [hz for hz in NOMINAL_HZ if LOW_LIMIT_HZ <= hz <= 16000.0]
    assert np.all(card.weight[card.hz <= 12500.0] == 1.0)
    assert np.all((card.weight > 0.0) & (card.weight <= 1.0))
    assert np.all(card.doubt_db > 0.0)
    assert all(band["known"] for band in card.forecast["bands"])


def test_target_is_what_its_points_say(visits):
    result = visits("31")
    assert result["target"] == {"shape": "tilt", "points": [[63.0, 4.0], [16000.0, -4.0]]}
    hz = np.array([band["hz"] for band in result["forecast"]["bands"]])
    exact = centres_hz(hz)
    octaves = np.log2(np.clip(exact, 63.0, 16000.0) / 63.0)
    expected = 4.0 - 8.0 * octaves / np.log2(16000.0 / 63.0)
    given = [band["target_db"] for band in result["forecast"]["bands"]]
    assert given == pytest.approx(expected, abs=0.011)


def test_before_and_after_are_lined_up_with_the_target_over_200_hz_to_4_khz(visits):
    card = Card("31", visits("31"))
    inside = (card.hz >= 200.0) & (card.hz <= 4000.0)
    assert inside.sum() == 14
    for level_db in (card.before_db, card.after_db):
        assert np.mean((level_db - card.target_db)[inside]) == pytest.approx(0.0, abs=0.02)


def test_finer_unit_is_what_a_31_band_unit_then_reaches(visits):
    assert visits("31")["forecast"]["finer_unit"] is None
    coarse = visits("10")["forecast"]
    assert coarse["finer_unit"]["bands"] == 31
    assert coarse["finer_unit"]["rms_after_db"] < coarse["rms_after_db"]
    assert coarse["finer_unit"]["rms_after_db"] == pytest.approx(
        visits("31")["forecast"]["rms_after_db"], abs=0.1
    )


def test_common_build_up_is_found_where_the_loudspeakers_have_it(visits):
    common = [p for p in visits("31")["patterns"] if p["scope"] == "common"]
    hz = {pattern["hz"]: pattern for pattern in common}
    assert {250.0, 3150.0} & set(hz), common
    for pattern in common:
        if pattern["hz"] in (250.0, 3150.0):
            assert pattern["depth_db"] > 0
            assert pattern["remedy"] == "equalize"


def test_build_ups_go_down_against_what_lies_an_octave_beside_them(visits):
    # The level is free: a card may as well raise all else.
    card = Card("31", visits("31"))
    gain_db = dict(zip(card.hz, card.after_db - card.before_db, strict=True))
    for hz, below, above in ((250.0, 125.0, 500.0), (3150.0, 1600.0, 6300.0)):
        assert gain_db[hz] - 0.5 * (gain_db[below] + gain_db[above]) <= -2.0
    left = card.after_db - card.target_db
    left_db = dict(zip(card.hz, left - left[card.hz <= 12500.0].mean(), strict=True))
    # Nothing is left that the verdict would name.
    assert max(abs(left_db[hz]) for hz in (250.0, 3150.0)) <= COMMON_DB


KEYS = {
    "": "schema job takes evenness match patterns card card_withheld card_steps target forecast "
    "moves proof",
    "takes": "file side spot state usable problems delay_s distance_m clock_ppm polarity "
    "level_db bands",
    "takes.bands": "hz level_db uncertainty_db usable",
    "evenness": "limit_db holds bands sides",
    "evenness.bands": "hz front_minus_back_db holds",
    "match": "holds level_db bands",
    "match.bands": "hz left_minus_right_db",
    "patterns": "hz width_octaves depth_db scope spots remedy why",
    "card.both": "hz fader_db order",
    "card_steps": "faders seat_after_db",
    "target": "shape points",
    "forecast": "bands rms_before_db rms_after_db seat_before_db seat_after_db seat_after_90_db "
    "spots finer_unit",
    "forecast.bands": "hz before_db after_db target_db weight",
    "forecast.spots": "side spot rms_before_db rms_after_db",
    "moves": "order kind text from to expected",
}
# Fields may be added to those of the job folder; what is added is listed here.
ADDED = {
    "": "rows speech ringing console strip headroom by_cable",
    "takes": "used_ratio coherence at with_subs walk",
    "evenness.bands": "judged",
    "patterns": "certain",
    "forecast": "out_of_reach all_faders card_level_db seat_doubt_db seat_doubt_walked_db "
    "seat_doubt_spots_db",
    "forecast.bands": "doubt_db known",
}


@pytest.mark.parametrize("place", KEYS)
def test_result_has_the_fields_of_the_job_folder(visits, place):
    found = visits("31")
    for name in filter(None, place.split(".")):
        found = found[name]
        found = found[0] if isinstance(found, list) else found
    assert set(found) == {*KEYS[place].split(), *ADDED.get(place, "").split()}


def test_result_without_number_has_null(visits):
    text = json.dumps(visits("31"))
    assert "NaN" not in text
    assert "Infinity" not in text
    assert visits("31")["proof"] is None


def test_bands_of_a_take_are_the_31_nominal_third_octaves(visits):
    for take in visits("31")["takes"]:
        assert [band["hz"] for band in take["bands"]] == NOMINAL_HZ.tolist()
        for band in take["bands"]:
            assert (band["level_db"] is not None) == band["usable"]


def test_level_of_a_take_is_the_power_mean_of_200_hz_to_4_khz(visits):
    for take in visits("31")["takes"]:
        levels = [b["level_db"] for b in take["bands"] if 200.0 <= b["hz"] <= 4000.0]
        power_mean_db = 10.0 * np.log10(np.mean(10.0 ** (np.array(levels) / 10.0)))
        assert take["level_db"] == pytest.approx(power_mean_db, abs=0.02)


def levels_of(result, side, spot, state="before"):
    (take,) = [
        t for t in result["takes"] if (t["side"], t["spot"], t["state"]) == (side, spot, state)
    ]
    return {band["hz"]: band["level_db"] for band in take["bands"] if band["usable"]}


def test_evenness_is_that_of_the_takes(visits):
    result = visits("31")
    even = result["evenness"]
    worst = {}
    for side in ("left", "right"):
        front, back = levels_of(result, side, "front"), levels_of(result, side, "back")
        difference = {hz: front[hz] - back[hz] for hz in front if hz in back}
        given = {d["hz"]: d["front_minus_back_db"] for d in even["sides"][side]}
        assert given == pytest.approx(difference, abs=0.011)
        for hz, db in difference.items():
            worst[hz] = max(worst.get(hz, 0.0), db, key=abs)
    assert {d["hz"]: d["front_minus_back_db"] for d in even["bands"]} == pytest.approx(
        worst, abs=0.011
    )
    assert even["holds"] == all(band["holds"] for band in even["bands"])


def test_match_is_that_of_the_takes(visits):
    result = visits("31")
    found = {d["hz"]: d["left_minus_right_db"] for d in result["match"]["bands"]}
    for hz in (100.0, 1000.0, 8000.0):
        each = [
            levels_of(result, "left", spot)[hz] - levels_of(result, "right", spot)[hz]
            for spot in SPOTS_M
        ]
        assert found[hz] == pytest.approx(np.mean(each), abs=0.011)
    inside = [db for hz, db in found.items() if 200.0 <= hz <= 4000.0]
    assert result["match"]["level_db"] == pytest.approx(np.mean(inside), abs=0.011)


def test_moves_are_numbered_and_the_card_comes_last(visits):
    moves = visits("31")["moves"]
    assert [move["order"] for move in moves] == list(range(1, len(moves) + 1))
    kinds = [move["kind"] for move in moves]
    assert kinds[-1] == "equalize"
    assert kinds.count("equalize") == 1
    assert all(move["text"].endswith(".") for move in moves)


def test_equalize_move_says_what_the_forecast_says(visits):
    result = visits("31")
    expected = result["moves"][-1]["expected"]
    assert expected["seat_db"] == result["forecast"]["seat_after_db"]
    assert expected["seat_was_db"] == result["forecast"]["seat_before_db"]
    for figure in (expected["seat_db"], expected["seat_was_db"]):
        assert f"{figure:.1f} dB" in result["moves"][-1]["text"]


def test_raise_was_db_is_measured(visits):
    result = visits("31")
    raised = [move for move in result["moves"] if move["kind"] in ("raise", "aim")]
    assert raised, result["moves"]
    sides = [
        np.mean([d["front_minus_back_db"] for d in bands if 200.0 <= d["hz"] <= 4000.0])
        for bands in result["evenness"]["sides"].values()
    ]
    assert raised[0]["expected"]["was_db"] == pytest.approx(np.mean(sides), abs=0.02)
    assert raised[0]["expected"]["front_minus_back_db"] <= raised[0]["expected"]["was_db"]


# The proof: takes made after the card was set.


@pytest.fixture(scope="module")
def proven(tmp_path_factory):
    """The same visit before the card, with the card really set, and with another card set."""
    folder = write_visit(tmp_path_factory.mktemp("proof"))
    before = json.loads(to_json(folder.tune()))
    set_db = np.array([fader["fader_db"] for fader in before["card"]["both"]])
    takes = list(folder.takes)
    add_takes(folder, state="after", card=set_db)
    after = json.loads(to_json(folder.tune()))
    folder.takes = takes
    add_takes(folder, state="after", card=-set_db)
    wrong = json.loads(to_json(folder.tune()))
    return before, after, wrong


def test_takes_after_the_work_change_nothing_but_the_proof(proven):
    before, after, wrong = proven
    for result in (after, wrong):
        for name in set(before) - {"takes", "proof", "moves"}:
            assert result[name] == before[name], name
        assert result["takes"][:6] == before["takes"]
        assert {take["state"] for take in result["takes"][6:]} == {"after"}


def test_card_that_is_proven_is_not_asked_for_again(proven):
    before, after, wrong = proven
    assert wrong["moves"] == before["moves"]
    assert before["moves"][-1]["kind"] == "equalize"
    # Nor is anybody sent through the rows for a card that is proven.
    still = [move["text"] for move in before["moves"][:-1] if "Walk the rows" not in move["text"]]
    assert [move["text"] for move in after["moves"][:-1]] == still
    assert after["moves"][-1]["kind"] == "leave"
    assert "the card is set and proven" in after["moves"][-1]["text"]


def test_card_that_was_set_is_proven(proven):
    _, after, _ = proven
    proof = after["proof"]
    assert proof["holds"]
    assert proof["forecast_error_db"] <= 0.3
    assert proof["rms_db"] <= after["forecast"]["rms_after_db"] + 0.3


def test_card_set_the_wrong_way_is_not_proven(proven):
    _, _, wrong = proven
    proof = wrong["proof"]
    assert not proof["holds"]
    assert proof["rms_db"] > wrong["forecast"]["rms_before_db"]
    assert proof["forecast_error_db"] > 1.5


def test_figures_of_the_proof_are_those_of_its_bands(proven):
    for result in proven[1:]:
        proof = result["proof"]
        assert set(proof) == {
            "rms_db",
            "forecast_error_db",
            "holds",
            "takes",
            "even_bands",
            "bands",
            "faders_wrong",
            "unlike_scale",
        }
        assert proof["takes"] == 6
        figures = {
            name: np.array([band[name] for band in proof["bands"]])
            for name in ("measured_db", "forecast_db", "target_db", "weight")
        }
        measured, weight = figures["measured_db"], figures["weight"]
        assert proof["rms_db"] == pytest.approx(
            weighted_rms(measured - figures["target_db"], weight), abs=0.02
        )
        assert proof["forecast_error_db"] == pytest.approx(
            weighted_rms(measured - figures["forecast_db"], weight), abs=0.02
        )
        assert proof["holds"] == (
            proof["rms_db"] <= result["forecast"]["rms_after_db"] + 1.0
            and proof["forecast_error_db"] <= 1.5
        )
        assert [band["hz"] for band in proof["bands"]] == [
            band["hz"] for band in result["forecast"]["bands"]
        ]


def test_console_and_few_faders_are_in_the_result(tmp_path):
    """What the sections do is computed again here from the written figures, by scipy."""
    folder = write_visit(tmp_path, equalizer="bands = 31\nmost_faders = 4\n[console]\nsections = 3")
    result = json.loads(to_json(folder.tune()))
    card = Card("31", result)
    assert np.count_nonzero(card.fader_db) == 4
    assert result["forecast"]["all_faders"]["moved"] > 4
    assert result["forecast"]["all_faders"]["rms_after_db"] < result["forecast"]["rms_after_db"]
    places = 10.0 ** ((np.arange(400) + 0.5) / 4000.0 - 0.05)
    freq_hz = (EXACT_HZ[card.bands, None] * places).ravel()
    response = np.ones(freq_hz.size, dtype=complex)
    sections = result["console"]["sections"]["both"]
    assert 1 <= len(sections) <= 3
    for one in sections:
        a = 10.0 ** (one["gain_db"] / 40.0)
        if one["kind"] == "peaking":
            above, below = [1.0, a / one["q"], 1.0], [1.0, 1.0 / (a * one["q"]), 1.0]
        else:
            near, far = [1.0, np.sqrt(a) / one["q"], a], [a, np.sqrt(a) / one["q"], 1.0]
            above, below = (near, far) if one["kind"] == "low-shelf" else (far, near)
            above = [a * value for value in above]
        response *= scipy.signal.freqs(above, below, worN=freq_hz / one["hz"])[1]
    power = np.mean(np.abs(response.reshape(len(card.bands), -1)) ** 2, axis=1)
    left = card.before_db + 10.0 * np.log10(power) - card.target_db
    assert card.seat_with_db(left) == pytest.approx(
        result["console"]["rms_db"][len(sections) - 1], abs=0.02
    )
    assert result["console"]["faders_rms_db"] == result["forecast"]["seat_after_db"]
    (level,) = result["headroom"]
    gain_db = np.array([band["gain_db"] for band in level["bands"]])
    middle = slice(10, 24)
    assert level["level_db"] == pytest.approx(
        10.0 * np.log10(np.mean(10.0 ** (gain_db[middle] / 10.0))), abs=0.02
    )
    assert level["make_up_db"] == -level["level_db"]


def test_cable_behind_the_unit_tells_the_fader_that_stands_wrong(tmp_path):
    """Real files: the unit by scipy's analog sections, a microphone's calibration beside."""
    folder = write_visit(tmp_path)
    # 6 dB of deviation at 1 kHz: what the microphone is off by is none of the cable's.
    (tmp_path / "mic.txt").write_text("500 0\n1000 6\n2000 0\n")
    folder.head += '[microphone]\ncalibration = "mic.txt"\n'
    card = folder.tune().card
    stands = np.array([fader.fader_db for fader in card["both"]])
    stands[NOMINAL_HZ == 630.0] += 3.0
    impulse = through_card(np.eye(1, 1200, 600)[0], stands)  # what rings ahead of it stays
    sound = two_channels(heard(played(3.0), impulse, noise_db=-70.0, seed=4), played(3.0))
    fields = 'reference_channel = 2\nstate = "after"\nat = "cable"'
    folder.add(sound, "left-cable.wav", side="left", spot="cable", fields=fields)
    result = folder.tune()
    assert result.card == card
    (proof,) = result.by_cable
    assert [take.problems for take in result.takes if take.at == "cable"] == [()]
    (fader,) = proof.faders_wrong
    assert (fader.side, fader.hz) == ("left", 630.0)
    assert fader.stands_db - fader.asked_db == pytest.approx(3.0, abs=0.3)
    assert result.moves[0].text == fader.text
    off_db = {band.hz: band.did_db - band.asked_db for band in proof.bands}
    assert abs(off_db[1000.0]) < 0.6
    assert max(off_db, key=off_db.get) == 630.0
