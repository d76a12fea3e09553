"""From a four-wire reading to the resistance of the splice itself.

The sense clips span some wire besides the crimp. That wire's share is taken off: *by length*, span
times ohm per metre of the wire, or *by reference*, the reading of a span of the same reel unbroken.
Only the wire follows the temperature coefficient; a contact film does not, so the splice is stated
as it is at the temperature of the test (as SAE J163 and IEC 60512-2-1 subtract the wire).

All of the span counts as wire, the joint included: what is left is what the joint has more than the
wire that it replaces. A barrel conducts better than wire, so a good joint may come out below zero.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from calibration.saying import say
from calibration.uncertainty import Budget, Contribution
from station.crimp.wire import (
    MATERIALS,
    Material,
    WireSize,
    resistance_ohm_per_m,
    temperature_factor,
)
from station.crimp.wire_tables import band_of
from station.errors import BadInput

IMPOSSIBLE_BELOW_U = 2.0
"""A splice this many standard uncertainties below what its metal can save cannot be."""


ShareFrom = Literal["reel", "reference", "band", "nominal"]
"""What a wire's share rests on: its measured reel, unbroken wire of it in the same span, the band
that its standard allows, or the nominal metal of its size."""

WIRE_LINES: dict[ShareFrom, str] = {
    "nominal": "wire ohm per metre",
    "band": "wire ohm per metre, by its standard",
    "reel": "wire ohm per metre, by its reel",
}
"""Names of the wire's own line of a budget, weakest first."""


@dataclass(frozen=True, slots=True)
class PerMetre:
    """What a metre of a wire has at 20 °C, and how well that is known.

    Attributes
    ----------
    u_fraction, dof
        Relative standard uncertainty and its degrees of freedom.
    source
        What it rests on.
    """

    ohm_per_m: float
    u_fraction: float
    source: ShareFrom
    dof: float = math.inf


def of_reel(ohm_per_m: float, u_fraction: float, dof: float = math.inf) -> PerMetre:
    """The wire of a reel that was measured, at 20 °C (the wire check gives it).

    Raises
    ------
    BadInput
        A resistance that is not positive, or an uncertainty that is negative.
    """
    if not (math.isfinite(ohm_per_m) and ohm_per_m > 0.0):
        raise BadInput("A reel has more than 0 Ω per metre, not {given:g}.", given=ohm_per_m)
    if not (math.isfinite(u_fraction) and u_fraction >= 0.0):
        raise BadInput(
            "The uncertainty of a reel must not be negative: {given:g}.", given=u_fraction
        )
    return PerMetre(ohm_per_m, u_fraction, "reel", dof)


def of_band(size: WireSize, material: Material = MATERIALS["copper"]) -> PerMetre:
    """Wire of which only the size is known: anywhere in the band that its standard allows.

    The middle of the band, rectangular to its ends (JCGM 100:2008, 4.3.7). One reel serves for many
    samples and errs by the same amount in all of them, but never by more than 1.73 of these u, so
    that a 95 % interval holds for reels anywhere in the band.
    """
    band = band_of(size, material)
    u_fraction = band.u_fraction
    if not band.published:
        u_fraction = math.hypot(u_fraction, material.u_fraction)
    return PerMetre(band.middle_ohm_per_m, u_fraction, "band")


@dataclass(frozen=True, slots=True)
class WireSpan:
    """All the wire of one size between the sense clips.

    Attributes
    ----------
    length_m, u_length_m
        Span and its standard uncertainty, in metres.
    u_fraction
        Relative standard uncertainty of the wire's ohm per metre: real strand area against the
        nominal one. Not used where ``per_metre`` is given.
    per_metre
        Of the wire itself, from its reel or its standard; the nominal metal of the size where None.
    """

    size: WireSize
    material: Material
    length_m: float
    u_length_m: float = 0.0
    u_fraction: float = 0.0
    per_metre: PerMetre | None = None

    def __post_init__(self) -> None:
        for name in ("length_m", "u_length_m", "u_fraction"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise BadInput(
                    f"The {name} of the {self.size} wire must be a number that is not negative, "
                    f"not {value}."
                )

    @property
    def known(self) -> PerMetre:
        """What a metre has at 20 °C."""
        if self.per_metre is not None:
            return self.per_metre
        nominal = resistance_ohm_per_m(self.size, self.material)
        return PerMetre(nominal, self.u_fraction, "nominal")

    def share_ohm(self, at_c: float) -> float:
        """Resistance of the span at a temperature."""
        return self.length_m * self.known.ohm_per_m * temperature_factor(self.material, at_c)


@dataclass(frozen=True, slots=True)
class SpliceResistance:
    """A reduced reading.

    Attributes
    ----------
    reading_ohm, wire_share_ohm, splice_ohm
        The raw value, the wire's part of it at the temperature of the test, and the difference:
        what the joint has more than the wire it replaces. It may be negative by as much as that.
    budget
        Contributions in ohm.
    temperature_c
        None where the wire was not corrected, for want of a thermometer.
    void_reason
        Set where the result cannot be true; nothing may then be judged by it.
    share_from
        What the wire's share rests on; where its wires differ in that, the weakest.
    """

    reading_ohm: float
    wire_share_ohm: float
    splice_ohm: float
    budget: Budget
    temperature_c: float | None
    void_reason: str | None
    share_from: ShareFrom

    @property
    def u_ohm(self) -> float:
        """Standard uncertainty of the splice, in ohm."""
        return self.budget.u

    @property
    def effective_dof(self) -> float:
        """Effective degrees of freedom of ``u_ohm``."""
        return self.budget.effective_dof


def wire_share_ohm(spans: Sequence[WireSpan], temperature_c: float | None = None) -> float:
    """Resistance of the wire between the clips, in ohm; at 20 °C where no temperature is given."""
    at_c = 20.0 if temperature_c is None else temperature_c
    return math.fsum(span.share_ohm(at_c) for span in spans)


def reduce_by_length(
    reading_ohm: float,
    reading_budget: Sequence[Contribution],
    spans: Sequence[WireSpan],
    *,
    temperature_c: float | None = None,
    u_temperature_k: float = 0.0,
    replaced_m: float = 0.0,
) -> SpliceResistance:
    """Take the wire's share off a reading by its length.

    Parameters
    ----------
    reading_ohm
        Mean of the repeats, in ohm.
    reading_budget
        What makes the reading uncertain, in ohm: calibration, resolution, repeatability.
    spans
        One per kind of wire between the clips.
    temperature_c
        Of the wire; None means that it is not corrected, and the share is that of 20 °C.
    u_temperature_k
        Standard uncertainty of the temperature; without a thermometer, how far from 20 °C the
        bench may well be.
    replaced_m
        Length of the spans in which the connector's metal stands for wire: the splice may lie
        below zero by its resistance.

    Raises
    ------
    BadInput
        A value is negative, infinite or not a number.
    """
    if not math.isfinite(reading_ohm):
        raise BadInput(
            "A reading of {reading_ohm} ohm is not a number that can be reduced.",
            reading_ohm=reading_ohm,
        )
    if not (math.isfinite(u_temperature_k) and u_temperature_k >= 0.0):
        raise BadInput(f"The temperature's uncertainty must not be negative: {u_temperature_k}.")
    share = wire_share_ohm(spans, temperature_c)
    budget = Budget.of(
        [*reading_budget, *_wire_contributions(spans, temperature_c, u_temperature_k)]
    )
    splice = reading_ohm - share
    length_m = math.fsum(span.length_m for span in spans)
    replaced_ohm = share * replaced_m / length_m if length_m > 0.0 else 0.0
    void_reason = impossible(splice, budget.u, replaced_ohm)
    sources = {span.known.source for span in spans}
    share_from: ShareFrom = next((one for one in WIRE_LINES if one in sources), "nominal")
    return SpliceResistance(
        reading_ohm, share, splice, budget, temperature_c, void_reason, share_from
    )


def _wire_contributions(
    spans: Sequence[WireSpan], temperature_c: float | None, u_temperature_k: float
) -> list[Contribution]:
    at_c = 20.0 if temperature_c is None else temperature_c
    lines = []
    per_kelvin = 0.0
    for position, span in enumerate(spans, start=1):
        which = f" {position}" if len(spans) > 1 else ""
        share, known = span.share_ohm(at_c), span.known
        per_metre = known.ohm_per_m * temperature_factor(span.material, at_c)
        lines.append(Contribution(f"span{which}", per_metre * span.u_length_m))
        name = WIRE_LINES[known.source] + which
        lines.append(Contribution(name, share * known.u_fraction, known.dof))
        at_20_c = span.length_m * known.ohm_per_m
        per_kelvin += at_20_c * span.material.temperature_coefficient_per_k
    # Both sides share one air: their temperature errors add, they do not average out.
    lines.append(Contribution("temperature", per_kelvin * u_temperature_k))
    return lines


@dataclass(frozen=True, slots=True)
class ReferenceReading:
    """What a span of unbroken wire of the same reel read on the same meter.

    Attributes
    ----------
    reading_ohm, budget
        Mean and what makes it uncertain, without the meter's common scale error.
    length_m
        Of unbroken wire between the sense clips.
    temperature_c, u_temperature_k
        None where no thermometer was at hand.
    """

    reading_ohm: float
    budget: tuple[Contribution, ...]
    length_m: float
    temperature_c: float | None = None
    u_temperature_k: float = 0.0


def reduce_by_reference(
    reading_ohm: float,
    reading_budget: Sequence[Contribution],
    reference: ReferenceReading,
    *,
    span_m: float,
    u_span_m: float = 0.0,
    u_scale_fraction: float = 0.0,
    material: Material = MATERIALS["copper"],
    temperature_c: float | None = None,
    u_temperature_k: float = 0.0,
    replaced_m: float = 0.0,
) -> SpliceResistance:
    """Take the wire's share off a reading by what unbroken wire of the same reel reads.

    The wire's own ohm per metre drops out. So does most of the meter's scale error, which both
    readings share: it acts on their difference only.

    Parameters
    ----------
    reading_ohm, reading_budget
        Mean of the repeats over the splice, and what makes it uncertain besides the scale.
    span_m
        Wire between the sense clips over the splice.
    u_span_m
        Standard uncertainty of each of the two spans (fixture marks, clip placement).
    u_scale_fraction
        Relative standard uncertainty of the meter's scale, common to both readings.
    temperature_c, u_temperature_k
        Of the wire over the splice; the uncertainty is that of the difference between the two
        readings, or of this one alone where the reference states its own.
    replaced_m
        Length of the span in which the connector's metal stands for wire.

    Raises
    ------
    BadInput
        A value is impossible, or only one of the two temperatures is known.
    """
    _check_reference(reading_ohm, reference, span_m, temperature_c)
    warmth = _factor(material, temperature_c) / _factor(material, reference.temperature_c)
    ratio = span_m / reference.length_m * warmth
    share = reference.reading_ohm * ratio
    splice = reading_ohm - share
    budget = Budget.of(
        [
            *reading_budget,
            *(
                Contribution(f"reference {line.name}", line.u * ratio, line.dof)
                for line in reference.budget
            ),
            Contribution("meter scale", abs(splice) * u_scale_fraction),
            Contribution("span", abs(share) / span_m * u_span_m),
            Contribution("reference span", abs(share) / reference.length_m * u_span_m),
            Contribution(
                "temperature difference",
                abs(share)
                * material.temperature_coefficient_per_k
                * math.hypot(u_temperature_k, reference.u_temperature_k),
            ),
        ]
    )
    void_reason = impossible(splice, budget.u, share * replaced_m / span_m)
    return SpliceResistance(
        reading_ohm, share, splice, budget, temperature_c, void_reason, "reference"
    )


def _check_reference(
    reading_ohm: float, reference: ReferenceReading, span_m: float, temperature_c: float | None
) -> None:
    if not (math.isfinite(reading_ohm) and math.isfinite(reference.reading_ohm)):
        raise BadInput("A reading that is not a number cannot be reduced.")
    for name, value in (("span", span_m), ("reference span", reference.length_m)):
        if not (math.isfinite(value) and value > 0.0):
            raise BadInput(f"The {name} must be a positive length, not {value} m.")
    if (temperature_c is None) != (reference.temperature_c is None):
        raise BadInput("Give the temperature of both readings or of neither.")


def _factor(material: Material, temperature_c: float | None) -> float:
    return 1.0 if temperature_c is None else temperature_factor(material, temperature_c)


def delta_ohm(first_v: float, second_v: float, third_v: float, current_a: float) -> float:
    """Resistance from the voltages at +I, -I, +I: a thermal voltage that drifts evenly cancels."""
    _check_current(current_a)
    return (first_v - 2.0 * second_v + third_v) / (4.0 * current_a)


def _check_current(current_a: float) -> None:
    if not (math.isfinite(current_a) and current_a > 0.0):
        raise BadInput(f"The test current must be positive, not {current_a} A.")


@dataclass(frozen=True, slots=True)
class InService:
    """What a splice does in its circuit.

    Attributes
    ----------
    voltage_drop_v, heat_w
        At the circuit's current.
    equivalent_length_m
        Wire of the same size with the same resistance.
    """

    voltage_drop_v: float
    heat_w: float
    equivalent_length_m: float


def in_service(
    splice_ohm: float, current_a: float, wire: WireSize, material: Material
) -> InService:
    """Voltage drop, heat and equivalent length of wire of a splice at a current.

    Raises
    ------
    BadInput
        A current that is not positive.
    """
    _check_current(current_a)
    return InService(
        splice_ohm * current_a,
        splice_ohm * current_a**2,
        splice_ohm / resistance_ohm_per_m(wire, material),
    )


def impossible(splice_ohm: float, u_ohm: float, replaced_ohm: float = 0.0) -> str | None:
    """Say why a splice resistance cannot be true, or None.

    Parameters
    ----------
    replaced_ohm
        Of the wire that the connector replaces: metal without any resistance would save as much.
    """
    if splice_ohm >= -replaced_ohm - IMPOSSIBLE_BELOW_U * u_ohm:
        return None
    return say(
        "the splice comes out at {splice_ohm:.3f} mΩ, below zero by more than the "
        "uncertainty explains: wrong wire size, span or reel",
        splice_ohm=splice_ohm * 1e3,
    )
