"""Facts of the trade as data, each with its source, and their loaders."""
