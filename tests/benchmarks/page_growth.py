"""Pages over ten thousand samples and over a million: how much longer they take, what they weigh.

Stated bounds: Today, Tools, a nest and the Bench take at most twice as long over a million samples
as over ten thousand, asked for in turn; the first load of each weighs less than 300 kB, its style
and script included and its figures left out; and no page asks another machine for anything.

``--samples N`` sets the larger size.
"""

import argparse
import re
import sys
import tempfile
from contextlib import ExitStack
from pathlib import Path

from station.ledger.store import Ledger
from tests.benchmarks.million import CONTROL, grown, pages, say
from tests.benchmarks.report import Figures, run
from tests.web.benches import BenchAtHand
from web import create_app

SAMPLES = 1_000_000
SMALL = 10_000
AT_MOST_LONGER = 2.0
HEAVIEST_KB = 300.0
ASKED = ("page today_ms", "page tools_ms", "page a nest_ms", "page bench_ms")


def measure(samples: int, folder: Path | None) -> Figures:
    with ExitStack() as stack:
        scratch = Path(stack.enter_context(tempfile.TemporaryDirectory(dir=folder)))
        small, large = (
            stack.enter_context(grown(scratch / f"{size}.ledger", size))
            for size in (min(SMALL, samples), samples)
        )
        say("asking for pages")
        times = pages(small, large)
        weights, elsewhere = weigh(large)
    growth = {name: times[name][1] / times[name][0] for name in (*ASKED, CONTROL)}
    figures: dict[str, object] = {f"{name} small": times[name][0] for name in ASKED}
    figures |= {f"{name} large": times[name][1] for name in ASKED}
    figures |= {f"{name} growth": value for name, value in growth.items()}
    figures |= {f"{path} kB": weight for path, weight in weights.items()}
    figures["addresses_of_other_machines"] = elsewhere
    slowest = max(growth[name] for name in ASKED)
    holds = slowest <= AT_MOST_LONGER and max(weights.values()) < HEAVIEST_KB and not elsewhere
    return Figures("page_growth", figures, holds)


def weigh(ledger: Ledger) -> tuple[dict[str, float], int]:
    """Weight of each page's first load in kB without figures; addresses elsewhere."""
    app = create_app(BenchAtHand(ledger), testing=True)
    weights, elsewhere = {}, 0
    with app.test_client() as client:
        for path in ("/", "/bench", "/tools"):
            text = client.get(path).text
            parts = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', text))
            plain = re.sub(r"<svg.*?</svg>", "", text, flags=re.DOTALL)
            size = len(plain.encode()) + sum(len(client.get(part).data) for part in parts)
            weights[path] = size / 1000.0
            elsewhere += len(re.findall(r'(?:src|href|action)="(?:https?:)?//', text))
    return weights, elsewhere


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=SAMPLES)
    parser.add_argument("--folder", type=Path)
    options, rest = parser.parse_known_args()
    sys.argv[1:] = rest
    run(lambda: measure(options.samples, options.folder))
