"""Serves a workbench until it is stopped."""

from __future__ import annotations

import ipaddress
import json
import secrets
import socket
from pathlib import Path

import uvicorn

from tapwright.web.security import Access
from tapwright.web.workbench.routes import application

GRACE_S = 2


def serve(folder: Path, bound: socket.socket, *, host: str, token: str | None, as_json: bool) -> None:
    """Serve a job folder's workbench on a listening socket until SIGINT or SIGTERM; prints its address first.

    Where others can reach the page (`host` is not loopback) everything needs the token: pages show and change files.
    """
    alone = _is_loopback(host)
    token = token or (None if alone else secrets.token_urlsafe(18))
    name = socket.gethostname().lower()
    access = Access(names=frozenset({name, f"{name}.local", host.lower()}), token=token, private=token is not None)
    port = bound.getsockname()[1]
    shown = f"[{host}]" if ":" in host else name if host in ("0.0.0.0", "::") else host
    url = f"http://{shown}:{port}/" + (f"?token={token}" if token else "")
    if as_json:
        print(json.dumps({"url": url, "folder": str(folder), "token": token}), flush=True)
    else:
        print(f"The workbench of {folder}: {url}\nStop it with Ctrl+C.", flush=True)
    config = uvicorn.Config(application(folder, access), http="h11", ws="none", loop="asyncio", lifespan="on",
                            log_level="critical", access_log=False, server_header=False, proxy_headers=False,
                            timeout_graceful_shutdown=GRACE_S)
    uvicorn.Server(config).run(sockets=[bound])


def _is_loopback(host: str) -> bool:
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False
