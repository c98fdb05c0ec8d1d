"""What stands between the network and the page: whose requests are heard, and what a browser may do with the answers.

- **Host**: a page on the internet can make its own name point at this machine (DNS rebinding), and the browser would
  then treat it as ours. So a request must name us by an address, ``localhost``, or a name that was given on the
  command line; a rebinding attack needs a name of its own.
- **Origin**: browsers say which page a request comes from whenever it could change something, and always for a
  WebSocket. It must be this very page. Clients that are no browsers say nothing, and hold no cookie either.
- **Headers**: nothing is loaded from elsewhere, no script but our own files runs, nobody frames us.
"""

import ipaddress
from collections.abc import Collection
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from starlette.websockets import WebSocketClose

SAFE_METHODS = frozenset({"GET", "HEAD"})
MOST_BODY_BYTES = 64_000
MOST_PHOTO_BYTES = 12_500_000
POLICY = "; ".join((
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self' blob:",
    "connect-src 'self'",
    "manifest-src 'self'",
    "base-uri 'none'",
    "form-action 'none'",
    "frame-ancestors 'none'",
))  # fmt: skip
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox allow-popups"
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(self), microphone=(), geolocation=(), payment=(), usb=()",
}


def host_of(header: str | None) -> str:
    """The host in a ``Host`` header, in lower case, without its port; "" when there is none that makes sense."""
    try:
        return (urlsplit(f"//{header or ''}").hostname or "").lower()
    except ValueError:
        return ""


def known_host(header: str | None, names: Collection[str]) -> bool:
    """Whether a request that names this host is meant for us and not for somebody's page."""
    host = host_of(header)
    if host == "localhost" or host in names:
        return True
    try:
        ipaddress.ip_address(host)
    except ValueError:
        return False
    return True


def same_origin(origin: str | None, host: str | None, *, tls: bool) -> bool:
    """Whether a request comes from this page, or from no browser at all."""
    if origin is None:
        return True
    return origin.lower() == f"{'https' if tls else 'http'}://{(host or '').lower()}"


class Gate:
    """Middleware that turns away what does not come from our own page, and puts our headers on every answer."""

    def __init__(self, app: ASGIApp, names: Collection[str], *, tls: bool) -> None:
        self._app = app
        self._names = frozenset(name.lower() for name in names)
        self._tls = tls

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        status, refusal = self._too_much(scope) or (403, self._refusal(scope))
        if refusal is None:
            await self._app(scope, receive, self._with_headers(send))
        elif scope["type"] == "websocket":
            await WebSocketClose(1008, refusal)(scope, receive, send)
        else:
            await JSONResponse({"detail": refusal}, status)(scope, receive, self._with_headers(send))

    def _too_much(self, scope: Scope) -> tuple[int, str] | None:
        """Bodies say how long they are, and are no longer than they need to be."""
        if scope["type"] != "http" or scope["method"] in SAFE_METHODS:
            return None
        headers = Headers(scope=scope)
        if "transfer-encoding" in headers:
            return 411, "say how long the body is"
        most = MOST_PHOTO_BYTES if scope["path"].endswith("/photos") else MOST_BODY_BYTES
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            return 413, f"at most {most} bytes"
        return None

    def _refusal(self, scope: Scope) -> str | None:
        headers = Headers(scope=scope)
        host, origin = headers.get("host"), headers.get("origin")
        if not known_host(host, self._names):
            return "this address is not one of this bench's: give it on the command line with --name"
        asks = scope["type"] == "http" and scope["method"] in SAFE_METHODS
        if asks and origin is None:
            return None
        if not same_origin(origin, host, tls=self._tls) or headers.get("sec-fetch-site") in ("cross-site", "same-site"):
            return "this request comes from another page"
        return None

    def _with_headers(self, send: Send) -> Send:
        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-cache" if "etag" in headers else "no-store")
                if self._tls:
                    headers.setdefault("strict-transport-security", "max-age=31536000")
            await send(message)

        return sending
