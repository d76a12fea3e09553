"""Commands on instruments: list, identify, watch, learn."""

import json
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from pathlib import Path

import click

from station.cli.options import (
    FILE,
    facts,
    json_option,
    picked,
    print_aside,
    print_json,
    print_lines,
    print_result,
)
from station.errors import BadInput, InstrumentError, InstrumentGarbled, InstrumentSilent, NoReading
from station.files import write_whole
from station.instruments.byte_log import ByteLog
from station.instruments.dialects import LineSettings
from station.instruments.force_lines import ForceLines
from station.instruments.framing import Identity, show
from station.instruments.learning import Proposal, propose
from station.instruments.meter import Meter
from station.instruments.port import Direction, LinePort, available_ports
from station.instruments.profiles import (
    CaliperProfile,
    MeterProfile,
    Profile,
    PullTesterProfile,
    load_profile,
    profile_names,
)
from station.instruments.pull_tester import PullTester

PULL_CAUTION = (
    "Eye protection on, guard closed, nobody in line with the pull, within the tester's capacity. "
    "A hung weight falls: feet and hands out from under it."
)
Askable = MeterProfile | PullTesterProfile
_PATIENCE_S = 1.0
_PRESSED_WITHIN_S = 5.0
_POLL_S = 0.2
_LISTEN_S = 0.1

profiles_option = click.option(
    "--profiles", "folder", type=click.Path(path_type=Path, file_okay=False, exists=True),
    metavar="DIR", help="Your own profiles; a name found there goes first.",
)  # fmt: skip
trace_option = click.option(
    "--trace", type=FILE, metavar="FILE",
    help="Append every byte that passes to FILE.",
)  # fmt: skip


@click.group(epilog="Example: station instruments list")
def instruments() -> None:
    """Find, identify, watch and learn the instruments on serial ports."""


@instruments.command("list", epilog="Example: station instruments list --json")
@profiles_option
@json_option
def list_all(folder: Path | None, as_json: bool) -> None:
    """List serial ports and instrument profiles."""
    ports = available_ports()
    profiles = {name: load_profile(name, folder) for name in profile_names(folder)}
    document = {
        "ports": [{"port": port.url} | picked(port, "description serial_number") for port in ports],
        "profiles": [
            {"name": name} | picked(profile, "kind title") for name, profile in profiles.items()
        ],
    }
    lines = [
        "Ports:" if ports else "No serial port is plugged in.",
        *facts((f"  {port.url}", port.description) for port in ports),
        "Profiles:",
        *facts((f"  {name}", profile.title) for name, profile in profiles.items()),
    ]
    print_result(as_json, document, lines)


@instruments.command(epilog="Example: station instruments identify /dev/ttyUSB0")
@click.argument("port")
@click.option("--profile", metavar="NAME", help="Default: try every profile in turn.")
@profiles_option
@trace_option
@json_option
def identify(
    port: str, profile: str | None, folder: Path | None, trace: Path | None, as_json: bool
) -> int:
    """Ask what hangs on PORT. Without --profile, words of all dialects are sent to it."""
    names = profile_names(folder) if profile is None else (profile,)
    loaded = {name: load_profile(name, folder) for name in names}
    asked = ((name, one) for name, one in loaded.items() if not isinstance(one, CaliperProfile))
    # Meters first.
    ordered = dict(sorted(asked, key=lambda item: item[1].kind != "meter"))
    if not ordered:
        raise BadInput("A caliper cannot be asked: see what it sends by station instruments watch.")
    heard = bytearray()
    with _traced(trace) as on_bytes:
        found = _first_that_answers(port, ordered, on_bytes, heard)
    if found is None and heard:
        raise InstrumentGarbled(
            f"Something on {port} sends by itself, such as {show(bytes(heard))}, but not in the "
            f"words of {', '.join(ordered)}; try: station instruments learn {port}."
        )
    if found is None:
        raise InstrumentSilent(
            f"Nothing on {port} sends by itself or answers in the words of {', '.join(ordered)}; "
            "check that it is on, its baud rate and cable (crossed or straight), or, for a tester "
            "that must be asked, try: station instruments learn with --poll."
        )
    name, identity = found
    known = picked(identity, "maker model serial firmware")
    document = {"port": port, "profile": name, "identity": {"raw": identity.raw} | known}
    rows = [("profile", name), *((key, text or "-") for key, text in known.items())]
    print_result(as_json, document, facts(rows))
    return 0


@instruments.command(
    # Broken by hand, here and below: click would break it within a word.
    epilog="\b\nExample: station instruments watch /dev/ttyUSB0 \\\n"
    "  --profile tester-stream-newton"
)
@click.argument("port")
@click.option("--profile", required=True, metavar="NAME")
@click.option("--seconds", type=click.FloatRange(min=0, min_open=True), help="End after so long.")
@click.option("--count", type=click.IntRange(min=1), help="End after so many readings.")
@click.option(
    "--expected-ohm", type=click.FloatRange(min=0, min_open=True), default=0.01,
    help="Sets a meter's range.",
)  # fmt: skip
@profiles_option
@trace_option
@json_option
def watch(
    port: str, profile: str, seconds: float | None, count: int | None, expected_ohm: float,
    folder: Path | None, trace: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Show what PORT reads, in SI units, until stopped. --json prints once, at the end."""
    if as_json and seconds is None and count is None:
        raise BadInput("With --json say when to end: --seconds or --count.")
    known = load_profile(profile, folder)
    unit = {"meter": "ohm", "pull_tester": "N"}.get(known.kind, "m")
    taken: list[dict[str, float | None]] = []
    with _traced(trace) as on_bytes, _port(port, known, on_bytes) as line:
        begun_s: float | None = None
        for at_s, value in _readings(line, known, expected_ohm):
            begun_s = at_s if begun_s is None else begun_s
            taken.append({"time_s": at_s - begun_s, "value": value})
            if not as_json:
                shown = "no reading" if value is None else f"{value + 0.0:.6g} {unit}"
                click.echo(f"{at_s - begun_s:9.3f} s  {shown}")
            if len(taken) == count or (seconds is not None and at_s - begun_s >= seconds):
                break
    if as_json:
        print_json({"port": port, "profile": profile, "unit": unit, "readings": taken})


@instruments.command(
    epilog="\b\nExample: station instruments learn /dev/ttyUSB0 --baud 9600 \\\n"
    "  --out my-tester.toml"
)
@click.argument("port")
@click.option("--baud", type=click.IntRange(min=50), default=9600)
@click.option("--data-bits", type=click.Choice(["7", "8"]), default="8")
@click.option("--parity", type=click.Choice(["none", "even", "odd"]), default="none")
@click.option("--seconds", type=click.FloatRange(min=0.5), default=10.0)
@click.option("--poll", metavar="TEXT", help="Ask with TEXT and CR, five times a second.")
@click.option(
    "--good",
    metavar="WORD",
    multiple=True,
    help="A status word with which a force is good; default: those heard.",
)
@click.option(
    "--out", type=FILE, metavar="FILE",
    help="Write the profile to FILE, if you agree.",
)  # fmt: skip
@click.option("--yes", is_flag=True, help="Agree beforehand.")
@trace_option
@json_option
def learn(
    port: str, baud: int, data_bits: str, parity: str, seconds: float, poll: str | None,
    good: tuple[str, ...], out: Path | None, yes: bool, trace: Path | None, as_json: bool,
) -> None:  # fmt: skip
    """Listen to an unknown pull tester on PORT and propose a profile. Pull gently meanwhile."""
    settings = {"data_bits": int(data_bits), "parity": parity, "send_end": "\r"}
    line = LineSettings.model_validate({"baud": baud, **settings})
    print_aside(PULL_CAUTION)
    if not as_json:
        click.echo(f"Listening for {seconds:g} s: pull gently at the grip, so that it shows.")
    with _traced(trace) as on_bytes:
        heard = _listen(port, line, seconds, poll, on_bytes)
    proposal = propose(heard, seconds, line, poll, good)
    if proposal.status_heard and out is not None and not (good or yes or as_json):
        words = click.prompt(
            "Which of the words that come with a force mean that it is good? Commas between them",
            default=", ".join(proposal.status_heard),
        )
        good = tuple(word.strip() for word in words.split(",") if word.strip())
        proposal = propose(heard, seconds, line, poll, good)
    if not as_json:
        _show(proposal)
    agreed = out is not None and (yes or (not as_json and click.confirm(f"Write {out}?")))
    if out is not None and agreed:
        out.parent.mkdir(parents=True, exist_ok=True)
        write_whole(out, proposal.text)
    document = {
        "profile": proposal.text,
        **picked(proposal, "lines_heard forces_n remarks"),
        "lines_read": len(proposal.forces_n),
        "written": str(out) if agreed else None,
    }
    print_result(as_json, document, _next_steps(port, out) if out is not None and agreed else ())


def _traced(path: Path | None) -> AbstractContextManager[ByteLog | None]:
    return nullcontext() if path is None else ByteLog(path)


def _port(url: str, profile: Profile, on_bytes: ByteLog | None) -> LinePort:
    name = profile.kind.replace("_", " ")
    return LinePort(url, profile.line, name=name, on_bytes=on_bytes)


def _first_that_answers(
    url: str, profiles: dict[str, Askable], on_bytes: ByteLog | None, heard: bytearray
) -> tuple[str, Identity] | None:
    """The first profile that fits; ``heard`` takes what came before anything was sent."""
    with LinePort(
        url,
        next(iter(profiles.values())).line,
        name="instrument",
        on_bytes=lambda _direction, data: heard.extend(data),
    ) as line:
        line.wait_lost(_PATIENCE_S)
    testers = [known for known in profiles.values() if isinstance(known, PullTesterProfile)]
    for name, profile in profiles.items():
        with _port(url, profile, on_bytes) as line:
            # Ends what an earlier dialect left half said.
            line.send(b"\r\n")
            try:
                identity = _identity(line, profile)
            except InstrumentError:
                continue
        said = identity.raw.encode("ascii", "replace")
        if isinstance(profile, MeterProfile) and (
            not identity.model or any(ForceLines(known, "").matches(said) for known in testers)
        ):
            continue
        return name, identity
    return None


def _identity(line: LinePort, profile: Askable) -> Identity:
    if isinstance(profile, MeterProfile):
        meter = Meter(line, profile)
        identity = meter.identify()
        if meter.identify() != identity:
            # A line of a stream that was entered in mid-line may look like an answer, once.
            raise InstrumentGarbled("What came was no answer: asked again, it is another.")
        return identity
    sampling = profile.sampling.model_copy(update={"silence_s": _PATIENCE_S})
    tester = PullTester(line, profile.model_copy(update={"sampling": sampling}))
    tester.check_alive()
    return tester.identify()


def _readings(
    line: LinePort, profile: Profile, expected_ohm: float
) -> Iterator[tuple[float, float | None]]:
    if isinstance(profile, PullTesterProfile):
        for sample in PullTester(line, profile).samples():
            yield sample.at_s, sample.force_n
        return
    while isinstance(profile, CaliperProfile):
        try:
            at_s, data = line.next_line(_PRESSED_WITHIN_S)
        except InstrumentSilent:
            yield time.monotonic(), None
        else:
            yield at_s, profile.size_m(data)
    meter = Meter(line, profile)
    meter.configure(expected_ohm)
    try:
        while True:
            try:
                reading = meter.read_ohm()
            except NoReading:
                yield time.monotonic(), None
            else:
                yield reading.at_s, reading.value_ohm
    finally:
        meter.finish()


def _listen(
    url: str, line: LineSettings, seconds: float, poll: str | None, trace: ByteLog | None
) -> bytes:
    heard = bytearray()

    def keep(direction: Direction, data: bytes) -> None:
        if direction == "in":
            heard.extend(data)
        if trace is not None:
            trace(direction, data)

    with LinePort(url, line, name="instrument", on_bytes=keep) as port:
        end_s = time.monotonic() + seconds
        next_s = 0.0
        while (now_s := time.monotonic()) < end_s:
            if poll is not None and now_s >= next_s:
                port.send(poll.encode() + b"\r")
                next_s = now_s + _POLL_S
            if port.wait_lost(_LISTEN_S):
                port.next_line(0)
    return bytes(heard)


def _show(proposal: Proposal) -> None:
    forces = proposal.forces_n
    click.echo(proposal.text)
    click.echo(f"It reads {len(proposal.forces_n)} of {proposal.lines_heard} lines.")
    if forces:
        click.echo(
            # Adding zero makes of -0 a plain 0.
            f"Forces from {min(forces) + 0.0:.4g} to {max(forces) + 0.0:.4g} N, "
            f"last {forces[-1] + 0.0:.4g} N."
        )
    print_lines(f"Look: {remark}" for remark in proposal.remarks)


def _next_steps(port: str, written: Path) -> Iterator[str]:
    """How the profile that was written comes into use."""
    name, folder = written.stem, written.parent
    yield f"Written to {written}. Next, with a known weight hung from the grip:"
    yield f"  station instruments watch {port} --profiles {folder} --profile {name}"
    yield "Then enter resolution, capacity and accuracy in the file, and in the settings:"
    # JSON's strings are TOML's: what is printed can be copied whatever the names are.
    yield f"  profiles_folder = {json.dumps(str(folder))}  # at the top"
    yield f"  [tester]\n  port = {json.dumps(port)}\n  profile = {json.dumps(name)}"
