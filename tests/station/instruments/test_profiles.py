import re
from pathlib import Path

import pytest
from scipy import constants

from station.errors import DataFileError
from station.instruments.profiles import (
    SHIPPED_FOLDER,
    MeasuringCommands,
    load_meter_profile,
    load_profile,
    load_tester_profile,
    profile_names,
)

METER = "meter-scpi-plain"
TESTER = "tester-stream-newton"


@pytest.mark.parametrize("name", profile_names())
def test_every_shipped_profile_loads_and_says_where_its_numbers_come_from(name: str) -> None:
    profile = load_profile(name)
    assert "invented" in profile.source
    # Seen, from memory, or our own: the tags of tests/published/README.md.
    assert re.search(r"\[seen-\d\]|\[memory\]|this project's own", profile.source)


def test_the_tester_profile_reads_the_line_it_describes() -> None:
    reply = load_tester_profile(TESTER).dialect.reply
    match = re.fullmatch(reply, "1234,+56.7,N,OK")
    assert match is not None
    assert match.groupdict() == {"counter": "1234", "force": "+56.7", "unit": "N", "status": "OK"}


def test_units_are_those_of_the_reference_library() -> None:
    # scipy.constants: standard gravity (3rd CGPM, 1901) and the pound-force.
    units = load_tester_profile(TESTER).dialect.units
    assert units["kgf"] == pytest.approx(constants.kilogram_force, rel=1e-12)
    assert units["lbf"] == pytest.approx(constants.pound_force, rel=1e-12)


def test_a_reading_takes_its_integration_time_doubled_twice() -> None:
    # Common practice, no source: NPLC over mains frequency, twice for autozero and twice for
    # offset compensation, so that 10 NPLC at 50 Hz take 0.8 s; wait three times that and 1 s.
    measuring = MeasuringCommands(
        nplc=10, mains_frequency_hz=50, autozero=True, offset_compensation=True
    )
    assert measuring.reading_time_s == pytest.approx(0.8)
    assert measuring.reading_timeout_s == pytest.approx(3.4)


def test_an_unknown_name_is_told_the_nearest() -> None:
    with pytest.raises(DataFileError, match="nearest is 'meter-scpi-plain'"):
        load_profile("meter-scpi")


def test_the_wrong_kind_is_refused() -> None:
    with pytest.raises(DataFileError, match="for a pull tester"):
        load_meter_profile(TESTER)
    with pytest.raises(DataFileError, match="for a meter"):
        load_tester_profile(METER)


def test_the_shops_own_folder_goes_first(tmp_path: Path) -> None:
    text = (SHIPPED_FOLDER / f"{METER}.toml").read_text()
    (tmp_path / f"{METER}.toml").write_text(text.replace("nplc = 1", "nplc = 5"))
    (tmp_path / "ours.toml").write_text(text)
    assert load_meter_profile(METER, tmp_path).measuring.nplc == 5
    assert load_meter_profile("ours", tmp_path).measuring.nplc == 1
    assert "ours" in profile_names(tmp_path)
    assert "ours" not in profile_names()


@pytest.mark.parametrize(
    ("name", "old", "new", "words"),
    [
        (METER, "baud = 9600", "baud = -1", "line.baud is -1, and has to be more than 0"),
        (METER, "nplc = 1", "nplc = nan", "measuring.nplc is nan, and has to be a finite number"),
        (METER, "nplc = 1", "nplc = 1\nsurprise = 2", "measuring.surprise is no key"),
        (METER, "{nplc:g}", "{speed:g}", "dialect.configure: cannot fill"),
        (METER, 'kind = "meter"', 'kind = "scale"', "kind is 'scale', and has to be one of"),
        (METER, "[line]", "[line", "cannot be read"),
        (TESTER, "(?P<force>", "(?P<power>", "dialect.reply: needs the group force"),
        (TESTER, "(?P<force>", "(?P<force>(", "not a regular expression"),
        (TESTER, "kgf = 9.80665", "kg = 9.80665", "kg is a mass"),
        (TESTER, "tension_sign = 1", "tension_sign = 1\nsigns = { P = 1 }", "go together"),
        (TESTER, 'good_status = ["OK"]', "", "list every status with which a force is good"),
        (METER, "offset_compensation = true", "offset_compensation = false", "give measuring.test"),
        ("meter-trigger-fetch", r"(?P<count>\d+)", r"\d+", "may hand out an old reading"),
        ("meter-scpi-reversal", 'by = "command"', 'by = "relay"', "are for by = 'command'"),
        (
            TESTER,
            "capacity_n = 1000",
            "capacity_n = 0",
            "force.capacity_n is 0, and has to be more than 0",
        ),
    ],
)
def test_a_bad_file_is_named_with_the_place(
    tmp_path: Path, name: str, old: str, new: str, words: str
) -> None:
    text = (SHIPPED_FOLDER / f"{name}.toml").read_text()
    assert old in text
    (tmp_path / "bad.toml").write_text(text.replace(old, new, 1))
    with pytest.raises(DataFileError, match=words) as caught:
        load_profile("bad", tmp_path)
    assert "bad.toml" in str(caught.value)


def test_thermal_voltages_that_nothing_cancels_join_the_uncertainty(tmp_path: Path) -> None:
    text = (SHIPPED_FOLDER / f"{METER}.toml").read_text()
    off = "offset_compensation = false\ntest_current_a = 0.1"
    (tmp_path / "plain.toml").write_text(text.replace("offset_compensation = true", off))
    # 5 microvolt over 0.1 A are 50 microohm [calc].
    assert load_meter_profile("plain", tmp_path).worth(0.01).u_thermal_ohm == pytest.approx(50e-6)
    assert load_meter_profile(METER).worth(0.01).u_thermal_ohm == 0.0


def test_what_guards_a_dialect_is_known() -> None:
    guards = {
        name: load_tester_profile(name).dialect.guarded_by
        for name in profile_names() if name.startswith("tester")
    }  # fmt: skip
    assert guards.pop("tester-line-protocol") == "checksum"
    assert guards.pop("tester-stream-newton") == "counter"
    assert set(guards.values()) == {"nothing"}
    notes = (Path(__file__).parents[3] / "firmware_notes" / "profiles.md").read_text("utf-8")
    weak = re.search(r"^\| neither \| (.*?) \|", notes, re.MULTILINE)
    assert weak is not None
    assert set(weak[1].split(", ")) == set(guards)
