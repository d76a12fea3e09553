from pathlib import Path

import pytest

from station.errors import StationError
from station.instruments.bay import InstrumentBay
from station.settings import InstrumentSettings, Settings, data_folder, read_settings


def written(folder: Path, text: str) -> Path:
    path = folder / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_defaults_without_a_file() -> None:
    assert read_settings(None) == Settings()


def test_a_file_sets_what_it_names(tmp_path: Path) -> None:
    path = written(tmp_path, 'bench = "north"\nguard = 2\n[fixture]\nspan_m = 0.1\n')
    settings = read_settings(path)
    assert (settings.bench, settings.guard, settings.fixture.span_m) == ("north", 2.0, 0.1)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("guardd = 2", "nearest is guard"),
        ("[fixture]\nspan = 1", "nearest is span_m"),
        ("guard = -1", "guard"),
        ("guard = ", "could not be read"),
        ('port = "many"', "port"),
        ("[fixture]\nspan_m = nan", "span_m"),
        ("[fixture]\ncrosshead_mm_per_min = 0", "crosshead_mm_per_min"),
        ('[fixture]\ninsulation_grip = "shut"', "insulation_grip"),
    ],
)
def test_mistakes_are_one_sentence_that_names_the_place(
    tmp_path: Path, text: str, says: str
) -> None:
    with pytest.raises(StationError) as caught:
        read_settings(written(tmp_path, text))
    assert says in str(caught.value)
    assert "bench.toml" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(StationError, match=r"nowhere\.toml"):
        read_settings(tmp_path / "nowhere.toml")


def test_a_misspelt_profile_is_found_at_the_start() -> None:
    meter = InstrumentSettings(port="/dev/null", profile="meter-of-the-moon")
    with pytest.raises(StationError, match="meter-of-the-moon"):
        InstrumentBay(Settings(meter=meter))


def test_the_data_folder_follows_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STATION_HOME", "/somewhere")
    assert data_folder() == Path("/somewhere")
    monkeypatch.delenv("STATION_HOME")
    monkeypatch.setenv("XDG_DATA_HOME", "/data")
    assert data_folder() == Path("/data/crimp-station")


def test_a_setting_that_went_says_what_takes_its_place(tmp_path: Path) -> None:
    path = written(tmp_path, "[fixture]\nwire_u_fraction = 0.012\n")
    with pytest.raises(StationError, match="delete it: the wire's share comes from its reel"):
        read_settings(path)


def test_a_family_may_have_a_span_of_its_own(tmp_path: Path) -> None:
    path = written(tmp_path, '[fixture.spans_mm]\nring = 60\n"butt-splice" = 152.4\n')
    fixture = read_settings(path).fixture
    spans = [fixture.span_of(family) for family in ("ring", "butt splice", "lug")]
    assert spans == pytest.approx([0.060, 0.1524, 0.080])
    wrong = written(tmp_path, "[fixture.spans_mm]\nrings = 60\n")
    with pytest.raises(StationError, match="no family 'rings'"):
        read_settings(wrong)
