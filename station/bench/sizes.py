"""What the crimp in hand measures: asked for by data sheets, typed or sent by a caliper."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import get_args

from station.bench.board import Board, Stage
from station.bench.sample_entry import size_result
from station.crimp.connectors import ConnectorBook
from station.crimp.data_sheets import size_limits
from station.crimp.facts import load_data_sheets
from station.crimp.limits import Limit, SizeCriterion
from station.crimp.units import quantity
from station.errors import BadInput
from station.instruments.caliper import Caliper
from station.ledger.entries import Joint
from station.settings import Settings

WAITING = (Stage.CLIP_ON, Stage.READING, Stage.GRIP)
"""A joint is in hand, and not yet pulled."""


class CrimpSizes:
    """The height and width of the crimp in hand, in a shop that has a caliper and data sheets."""

    def __init__(self, settings: Settings, connectors: ConnectorBook, board: Board) -> None:
        self._board = board
        self._settings = at_hand = settings.caliper
        self.sheets = load_data_sheets(at_hand.sheets_folder, connectors) if at_hand else []
        self.caliper: Caliper | None = None
        if at_hand is not None and at_hand.port is not None:
            folder = settings.profiles_folder
            self.caliper = Caliper(at_hand.port, at_hand.profile, folder, self._sent)

    def limits(self, joint: Joint | None = None) -> list[Limit]:
        """What the data sheets state for a joint, by default the one in hand; none without one."""
        if joint is None and (order := self._board.state.order) is not None:
            joint = order.joint
        return [] if joint is None else size_limits(self.sheets, joint.connector, joint.wires)

    def take(self, sizes: Mapping[SizeCriterion, Sequence[float]], *, typed: bool = True) -> None:
        """The crimp in hand measures so many metres.

        Beyond half and twice its target a decimal point or a unit was missed, not the tolerance.

        Raises
        ------
        BadInput
            No joint waits to be pulled, no data sheet asks for that, or no crimp can measure so.
        """
        state, asked = self._board.state, {one.criterion: one for one in self.limits()}
        if self._settings is None or not asked.keys() >= sizes.keys():
            raise BadInput("No data sheet states a height or width of this joint.")
        if state.order is None or state.stage not in WAITING:
            raise BadInput("No crimp waits to be measured: take a sample up first.")
        taken = dict(state.order.sizes)
        for name, readings_m in sizes.items():
            target_m = asked[name].value_si
            for reading_m in readings_m:
                if not 0.5 * target_m < reading_m < 2.0 * target_m:
                    raise BadInput(
                        "{size} cannot be the size of a crimp that is to have {target}: measure "
                        "again, and look at the decimal point and the unit.",
                        size=quantity(reading_m, "m"),
                        target=quantity(target_m, "m"),
                    )
            taken[name] = size_result(name, readings_m, self._settings, typed=typed)
        self._board.show(order=replace(state.order, sizes=taken))

    def _sent(self, size_m: float | None, trouble: str | None) -> None:
        """Take what the caliper sent: what is not measured yet, height first; then all anew."""
        order, stated = self._board.state.order, {one.criterion for one in self.limits()}
        if order is None or not stated or self._board.state.stage not in WAITING:
            return
        asked: list[SizeCriterion] = [one for one in get_args(SizeCriterion) if one in stated]
        missing = [one for one in asked if one not in order.sizes]
        try:
            if size_m is not None:
                if not missing:
                    self._board.show(order=replace(order, sizes={}))
                self.take({(missing or asked)[0]: [size_m]}, typed=False)
        except BadInput as error:
            trouble = str(error)
        self._board.show(trouble=trouble)
