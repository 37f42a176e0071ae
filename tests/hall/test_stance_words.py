"""Sentences of a proposal: every step, its figure, and the caution."""

import re
from dataclasses import replace

from evenhall.hall.pair import best_stance
from evenhall.hall.search import Limits
from evenhall.hall.seats import usual_pair, usual_seats
from evenhall.hall.setting import Audience, Loudspeaker, Room
from evenhall.hall.stance_words import LIFTING, stance_lines
from evenhall.hall.stances import PairStance

HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
SEATS = usual_seats(Audience(2.0, 14.0), HALL)


def test_raise_and_tip_are_said_with_figures_reason_and_caution():
    found = best_stance(
        usual_pair(Loudspeaker(1.8), HALL), SEATS, HALL, limits=Limits(max_height_m=3.0)
    )
    lines = stance_lines(found, SEATS)
    assert lines[0].startswith(f"Raise both boxes to {found.proposed.height_m:.1f} m")
    assert f"tilt them to {found.proposed.down_deg:.0f}° down" in lines[0]
    assert "sighted along its top, the box then points" in lines[0]
    then_db = found.was_db - found.gain_db
    assert f"{then_db:.1f} dB instead of {found.was_db:.1f} dB" in lines[1]
    assert f"give or take {2 * found.gain_sd_db:.1f} dB" in lines[1]
    assert "raising alone" in lines[2]
    assert lines[-1] == LIFTING


def test_every_changed_figure_has_its_words():
    found = best_stance(
        usual_pair(Loudspeaker(1.8, 0.0, 60.0, 40.0), HALL),
        SEATS,
        HALL,
        limits=Limits(3.0, along_m=(0.5, 2.0), aside_m=(1.5, 4.0)),
    )
    words = {
        "height_m": "aise both boxes",
        "down_deg": "tilt ",
        "inwards_deg": "toe each",
        "along_m": r"m (forwards|back)",
        "aside_m": r"move each .* m (outwards|inwards)",
    }
    # Whatever of the five was not worth a hand here is changed by hand.
    other = PairStance(2.6, 7.0, 10.0, 1.5, 2.5)
    found = replace(found, proposed=other, alone_db=dict.fromkeys(words, found.was_db))
    for name in found.alone_db:
        assert re.search(words[name], stance_lines(found, SEATS)[0]), name


def test_axis_that_falls_short_of_the_last_row_is_said_so():
    steep = usual_pair(Loudspeaker(1.8, 28.0), HALL)
    found = best_stance(steep, SEATS, HALL, limits=Limits(max_height_m=2.4))
    line = stance_lines(found, SEATS)[0]
    drop, tangent = found.proposed.height_m - 1.2, found.proposed.down_deg
    assert found.proposed != found.was
    assert ("last row" in line) or (tangent == 0.0)
    assert drop > 0


def test_nothing_to_do_is_one_sentence():
    limits = Limits(max_height_m=3.0)
    once = best_stance(usual_pair(Loudspeaker(1.8), HALL), SEATS, HALL, limits=limits)
    lines = stance_lines(best_stance(once.pair, SEATS, HALL, limits=limits), SEATS)
    assert len(lines) == 1
    assert lines[0].startswith("Leave height and aim as they are.")
