"""Photo in, observations out. Knows nothing of lots, records or commands."""

import os

# The runtime of the neural readers would otherwise keep an identifier of this computer in the user's cache folder, and
# send its maker what it notes of each start. It looks at this when it is first loaded (its Privacy.md, version 1.32).
os.environ["ORT_DISABLE_TELEMETRY"] = "1"
