"""Command that looks at the whole bench and says what is the matter: doctor."""

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from stat import S_IRWXG, S_IRWXO

import click

from calibration.standing import INSTRUMENT_WORDS, CalibrationState, InstrumentKind
from station.cli import doctor_findings as judged
from station.cli import doctor_machine as looks
from station.cli.doctor_findings import DoctorFinding, PortSeen, Severity, told
from station.cli.options import FILE, json_option, print_result, settings_option
from station.crimp.facts import load_connectors, load_data_sheets, load_limit_sets
from station.errors import BadInput, DataFileError, StationError
from station.instruments.bay import InstrumentBay
from station.instruments.dialects import LineSettings
from station.instruments.panel.gpio import open_panel
from station.instruments.port import LinePort
from station.instruments.profiles import load_meter_profile, load_tester_profile
from station.jobs.plans import check_plans, load_plans
from station.ledger.clock import SYNCHRONIZED_FILE
from station.ledger.reader import LedgerReader
from station.ledger.verify import check_writable, has_samples, verify_tail
from station.settings import InstrumentSettings, Settings, data_folder, read_settings
from station.shop.secrets import SecretFile
from station.shop.sign_in import leads_with_secret
from station.shop.standards import load_standards
from station.shop.trust import InstrumentTrust, Trust


@click.command(epilog="Example: station doctor --settings bench.toml")
@settings_option
@click.option(
    "--ledger", "ledger_path", type=FILE, metavar="FILE",
    help="Default: the one that the settings name.",
)  # fmt: skip
@click.option(
    "--ask/--no-ask", default=True,
    help="Open the ports that are set and ask the instruments who they are.",
)  # fmt: skip
@json_option
def doctor(settings_path: Path | None, ledger_path: Path | None, ask: bool, as_json: bool) -> int:
    """Look at machine, settings, ports, panel, clock, disk, ledger and people; say what to do.

    Nothing is changed. Exit 1 says that something is wrong.
    """
    if settings_path is not None and not settings_path.exists():
        raise BadInput(f"There is no file {settings_path}: name the settings of this bench.")
    found = []
    for finding in _findings(settings_path, ledger_path, ask):
        found.append(finding)
        if not as_json:
            mark = "good" if finding.state is Severity.GOOD else finding.state.upper()
            click.echo(f"{mark:<10}  {finding.area}: {finding.name}: {finding.sentence}")
    states = Counter(finding.state for finding in found)
    wrong, look_at = states[Severity.WRONG], states[Severity.LOOK]
    document = {"wrong": wrong, "look_at": look_at, "findings": list(map(asdict, found))}
    print_result(as_json, document, [f"{wrong} wrong, {look_at} to look at, of {len(found)}."])
    return 1 if wrong else 0


def _findings(
    settings_path: Path | None, ledger_path: Path | None, ask: bool
) -> Iterator[DoctorFinding]:
    try:
        settings = read_settings(settings_path)
    except DataFileError as error:
        yield from judged.of_machine(looks.machine())
        yield told("settings", "file", "wrong", error=error)
        return
    case = "good-shipped" if settings_path is None else "good"
    yield told("settings", "file", case, path=settings_path)
    path = ledger_path or settings.ledger or data_folder() / "station.ledger"
    yield from Examination(settings, path, ask=ask).findings()


@dataclass
class Examination:
    """One look at a bench, in the order in which things depend on each other.

    Parameters
    ----------
    settings
        The bench's settings, read without an error.
    ledger_path
        Its ledger, which need not exist.
    ask
        Whether the instruments are asked who they are; a running station's never are.
    """

    settings: Settings
    ledger_path: Path
    ask: bool = True
    _station_runs: bool = False
    _lines: dict[InstrumentKind, LineSettings] = field(default_factory=dict)
    _sound_ports: set[InstrumentKind] = field(default_factory=set)
    _identities: dict[InstrumentKind, str] = field(default_factory=dict)

    def findings(self) -> Iterator[DoctorFinding]:
        """Look at everything; each finding comes as soon as it is made."""
        yield from judged.of_machine(looks.machine())
        yield from self._facts()
        yield from judged.of_folder(looks.folder(self.ledger_path.parent))
        host, port = self.settings.host, self.settings.port
        trouble, self._station_runs = looks.address(host, port)
        yield judged.of_address(host, port, trouble, station_answers=self._station_runs)
        yield from self._ports()
        yield from self._instruments()
        yield from _or_wrong("panel", "pins", self._panel())
        yield from self._record()

    # ---- settings ------------------------------------------------------------------------------

    def _facts(self) -> Iterator[DoctorFinding]:
        yield from _or_wrong("settings", "limit sets", self._limit_set())
        for role, settings in self._instruments_set.items():
            profile = partial(self._profile, role, settings)
            yield _tried("settings", f"profile of the {INSTRUMENT_WORDS[role]}", profile)
        yield _tried("settings", "standards", self._standards)
        yield _tried("settings", "connectors", self._connectors)
        yield _tried("settings", "plans", self._plans)

    def _limit_set(self) -> Iterator[DoctorFinding]:
        wanted, only = self.settings.limits.set_ids, self.settings.limits.only
        sets = load_limit_sets(self.settings.limit_sets_folder)
        remembered = [name for name in wanted if sets[name].from_memory]
        case = "look" if remembered else "good-only" if only else "good"
        named = ", ".join(remembered or wanted)
        yield told("settings", "limit sets", case, wanted=named, only=only)

    def _profile(self, role: InstrumentKind, settings: InstrumentSettings) -> str:
        folder = self.settings.profiles_folder
        if folder is not None and not folder.is_dir():
            raise DataFileError(
                f"There is no folder {folder}: make it, or change the setting profiles_folder."
            )
        load = load_meter_profile if role == "meter" else load_tester_profile
        profile = load(settings.profile, folder)
        self._lines[role] = profile.line
        return f"{settings.profile}: {profile.title}."

    def _connectors(self) -> str:
        book = load_connectors(self.settings.connectors_folder)
        if (caliper := self.settings.caliper) is not None:
            load_data_sheets(caliper.sheets_folder, book)
        return f"{len(book.connectors)} are in order."

    def _plans(self) -> str:
        plans = load_plans(self.settings.plans_folder)
        check_plans(plans, load_limit_sets(self.settings.limit_sets_folder))
        return f"{', '.join(plans)}."

    def _standards(self) -> str:
        load_standards(self.settings.standards_folder)
        folder = self.settings.standards_folder
        return "No folder of standards is set." if folder is None else f"Read from {folder}."

    # ---- ports, instruments, panel -------------------------------------------------------------

    @property
    def _instruments_set(self) -> dict[InstrumentKind, InstrumentSettings]:
        found: dict[InstrumentKind, InstrumentSettings | None] = {
            "meter": self.settings.meter, "tester": self.settings.tester,
        }  # fmt: skip
        return {role: settings for role, settings in found.items() if settings is not None}

    def _ports(self) -> Iterator[DoctorFinding]:
        seen = {role: self._port(role, found) for role, found in self._instruments_set.items()}
        if len({port.port for port in seen.values()}) == len(seen):
            self._sound_ports = {
                role
                for role, port in seen.items()
                if role in self._lines and not (port.trouble or port.holders or port.console)
            }
        yield from judged.of_ports(list(seen.values()), looks.is_running("ModemManager"))

    def _port(self, role: InstrumentKind, settings: InstrumentSettings) -> PortSeen:
        name, port = INSTRUMENT_WORDS[role], settings.port
        line = self._lines.get(role)
        if "://" in port:
            return PortSeen(name, port)
        found = () if looks.is_pseudo_terminal(port) else looks.holders(Path(port))
        trouble = None
        if not Path(port).exists():
            trouble = (
                f"There is no {port}: plug in the adapter of the {name}, or name another port."
            )
        elif line is not None and self.ask and not (self._station_runs or found):
            trouble = _open_trouble(port, line, name)
        return PortSeen(name, port, looks.steady_name(port), looks.is_console(port), found, trouble)

    def _instruments(self) -> Iterator[DoctorFinding]:
        def say_of(role: InstrumentKind, case: str) -> DoctorFinding:
            return told("instruments", "{instrument}", case, instrument=INSTRUMENT_WORDS[role])

        for role in INSTRUMENT_WORDS:
            if role not in self._instruments_set:
                yield say_of(role, "look")
        for role, settings in self._instruments_set.items():
            if settings.simulated:
                yield say_of(role, "look-simulated")
            if self._station_runs:
                yield say_of(role, "good-station")
            elif self.ask and role in self._sound_ports:
                yield _tried("instruments", INSTRUMENT_WORDS[role], partial(self._asked, role))

    def _asked(self, role: InstrumentKind) -> str:
        settings = self._instruments_set[role].model_copy(update={"byte_trace": None})
        alone: dict[str, object] = {"meter": None, "tester": None, role: settings}
        with closing(InstrumentBay(self.settings.model_copy(update=alone))) as bay:
            if role == "tester":
                bay.tester()
            else:
                with bay.using(role) as link:
                    link.connect()
            name = bay.line(role).known_as
        self._identities[role] = name
        return f"{name} answers as {settings.profile} says."

    def _panel(self) -> Iterator[DoctorFinding]:
        pins = self.settings.panel
        if pins is None or self._station_runs:
            yield told("panel", "pins", "good-none" if pins is None else "good-station")
            return
        with open_panel(pins) as panel:
            line = panel.line()
        if line.trouble is None:
            yield told("panel", "pins", "good", line=line)
        else:
            state = Severity.LOOK if line.present else Severity.WRONG
            yield DoctorFinding("panel", "pins", state, line.trouble)

    # ---- ledger, calibration, people -----------------------------------------------------------

    def _record(self) -> Iterator[DoctorFinding]:
        path, bench = self.ledger_path, self.settings.bench
        tail, unread = None, told("ledger", "file", "good", path=path)
        try:
            tail = verify_tail(path) if path.exists() else None
        except StationError as error:
            unread = DoctorFinding("ledger", "file", Severity.WRONG, str(error))
        last = None if tail is None else tail.last_at
        synced = SYNCHRONIZED_FILE.exists()
        yield from judged.of_clock(datetime.now(UTC), synced=synced, last_entry=last)
        if tail is None:
            yield unread
            return
        yield judged.of_tail(str(path), tail.entries, tail.checked, tail.first_bad, tail.head.short)
        if tail.bench != bench:
            yield told("ledger", "bench", "wrong", path=path, owner=tail.bench, bench=bench)
        yield _tried("ledger", "lock", partial(_lock, path))
        yield judged.of_writers(str(path), looks.holders(path))
        yield from _or_wrong("ledger", "reading", self._read())

    def _read(self) -> Iterator[DoctorFinding]:
        with LedgerReader.open(self.ledger_path) as reader:
            yield from self._samples(reader)
            yield from self._calibrations(reader)
            yield from _or_wrong("people", "secrets", self._people(reader))

    def _samples(self, reader: LedgerReader) -> Iterator[DoctorFinding]:
        yield judged.of_invented(
            str(self.ledger_path),
            invented=has_samples(self.ledger_path, demo=True),
            real=has_samples(self.ledger_path, demo=False),
            for_work=any(not found.simulated for found in self._instruments_set.values()),
        )
        yield judged.of_unfinished(reader.counts().unfinished)

    def _calibrations(self, reader: LedgerReader) -> Iterator[DoctorFinding]:
        book = Trust(reader, self.settings)
        found = {trust.instrument: trust for trust in book.all(with_samples=False)}
        for role, name in self._identities.items():
            found.setdefault(name, book.of(role, name))
        for trust in found.values():
            # One that was put away is no trouble: another instrument answered in its place.
            in_use = self._identities.get(trust.role, trust.instrument) == trust.instrument
            yield _calibration(trust, in_use)
        if not found:
            yield told("calibration", "instruments", "look")

    def _people(self, reader: LedgerReader) -> Iterator[DoctorFinding]:
        secrets = SecretFile(self.ledger_path)
        path = secrets.path
        here = len(leads_with_secret(reader, secrets))
        afar = len(leads_with_secret(reader, secrets, passphrase=True))
        if path.exists() and path.stat().st_mode & (S_IRWXG | S_IRWXO):
            yield told("people", "secrets", "wrong-open", path=path)
        on_network = not self.settings.open_to_this_machine_only
        yield from judged.of_people(here, afar, on_network=on_network)


def _open_trouble(port: str, line: LineSettings, name: str) -> str | None:
    try:
        with LinePort(port, line, name=name):
            return None
    except StationError as error:
        return str(error)


def _lock(path: Path) -> str:
    check_writable(path)
    return "It can be written."


def _calibration(trust: InstrumentTrust, in_use: bool) -> DoctorFinding:
    if in_use and (trust.blocked or trust.alarms):
        state = Severity.WRONG
    else:
        state = Severity.GOOD if trust.state is CalibrationState.VALID else Severity.LOOK
    return DoctorFinding("calibration", trust.instrument, state, trust.sentence)


def _or_wrong(area: str, name: str, found: Iterator[DoctorFinding]) -> Iterator[DoctorFinding]:
    """What is found, until an error says in its own sentence why no more is."""
    try:
        yield from found
    except StationError as error:
        yield DoctorFinding(area, name, Severity.WRONG, str(error))


def _tried(area: str, name: str, act: Callable[[], str]) -> DoctorFinding:
    """Do something that may go wrong; what it says, or the error's own sentence."""
    try:
        return DoctorFinding(area, name, Severity.GOOD, act())
    except StationError as error:
        return DoctorFinding(area, name, Severity.WRONG, str(error))
