"""Command that reads a pull's trace: trace."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import numpy as np
from numpy.typing import NDArray

from station.cli.csv import read_table
from station.cli.options import facts, json_option, picked, print_result
from station.crimp.pull.reduce import FAILURE_MODES, PullReduction, reduce_trace
from station.crimp.wire import parse_size
from station.errors import BadInput

COLUMNS = ("time_s", "force_n")

Values = NDArray[np.float64]

ENDED_BY = {
    "break": "the sample let go",
    "hold": "the force was held",
    "truncated": "the recording stopped with the force still on",
    "nothing": "no force came",
}


@click.command(epilog="Example: station trace pull.csv --wire '18 AWG' --filter-hz 50")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--wire", metavar="SIZE", help="Wire pulled; helps to tell how it let go.")
@click.option("--filter-hz", type=float, help="Corner of the tester's low-pass filter.")
@click.option("--proof-n", type=float, help="Force that was to be held.")
@click.option(
    "--preload-n",
    type=click.FloatRange(min=0.0),
    default=2.0,
    help="Below this nothing is held.",
)
@json_option
def trace(file: Path, wire: str | None, as_json: bool, **known: Any) -> int:
    """Read the pull in FILE: a CSV with the columns time_s and force_n, separated by commas.

    Prints the peak with its standard uncertainty, how far it may be too low besides, and how the
    sample probably let go. That is a
    suggestion: what the operator saw is what counts. Exit code 1 says that the pull is void.
    """
    size = None if wire is None else parse_size(wire)
    time_s, force_n = read_trace(file)
    reduced = reduce_trace(time_s, force_n, wire=size, **known)
    names = (
        "peak_n peak_time_s loading_rate_n_per_s peak_may_be_low_by_n drops slack_end_s ended_by "
        "suggested_mode void_reason peak_u_n struck_out lost_samples may_have_slipped"
    )
    print_result(as_json, picked(reduced, names), _lines(reduced))
    return 0 if reduced.void_reason is None else 1


def _lines(reduced: PullReduction) -> Iterator[str]:
    rate, slack_end_s = reduced.loading_rate_n_per_s, reduced.slack_end_s
    mode = reduced.suggested_mode
    yield from facts(
        [
            ("peak", f"{reduced.peak_n:.4g} N at {reduced.peak_time_s:.4g} s"),
            ("u of the peak", f"{reduced.peak_u_n:.2g} N"),
            ("may be low by", f"up to {reduced.peak_may_be_low_by_n:.2g} N"),
            ("loading rate", None if rate is None else f"{rate:.3g} N/s before the peak"),
            ("slack ended", None if slack_end_s is None else f"at {slack_end_s:.4g} s"),
            ("drops", str(reduced.drops)),
            ("held", f"{reduced.held_s:.3g} s"),
            ("struck out", str(reduced.struck_out) if reduced.struck_out else None),
            ("lost", f"{reduced.lost_samples} samples" if reduced.lost_samples else None),
            ("ended", ENDED_BY[reduced.ended_by]),
            ("slip", "may have slipped: look at the grips" if reduced.may_have_slipped else None),
            ("suggestion", None if mode is None else FAILURE_MODES[mode]),
        ]
    )
    yield from (f"    {reason}" for reason in reduced.reasons)
    if reduced.void_reason is not None:
        yield f"VOID: {reduced.void_reason}."
    if mode is not None:
        yield "Look at the sample: what the operator sees counts, not the suggestion."


def read_trace(path: Path) -> tuple[Values, Values]:
    """Read the columns ``time_s`` and ``force_n`` of a CSV file.

    Returns
    -------
    tuple
        Seconds and newtons, shape (n,) each, n at least 2; all finite, time rising.

    Raises
    ------
    BadInput
        The file cannot be read or is no such table; the message names the line.
    """
    table = read_table(path, COLUMNS)
    time, force = (np.array(table.numbers(name)) for name in COLUMNS)
    if time.size < 2:
        raise BadInput(f"{path.name} has {time.size} rows of numbers: a trace needs at least 2.")
    falls = np.flatnonzero(np.diff(time) <= 0.0)
    if falls.size:
        row = int(falls[0]) + 1
        raise BadInput(
            f"{path.name} line {table.lines[row]}: time_s does not rise, {time[row]:g} "
            f"comes after {time[row - 1]:g}; sort the rows and leave out repeats."
        )
    return time, force
