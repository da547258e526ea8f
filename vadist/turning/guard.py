"""Who may speak to the page's server, and how much: everything else is refused unread.

The server listens on the loopback interface alone, but so may every program and every web page of
this machine reach it. So each request must name the very address (a name that leads here by DNS
rebinding does not), must carry the token of this start, and come from the page itself.
"""

import json
import secrets
from collections.abc import Awaitable, Callable, Mapping, MutableMapping
from typing import Any

from starlette.responses import JSONResponse, Response

LARGEST_BODY = 65_536
"""Bytes of a request; a design with hundreds of changed values is a tenth of that."""

MOST_AT_ONCE = 16
"""Requests that are worked on or wait; more are told to come again."""

TOKEN_HEADER, CLIENT_HEADER = "x-turn-token", "x-turn-client"

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Message, Receive, Send], Awaitable[None]]

ALWAYS = {
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "x-frame-options": "DENY",
}
STRICTEST = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'"


def page_policy(nonce: str) -> str:
    """Content-Security-Policy of the page: its own script and style, and this server."""
    return (
        f"{STRICTEST}; script-src 'nonce-{nonce}'; style-src 'nonce-{nonce}'; "
        "connect-src 'self'; img-src data:"
    )


class Refused(Exception):  # noqa: N818 - it becomes an answer
    """A request that is answered with a status and one line."""

    def __init__(self, status: int, line: str) -> None:
        self.status, self.line = status, line
        super().__init__(line)

    def answer(self) -> Response:
        """JSON with the line; the connection is given up, for more may be on its way."""
        return refusal(self.status, self.line)


def refusal(status: int, line: str) -> Response:
    """One line as JSON, after which the connection closes."""
    headers = {"connection": "close"} | ({"retry-after": "1"} if status == 503 else {})
    return JSONResponse({"error": line}, status, headers=headers)


class Guard:
    """Asks every request for its address, origin and token, and counts those at work.

    Parameters
    ----------
    app : ASGI application
    port : int
    token : str
    """

    def __init__(self, app: App, port: int, token: str) -> None:
        self.app, self.token, self.working = app, token, 0
        self.host = f"127.0.0.1:{port}"
        self.origin = f"http://{self.host}"

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # no web socket is served
            await send({"type": "websocket.close", "code": 1008})
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                names = {name.lower() for name, _ in message["headers"]}
                policy = {"content-security-policy": STRICTEST}
                message["headers"] = [*message["headers"]] + [
                    (name.encode(), text.encode())
                    for name, text in (ALWAYS | policy).items()
                    if name.encode() not in names
                ]
            await send(message)

        try:
            self.check(scope)
            if self.working >= MOST_AT_ONCE:
                raise Refused(503, "too many requests at once; wait a moment")
        except Refused as refused:
            await refused.answer()(scope, receive, dressed)
            return
        self.working += 1
        try:
            await self.app(scope, receive, dressed)
        finally:
            self.working -= 1

    def check(self, scope: Mapping[str, Any]) -> None:
        """Refuse a request that is not the page's.

        Raises
        ------
        Refused
        """
        headers: dict[str, list[str]] = {}
        for name, value in scope["headers"]:
            headers.setdefault(name.decode("latin-1").lower(), []).append(value.decode("latin-1"))
        if headers.get("host") != [self.host]:
            raise Refused(421, "this server answers to its own address alone")
        posted = scope["method"] == "POST"
        if posted and headers.get("origin") != [self.origin]:
            raise Refused(403, "requests must come from the page itself")
        if not posted and headers.get("origin", [self.origin]) != [self.origin]:
            raise Refused(403, "requests must come from the page itself")
        if headers.get("sec-fetch-site", ["none"])[-1] not in ("same-origin", "none"):
            raise Refused(403, "requests must come from the page itself")
        given = headers.get(TOKEN_HEADER, [""])[-1] if posted else _query_token(scope)
        if not secrets.compare_digest(given.encode("utf-8", "replace"), self.token.encode()):
            raise Refused(401, "the token of this start is missing; open the address it printed")
        length = headers.get("content-length", ["0"])
        if len(length) != 1 or not length[0].isdecimal() or int(length[0][:9]) > LARGEST_BODY:
            raise Refused(413, f"a request must be at most {LARGEST_BODY} bytes")


def _query_token(scope: Mapping[str, Any]) -> str:
    from urllib.parse import parse_qs

    text = scope["query_string"].decode("latin-1")
    return parse_qs(text, max_num_fields=4).get("token", [""])[-1] if len(text) < 300 else ""


def _no_number(word: str) -> float:
    raise ValueError(f"{word} is no JSON")


async def body_of(receive: Receive) -> dict[str, Any]:
    """JSON object of a request, read no further than it may be long.

    Raises
    ------
    Refused
    """
    read = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            raise Refused(400, "the request ended early")
        read += message.get("body", b"")
        if len(read) > LARGEST_BODY:
            raise Refused(413, f"a request must be at most {LARGEST_BODY} bytes")
        if not message.get("more_body"):
            break
    try:
        found = json.loads(read.decode("utf-8"), parse_constant=_no_number)
    except (ValueError, RecursionError):
        raise Refused(400, "a request must be JSON in UTF-8") from None
    if not isinstance(found, dict):
        raise Refused(400, "a request must be a JSON object")
    return found
