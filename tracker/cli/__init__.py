"""Typer commands: parse, call one desk function, print."""
