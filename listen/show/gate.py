"""Who may come in: hosts, origins, one-time keys, and the headers that keep a page to itself."""

import hmac
import secrets
import threading
from collections.abc import Iterable
from http.cookies import CookieError, SimpleCookie

COOKIE = "cut_listen"
MOST_SCREENS = 32
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Gate:
    """Checks of every request, and the keys of screens on the network.

    Parameters
    ----------
    hosts : iterable of str
        ``address:port`` under which the server is meant to be reached.
    needs_key : bool
        Whether a screen must have come in with a key: on a network yes, on this computer no.
    """

    def __init__(self, hosts: Iterable[str], *, needs_key: bool) -> None:
        self._hosts = frozenset(host.lower() for host in hosts)
        self.needs_key = needs_key
        self._lock = threading.Lock()
        self.key = secrets.token_urlsafe(24)
        self._passes: list[str] = []

    def host_is_known(self, host: str) -> bool:
        """Whether the Host header is one of ours: a foreign name that leads here is refused."""
        return host.lower() in self._hosts

    def origin_is_known(self, origin: str | None, *, needed: bool) -> bool:
        """Whether the Origin header is ours; it may be absent only where it is not needed."""
        if origin is None:
            return not needed
        return origin.lower().removeprefix("http://") in self._hosts and origin.lower().startswith("http://")

    def admit(self, key: str) -> str | None:
        """A pass for a key, which is then used up and replaced; None for a wrong one."""
        with self._lock:
            if not hmac.compare_digest(key.encode(), self.key.encode()):
                return None
            self.key = secrets.token_urlsafe(24)
            given = secrets.token_urlsafe(32)
            self._passes = [*self._passes[-(MOST_SCREENS - 1) :], given]
            return given

    def may_enter(self, cookie_header: str | None) -> bool:
        """Whether a request brings a pass, where one is needed."""
        if not self.needs_key:
            return True
        try:
            cookies = SimpleCookie(cookie_header or "")
        except CookieError:
            return False
        shown = cookies[COOKIE].value if COOKIE in cookies else ""
        with self._lock:
            return any(hmac.compare_digest(shown.encode(), given.encode()) for given in self._passes)
