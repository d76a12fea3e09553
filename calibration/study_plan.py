"""Plans of gauge studies: who measures what, in which order. Pure; chance comes by a seed."""

import random
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.saying import say

StudyKind = Literal["crossed", "reclip", "nested"]

STUDY_WORDS: dict[StudyKind, str] = {
    "crossed": say("people, parts and repeats"),
    "reclip": say("clips off and on again"),
    "nested": say("pulled by batches"),
}
"""What people call the studies."""

MOST_TURNS = 2000


@dataclass(frozen=True, slots=True)
class Turn:
    """One measurement to be made.

    Attributes
    ----------
    part
        Label of the part; of a nested study, one of those in its batch.
    batch
        Of a nested study, where the part is from; of a re-clipping study, which clipping it is.
    trial
        Counts from 1: the repeat of this part by this person.
    """

    appraiser: str
    part: str
    trial: int = 1
    batch: str = ""


def crossed_turns(
    people: Sequence[str], parts: Sequence[str], repeats: int, seed: int
) -> list[Turn]:
    """Every person measures every part ``repeats`` times.

    In each round every person in turn, in random order, measures all parts in random order: the
    repeats of a part lie far apart, so that nobody remembers them and drift falls on all alike.

    Raises
    ------
    ValueError
        Too few people, parts or repeats, a label that is empty or comes twice, or too many turns.
    """
    _distinct(people, "person", 1)
    _distinct(parts, "part", 2)
    if repeats < 2:
        raise ValueError(say("every part must be measured at least twice"))
    _not_too_many(len(people) * len(parts) * repeats)
    chance = random.Random(seed)  # noqa: S311
    return [
        Turn(person, part, trial)
        for trial in range(1, repeats + 1)
        for person in chance.sample(people, len(people))
        for part in chance.sample(parts, len(parts))
    ]


def reclip_turns(person: str, part: str, clippings: int, readings: int) -> list[Turn]:
    """One person takes the clips off one part and puts them on again, ``clippings`` times.

    Raises
    ------
    ValueError
        Fewer than three clippings, fewer than two readings of each, or too many turns.
    """
    _distinct([person], "person", 1)
    _distinct([part], "part", 1)
    if clippings < 3 or readings < 2:
        raise ValueError(
            say("take the clips off at least three times, and read at least twice each")
        )
    _not_too_many(clippings * readings)
    return [
        Turn(person, part, trial, f"{clipping}")
        for clipping in range(1, clippings + 1)
        for trial in range(1, readings + 1)
    ]


def nested_turns(
    people: Sequence[str], batches: Sequence[str], parts_each: int, seed: int
) -> list[Turn]:
    """Every part is pulled once. Batches are dealt out to the people, equally many to each.

    All parts are pulled in random order, so that drift of the tester does not look like a batch.

    Raises
    ------
    ValueError
        As for a crossed study, or the batches cannot be dealt out evenly, two or more to each.
    """
    _distinct(people, "person", 1)
    _distinct(batches, "batch", 2)
    if parts_each < 2:
        raise ValueError(say("a batch has at least two parts"))
    each, left_over = divmod(len(batches), len(people))
    if left_over or each < 2:
        raise ValueError(
            f"{len(batches)} batches cannot be dealt out to {len(people)} people, equally many "
            "and at least two to each"
        )
    _not_too_many(len(batches) * parts_each)
    chance = random.Random(seed)  # noqa: S311
    dealt = chance.sample(batches, len(batches))
    turns = [
        Turn(people[count // each], f"{batch}-{number}", 1, batch)
        for count, batch in enumerate(dealt)
        for number in range(1, parts_each + 1)
    ]
    return chance.sample(turns, len(turns))


def _distinct(labels: Sequence[str], what: str, least: int) -> None:
    if len(labels) < least:
        raise ValueError(f"name at least {least} {what}{'s' if least > 1 else ''}")
    if not all(label.strip() for label in labels):
        raise ValueError(f"the label of a {what} is empty")
    if len(set(labels)) < len(labels):
        raise ValueError(f"the same {what} is named twice")


def _not_too_many(count: int) -> None:
    if count > MOST_TURNS:
        raise ValueError(f"{count} measurements are too many: {MOST_TURNS} are the most")
