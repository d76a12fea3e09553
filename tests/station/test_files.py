from pathlib import Path
from typing import Annotated, Literal, get_args

import pytest
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from pydantic_core.core_schema import ErrorType

from station.crimp.limits import LimitSet
from station.errors import DataFileError
from station.files import first_fault, read_toml, wanted_words
from station.instruments.panel.off import pins_in
from station.instruments.profiles import read_profile
from station.settings import Settings, read_settings
from station.shop.standards import load_standards

WORDS_OF_THE_LIBRARY = ("Input", "input", "valid", "pydantic", "instance", "dictionary", "_type")
ODD = ("7", "-7", "2.5", "nan", "true", '""', '"x"', "[]", "[[1]]", "{}", "{x=1}", "1979-05-27")


@pytest.mark.parametrize("key", sorted(Settings.model_fields))
@pytest.mark.parametrize("value", ODD)
def test_no_wrong_setting_is_answered_in_the_words_of_the_library(
    tmp_path: Path, key: str, value: str
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(f"{key} = {value}\n")
    try:
        read_settings(path)
    except DataFileError as error:
        said = str(error).removeprefix(f"The settings {path}: ")
        assert key in said
        assert said.endswith(".")
        assert "\n" not in said
        assert not [word for word in WORDS_OF_THE_LIBRARY if word in said]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('port = "many"', "port is 'many', and has to be a whole number."),
        ("port = 2.5", "port is 2.5, and has to be a whole number."),
        ("port = 70000", "port is 70000, and has to be 65535 or less."),
        ("ledger = 7", "ledger is 7, and has to be the name of a file or folder, in quotes."),
        ('check_failed = "no"', "check_failed is 'no', and has to be 'block' or 'mark'."),
        ('bench = ""', "bench is '', and has to be text that is not empty."),
        ("[meter]\nport = '/dev/x'", "meter.profile is missing."),
        ("meter = 3", "meter is 3, and has to be a table of its own."),
        ("[doors]\nhosts = ['a', 3]", "doors.hosts number 2 is 3, and has to be text in quotes."),
        ("[doors]\nhosts = 'a'", "doors.hosts is 'a', and has to be a list in [ ]."),
        ("[fixture]\nspan_m = nan", "fixture.span_m is nan, and has to be a finite number."),
        (
            "[fixture]\nspan = 1",
            "fixture.span is no key that belongs there (the nearest is span_m).",
        ),
        ("[fixture]\nspan_m = 0", "fixture.span_m is 0, and has to be more than 0."),
    ],
)
def test_a_fault_names_the_place_what_stands_there_and_what_is_wanted(
    tmp_path: Path, text: str, says: str
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(text)
    with pytest.raises(DataFileError) as caught:
        read_settings(path)
    assert str(caught.value) == f"The settings {path}: {says}"


def test_a_long_value_is_cut_off(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(f'bench = "{"x" * 100_000}"')
    with pytest.raises(DataFileError, match="at most 40 characters") as caught:
        read_settings(path)
    assert len(str(caught.value)) < 400


def test_pins_of_the_panel_are_named(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_text("[panel]\nguard = [1]\n")
    with pytest.raises(
        DataFileError, match=r"panel\.guard is a list of 1, and has to be a whole number"
    ):
        pins_in(path)


def test_a_data_file_is_answered_alike(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text('id = "own"\ntitle = 4\n')
    with pytest.raises(DataFileError, match=r"own\.toml: title is 4, and has to be text in quotes"):
        read_toml(path, LimitSet)


def test_the_kind_of_a_file_is_no_step_to_the_place(tmp_path: Path) -> None:
    (tmp_path / "r1.toml").write_text('kind = "resistor"\nid = 3\n')
    with pytest.raises(DataFileError, match=r"r1\.toml: id is 3"):
        load_standards(tmp_path)
    (tmp_path / "r1.toml").write_text('kind = "banana"\nid = "r1"\n')
    with pytest.raises(DataFileError, match=r"kind is 'banana', and has to be one of 'resistor'"):
        load_standards(tmp_path)
    (tmp_path / "r1.toml").write_text('id = "r1"\n')
    with pytest.raises(DataFileError, match=r"r1\.toml: kind is missing"):
        load_standards(tmp_path)


def test_a_profile_is_answered_alike() -> None:
    with pytest.raises(DataFileError, match=r"In the profile p, \w+ is missing: correct the file"):
        read_profile('kind = "meter"\n', "p")


class Odd(BaseModel):
    model_config = ConfigDict(extra="forbid")

    one: int = 0
    pair: tuple[int, int] = (0, 0)
    kind: Literal["a", "b"] = "a"
    at_least_two: Annotated[list[int], Field(min_length=2)] = Field(default=[1, 2])
    named: dict[str, int] = Field(default={})
    chosen: dict[Literal["a", "b"], str] = Field(default={})


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ({"pair": (1, 2, 3)}, "pair is a list of 3, and has to be a list of at most 2"),
        ({"at_least_two": [1]}, "at_least_two is a list of 1, and has to be a list of at least 2"),
        ({"named": []}, "named is a list of 0, and has to be a table of its own"),
        ({"named": {"x": []}}, "named.x is a list of 0, and has to be a whole number"),
        ({"pair": {"x": 1}}, "pair is a table, and has to be a list in [ ]"),
        ({"chosen": {"c": "x"}}, "a key of chosen is 'c', and has to be 'a' or 'b'"),
        ({"won": 1}, "won is no key that belongs there (the nearest is one)"),
    ],
)
def test_other_shapes(content: dict[str, object], says: str) -> None:
    with pytest.raises(ValidationError) as caught:
        Odd.model_validate(content)
    assert first_fault(caught.value, Odd) == says


def test_every_fault_with_words_of_its_own_is_one_that_the_library_has() -> None:
    # pydantic-core's published names; that of a path is pydantic's own and stands in no list.
    assert set(wanted_words()) - {"path_type"} <= set(get_args(ErrorType))


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "No such file or directory"),
        (b'bench = "\xff"', "it is not text in UTF-8 from byte 9 on"),
        (b"bench = ", "Invalid value (at end of document)"),
    ],
)
def test_a_file_that_cannot_be_read_says_why(
    tmp_path: Path, content: bytes | None, says: str
) -> None:
    path = tmp_path / "bench.toml"
    if content is not None:
        path.write_bytes(content)
    for read in (read_settings, pins_in):
        with pytest.raises(DataFileError) as caught:
            read(path)
        assert str(caught.value) == f"The settings {path} could not be read: {says}."
