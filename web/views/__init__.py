"""The pages, one module each."""

from web.views import (
    bench,
    calibration,
    certifications,
    comparisons,
    jobs,
    people,
    preferences,
    reference,
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
    reference.pages,
    calibration.pages,
    studies.pages,
    people.pages,
    preferences.pages,
    validations.pages,
    certifications.pages,
    comparisons.pages,
)
"""All pages, for the application to register."""
