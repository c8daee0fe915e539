"""Servers for the benchmark, each in a process of its own: ``python -m tests.benchmarks.serving bare|ours ...``."""

from __future__ import annotations

import os
import sys
from dataclasses import replace
from pathlib import Path


def bare(body: Path) -> None:
    """FastAPI and uvicorn as they come, with one route that returns bytes."""
    import uvicorn
    from fastapi import FastAPI, Response

    app, content = FastAPI(), body.read_bytes()

    @app.get("/outlook")
    async def outlook() -> Response:
        return Response(content, media_type="application/json")

    _run(uvicorn.Config(app, port=0, access_log=False, log_level="warning"))


def ours(folder: Path) -> None:
    """The service as ``serve`` makes it, on invented weather; only the limit of requests a minute is lifted."""
    from api.app import create_app
    from api.edge.logs import configure
    from api.edge.protocol import uvicorn_config
    from api.edge.rates import Buckets
    from api.serve import edge_of, make_service
    from matewindow.settings import Settings

    configure(stream=open(os.devnull, "w"))  # noqa: SIM115, PTH123  as long as the process lives
    service = make_service(
        Settings.from_environment({}), register=str(folder / "register.sqlite"), demo=True, open_door=False
    )
    edge = replace(edge_of("127.0.0.1", None, [], [], []), requests=Buckets(1e12, 10**12))
    _run(uvicorn_config(create_app(service, edge), port=0))


def _run(config: object) -> None:
    """Serve on one core, and tell the port."""
    from uvicorn import Config, Server

    assert isinstance(config, Config)
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})

    class Telling(Server):
        async def startup(self, sockets: object = None) -> None:
            await super().startup()
            sys.stdout.write(f"{self.servers[0].sockets[0].getsockname()[1]}\n")
            sys.stdout.flush()

    Telling(config).run()


if __name__ == "__main__":
    {"bare": bare, "ours": ours}[sys.argv[1]](Path(sys.argv[2]))
