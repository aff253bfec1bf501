"""Verbs that answer: show, list, due."""

import typer


def register(app: typer.Typer) -> None:
    """Add this module's verbs to the command line."""
