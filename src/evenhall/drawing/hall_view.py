"""What a hall drawing shows, and the frame that it is drawn in to scale.

`HallView` holds the figures as they were typed; what cannot be is treated as not known, for the
drawing is made again at every key. `Frame` says how many pixels a metre takes and where the walls
lie, with stand-ins for what is not known. Start at `frame_of()`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from evenhall.drawing.svg import text, text_width_px
from evenhall.drawing.theme import Theme, mixed
from evenhall.hall.elements import Element
from evenhall.hall.path import WalkPath

__all__ = [
    "PROPOSED_DASH",
    "Frame",
    "HallSpot",
    "HallView",
    "degrees",
    "frame_of",
    "is_delay",
    "is_sub",
    "is_top",
    "lettering",
    "metres",
    "turned",
]

LETTERING_PX = 12.0
RIGHT_PX = 46.0  # room for the figure of the width
SMALLEST_GUTTER_PX = 46.0
LARGEST_GUTTER_SHARE = 0.2
# Of the width of the drawing: a short, wide or high room must not fill more than a screen.
TALLEST_SIDE_SHARE, TALLEST_PLAN_SHARE = 0.6, 0.8
LARGEST_M = 1e4
PROPOSED_DASH = "7 4"

# Stand-ins where a figure is not known; only the shape of a small hall, and drawn open.
STAND_IN_LENGTH_M = 16.0
STAND_IN_WIDTH_RATIO = 0.55  # of the length
STAND_IN_HEIGHT_M = 4.0
STAND_IN_SPEAKER_M = 1.8
BEYOND_LAST_ROW = 1.15
BESIDE_WAY = 1.3
OVERHEAD_M = 0.6  # from the highest thing known to the ceiling that is not


@dataclass(frozen=True)
class HallSpot:
    """One spot of one loudspeaker.

    Attributes
    ----------
    label : str
        Its name, such as "front".
    side : str
        The loudspeaker that it belongs to.
    along_m : float
        Along the floor from the point under the loudspeakers at the stage end.
    state : str
        "open", "next", "done" or "again".
    between : bool
        On the middle line, as it serves all elements, and not on its loudspeaker's axis.
    """

    label: str
    side: str
    along_m: float
    state: str = "open"
    between: bool = False


@dataclass(frozen=True)
class HallView:
    """What a hall drawing shows; None where a figure is not known.

    Attributes
    ----------
    title : str
        Plain text over the drawing.
    length_m, width_m, height_m : float or None
        The room; the loudspeakers are drawn at its stage end.
    first_row_m, last_row_m : float or None
        Along the floor from the point under the loudspeaker.
    ear_height_m : float
        Above the audience floor.
    sides : tuple of str
        The elements, such as "left", "right", "mono", "sub" or "delay".
    speaker_height_m, speaker_down_deg : float or None, float
        Today's height and tilt, positive towards the floor.
    coverage_h_deg, coverage_v_deg : float
        Full nominal angles.
    max_height_m : float or None
        Stand or bracket goes no higher.
    proposed_height_m, proposed_down_deg : float or None
        The worklist's height and tilt; one that is None stays as it is today.
    speaker_inwards_deg, proposed_inwards_deg : float, float or None
        Today's turn of each of a pair towards the middle of the hall, and the worklist's.
    rows_m, rows_now_db, rows_proposed_db : tuple of float
        Rows, as the first and last one are given, and how loud each is against the middle one;
        empty where that is not forecast.
    spots : tuple of HallSpot
        Numbered in this order, from 1.
    playing : str or None
        The element that sounds now.
    way : WalkPath or None
        On which the microphone is carried.
    """

    title: str
    length_m: float | None = None
    width_m: float | None = None
    height_m: float | None = None
    first_row_m: float | None = None
    last_row_m: float | None = None
    ear_height_m: float = 1.2
    sides: tuple[str, ...] = ("left", "right")
    speaker_height_m: float | None = None
    speaker_down_deg: float = 0.0
    coverage_h_deg: float = 90.0
    coverage_v_deg: float = 60.0
    max_height_m: float | None = None
    proposed_height_m: float | None = None
    proposed_down_deg: float | None = None
    speaker_inwards_deg: float = 0.0
    proposed_inwards_deg: float | None = None
    rows_m: tuple[float, ...] = ()
    rows_now_db: tuple[float, ...] = ()
    rows_proposed_db: tuple[float, ...] = ()
    spots: tuple[HallSpot, ...] = ()
    playing: str | None = None
    way: WalkPath | None = None

    @property
    def today(self) -> tuple[float, float] | None:
        """Height and tilt as they are, where the height is known."""
        if self.speaker_height_m is None:
            return None
        return self.speaker_height_m, self.speaker_down_deg

    @property
    def proposed(self) -> tuple[float, float] | None:
        """Height and tilt as the worklist wants them, where that is another place."""
        if self.proposed_height_m is None and self.proposed_down_deg is None:
            return None
        height_m = self.proposed_height_m
        height_m = self.speaker_height_m if height_m is None else height_m
        down_deg = self.proposed_down_deg
        down_deg = self.speaker_down_deg if down_deg is None else down_deg
        if height_m is None or (height_m, down_deg) == self.today:
            return None
        return height_m, down_deg

    @property
    def proposed_turn_deg(self) -> float | None:
        """Turn inwards as the worklist wants it, where it is another."""
        turn_deg = self.proposed_inwards_deg
        return None if turn_deg == self.speaker_inwards_deg else turn_deg

    @property
    def rows(self) -> tuple[float, float] | None:
        """First and last row, where both are known and in their order."""
        if self.first_row_m is None or self.last_row_m is None:
            return None
        if not self.first_row_m < self.last_row_m:
            return None
        return self.first_row_m, self.last_row_m


@dataclass(frozen=True)
class Frame:
    """The view without figures that cannot be, the colours, and the scale.

    Attributes
    ----------
    width_px : float
        Of the whole drawing.
    left_px : float
        Where the stage end lies, right of the gutter with heights and names.
    per_m : float
        Pixels a metre, alike in both views and both directions.
    far_m, wide_m, high_m : float
        The room as drawn.
    """

    view: HallView
    theme: Theme
    width_px: float
    left_px: float
    per_m: float
    far_m: float
    wide_m: float
    high_m: float

    def x(self, along_m: float) -> float:
        """Where a distance from the stage end lies across the drawing."""
        return self.left_px + along_m * self.per_m

    def box_px(
        self, size_m: tuple[float, float], least_px: tuple[float, float]
    ) -> tuple[float, float]:
        """Depth and face of a box to scale, as far as that can be seen."""
        return max(size_m[0] * self.per_m, least_px[0]), max(size_m[1] * self.per_m, least_px[1])

    @property
    def right_px(self) -> float:
        """Where the far wall lies."""
        return self.x(self.far_m)

    @property
    def tint(self) -> str:
        """Ground of what is covered."""
        return mixed(self.theme.ground, self.theme.below, 0.14)

    @property
    def proposal(self) -> str:
        """Colour of what is proposed, dark or light enough to be read."""
        return mixed(self.theme.below, self.theme.ink, 0.3)


def frame_of(view: HallView, theme: Theme, width_px: float, *, right_px: float = RIGHT_PX) -> Frame:
    """Find the scale at which both views fit the width, and stand-ins for what is not known."""
    view = _possible(view)
    along = [spot.along_m for spot in view.spots]
    rows = [row for row in (view.first_row_m, view.last_row_m) if row is not None]
    length_m = view.length_m
    if length_m is None:
        length_m = BEYOND_LAST_ROW * max([*rows, *along], default=0.0) or STAND_IN_LENGTH_M
    far_m = max((length_m, *rows, *along))
    way_m = 0.0 if view.way is None else 2 * BESIDE_WAY * abs(view.way.corner_m[:, 1]).max()
    wide_m = view.width_m or max(STAND_IN_WIDTH_RATIO * far_m, float(way_m))
    stances = [stance[0] for stance in (view.today, view.proposed) if stance is not None]
    if view.height_m is None:
        limit = [] if view.max_height_m is None else [view.max_height_m]
        highest = max((view.ear_height_m, *stances, *limit))
        high_m = max(STAND_IN_HEIGHT_M, highest + OVERHEAD_M)
    else:
        high_m = max((view.height_m, view.ear_height_m, *stances))
    names = [text_width_px(side, LETTERING_PX) + 14 for side in view.sides]
    left_px = min(max((SMALLEST_GUTTER_PX, *names)), LARGEST_GUTTER_SHARE * width_px)
    per_m = min(
        (width_px - left_px - right_px) / far_m,
        TALLEST_SIDE_SHARE * width_px / high_m,
        TALLEST_PLAN_SHARE * width_px / wide_m,
    )
    return Frame(view, theme, width_px, left_px, per_m, far_m, wide_m, high_m)


def lettering(
    x: float, y: float, words: str, fill: str, *, bold: bool = False, anchor: str = "start"
) -> str:
    """Text of the size that both views are lettered in."""
    return text(x, y, words, size_px=LETTERING_PX, fill=fill, bold=bold, anchor=anchor)


def is_sub(side: str) -> bool:
    """Whether an element's name says that it stands on the floor and plays the lows."""
    return Element.named(side).is_sub


def is_delay(side: str) -> bool:
    """Whether an element's name says that it stands down the room."""
    return Element.named(side).kind == "delay"


def is_top(side: str) -> bool:
    """Whether an element is one of the loudspeakers that the height and aim are about."""
    return not is_sub(side) and not is_delay(side)


def metres(value_m: float) -> str:
    """Write a length with its unit.

    Examples
    --------
    >>> metres(2.6), metres(16.0), metres(1.25)
    ('2.6 m', '16 m', '1.25 m')
    """
    return f"{_plain(value_m, 2)} m"


def degrees(down_deg: float) -> str:
    """Write a tilt in words.

    Examples
    --------
    >>> degrees(7.0), degrees(0.0), degrees(-2.5)
    ('7° down', 'level', '2.5° up')
    """
    size = _plain(abs(down_deg), 1)
    if size == "0":
        return "level"
    return f"{size}° {'down' if down_deg > 0 else 'up'}"


def turned(inwards_deg: float) -> str:
    """Write a turn in words.

    Examples
    --------
    >>> turned(10.0), turned(-5.0)
    ('10° inwards', '5° outwards')
    """
    return f"{_plain(abs(inwards_deg), 1)}° {'inwards' if inwards_deg > 0 else 'outwards'}"


def _plain(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}".rstrip("0").rstrip(".")


def _possible(view: HallView) -> HallView:
    """Take out the figures that cannot be: nan, behind the stage end, a size of nothing."""

    def place(value: float | None) -> float | None:
        return value if value is not None and 0.0 <= value < LARGEST_M else None

    def size(value: float | None) -> float | None:
        return place(value) or None

    def tilt(value: float | None) -> float | None:
        return value if value is not None and -90.0 <= value <= 90.0 else None

    def angle(value: float) -> float:
        return value if 0.0 < value <= 360.0 else 0.0

    ear_height_m = place(view.ear_height_m)
    return replace(
        view,
        length_m=size(view.length_m),
        width_m=size(view.width_m),
        height_m=size(view.height_m),
        first_row_m=place(view.first_row_m),
        last_row_m=place(view.last_row_m),
        ear_height_m=HallView.ear_height_m if ear_height_m is None else ear_height_m,
        speaker_height_m=place(view.speaker_height_m),
        speaker_down_deg=tilt(view.speaker_down_deg) or 0.0,
        coverage_h_deg=angle(view.coverage_h_deg),
        coverage_v_deg=angle(view.coverage_v_deg),
        max_height_m=size(view.max_height_m),
        proposed_height_m=place(view.proposed_height_m),
        proposed_down_deg=tilt(view.proposed_down_deg),
        speaker_inwards_deg=tilt(view.speaker_inwards_deg) or 0.0,
        proposed_inwards_deg=tilt(view.proposed_inwards_deg),
        spots=tuple(spot for spot in view.spots if place(spot.along_m) is not None),
    )
