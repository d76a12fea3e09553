"""What holds for every kind of entry: nothing invalid can be built, and all of it reads back."""

import math
from collections.abc import Callable
from types import UnionType
from typing import Any, Union, get_args, get_origin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, JsonValue, ValidationError

from station.ledger.chain import canonical_json
from station.ledger.entries import KINDS, JobStep, Payload, PersonAdded, PullResult, SampleFinished
from station.ledger.entry import payload_text

pytest_plugins = ("tests.station.ledger.ledger_fixtures",)

Finished = Callable[..., SampleFinished]

texts = st.text()
numbers = st.floats(allow_nan=False, allow_infinity=False)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**63 - 1) | numbers | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=8,
)


def values_of(annotation: Any) -> st.SearchStrategy[Any]:
    """Return a strategy for the values that a field of a payload may have."""
    origin, inside = get_origin(annotation), get_args(annotation)
    if annotation is float:
        return numbers
    if annotation is int:
        return st.integers(-(2**63), 2**63 - 1)
    if annotation is JsonValue:
        return json_values
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return instances(annotation)
    if origin in (Union, UnionType):
        return st.one_of(*map(values_of, inside))
    if origin is tuple:
        return st.lists(values_of(inside[0]), max_size=3).map(tuple)
    if origin is dict:
        return st.dictionaries(texts, values_of(inside[1]), max_size=3)
    if getattr(annotation, "__metadata__", None):
        return values_of(inside[0])
    return st.from_type(annotation)


def instances(model: type[BaseModel]) -> st.SearchStrategy[Any]:
    """Return a strategy for instances of a model."""
    fields = {name: values_of(field.annotation) for name, field in model.model_fields.items()}
    return st.builds(model, **fields)


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=40)  # of each of many kinds, by one and the same code
@given(data=st.data())
def test_whatever_can_be_built_reads_back_the_same(kind: str, data: st.DataObject) -> None:
    payload: Payload = data.draw(instances(KINDS[kind]))
    text = payload_text(payload)
    assert KINDS[kind].model_validate_json(text) == payload
    # Not taken on trust: it is what pydantic says of it, in the one spelling, and holds no number
    # that is not finite.
    assert canonical_json(payload.model_dump(mode="json")) == text


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ({"name": "Ana", "role": "guest"}, "role\n.*Input should be"),
        ({"name": "Ana"}, "role\n.*Field required"),
        ({"name": "Ana", "role": "lead", "age": 40}, "age\n.*not permitted"),
    ],
)
def test_no_way_round_validation_is_open(content: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        PersonAdded.model_construct(**content)
    with pytest.raises(ValidationError):
        PersonAdded(name="Ana", role="lead").model_copy(update={"role": "guest"})


@pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
def test_no_number_that_is_not_finite_gets_past_the_models(
    finished: Finished, number: float
) -> None:
    pull = finished("a sample").pull
    assert isinstance(pull, PullResult)
    with pytest.raises(ValidationError, match="finite number"):
        pull.model_copy(update={"peak_n": number})
    with pytest.raises(ValidationError, match="finite number"):
        JobStep(job_id="a job", step="a step", content={"a": [number]})


def test_a_copy_has_what_was_changed_and_all_else(finished: Finished) -> None:
    sample = finished("a sample")
    marked = sample.model_copy(update={"demo": True})
    assert marked.demo
    assert not sample.demo
    assert marked.model_copy(update={"demo": False}) == sample
