"""Make the pictures that README and docs show, from the demo: `python docs/make_pictures.py`."""

from __future__ import annotations

import tempfile
from pathlib import Path

from evenhall.drawing import draw_card, draw_evenness_map
from evenhall.job.demo.folder import write_demo
from evenhall.job.folder.reading import load_job
from evenhall.job.tune.tuning import tune
from evenhall.report.views import card_views, evenness_view

DOCS = Path(__file__).parent


def main() -> None:
    """Tune the demo and draw its card and its map of evenness."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "demo"
        write_demo(folder)
        job = load_job(folder)
        result = tune(job, folder)
    view = evenness_view(result, "before")
    assert view is not None, "the demo has a front and a back"
    (DOCS / "card.svg").write_text(
        draw_card(card_views(result, job)["both"], rail_height_px=250.0), encoding="utf-8"
    )
    (DOCS / "evenness.svg").write_text(draw_evenness_map(view), encoding="utf-8")


if __name__ == "__main__":
    main()
