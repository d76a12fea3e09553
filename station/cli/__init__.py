"""The command line: ``station``."""

from station.cli.main import main

__all__ = ["main"]
