"""Hints for one finished sample, from its verdicts, its baseline and its checklist."""

import math
from collections.abc import Iterable

from station.crimp.causes import Cause, Findings, Hint, hints, level
from station.crimp.facts import shipped_book
from station.ledger.entries import BaselineSet, Joint, SampleFinished
from station.ledger.reader import LedgerReader
from station.ledger.rows import SampleRow
from station.shop.trend import baselines_of


def findings_of(sample: SampleFinished, baseline: BaselineSet | None) -> Findings:
    """What is known of a sample, in the words of the rules."""
    told = (one for one in sample.criteria if one.tolerance is None)
    verdicts = {criterion.criterion: criterion.verdict for criterion in told}
    electrical = [v for name, v in verdicts.items() if name != "pull_force_min"]
    return Findings(
        force=level(verdicts.get("pull_force_min"), _force_score(sample, baseline), bad="low"),
        resistance=level(
            "fail" if "fail" in electrical else next(iter(electrical), None),
            _resistance_score(sample, baseline),
            bad="high",
        ),
        failure_mode=None if sample.pull is None else sample.pull.failure_mode,
        faults=frozenset(name for name, good in sample.checklist.items() if not good),
        wires="unequal" if _unequal(sample.joint) else None,
    )


def _unequal(joint: Joint) -> bool:
    """Whether wires of several sizes share a barrel."""
    connector = shipped_book().connectors.get(joint.connector)
    return (
        connector is not None
        and len(set(joint.wires)) > 1
        and shipped_book().in_one_barrel(connector, joint.wires)
    )


def sample_hints(
    sample: SampleFinished, baseline: BaselineSet | None, causes: tuple[Cause, ...]
) -> list[Hint]:
    """Hints for a sample that has something wrong with it; none for one that has not."""
    found = findings_of(sample, baseline)
    unusual = {found.force, found.resistance} & {"low", "high"}
    if sample.verdict == "pass" and not unusual and not found.faults:
        return []
    return hints(found, causes)


def hints_by_sample(
    reader: LedgerReader, rows: Iterable[SampleRow], causes: tuple[Cause, ...]
) -> dict[str, list[Hint]]:
    """Hints for each of these samples that was finished here, by its id."""
    baselines = reader.baselines()
    return {
        sample_id: sample_hints(sample, baselines.get(sample.joint.key), causes)
        for sample_id, sample in reader.finished_payloads(rows).items()
    }


def _force_score(sample: SampleFinished, baseline: BaselineSet | None) -> float | None:
    limit = next((c.limit for c in sample.criteria if c.criterion == "pull_force_min"), None)
    pull = sample.pull
    if baseline is None or pull is None or not limit or not pull.is_charted(sample.joint):
        return None
    return baselines_of(baseline)[0].score(pull.peak_n / limit)


def _resistance_score(sample: SampleFinished, baseline: BaselineSet | None) -> float | None:
    if baseline is None or sample.resistance is None or sample.resistance.splice_ohm <= 0.0:
        return None
    return baselines_of(baseline)[1].score(math.log(sample.resistance.splice_ohm))
