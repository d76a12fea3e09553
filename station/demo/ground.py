"""What the invented workshop judges by, where its ledger is opened and the settings name none."""

from station.demo.workshop import LIMIT_SET
from station.settings import Settings

RUN_LENGTH = 100_000
"""The demo's wear watch: its few good nests must not cry wolf while somebody looks."""


def as_the_demo_judges(settings: Settings, *, invented: bool) -> Settings:
    """Settings with the demo's limit set and run length where it is its ledger.

    Parameters
    ----------
    settings
        What they name themselves stays.
    invented
        Whether the ledger holds invented records; a real one gets its settings back as they are.
    """
    own = {"limit_set": LIMIT_SET, "wear_watch_run_length": RUN_LENGTH}
    left = {name: value for name, value in own.items() if name not in settings.model_fields_set}
    return settings.model_copy(update=left) if invented and left else settings
