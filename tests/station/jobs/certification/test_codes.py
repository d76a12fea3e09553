from hypothesis import given
from hypothesis import strategies as st

from station.files import DATA, read_toml
from station.jobs.certification.codes import (
    ALPHABET,
    Part,
    slots_for,
    to_judge,
)
from station.jobs.certification.plan import CertificationPlan
from station.jobs.sample import JobSample
from station.ledger.entries import CodeFor
from tests.station.jobs.invented_samples import sample

PLAN = read_toml(DATA / "plans" / "certification.toml", CertificationPlan)


def test_a_sitting_has_samples_spares_and_controls() -> None:
    slots = slots_for(PLAN, ["tap", "bullet"], 2)
    parts = [slot.part for slot in slots if slot.task == "tap"]
    assert parts == ["candidate"] * 10 + ["spare"] * 2 + ["control"]
    assert {slot.sitting for slot in slots} == {2}


def test_letters_that_are_mistaken_are_left_out() -> None:
    assert not set(ALPHABET) & set("0O1IL5S8BQG2Z")


def slot(task: str, part: Part, position: int = 0) -> CodeFor:
    return CodeFor(task=task, part=part, sitting=1, position=position)


def test_order_is_that_of_the_codes_not_of_the_tasks() -> None:
    key = {"X": slot("a", "candidate"), "A": slot("b", "control")}
    assert to_judge(key, []) == ["A", "X"]


def test_spares_are_called_one_for_one_and_in_their_own_order() -> None:
    key = {
        "C": slot("a", "candidate"),
        "D": slot("a", "candidate", 1),
        "Y": slot("a", "spare"),
        "E": slot("a", "spare", 1),
        "F": slot("b", "spare"),
        "Z": slot("a", "control"),
    }
    assert to_judge(key, []) == ["C", "D", "Z"]
    one = [sample(1, 0.0, verdict="void", step="C")]
    assert to_judge(key, one) == ["D", "Y", "Z"]
    two = [*one, sample(2, 0.0, verdict="void", step="Y")]
    assert to_judge(key, two) == ["D", "E", "Z"]
    control = [sample(3, 0.0, verdict="void", step="Z")]
    assert to_judge(key, control) == ["C", "D"]


@given(st.lists(st.sampled_from(["pass", "void"]), min_size=13, max_size=13))
def test_judging_ends_and_never_takes_more_than_there_are(verdicts: list[str]) -> None:
    key = {f"{place:02}": slot for place, slot in enumerate(slots_for(PLAN, ["tap"], 1))}
    samples: list[JobSample] = []
    for verdict in verdicts:
        waiting = to_judge(key, samples)
        if not waiting:
            break
        samples.append(sample(len(samples), 120.0, verdict=verdict, step=waiting[0]))
    assert not to_judge(key, samples)
    voids = sum(one.void and key[one.step or ""].part != "control" for one in samples)
    assert len(samples) == 11 + min(voids, 2)
