"""Live instruments: asking them, reading in time, and losing nothing. A room beside `bench`, which stays pure."""
