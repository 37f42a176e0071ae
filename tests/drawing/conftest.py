"""Reading a drawing back: its elements by class, its titles, its words."""

from __future__ import annotations

from types import SimpleNamespace
from xml.etree import ElementTree

import pytest

SVG = "{http://www.w3.org/2000/svg}"


class Drawing:
    """A drawing parsed again, so that a test asks what stands in it, not how it was written."""

    def __init__(self, svg: str) -> None:
        self.root = ElementTree.fromstring(svg)

    def of_class(self, *names: str) -> list[ElementTree.Element]:
        return [
            found
            for found in self.root.iter()
            if set(names) <= set((found.get("class") or "").split())
        ]

    def box(self) -> tuple[float, float]:
        _, _, width, height = map(float, self.root.attrib["viewBox"].split())
        return width, height

    def texts(self) -> list[str]:
        return [found.text or "" for found in self.root.iter(SVG + "text")]


def title(element: ElementTree.Element) -> str:
    return element.findtext(SVG + "title") or ""


def inside(element: ElementTree.Element, tag: str, class_: str | None = None) -> list:
    return [
        found
        for found in element.iter(SVG + tag)
        if class_ is None or class_ in (found.get("class") or "").split()
    ]


@pytest.fixture
def read() -> SimpleNamespace:
    return SimpleNamespace(drawing=Drawing, title=title, inside=inside)
