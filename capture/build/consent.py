"""That the cautions were read: kept in the build, and good only for the person and the machine that said so.

The file in the build holds a mark made of a secret in the user's own data folder and of the machine. A build got from
somebody else brings their mark, an empty or foreign file none: the cautions are then shown again.
"""

from __future__ import annotations

import hashlib
import platform
import secrets
from datetime import UTC, datetime
from pathlib import Path

from stillbox.capture.errors import StillboxError
from stillbox.capture.files.small_file import parse_toml, read_small_text
from stillbox.capture.files.whole_file import write_whole

SECRET_BYTES = 16
_MACHINE_FILE = Path("/etc/machine-id")


def reader_path() -> Path:
    """The user's file with the secret that tells them from other people."""
    import platformdirs

    return platformdirs.user_data_path("stillbox") / "reader.toml"


def is_read(path: Path) -> bool:
    """Whether the file says that this person, on this machine, has read the cautions."""
    secret = _secret()
    return secret is not None and _entry(path, "reader") == _mark(secret)


def keep_read(path: Path) -> None:
    """Write the file that ``is_read`` looks at; StillboxError where the disk refuses."""
    secret = _secret() or _new_secret()
    moment = datetime.now(UTC).replace(microsecond=0).isoformat()
    write_whole(
        path,
        "# Written by Stillbox when the cautions before the first sweep of this build were read. It counts for the\n"
        "# person who read them, on their own machine; everybody else is shown them again.\n"
        f'read = {moment}\nreader = "{_mark(secret)}"\n',
    )


def _entry(path: Path, key: str) -> str | None:
    """A text in a small TOML file; None where it cannot be had, for then nobody has said anything."""
    try:
        value = parse_toml(read_small_text(path)).get(key)
    except (OSError, ValueError):
        return None
    return value if isinstance(value, str) else None


def _secret() -> str | None:
    secret = _entry(reader_path(), "secret")
    return secret if secret is not None and len(secret) == 2 * SECRET_BYTES else None


def _new_secret() -> str:
    path, secret = reader_path(), secrets.token_hex(SECRET_BYTES)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StillboxError(f"cannot make {path.parent}: {error.strerror}", "check the rights there") from error
    write_whole(path, f'# Written by Stillbox: tells whose word it is that cautions were read.\nsecret = "{secret}"\n')
    return secret


def _mark(secret: str) -> str:
    try:
        machine = read_small_text(_MACHINE_FILE).strip()
    except (OSError, ValueError):
        machine = ""
    return hashlib.sha256(f"{secret} {machine or platform.node()}".encode()).hexdigest()[:32]
