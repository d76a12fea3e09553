"""Exact conversion factors between what is stored (SI) and what people read."""

import math

NEWTON_PER_LBF = 4.4482216152605
"""Exact: 0.45359237 kg times 9.80665 m/s2 (international avoirdupois pound, standard gravity)."""

NEWTON_PER_KGF = 9.80665
METRE_PER_INCH = 0.0254
PASCAL_PER_PSI = NEWTON_PER_LBF / METRE_PER_INCH**2

CIRCULAR_MIL_M2 = math.pi / 4.0 * (METRE_PER_INCH / 1000.0) ** 2
"""Area of a circle one thousandth of an inch across."""

SQUARE_MILLIMETRE_M2 = 1e-6
