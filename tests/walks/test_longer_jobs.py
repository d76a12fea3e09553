"""The walks themselves: page and command line come to the same outcome from the same samples."""

from pathlib import Path

import pytest

from tests.walks.longer_jobs import WALKS, two_copies, walk


@pytest.mark.parametrize("job", WALKS)
def test_page_and_command_line_come_to_the_same_outcome(
    job: str, invented_shop: Path, tmp_path: Path
) -> None:
    page, command = two_copies(invented_shop, tmp_path)
    assert walk(job, page, command) == []
    ended = page.record(job)[0].ended
    assert ended is not None
    assert ended.outcome in ("accepted", "certified")
    name = {"tool_validation": "validation", "certification": "certification"}[job]
    paper = command.path.with_name(f"{name}.html").read_text(encoding="utf-8")
    assert ended.record_hash is not None
    assert "Invented demo records" in paper
