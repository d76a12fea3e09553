"""The pages, one module each."""

from web.views import (
    bench,
    calibration,
    certifications,
    choices,
    comparisons,
    doors,
    facts,
    guide,
    jobs,
    samples,
    studies,
    today,
    tools,
    validations,
)

BLUEPRINTS = (
    today.pages,
    bench.pages,
    jobs.pages,
    samples.pages,
    tools.pages,
    facts.pages,
    guide.pages,
    calibration.pages,
    studies.pages,
    doors.pages,
    choices.pages,
    validations.pages,
    certifications.pages,
    comparisons.pages,
)
"""All pages, for the application to register."""
