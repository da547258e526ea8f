"""Turn a design while its loop plays: a page on this machine, values to sound in a moment."""

import argparse
from pathlib import Path
from typing import Any

from vadist.cli import options as shared
from vadist.errors import UsageError

_LONGEST_S = 20.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Options of ``vadist turn``."""
    add = parser.add_argument
    add("design", metavar="NAME|FILE", help=f"the reference: {shared.DESIGN}")
    add("take", metavar="TAKE", help=shared.TAKE)
    shared.add_settings(parser)
    loop = parser.add_argument_group("loop")
    add = loop.add_argument
    add("--from", metavar="TIME", dest="start", default="0s", help="where the loop starts (0s)")
    add("--length", metavar="TIME", default="4s", help="how long it is, at most 20s (4s)")
    shared.add_full_scale(loop)
    shared.add_oversample(loop)
    shared.add_threads(loop)
    page = parser.add_argument_group("page")
    add = page.add_argument
    add(
        "--folder", metavar="FOLDER",
        help="where designs and auditions are saved (turned-DESIGN, here); made when something is",
    )  # fmt: skip
    add("--port", type=int, default=0, metavar="N", help="port on 127.0.0.1 (a free one)")
    add("--no-open", action="store_true", help="open no browser, print the address alone")
    add(
        "--linger", metavar="TIME", default="150s",
        help="stop when the page has been closed for so long (150s)",
    )  # fmt: skip


def run(options: argparse.Namespace) -> int:
    """Serve the page until it is closed or interrupted."""
    from vadist.audition.files import file_stem, read_excerpt
    from vadist.designs.files import apply_settings, design_text, load_design, write_design
    from vadist.quantities import parse_level

    from . import CAUTION

    served_by = _server()
    design = apply_settings(load_design(options.design), options.settings)
    length_s, linger_s = _seconds("--length", options.length), _seconds("--linger", options.linger)
    if not 0.1 <= length_s <= _LONGEST_S:
        raise UsageError(f"--length must be within 0.1..{_LONGEST_S:g} s (got {options.length})")
    if linger_s < 5.0:
        raise UsageError(f"--linger must be at least 5 s (got {options.linger})")
    if not 0 <= options.port <= 65535:
        raise UsageError(f"--port must be within 0..65535 (got {options.port})")
    excerpt = read_excerpt(Path(options.take), _seconds("--from", options.start), length_s)
    folder = Path(options.folder or f"turned-{file_stem(design.name)}").resolve()
    if folder.exists() and not folder.is_dir():
        raise UsageError(f"--folder {folder}: is there and is no folder; choose another")
    print("rendering the reference", flush=True)
    desk = served_by.Desk(
        design, write_design(design, design_text(options.design)),
        excerpt.samples * parse_level(options.full_scale), excerpt.sample_rate_hz,
        oversample=options.oversample, threads=options.threads,
    )  # fmt: skip
    keeper = served_by.Keeper(
        folder, options.design, options.take, tuple(options.settings), options.full_scale
    )
    try:
        server, listening, address = served_by.made_server(
            served_by.Served(desk, keeper, linger_s), options.port
        )
    except OSError as error:
        raise UsageError(f"--port {options.port}: cannot be had ({error.strerror})") from None
    print(f"open {address}\n{CAUTION}\nCtrl-C stops it", flush=True)
    if not options.no_open:
        import threading
        import webbrowser

        # Some browsers come back only when they are closed.
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    with listening:
        server.run(sockets=[listening])
    print("the page was closed" if server.closed_page else "stopped")
    return 0


def _server() -> Any:
    """What serves the page; it needs libraries that are an extra."""
    from importlib.util import find_spec

    if not (find_spec("starlette") and find_spec("uvicorn")):
        raise UsageError("turning needs the extra 'page': pip install 'vadist[page]'")
    from vadist.turning import server

    return server


def _seconds(option: str, text: str) -> float:
    from vadist.errors import DesignError
    from vadist.quantities import parse_quantity

    try:
        return parse_quantity(text, "s")
    except DesignError as error:
        raise UsageError(f"{option} {error}") from None
