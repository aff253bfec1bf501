"""Weights, suspicion and what follows from them; pure functions."""
