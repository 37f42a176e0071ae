"""The browser and a quick server, one of each for a module."""

import pytest

from pageroom import PageRoom, chromium


@pytest.fixture(scope="module")
def browser():
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def room(tmp_path_factory):
    with PageRoom(tmp_path_factory.mktemp("pages")) as served:
        yield served
