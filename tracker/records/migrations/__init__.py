"""Alembic's environment; it travels inside the package and is run by `tracker.records.schema.upgrade`."""
