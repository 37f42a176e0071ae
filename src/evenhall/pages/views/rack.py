"""The unit in the rack: what is known of it, and the round in which it is learned."""

from __future__ import annotations

from dataclasses import dataclass

from evenhall.drawing import CardFader, CardView, draw_card
from evenhall.job.folder.model import Equalizer
from evenhall.pages.learning import recorded
from evenhall.pages.views.frame import Drawing, Frame, drawn
from evenhall.visits.visit import Entry, Visit

__all__ = ["RackPage", "rack_page"]

NARROW_PX = 360.0
NARROW_ROWS, NARROW_RAIL_PX = 3, 110.0


@dataclass(frozen=True)
class Channel:
    """A channel of the unit, and the settings of its round; none before it was begun."""

    title: str
    right: bool
    learned: bool
    recorded: int
    count: int


@dataclass(frozen=True)
class RackPage:
    """The unit in the rack."""

    frame: Frame
    cable: int  # input that a cable behind the unit goes to; 0 where there is no device yet
    channels: tuple[Channel, ...]
    learned: bool  # as far as has to be: the left channel, or both
    drawing: Drawing | None  # where the faders are to stand now
    narrow: Drawing | None  # the same for the phone
    bands: str  # of the faceplate, as the set-out has it
    range_db: float
    name: Entry  # what it is kept by


def rack_page(visit: Visit, frame: Frame, *, cable: int) -> RackPage:
    """Make the page of the unit in the rack."""
    defaults = Equalizer()
    bands = visit.value("equalizer.bands") or defaults.bands
    range_db = float(visit.value("equalizer.range_db") or defaults.range_db)
    asked = frame.playing.faders if frame.playing.visit == visit.number else ()
    drawing = narrow = None
    if asked:
        view = CardView(
            title="Set to",
            faders=tuple(CardFader(hz, fader_db) for hz, fader_db in asked),
            range_db=range_db,
        )
        drawing = drawn(view.title, lambda theme: draw_card(view, theme=theme))
        narrow = drawn(
            view.title,
            lambda theme: draw_card(
                view,
                theme=theme,
                rows=NARROW_ROWS,
                width_px=NARROW_PX,
                rail_height_px=NARROW_RAIL_PX,
            ),
        )
    channels = tuple(_channel(visit, right=right) for right in (False, True))
    left = channels[0]
    return RackPage(
        frame=frame,
        cable=cable,
        channels=channels,
        learned=left.learned and left.recorded in (0, left.count),
        drawing=drawing,
        narrow=narrow,
        bands=str(bands if isinstance(bands, int) else len(bands)),
        range_db=range_db,
        name=visit.entries.get("rack_name", Entry()),
    )


def _channel(visit: Visit, *, right: bool) -> Channel:
    done, count = recorded(visit, right=right)
    learned = visit.value("equalizer.file_right" if right else "equalizer.file") is not None
    title = "Right channel, if it differs" if right else "Left channel, or both"
    return Channel(title, right, learned, done, count)
