"""What every paper of a job says of the limits that it rests on."""

from markupsafe import escape

from station.crimp.facts import shipped_limit_sets
from station.crimp.wire import parse_size


def names_its_limits(paper: str, size: str) -> bool:
    """Whether set, source, edition and standing of every limit in force are there."""
    found = shipped_limit_sets().judging(parse_size(size)).limits
    assert {limit.standing for limit in found} == {"seen-3", "own-rule"}
    told = [
        (limit.set_id, limit.source, limit.edition, words)
        for limit in found
        for words in ("seen in 3 texts", "our own rule, not published")
        if (limit.standing == "own-rule") == words.startswith("our own")
    ]
    return all(str(escape(part)) in paper for parts in told for part in parts)
