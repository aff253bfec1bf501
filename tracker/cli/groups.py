"""Groups of verbs, such as `bench`: one module adds the group, others add their verbs to it."""

import typer


def group(app: typer.Typer, name: str) -> typer.Typer:
    """Return a group that was added to the command line already.

    Raises
    ------
    LookupError
        No module has added it yet; it must stand first in `VERB_MODULES` of tracker/cli/main.py.
    """
    for added in app.registered_groups:
        if added.name == name and added.typer_instance is not None:
            return added.typer_instance
    raise LookupError(f"no group {name} yet")
