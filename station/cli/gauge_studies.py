"""Gauge studies guided at the bench: gauge begin, read, list, result, drop."""

import secrets
from pathlib import Path

import click

from calibration.standing import UNITS, Role
from calibration.study_plan import STUDY_WORDS, crossed_turns, nested_turns, reclip_turns
from station.cli.calibration_records import CAUTION_METER, ledger_option, person_option
from station.cli.ledger_file import default_ledger
from station.cli.output import json_option, plot_option, print_json
from station.cli.studies import study_document, telling_document
from station.cli.study_figures import draw_gauge_study
from station.errors import BadInput
from station.instruments.bay import InstrumentBay
from station.instruments.standard_reading import read_standard
from station.ledger.queries import LedgerReader
from station.ledger.store import Ledger
from station.settings import InstrumentSettings, Settings
from station.shop.studies import (
    StudyProgress,
    begin,
    dropped,
    kind_words,
    picture_of,
    reading_for,
    result_of,
    sentences,
    studies,
    study,
    turn_words,
)

CAUTION_PULL = (
    "Eye protection on, guard closed, nobody in line with the pull, fingers away from the grips, "
    "within the tester's capacity. The guard input is not a safety function. What was pulled is "
    "scrap."
)
SEED_BITS = 32
SHOWN_ID = 18
"""So much of an id tells studies apart: its time and a part of its chance."""


@click.group(epilog="Example: station gauge list")
def gauge() -> None:
    """Find out, with people and parts at the bench, what a measurement there is worth."""


@gauge.command(
    "begin",
    epilog="Example: station gauge begin crossed --title 'clips, spring' --instrument "
    "'MAKER,M1,7,1' --appraiser Ann --appraiser Bo --part P1 --part P2 --part P3 --repeats 3 "
    "--limit 0.5 --person Ann",
)
@click.argument("kind", type=click.Choice(list(STUDY_WORDS)))
@click.option("--title", required=True, help="By which people will know it.")
@click.option("--instrument", required=True, metavar="NAME", help="See calibrate state.")
@click.option("--appraiser", "people", multiple=True, help="Who measures; for each, again.")
@click.option("--part", "parts", multiple=True, help="A part's label; for each, again.")
@click.option("--batch", "batches", multiple=True, help="Nested: a batch's label; again for each.")
@click.option("--repeats", type=int, default=3, show_default=True, help="Crossed: of every part.")
@click.option("--clippings", type=int, default=10, show_default=True, help="Clips off and on.")
@click.option("--each", type=int, default=3, show_default=True, help="Readings a clipping, or "
              "parts a batch.")  # fmt: skip
@click.option("--limit", type=float, help="In mΩ or N: can good be told from bad there?")
@click.option("--seed", type=int, help="For the same order again; drawn and recorded without it.")
@person_option
@ledger_option
@json_option
def begin_command(
    kind: str,
    title: str,
    instrument: str,
    people: tuple[str, ...],
    parts: tuple[str, ...],
    batches: tuple[str, ...],
    repeats: int,
    clippings: int,
    each: int,
    limit: float | None,
    seed: int | None,
    person: str,
    ledger_path: Path | None,
    as_json: bool,
) -> int:
    """Plan a study and draw its order.

    crossed: every person reads every part several times. reclip: one person takes the clips off
    one part and puts them on again. nested: every part is pulled once, by batches.
    """
    seed = secrets.randbits(SEED_BITS) if seed is None else seed
    try:
        if kind == "crossed":
            turns = crossed_turns(people, parts, repeats, seed)
        elif kind == "nested":
            turns = nested_turns(people, batches, each, seed)
        else:
            turns = reclip_turns(_only(people, "--appraiser"), _only(parts, "--part"),
                                 clippings, each)  # fmt: skip
    except BadInput:
        raise
    except ValueError as error:
        raise BadInput(f"The study cannot be planned: {error}.") from error
    role: Role = "tester" if kind == "nested" else "meter"
    payload = begin(
        kind, turns, title=title, role=role, instrument=instrument,
        seed=None if kind == "reclip" else seed,
        limit=None if limit is None else limit * UNITS[role][1],
    )  # fmt: skip
    with Ledger.open(ledger_path or default_ledger(), create=False) as ledger:
        payload = payload.model_copy(update={"demo": ledger.reader.is_demo()})
        progress = study(ledger.reader, ledger.append(payload, person=person).id)
    if as_json:
        print_json(_progress_document(progress))
    else:
        click.echo(
            f"Study {progress.id}: {len(turns)} turns. Go on with: station gauge read {progress.id}"
        )
    return 0


def _only(labels: tuple[str, ...], option: str) -> str:
    if len(labels) != 1:
        raise BadInput(f"A re-clipping study has one person and one part: give one {option}.")
    return labels[0]


@gauge.command(epilog="Example: station gauge read 0192f1c0 --port /dev/ttyUSB0 --profile any")
@click.argument("study_id", metavar="STUDY")
@click.option("--reading", "readings", type=float, multiple=True, help="Of the turn that is due.")
@click.option("--again", type=click.IntRange(1), help="Measure this turn again, with --reason.")
@click.option("--reason", default="", help="Why it is measured again.")
@click.option("--port", help="Read the meter there instead of asking.")
@click.option("--profile", help="Profile of the meter at --port.")
@ledger_option
@json_option
def read(
    study_id: str,
    readings: tuple[float, ...],
    again: int | None,
    reason: str,
    port: str | None,
    profile: str | None,
    ledger_path: Path | None,
    as_json: bool,
) -> int:
    """Measure the turns that are due, one after the other; stop at any time and go on later."""
    with Ledger.open(ledger_path or default_ledger(), create=False) as ledger:
        progress = study(ledger.reader, study_id)
        _warn(progress, readings)
        if readings:
            turn = progress.next_turn if again is None else again - 1
            _append(ledger, progress, turn, [value * _scale(progress) for value in readings],
                    reason)  # fmt: skip
        else:
            with _Asked(progress, port, profile) as asked:
                _guide(ledger, progress, asked, None if again is None else again - 1, reason)
        progress = study(ledger.reader, progress.id)
    if as_json:
        print_json(_progress_document(progress))
    else:
        click.echo(f"{progress.done} of {len(progress.values)} turns are measured.")
    return 0


def _guide(
    ledger: Ledger, progress: StudyProgress, asked: "_Asked", again: int | None, reason: str
) -> None:
    turn = progress.next_turn if again is None else again
    while turn is not None:
        if not 0 <= turn < len(progress.values):
            raise BadInput(f"There is no turn {turn + 1}: the study has {len(progress.values)}.")
        due = progress.begun.turns[turn]
        click.echo(
            f"{turn + 1} of {len(progress.values)}: {turn_words(due, progress.begun.study)}",
            err=True,
        )
        readings = asked.readings()
        if readings is None:
            return
        _append(ledger, progress, turn, readings, reason)
        progress = study(ledger.reader, progress.id)
        turn = progress.next_turn if again is None else None


class _Asked:
    """Where readings come from: the person, or the meter on a port when the person says so."""

    def __init__(self, progress: StudyProgress, port: str | None, profile: str | None) -> None:
        self._progress = progress
        self._bay: InstrumentBay | None = None
        if port is None:
            return
        if progress.begun.role != "meter":
            raise BadInput("Only a meter can be read at --port: type the peak of every pull.")
        if profile is None:
            raise BadInput("Name the meter's --profile: see station instruments list.")
        settings = Settings(meter=InstrumentSettings(port=port, profile=profile))
        self._bay = InstrumentBay(settings)

    def __enter__(self) -> "_Asked":
        return self

    def __exit__(self, *exception: object) -> None:
        if self._bay is not None:
            self._bay.close()

    def readings(self) -> list[float] | None:
        """Readings in SI units; None where the person stops."""
        unit = UNITS[self._progress.begun.role][0]
        if self._bay is None:
            answer = click.prompt(
                f"Reading in {unit}; empty stops", default="", show_default=False, err=True
            )
            return [_number(word) * _scale(self._progress) for word in answer.split()] or None
        answer = click.prompt("Enter reads, q stops", default="", show_default=False, err=True)
        if answer.strip():
            return None
        expected = self._progress.begun.limit or 1e-2
        name, found = read_standard(self._bay, "meter", expected)
        if name != self._progress.begun.instrument:
            raise BadInput(
                f"{name} answers at the port: this study is of {self._progress.begun.instrument}."
            )
        return found


def _number(word: str) -> float:
    try:
        return float(word)
    except ValueError:
        raise BadInput(f"{word!r} is not a number; the turn is still due: read it again.") from None


def _append(
    ledger: Ledger,
    progress: StudyProgress,
    turn: int | None,
    readings: list[float],
    reason: str,
) -> None:
    if turn is None:
        why = f"it was given up ({progress.dropped})" if progress.dropped else "all are measured"
        raise BadInput(
            f"No turn of this study is due: {why}. See its result, or name a turn with --again."
        )
    payload = reading_for(
        progress, turn, readings, instrument=progress.begun.instrument, reason=reason
    ).model_copy(update={"demo": progress.begun.demo})
    ledger.append(payload, person=progress.begun.turns[turn].appraiser)


def _scale(progress: StudyProgress) -> float:
    return UNITS[progress.begun.role][1]


def _warn(progress: StudyProgress, readings: tuple[float, ...]) -> None:
    if not readings:
        caution = CAUTION_PULL if progress.begun.role == "tester" else CAUTION_METER
        click.echo(f"Caution: {caution}", err=True)


def _progress_document(progress: StudyProgress) -> dict[str, object]:
    turn = progress.next_turn
    due = None if turn is None else progress.begun.turns[turn]
    return {
        "study": progress.id,
        "kind": progress.begun.study,
        "title": progress.begun.title,
        "instrument": progress.begun.instrument,
        "seed": progress.begun.seed,
        "turns": len(progress.values),
        "measured": progress.done,
        "dropped": progress.dropped,
        "next": None if turn is None or due is None else {"turn": turn + 1, **due.model_dump()},
    }


@gauge.command("list", epilog="Example: station gauge list --json")
@ledger_option
@json_option
def list_command(ledger_path: Path | None, as_json: bool) -> int:
    """List the studies on record, the latest first."""
    with LedgerReader.open(ledger_path or default_ledger()) as reader:
        found = studies(reader)
    if as_json:
        print_json([_progress_document(progress) for progress in found])
        return 0
    for progress in found:
        state = "given up" if progress.dropped else f"{progress.done} of {len(progress.values)}"
        click.echo(
            f"{progress.id[:SHOWN_ID]}  {progress.at.at_utc.astimezone():%Y-%m-%d}  "
            f"{kind_words(progress)}: {progress.begun.title}  ({state})"
        )
    if not found:
        click.echo("No gauge study is on record yet.")
    return 0


@gauge.command(epilog="Example: station gauge result 0192f1c0 --plot study.svg")
@click.argument("study_id", metavar="STUDY")
@plot_option
@ledger_option
@json_option
def result(study_id: str, plot: Path | None, ledger_path: Path | None, as_json: bool) -> int:
    """Say what a complete study shows; exit 1 where good cannot be told from bad at its limit."""
    with LedgerReader.open(ledger_path or default_ledger()) as reader:
        progress = study(reader, study_id)
    found = result_of(progress)
    if plot is not None:
        draw_gauge_study(plot, picture_of(found))
    if as_json:
        clips = found.clips
        print_json(
            _progress_document(progress)
            | {
                "unit": found.unit,
                "gauge": study_document(found.gauge),
                "unpooled": None if found.unpooled is None else study_document(found.unpooled),
                "reclip": None if clips is None else {
                    "within_sd": clips.within_sd,
                    "reclip_sd": clips.reclip_sd,
                    "reclip_dof": clips.reclip_dof,
                    "share": clips.share,
                },
                "telling": None if found.telling is None else telling_document(found.telling),
                "sentences": sentences(found),
            }
        )  # fmt: skip
    else:
        for sentence in sentences(found):
            click.echo(sentence)
    return 1 if found.telling is not None and found.telling.answer == "no" else 0


@gauge.command(epilog="Example: station gauge drop 0192f1c0 --reason 'a part was lost' --person Bo")
@click.argument("study_id", metavar="STUDY")
@click.option("--reason", required=True, prompt="Why is it given up")
@person_option
@ledger_option
@json_option
def drop(study_id: str, reason: str, person: str, ledger_path: Path | None, as_json: bool) -> int:
    """Give a study up; what was read stays on record."""
    with Ledger.open(ledger_path or default_ledger(), create=False) as ledger:
        payload = dropped(study(ledger.reader, study_id), reason)
        ledger.append(payload, person=person)
        progress = study(ledger.reader, payload.study_id)
    if as_json:
        print_json(_progress_document(progress))
    else:
        click.echo("Given up.")
    return 0


COMMANDS = (gauge,)
