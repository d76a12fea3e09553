"""The pages, one module each."""

from importlib import import_module
from pkgutil import iter_modules

BLUEPRINTS = tuple(
    import_module(f"{__name__}.{found.name}").pages for found in iter_modules(__path__)
)
"""All pages, for the application to register."""
