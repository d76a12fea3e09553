"""Read models over the whole ledger: the trend of every nest."""

from station.ledger.queries import LedgerReader
from station.trends import NestTrend, nest_trend


def trend_of(reader: LedgerReader, tool: str, nest: str, run_length: float) -> NestTrend:
    """Trend of one nest since its last service."""
    services = reader.services(tool, nest)
    since = max((service.seq for service in services), default=0)
    return nest_trend(
        tool,
        nest,
        reader.nest_samples(tool, nest, since_seq=since),
        reader.baselines(),
        run_length=run_length,
        since_seq=since,
    )


def all_trends(reader: LedgerReader, run_length: float) -> list[NestTrend]:
    """Trend of every nest of every tool."""
    return [
        trend_of(reader, tool.tool, nest, run_length)
        for tool in reader.tools()
        for nest in tool.nests
    ]


def worn_nests(reader: LedgerReader, run_length: float) -> list[NestTrend]:
    """The nests that the wear watch has flagged."""
    return [trend for trend in all_trends(reader, run_length) if trend.flagged]
