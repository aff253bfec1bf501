"""Everything the workshop remembers, decides and hands over."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("lotproof")
except PackageNotFoundError:  # run from a folder that was never installed
    __version__ = "0+unknown"
