"""Each page holds all of its view, and nothing that people typed becomes part of the page."""

import dataclasses
import html as markup
import re

import pytest
from markupsafe import Markup

from apiroom import ask, opened
from evenhall.job.demo.folder import write_demo, write_demo_after
from evenhall.pages import html
from evenhall.pages.fields import Filled
from evenhall.pages.playing import Playing
from evenhall.visits.carrying import read_folder
from visits.made import below, zip_of

CARD = {"both": {200.0: -5.0, 3150.0: -4.0}}
STEPS = ("set-out", "line-check", "takes", "verdict", "worklist", "proof", "hand-over")
# What decides about a page without standing on it, and where its effect is seen instead.
UNSEEN = {
    "Step.left_s": "summed up in Frame.needed_min",
    "Frame.left_min": "a sound check that is past is 'over'",
    "Frame.playing": "whether a sound is shown, see below",
    "Filled.json": "which option is marked",
    "WantedTake.along_m": "on the next one, and in the drawing",
    "StoredTake.made_at": "the latest counts",
    "Task.kind": "in the text",
    "CardSide.drawing": "not drawn again for a copy, see the page of the card",
    "Field.spoken": "in what is said of a figure that cannot be so",
    "CardSide.narrow": "on the page of the card",
    "CardSide.title": "'Copy to' on the second side",
    "VisitLine.made_at": "the day of it",
    "PhonePage.addresses": "where there is a choice",
}
UNSEEN_ON = {
    # It fills the screen: nothing stands around it. The other sides come when this one is set.
    "CardPage": {
        *("Frame.steps", "Frame.next", "Frame.made_on", "Frame.at", "Frame.needed_min"),
        *("Frame.sound_check", "CardPage.sides"),
    },
    "FollowPage": {
        *("Frame.steps", "Frame.next", "Frame.made_on", "Frame.at", "Frame.needed_min"),
        *("Frame.sound_check", "FollowPage.next_side"),
    },
    "RackPage": {
        *("Frame.steps", "Frame.next", "Frame.made_on", "Frame.at", "Frame.needed_min"),
        *("Frame.sound_check", "Channel.title"),  # without a device there is nothing to learn by
    },
    "ProofPage": {"TakesPage.gain"},  # it is set, and left alone
}
PAGES = (
    *(f"/visit/1/{step}" for step in STEPS),
    *(
        "/visit/1/card?side=left",
        "/visit/1/follow?side=left",
        "/visit/1/rack",
        "/visits",
        "/phone?visit=1",
    ),
)


@pytest.fixture(scope="module")
def services(tmp_path_factory):
    """A visit in which everything has happened once."""
    folder = tmp_path_factory.mktemp("hall") / "demo"
    write_demo(folder)
    write_demo_after(folder, CARD)
    with opened(tmp_path_factory.mktemp("store"), demo=False) as made:
        number = read_folder(made.services.store, zip_of(below(folder)))
        assert number == 1
        store = made.services.store
        for name, value in {
            "sound_check": "2001-02-03T18:00:00+00:00",
            "walk.back": True,
            "note.back": "Dull under the gallery",
            "note.all": "Taller stands",
            "gain": {
                "text": "The gain is right.",
                "turn": "hold",
                "at": "2001-02-03T17:10:00+00:00",
            },
            "line_check": {
                "at": "2001-02-03T17:00:00+00:00",
                "elements": ["left", "right"],
                "findings": [{"element": "left", "code": "hum", "text": "It hums at 50 Hz."}],
            },
        }.items():
            store.set_entry(number, name, value, was=None)
        store.set_deleted(number, store.visit(number).takes[0].number, deleted=True)
        yield made


@pytest.fixture
def shown(services, monkeypatch):
    """Ask for a page: its view and what the browser gets."""
    views = []
    page = html._page

    def kept(request, template, **values):
        views.append(values.get("page"))
        return page(request, template, **values)

    monkeypatch.setattr(html, "_page", kept)

    def show(path):
        answer = ask(services.app, "GET", path, headers={"accept": "text/html"})
        assert answer.status_code == 200, answer.text
        return views[-1], answer.text

    return show


def leaves(value, unseen, name=""):
    """Every text and number of a view, by the class and field that hold it."""
    if name in unseen:
        return
    if dataclasses.is_dataclass(value):
        if isinstance(value, Filled) and value.options:
            value = dataclasses.replace(value, shown="")  # its option is marked
        for field in dataclasses.fields(value):
            one = getattr(value, field.name)
            yield from leaves(one, unseen, f"{type(value).__name__}.{field.name}")
    elif isinstance(value, (tuple, list)):
        for one in value:
            yield from leaves(one, unseen, name)
    elif isinstance(value, (str, int, float)) and not isinstance(value, bool) and value != "":
        yield name, value


def spoken(value):
    """How a text or number may stand on a page."""
    if isinstance(value, Markup):
        return {value}
    if isinstance(value, str):
        return {" ".join(value.split())}
    return {str(value), f"{value:g}"}


@pytest.mark.parametrize("path", PAGES)
def test_page_holds_every_field_of_its_view(shown, path):
    view, text = shown(path)
    kind = type(view).__name__
    if kind == "CardPage":  # the whole card, and then one fader at a time
        text += "".join(shown(f"{path}&at={at}")[1] for at in range(1, len(view.faders) + 1))
    plain = " ".join(markup.unescape(text).split())
    told = list(leaves(view, UNSEEN.keys() | UNSEEN_ON.get(kind, set())))
    assert told, "a view without a field proves nothing"
    lacking = [
        (name, one)
        for name, one in told
        if not any(form in (text if isinstance(one, Markup) else plain) for form in spoken(one))
    ]
    assert lacking == []


def test_every_view_is_shown_by_some_page(shown):
    seen = {type(shown(path)[0]).__name__ for path in PAGES}
    from evenhall.pages import views

    made = {
        name
        for module in vars(views).values()
        if hasattr(module, "__file__")
        for name in getattr(module, "__all__", ())
        if name.endswith("Page")
    }
    assert made
    assert made <= seen


STRANGE = "<script>strange()</script>\"'&"


def test_what_people_type_never_becomes_part_of_a_page(tmp_path, shown_of):
    names = {
        "venue.name": STRANGE,
        "rig.sides": [f"left {STRANGE}"[:60], "right"],
        "spots": [
            {"label": STRANGE, "along_m": 2.5},
            {"label": "middle", "along_m": 6.1},
            {"label": "back", "along_m": 11.6},
        ],
        "note.back": STRANGE,
        "note.all": STRANGE,
        "gain": {"text": STRANGE, "turn": "hold", "at": "2001-02-03T17:10:00+00:00"},
        "line_check": {
            "at": "2001-02-03T17:00:00+00:00",
            "elements": [STRANGE],
            "findings": [{"element": f"left {STRANGE}"[:60], "code": "x", "text": STRANGE}],
        },
    }
    services, show = shown_of(names)
    now = Playing("take", "sound", 1, STRANGE, STRANGE, text=STRANGE)
    pages = [f"/visit/1/{step}" for step in STEPS]
    pages += [
        "/visits",
        f"/visit/1/hall?venue.name={STRANGE}",
        "/visit/1/card?side=left%20%3Cscript%3E",
    ]
    for playing in (Playing(), now, dataclasses.replace(now, phase="ended", problems=(STRANGE,))):
        services.player.now = playing
        for path in pages:
            text = show(path)
            assert "<script>strange" not in text, path
            # Nothing of it ends an attribute either: quotes are written as entities.
            assert not re.search(r"strange\(\)[^<]*[\"'](?=&amp;)", text), path
    assert "strange()" in show("/visit/1/hand-over"), "it is shown, as text"
    assert "strange()" in show("/visit/1/takes")


@pytest.fixture
def shown_of(tmp_path):
    with opened(tmp_path / "store", demo=False) as made:

        def show_of(entries):
            number = made.services.new_own(STRANGE)
            assert number == 1
            demo = {
                "venue.length_m": 14.0, "venue.width_m": 9.0, "venue.height_m": 4.2,
                "audience.first_row_m": 2.5, "audience.last_row_m": 12.0,
                "rig.speaker_height_m": 1.6,
            }  # fmt: skip
            for name, value in {**demo, **entries}.items():
                made.services.store.set_entry(number, name, value, was=None)
            return (
                made.services,
                lambda path: ask(made.app, "GET", path, headers={"accept": "text/html"}).text,
            )

        yield show_of
