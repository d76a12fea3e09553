import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.causes import Findings, hints, level
from station.crimp.facts import shipped_book, shipped_causes
from station.crimp.pull.reduce import FAILURE_MODES

CAUSES = shipped_causes()
ITEMS = set(shipped_book().items)


def first(**found: object) -> str:
    return hints(Findings(**found), CAUSES)[0].cause  # type: ignore[arg-type]


# All: [common practice, no source].
@pytest.mark.parametrize(
    ("found", "cause"),
    [
        ({"force": "low", "resistance": "high", "failure_mode": "drawn_out"}, "under-crimped"),
        ({"force": "low", "resistance": "ok", "failure_mode": "broke_at_edge",
          "faults": frozenset({"barrel-whole"})}, "over-crimped"),
        ({"force": "low", "failure_mode": "broke_in_barrel", "resistance": "high",
          "faults": frozenset({"strands-whole"})}, "strands-cut"),
        ({"resistance": "high", "force": "ok", "faults": frozenset({"insulation-in-barrel"})},
         "insulation-in-barrel"),
        ({"resistance": "high", "force": "low", "failure_mode": "broke_in_wire"},
         "wrong-wire-size"),
        ({"failure_mode": "grip_slip"}, "grip"),
        ({"failure_mode": "connector_broke", "force": "low"}, "weak-connector"),
        ({"resistance": "high", "faults": frozenset({"centred"})}, "poor-contact"),
        ({"force": "high", "resistance": "low"}, "stronger-wire"),
        ({"force": "high", "resistance": "ok", "failure_mode": "broke_in_wire"},
         "hard-drawn-wire"),
        ({"force": "ok", "failure_mode": "broke_at_edge",
          "faults": frozenset({"insulation-crimp"})}, "insulation-grip-cuts"),
        ({"force": "ok", "failure_mode": "broke_at_edge", "faults": frozenset({"bell-mouth"})},
         "no-bell-mouth"),
        ({"force": "low", "resistance": "ok", "failure_mode": "connector_broke"},
         "weak-connector"),
        ({"force": "high", "failure_mode": "drawn_out"}, "too-fast"),
        ({"force": "ok", "faults": frozenset({"insulation-gap", "window"})}, "over-stripped"),
        ({"force": "low", "failure_mode": "drawn_out", "wires": "unequal", "resistance": "high"},
         "unequal-wires"),
    ],
)  # fmt: skip
def test_typical_findings_lead_to_typical_causes(found: dict[str, object], cause: str) -> None:
    assert first(**found) == cause


def test_nothing_found_gives_no_hint() -> None:
    assert hints(Findings(), CAUSES) == []
    assert hints(Findings(force="ok", resistance="ok"), CAUSES) == []


def test_the_causes_of_the_job_are_all_there() -> None:
    assert {cause.id for cause in CAUSES} >= {
        "under-crimped", "over-crimped", "wrong-nest", "strands-cut", "insulation-in-barrel",
        "wrong-wire-size", "corroded-or-clad", "hard-drawn-wire", "insulation-grip-cuts",
        "no-bell-mouth", "side-pull", "too-fast", "over-stripped", "unequal-wires",
    }  # fmt: skip


def test_rules_name_only_checks_that_exist_and_are_worded_as_hints() -> None:
    for cause in CAUSES:
        assert set(cause.must.faults) | set(cause.speaks_for.faults) <= ITEMS
        assert cause.look_at
        assert "verdict" not in cause.hint.lower()


def test_every_rule_can_be_reached() -> None:
    for cause in CAUSES:
        must = cause.must
        found = Findings(
            force=must.force[0] if must.force else None,
            resistance=must.resistance[0] if must.resistance else None,
            failure_mode=must.failure_mode[0] if must.failure_mode else None,
            faults=frozenset(must.faults),
            wires=must.wires[0] if must.wires else None,
        )
        assert cause.id in [hint.cause for hint in hints(found, CAUSES)]


levels = st.sampled_from([None, "low", "ok", "high"])


modes = st.sampled_from([None, *FAILURE_MODES])


@given(levels, levels, modes, st.frozensets(st.sampled_from(sorted(ITEMS))))
def test_more_signs_stand_higher(
    force: object, resistance: object, mode: str | None, faults: frozenset[str]
) -> None:
    found = hints(Findings(force, resistance, mode, faults), CAUSES)  # type: ignore[arg-type]
    assert [hint.signs for hint in found] == sorted((h.signs for h in found), reverse=True)


@pytest.mark.parametrize(
    ("verdict", "score", "expected"),
    [("fail", 0.0, "low"), ("pass", -3.0, "low"), ("pass", 3.0, "high"), ("pass", 1.0, "ok"),
     (None, None, None), (None, -4.0, "low"), ("undecided", None, "ok")],
)  # fmt: skip
def test_levels(verdict: str | None, score: float | None, expected: str | None) -> None:
    assert level(verdict, score, bad="low") == expected


def test_wires_of_one_size_are_never_called_unequal() -> None:
    found = hints(Findings("low", "high", "drawn_out"), CAUSES)
    assert "unequal-wires" not in [hint.cause for hint in found]
