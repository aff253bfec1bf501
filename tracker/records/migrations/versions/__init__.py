"""The migrations, oldest first; each runs in one transaction and is never changed once released."""
