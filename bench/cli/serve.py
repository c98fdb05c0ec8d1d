"""``umbilical serve``: the live page, for phones beside the trailer and for whoever watches."""

from typing import Annotated

import typer

from bench.cli import options as opt

Bays = Annotated[
    list[str] | None,
    typer.Option("--bay", metavar="NAME=URL", help="A bay and its board; may be said again for more bays."),
]


def serve(
    board: Annotated[
        str | None,
        typer.Option(
            "--board", metavar="URL", envvar="UMBILICAL_BOARD", help="The board of a single bay; forms below."
        ),
    ] = None,
    bay: Bays = None,
    host: Annotated[
        str, typer.Option("--host", metavar="ADDRESS", help="Address to listen on; 0.0.0.0 for the bay's network.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", metavar="PORT", min=0, max=65535, help="0 picks a free one.")] = 8700,
    name: Annotated[
        list[str] | None,
        typer.Option(
            "--name", metavar="HOST", help="A host name under which this bench is reached; may be said again."
        ),
    ] = None,
    certificate: Annotated[
        str | None, typer.Option("--certificate", metavar="FILE.pem", help="Serve over TLS with this certificate.")
    ] = None,
    key: Annotated[str | None, typer.Option("--key", metavar="FILE.pem", help="The certificate's private key.")] = None,
    record: opt.Records = None,
    paired_only: Annotated[
        bool, typer.Option("--paired-only", help="Watching needs a paired device, too; stopping never does.")
    ] = False,
    forget: Annotated[bool, typer.Option("--forget-devices", help="Devices that were paired before are not.")] = False,
) -> int:
    """Serve the live page until stopped.

    Open the address that is shown, or scan it, and pair a device with the code. Whoever opens the page watches and may
    stop; one paired device at a time controls a bay.
    """
    from bench.cli.running import serving
    from bench.errors import InputError
    from bench.records.location import default_path

    if (certificate is None) != (key is None):
        raise InputError("--certificate and --key belong together")
    where = record or str(default_path())
    try:
        from bench.page.serving import Wanted
        from bench.page.serving import serve as serve_page
    except ImportError as error:
        raise InputError(f"the live page needs {error.name}: pip install 'umbilical[serve]'") from error

    wanted = Wanted(
        bays_of(board, bay or ()),
        where,
        host=host,
        port=port,
        names=tuple(name or ()),
        certificate=certificate,
        key=key,
        devices=default_path().with_name("devices.json"),
        paired_only=paired_only,
        forget=forget,
    )
    serving(lambda: serve_page(wanted, show_address, show_code))
    return 0


def bays_of(board: str | None, bays: "list[str] | tuple[str, ...]") -> dict[str, str]:
    """Board URLs by the name of their bay.

    Raises:
        InputError: there is none, one is said twice, or a URL is wrong.
    """
    from bench.errors import InputError
    from bench.link import parse_board_url

    named: dict[str, str] = {} if board is None or bays else {"bay": board}
    for each in bays:
        bay, equals, url = each.partition("=")
        if not equals or not bay.strip() or "/" in bay:
            raise InputError(f"--bay {each}: say NAME=URL, such as --bay north=serial:///dev/ttyUSB0")
        if bay.strip() in named:
            raise InputError(f"--bay {each}: there is a bay of that name already")
        named[bay.strip()] = url
    if not named:
        raise InputError("say where the board is: --board URL, or --bay NAME=URL for each bay")
    if len(set(named.values())) < len(named):
        raise InputError("two bays have the same board")
    for url in named.values():
        parse_board_url(url)
    return named


def show_address(url: str) -> None:
    """The page's address, to read and to scan."""
    from io import StringIO

    import segno

    from bench.cli import terminal

    blocks = StringIO()
    segno.make(url, error="m").terminal(blocks, compact=True, border=2)
    console = terminal.err()
    if console.is_terminal:
        console.file.write(blocks.getvalue())
    console.print(f"page          {url}", soft_wrap=True)


def show_code(code: str) -> None:
    """A new pairing code, at the bench and nowhere else."""
    from bench.cli import terminal

    terminal.err().print(f"pairing code  {code[:3]} {code[3:]}   (for one device, 15 minutes)", soft_wrap=True)
