"""The printed hand-over: `render()` sets a result with `sheet.typ`; its words are `report`'s."""

from evenhall.sheet.page import render

__all__ = ["render"]
