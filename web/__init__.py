"""The bench's page, served by Flask."""

from web.app import create_app

__all__ = ["create_app"]
