"""The walk through the rows: when it is offered, what it brings, and that it counts as no spot."""

import io
import re
import shutil

import pytest

from apiroom import HOST, ask
from evenhall.hall.label import TakeLabel
from evenhall.job.folder.reading import parse_job
from evenhall.pages import devices
from evenhall.pages.app import create_app
from evenhall.pages.guide import asks_for_walk, move_key, moved, steps, walks, wanted_takes
from evenhall.pages.views import walk as walk_view
from evenhall.verdict.worklist import WALK_WORTH_DB
from evenhall.visits.carrying import job_toml, read_folder, write_folder
from evenhall.words import count_text
from pages.demo_services import ME, PACE, ended, services_in, until

SPOTS = ("front", "middle", "back")


def take(services, side, spot):
    services.player.take(1, TakeLabel(side=side, spot=spot), holder=ME)
    assert ended(services.player).good


@pytest.fixture(scope="module", autouse=True)
def quick():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(devices, "DEMO_PACE", PACE)
        yield


@pytest.fixture(scope="module")
def six_takes(tmp_path_factory, quick):
    folder = tmp_path_factory.mktemp("six") / "data"
    services = services_in(folder)
    assert services.new_demo() == 1
    for side in ("left", "right"):
        for spot in SPOTS:
            take(services, side, spot)
    services.close()
    return folder


@pytest.fixture
def services(six_takes, tmp_path):
    shutil.copytree(six_takes, tmp_path / "data")
    services = services_in(tmp_path / "data")
    yield services
    services.close()


@pytest.fixture(scope="module")
def walked(six_takes, tmp_path_factory):
    """Both sides walked as well."""
    folder = tmp_path_factory.mktemp("walked") / "data"
    shutil.copytree(six_takes, folder)
    services = services_in(folder)
    for side in ("left", "right"):
        take(services, side, "walk")
    yield services
    services.close()


def asked(services, method, path, **options):
    return ask(create_app(services, hosts=lambda: frozenset({HOST})), method, path, **options)


def page_of(services, step):
    answer = asked(services, "GET", f"/visit/1/{step}", headers={"accept": "text/html"})
    assert answer.status_code == 200
    return answer.text


def judged(services):
    visit = services.store.visit(1)
    return visit, services.judge.result(visit)


def test_walk_is_offered_once_all_spots_are_taken(services):
    visit, result = judged(services)
    forecast = result.forecast
    page = page_of(services, "takes")
    assert "Walk the rows: 32 s a side" in page
    assert (
        f"With a walk each seat is known give or take {forecast.seat_doubt_walked_db:.1f} dB "
        f"(now {forecast.seat_doubt_db:.1f}). It takes a minute."
    ) in page
    # The way to the verdict comes first; one button to walk beside it, one a side below.
    assert page.index("To the verdict") < page.index(">Walk left<")
    assert page.count(">Walk left<") == 2
    assert page.count(">Walk right<") == 1
    assert "Walk left" not in page_of(services, "proof")
    services.store.set_deleted(1, visit.takes[0].number, deleted=True)
    assert "Walk the rows" not in page_of(services, "takes")


def test_nobody_is_sent_for_less_than_two_tenths_of_a_decibel(services, monkeypatch):
    assert WALK_WORTH_DB == 0.2
    forecast = judged(services)[1].forecast
    gain_db = forecast.seat_doubt_db - forecast.seat_doubt_walked_db
    for worth_db, offered in ((gain_db + 0.01, False), (gain_db - 0.01, True)):
        monkeypatch.setattr(walk_view, "WALK_WORTH_DB", worth_db)
        assert ("Walk the rows" in page_of(services, "takes")) is offered


def test_rows_that_are_not_known_are_asked_for(services):
    services.store.set_entry(1, "audience.last_row_m", None, was=None)
    page = page_of(services, "takes")
    assert "Type in the first and the last row" in page
    assert "Walk left" not in page


def test_word_of_a_walk_in_the_worklist_is_no_box_to_tick(services):
    visit, result = judged(services)
    (move,) = [move for move in result.moves if asks_for_walk(move)]
    page = page_of(services, "worklist")
    assert move.text in page
    assert move_key(move) not in page
    before = steps(visit, result)
    services.store.set_entry(1, move_key(move), True, was=None)
    ticked = services.store.visit(1)
    assert not moved(ticked, result)
    assert steps(ticked, result) == before


def test_verdict_and_guide_count_the_same_and_the_walk_for_nothing(services):
    visit, result = judged(services)
    assert any(asks_for_walk(move) for move in result.moves)
    (step,) = [step for step in steps(visit, result) if step.key == "worklist"]
    verdict = page_of(services, "verdict")
    count = step.note.removesuffix(" to do")
    assert f"The takes ask for {count_text(int(count))} things." in verdict


def test_walk_counts_as_no_spot_and_as_no_other(walked):
    visit, result = judged(walked)
    assert len(wanted_takes(visit, result, "before")) == 6
    assert [(one.side, one.spot, one.usable) for one in walks(visit, result, "before")] == [
        ("left", "walk", True),
        ("right", "walk", True),
    ]
    (takes,) = [step for step in steps(visit, result) if step.key == "takes"]
    assert (takes.state, takes.note) == ("done", "6 of 6")
    page = page_of(walked, "takes")
    assert "of the same spots or others" not in page
    assert "Delete the walk of left" in page
    assert "Walk left, again" in page
    # Nothing is left to walk: only the way to the verdict.
    assert ">Walk left<" not in page
    # One with both sides, or a second one, is listed with the walks.
    again = visit.kept_takes[-1].take.model_copy(update={"side": "both"})
    stored = walked.store.add_take(1, again)
    page = page_of(walked, "takes")
    walked.store.set_deleted(1, stored.number, deleted=True)
    assert "1 more, of the same way or with both sides" in page
    assert page.index("Walk the rows") < page.index("1 more, of the same way")


def test_verdict_says_what_doubt_the_walk_has_left(walked, services):
    before, after = judged(services)[1].forecast, judged(walked)[1].forecast
    assert after.seat_doubt_db < before.seat_doubt_db - 0.4
    doubt = f"{after.seat_doubt_db:.1f} dB ({after.seat_doubt_spots_db:.1f} by the spots)"
    line = f"Walked: each seat is known give or take {doubt}."
    assert line in page_of(walked, "verdict")
    assert line in page_of(walked, "takes")
    assert "Walked:" not in page_of(services, "verdict")
    # The move that asked for it has gone.
    assert not any(asks_for_walk(move) for move in judged(walked)[1].moves)


def test_rows_are_walked_again_for_the_proof(walked, tmp_path):
    shutil.copytree(walked.store.folder, tmp_path / "data")
    services = services_in(tmp_path / "data")
    visit = services.store.visit(1)
    places = [one.take for one in visit.kept_takes if not one.is_walk]
    walks_before = [one.take for one in visit.kept_takes if one.is_walk]

    def again(takes):
        for one in takes:
            file = one.file.replace(".wav", "-after.wav")
            shutil.copy(visit.folder / one.file, visit.folder / file)
            update = {"state": "after", "file": file}
            services.store.add_take(1, one.model_copy(update=update))

    again(places)
    page = page_of(services, "proof")
    assert walk_view.WALK_AGAIN in page
    assert page.count(">Walk left<") == 2
    assert "All takes are good." in page
    again(walks_before)
    page = page_of(services, "proof")
    assert walk_view.WALKED_AGAIN in page
    assert "Walk right, again" in page
    assert (judged(services)[1].proof.takes, ">Walk left<" in page) == (8, False)
    services.close()


def test_walk_goes_along_in_the_job_folder(walked):
    visit, result = judged(walked)
    taken = {one.take.side: one.take for one in visit.kept_takes if one.is_walk}
    out = io.BytesIO()
    write_folder(visit, out)
    again = walked.store.visit(read_folder(walked.store, out))
    back = {one.take.side: one.take for one in again.kept_takes if one.is_walk}
    assert back == taken
    assert all(one.walked_m and one.passed.keys() == set(SPOTS) for one in back.values())
    assert walked.judge.result(again).takes == result.takes
    # Takes at spots pass nothing, and say nothing of it.
    job = parse_job(job_toml(visit).encode(), folder=visit.folder)
    assert [bool(one.passed) for one in job.takes] == [False] * 6 + [True] * 2
    assert job_toml(visit).count("passed") == 2


def test_recording_of_a_walk_is_taken_in(walked, services):
    recording = walked.store.visit(1).folder / "takes/left-walk.wav"
    answer = asked(
        services,
        "POST",
        "/api/visits/1/takes/upload",
        data={"side": "left", "spot": "walk"},
        files={"file": ("left-walk.wav", recording.read_bytes())},
    )
    assert answer.status_code == 201, answer.text
    assert answer.json()["usable"]
    assert "s walked" in answer.json()["text"]
    assert services.store.visit(1).kept_takes[-1].is_walk
    assert "<option>walk</option>" in page_of(services, "takes")


def passed(services, spot, **more):
    body = {"spot": spot, "holder": ME, **more}
    return asked(services, "POST", "/api/sound/passed", json=body)


def test_what_a_walk_passes_is_said_and_shown_while_it_sounds(services):
    services.player.take(1, TakeLabel(side="left", spot="walk"), holder=ME)
    # The plan is there from the start: where to stand.
    page = page_of(services, "takes")
    assert 'class="walker"' in page
    assert "Stand at the front of the left aisle." in page
    until(lambda: services.player.now.walking is not None)
    assert passed(services, "front").status_code == 204
    sound = asked(services, "GET", "/api/sound").json()
    assert sound["passed"].keys() == {"front"}
    page = page_of(services, "takes")
    pressed = re.findall(r'"spot": "(\w+)"\}\' aria-pressed="(\w+)"', page)
    assert pressed == [("front", "true"), ("middle", "false"), ("back", "false")]
    assert "/api/sound/stop" in page
    figures = re.search(r"data-walk='([^']+)'", page)[1]
    assert '"from_s": 3.0' in figures
    assert "up the other aisle" in figures
    # Only what stands around it: no take could be begun.
    assert "/api/sound/take" not in page
    assert asked(services, "POST", "/api/sound/stop").status_code == 204
    ended(services.player)
    assert 'class="walker"' not in page_of(services, "takes")


@pytest.mark.parametrize(
    ("body", "line"),
    [
        ({}, "No walk is running. Start one first."),
        ({"spot": "balcony"}, "spot"),
        ({"holder": ""}, "holder"),
    ],
)
def test_what_is_passed_where_nobody_walks_is_refused_in_a_line(services, body, line):
    answer = passed(services, **{"spot": "front", **body})
    assert answer.status_code == 422
    (fault,) = answer.json()["faults"]
    assert line in fault
    assert "\n" not in fault
