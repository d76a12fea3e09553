"""Which ledger a command works on, and how it tells how far it is."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.progress import Progress as Bars

from station.errors import BadInput
from station.ledger.verify import Progress
from station.settings import data_folder

Command = Callable[..., Any]


def which_ledger(command: Command) -> Command:
    """Add ``--ledger``; the command gets it as ``path``, None where it was not given."""
    return click.option(
        "--ledger", "path", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
        help="Default: the station's ledger, or the demo's where that is the only one.",
    )(command)  # fmt: skip


def default_ledger(*, create: bool = False) -> Path:
    """The ledger to work on where none is named.

    Where there is none, that is the one to make if it may be created, and BadInput otherwise.
    """
    folder = data_folder()
    for name in ("station.ledger", "demo.ledger"):
        if (folder / name).exists():
            return folder / name
    if create:
        return folder / "station.ledger"
    raise BadInput(f"There is no ledger in {folder} yet: name one with --ledger.")


@contextmanager
def progress_bar(what: str, *, quiet: bool) -> Iterator[Progress]:
    """Show a bar on standard error while the block runs; call what it gives with done and all."""
    console = Console(stderr=True, quiet=quiet, highlight=False)
    with Bars(console=console, transient=True) as bars:
        task = bars.add_task(what, total=None)
        yield lambda done, total: bars.update(task, completed=done, total=total)
