"""Entry point: commands gathered, errors turned into one sentence and an exit code."""

import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

import click

from station.errors import StationError

EXIT_DONE = 0
EXIT_BAD_INPUT = 2
EXIT_STOPPED = 130
EXIT_PIPE_CLOSED = 141
"""As a shell tells that who reads the output has closed it (128 + SIGPIPE)."""

LONGEST_SENTENCE = 1000
"""Longest message, in characters: it may repeat what was typed, however long that was."""


FILES = Path(__file__).parents[2]
"""Where files that messages name stand: in a checkout its top folder, installed site-packages."""


MODULES = {
    "calibrate": "calibrate",
    "connectors": "limits",
    "demo": "serve",
    "doctor": "doctor",
    "instruments": "instruments",
    "job": "jobs",
    "judge": "limits",
    "ledger": "ledger",
    "limits": "limits",
    "people": "shop",
    "serve": "serve",
    "share": "share",
    "splice": "splice",
    "study": "study",
    "tool": "shop",
    "trace": "trace",
    "wire": "wire",
    "wire-check": "wire",
}
"""Command -> the module of this package that holds it under its name."""


class Commands(click.Group):
    """Commands that are imported when one of them is asked for: a command loads what it needs."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002
        """Name them all, in order."""
        return sorted(MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import a command; None where there is none of this name."""
        if cmd_name not in MODULES:
            return None
        module = import_module(f"station.cli.{MODULES[cmd_name]}")
        command: click.Command = getattr(module, cmd_name.replace("-", "_"))
        return command


@click.group(
    cls=Commands,
    context_settings={"help_option_names": ["-h", "--help"], "show_default": True},
    help=f"""Measure, judge and log crimp samples on the bench.

    Files that messages name, such as firmware_notes/network.md, stand in {FILES}.""",
    epilog='Example: station wire "18 AWG"',
)
@click.version_option(package_name="crimp-station", prog_name="station")
def station() -> None:
    """Every command stands below this one."""


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and leave with its exit code: 0 done, 1 fail found, 2 bad input."""
    sys.exit(run(arguments))


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code."""
    try:
        result = station.main(
            args=None if arguments is None else list(arguments),
            prog_name="station",
            standalone_mode=False,
        )
    except click.exceptions.NoArgsIsHelpError as error:
        said = error.format_message()
    except click.ClickException as error:
        where = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else ""
        hint = f" See: {where} --help" if where else ""
        said = f"{short(error.format_message())}{hint}"
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return EXIT_STOPPED
    except StationError as error:
        said = short(str(error))
    except BrokenPipeError:
        return EXIT_PIPE_CLOSED
    except SystemExit as left:
        # So does click leave where who read the output has closed it.
        if left.code != 1:
            raise
        return EXIT_PIPE_CLOSED
    except OSError as error:
        # What is printed may go to a full disk, and any file may fail.
        where = f" ({error.filename})" if error.filename else ""
        said = (
            f"This computer could not read or write{where}: {error.strerror or error}. Check the "
            "disk and the file, then try again."
        )
    else:
        return result if isinstance(result, int) else EXIT_DONE
    click.echo(said, err=True)
    return EXIT_BAD_INPUT


def short(sentence: str) -> str:
    """Leave out the middle of a message that is too long to be read."""
    if len(sentence) <= LONGEST_SENTENCE:
        return sentence
    half = LONGEST_SENTENCE // 2
    return f"{sentence[:half]} ... {sentence[-half:]}"
