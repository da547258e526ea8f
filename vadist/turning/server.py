"""The server of the page: one page, one desk, the newest request wins."""

import asyncio
import json
import secrets
import socket
import time
from collections.abc import Callable
from concurrent.futures import CancelledError, ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from vadist.errors import VadistError
from vadist.turning import figures
from vadist.turning.fields import STEP_SERIES
from vadist.turning.guard import CLIENT_HEADER, Guard, Refused, body_of, page_policy, refusal
from vadist.turning.page import page_html
from vadist.turning.saving import Keeper
from vadist.turning.telling import Teller
from vadist.turning.work import Desk, Superseded

_READING_S = 5.0
_LEAVING_S = 2
_MOST_VALUES = 2000
_BACKLOG = 128


@dataclass
class Served:
    """What the server is about.

    Attributes
    ----------
    desk : Desk
    keeper : Keeper
    linger_s : float
        Seconds without a word from the page after which the server stops.
    """

    desk: Desk
    keeper: Keeper
    linger_s: float
    writer: str = ""
    heard_at: float = 0.0
    newest: dict[str, float] = field(default_factory=dict)
    stopping: bool = False
    stepping: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    keeping: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1))
    teller: Teller = field(default_factory=Teller)
    asking: asyncio.Lock = field(default_factory=asyncio.Lock)

    def wanted(self, kind: str, number: float) -> Callable[[], None]:
        """Call that raises once something newer of a kind is asked for."""
        if number < self.newest.get(kind, -1.0):
            raise Superseded
        self.newest[kind] = number

        def check() -> None:
            if self.stopping or self.newest.get(kind, number) > number:
                raise Superseded

        return check


class _Asked:
    """What a request holds, each word of the kind it must be."""

    def __init__(self, body: dict[str, Any]) -> None:
        self._body = body

    def text(self, key: str, longest: int = 200) -> str:
        value = self._body.get(key)
        if not isinstance(value, str) or len(value) > longest:
            raise Refused(400, f"{key} must be text of at most {longest} letters")
        return value

    def number(self, key: str, low: float, high: float) -> float:
        value = self._body.get(key)
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Refused(400, f"{key} must be a number")
        if not low <= value <= high:
            raise Refused(400, f"{key} must be within {low:g}..{high:g}")
        return float(value)

    def settings(self, value: Any = None) -> dict[str, str]:
        found = self._body.get("settings") if value is None else value
        if not isinstance(found, dict) or len(found) > _MOST_VALUES:
            raise Refused(400, "settings must be an object of paths and texts")
        if not all(isinstance(text, str) and "\0" not in text for text in found.values()):
            raise Refused(400, "settings must be an object of paths and texts")
        return found

    def kept(self) -> list[dict[str, str]]:
        found = self._body.get("kept")
        if not isinstance(found, list):
            raise Refused(400, "kept must be a list of settings")
        return [self.settings(each) for each in found]


Answer = Callable[[Served, _Asked], Any]


def _begin(served: Served, asked: _Asked) -> dict[str, Any]:
    desk = served.desk
    return {
        "name": desk.design.name, "description": desk.design.description,
        "take": served.keeper.take, "seconds": len(desk.volts) / desk.sample_rate_hz,
        "folder": str(served.keeper.folder), "series": STEP_SERIES,
        "stages": list(desk.design.stages), **desk.fields(asked.settings()),
    }  # fmt: skip


def _sound(served: Served, asked: _Asked) -> Response:
    wanted = served.wanted("sound", asked.number("number", 0, 2**53))
    told = served.desk.sound(
        asked.settings(), draft=bool(asked.number("draft", 0, 1)), wanted=wanted
    )
    head = json.dumps(served.desk.heard(told)).encode("ascii")
    samples = np.ascontiguousarray(told.sound.volts.T, dtype="<f4").tobytes()
    # A head of whole words, so that the samples can be read where they lie.
    head += b" " * (-(len(head) + 4) % 4)
    return Response(
        len(head).to_bytes(4, "little") + head + samples, media_type="application/octet-stream"
    )


def _fields(served: Served, asked: _Asked) -> Any:
    return served.desk.fields(asked.settings())


def _step(served: Served, asked: _Asked) -> Any:
    by = asked.number("by", -1000, 1000)
    text = served.desk.stepped(
        asked.settings(), asked.text("path"), int(by), asked.text("series", 5)
    )
    return {"text": text}


def _command(served: Served, asked: _Asked) -> Any:
    served.desk.changed(asked.settings())
    return {"text": served.keeper.command(asked.settings())}


def _save(served: Served, asked: _Asked) -> Any:
    path = served.keeper.save_design(served.desk, asked.settings(), asked.text("name"))
    return {"path": str(path)}


def _audition(served: Served, asked: _Asked) -> Any:
    path = served.keeper.save_audition(served.desk, asked.kept(), asked.text("name"))
    return {"path": str(path)}


def _alive(served: Served, asked: _Asked) -> Any:
    return {}


_QUICK: dict[str, Answer] = {"alive": _alive, "step": _step, "fields": _fields,
                             "command": _command, "begin": _begin}  # fmt: skip
_KEEPING: dict[str, Answer] = {"save": _save, "audition": _audition}
_TELLING: dict[str, Callable[..., Any]] = {
    "curves": figures.curves, "ladder": figures.ladder, "drawing": figures.drawing,
    "scope": figures.scope,
}  # fmt: skip


def _endpoint(served: Served, name: str) -> Callable[[Request], Any]:
    async def respond(request: Request) -> Response:
        client = request.headers.get(CLIENT_HEADER, "")
        try:
            body = await asyncio.wait_for(body_of(request.receive), _READING_S)
            asked = _Asked(body)
            if name == "begin":
                served.writer = client
                served.newest.clear()
            if not client or client != served.writer:
                raise Refused(409, "another page has taken over; reload this one to take it back")
            served.heard_at = time.monotonic()
            found = await _worked(served, name, asked)
        except TimeoutError:
            return refusal(408, "the request took too long to arrive")
        except Refused as refused:
            return refused.answer()
        except (Superseded, CancelledError):
            return Response(status_code=204)
        except VadistError as error:
            return JSONResponse({"error": "; ".join(str(error).splitlines())}, 422)
        return found if isinstance(found, Response) else JSONResponse(found)

    return respond


async def _worked(served: Served, name: str, asked: _Asked) -> Any:
    """Answer where there is time for it."""
    if name in _QUICK:
        return _QUICK[name](served, asked)
    loop = asyncio.get_running_loop()
    if name == "sound":
        return await loop.run_in_executor(served.stepping, _sound, served, asked)
    if name in _KEEPING:
        return await loop.run_in_executor(served.keeping, _KEEPING[name], served, asked)
    return await _told(served, name, asked)


async def _told(served: Served, name: str, asked: _Asked) -> Any:
    """Answer from the process that tells of designs, one question after the other."""
    check = served.wanted(name, asked.number("number", 0, 2**53))
    given: list[Any] = [served.desk.changed(asked.settings())]
    if name == "scope":
        given.append(asked.number("level", 1e-4, 5.0))
    async with served.asking:
        check()
        found = await asyncio.wrap_future(served.teller.ask(_TELLING[name], *given))
    check()
    if name == "curves":
        found["spectrum"] = served.desk.spectrum(asked.settings())
    return found


def application(served: Served, port: int, token: str) -> Guard:
    """The application, guarded."""

    async def page(request: Request) -> Response:
        nonce = secrets.token_urlsafe(16)
        policy = {"content-security-policy": page_policy(nonce)}
        return HTMLResponse(page_html(served.desk.design.name, token, nonce), headers=policy)

    async def lost(request: Request, error: Exception) -> Response:
        return refusal(getattr(error, "status_code", 404), "there is nothing here")

    routes = [Route("/", page, methods=["GET"])]
    routes += [
        Route(f"/{name}", _endpoint(served, name), methods=["POST"])
        for name in ("sound", *_QUICK, *_KEEPING, *_TELLING)
    ]
    return Guard(Starlette(routes=routes, exception_handlers={404: lost, 405: lost}), port, token)


class Server(uvicorn.Server):
    """Stops when nothing was heard of the page for long enough."""

    def __init__(self, config: uvicorn.Config, served: Served) -> None:
        super().__init__(config)
        self.served = served
        self.closed_page = False

    async def on_tick(self, counter: int) -> bool:
        """Look whether it is time to go."""
        heard_at = self.served.heard_at
        if heard_at and time.monotonic() - heard_at > self.served.linger_s:
            self.closed_page = True
            return True
        return await super().on_tick(counter)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Call off what is still being worked on."""
        self.served.stopping = True
        for pool in (self.served.stepping, self.served.keeping):
            pool.shutdown(wait=False, cancel_futures=True)
        self.served.teller.stop()
        await super().shutdown(sockets)


def made_server(served: Served, port: int = 0) -> tuple[Server, socket.socket, str]:
    """A server, its socket, which listens already, and the address to open.

    Raises
    ------
    OSError
        If the port cannot be had.
    """
    listening = socket.create_server(("127.0.0.1", port), backlog=_BACKLOG)
    port, token = listening.getsockname()[1], secrets.token_urlsafe(32)
    config = uvicorn.Config(
        application(served, port, token), log_level="critical", access_log=False, lifespan="off",
        timeout_keep_alive=30, server_header=False,
        timeout_graceful_shutdown=_LEAVING_S, ws="none", proxy_headers=False,
    )  # fmt: skip
    return Server(config, served), listening, f"http://127.0.0.1:{port}/?token={token}"
