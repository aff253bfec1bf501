"""Measurement models, fits and verdicts; pure functions on numbers."""
