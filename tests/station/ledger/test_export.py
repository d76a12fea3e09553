"""The export of a whole ledger, and the ledger made of it again."""

import csv
import json
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from station.errors import BadInput, LedgerDamaged
from station.ledger import export
from station.ledger.chain import FIRST_PREV_HASH, entry_hash
from station.ledger.entries import KINDS, Correction, PersonAdded, SampleBegun, SampleFinished
from station.ledger.export import TraceForm, export_ledger
from station.ledger.export_format import columns_of
from station.ledger.reimport import import_export
from station.ledger.store import DEFAULT_BENCH, Ledger
from station.ledger.traces import decode_trace
from station.ledger.verify import verify_ledger
from tests.station.ledger.export_reading import value_of
from tests.station.ledger.test_backup import files, whole_record
from tests.station.ledger.test_verify import tampering

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
FORMULA = '=HYPERLINK("http://invented.example","click")'


@pytest.fixture
def exported(full_ledger: Ledger, tmp_path: Path) -> Path:
    export_ledger(full_ledger.path, tmp_path / "out", now=NOW)
    return tmp_path / "out"


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def lines_of(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


@pytest.mark.parametrize("form", ["csv", "npz"])
def test_an_export_imports_to_the_very_same_ledger(
    full_ledger: Ledger, tmp_path: Path, form: TraceForm
) -> None:
    seen: list[tuple[int, int]] = []
    report = export_ledger(
        full_ledger.path,
        tmp_path / "out",
        now=NOW,
        traces=form,
        progress=lambda done, total: seen.append((done, total)),
    )
    assert seen[-1][0] == seen[-1][1] == sum(report.entries.values()) + report.samples + 5
    made = import_export(tmp_path / "out", tmp_path / "again.ledger")
    assert made == verify_ledger(full_ledger.path)
    assert whole_record(tmp_path / "again.ledger") == whole_record(full_ledger.path)
    assert not [name for name in files(tmp_path) if name.startswith(".")]


def test_numbers_that_an_older_station_spelled_otherwise_keep_their_spelling(
    ledger: Ledger, tmp_path: Path
) -> None:
    spelled = (
        '{"demo":false,"instrument":"M","readings":[5e-05],"reason":"","study_id":"s","turn":0,'
        '"value":5e-05}'
    )
    columns = {
        "bench": DEFAULT_BENCH, "seq": 1, "id": "017f22e2-79b0-7cc3-98c4-dc0c0c07398f",
        "kind": "study_reading", "version": 1, "at_utc": "2022-02-22T19:22:22.000000Z",
        "clock_synced": True, "boot_id": "boot", "monotonic_s": 12.0, "person": "Ana",
        "payload": spelled, "prev_hash": FIRST_PREV_HASH,
    }  # fmt: skip
    ledger.adopt([columns | {"hash": entry_hash(columns)}])
    export_ledger(ledger.path, tmp_path / "out", now=NOW)
    made = import_export(tmp_path / "out", tmp_path / "again.ledger")
    assert made == verify_ledger(ledger.path)
    assert whole_record(tmp_path / "again.ledger") == whole_record(ledger.path)


def test_lines_hold_every_entry_and_tables_say_the_same(
    full_ledger: Ledger, exported: Path
) -> None:
    found = {}
    for kind, model in KINDS.items():
        path = exported / "entries" / f"{kind}.jsonl"
        if not path.exists():
            assert not list(full_ledger.reader.entries(kind))
            continue
        lines, rows = lines_of(path), rows_of(path.with_suffix(".csv"))
        columns = {f"payload.{one.name}": one for one in columns_of(model)}
        for line, row in zip(lines, rows, strict=True):
            found[line["seq"]] = line
            assert int(row["seq"]) == line["seq"]
            for name, column in columns.items():
                value: Any = line["payload"]
                for part in column.path:
                    value = value.get(part) if isinstance(value, dict) else None
                assert value_of(row[name], column) == value
    entries = list(full_ledger.reader.entries())
    assert sorted(found) == [entry.seq for entry in entries]
    for entry in entries:
        assert found[entry.seq]["hash"] == entry.hash
        assert found[entry.seq]["payload"] == entry.payload.model_dump(mode="json")


def test_every_line_fits_the_schema_beside_it(exported: Path) -> None:
    # The validator is the reference: an implementation of JSON Schema that is not ours.
    checked = 0
    for path in sorted((exported / "entries").glob("*.jsonl")):
        schema = json.loads(path.with_suffix(".schema.json").read_text())
        validator = jsonschema.Draft202012Validator(schema)
        validator.check_schema(schema)
        for line in lines_of(path):
            validator.validate(line)
            checked += 1
        with path.with_suffix(".csv").open(encoding="utf-8", newline="") as file:
            heading = next(csv.reader(file))
        assert heading == [column["name"] for column in schema["csv_columns"]]
    assert checked > 20


def test_samples_are_those_on_the_page_corrections_included(
    full_ledger: Ledger, exported: Path
) -> None:
    rows = rows_of(exported / "samples.csv")
    on_page = full_ledger.reader.samples(newest_first=False)
    assert [row["sample_id"] for row in rows] == [row.sample_id for row in on_page]
    for row, shown in zip(rows, on_page, strict=True):
        assert row["verdict"] == (shown.verdict or "")
        assert row["void_reason"] == (shown.void_reason or "")
        assert (float(row["peak_n"]) if row["peak_n"] else None) == shown.peak_n
        assert row["demo"] == str(shown.demo).lower()


def test_an_export_says_what_the_entries_say_whatever_the_read_tables_do(
    full_ledger: Ledger, exported: Path, tmp_path: Path
) -> None:
    with tampering(full_ledger.path) as connection:
        connection.execute("UPDATE sample SET verdict = 'void', peak_n = 999")
        (first,) = connection.execute("SELECT min(begun_seq) FROM sample").fetchone()
        connection.execute("DELETE FROM sample WHERE begun_seq = ?", [first])
    export_ledger(full_ledger.path, tmp_path / "again", now=NOW)
    sound = (exported / "samples.csv").read_bytes()
    assert b",pass," in sound
    assert (tmp_path / "again" / "samples.csv").read_bytes() == sound
    last = "SELECT max(seq) FROM entry WHERE kind = 'sample_finished'"
    with tampering(full_ledger.path) as connection:
        changed = f"replace(payload, 'pass', 'fail') WHERE seq = ({last})"
        connection.execute(f"UPDATE entry SET payload = {changed}")
    with pytest.raises(LedgerDamaged, match=r"cannot be exported \(entry \d+ .*its hash"):
        export_ledger(full_ledger.path, tmp_path / "none", now=NOW)
    assert not (tmp_path / "none").exists()


def test_traces_are_read_by_numpy_alone(full_ledger: Ledger, tmp_path: Path) -> None:
    # Source of both formats: NumPy's own readers, which know nothing of the station.
    export_ledger(full_ledger.path, tmp_path / "one", now=NOW, traces="npz")
    export_ledger(full_ledger.path, tmp_path / "two", now=NOW, traces="csv")
    archive = np.load(tmp_path / "one" / "traces.npz")
    assert len(archive.files) == 4
    for key in archive.files:
        stored = full_ledger.reader.trace(key)
        assert stored is not None
        expected = np.array(decode_trace(stored))
        np.testing.assert_array_equal(archive[key], expected)
        path = tmp_path / "two" / "traces" / key[:2] / f"{key}.csv"
        np.testing.assert_array_equal(np.loadtxt(path, delimiter=",", skiprows=1).T, expected)


def test_no_text_in_a_table_starts_a_formula_and_all_read_back(
    ledger: Ledger, begun: Callable[..., SampleBegun], tmp_path: Path
) -> None:
    sample = ledger.append(begun(job=FORMULA, tool="-1+2"), person="@Ana")
    ledger.append(PersonAdded(name="'quoted", role="lead"), person="+Ana")
    ledger.append(Correction(corrects_id=sample.id, reason="\t=1", void_sample=True), person="=Ana")
    export_ledger(ledger.path, tmp_path / "out", now=NOW)
    cells = [
        text
        for path in (tmp_path / "out").rglob("*.csv")
        for row in rows_of(path)
        for text in row.values()
    ]
    assert not [text for text in cells if text.startswith(("=", "+", "-", "@", "\t"))]
    assert f"'{FORMULA}" in cells
    import_export(tmp_path / "out", tmp_path / "again.ledger")
    assert whole_record(tmp_path / "again.ledger") == whole_record(ledger.path)


def test_an_export_says_what_was_asked_of_a_joint_and_that_records_are_invented(
    full_ledger: Ledger, exported: Path, tmp_path: Path
) -> None:
    questions = {item["id"]: item for item in json.loads((exported / "looks.json").read_text())}
    assert questions["sleeve-whole"]["question"].startswith("Is the sleeve whole")
    assert questions["sleeve-whole"]["critical"] is True
    said = "INVENTED demo records"
    assert said not in (exported / "README.txt").read_text()
    full_ledger.append(PersonAdded(name="Ed", role="lead", demo=True), person="Ed")
    export_ledger(full_ledger.path, tmp_path / "demo", now=NOW, traces="none")
    assert said in (tmp_path / "demo" / "README.txt").read_text()


def test_an_export_without_traces_says_so(full_ledger: Ledger, tmp_path: Path) -> None:
    report = export_ledger(full_ledger.path, tmp_path / "out", now=NOW, traces="none")
    assert report.traces == 0
    assert "traces" not in files(tmp_path / "out")
    manifest = json.loads((tmp_path / "out" / "export.json").read_text())
    assert manifest["traces_as"] == "none"
    with pytest.raises(BadInput, match=r"does not make a sound ledger \(trace"):
        import_export(tmp_path / "out", tmp_path / "again.ledger")


def test_an_existing_folder_is_left_alone(full_ledger: Ledger, exported: Path) -> None:
    before = files(exported)
    with pytest.raises(BadInput, match="exists already"):
        export_ledger(full_ledger.path, exported, now=NOW)
    assert files(exported) == before
    with pytest.raises(BadInput, match="No folder can be made"):
        export_ledger(full_ledger.path, exported / "no" / "deeper", now=NOW)


def test_a_broken_export_leaves_nothing(
    full_ledger: Ledger, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(_data: bytes) -> None:
        raise LedgerDamaged("A trace cannot be uncompressed: verify the ledger.")

    monkeypatch.setattr(export, "decode_trace", damaged)
    there = files(tmp_path)
    with pytest.raises(LedgerDamaged):
        export_ledger(full_ledger.path, tmp_path / "out", now=NOW)
    assert files(tmp_path) == there


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


@pytest.mark.parametrize(
    ("file", "old", "new", "sentence"),
    [
        ("entries/sample_finished.jsonl", "112.5", "113.5", "does not match its hash"),
        ("entries/person_added.jsonl", '"seq":2', '"seq":9', "does not follow entry 1"),
        ("entries/person_added.jsonl", '"payload":', '"other":', "cannot be read"),
        ("entries/tool_added.jsonl", "{", "[", "cannot be read"),
        ("export.json", '"bench"', '"bank"', "is not an export"),
        ("export.json", '"last_hash": "', '"last_hash": "0', "last entries are missing"),
    ],
)
def test_a_changed_export_is_refused_and_makes_no_ledger(
    exported: Path, tmp_path: Path, file: str, old: str, new: str, sentence: str
) -> None:
    change(exported / file, old, new)
    there = files(tmp_path)
    with pytest.raises(BadInput, match=sentence):
        import_export(exported, tmp_path / "again.ledger")
    assert files(tmp_path) == there


def test_a_changed_or_missing_trace_is_refused(exported: Path, tmp_path: Path) -> None:
    path = next((exported / "traces").glob("*/*.csv"))
    text = path.read_text()
    path.write_text(text.replace("0.0,0.0", "0.0,0.5"))
    with pytest.raises(BadInput, match=f"{path.stem} does not match its hash: it was changed"):
        import_export(exported, tmp_path / "again.ledger")
    path.unlink()
    with pytest.raises(BadInput, match=f"names the trace {path.stem}|{path.stem}"):
        import_export(exported, tmp_path / "again.ledger")


def test_an_existing_ledger_is_never_imported_into(full_ledger: Ledger, exported: Path) -> None:
    before = whole_record(full_ledger.path)
    with pytest.raises(BadInput, match="exists already"):
        import_export(exported, full_ledger.path)
    assert whole_record(full_ledger.path) == before


def test_a_ledger_without_entries_goes_there_and_back(ledger: Ledger, tmp_path: Path) -> None:
    report = export_ledger(ledger.path, tmp_path / "out", now=NOW)
    assert (sum(report.entries.values()), report.samples, report.traces) == (0, 0, 0)
    assert import_export(tmp_path / "out", tmp_path / "again.ledger").entries == 0


def test_finished_samples_keep_their_numbers(full_ledger: Ledger, exported: Path) -> None:
    lines = lines_of(exported / "entries" / "sample_finished.jsonl")
    for line, entry in zip(lines, full_ledger.reader.entries(SampleFinished.KIND), strict=True):
        assert SampleFinished.model_validate(line["payload"]) == entry.payload
