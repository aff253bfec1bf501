"""The verb `serve`: the bench pages."""

from pathlib import Path
from typing import Annotated

import typer

from tracker.cli.options import OperatorOption, WorkspaceOption
from tracker.cli.printing import note
from tracker.errors import BadRequest


def register(app: typer.Typer) -> None:
    """Add this module's verb to the command line."""
    app.command("serve")(serve)


def serve(
    port: Annotated[int, typer.Option("--port", metavar="N", help="Port to listen on.", min=1, max=65535)] = 8437,
    lan: Annotated[
        bool, typer.Option("--lan", help="Let other devices in this network come in, with a pass key shown as QR code.")
    ] = False,
    new_key: Annotated[
        bool, typer.Option("--new-key", help="With --lan: make a new pass key, and end every session of the old one.")
    ] = False,
    certificate: Annotated[
        Path | None,
        typer.Option(
            "--certificate",
            metavar="PEM",
            help="Serve over TLS with this certificate; its key in the same file, or with --certificate-key.",
            show_default=False,
        ),
    ] = None,
    certificate_key: Annotated[
        Path | None,
        typer.Option("--certificate-key", metavar="PEM", help="The certificate's private key.", show_default=False),
    ] = None,
    instruments: Annotated[
        list[str] | None,
        typer.Option(
            "--instrument",
            metavar="RESOURCE",
            help="VISA resource that other devices may read as well (repeat it); this computer may read any.",
            show_default=False,
        ),
    ] = None,
    workspace: WorkspaceOption = None,
    operator: OperatorOption = None,
) -> None:
    """Serve the bench pages: the phone is the camera, the page is the notebook.

    Only this computer can reach them, unless --lan says otherwise. Without TLS others in the network could read along:
    use --lan only in a network you trust. Ctrl-C ends it; long tasks go on at the next start.
    """
    if new_key and not lan:
        raise BadRequest("--new-key goes with --lan.", "This computer alone needs no pass key.")
    if certificate_key is not None and certificate is None:
        raise BadRequest("--certificate-key goes with --certificate.", "Name the certificate as well.")
    from tracker.instruments.visa import is_resource
    from tracker.web.serving import Asked, run

    named = tuple(text.strip() for text in instruments or ())
    wrong = next((text for text in named if not is_resource(text)), None)
    if wrong is not None:
        raise BadRequest(f"{wrong!r} is no VISA resource.", "Write it such as TCPIP::192.0.2.7::5025::SOCKET.")
    run(Asked(workspace, port, lan, new_key, certificate, certificate_key, operator, named), note)
