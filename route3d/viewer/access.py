"""Who may come in: the token and its cookie, the names this server goes by, and the headers of every answer."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
import socket
from dataclasses import dataclass, field
from urllib.parse import parse_qs, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# The page may load nothing but what this server gives it. Styles may stand in the page, since the table component
# writes them; a worker comes as a blob, so that the page stays one script.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
    "font-src 'self'; connect-src 'self' ws://{host}; worker-src 'self' blob:; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
_HEADERS = {
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}
# Browsers heed it on this machine only: for other plain http addresses they say that they ignore it.
_OPENER = ("cross-origin-opener-policy", "same-origin")
REFUSED = 4401  # code of a socket that is closed because of a wrong cookie or origin

_NO_ENTRY = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>route3d</title>'
    "<style>body{font:16px/1.5 system-ui,sans-serif;margin:15vh auto;max-width:34em;padding:0 1em}</style>"
    "<h1>Not this way</h1><p>This address needs the key that belongs to it. Open the whole address that "
    "<code>route3d view</code> printed in its terminal, with everything behind the question mark.</p></html>"
)


@dataclass(frozen=True, slots=True)
class Access:
    """The names of one server, its token, and who may edit."""

    port: int
    names: frozenset[str]  # host names, besides addresses, that a browser may call it by
    public: bool  # others on the network can reach it
    edit: bool  # they may edit too
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)

    @classmethod
    def of(cls, host: str, port: int, edit: bool) -> Access:
        """Return the access to a server that listens at ``host``."""
        public = not is_loopback(host)
        own = {host.lower(), socket.gethostname().lower(), socket.getfqdn().lower()} if public else set()
        return cls(port, frozenset({"localhost", *own}), public, edit)

    @property
    def cookie(self) -> str:
        """Name of the cookie; with the port, since browsers share cookies between the ports of a host."""
        return f"route3d-{self.port}"

    def knows_host(self, host: str) -> bool:
        """Tell whether a Host header names this server.

        A page elsewhere can make a name of its own lead here, but not a plain address: so any address will do where the
        server is reachable from others, and the loopback addresses where it is not.
        """
        try:
            parts = urlsplit(f"//{host}")
            name, port = parts.hostname, parts.port
        except ValueError:
            return False
        if name is None or parts.netloc != host or parts.username is not None:
            return False
        if (80 if port is None else port) != self.port:
            return False
        if name in self.names:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        return self.public or address.is_loopback

    def knows(self, token: str | None) -> bool:
        """Tell whether this is the token, in a time that does not depend on how much of it is right."""
        return token is not None and hmac.compare_digest(token.encode(), self.token.encode())

    def may_edit(self, scope: Scope) -> bool:
        """Tell whether whoever is at the other end may change anything: others on the network only where it is said."""
        client = scope.get("client")
        return self.edit or (client is not None and is_loopback(str(client[0])))


def is_loopback(host: str) -> bool:
    """Tell whether only this machine can reach a host name or address.

    >>> is_loopback("127.0.0.1"), is_loopback("::1"), is_loopback("localhost"), is_loopback("0.0.0.0")
    (True, True, True, False)
    """
    if host.lower() == "localhost":
        return True
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped if mapped is not None else address).is_loopback


class Door:
    """Stands before the application: nobody gets in without the token, from another origin, or by another name."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app, self._access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if scope["type"] == "websocket":
            await self._socket(scope, receive, send, headers, host)
            return

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                near = is_loopback(urlsplit(f"//{host}").hostname or "") if self._access.knows_host(host) else True
                for name, value in (*_HEADERS.items(), *((_OPENER,) if near else ())):
                    answer[name] = value
                answer["content-security-policy"] = POLICY.format(host=host if self._access.knows_host(host) else "")
                answer.setdefault("cache-control", "no-store")
            await send(message)

        refusal = self._refusal(scope, headers, host)
        await (self._app if refusal is None else refusal)(scope, receive, dressed)

    def _refusal(self, scope: Scope, headers: Headers, host: str) -> Response | None:
        access = self._access
        if not access.knows_host(host):
            return PlainTextResponse("This is not the address of this server.\n", 421)
        if scope["method"] not in ("GET", "HEAD"):
            return PlainTextResponse("Only GET is answered here.\n", 405, {"allow": "GET, HEAD"})
        if scope["path"] == "/" and scope["query_string"]:
            given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [None])[0]
            if access.knows(given):
                # 303: the token leaves the address, so that it is not in what somebody copies from there
                answer = RedirectResponse("/", 303)
                answer.set_cookie(access.cookie, access.token, httponly=True, samesite="strict", path="/")
                return answer
        if not access.knows(_cookie(headers, access.cookie)):
            return HTMLResponse(_NO_ENTRY, 403)
        return None

    async def _socket(self, scope: Scope, receive: Receive, send: Send, headers: Headers, host: str) -> None:
        access = self._access
        trusted = (
            access.knows_host(host)
            and headers.get("origin", "").lower() == f"http://{host}".lower()
            and access.knows(_cookie(headers, access.cookie))
        )
        if trusted:
            await self._app(scope, receive, send)
            return
        await receive()  # websocket.connect
        # accepted and closed at once: the browser tells the page a code only of a socket that was open
        await send({"type": "websocket.accept"})
        await send({"type": "websocket.close", "code": REFUSED, "reason": "open the address that route3d view printed"})


def _cookie(headers: Headers, name: str) -> str | None:
    for part in headers.get("cookie", "").split(";"):
        key, _, value = part.strip().partition("=")
        if key == name:
            return value
    return None
