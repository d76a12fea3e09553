"""Sign-ins: found by their token alone, and over in time."""

import pytest

from web.sign_ins import MAX_SIGN_INS, SignIns

IDLE_S, LONGEST_S = 600.0, 3600.0


class Ticks:
    def __init__(self) -> None:
        self.at_s = 1000.0

    def __call__(self) -> float:
        return self.at_s


@pytest.fixture
def ticks() -> Ticks:
    return Ticks()


@pytest.fixture
def book(ticks: Ticks) -> SignIns:
    return SignIns(IDLE_S, LONGEST_S, ticks)


def test_a_token_finds_its_person_and_no_other_text_does(book: SignIns) -> None:
    token, other = book.begin("Ann"), book.begin("Bo")
    found = book.find(token, use=True)
    assert found is not None
    assert found.person == "Ann"
    assert token != other
    assert len(token) >= 43, "256 bits"
    for wrong in ("", token[:-1], token + "x", token.swapcase(), "\ud800"):
        assert book.find(wrong, use=True) is None


def test_use_keeps_a_sign_in_alive_but_not_for_ever(book: SignIns, ticks: Ticks) -> None:
    token = book.begin("Ann")
    while ticks.at_s < 1000.0 + LONGEST_S - IDLE_S:
        ticks.at_s += IDLE_S - 1.0
        assert book.find(token, use=True) is not None
    ticks.at_s = 1000.0 + LONGEST_S + 1.0
    assert book.find(token, use=True) is None


@pytest.mark.parametrize("use", [True, False])
def test_only_use_counts(book: SignIns, ticks: Ticks, use: bool) -> None:
    token = book.begin("Ann")
    ticks.at_s += IDLE_S - 1.0
    assert book.find(token, use=use) is not None
    ticks.at_s += 2.0
    assert (book.find(token, use=False) is not None) is use


def test_sign_ins_end_one_by_one_or_all_of_a_person(book: SignIns) -> None:
    first, second, other = book.begin("Ann"), book.begin("Ann"), book.begin("Bo")
    book.end(first)
    assert book.find(first, use=True) is None
    assert book.find(second, use=True) is not None
    book.end_all("Ann")
    assert book.find(second, use=True) is None
    assert book.find(other, use=True) is not None


def test_many_sign_ins_take_no_more_room_than_the_most(book: SignIns, ticks: Ticks) -> None:
    first = book.begin("Ann")
    for _ in range(MAX_SIGN_INS):
        ticks.at_s += 0.001
        last = book.begin("Ann")
    assert book.find(first, use=True) is None
    assert book.find(last, use=True) is not None
