"""BagIt bags (RFC 8493, version 1.0) of one lot's evidence: writing them, and taking no other's word for anything."""
