"""Entry point: commands gathered, errors turned into one sentence and an exit code."""

import sys
from collections.abc import Sequence
from pathlib import Path

import click

from station.cli.bench import COMMANDS as BENCH_COMMANDS
from station.cli.calibrations import COMMANDS as CALIBRATION_COMMANDS
from station.cli.certifications import COMMANDS as CERTIFICATION_COMMANDS
from station.cli.connector_facts import COMMANDS as CONNECTOR_COMMANDS
from station.cli.doctor import COMMANDS as DOCTOR_COMMANDS
from station.cli.facts import COMMANDS as FACTS_COMMANDS
from station.cli.gauge_studies import COMMANDS as GAUGE_COMMANDS
from station.cli.instruments import COMMANDS as INSTRUMENT_COMMANDS
from station.cli.jobs import COMMANDS as JOB_COMMANDS
from station.cli.nests import COMMANDS as NEST_COMMANDS
from station.cli.people import COMMANDS as PEOPLE_COMMANDS
from station.cli.records import COMMANDS as RECORDS_COMMANDS
from station.cli.splices import COMMANDS as SPLICE_COMMANDS
from station.cli.studies import COMMANDS as STUDY_COMMANDS
from station.cli.tools import COMMANDS as TOOL_COMMANDS
from station.cli.traces import COMMANDS as TRACE_COMMANDS
from station.cli.validations import COMMANDS as VALIDATION_COMMANDS
from station.cli.wire_checks import COMMANDS as WIRE_CHECK_COMMANDS
from station.errors import StationError

EXIT_DONE = 0
EXIT_BAD_INPUT = 2

LONGEST_SENTENCE = 1000
"""Longest message, in characters: it may repeat what was typed, however long that was."""


FILES = Path(__file__).parents[2]
"""Where files that messages name stand: in a checkout its top folder, installed site-packages."""


@click.group(
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=f"""Example: station wire "18 AWG"

    Files that messages name, such as firmware_notes/network.md, stand in {FILES}.""",
)
@click.version_option(package_name="crimp-station", prog_name="station")
def station() -> None:
    """Measure, judge and log crimp samples on the bench."""


for command in (
    *FACTS_COMMANDS,
    *CONNECTOR_COMMANDS,
    *SPLICE_COMMANDS,
    *WIRE_CHECK_COMMANDS,
    *BENCH_COMMANDS,
    *CALIBRATION_COMMANDS,
    *STUDY_COMMANDS,
    *GAUGE_COMMANDS,
    *TRACE_COMMANDS,
    *RECORDS_COMMANDS,
    *VALIDATION_COMMANDS,
    *CERTIFICATION_COMMANDS,
    *INSTRUMENT_COMMANDS,
    *JOB_COMMANDS,
    *NEST_COMMANDS,
    *PEOPLE_COMMANDS,
    *TOOL_COMMANDS,
    *DOCTOR_COMMANDS,
):
    station.add_command(command)


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
        click.echo(error.format_message(), err=True)
        return EXIT_BAD_INPUT
    except click.ClickException as error:
        where = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else ""
        hint = f" See: {where} --help" if where else ""
        click.echo(f"{short(error.format_message())}{hint}", err=True)
        return EXIT_BAD_INPUT
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        return EXIT_BAD_INPUT
    except StationError as error:
        click.echo(short(str(error)), err=True)
        return EXIT_BAD_INPUT
    except BrokenPipeError:
        return EXIT_DONE
    except OSError as error:
        # What is printed may go to a full disk, and any file may fail.
        where = f" ({error.filename})" if error.filename else ""
        click.echo(
            f"This computer could not read or write{where}: {error.strerror or error}. Check the "
            "disk and the file, then try again.",
            err=True,
        )
        return EXIT_BAD_INPUT
    return result if isinstance(result, int) else EXIT_DONE


def short(sentence: str) -> str:
    """Leave out the middle of a message that is too long to be read."""
    if len(sentence) <= LONGEST_SENTENCE:
        return sentence
    half = LONGEST_SENTENCE // 2
    return f"{sentence[:half]} ... {sentence[-half:]}"
