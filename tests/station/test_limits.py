import pytest
from pydantic import ValidationError

from station.datafiles import shipped_limit_sets
from station.errors import NoLimit
from station.limits import CriterionTable, LimitSet, LimitSets
from station.wire import parse_size

# Newton column as printed beside UL 486A (seen in three texts; pound-force times 4.45, rounded),
# without the 2/0 misprint.
UL_PRINTED_N = {
    "30 AWG": 6.7, "28 AWG": 8.9, "26 AWG": 13.4, "24 AWG": 22.3, "22 AWG": 35.6, "20 AWG": 57.9,
    "18 AWG": 89.0, "16 AWG": 133.5, "14 AWG": 222.5, "12 AWG": 311.5, "10 AWG": 356.0,
    "8 AWG": 400.5, "6 AWG": 445.0, "4 AWG": 623.0, "3 AWG": 712.0, "2 AWG": 801.0,
    "1 AWG": 890.0, "1/0 AWG": 1112.5, "3/0 AWG": 1557.5, "4/0 AWG": 2002.5,
}  # fmt: skip

# Newton column of MIL-T-7928 (seen once; 18 AWG twice).
MILITARY_PRINTED_N = {
    "26 AWG": 31.1, "24 AWG": 44.5, "22 AWG": 66.7, "20 AWG": 84.5, "18 AWG": 169.0,
    "16 AWG": 222.5, "14 AWG": 311.5, "12 AWG": 489.3, "10 AWG": 667.2,
}  # fmt: skip


@pytest.mark.parametrize(
    ("set_id", "printed"),
    [("ul-486a-1991", UL_PRINTED_N), ("mil-t-7928", MILITARY_PRINTED_N)],
)
def test_pull_limits_against_the_printed_newton_column(
    set_id: str, printed: dict[str, float]
) -> None:
    sets = shipped_limit_sets()
    for label, newton in printed.items():
        limit = sets.limit(set_id, "pull_force_min", parse_size(label))
        assert limit.value_si == pytest.approx(newton, abs=max(0.08, 6e-4 * newton)), label


def test_two_aught_follows_pound_force_not_the_misprint() -> None:
    # 300 lbf is 1334.5 N; two texts print 1235.0 N.
    limit = shipped_limit_sets().limit("ul-486a-1991", "pull_force_min", parse_size("2/0"))
    assert limit.value_si == pytest.approx(1334.5, abs=0.1)


def test_no_interpolation_and_the_message_says_who_has_the_size() -> None:
    with pytest.raises(NoLimit, match="not interpolated"):
        shipped_limit_sets().for_size(parse_size("17 AWG"))
    with pytest.raises(NoLimit, match="ul-486a-1991"):
        shipped_limit_sets().for_size(parse_size("4/0"), "mil-t-7928")


def test_unknown_set_names_those_there_are() -> None:
    with pytest.raises(NoLimit, match="mil-t-7928"):
        shipped_limit_sets()["no-such-set"]


def small_set(**changes: object) -> LimitSet:
    return LimitSet.model_validate(
        {
            "id": "invented",
            "title": "Invented",
            "source": "nowhere",
            "edition": "none",
            "standing": "memory",
            "insulation_grip": "not stated",
            "pull_kind": "not stated",
            "criteria": [{"criterion": "pull_force_min", "unit": "N", "rows": {"18 AWG": 90}}],
            **changes,
        }
    )


def test_sets_from_memory_load_only_by_name() -> None:
    sets = LimitSets([small_set()])
    with pytest.raises(NoLimit, match="seen in print"):
        sets.for_size(parse_size("18 AWG"))
    assert sets.for_size(parse_size("18 AWG"), "invented")[0].standing == "memory"


@pytest.mark.parametrize(
    "table",
    [
        {"criterion": "pull_force_min", "unit": "mV", "rows": {"18 AWG": 1}},
        {"criterion": "pull_force_min", "unit": "N", "rows": {"18awg": 1}},
        {"criterion": "pull_force_min", "unit": "N", "rows": {"18 AWG": -1}},
        {"criterion": "voltage_drop_max", "unit": "mV", "rows": {"18 AWG": 3}},
        {"criterion": "beauty_min", "unit": "1", "rows": {}},
    ],
)
def test_contradictory_tables_are_refused(table: dict[str, object]) -> None:
    with pytest.raises(ValidationError):
        CriterionTable.model_validate(table)


def test_every_shipped_set_states_source_and_standing() -> None:
    sets = shipped_limit_sets()
    for name in sets.ids:
        assert sets[name].source
        assert sets[name].edition
        assert sets[name].standing
