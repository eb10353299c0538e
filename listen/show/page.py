"""One page as one file: modules and styles inlined, nothing fetched, a strict security policy."""

import base64
import hashlib
import json
import re
import zlib
from collections.abc import Mapping
from importlib import resources
from typing import Any

_IMPORT = re.compile(r'^import \{[^}]*\} from "\./([a-z_]+\.js)";\n', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?(?:function|class|const|let) )", re.MULTILINE)


def static_text(name: str) -> str:
    """A file of `listen/show/static`."""
    return resources.files("listen.show").joinpath("static", name).read_text("utf-8")


def bundle(entry: str) -> str:
    """A module and all that it imports, as one module.

    Our modules import by plain names only, and no two of them define the same name; so putting them
    one after the other, each before its users, is all there is to do.
    """
    ordered: list[str] = []

    def visit(name: str) -> None:
        if name in ordered:
            return
        for needed in _IMPORT.findall(static_text(name)):
            visit(needed)
        ordered.append(name)

    visit(entry)
    return "\n".join(_EXPORT.sub("", _IMPORT.sub("", static_text(name))) for name in ordered)


def one_file(
    *,
    title: str,
    body: str,
    script: str,
    style: str,
    data: Mapping[str, Any],
    binaries: Mapping[str, bytes],
    late: Mapping[str, bytes] | None = None,
) -> str:
    """The page; its script runs as soon as the browser has read that far.

    Parameters
    ----------
    title, body : str
        Text of the title; markup of the body (ours, never from outside).
    script, style : str
        Allowed by their hashes and nothing else.
    data : mapping
        Values that the script reads from ``#data``.
    binaries : mapping of str to bytes
        Each a ``<script type="application/octet-stream" id=...>`` in Base64 (RFC 4648).
    late : mapping of str to bytes
        The same behind the script, which draws while the browser is still reading these.
    """
    script = f'"use strict";\n{{\n{script}\n}}\n'
    policy = "; ".join(
        [
            "default-src 'none'",
            f"script-src 'sha256-{_hash(script)}'",
            f"style-src 'sha256-{_hash(style)}'",
            "media-src blob:",
            "img-src blob: data:",
            "base-uri 'none'",
            "form-action 'none'",
        ]
    )
    return (
        "<!doctype html>\n"
        '<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta name="color-scheme" content="light dark">\n'
        f"<title>{_escaped(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n{body}\n"
        f'<script type="application/json" id="data">{_json(data)}</script>\n'
        f"{_held(binaries)}<script>{script}</script>\n{_held(late or {})}</body>\n</html>\n"
    )


def packed(data: bytes) -> bytes:
    """Bytes deflated (RFC 1950), as the page's script unpacks them."""
    return zlib.compress(data, 6)


def _held(binaries: Mapping[str, bytes]) -> str:
    return "".join(
        f'<script type="application/octet-stream" id="{name}">{base64.b64encode(value).decode()}</script>\n'
        for name, value in binaries.items()
    )


def _hash(text: str) -> str:
    return base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def _json(data: Mapping[str, Any]) -> str:
    """JSON that cannot end its own element, whatever the texts in it."""
    return json.dumps(data, allow_nan=False, separators=(",", ":")).replace("<", "\\u003c")


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
