"""Before the page is served: who could reach it, and whether anybody can sign in."""

from pathlib import Path

from station.crimp.limits import LimitSets
from station.errors import DataFileError, NotAllowed
from station.jobs.plans import check_plans, load_plans
from station.ledger.store import Ledger
from station.settings import ANY_ADDRESS, Settings, is_loopback
from station.shop.secrets import SecretFile
from station.shop.sign_in import Doors, leads_with_secret
from station.shop.standards import load_standards
from station.text import Say


def check_reach(ledger: Ledger, settings: Settings) -> None:
    """Refuse to serve other machines before a lead has a passphrase.

    Raises
    ------
    NotAllowed
        Nobody could sign in over the network.
    DataFileError
        The settings do not say by which names others reach the page.
    """
    if settings.open_to_this_machine_only:
        return
    reach = "behind a proxy" if settings.doors.behind_proxy else f"on {settings.host}"
    unnamed = settings.doors.behind_proxy or settings.host == ANY_ADDRESS
    if unnamed and not settings.doors.hosts:
        raise DataFileError(
            f"The page is not served {reach}: name the addresses that people open it by in the "
            "setting doors.hosts."
        )
    if not leads_with_secret(ledger.reader, SecretFile(ledger.path), passphrase=True):
        raise NotAllowed(
            f"The page is not served {reach}, where others can reach it: no lead has a passphrase "
            "yet. Run 'station people code' and 'station people first' at this console, then "
            "start again."
        )


def check_named(settings: Settings, limit_sets: LimitSets) -> None:
    """See that all the settings name is there, before the first sample needs it.

    The profiles are seen to where the instruments are taken in hand.

    Raises
    ------
    DataFileError
        A limit set or folder is named that there is none of, or a file cannot be read.
    """
    if settings.limit_set not in limit_sets.ids:
        raise DataFileError(
            f"The setting limit_set names {settings.limit_set!r}, and there is no such limit set: "
            f"name one of {', '.join(limit_sets.ids)}, or put its file into the folder that the "
            "setting limit_sets_folder names."
        )
    check_plans(load_plans(settings.plans_folder), limit_sets)
    load_standards(settings.standards_folder)


def warn_of_listeners(settings: Settings, say: Say) -> None:
    """Say what plain HTTP on a network means."""
    if not is_loopback(settings.host):
        say(
            "This page has no HTTPS: whoever listens on the network can read what passes, "
            "passphrases included. Put a proxy with HTTPS before it (firmware_notes/network.md)."
        )


def show_way_in(path: Path, say: Say) -> None:
    """Show the one-time code for the first lead, while there is none who can sign in."""
    with Ledger.open(path, create=False) as ledger:
        code = Doors(ledger, "command").show_code()
    if code is not None:
        say(
            f"No lead can sign in yet. One-time code for the first: {code} (under Sign in; good "
            "for one day). Measuring needs no sign-in."
        )
