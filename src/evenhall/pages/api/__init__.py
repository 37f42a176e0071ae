"""The typed interface that the pages use: JSON in, JSON out, described by OpenAPI.

Every button of a page calls one of these, and nothing else changes anything. Errors are lines in
`faults`, with the status of `errors.http_status()`. `visits`, `takes`, `sound` and `doors` hold
the operations, `answers` what they take and give.
"""

from evenhall.pages.api import doors, sound, takes, visits

__all__ = ["PARTS"]

PARTS = (visits, takes, sound, doors)
