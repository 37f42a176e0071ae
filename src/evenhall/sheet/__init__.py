"""The printed hand-over.

- `page`: `render()` makes the PDF; `sheet.typ` lays it out.
- `words`: what it says; `views`: what its drawings show.
"""

from evenhall.sheet.page import render

__all__ = ["render"]
