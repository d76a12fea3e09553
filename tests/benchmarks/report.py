"""How every benchmark prints: a table for people, or one JSON document with ``--json``."""

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass


@dataclass(frozen=True)
class Figures:
    """What a benchmark measured, and whether its stated bound holds."""

    name: str
    figures: Mapping[str, object]
    holds: bool


def run(measure: Callable[[], Figures], show: Callable[[Figures], None] | None = None) -> None:
    """Measure, print, and exit 0 where the bound holds and 1 where it does not.

    Parameters
    ----------
    show
        Prints the figures for people; None prints a line for each.
    """
    parser = argparse.ArgumentParser()
    parser.add_argument("--json", action="store_true", help="print one JSON document")
    as_json = parser.parse_args().json
    result = measure()
    if as_json:
        print(json.dumps(result.__dict__ | {"figures": dict(result.figures)}))
    elif show is not None:
        show(result)
    else:
        width = max(len(key) for key in result.figures)
        for key, value in result.figures.items():
            shown = f"{value:.4g}" if isinstance(value, float) else str(value)
            print(f"{key:<{width}}  {shown}")
    if not as_json:
        print(f"{result.name}: the bound {'holds' if result.holds else 'DOES NOT HOLD'}")
    sys.exit(0 if result.holds else 1)
