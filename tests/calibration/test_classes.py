import pytest

from calibration.classes import Classification, ForcePoint, classify, schemes

# Class limits: ISO 7500-1:2018, table of classes, as an open repository holds it [seen-1].
FORCES = (40.0, 80.0, 120.0, 160.0, 200.0)


def with_error(percent: float, scheme: str = "iso-7500-1-2018") -> Classification:
    points = [ForcePoint(force, (force * (1.0 + percent / 100.0),) * 3) for force in FORCES]
    return classify(points, resolution_n=0.05, scheme=scheme, zero_n=0.0)


@pytest.mark.parametrize(
    ("percent", "best"),
    [(0.5, "0.5"), (0.6, "1"), (-0.6, "1"), (1.0, "1"), (1.01, "2"), (3.0, "3"), (3.1, None)],
)
def test_best_class_by_indication_error(percent: float, best: str | None) -> None:
    assert with_error(percent).class_name == best


def test_six_tenths_of_a_per_cent_is_class_1_and_not_class_a_half() -> None:
    found = with_error(0.6)
    assert not found.meets("0.5")
    assert found.meets("1")


def test_astm_e4_allows_one_per_cent_of_every_reading() -> None:
    # ASTM E4-16: +-1 % [seen-1].
    assert with_error(0.9, "astm-e4-16").class_name == "E4"
    spread = [ForcePoint(100.0, (98.9, 99.5))]
    assert classify(spread, resolution_n=0.05, scheme="astm-e4-16").class_name is None
    assert classify(spread, resolution_n=0.05).class_name == "1"


@pytest.mark.parametrize(("name", "least"), [("0.5", 400.0), ("1", 200.0), ("2", 100.0)])
def test_lowest_force_in_digits(name: str, least: float) -> None:
    # ISO 7500-1:2018: lowest verified force 400, 200 and 100 digits, same text [seen-1].
    limits = schemes()["iso-7500-1-2018"].named(name)
    assert 100.0 / limits.resolution == least
    at_least = classify([ForcePoint(least * 0.1, (least * 0.1,))], resolution_n=0.1)
    below = classify([ForcePoint(least * 0.0999, (least * 0.0999,))], resolution_n=0.1)
    assert at_least.meets(name)
    assert not below.meets(name)


@pytest.mark.parametrize(
    ("point", "zero_n", "best"),
    [
        (ForcePoint(100.0, (100.0, 100.6)), 0.0, "1"),
        (ForcePoint(100.0, (100.0, 100.0), 100.8), 0.0, "1"),
        (ForcePoint(100.0, (100.0, 100.0)), 0.15, "2"),
    ],
    ids=["repeatability", "reversibility", "zero"],
)
def test_other_errors_count_too(point: ForcePoint, zero_n: float, best: str) -> None:
    assert classify([point], resolution_n=0.01, zero_n=zero_n).class_name == best


def test_the_worst_point_decides() -> None:
    points = [ForcePoint(100.0, (100.1,)), ForcePoint(50.0, (51.0,))]
    assert classify(points, resolution_n=0.01).class_name == "2"
    assert classify(points[:1], resolution_n=0.01).class_name == "0.5"


def test_every_scheme_says_where_it_is_from() -> None:
    for scheme in schemes().values():
        assert scheme.source
        assert scheme.standing == ("memory" if scheme.id.endswith("-memory") else "seen-1")
        limits = [item.indication for item in scheme.classes]
        assert limits == sorted(limits)


@pytest.mark.parametrize(
    ("points", "resolution", "scheme"),
    [
        ([], 0.1, "iso-7500-1-2018"),
        ([ForcePoint(0.0, (1.0,))], 0.1, "iso-7500-1-2018"),
        ([ForcePoint(1.0, ())], 0.1, "iso-7500-1-2018"),
        ([ForcePoint(1.0, (1.0,))], 0.0, "iso-7500-1-2018"),
        ([ForcePoint(1.0, (1.0,))], 0.1, "of the moon"),
    ],
)
def test_input_that_cannot_be_classified(
    points: list[ForcePoint], resolution: float, scheme: str
) -> None:
    with pytest.raises(ValueError, match=r"point|positive|no scheme"):
        classify(points, resolution_n=resolution, scheme=scheme)


def test_unknown_class() -> None:
    with pytest.raises(ValueError, match="no class '7'"):
        with_error(0.1).meets("7")


def test_what_is_from_memory_stands_in_a_scheme_of_its_own() -> None:
    # ASTM E4-16, clause 10: 1 % of every reading, 200 digits [seen-1]; repeatability of 1 %
    # [memory].
    seen, remembered = schemes()["astm-e4-16"], schemes()["astm-e4-16-memory"]
    assert seen.classes[0].repeatability is None
    assert remembered.classes[0].repeatability == 1.0
    assert "memory" in remembered.source
    spread = [ForcePoint(100.0, (99.2, 100.8))]
    assert classify(spread, resolution_n=0.05, scheme=seen.id).class_name == "E4"
    assert classify(spread, resolution_n=0.05, scheme=remembered.id).class_name is None
