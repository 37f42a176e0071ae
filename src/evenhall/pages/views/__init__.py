"""What each page shows, as one typed value: from a visit and its verdict to words and drawings.

A module a page; `frame` is what stands around them all, `hall` the drawing that several show.
"""

from evenhall.pages.views.following import FollowPage, follow_page
from evenhall.pages.views.frame import Drawing, Frame, frame_of
from evenhall.pages.views.hall import HallForecast, hall_forecast
from evenhall.pages.views.hand_over import HandOverPage, hand_over_page
from evenhall.pages.views.line import LinePage, line_page
from evenhall.pages.views.proof import ProofPage, proof_page
from evenhall.pages.views.rack import RackPage, rack_page
from evenhall.pages.views.set_out import SetOutPage, set_out_page
from evenhall.pages.views.takes import TakesPage, takes_page
from evenhall.pages.views.verdict import VerdictPage, verdict_page
from evenhall.pages.views.worklist import CardPage, WorklistPage, card_page, worklist_page

__all__ = [
    "CardPage",
    "Drawing",
    "FollowPage",
    "Frame",
    "HallForecast",
    "HandOverPage",
    "LinePage",
    "ProofPage",
    "RackPage",
    "SetOutPage",
    "TakesPage",
    "VerdictPage",
    "WorklistPage",
    "card_page",
    "follow_page",
    "frame_of",
    "hall_forecast",
    "hand_over_page",
    "line_page",
    "proof_page",
    "rack_page",
    "set_out_page",
    "takes_page",
    "verdict_page",
    "worklist_page",
]
