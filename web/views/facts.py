"""Limits, instruments and people: what the station knows and whom it knows."""

from flask import Blueprint, render_template, request

from calibration.standing import CheckResult
from station.crimp.limits import (
    CriterionTable,
    Limit,
    LimitSet,
    limit_of,
)
from station.crimp.wire import WireSize, parse_size
from station.shop.secrets import SecretFile
from station.shop.trust import Trust
from web.check_figure import check_figure
from web.context import bench, reader, station, trust_book
from web.languages import later
from web.shown import ROLE_WORDS
from web.views.calibration import PROCEDURES, shop_standards

SECRET_WORDS = {"pin": later("PIN"), "passphrase": later("passphrase")}
NO_SECRET = later("nothing yet")
INSTRUMENT_WORDS = {"meter": "Milliohm meter", "tester": "Pull tester"}

pages = Blueprint("facts", __name__)


@pages.get("/limits")
def limits() -> str:
    """Every limit set with its source, standing and conditions; the limits of one size first."""
    known, in_use = bench().limit_sets, bench().settings.limit_set
    sets = sorted((known[name] for name in known.ids), key=lambda item: _order(item, in_use))
    labels = {label for item in sets for table in item.criteria for label in table.rows}
    asked = request.args.get("size", "")
    size = parse_size(asked) if asked else None
    return render_template(
        "limits.html",
        sets=[(item, [(table, _rows(item, table)) for table in item.criteria]) for item in sets],
        in_use=in_use,
        sizes=sorted(labels, key=lambda label: parse_size(label).area_m2),
        size=size,
        of_size=[] if size is None else _of_size(sets, size),
    )


def _order(limit_set: LimitSet, in_use: str) -> tuple[bool, bool, bool, str]:
    """What judges here first, then the shop's own, then what was seen in print."""
    own = limit_set.standing == "shop"
    return limit_set.id != in_use, not own, limit_set.from_memory, limit_set.id


def _of_size(sets: list[LimitSet], size: WireSize) -> list[tuple[LimitSet, Limit]]:
    return [
        (item, limit_of(item, table, size))
        for item in sets
        for table in item.criteria
        if size.label in table.rows
    ]


@pages.get("/instruments")
def instruments() -> str:
    """Every instrument of the bench, how it is doing, and what its numbers are worth."""
    return render_template(
        "instruments.html",
        lines=bench().instruments(),
        words=INSTRUMENT_WORDS,
        panel=bench().panel_line(),
        trusts=[(trust, _charts(trust)) for trust in trust_book().all()],
        known=reader().instruments(),
        procedures=PROCEDURES,
        standards=shop_standards().values(),
        today=station().clock().date(),
    )


def _charts(trust: Trust) -> list[tuple[CheckResult, str]]:
    """The latest check of each series since the last calibration, with its chart."""
    since = 0 if trust.record is None else trust.record.seq
    series: dict[tuple[str, str], list[CheckResult]] = {}
    for check in trust.checks:
        if check.seq > since:
            series.setdefault(check.series, []).append(check)
    return [(checks[-1], check_figure(checks, trust.role)) for checks in series.values()]


@pages.get("/people")
def people() -> str:
    """Everyone on record, with the number of samples that each has finished."""
    made = {name: sum(of.values()) for name, of in reader().verdict_counts().items()}
    secrets = SecretFile(station().ledger_path).kinds()
    given = request.args.get("given", "")
    return render_template(
        "people.html",
        people=[(row, made.get(row.name, 0)) for row in reader().people(former=True)],
        secrets={name: SECRET_WORDS[kind] for name, kind in secrets.items()},
        no_secret=NO_SECRET,
        given=given if given in secrets else None,
        words=ROLE_WORDS,
    )


def _rows(limit_set: LimitSet, table: CriterionTable) -> list[Limit]:
    sizes = sorted(map(parse_size, table.rows), key=lambda size: size.area_m2)
    return [limit_of(limit_set, table, size) for size in sizes]
