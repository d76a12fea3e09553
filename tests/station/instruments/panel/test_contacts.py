"""Debounce, stuck footswitch and guard latch, on invented contacts.

The times are our own choice; 20 to 30 ms for a mechanical contact: [common practice, no source].
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.verdict import Verdict
from station.instruments.panel.contacts import (
    HELD_TOO_LONG_S,
    STABLE_S,
    Contact,
    ContactChange,
    Debounced,
    FootswitchState,
    Lamp,
    PanelContacts,
    Seen,
    lamp_for,
)

FOOT, GUARD = Contact.FOOTSWITCH, Contact.GUARD

INTERVALS_S = st.lists(st.floats(0.0005, 0.2), min_size=1, max_size=30)


def contacts(*, pressed: bool = False, guard_closed: bool = True) -> PanelContacts:
    return PanelContacts(0.0, {FOOT: pressed, GUARD: guard_closed})


def changes(
    panel: PanelContacts, contact: Contact, *levels: tuple[float, bool]
) -> list[ContactChange]:
    return [
        event.change for at_s, closed in levels for event in panel.see(Seen(at_s, contact, closed))
    ]


def edges_of(intervals_s: list[float]) -> list[tuple[float, bool]]:
    """Alternating levels, each beginning after one more interval; False before the first."""
    edges, at_s, level = [], 0.0, False
    for interval_s in intervals_s:
        at_s, level = at_s + interval_s, not level
        edges.append((at_s, level))
    return edges


def test_five_bounces_are_one_press() -> None:
    bounces = [(0.100 + 0.002 * step, step % 2 == 0) for step in range(11)]
    panel = contacts()
    assert changes(panel, FOOT, *bounces) == []
    assert changes(panel, FOOT, (0.130, True), (0.146, True), (0.2, True)) == [
        ContactChange.FOOTSWITCH_PRESSED
    ]
    assert panel.footswitch is FootswitchState.PRESSED


def test_press_and_release_known_from_edges_alone() -> None:
    panel = contacts()
    assert changes(panel, FOOT, (1.0, True), (1.2, False), (1.5, False)) == [
        ContactChange.FOOTSWITCH_PRESSED,
        ContactChange.FOOTSWITCH_RELEASED,
    ]


def test_press_known_from_polling_alone() -> None:
    panel = contacts()
    polled = [(1.0 + 0.01 * step, 5 <= step < 20) for step in range(40)]
    assert changes(panel, FOOT, *polled) == [
        ContactChange.FOOTSWITCH_PRESSED,
        ContactChange.FOOTSWITCH_RELEASED,
    ]


def test_footswitch_held_at_start_is_stuck_until_released() -> None:
    panel = contacts(pressed=True)
    assert changes(panel, FOOT, (0.01, True), (3.0, True)) == [ContactChange.FOOTSWITCH_STUCK]
    assert panel.footswitch is FootswitchState.STUCK
    released = changes(panel, FOOT, (4.0, False), (4.1, False))
    assert released == [ContactChange.FOOTSWITCH_RELEASED]
    assert changes(panel, FOOT, (5.0, True), (5.1, True)) == [ContactChange.FOOTSWITCH_PRESSED]


def test_footswitch_held_too_long_is_stuck_once() -> None:
    panel = contacts()
    assert changes(panel, FOOT, (1.0, True), (1.1, True)) == [ContactChange.FOOTSWITCH_PRESSED]
    late_s = 1.2 + HELD_TOO_LONG_S
    assert changes(panel, FOOT, (late_s, True), (late_s + 1.0, True)) == [
        ContactChange.FOOTSWITCH_STUCK
    ]
    assert panel.footswitch is FootswitchState.STUCK


def test_guard_blink_of_one_millisecond_is_latched() -> None:
    panel = contacts()
    blink = changes(panel, GUARD, (1.0, False), (1.001, True), (1.01, True), (1.03, True))
    assert blink == [ContactChange.GUARD_OPENED, ContactChange.GUARD_CLOSED]
    assert panel.guard_closed
    assert panel.guard_opened_since(0.5)
    assert panel.guard_opened_since(1.0005)
    assert not panel.guard_opened_since(1.002)


def test_guard_counts_as_open_until_closed_is_stable() -> None:
    panel = contacts(guard_closed=False)
    assert changes(panel, GUARD, (1.0, True), (1.01, True)) == []
    assert panel.guard_opened_since(1.005)
    assert changes(panel, GUARD, (1.0 + STABLE_S + 0.001, True)) == [ContactChange.GUARD_CLOSED]
    assert not panel.guard_opened_since(1.005)


def test_contact_that_is_not_wired_says_nothing() -> None:
    panel = PanelContacts(0.0, {})
    assert changes(panel, GUARD, (1.0, False), (2.0, True)) == []
    assert panel.guard_closed is None
    assert panel.footswitch is None
    assert not panel.guard_opened_since(0.0)


def test_edge_that_comes_late_is_taken_at_the_latest_time() -> None:
    panel = contacts()
    assert changes(panel, GUARD, (2.0, True), (1.9, False)) == [ContactChange.GUARD_OPENED]
    assert panel.guard_opened_since(2.0)


@pytest.mark.parametrize(
    ("verdict", "lamp"),
    [
        (Verdict.PASS, Lamp.PASS),
        (Verdict.FAIL, Lamp.FAIL),
        (Verdict.UNDECIDED, Lamp.ATTENTION),
        (Verdict.VOID, Lamp.ATTENTION),
    ],
)
def test_each_verdict_has_a_lamp(verdict: Verdict, lamp: Lamp) -> None:
    assert lamp_for(verdict) is lamp


@given(st.lists(st.floats(0.0001, STABLE_S * 0.99), max_size=40))
def test_chatter_faster_than_the_stable_time_never_settles(intervals_s: list[float]) -> None:
    contact = Debounced(0.0, False)
    settled = [contact.see(at_s, level) for at_s, level in edges_of(intervals_s)]
    assert not any(settled)


@given(INTERVALS_S)
def test_last_level_settles_once_it_holds(intervals_s: list[float]) -> None:
    contact = Debounced(0.0, False)
    edges = edges_of(intervals_s)
    for at_s, level in edges:
        contact.see(at_s, level)
    end_s, last = edges[-1]
    contact.see(end_s + 2.0 * STABLE_S, last)
    assert contact.level is last


@given(INTERVALS_S, st.lists(st.floats(0.0, 6.0), max_size=50))
def test_polling_between_edges_changes_nothing_but_the_delay(
    intervals_s: list[float], polls_s: list[float]
) -> None:
    """Whatever else is polled, the same presses and releases are found, in the same order."""
    edges = edges_of(intervals_s)
    end = (edges[-1][0] + 1.0, edges[-1][1])
    polled = [
        (at_s, next((level for edge_s, level in reversed(edges) if edge_s <= at_s), False))
        for at_s in polls_s
        if at_s < end[0]
    ]
    alone, together = contacts(), contacts()
    few = changes(alone, FOOT, *edges, end)
    many = changes(together, FOOT, *sorted({*edges, *polled}), end)
    assert many == few


@given(INTERVALS_S)
def test_every_opening_of_the_guard_is_known_afterwards(intervals_s: list[float]) -> None:
    panel = contacts()
    edges = [(at_s, not level) for at_s, level in edges_of(intervals_s)]
    changes(panel, GUARD, *edges, (edges[-1][0] + 1.0, edges[-1][1]))
    for at_s, closed in edges:
        if not closed:
            assert panel.guard_opened_since(at_s)
