"""The response chart: the listening area over frequency, and where it should lie.

The area bold with its band of doubt, grey where nobody answers for it, spots thin, target dashed,
forecast dotted; every curve is lettered at its right end, so that none is told by colour alone.
Start at `draw_response_chart()`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from evenhall.drawing.svg import (
    UPRIGHT_PX,
    element,
    group,
    line,
    path,
    picture,
    rect,
    shorten,
    signed_db,
    spread,
    text,
)
from evenhall.drawing.theme import PAPER, Theme, mixed
from evenhall.words import fader_name

__all__ = ["Curve", "ResponseView", "draw_response_chart"]

HEIGHT_PX = 330.0
TOP_PX = 40.0
BOTTOM_PX = 42.0
LEFT_PX = 46.0
RIGHT_PX = 118.0  # room for the names of the curves
LETTERING_PX = 13.0
NAME_SPACING_PX = 15.0

LOW_HZ, HIGH_HZ = 20.0, 20000.0
OCTAVES_HZ = (31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16000.0)
GRID_DB = 6.0
SMALLEST_SPAN_DB = 24.0
# A band far down, below the reach of the loudspeaker, must not press the rest flat.
LARGEST_SPAN_DB = 42.0


@dataclass(frozen=True)
class Curve:
    """Levels over frequency.

    Attributes
    ----------
    name : str
        What stands at its right end; empty for nothing.
    freq_hz : sequence of float
        Rising.
    level_db : sequence of float or None
        One a frequency, dB re the same zero in all curves of a chart; None breaks the curve.
    """

    name: str
    freq_hz: Sequence[float]
    level_db: Sequence[float | None]


@dataclass(frozen=True)
class ResponseView:
    """What a chart shows.

    Attributes
    ----------
    title : str
        Plain text over the chart.
    common : Curve
        The area now.
    uncertainty_db : sequence of float
        Half the width of the band about `common`, one a frequency; empty = not drawn.
    target : Curve or None
        Where the response should lie.
    forecast : Curve or None
        Where it will lie with the card set.
    spots, walks : tuple of Curve
        The takes it was made of.
    beyond : Curve or None
        The same outside the range of the loudspeakers: shown, and answered for by nobody.
    low_limit_hz : float or None
        Nothing is raised below it.
    """

    title: str
    common: Curve
    uncertainty_db: Sequence[float] = ()
    target: Curve | None = None
    forecast: Curve | None = None
    spots: tuple[Curve, ...] = ()
    walks: tuple[Curve, ...] = ()
    beyond: Curve | None = None
    low_limit_hz: float | None = None

    @property
    def curves(self) -> tuple[Curve, ...]:
        """All curves, the common part first."""
        more = (self.target, self.forecast, self.beyond, *self.walks, *self.spots)
        return (self.common, *(curve for curve in more if curve is not None))


def draw_response_chart(
    view: ResponseView,
    *,
    theme: Theme = PAPER,
    width_px: float = UPRIGHT_PX,
    height_px: float = HEIGHT_PX,
) -> str:
    """Draw the chart as SVG.

    Parameters
    ----------
    width_px, height_px : float
        Size of the drawing; 718 fills an upright A4 page.

    Raises
    ------
    ValueError
        No curve has a level, or a curve does not hold one level a frequency.
    """
    for curve in view.curves:
        if len(curve.freq_hz) != len(curve.level_db):
            raise ValueError(f"the curve {curve.name} does not hold one level a frequency")
    title = shorten(view.title, size_px=18, width_px=width_px - 12)
    axes = _Axes(_span_db(view), theme, width_px, height_px)
    return picture(
        text(6, 18, title, size_px=18, fill=theme.ink, bold=True),
        axes.grid(),
        axes.low_limit(view.low_limit_hz),
        axes.doubt_letters(view),
        axes.inside(
            axes.band(view),
            *(axes.curve(spot, "spot", stroke=theme.muted, width=0.8) for spot in view.spots),
            *(
                axes.curve(one, "walk", stroke=theme.ink, width=1.2, dash="1 4")
                for one in view.walks
            ),
            axes.curve(view.beyond, "beyond", stroke=theme.muted, width=2.4),
            axes.curve(view.target, "target", stroke=theme.ink, width=1.4, dash="9 5"),
            axes.curve(view.common, "common", stroke=theme.ink, width=3.2),
            axes.curve(view.forecast, "forecast", stroke=_forecast(theme), width=3.4, dash="0 7"),
        ),
        axes.names(view),
        width_px=width_px,
        height_px=height_px,
        title=view.title,
        description=_in_words(view),
        theme=theme,
    )


def _forecast(theme: Theme) -> str:
    return mixed(theme.below, theme.ink, 0.25)


def _known(curve: Curve) -> list[tuple[float, float]]:
    """Take the points that have a level."""
    return [
        (hz, level)
        for hz, level in zip(curve.freq_hz, curve.level_db, strict=True)
        if level is not None
    ]


def _span_db(view: ResponseView) -> tuple[float, float]:
    """Find the ends of the level axis, on its grid, from what the loudspeakers answer for."""
    reach_hz = {*view.common.freq_hz}
    levels = [level for curve in view.curves for hz, level in _known(curve) if hz in reach_hz]
    if not levels:
        raise ValueError("a response chart needs a level")
    high = GRID_DB * math.ceil((max(levels) + 1) / GRID_DB)
    low = GRID_DB * math.floor((min(levels) - 1) / GRID_DB)
    low = max(min(low, high - SMALLEST_SPAN_DB), high - LARGEST_SPAN_DB)
    return low, high


def _in_words(view: ResponseView) -> str:
    levels = ", ".join(f"{hz:g} Hz {level:+.1f}" for hz, level in _known(view.common))
    return f"Levels in dB over frequency. {view.common.name}: {levels}."


@dataclass(frozen=True)
class _Axes:
    span_db: tuple[float, float]
    theme: Theme
    width_px: float
    height_px: float

    @property
    def right_px(self) -> float:
        return self.width_px - RIGHT_PX

    @property
    def bottom_px(self) -> float:
        return self.height_px - BOTTOM_PX

    def x(self, freq_hz: float) -> float:
        share = math.log(freq_hz / LOW_HZ) / math.log(HIGH_HZ / LOW_HZ)
        return LEFT_PX + share * (self.right_px - LEFT_PX)

    def y(self, level_db: float) -> float:
        low, high = self.span_db
        return TOP_PX + (high - level_db) / (high - low) * (self.bottom_px - TOP_PX)

    def grid(self) -> str:
        theme, (low, high) = self.theme, self.span_db
        drawn = []
        for step in range(round((high - low) / GRID_DB) + 1):
            level = low + step * GRID_DB
            y, stroke = self.y(level), theme.muted if level == 0 else theme.faint
            drawn.append(line(LEFT_PX, y, self.right_px, y, stroke=stroke))
            drawn.append(self._letter(LEFT_PX - 6, y, signed_db(level, 0), anchor="end"))
        for hz in OCTAVES_HZ:
            x = self.x(hz)
            drawn.append(line(x, TOP_PX, x, self.bottom_px, stroke=theme.faint))
            drawn.append(self._letter(x, self.bottom_px + 14, fader_name(hz), anchor="middle"))
        drawn.append(self._letter(LEFT_PX - 6, self.bottom_px + 14, "dB", anchor="end"))
        drawn.append(self._letter(self.right_px + 8, self.bottom_px + 14, "Hz"))
        return group(*drawn, class_="grid")

    def _letter(self, x: float, y: float, content: str, *, anchor: str = "start") -> str:
        return text(x, y, content, size_px=LETTERING_PX, fill=self.theme.muted, anchor=anchor)

    def low_limit(self, low_limit_hz: float | None) -> str:
        """Mark where the loudspeaker ends; to its left nothing is raised."""
        if low_limit_hz is None or not LOW_HZ < low_limit_hz < HIGH_HZ:
            return ""
        x, theme = self.x(low_limit_hz), self.theme
        words = f"shaded: below the low limit of {low_limit_hz:g} Hz"
        return group(
            rect(
                LEFT_PX,
                TOP_PX,
                x - LEFT_PX,
                self.bottom_px - TOP_PX,
                fill=theme.faint,
                fill_opacity=0.6,
            ),
            line(x, TOP_PX, x, self.bottom_px, stroke=theme.muted, stroke_width=1.2),
            self._letter(LEFT_PX, self.bottom_px + 31, words),
            class_="low-limit",
        )

    def inside(self, *drawn: str) -> str:
        """Cut what is drawn at the edges of the chart: a nested drawing does so without an id."""
        width, height = self.right_px - LEFT_PX, self.bottom_px - TOP_PX
        return element(
            "svg",
            *drawn,
            x=LEFT_PX,
            y=TOP_PX,
            width=width,
            height=height,
            viewBox=f"{LEFT_PX:g} {TOP_PX:g} {width:g} {height:g}",
            overflow="hidden",
        )

    def doubt_letters(self, view: ResponseView) -> str:
        if not view.uncertainty_db:
            return ""
        return self._letter(self.right_px, self.bottom_px + 31, "grey: doubt", anchor="end")

    def band(self, view: ResponseView) -> str:
        """Shade the uncertainty about the common part, one patch an unbroken stretch."""
        if not view.uncertainty_db:
            return ""
        levels = zip(view.common.level_db, view.uncertainty_db, strict=True)
        edges = [(None, None) if mid is None else (mid + by, mid - by) for mid, by in levels]
        upper = self._stretches(view.common.freq_hz, [above for above, _ in edges])
        lower = self._stretches(view.common.freq_hz, [under for _, under in edges])
        patches = [above + under[::-1] for above, under in zip(upper, lower, strict=True)]
        fill = mixed(self.theme.ground, self.theme.muted, 0.35)
        return path(patches, fill=fill, class_="uncertainty") if patches else ""

    def curve(
        self,
        curve: Curve | None,
        kind: str,
        *,
        stroke: str,
        width: float,
        dash: str | None = None,
    ) -> str:
        if curve is None:
            return ""
        return group(
            path(
                self._stretches(curve.freq_hz, curve.level_db),
                fill="none",
                stroke=stroke,
                stroke_width=width,
                stroke_dasharray=dash,
                stroke_linejoin="round",
                stroke_linecap="round",
            ),
            title=curve.name or None,
            class_=kind,
        )

    def _stretches(
        self, freq_hz: Iterable[float], levels_db: Iterable[float | None]
    ) -> list[list[tuple[float, float]]]:
        stretches: list[list[tuple[float, float]]] = [[]]
        for hz, level in zip(freq_hz, levels_db, strict=True):
            if level is not None:
                stretches[-1].append((self.x(hz), self.y(level)))
            elif stretches[-1]:
                stretches.append([])
        return [stretch for stretch in stretches if stretch]

    def names(self, view: ResponseView) -> str:
        """Each curve's name beside its right end, moved apart where ends lie close."""
        theme = self.theme
        colours = {view.common.name: theme.ink}
        if view.target:
            colours[view.target.name] = theme.ink
        if view.forecast:
            colours[view.forecast.name] = _forecast(theme)
        ends = []
        for curve in view.curves:
            points = _known(curve)
            if points and curve.name:
                ends.append((self.y(points[-1][1]), self.x(points[-1][0]), curve))
        heights = spread(
            [y for y, _, _ in ends],
            [NAME_SPACING_PX] * len(ends),
            low=TOP_PX - NAME_SPACING_PX / 2,
            high=self.bottom_px + NAME_SPACING_PX / 2,
        )
        drawn = []
        for (y, x, curve), height in zip(ends, heights, strict=True):
            colour = colours.get(curve.name, theme.muted)
            name_x = self.right_px + 14
            drawn.append(line(x + 1, y, name_x - 3, height, stroke=colour, stroke_width=0.6))
            name = shorten(curve.name, size_px=LETTERING_PX, width_px=self.width_px - name_x - 4)
            bold = curve is view.common
            drawn.append(text(name_x, height, name, size_px=LETTERING_PX, fill=colour, bold=bold))
        return group(*drawn, class_="names")
