"""Reaches the bucket of a store's address as the store itself is reached, which is by pyarrow.

Facts the design follows:
- pyarrow has no conditional writes; obstore has, and takes the same environment (AWS_ACCESS_KEY_ID, AWS_REGION,
  AWS_ENDPOINT_URL, GOOGLE_APPLICATION_CREDENTIALS and more), but not the options of an address, nor the file of credentials;
- pyarrow asks Amazon for the region of a bucket where neither address nor environment name an endpoint;
- an option that is not known could be what makes it another bucket: it is refused.
"""

from __future__ import annotations

import configparser
import http.client
import os
from collections.abc import Mapping
from contextlib import suppress
from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final, NamedTuple
from urllib.parse import parse_qsl, unquote, urlsplit

from flowdiag.collector.store.backends import without_secrets
from flowdiag.errors import FlowdiagError, StoreError

_KEPT_APART: Final = frozenset({"allow_bucket_creation", "allow_bucket_deletion", "smart_defaults"})
_OPTIONS: Final = frozenset({"region", "scheme", "endpoint_override", "tls_ca_file_path"}) | _KEPT_APART
_TIMEOUT_S: Final = 20
# Who cannot say that he lives for longer than this is taken for dead.
_RETRIES: Final[Any] = {"max_retries": 3, "retry_timeout": timedelta(seconds=20)}
_ASK_S: Final = 5


class Address(NamedTuple):
    """kind: s3 or gs; root: below which the store lies, without slashes at its ends."""

    kind: str
    bucket: str
    root: str
    user: str | None
    password: str | None
    options: Mapping[str, str]


def open_bucket(address: str) -> tuple[Any, str]:
    """The bucket as obstore knows it, and the folder in it in which the store lies. Raises StoreError for an address that is not
    supported, FlowdiagError where the package is missing."""
    parsed = address_of(address)
    if find_spec("obstore") is None:
        raise FlowdiagError(
            "watching a store in a bucket needs one more package than the other commands",
            advice='install it with: pip install "flowdiag[watch]"',
        )
    from obstore.exceptions import BaseError

    try:
        return (_s3 if parsed.kind == "s3" else _gcs)(parsed), parsed.root
    except (BaseError, OSError, ValueError) as error:
        raise _unsupported(
            address, str(error).splitlines()[0], "an address that the store opens by"
        ) from error


def address_of(address: str) -> Address:
    """Raises StoreError for what is neither s3:// nor gs://, or has options that are not known."""
    parts = urlsplit(address)
    kind = {"s3": "s3", "gs": "gs", "gcs": "gs"}.get(parts.scheme.lower())
    if kind is None:
        raise _unsupported(address, f"not in {parts.scheme}://", "a folder, s3:// or gs://")
    options = dict(parse_qsl(parts.query))
    unknown = sorted(set(options) - _OPTIONS)
    if unknown:
        wanted = ", ".join(sorted(_OPTIONS - _KEPT_APART))
        raise _unsupported(address, f"not by the option {unknown[0]}", wanted)
    bucket = parts.netloc.rpartition("@")[2]
    user, password = (value and unquote(value) for value in (parts.username, parts.password))
    return Address(kind, bucket, parts.path.strip("/"), user, password, options)


def _unsupported(address: str, why: str, expected: str) -> StoreError:
    return StoreError(
        f"what the watch knows cannot be kept there ({why})", file=without_secrets(address), expected=expected
    )


def _s3(address: Address) -> Any:
    from obstore.store import S3Store

    environment, options = os.environ, address.options
    endpoint = (
        _endpoint(options) or environment.get("AWS_ENDPOINT_URL_S3") or environment.get("AWS_ENDPOINT_URL")
    )
    config: Any = {}
    if endpoint:
        config["aws_endpoint_url_s3"] = endpoint
    region = options.get("region") or (None if endpoint else _region_of(address.bucket))
    if region:
        config["region"] = region
    elif "AWS_REGION" not in environment and "AWS_DEFAULT_REGION" not in environment:
        config["region"] = "us-east-1"
    keys = _keys(address, environment)
    return S3Store(
        address.bucket,
        config=config,
        client_options=_client(endpoint, options),
        retry_config=_RETRIES,
        credential_provider=keys and (lambda: keys),
    )


def _gcs(address: Address) -> Any:
    from obstore.store import GCSStore

    endpoint = _endpoint(address.options) or os.environ.get("CLOUD_STORAGE_EMULATOR_ENDPOINT")
    config: Any = {"skip_signature": address.user == "anonymous"}
    nobody: Any = None
    if endpoint and endpoint.startswith("http:"):
        nobody = _nobody
    if endpoint:
        config["base_url"] = endpoint
    return GCSStore(
        address.bucket,
        config=config,
        client_options=_client(endpoint, address.options),
        retry_config=_RETRIES,
        credential_provider=nobody,
    )


def _nobody() -> dict[str, Any]:
    """For an emulator, which does not ask who one is."""
    return {"token": "none", "expires_at": None}


def _endpoint(options: Mapping[str, str]) -> str | None:
    place = options.get("endpoint_override")
    if not place or "://" in place:
        return place or None
    return f"{options.get('scheme', 'https')}://{place}"


def _client(endpoint: str | None, options: Mapping[str, str]) -> Any:
    client: dict[str, Any] = {
        "allow_http": bool(endpoint and endpoint.startswith("http:")),
        "timeout": timedelta(seconds=_TIMEOUT_S),
    }
    if authorities := options.get("tls_ca_file_path"):
        client["root_certificate"] = Path(authorities).read_bytes()
    return client


def _keys(address: Address, environment: Mapping[str, str]) -> Any:
    """What the address says, or the file of credentials where neither that nor the environment says anything; None: what obstore
    finds by itself."""
    if address.user:
        return _credential(address.user, address.password or "", None)
    if "AWS_ACCESS_KEY_ID" in environment:
        return None
    path = environment.get("AWS_SHARED_CREDENTIALS_FILE") or Path.home() / ".aws" / "credentials"
    known = configparser.ConfigParser(interpolation=None)
    with suppress(configparser.Error, OSError, UnicodeDecodeError):
        known.read(path)
    profile = environment.get("AWS_PROFILE", "default")
    if not known.has_option(profile, "aws_access_key_id"):
        return None
    names = ("aws_access_key_id", "aws_secret_access_key", "aws_session_token")
    return _credential(*(known.get(profile, name, fallback=None) for name in names))


def _credential(user: str | None, password: str | None, token: str | None) -> dict[str, Any]:
    return {"access_key_id": user, "secret_access_key": password, "token": token, "expires_at": None}


def _region_of(bucket: str) -> str | None:
    """The region of a bucket at Amazon, which says so to anybody; None if it cannot be asked."""
    connection = http.client.HTTPSConnection("s3.amazonaws.com", timeout=_ASK_S)
    try:
        connection.request("HEAD", f"/{bucket}")
        return connection.getresponse().getheader("x-amz-bucket-region")
    except (OSError, http.client.HTTPException, ValueError):
        return None
    finally:
        connection.close()
