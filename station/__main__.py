"""``python -m station``: the same as the command ``station``."""

from station.cli.main import main

main()
