"""Readers, one file each, and how their opinions are reconciled."""
