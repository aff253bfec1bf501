"""Everything the workshop remembers, decides and hands over."""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    __version__: str
else:

    def __getattr__(name: str) -> str:
        # Looking into installed packages takes half as long as loading Typer, so it waits until somebody asks.
        if name != "__version__":
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib.metadata import PackageNotFoundError, version

        try:
            found = version("lotproof")
        except PackageNotFoundError:  # run from a folder that was never installed
            found = "0+unknown"
        globals()[name] = found  # every journal entry asks
        return found
