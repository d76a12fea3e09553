"""What a sample's description says before anything is measured: its connector, looks and faults."""

from dataclasses import asdict

from calibration.saying import say
from station.crimp.connectors import (
    NO_JOINT,
    Connector,
    ConnectorBook,
    connector_named,
)
from station.crimp.wire import parse_size
from station.errors import BadInput
from station.jobs.comparison import COMPARISON
from station.jobs.sample_order import SampleOrder
from station.ledger.entries import SampleBegun

KEPT_OF_ORDER = ("job", "joint", "limit_set", "job_id", "step", "reels", "pull_wire", "hold")
"""What the record keeps of an order as it is, and an order of the same sample again takes up."""


def connector_of(book: ConnectorBook, order: SampleOrder) -> Connector:
    """The connector of an order (BadInput if there is none of that name)."""
    return connector_named(book.connectors, order.joint.connector)


def barrel_warning(book: ConnectorBook, order: SampleOrder) -> str | None:
    """Why the barrel does not fit the wires; None where it does."""
    sizes = [parse_size(wire) for wire in order.joint.wires]
    return book.fit(connector_of(book, order), sizes).warning


def condemned_by(book: ConnectorBook, order: SampleOrder) -> tuple[str, ...]:
    """What was seen that condemns the crimp whatever it measures."""
    sizes = [parse_size(wire) for wire in order.joint.wires]
    return book.condemned_by(connector_of(book, order), order.checklist, sizes)


def begun_sample(book: ConnectorBook, order: SampleOrder, *, demo: bool) -> SampleBegun:
    """What the record says of a sample whose measuring begins."""
    return SampleBegun(
        demo=demo,
        offered_again_for=order.offered_again_for,
        overridden_warning=barrel_warning(book, order),
        **asdict(order.lots),
        **{name: getattr(order, name) for name in KEPT_OF_ORDER},
    )


def demand_on_checklist(book: ConnectorBook, order: SampleOrder) -> None:
    """Refuse answers to questions that are not asked of this connector (BadInput)."""
    connector = connector_of(book, order)
    asked = {item.id for item in book.checklist(connector)}
    for name in order.checklist:
        if name not in asked:
            raise BadInput(
                "{name!r} is not on the checklist of {title}.", name=name, title=connector.title
            )


def demand_describable(book: ConnectorBook, order: SampleOrder) -> None:
    """Refuse a description that no sample can be made by.

    Raises
    ------
    BadInput
        Nobody makes it, it has no wire, the barrel is not made for the wires and nobody says that
        this is on purpose, an answer is to no question, or it is no joint outside a comparison.
    """
    if not order.person.strip():
        raise BadInput("Say who makes the sample.")
    if not order.joint.wires:
        raise BadInput("A sample has at least one wire.")
    warning = barrel_warning(book, order)
    if warning is not None and not order.use_wrong_barrel:
        raise BadInput(
            "{warning} A sample made all the same must say so; it is recorded.",
            warning=say(warning),
        )
    demand_on_checklist(book, order)
    if order.job != COMPARISON and NO_JOINT in condemned_by(book, order):
        raise BadInput(
            "{title} is made for a comparison only: choose that job.",
            title=connector_of(book, order).title,
        )
