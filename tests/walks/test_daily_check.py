"""The walk itself, made short: one nest, both ways, the same outcome from the same samples."""

import shutil
from functools import partial
from pathlib import Path

from tests.walks.daily_check import (
    WALKS,
    by_command,
    by_page,
    differences,
    side_by_side,
)


def test_page_and_command_line_come_to_the_same_outcome(
    invented_shop: Path, tmp_path: Path
) -> None:
    first, second = tmp_path / "page" / "demo.ledger", tmp_path / "cli" / "demo.ledger"
    for path in (first, second):
        path.parent.mkdir()
        shutil.copy(invented_shop, path)
    page, command = side_by_side(
        partial(by_page, first, WALKS[0]), partial(by_command, second, WALKS[0])
    )
    assert page.ended is not None
    assert len(page.samples) >= 2
    assert differences(page, command) == []
    paper = (second.parent / f"{WALKS[0].name}-by-command.html").read_text(encoding="utf-8")
    assert page.ended.outcome in ("released", "watch", "held")
    assert "Daily check" in paper
