"""A visit where one equalizer feeds mains and a sub: from the takes alone to the card of both."""

import numpy as np
import pytest
import soundfile

import joinrooms
from apiroom import ask, opened
from evenhall.cli import main
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.tuning import tune
from evenhall.verdict.joining.subs import join
from evenhall.visits.carrying import read_folder
from visits.made import below, zip_of

SIDES, SPOTS = ("left", "right"), ("front", "middle", "back")
JOB = """\
[venue]
name = "Weavers' Hall"
length_m = {0.length_m:.2f}
width_m = {0.width_m:.2f}
height_m = {0.height_m:.2f}

[audience]
first_row_m = 2.0
last_row_m = 9.0

[rig]
sides = ["left", "right", "sub"]
speaker_height_m = 2.1
has_processor = true
low_limit_hz = 70.0

[equalizer]
feeds_subs = true
"""


class Hall:
    """A simulated hall whose sub is out of time, its takes written into a job folder."""

    def __init__(self, folder):
        self.case = joinrooms.random_case(2005, sides=2, spots=3, snr_db=40.0)
        self.places = dict(zip(SPOTS, self.case.hall.spots, strict=True))
        self.folder, self.toml = folder, JOB.format(self.case.hall.room)
        (folder / "takes").mkdir(parents=True)

    def take(self, side, spot, *, case=None):
        """Write a take of a side alone, or with the sub where a case says how that stands."""
        elements = (side,) if case is None else (side, "sub")
        heard, played, rate_hz = (case or self.case).recording(self.places[spot], elements, 4.0)
        file = f"takes/{side}-{spot}{'-sub' if case else ''}.wav"
        samples = 0.05 * np.stack([heard, played], axis=1)
        soundfile.write(self.folder / file, samples, round(rate_hz), subtype="PCM_24")
        self.toml += f'\n[[take]]\nfile = "{file}"\nside = "{side}"\nspot = "{spot}"\n'
        # The hall's channels are 10 ms late, as a digital mixer's may be.
        self.toml += "reference_channel = 2\ndelay_is_relative = true\n"
        self.toml += "with_subs = true\n" if case else ""
        (self.folder / "job.toml").write_text(self.toml)

    def result(self):
        return tune(load_job(self.folder), self.folder)


@pytest.fixture(scope="module")
def halls(tmp_path_factory):
    """Folders: each alone; then both as asked; then both as before."""
    alone = Hall(tmp_path_factory.mktemp("alone"))
    for side in (*SIDES, "sub"):
        alone.take(side, "middle")
    case = alone.case
    mains = case.takes("left") + case.takes("right")
    fit = join(mains, case.takes("sub"), has_processor=True).subs[0].fit
    asked = joinrooms.reset(case, polarity=fit.polarity, delay_s=fit.delay_s)
    made = {"alone": alone}
    for name, stands in (("asked", asked), ("before", case)):
        hall = made[name] = Hall(tmp_path_factory.mktemp(name))
        for side in (*SIDES, "sub"):
            hall.take(side, "middle")
        for side in SIDES:
            for spot in SPOTS if name == "asked" else ("middle",):
                hall.take(side, spot, case=stands)
    return made


@pytest.fixture(scope="module")
def pages(halls, tmp_path_factory):
    """The same three as visits, and what their pages say."""
    with opened(tmp_path_factory.mktemp("store"), demo=False) as made:
        numbers = {
            name: read_folder(made.services.store, zip_of(below(hall.folder)))
            for name, hall in halls.items()
        }

        def page(name, step):
            answer = ask(made.app, "GET", f"/visit/{numbers[name]}/{step}")
            assert answer.status_code == 200
            return " ".join(answer.text.split())

        yield page


def texts(result, *kinds):
    return [move.text for move in result.moves if move.kind in kinds]


def test_takes_of_both_are_asked_for_once_each_was_taken_alone(halls):
    result = halls["alone"].result()
    (turn,) = texts(result, "delay", "polarity")
    assert "the sub" in turn
    (together,) = [text for text in texts(result, "check") if "playing along" in text]
    assert texts(result, "delay", "check").index(turn) < texts(result, "delay", "check").index(
        together
    )


def test_card_and_evenness_are_of_both_once_they_are_joined(halls):
    result = halls["asked"].result()
    assert any("no longer as before" in text for text in texts(result, "leave"))
    assert texts(result, "delay", "polarity") == []
    assert not any("playing along" in text for text in texts(result, "check"))
    assert result.evenness is not None  # front and back were taken with the sub only
    assert result.forecast.rms_after_db < result.forecast.rms_before_db
    assert [take.with_subs for take in result.takes] == [False] * 3 + [True] * 6
    # The bass is what the sub plays: faders move there that the mains alone would not want.
    card = {fader.hz: fader.fader_db for fader in result.card["both"]}
    assert any(card[hz] for hz in (40, 50, 63))


def test_joining_that_was_not_done_is_asked_for_again(halls):
    (turn,) = texts(halls["before"].result(), "delay", "polarity")
    assert turn.startswith("Not done yet, going by the takes of both together: ")


def test_sheet_of_mains_and_subs_is_written(halls, monkeypatch):
    monkeypatch.setattr("sys.argv", ["evenhall", "tune", str(halls["asked"].folder)])
    with pytest.raises(SystemExit) as ended:
        main()
    assert not ended.value.code
    assert (halls["asked"].folder / "out" / "sheet.pdf").stat().st_size > 10_000


def test_pages_lead_from_each_alone_to_both_together(pages):
    assert "Join the subs to the mains, as the worklist says." in pages("alone", "takes")
    takes = pages("alone", "takes")
    assert "Only <strong>left with the subs</strong> may sound, panned to that side" in takes
    assert 'name="with_subs"' in takes
    assert "All takes are good." in pages("asked", "takes")


def test_worklist_says_that_mains_and_sub_are_joined(pages):
    assert "no longer as before" in pages("asked", "worklist")
    assert "no longer as before" not in pages("before", "worklist")
    assert "Not done yet, going by the takes of both" in pages("before", "worklist")


def test_proof_asks_for_both_together(pages):
    proof = pages("asked", "proof")
    assert "Only <strong>left with the subs</strong> may sound" in proof
    assert "sub</strong>, middle" not in proof
