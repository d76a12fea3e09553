"""Two ways of making a joint, side by side: which samples belong to each, and their values.

A way is a filter over the record: by the label that a comparison gives its samples, or by
connector, wire, tool, nest, material, person or lot. Pure: rows in, values out.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.saying import say
from station.errors import BadInput
from station.ledger.rows import SampleRow

COMPARISON = "comparison"
"""Job of samples that are made to be compared; their ``step`` is the label of their way."""

Characteristic = Literal["pull", "resistance"]
FILTERS = ("way", "connector", "wire", "material", "tool", "nest", "person", "lot")
LABEL_LENGTH = 60


@dataclass(frozen=True, slots=True)
class Way:
    """A way: what its samples have in common, as pairs of filter and value."""

    pairs: tuple[tuple[str, str], ...]

    @property
    def name(self) -> str:
        """In words, for people: the label where there is one."""
        return ", ".join(value for _, value in self.pairs)

    def takes(self, sample: SampleRow) -> bool:
        """Whether a sample was made this way; void and unfinished ones show nothing."""
        return sample.verdict not in (None, "void") and all(
            _matches(sample, name, value) for name, value in self.pairs
        )


def way_from(text: str) -> Way:
    """Read a way: ``nest=red, wire=18 AWG``, or a plain label.

    Raises
    ------
    BadInput
        There is nothing in it, or a filter that does not exist.
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    if not parts:
        raise BadInput("Say what a way is: a label, or filters such as nest=red, wire=18 AWG.")
    pairs = []
    for part in parts:
        name, equals, value = (piece.strip() for piece in part.partition("="))
        if not equals:
            name, value = "way", name
        if name not in FILTERS or not value:
            raise BadInput(
                "{part!r} filters nothing: use {filters}, as in nest=red.",
                part=part,
                filters=", ".join(FILTERS),
            )
        pairs.append((name, value))
    return Way(tuple(pairs))


def ways_of(samples: Iterable[SampleRow]) -> dict[str, str]:
    """The nests of these samples, each with one wire size: text for `way_from`, and in words."""
    made = {(one.tool, one.nest, one.wires[0]) for one in samples if len(set(one.wires)) == 1}
    return {
        f"tool={tool}, nest={nest}, wire={wire}": f"{tool}, {nest}, {wire}"
        for tool, nest, wire in sorted(made)
        if "," not in tool + nest
    }


def label_from(text: str) -> str:
    """A label for samples that are made to be compared (BadInput for none or too long a one)."""
    label = " ".join(text.split())
    if not label or len(label) > LABEL_LENGTH or "," in label or "=" in label:
        raise BadInput(
            "Name the way in 1 to {label_length} characters without comma and equals "
            "sign, such as 'nicked strands': samples with one label are compared "
            "together.",
            label_length=LABEL_LENGTH,
        )
    return label


def values_of(way: Way, samples: Iterable[SampleRow], what: Characteristic) -> list[float]:
    """Values of the samples of a way, in newton or ohm; those not measured are left out."""
    found = (
        sample.peak_n if what == "pull" else sample.splice_ohm
        for sample in samples
        if way.takes(sample)
    )
    return [value for value in found if value is not None]


def doubts(ways: Sequence[Way], samples: Sequence[SampleRow]) -> list[str]:
    """What speaks against comparing, in sentences: other wires, or one sample in both ways."""
    found = []
    of_both = [{sample.wires for sample in samples if way.takes(sample)} for way in ways]
    if of_both[0] and of_both[1] and of_both[0] != of_both[1]:
        found.append(say("The ways have samples of different wires: name one wire in both."))
    if any(all(way.takes(sample) for way in ways) for sample in samples):
        found.append(say("Some samples belong to both ways: make the filters exclude each other."))
    return found


def _matches(sample: SampleRow, name: str, value: str) -> bool:
    if name == "way":
        return sample.job == COMPARISON and (sample.step or "").casefold() == value.casefold()
    if name == "wire":
        return set(sample.wires) == {value}
    if name == "lot":
        return value in (known for _, known in sample.lots)
    return bool(getattr(sample, name) == value)
