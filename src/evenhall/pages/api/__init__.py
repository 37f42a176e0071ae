"""The typed interface that the pages use: JSON in, JSON out, described by OpenAPI.

Every button of a page calls one of these, and nothing else changes anything. Errors are lines in
`faults`, with the status of `errors.http_status()`. `visits`, `takes`, `sound` and `doors` hold
the operations, `answers` what they take and give.
"""

from fastapi import APIRouter

from evenhall.pages.api import doors, sound, takes, visits
from evenhall.pages.api.asked import REFUSALS, house_of

__all__ = ["house_of", "router"]

router = APIRouter(prefix="/api", responses=REFUSALS)
for part in (visits, takes, sound, doors):
    router.include_router(part.router)
