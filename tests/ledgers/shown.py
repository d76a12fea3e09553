"""What the station shows of a ledger, to compare it with what an older station showed of it."""

import csv
import hashlib
import io
import json
import tempfile
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

from station.jobs.daily.plan import DailyCheckPlan
from station.jobs.daily.record import due as due_nests
from station.jobs.papers.of_job import paper_of
from station.jobs.plans import chosen_plan
from station.ledger.export import export_ledger
from station.ledger.jobs import holds, job_record, jobs, nest_checks
from station.ledger.reader import LedgerReader
from station.ledger.rows import JobRow, SampleRow
from station.ledger.store import Ledger
from station.ledger.verify import verify_ledger
from station.settings import Settings
from station.shop.studies import result_of, studies
from station.shop.trend import NestTrend
from station.shop.trend_cache import trend_of

RUN_LENGTH = 5_000
LATER = datetime(2027, 1, 4, 12, tzinfo=UTC)
"""When it is looked at, so that what is due does not depend on today."""

_MARKED_SINCE = ("The clock was not known to be set at", "Measured without a calibration in force")
"""Begin the marks that papers have since then; they are the only lines that they have more."""

_NAMES_A_COMMAND = ("Compare it on the bench", "station nest since")
"""Begin what a paper says of commands that look something up; commands may come and go."""

_WHERE_THEY_STAND = " All of them"
"""Begins the end of a line that says where to look the rest up."""


def what_it_shows(path: Path) -> dict[str, Any]:
    """Return verdicts, trends, jobs with their papers, and what is due, as JSON has them."""
    with Ledger.open(path, create=False) as ledger:
        reader = ledger.reader
        samples = reader.samples(limit=100_000, newest_first=False)
        shown = {
            "samples": {row.sample_id: _sample(reader, row) for row in samples},
            "trends": {
                f"{tool.tool}/{nest}": _trend(trend_of(reader, tool.tool, nest, RUN_LENGTH))
                for tool in reader.tools()
                for nest in tool.nests
            },
            "jobs": {row.job_id: _job(reader, row) for row in jobs(reader, limit=100_000)},
            "holds": [[row.tool, row.nest, row.reason, row.needs] for row in holds(reader)],
            "checks": {
                f"{tool.tool}/{nest}": [
                    [row.seq, row.outcome, row.needs]
                    for row in nest_checks(reader, tool.tool, nest)
                ]
                for tool in reader.tools()
                for nest in tool.nests
            },
            "due": _due(ledger),
            "studies": [
                [one.begun.title, list(one.values), result_of(one).gauge_sd]
                for one in studies(reader)
            ],
            "people": [[row.name, row.role, row.active] for row in reader.people(former=True)],
            "instruments": {
                name: [role, len(reader.calibrations(name)), len(reader.checks(name))]
                for name, role in reader.instruments().items()
            },
        }
    document: dict[str, Any] = _rounded(json.loads(json.dumps(shown)))
    return document


def what_it_exports(path: Path, columns: Mapping[str, str]) -> dict[str, Any]:
    """Return the proof of a ledger, and the SHA-256 of every table of its export.

    Parameters
    ----------
    columns
        Those of then, by table with blanks between them: what a table has more is left out.
    """
    proof = verify_ledger(path)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "export"
        export_ledger(path, out, now=LATER)
        tables = [*out.rglob("entries/*.csv"), *out.rglob("entries/*.jsonl"), out / "samples.csv"]
        return {
            "entries": proof.entries,
            "traces": proof.traces,
            "first_bad": proof.first_bad,
            "last_hash": proof.last_hash,
            "files": {
                (name := str(file.relative_to(out))): hashlib.sha256(
                    _cut(file, columns[name].split()) if name in columns else file.read_bytes()
                ).hexdigest()
                for file in sorted(tables)
            },
            "all_traces": _hash_of_all(sorted(out.rglob("traces/*.csv"))),
        }


def _cut(file: Path, columns: list[str]) -> bytes:
    text = io.StringIO()
    with file.open(encoding="utf-8", newline="") as table:
        writer = csv.DictWriter(text, columns, extrasaction="ignore")
        writer.writeheader()
        writer.writerows(csv.DictReader(table))
    return text.getvalue().encode()


def _hash_of_all(files: Iterable[Path]) -> str:
    digest = hashlib.sha256()
    for file in files:
        digest.update(file.name.encode() + file.read_bytes())
    return digest.hexdigest()


def _sample(reader: LedgerReader, row: SampleRow) -> dict[str, Any]:
    finished = reader.finished_payload(row.sample_id)
    return {
        "verdict": row.verdict,
        "void_reason": row.void_reason,
        "failure_mode": row.failure_mode,
        "joint": row.joint_key,
        "job": [row.job, row.job_id, row.step],
        "values": [row.splice_ohm, row.splice_u_ohm, row.peak_n, row.peak_u_n, row.pull_limit_n],
        "criteria": [
            [one.criterion, one.value, one.u, one.limit, one.verdict, one.probability_conforming]
            for one in (finished.criteria if finished is not None else ())
        ],
    }


def _trend(trend: NestTrend) -> dict[str, Any]:
    return {
        "sentence": trend.sentence,
        "signal": None if trend.flag is None else trend.flag.signal_position,
        "change_began": None if trend.change_began is None else trend.change_began.isoformat(),
        "samples": [row.sample_id for row in trend.samples],
        "force_distances": [point.force_distance for point in trend.points],
        "resistance_distances": [point.resistance_distance for point in trend.points],
    }


def _job(reader: LedgerReader, row: JobRow) -> dict[str, Any]:
    record = job_record(reader, row.job_id)
    ended = record.ended
    return {
        "job": row.job,
        "person": row.person,
        "outcome": row.outcome,
        "reasons": list(ended.reasons) if ended else None,
        "record_hash": ended.record_hash if ended else None,
        "valid_until": str(ended.valid_until) if ended else None,
        "paper": [
            line
            for line in text_of(paper_of(reader, row.job_id))
            if not any(mark in line for mark in _MARKED_SINCE)
        ],
    }


def _due(ledger: Ledger) -> list[list[str | bool]]:
    due = due_nests(ledger.reader, chosen_plan(Settings(), DailyCheckPlan), LATER)
    return [[one.last.tool, one.last.nest, one.due, one.reason] for one in due]


def text_of(paper: str) -> list[str]:
    """Return what a paper says, line by line, without its drawings and the looks of it."""
    reading = _Reading()
    reading.feed(paper)
    reading.close()
    return without_commands(reading.lines)


def without_commands(lines: Iterable[str]) -> list[str]:
    """Return the lines of a paper without those that say where things are looked up."""
    return [
        line.partition(_WHERE_THEY_STAND)[0]
        for line in lines
        if not any(words in line for words in _NAMES_A_COMMAND)
    ]


class _Reading(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self._within = 0
        self._looks = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        # What was looked at stands on papers since the looks stand on the bench.
        self._looks = self._looks or (tag == "section" and ("id", "looks") in attrs)
        self._within += tag in ("style", "svg")

    def handle_endtag(self, tag: str) -> None:
        self._looks = self._looks and tag != "section"
        self._within -= tag in ("style", "svg")

    def handle_data(self, data: str) -> None:
        if not (self._within or self._looks) and (line := " ".join(data.split())):
            self.lines.append(line)


def _rounded(value: Any) -> Any:
    """Seven digits: what one machine's last bit does to another's is no change."""
    if isinstance(value, float):
        return float(f"{value:.7g}")
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    if isinstance(value, dict):
        return {name: _rounded(one) for name, one in value.items()}
    return value
