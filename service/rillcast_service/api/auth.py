"""Who is asking: API keys as bearer tokens, or nobody in particular on a service that is open on loopback."""

from __future__ import annotations

import hmac
import ipaddress
from urllib.parse import urlsplit

from flask import Request

from rillcast_service.api.problems import UNAUTHORIZED, ApiError
from rillcast_service.settings import ApiKey, hash_key

#: Owner of everything on a service without keys.
LOCAL_OWNER = "local"


def owner_of(request: Request, keys: tuple[ApiKey, ...]) -> str:
    """The owner whose resources this request may see.

    Args:
        request: with its `Authorization` header.
        keys: those of the settings; empty for an open service.

    Returns:
        The owner's name.

    Raises:
        ApiError: 401, no key or an unknown one; or a foreign host name on an open service.
    """
    if not keys:
        return _owner_on_this_machine(request)
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not given.strip():
        raise ApiError(
            UNAUTHORIZED,
            "The request carries no API key.",
            remedy="Send the header Authorization: Bearer <key>.",
            where="header Authorization",
            headers={"WWW-Authenticate": 'Bearer realm="rillcast"'},
        )
    digest = hash_key(given.strip())
    # Every key is compared, each in constant time: how long it takes tells nothing.
    found = [key.owner for key in keys if hmac.compare_digest(key.sha256, digest)]
    if not found:
        raise ApiError(
            UNAUTHORIZED,
            "The API key is not known here.",
            remedy="Send a key that whoever runs the service has given out and not withdrawn.",
            where="header Authorization",
            headers={"WWW-Authenticate": 'Bearer realm="rillcast", error="invalid_token"'},
        )
    return found[0]


def _owner_on_this_machine(request: Request) -> str:
    host = request.headers.get("Host", "localhost")
    if not _is_loopback(host):
        # A page in the user's browser may point a name of its own at the loopback address.
        raise ApiError(
            UNAUTHORIZED,
            f"Without API keys the service answers as localhost only, not as {host[:100]!r}.",
            remedy="Address it as localhost or 127.0.0.1, or have whoever runs the service set API keys.",
            where="header Host",
            headers={"WWW-Authenticate": 'Bearer realm="rillcast"'},
        )
    return LOCAL_OWNER


def _is_loopback(host: str) -> bool:
    try:
        name = urlsplit(f"//{host}").hostname or ""
        return name == "localhost" or ipaddress.ip_address(name).is_loopback
    except ValueError:
        return False
