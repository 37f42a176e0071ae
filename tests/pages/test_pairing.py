"""One-time codes for the phone, and the sessions that they open."""

from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apiroom import HERE, PHONE, ask, opened
from evenhall.pages.pairing import (
    CODE_LASTS_S,
    CODE_LENGTH,
    MAX_SESSIONS,
    MAX_WRONG,
    SESSION_LASTS_S,
    SIGNS,
    Pairing,
)


class Clock:
    now_s = 50.0

    def __call__(self):
        return self.now_s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def pairing(clock):
    return Pairing(clock)


def test_code_opens_one_session_and_is_spent(pairing):
    code = pairing.new_code()
    key = pairing.redeem(code)
    assert pairing.knows(key)
    assert pairing.paired == 1
    assert pairing.redeem(code) is None
    assert pairing.paired == 1


def test_code_may_be_typed_as_people_type(pairing):
    code = pairing.new_code()
    assert pairing.redeem(f" {code[:5].lower()} - {code[5:]}\n")


def test_wrong_tries_spend_the_code(pairing):
    code = pairing.new_code()
    for _ in range(MAX_WRONG - 1):
        assert pairing.redeem("A" * CODE_LENGTH) is None
    assert pairing.redeem(code)
    code = pairing.new_code()
    for _ in range(MAX_WRONG):
        assert pairing.redeem("A" * CODE_LENGTH) is None
    assert pairing.redeem(code) is None


def test_code_ends_after_its_time(pairing, clock):
    code = pairing.new_code()
    clock.now_s += CODE_LASTS_S
    assert pairing.redeem(code)
    code = pairing.new_code()
    clock.now_s += CODE_LASTS_S + 0.1
    assert pairing.redeem(code) is None


def test_new_code_makes_the_earlier_one_void(pairing):
    first, second = pairing.new_code(), pairing.new_code()
    assert pairing.redeem(first) is None
    assert pairing.redeem(second)


def test_session_ends_after_the_evening(pairing, clock):
    key = pairing.redeem(pairing.new_code())
    clock.now_s += SESSION_LASTS_S - 1.0
    assert pairing.knows(key)
    clock.now_s += 2.0
    assert not pairing.knows(key)
    assert pairing.paired == 0


def test_one_device_too_many_takes_the_place_of_the_first(pairing):
    keys = [pairing.redeem(pairing.new_code()) for _ in range(MAX_SESSIONS + 1)]
    assert len(set(keys)) == MAX_SESSIONS + 1
    assert [pairing.knows(key) for key in keys] == [False] + [True] * MAX_SESSIONS


def test_forgetting_closes_all_sessions_and_voids_the_code(pairing):
    key, code = pairing.redeem(pairing.new_code()), pairing.new_code()
    pairing.forget()
    assert not pairing.knows(key)
    assert pairing.redeem(code) is None


def test_nobody_is_known_before_a_code_was_made(pairing):
    assert pairing.redeem("") is None
    assert not pairing.knows(None)
    assert not pairing.knows("")


def test_codes_cannot_be_guessed_nor_misread(pairing):
    codes = {pairing.new_code() for _ in range(500)}
    assert len(codes) == 500
    assert set("".join(codes)) == set(SIGNS)  # 5000 signs: one of 31 is missing once in 10^70
    assert not set(SIGNS) & set("01OIL")
    # What eight tries at a code leave a guesser (NIST SP 800-63B-3, section 5.1.2: 20 bits and a
    # limit on tries are enough for a one-time secret; from memory).
    assert len(SIGNS) ** CODE_LENGTH / MAX_WRONG > 2**45


@given(st.text(max_size=64))
def test_no_text_is_an_error(text):
    pairing = Pairing(Clock())
    code = pairing.new_code()
    assert pairing.redeem(text) is None or code in text.upper()


def test_two_phones_at_once_cannot_both_have_the_code(pairing):
    for _ in range(50):
        code, keys = pairing.new_code(), []
        threads = [
            Thread(target=lambda code=code, keys=keys: keys.append(pairing.redeem(code)))
            for _ in range(4)
        ]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        assert sorted(key is None for key in keys) == [False, True, True, True]


# Over the wire


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    with opened(tmp_path_factory.mktemp("pairing"), demo=False) as pages:
        yield pages


def pair(pages, code, *, client=PHONE):
    return ask(pages.app, "POST", "/api/pair", client=client, json={"code": code})


def test_phone_that_gives_the_code_has_a_session_from_then_on(pages):
    answer = pair(pages, pages.house.pairing.new_code())
    assert (answer.status_code, answer.content) == (204, b"")
    key = answer.cookies["evenhall_session"]
    assert ask(pages.app, "GET", "/api/visits", client=PHONE, session=key).status_code == 200


def test_session_cookie_is_out_of_reach_of_scripts_and_other_sites(pages):
    cookie = pair(pages, pages.house.pairing.new_code()).headers["set-cookie"]
    parts = [part.strip().lower() for part in cookie.split(";")]
    assert {"httponly", "samesite=strict", "path=/"} <= set(parts)
    assert not any(part.startswith("domain") for part in parts)
    assert len(parts[0].partition("=")[2]) >= 43  # 256 bits, base64


def test_wrong_code_gives_a_line_and_no_cookie(pages):
    pages.house.pairing.new_code()
    answer = pair(pages, "AAAAAAAAAA")
    assert answer.status_code == 401
    assert answer.json() == {
        "faults": ["This code is wrong or spent. Make a new one on the laptop."]
    }
    assert "set-cookie" not in answer.headers


def test_spent_code_and_eight_wrong_ones_are_refused_over_the_wire_too(pages):
    code = pages.house.pairing.new_code()
    assert pair(pages, code).status_code == 204
    assert pair(pages, code).status_code == 401
    code = pages.house.pairing.new_code()
    assert [pair(pages, "B" * 10).status_code for _ in range(MAX_WRONG)] == [401] * MAX_WRONG
    assert pair(pages, code).status_code == 401


@pytest.mark.parametrize("body", [{}, {"code": 5}, {"code": "A" * 65}, {"code": None}, [], "A"])
def test_what_is_no_code_is_refused_in_lines(pages, body):
    answer = ask(pages.app, "POST", "/api/pair", client=PHONE, json=body)
    assert answer.status_code == 422
    assert all(answer.json()["faults"])


def test_half_a_character_is_no_code(pages):
    for content in (b'{"code": "\\ud800"}', b'{"code": "\xff"}', b"{", b"\x00"):
        answer = ask(
            pages.app,
            "POST",
            "/api/pair",
            client=PHONE,
            content=content,
            headers={"content-type": "application/json"},
        )
        assert answer.status_code in (400, 401, 422)
        assert all(answer.json()["faults"])


def test_another_site_cannot_pair_the_users_phone(pages):
    code = pages.house.pairing.new_code()
    answer = ask(
        pages.app,
        "POST",
        "/api/pair",
        client=PHONE,
        json={"code": code},
        headers={"origin": "http://evil.example"},
    )
    assert answer.status_code == 403
    assert pair(pages, code, client=HERE).status_code == 204  # it was not spent
