"""Chips altered the way forgers alter them, in photos whose genuine chips are known: for tests and benchmarks."""
