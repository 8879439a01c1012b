"""`heatrun watch`: a page that follows a run while it is logged."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def command(
    run: Annotated[
        Path,
        typer.Argument(metavar="RUN", help="Run folder, growing or finished.", show_default=False),
    ],
    budget: Annotated[
        Path | None,
        typer.Option(
            help="Budget to judge by [default: the one logged with the run, if any].",
            show_default=False,
        ),
    ] = None,
    port: Annotated[
        int, typer.Option(help="Port on 127.0.0.1; 0 takes a free one.", min=0, max=65535)
    ] = 0,
) -> None:
    """Serve a page that follows a run in the browser.

    It shows curves, spans as they settle, the guard and the decision. The page is for this
    computer only (127.0.0.1) and needs no network. It reads the run folder and writes nothing,
    so it may be started and stopped at any time beside the logger. A page is no guard: it
    switches nothing off. Ctrl-C ends it.
    """
    import os
    import signal

    from bench.safety.priority import step_behind

    # The logger goes first: one thread for linear algebra, and a low claim on the processor.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

    from bench.monitor.follower import Watcher
    from bench.monitor.server import Board, PageServer
    from fit.budget.run_budget import budget_for
    from fit.errors import PortError
    from fit.records.tail import FolderReader

    board = Board()
    reader = FolderReader(run)
    reader.expect_a_run()
    watcher = Watcher(reader, budget_for(reader.metadata, run, budget), board)
    try:
        server = PageServer(board, port)
    except OSError as error:
        raise PortError(
            f"--port {port}: cannot be had ({error.strerror}); leave it out to take a free one"
        ) from error
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    step_behind()
    try:
        watcher.start()
        typer.echo(f"{server.url}  (Ctrl-C ends)")
        server.serve_forever(poll_interval=0.2)
    except KeyboardInterrupt:
        pass
    finally:
        watcher.stop()
        server.server_close()
