"""SQLAlchemy models, session and migrations."""
