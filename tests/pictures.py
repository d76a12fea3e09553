"""Makes the README's picture: ``python -m tests.pictures``.

Fills an invented ledger, serves the real page on it, and lets a real Chromium photograph the worn
nest's trend.
"""

import tempfile
import threading
from datetime import date
from pathlib import Path

import waitress.server

from station.bench.bench import Bench
from station.crimp.facts import shipped_book
from station.instruments.bay import InstrumentBay
from station.settings import Settings
from station.simulation import demo as demo_run
from station.simulation.history import HistoryWriter
from station.simulation.workshop import WORN
from tests.chromium import chromium
from web import create_app

TARGET = Path(__file__).parents[1] / ".readme" / "worn-nest.png"
TODAY = date(2026, 11, 25)


def main() -> None:
    """Make the picture."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "demo.ledger"
        settings = Settings()
        limit_sets = demo_run.demo_limit_sets()
        with demo_run.open_demo_ledger(path) as ledger:
            HistoryWriter(ledger, limit_sets, settings, seed=1).write(TODAY, days=120)
            bench = Bench(
                settings=settings,
                ledger=ledger,
                bay=InstrumentBay(Settings()),
                limit_sets=limit_sets,
                connectors=shipped_book(),
                demo=True,
            )
            app = create_app(bench)
            server = waitress.server.create_server(app, host="127.0.0.1", port=0)
            threading.Thread(target=server.run, daemon=True).start()
            photograph(f"http://127.0.0.1:{server.effective_port}/tools/{WORN[0]}/{WORN[1]}")
            server.close()
    print(TARGET)


def photograph(address: str) -> None:
    """Photograph one page as a desktop shows it."""
    TARGET.parent.mkdir(exist_ok=True)
    with chromium() as browser:
        page = browser.new_page(viewport={"width": 1000, "height": 940})
        page.goto(address, wait_until="networkidle")
        page.screenshot(path=str(TARGET))


if __name__ == "__main__":
    main()
