"""Opening the ledger that a command works on, and telling how far it is."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from station.cli.options import print_aside
from station.errors import BadInput
from station.ledger.reader import LedgerReader
from station.ledger.store import Ledger
from station.ledger.verify import Progress
from station.settings import data_folder


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
def reading(path: Path | None) -> Iterator[LedgerReader]:
    """Open a ledger for reading alone (BadInput where there is none); say if it is a demo's."""
    with LedgerReader.open(path or default_ledger()) as reader:
        yield reader
        if reader.is_demo():
            print_aside("Invented demo records are in this ledger.")


def writing(path: Path | None) -> Ledger:
    """Open a ledger that exists for writing (BadInput where there is none)."""
    return Ledger.open(path or default_ledger(), create=False)


@contextmanager
def progress_bar(what: str, *, quiet: bool) -> Iterator[Progress]:
    """Show a bar on standard error while the block runs; call what it gives with done and all."""
    # Drawn by a library that most commands need not load.
    from rich.console import Console
    from rich.progress import Progress as Bars

    console = Console(stderr=True, quiet=quiet, highlight=False)
    with Bars(console=console, transient=True) as bars:
        task = bars.add_task(what, total=None)
        yield lambda done, total: bars.update(task, completed=done, total=total)
