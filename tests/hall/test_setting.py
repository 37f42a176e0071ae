"""What cannot be built is refused, in words that say what to do."""

import math

import pytest

from evenhall.errors import InputError
from evenhall.hall.level import level_by_row
from evenhall.hall.setting import Audience, Loudspeaker, Room, check_setting

HALL = Room(18.0, 10.0, 4.5, rt60_s=0.9)
PEOPLE = Audience(2.0, 14.0)
BOX = Loudspeaker(1.8)


def test_sound_setting_is_accepted():
    check_setting(BOX, HALL, PEOPLE)
    check_setting(BOX, Room(), PEOPLE)
    check_setting(BOX, HALL, Audience(0.0, 14.0))  # right under a loudspeaker 0.6 m above


def test_volume_is_unknown_when_one_side_is():
    assert HALL.volume_m3 == pytest.approx(810.0)
    assert Room(length_m=18.0, height_m=4.5).volume_m3 is None


@pytest.mark.parametrize(
    ("speaker", "room", "audience", "line"),
    [
        (Loudspeaker(5.2), HALL, PEOPLE, r"Loudspeaker height_m = 5\.2 is not below the ceiling"),
        (Loudspeaker(-1.0), HALL, PEOPLE, r"Loudspeaker height_m = -1 is not a height"),
        (Loudspeaker(math.nan), HALL, PEOPLE, r"Loudspeaker height_m = nan is not a height"),
        (Loudspeaker(1.8, 120.0), HALL, PEOPLE, r"down_deg = 120 is not a tilt\. Give -90 to 90"),
        (Loudspeaker(1.8, 0.0, 0.0), HALL, PEOPLE, r"coverage_h_deg = 0 is not a coverage angle"),
        (Loudspeaker(1.8, coverage_v_deg=400.0), HALL, PEOPLE, r"coverage_v_deg = 400 is no"),
        (
            BOX,
            Room(rt60_s=0.0),
            PEOPLE,
            r"Room rt60_s = 0 is not a size\. Give more than 0, or leave",
        ),
        (BOX, Room(width_m=-3.0), PEOPLE, r"Room width_m = -3 is not a size"),
        (BOX, HALL, Audience(-1.0, 14.0), r"first_row_m = -1 is behind the loudspeaker"),
        (BOX, HALL, Audience(8.0, 8.0), r"last_row_m = 8 is not behind first_row_m = 8"),
        (BOX, HALL, Audience(2.0, 19.0), r"last_row_m = 19 is past the end of the room"),
        (BOX, HALL, Audience(2.0, math.inf), r"last_row_m = inf is not behind"),
        (BOX, HALL, Audience(2.0, 14.0, 4.6), r"ear_height_m = 4\.6 is not below the ceiling"),
        (
            Loudspeaker(1.2),
            HALL,
            Audience(0.1, 14.0),
            r"first_row_m = 0\.1 puts an ear within 0\.3",
        ),
    ],
)
def test_absurd_geometry_is_refused_in_one_line(speaker, room, audience, line):
    with pytest.raises(InputError, match=line) as caught:
        check_setting(speaker, room, audience)
    assert len(caught.value.faults) == 1
    assert "\n" not in caught.value.faults[0]


def test_every_fault_is_named_at_once():
    with pytest.raises(InputError) as caught:
        level_by_row(Loudspeaker(5.0), HALL, Audience(-2.0, 30.0))
    assert len(caught.value.faults) == 3
