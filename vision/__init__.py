"""Photo in, observations out. Knows nothing of lots, records or commands."""
