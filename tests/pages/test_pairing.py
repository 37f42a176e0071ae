"""One-time codes for the phone, and the sessions that they open."""

from threading import Thread

import pytest
from hypothesis import given
from hypothesis import strategies as st

from apiroom import HERE, PHONE, ask, opened
from evenhall.pages.pairing import (
    CODE_LASTS_S,
    CODE_LENGTH,
    MAX_ADDRESSES,
    MAX_SESSIONS,
    SESSION_LASTS_S,
    SIGNS,
    TRIES,
    TRY_EVERY_S,
    Pairing,
    TooManyTries,
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


WRONG = "A" * CODE_LENGTH


def guess(pairing, address, count):
    """Wrong codes from a device; how many of them were looked at."""
    looked_at = 0
    for _ in range(count):
        try:
            assert pairing.redeem(WRONG, address=address) is None
        except TooManyTries:
            continue
        looked_at += 1
    return looked_at


def test_wrong_tries_of_one_device_do_not_shut_another_out(pairing):
    code = pairing.new_code()
    assert guess(pairing, "10.0.0.66", 500) == TRIES
    assert guess(pairing, "10.0.0.67", 500) == TRIES
    assert pairing.redeem(code, address="10.0.0.5")


def test_device_that_guessed_too_often_waits_for_each_further_try(pairing, clock):
    code = pairing.new_code()
    guess(pairing, "10.0.0.66", TRIES)
    for text in (WRONG, code):  # not even looked at
        with pytest.raises(TooManyTries) as slowed:
            pairing.redeem(text, address="10.0.0.66")
        assert slowed.value.wait_s == TRY_EVERY_S
    clock.now_s += TRY_EVERY_S
    assert guess(pairing, "10.0.0.66", 50) == 1
    clock.now_s += 3 * TRY_EVERY_S
    assert guess(pairing, "10.0.0.66", 50) == 3
    clock.now_s += slowed.value.wait_s
    assert pairing.redeem(code, address="10.0.0.66")  # a person who mistyped so often gets in too


def test_who_got_in_has_all_tries_again(pairing):
    code = pairing.new_code()
    guess(pairing, "10.0.0.5", TRIES - 1)
    assert pairing.redeem(code, address="10.0.0.5")
    pairing.new_code()
    assert guess(pairing, "10.0.0.5", 50) == TRIES


def test_tries_go_on_counting_with_a_new_code(pairing):
    assert guess(pairing, "10.0.0.66", 50) == 50  # there is nothing to guess
    pairing.new_code()
    assert guess(pairing, "10.0.0.66", 50) == TRIES
    pairing.new_code()
    assert guess(pairing, "10.0.0.66", 50) == 0


def test_only_so_many_devices_are_remembered(pairing):
    code = pairing.new_code()
    for number in range(2 * MAX_ADDRESSES):
        guess(pairing, f"10.0.{number // 250}.{number % 250}", 1)
    assert len(pairing._forgotten_s) == MAX_ADDRESSES
    assert pairing.redeem(code, address="10.0.0.5")


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
    # From as many addresses as anyone likes: ten thousand tries a second are more than this
    # server answers. NIST SP 800-63B-3, section 5.1.2, is content with 20 bits and a limit on
    # tries for a one-time secret (from memory).
    assert len(SIGNS) ** CODE_LENGTH / (10_000 * CODE_LASTS_S) > 2**28 > 2.6e8


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


@pytest.fixture(autouse=True)
def no_tries_of_an_earlier_test(request):
    if "pages" in request.fixturenames:
        request.getfixturevalue("pages").services.pairing._forgotten_s.clear()


def pair(pages, code, *, client=PHONE):
    return ask(pages.app, "POST", "/api/pair", client=client, json={"code": code})


def test_phone_that_gives_the_code_has_a_session_from_then_on(pages):
    answer = pair(pages, pages.services.pairing.new_code())
    assert (answer.status_code, answer.content) == (204, b"")
    key = answer.cookies["evenhall_session"]
    assert ask(pages.app, "GET", "/api/visits", client=PHONE, session=key).status_code == 200


def test_session_cookie_is_out_of_reach_of_scripts_and_other_sites(pages):
    cookie = pair(pages, pages.services.pairing.new_code()).headers["set-cookie"]
    parts = [part.strip().lower() for part in cookie.split(";")]
    assert {"httponly", "samesite=strict", "path=/"} <= set(parts)
    assert not any(part.startswith("domain") for part in parts)
    assert len(parts[0].partition("=")[2]) >= 43  # 256 bits, base64


def test_wrong_code_gives_a_line_and_no_cookie(pages):
    pages.services.pairing.new_code()
    answer = pair(pages, "AAAAAAAAAA")
    assert answer.status_code == 401
    assert answer.json() == {
        "faults": ["This code is wrong or spent. Make a new one on the laptop."]
    }
    assert "set-cookie" not in answer.headers


def test_spent_code_is_refused_over_the_wire_too(pages):
    code = pages.services.pairing.new_code()
    assert pair(pages, code).status_code == 204
    assert pair(pages, code).status_code == 401


def test_guessing_device_is_slowed_over_the_wire_and_the_owner_is_not(pages):
    code = pages.services.pairing.new_code()
    assert [pair(pages, WRONG).status_code for _ in range(TRIES)] == [401] * TRIES
    slowed = pair(pages, code)
    assert slowed.status_code == 429
    (line,) = slowed.json()["faults"]
    assert line == "Too many wrong codes from this device. Wait 10 s, then try again."
    assert slowed.headers["retry-after"] == "10"
    assert pair(pages, code, client=("192.168.7.10", 1)).status_code == 204


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
    code = pages.services.pairing.new_code()
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
