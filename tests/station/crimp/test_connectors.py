import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.crimp.connectors import (
    Connector,
    connector_named,
    insulation_gap_mm,
    next_larger,
    strip_length_mm,
)
from station.crimp.facts import shipped_book
from station.crimp.wire import WireSize, awg, parse_size
from station.errors import BadInput

BOOK = shipped_book()

# Colour bands, as trade tables print them, one of which cites SAE AS7928 and UL 486A-486B: red
# [seen-3] (two pages say 22-16), blue and yellow [seen-4].
BANDS = {"red": (22, 20, 18), "blue": (16, 14), "yellow": (12, 10)}


def connector(name: str) -> Connector:
    return connector_named(BOOK.connectors, name)


def sizes(*labels: str) -> list[WireSize]:
    return [parse_size(label) for label in labels]


@pytest.mark.parametrize("family", ["butt-splice", "ring", "fork", "tab-pair"])
@pytest.mark.parametrize(("band", "gauges"), BANDS.items())
def test_bands_take_their_gauges_and_no_others(
    family: str, band: str, gauges: tuple[int, ...]
) -> None:
    barrel = connector(f"{family}-{band}")
    for number in (22, 20, 18, 16, 14, 12, 10, 8):
        assert barrel.accepts_size(awg(number)) is (number in gauges)


def test_metric_sizes_of_the_bands() -> None:
    # The same tables: red 0.5-1.5 [seen-3], blue 1.5-2.5, yellow 4-6 mm2 [seen-4].
    assert connector("butt-splice-red").accepts_size(parse_size("0.75 mm2"))
    assert connector("butt-splice-red").accepts_size(parse_size("1.5 mm2"))
    assert connector("butt-splice-blue").accepts_size(parse_size("1.5 mm2"))
    assert not connector("butt-splice-red").accepts_size(parse_size("2.5 mm2"))
    assert connector("butt-splice-yellow").accepts_size(parse_size("6 mm2"))


@pytest.mark.parametrize(
    ("size", "bands"),
    [
        ("0.2 mm2", ""), ("0.35 mm2", "red"), ("0.85 mm2", "red"), ("2 mm2", "blue"),
        ("2.5 mm2", "blue"), ("3 mm2", "yellow"), ("5 mm2", "yellow"), ("10 mm2", ""),
        ("16x30 AWG", "red"), ("19x29 AWG", "blue"),
    ],
)  # fmt: skip
def test_other_sizes_go_by_their_area(size: str, bands: str) -> None:
    # Bands by AWG and mm2 as above; strandings of wire to SAE J1128, 18 and 16 gauge [seen-1].
    taking = [
        band for band in BANDS if connector(f"butt-splice-{band}").accepts_size(parse_size(size))
    ]
    assert taking == bands.split()


def test_what_is_listed_is_accepted_alone() -> None:
    for item in BOOK.connectors.values():
        for label in item.accepts:
            assert item.accepts_size(parse_size(label)), (item.id, label)
            assert parse_size(label).label == label


def test_sae_wire_goes_where_awg_of_its_number_goes() -> None:
    for number, band in ((18, "red"), (16, "blue"), (14, "blue"), (12, "yellow"), (10, "yellow")):
        assert connector(f"butt-splice-{band}").accepts_size(parse_size(f"SAE {number}"))


def test_every_family_of_the_job_is_there() -> None:
    assert set(BOOK.families) == {
        "butt splice", "parallel splice", "tap connector", "ring", "fork", "tab and receptacle",
        "bullet pair", "open barrel", "soldered splice", "twisted and taped",
    }  # fmt: skip
    used = {item.family for item in BOOK.connectors.values()}
    assert used == set(BOOK.families)


def test_joints_for_teaching_only_say_so() -> None:
    for name in ("soldered splice", "twisted and taped"):
        family = BOOK.families[name]
        assert not family.accepted_joint
        assert "not an accepted joint, for teaching only" in family.title.lower()


def test_every_connector_says_where_to_clip_and_what_to_look_at() -> None:
    for item in BOOK.connectors.values():
        family = BOOK.family_of(item)
        assert family.current_clips
        assert family.sense_clips
        assert family.fixture
        assert BOOK.checklist(item)
        assert item.source


def test_wrong_barrel_is_one_sentence_with_a_way_out() -> None:
    fit = BOOK.fit(connector("butt-splice-red"), sizes("12 AWG", "12 AWG"))
    assert not fit.ok
    assert fit.warning is not None
    assert "not made for 12 AWG" in fit.warning
    assert "Use Butt splice, yellow band." in fit.warning


def test_two_wires_in_one_barrel_add_their_circular_mils() -> None:
    # NASA-STD-8739.4, change 6: add circular mils, take the next larger single size [seen-1]. Two
    # 18 AWG are 3248, between 16 (2583) and 14 AWG (4107) [calc]: a blue barrel.
    two = sizes("18 AWG", "18 AWG")
    assert BOOK.fit(connector("parallel-splice-blue"), two).ok
    red = BOOK.fit(connector("parallel-splice-red"), two)
    assert red.circular_mils == pytest.approx(3248, abs=1)
    assert red.warning is not None
    assert "like 14 AWG" in red.warning
    assert "blue" in red.warning


def test_a_sum_between_two_bands_takes_the_next_larger_size() -> None:
    # Two 20 AWG are 2044 circular mils [calc], between 18 and 16 AWG: like 16 AWG, so blue.
    two = sizes("20 AWG", "20 AWG")
    assert BOOK.fit(connector("parallel-splice-blue"), two).ok
    assert not BOOK.fit(connector("parallel-splice-red"), two).ok
    # Two 0.5 mm2 are 1 mm2, which a red barrel takes [seen-3].
    assert BOOK.fit(connector("parallel-splice-red"), sizes("0.5 mm2", "0.5 mm2")).ok


@given(st.lists(st.integers(10, 28), min_size=2, max_size=2), st.sampled_from(sorted(BANDS)))
def test_the_barrel_that_a_warning_names_does_fit(gauges: list[int], band: str) -> None:
    pair = [awg(number) for number in gauges]
    fit = BOOK.fit(connector(f"parallel-splice-{band}"), pair)
    assert fit.circular_mils == pytest.approx(sum(size.circular_mils for size in pair))
    named = [
        item
        for item in BOOK.connectors.values()
        if fit.warning is not None and f"Use {item.title}." in fit.warning
    ]
    assert len(named) <= 1
    assert all(BOOK.fit(item, pair).ok for item in named)


@given(st.floats(1.0, 211_000.0), st.booleans())
def test_next_larger_is_the_thinnest_that_is_thick_enough(mils: float, metric_sizes: bool) -> None:
    found = next_larger(mils, metric_sizes=metric_sizes)
    most = next_larger(1e9, metric_sizes=metric_sizes)
    assert found.circular_mils >= 0.999 * min(mils, most.circular_mils)
    thinner = next_larger(0.99 * found.circular_mils, metric_sizes=metric_sizes)
    assert thinner.label == found.label


@pytest.mark.parametrize(
    ("mils", "number"), [(1624, 18), (1627, 16), (3248, 14), (100, 30), (83_000, 1), (90_000, 0)]
)
def test_next_larger_single_size(mils: float, number: int) -> None:
    assert next_larger(mils) == awg(number)


@given(st.integers(10, 24), st.integers(10, 24))
def test_a_sum_fits_at_most_one_band(first: int, second: int) -> None:
    pair = [awg(first), awg(second)]
    fitting = [band for band in BANDS if BOOK.fit(connector(f"parallel-splice-{band}"), pair).ok]
    assert len(fitting) <= 1


def test_strip_length_is_about_a_quarter_inch() -> None:
    # A quarter inch, 6.35 mm [common practice, no source]. JEM-TR 162:2006, 1.5 to 6 mm2: barrel
    # plus 0.5 to 2 mm plus 0 to 1 mm [seen-1].
    ring = connector("ring-red")
    assert strip_length_mm(ring, BOOK.family_of(ring)) == (5.5, 8.0)
    butt = connector("butt-splice-red")
    shortest, longest = strip_length_mm(butt, BOOK.family_of(butt)) or (0.0, 0.0)
    assert shortest <= 6.35 <= longest
    soldered = connector("soldered-splice")
    assert strip_length_mm(soldered, BOOK.family_of(soldered)) is None


def test_insulation_gap_by_size() -> None:
    # NASA-STD-8739.4, change 6, and NASA's workmanship pages: 0.25 to 0.75 mm up to 20 AWG, to
    # 1.25 mm from 18 AWG [seen-2].
    assert insulation_gap_mm(awg(20)) == (0.25, 0.75)
    assert insulation_gap_mm(awg(18)) == (0.25, 1.25)


def test_an_unknown_connector_names_those_there_are() -> None:
    with pytest.raises(BadInput, match="butt-splice-red"):
        connector("no-such-thing")
