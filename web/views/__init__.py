"""The pages, one module each."""

from web.views import bench, calibration, facts, samples, today, tools

BLUEPRINTS = (today.pages, bench.pages, samples.pages, tools.pages, facts.pages, calibration.pages)
"""All pages, for the application to register."""
