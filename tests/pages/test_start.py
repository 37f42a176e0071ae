"""What opening the pages costs: nothing is loaded that no page asks for, nothing is done twice."""

import gc
import subprocess
import sys

import pytest
from typer.testing import CliRunner

from evenhall.cli import app
from evenhall.errors import InputError
from evenhall.pages import api, html
from evenhall.pages.app import create_app
from pages.demo_services import services_in


@pytest.fixture
def services(tmp_path):
    services = services_in(tmp_path / "data")
    yield services
    services.close()


def test_pages_open_without_optimizer_typesetter_and_sound_device():
    code = (
        "import sys, evenhall.pages.serve; print(sorted("
        "{'scipy.optimize', 'scipy.signal', 'typst', 'sounddevice', 'rich'} & set(sys.modules)))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert ended.stdout == "[]\n", ended.stderr


def test_what_was_imported_is_not_looked_through_for_waste_and_the_rest_is(monkeypatch, tmp_path):
    seen = []
    monkeypatch.setattr(
        "evenhall.pages.serve.serve",
        lambda *_, **__: seen.append((gc.isenabled(), gc.get_freeze_count() > 10_000)),
    )
    try:
        ended = CliRunner().invoke(app, ["open", "--data", str(tmp_path)])
    finally:
        gc.unfreeze()
    assert ended.exit_code == 0
    assert seen == [(True, True)]


def test_routes_are_worked_out_once(services):
    served = create_app(services, hosts=frozenset)._app.routes
    wanted = [route for part in (*api.PARTS, html) for route in part.router.routes]
    assert [route for route in served if route in wanted] == wanted
    assert len(wanted) > 40


@pytest.mark.parametrize("named", [True, False])
def test_first_page_finds_its_verdict_and_its_templates_ready(services, named, monkeypatch):
    monkeypatch.setattr(html, "_templates", html._templates.overlay(cache_size=100))
    number = services.new_demo()
    html.warm(services, number if named else None)

    def late(*what):
        raise AssertionError("it was not ready")

    monkeypatch.setattr("evenhall.visits.judging.result_from", late)
    assert services.judge.result(services.store.visit(number)).rows
    monkeypatch.setattr(html._templates, "compile", late)
    for name in html._templates.list_templates():
        html._templates.get_template(name)


def test_visit_that_cannot_be_judged_is_left_to_its_page(services):
    number = services.new_own()
    for name, value in (("audience.first_row_m", 9.0), ("audience.last_row_m", 2.0)):
        services.store.set_entry(number, name, value, was=None)
    html.warm(services, None)
    with pytest.raises(InputError):
        services.judge.result(services.store.visit(number))


def test_where_there_is_no_visit_none_is_made(services):
    html.warm(services, None)
    assert services.store.visits() == ()


def test_templates_that_cannot_be_read_ahead_are_left_to_the_page_that_asks(services, monkeypatch):
    """No descriptor is left, say: that is for the page to tell, not for a trace in the terminal."""

    def unreadable(name):
        raise OSError(24, "Too many open files")

    monkeypatch.setattr(html._templates, "get_template", unreadable)
    html.warm(services, None)
    with pytest.raises(OSError, match="Too many open files"):
        html._templates.get_template("index.html")
