"""The pages, one module each."""

from web.views import bench, facts, samples, today, tools

BLUEPRINTS = (today.pages, bench.pages, samples.pages, tools.pages, facts.pages)
"""All pages, for the application to register."""
