"""The pages, one module each."""

from web.views import (
    bench,
    calibration,
    choices,
    doors,
    facts,
    guide,
    samples,
    studies,
    today,
    tools,
)

BLUEPRINTS = (
    today.pages,
    bench.pages,
    samples.pages,
    tools.pages,
    facts.pages,
    guide.pages,
    calibration.pages,
    studies.pages,
    doors.pages,
    choices.pages,
)
"""All pages, for the application to register."""
