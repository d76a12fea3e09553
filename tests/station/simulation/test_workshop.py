"""What the invented hands make, as far as a bench can be led astray by it."""

import numpy as np
import pytest

from station.bench.between import BetweenClips
from station.bench.temperature import Temperature
from station.crimp.facts import shipped_book
from station.crimp.resistance import wire_share_ohm
from station.crimp.wire import parse_size, soft_break_force_n
from station.files import DATA
from station.jobs.certification.plan import CertificationPlan
from station.jobs.plans import read_plan
from station.ledger.entries import Joint
from station.settings import FixtureSettings
from station.simulation.demo import demo_limit_sets
from station.simulation.workshop import LIMIT_SET, Crimper

PLAN = read_plan(DATA / "plans" / "certification.toml")
FIXTURE = FixtureSettings()


def made_of(wires: tuple[str, ...]) -> Joint:
    return Joint(connector="parallel-splice-blue", wires=wires, tool="Heron", nest="blue")


def share_of(wires: tuple[str, ...]) -> float:
    """What the bench takes off without a reel."""
    made = made_of(wires)
    between = BetweenClips.of(shipped_book(), made, FIXTURE, Temperature(20.0, 1.0))
    return wire_share_ohm(between.spans(made))


@pytest.mark.parametrize("wires", [("20 AWG", "18 AWG"), ("18 AWG", "20 AWG"), ("16 AWG",)])
def test_the_wire_of_a_specimen_is_what_the_bench_takes_off(wires: tuple[str, ...]) -> None:
    crimper = Crimper(np.random.default_rng(1), FIXTURE)
    # A gauge's band reaches 3 % either way of its middle.
    assert crimper.make(made_of(wires)).wire_ohm == pytest.approx(share_of(wires), rel=0.03)


def test_the_weaker_wire_lets_go_first() -> None:
    forces = [
        Crimper(np.random.default_rng(2), FIXTURE).make(made_of(wires)).break_force_n
        for wires in (("20 AWG", "18 AWG"), ("18 AWG", "20 AWG"))
    ]
    assert forces[0] == forces[1] < soft_break_force_n(parse_size("20 AWG"))


def test_good_hands_can_pass_every_task_of_the_shipped_certification() -> None:
    assert isinstance(PLAN, CertificationPlan)
    crimper, sets = Crimper(np.random.default_rng(3), FIXTURE), demo_limit_sets()
    for task in PLAN.tasks:
        made = Joint(connector=task.connector, wires=task.wires, tool="Heron", nest=task.band)
        size = min(map(parse_size, task.wires), key=soft_break_force_n)
        limits = {one.criterion: one.value_si for one in sets.for_size(size, LIMIT_SET)}
        for _ in range(PLAN.samples_per_task):
            specimen = crimper.make(made)
            assert specimen.break_force_n > limits["pull_force_min"], task.id
            read_ohm = specimen.splice_ohm + specimen.wire_ohm
            assert read_ohm - share_of(task.wires) < limits["resistance_max"], task.id
